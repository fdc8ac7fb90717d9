//! One pass as the templates take it.
//!
//! Does not know: markup.

use serde::Serialize;

use super::Reported;
use super::chart::{self, Scale};
use super::facts::{self, Facts};
use super::pictures::{self, Figure};
use super::tables::{self, EventRow, LimitRow, MinuteRow, QuantityGroup, SpanRow, StripRow};
use super::words::{self, Word, capital, clock, number, with_unit};
use crate::limits::{Severity, Side};
use crate::measures::Group;
use crate::record::{Finished, Overview, Reason, Remedy, is_judged, percent, test_stretches};
use crate::timecode::{FieldIndex, Timecode};
use crate::units::Seconds;

/// A pass on the page.
#[derive(Serialize)]
pub(super) struct Sheet {
    /// Begins the ids of its parts.
    id: String,
    pub(super) name: String,
    file: String,
    verdict: Word,
    sentence: String,
    groups: Vec<GroupWord>,
    remedies: Vec<RemedyList>,
    is_closed: bool,
    is_summed_up: bool,
    gaps: Vec<String>,
    length: String,
    programme_length: String,
    alarms: usize,
    notices: usize,
    facts: Vec<Facts>,
    programme: Vec<SpanRow>,
    more_programme: usize,
    sections: Vec<SectionRow>,
    strip: Vec<StripRow>,
    ticks: Vec<String>,
    minutes: Vec<MinuteRow>,
    more_minutes: usize,
    stretches: Vec<StretchRow>,
    charts: Vec<ChartGroup>,
    quantities: Vec<QuantityGroup>,
    not_measured: Vec<&'static str>,
    events: Vec<EventRow>,
    more_events: usize,
    pictures: Vec<Figure>,
    limits: Vec<LimitRow>,
    set_up: String,
    set_up_is_urgent: bool,
}

#[derive(Serialize)]
struct GroupWord {
    group: String,
    word: Word,
}

/// Reasons with one way out.
#[derive(Serialize)]
struct RemedyList {
    heading: String,
    advice: &'static str,
    reasons: Vec<ReasonRow>,
}

#[derive(Serialize)]
struct ReasonRow {
    word: Word,
    group: Option<&'static str>,
    sentence: String,
}

#[derive(Serialize)]
struct SectionRow {
    start: String,
    changed: String,
    fields: u64,
    figures: String,
}

/// A good place to try a setting at.
#[derive(Serialize)]
struct StretchRow {
    why: &'static str,
    start: String,
    length: String,
}

/// Charts of one group.
#[derive(Serialize)]
struct ChartGroup {
    heading: String,
    charts: Vec<Chart>,
}

/// One quantity over the pass.
#[derive(Serialize)]
struct Chart {
    id: String,
    quantity: &'static str,
    title: String,
    unit: &'static str,
    caption: String,
    description: String,
    outside: String,
    band: String,
    median: String,
    limits: Vec<LimitLine>,
    top: String,
    bottom: String,
}

#[derive(Serialize)]
struct LimitLine {
    y: f64,
    /// The words stand under the line where there is no room over it.
    is_high: bool,
    label: String,
}

impl Sheet {
    /// The pass with this number on the page, from 1.
    pub(super) fn of(pass: &Reported, number: usize) -> Self {
        let finished = &pass.finished;
        let judgement = &finished.judgement;
        let id = format!("pass-{number}");
        let file = pass.path.file_name().unwrap_or(pass.path.as_os_str());
        let file = file.to_string_lossy().into_owned();
        let (programme, more_programme) = tables::programme(pass);
        let (minutes, more_minutes) = tables::minutes(finished);
        let events = tables::events(pass);
        let period = pass.head.field_period;
        let groups = Group::ALL.into_iter().map(|group| GroupWord {
            group: capital(group.word()),
            word: words::verdict(judgement.groups.of(group)),
        });
        Self {
            name: pass.head.tape.clone().unwrap_or_else(|| file.clone()),
            file,
            verdict: words::verdict(judgement.verdict),
            sentence: judgement.in_a_sentence(),
            groups: groups.collect(),
            remedies: remedies(finished),
            is_closed: pass.closed_at.is_some(),
            is_summed_up: finished.is_summed_up,
            gaps: gaps(pass),
            length: clock(finished.length(period)),
            programme_length: clock(Seconds(finished.programme_fields as f64 * period.0)),
            alarms: tables::count(finished, Severity::Alarm),
            notices: tables::count(finished, Severity::Notice),
            facts: facts::of(pass),
            programme,
            more_programme,
            sections: sections(pass),
            strip: tables::strip(finished),
            ticks: ticks(pass),
            minutes,
            more_minutes,
            stretches: stretches(pass),
            charts: charts(pass, &id),
            quantities: tables::quantities(finished),
            not_measured: tables::not_measured(finished),
            more_events: finished.events.len() - events.len(),
            events,
            pictures: pictures::figures(pass),
            limits: tables::limits(finished),
            set_up: format!("{}.", capital(&finished.set_up.ways[0])),
            set_up_is_urgent: finished.set_up.is_urgent,
            id,
        }
    }
}

