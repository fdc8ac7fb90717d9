//! The summary of a pass: one object with everything that is said of it as a whole.
//!
//! In: what is known of the source, and what the pass left: statistics, events, spans. Out: [`Summary`], as `scan --json`
//! prints it and the pass file keeps it.
//!
//! Does not know: where it is printed or kept.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value as Json};

use super::head::ProgrammeSpan;
use super::sections::Section;
use super::verdict::{Evidence, Groups, Judgement, NotJudged, Verdict, judge};
use crate::alarms::{Coverage, EventRecord};
use crate::limits::Kind;
use crate::sources::FieldOrder;
use crate::standard::Standard;

/// What is known of a pass besides what was measured.
#[derive(Clone, Debug, PartialEq)]
pub struct PassFacts {
    /// The source, in the operator's words.
    pub source: String,
    /// Scanning standard; `None` for rasters of neither.
    pub standard: Option<Standard>,
    /// Order of the fields, as read.
    pub field_order: FieldOrder,
}

/// The summary object.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// The source, in the operator's words.
    pub source: String,
    /// Scanning standard; `None` for rasters of neither.
    pub standard: Option<Standard>,
    /// Order of the fields, as read.
    pub field_order: FieldOrder,
    /// Fields of the pass, those that were lost included.
    pub fields: u64,
    /// From the start of the first field to the end of the last.
    pub seconds: f64,
    /// Stretches of programme.
    pub programme: Vec<ProgrammeSpan>,
    /// The word for the pass.
    pub verdict: Verdict,
    /// The word for each group.
    pub groups: Groups,
    /// Groups without enough evidence.
    pub not_judged: Vec<NotJudged>,
    /// Why the verdict is not `clean`; what matters most first.
    pub reasons: Vec<String>,
    /// Figures by quantity, in the order of columns.
    pub quantities: Map<String, Json>,
    /// Events, in the order they opened.
    pub events: Vec<EventRecord>,
    /// Programme fields that were over a limit, by kind of event: an event goes on through pauses. Kinds that covered none are
    /// left out.
    #[serde(default)]
    pub covered_fields: BTreeMap<Kind, u64>,
    /// Stretches with one setting each, where the operator marked that one was changed; else left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sections: Vec<Section>,
    /// Limits in force.
    pub limits: Json,
    /// Version of the program.
    pub version: String,
}

impl Summary {
    /// Sums up a pass, finished or in progress.
    ///
    /// # Errors
    /// When figures cannot be put into JSON, which finite numbers always can.
    pub fn new(facts: PassFacts, evidence: Evidence<'_>) -> Result<Self, serde_json::Error> {
        let Judgement {
            verdict,
            groups,
            not_judged,
            reasons,
        } = judge(evidence);
        let mut quantities = Map::new();
        for (quantity, figures) in evidence.statistics.figures() {
            quantities.insert(quantity.id.to_owned(), serde_json::to_value(figures)?);
        }
        let last = evidence.statistics.last();
        let period = evidence.clock.field_period();
        Ok(Self {
            source: facts.source,
            standard: facts.standard,
            field_order: facts.field_order,
            fields: last.map_or(0, |last| last.field.0 + 1),
            seconds: last.map_or(0.0, |last| (last.seconds + period).0),
            programme: evidence.spans.iter().map(ProgrammeSpan::from).collect(),
            verdict,
            groups,
            not_judged,
            reasons: reasons.into_iter().map(|reason| reason.sentence).collect(),
            quantities,
            events: evidence
                .log
                .events()
                .iter()
                .map(EventRecord::from)
                .collect(),
            covered_fields: covered_fields(evidence.coverage),
            sections: Vec::new(),
            limits: evidence.limits.to_json(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        })
    }
}

fn covered_fields(coverage: &Coverage) -> BTreeMap<Kind, u64> {
    let fields = Kind::ALL.iter().map(|&kind| (kind, coverage.fields(kind)));
    fields.filter(|&(_, fields)| fields > 0).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{blank, clock, healthy, wobbling};
    use crate::measures::quantities;
    use crate::measures::sync::State;
    use crate::record::played::pass_of;
    use crate::units::Hertz;

    fn summary() -> Summary {
        let snow = |field| blank(field, State::Snow);
        let wobble = |field| wobbling(field, 60.0);
        let pass = pass_of(&[(100, &snow), (900, &healthy), (200, &wobble), (200, &snow)]);
        let facts = PassFacts {
            source: String::from("tape:ferry-street"),
            standard: Some(Standard::Lines525),
            field_order: FieldOrder::Bottom,
        };
        let evidence = Evidence {
            statistics: &pass.statistics,
            spans: pass.played.alarms.programme().spans(),
            log: &pass.log,
            coverage: pass.played.alarms.coverage(),
            limits: &pass.limits,
            clock: clock(),
            sample_rate: Some(Hertz(13.5e6)),
        };
        Summary::new(facts, evidence).expect("finite figures")
    }

    #[test]
    fn the_object_has_its_keys_in_order() {
        let json = serde_json::to_value(summary()).expect("plain data");
        let keys: Vec<&str> = json
            .as_object()
            .map(|object| object.keys().map(String::as_str).collect())
            .unwrap_or_default();
        assert_eq!(
            keys.join(" "),
            "source standard field_order fields seconds programme verdict groups not_judged reasons quantities events \
             covered_fields limits version"
        );
        assert_eq!(json["standard"], "525");
        assert_eq!(json["field_order"], "bottom");
        assert_eq!(json["fields"], 1_400);
        let span = serde_json::json!({"start_field": 100, "end_field": 1199, "why_ended": "snow"});
        assert_eq!(json["programme"], serde_json::json!([span]));
        assert_eq!(json["verdict"], "unfit");
        assert_eq!(json["groups"]["steadiness"], "unfit");
        assert!(
            json["covered_fields"]["wobble"]
                .as_u64()
                .is_some_and(|n| n > 150)
        );
        assert_eq!(json["quantities"]["line_timing.error_rms_ns"]["n"], 1_100);
        assert!(
            json["events"]
                .as_array()
                .is_some_and(|events| events.len() >= 3)
        );
    }

    #[test]
    fn quantities_stand_in_the_order_of_columns() {
        let summary = summary();
        let ids: Vec<&str> = quantities().map(|quantity| quantity.id).collect();
        let keys: Vec<&str> = summary.quantities.keys().map(String::as_str).collect();
        assert_eq!(keys, ids);
    }

    #[test]
    fn it_reads_back_the_same() {
        let summary = summary();
        let text = serde_json::to_string(&summary).expect("plain data");
        assert_eq!(
            serde_json::from_str::<Summary>(&text).expect("our own print"),
            summary
        );
    }
}
