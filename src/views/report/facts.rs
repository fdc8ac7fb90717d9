//! What a pass is of, as pairs of a name and a value.
//!
//! Does not know: what was measured.

use serde::Serialize;

use super::Reported;
use super::words::{capital, clock, short};
use crate::record::{TapeSpeed, word_of};
use crate::standard::Standard;
use crate::units::{CodeRange, Seconds};

/// A name and what goes with it; given in the operator's or the device's words, or ours.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Fact {
    pub(super) name: String,
    pub(super) value: String,
}

/// Facts under one heading.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Facts {
    pub(super) heading: &'static str,
    pub(super) facts: Vec<Fact>,
}

fn fact(name: &str, value: impl Into<String>) -> Fact {
    Fact {
        name: name.to_owned(),
        value: value.into(),
    }
}

/// Everything the head of a pass says; headings without facts are left out.
pub(super) fn of(pass: &Reported) -> Vec<Facts> {
    let source = &pass.head.source;
    let pairs = |pairs: &[(String, String)]| {
        let facts = pairs
            .iter()
            .map(|(name, value)| fact(&capital(name), value));
        facts.collect::<Vec<Fact>>()
    };
    let remarks = source.remarks.iter().map(|remark| fact("Remark", remark));
    let source_facts = [
        vec![fact("Source", &source.name), fact("Kind", &source.kind)],
        pairs(&source.details),
        pairs(&pass.found),
        remarks.collect(),
    ];
    let all = [
        ("Tape and chain", tape(pass)),
        ("Recording", recording(pass)),
        ("Picture", picture(pass)),
        ("Source", source_facts.concat()),
        ("Settings as found", pairs(&pass.head.settings)),
        ("Device controls", pairs(&source.controls)),
    ];
    let facts = all.into_iter().filter(|(_, facts)| !facts.is_empty());
    facts
        .map(|(heading, facts)| Facts { heading, facts })
        .collect()
}

fn tape(pass: &Reported) -> Vec<Fact> {
    let head = &pass.head;
    let speed = head.speed.map(|speed| match speed {
        TapeSpeed::Sp => "SP, standard play",
        TapeSpeed::Lp => "LP, long play",
        TapeSpeed::Ep => "EP, extended play",
    });
    let said = [
        ("Tape", head.tape.as_deref()),
        ("Chain", head.chain.as_deref()),
        ("Player", head.player.as_deref()),
        ("Box", head.pass_box.as_deref()),
        ("Speed", speed),
    ];
    let said = said.into_iter();
    said.map(|(name, value)| fact(name, value.unwrap_or("not said")))
        .collect()
}

fn recording(pass: &Reported) -> Vec<Fact> {
    let head = &pass.head;
    let finished = &pass.finished;
    let length = finished.length(head.field_period);
    let programme = finished.programme_fields as f64 * head.field_period.0;
    let fields = finished.last.map_or(0, |last| last.field.0 + 1);
    vec![
        fact("File", pass.path.display().to_string()),
        fact("Began", date(&head.started_at)),
        fact(
            "Ended",
            pass.closed_at
                .as_deref()
                .map_or_else(|| String::from("not closed: recording was cut short"), date),
        ),
        fact("Length", format!("{} ({fields} fields)", clock(length))),
        fact(
            "Programme",
            format!(
                "{} ({} fields)",
                clock(Seconds(programme)),
                finished.programme_fields
            ),
        ),
        fact("First timecode", head.start.to_string()),
        fact("Recorded with", format!("trueline {}", head.program)),
        fact(
            "Timing of every line",
            if head.keep_lines { "kept" } else { "not kept" },
        ),
    ]
}

/// A date and time as a person reads it: `2026-03-01 19:04:05 +00:00`.
fn date(stamp: &str) -> String {
    let Some((day, time)) = stamp.split_once('T') else {
        return stamp.to_owned();
    };
    let zone = time.find(['+', '-', 'Z']).unwrap_or(time.len());
    let (time, zone) = time.split_at(zone);
    format!("{day} {time} {zone}").trim_end().to_owned()
}

fn picture(pass: &Reported) -> Vec<Fact> {
    let head = &pass.head;
    let standard = match head.standard {
        Some(Standard::Lines525) => "525 lines, 59.94 fields a second",
        Some(Standard::Lines625) => "625 lines, 50 fields a second",
        None => "a raster of neither standard",
    };
    let range = match head.range {
        CodeRange::Studio => "codes 16 to 235",
        CodeRange::Full => "codes 0 to 255",
    };
    let rate = head.sample_rate.map_or_else(
        || String::from("not known"),
        |rate| format!("{:.3} MHz", rate.0 / 1e6),
    );
    vec![
        fact("Standard", standard),
        fact(
            "Field order",
            word_of(&head.field_order)
                .replace("top", "top first")
                .replace("bottom", "bottom first"),
        ),
        fact("Range", range),
        fact("Set-up of the tape", format!("{} IRE", short(head.setup.0))),
        fact("Luma samples", rate),
    ]
}

#[cfg(test)]
mod tests {
    use super::date;

    #[test]
    fn dates_are_readable_and_what_is_none_stays_as_it_is() {
        assert_eq!(
            date("2026-03-01T19:04:05+00:00"),
            "2026-03-01 19:04:05 +00:00"
        );
        assert_eq!(date("2026-03-01T19:04:05"), "2026-03-01 19:04:05");
        assert_eq!(date("yesterday"), "yesterday");
    }
}