fn remedies(finished: &Finished) -> Vec<RemedyList> {
    let lists = Remedy::ALL.into_iter().map(|remedy| RemedyList {
        heading: capital(remedy.word()),
        advice: match remedy {
            Remedy::PlayAgain => "Another playing of these places may be without it; clean the player's path first.",
            Remedy::ChangeSetting => {
                "It goes on and on, so the chain is set up for it: player, box, cable or capture device."
            }
            Remedy::OnTape => "It was recorded so, or is worn in: no setting of the chain takes it away.",
            Remedy::NotSeen => "What was not seen may be worse than what was; a pass is never clean for that.",
        },
        reasons: finished.judgement.with_remedy(remedy).map(reason_row).collect(),
    });
    lists.filter(|list| !list.reasons.is_empty()).collect()
}

fn reason_row(reason: &Reason) -> ReasonRow {
    ReasonRow {
        word: words::verdict(reason.verdict),
        group: reason.group.map(Group::word),
        sentence: reason.sentence.clone(),
    }
}

fn gaps(pass: &Reported) -> Vec<String> {
    let gaps = pass.finished.gaps.iter().map(|gap| {
        let label = |field: FieldIndex| pass.head.clock().label(field.frame());
        format!(
            "{} fields between {} and {} were measured and could not be stored: {}.",
            gap.fields,
            label(gap.first),
            label(gap.last),
            gap.why
        )
    });
    gaps.collect()
}

fn sections(pass: &Reported) -> Vec<SectionRow> {
    let sections = pass.finished.sections.iter().map(|section| {
        let charted = pass
            .finished
            .quantities
            .iter()
            .filter(|one| is_charted(&pass.finished, one));
        let figures = charted.filter_map(|one| {
            let median = section.medians.get(one.quantity.id)?;
            let median = with_unit(&number(*median, one.decimals), one.quantity.unit.symbol());
            Some(format!("{} {median}", one.quantity.label))
        });
        SectionRow {
            start: pass
                .head
                .clock()
                .label(section.start_field.frame())
                .to_string(),
            changed: if section.changed.is_empty() {
                String::from("as found")
            } else {
                section.changed.clone()
            },
            fields: section.fields,
            figures: figures.collect::<Vec<String>>().join(", "),
        }
    });
    sections.collect()
}

fn stretches(pass: &Reported) -> Vec<StretchRow> {
    let all = test_stretches(&pass.finished).into_iter();
    all.map(|stretch| {
        let field = FieldIndex((stretch.start.0 / pass.head.field_period.0) as u64);
        StretchRow {
            why: stretch.why,
            start: pass.head.clock().label(field.frame()).to_string(),
            length: clock(stretch.length),
        }
    })
    .collect()
}

/// Labels under a timeline: start, quarters, end.
fn ticks(pass: &Reported) -> Vec<String> {
    let Some(last) = pass.finished.last else {
        return Vec::new();
    };
    let labels = (0..=4_u64).map(|quarter| {
        let field = FieldIndex(last.field.0 * quarter / 4);
        without_frames(pass.head.clock().label(field.frame()))
    });
    labels.collect()
}

/// Hours, minutes and seconds of a label.
fn without_frames(label: Timecode) -> String {
    let label = label.to_string();
    let end = label.len().saturating_sub(3);
    label[..end].to_owned()
}

/// Whether a quantity has a chart: what has a limit in numbers, and what a group's evidence rests on.
fn is_charted(finished: &Finished, one: &Overview) -> bool {
    let mut rows = finished.limits.rows().iter();
    rows.any(|row| row.quantity == one.quantity.id && row.threshold().is_some())
        || is_judged(one.quantity.id)
}

fn charts(pass: &Reported, id: &str) -> Vec<ChartGroup> {
    let finished = &pass.finished;
    let length = finished.length(pass.head.field_period).0;
    let ends = finished.spans.iter().filter_map(|span| {
        let end = span.end.or(finished.last)?.seconds + pass.head.field_period;
        Some((span.start.seconds.0 / length, end.0 / length))
    });
    let outside = chart::outside(&ends.collect::<Vec<(f64, f64)>>());
    let groups = Group::ALL.into_iter().map(|group| {
        let own = finished
            .quantities
            .iter()
            .filter(|one| one.quantity.group == group);
        let charted = own.filter(|one| is_charted(finished, one));
        ChartGroup {
            heading: capital(group.word()),
            charts: charted
                .filter_map(|one| chart(one, finished, id, &outside))
                .collect(),
        }
    });
    groups.filter(|group| !group.charts.is_empty()).collect()
}

fn chart(one: &Overview, finished: &Finished, id: &str, outside: &str) -> Option<Chart> {
    let quantity = one.quantity;
    let (fixed, told) = limits_of(one, finished);
    let marks: Vec<f64> = fixed.iter().map(|&(value, _)| value).collect();
    let scale = Scale::of(&one.timeline, &marks)?;
    let (least, most) = one.timeline.range()?;
    let (band, median) = chart::paths(&one.timeline, scale);
    let unit = quantity.unit.symbol();
    let shown = |value: f64| with_unit(&number(value, one.decimals), unit);
    let steps = &one.timeline.steps;
    let measured = steps.iter().flatten().count() as f64 / steps.len().max(1) as f64;
    let middles = steps.iter().flatten().map(|band| band.median);
    let (low, high) = middles.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), median| {
        (low.min(median), high.max(median))
    });
    let caption = [
        Some(format!("A step is {} s.", one.timeline.step_seconds)),
        (!told.is_empty()).then(|| format!("Limit: {}.", told.join("; "))),
        (most > scale.to).then(|| format!("Peaks up to {} lie above the picture.", shown(most))),
        (least < scale.from).then(|| format!("Peaks down to {} lie below it.", shown(least))),
    ];
    let caption: Vec<String> = caption.into_iter().flatten().collect();
    Some(Chart {
        id: format!("{id}-{}", quantity.id.replace('.', "-")),
        quantity: quantity.id,
        title: capital(quantity.label),
        unit,
        description: format!(
            "Measured in {} of the steps. Middle values from {} to {}; least {}, greatest {}.",
            percent(measured),
            shown(low),
            shown(high),
            shown(least),
            shown(most)
        ),
        caption: caption.join(" "),
        outside: outside.to_owned(),
        band,
        median,
        limits: fixed
            .into_iter()
            .map(|(value, label)| {
                let y = scale.y(value);
                LimitLine {
                    y,
                    is_high: y < 22.0,
                    label,
                }
            })
            .collect(),
        top: shown(scale.to),
        bottom: shown(scale.from),
    })
}

/// Limits that are a line in the chart, and all of them in words.
fn limits_of(one: &Overview, finished: &Finished) -> (Vec<(f64, String)>, Vec<String>) {
    let rows = finished.limits.rows().iter();
    let own = rows.filter(|row| row.quantity == one.quantity.id);
    let (mut fixed, mut told): (Vec<(f64, String)>, Vec<String>) = (Vec::new(), Vec::new());
    for row in own {
        let Some(threshold) = row.threshold() else {
            continue;
        };
        told.push(format!(
            "{} {}",
            words::kind(row.kind),
            words::threshold(row)
        ));
        let label = with_unit(&words::short(threshold.enter), threshold.unit);
        let ends: &[f64] = match threshold.side {
            Side::Above | Side::Below => &[threshold.enter],
            Side::Outside => &[threshold.enter, -threshold.enter],
            Side::Risen | Side::Moved | Side::Rising | Side::Sinking | Side::Counted => &[],
        };
        for &end in ends {
            // the second line is drawn where the quantity has that sign at all
            let range = one.timeline.range().unwrap_or((0.0, 0.0));
            if end < 0.0 && threshold.side == Side::Outside && range.0 >= 0.0 {
                continue;
            }
            let sign = if end < 0.0 && threshold.side == Side::Outside {
                "−"
            } else {
                ""
            };
            fixed.push((end, format!("limit {sign}{label}")));
        }
    }
    told.dedup();
    (fixed, told)
}
