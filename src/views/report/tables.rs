//! Tables of the page: quantities, events, limits, minutes, programme.
//!
//! Tables that grow with the pass are bounded, and what is left out is counted.
//!
//! Does not know: how a table is laid out.

use std::cmp::Reverse;

use serde::Serialize;

use super::words::{self, Word, clock, number, with_unit};
use super::{Reported, chart};
use crate::alarms::wording::{amount, duration};
use crate::alarms::{Event, Span};
use crate::fields::FieldPlace;
use crate::limits::{Kind, Severity};
use crate::measures::{self, Group};
use crate::record::{Figures, Finished, MINUTE, Minute, MinuteWords, Overview, Verdict, percent};
use crate::units::Seconds;

/// Events listed at most: about 16 pages of paper. `export events` has them all.
pub(super) const MOST_EVENTS: usize = 400;

/// Stretches of minutes listed at most: two pages.
pub(super) const MOST_STRETCHES: usize = 60;

/// Stretches of programme listed at most.
const MOST_SPANS: usize = 60;

/// One quantity.
#[derive(Serialize)]
pub(super) struct QuantityRow {
    id: &'static str,
    label: String,
    unit: &'static str,
    median: Option<String>,
    p95: Option<String>,
    worst: Option<String>,
    /// Words with their shares, in place of figures.
    said: Option<String>,
    measured: String,
    columns: Option<String>,
    spread: String,
}

/// Quantities of one group.
#[derive(Serialize)]
pub(super) struct QuantityGroup {
    heading: String,
    rows: Vec<QuantityRow>,
}

/// Every quantity that was measured, by group.
pub(super) fn quantities(finished: &Finished) -> Vec<QuantityGroup> {
    let groups = Group::ALL.into_iter().map(|group| {
        let own = finished
            .quantities
            .iter()
            .filter(|one| one.quantity.group == group);
        QuantityGroup {
            heading: words::capital(group.word()),
            rows: own
                .filter_map(|one| quantity(one, finished.programme_fields))
                .collect(),
        }
    });
    groups.filter(|group| !group.rows.is_empty()).collect()
}

/// Labels of what was nowhere measured.
pub(super) fn not_measured(finished: &Finished) -> Vec<&'static str> {
    let nowhere = finished
        .quantities
        .iter()
        .filter(|one| fields_of(&one.figures) == 0);
    nowhere.map(|one| one.quantity.label).collect()
}

fn fields_of(figures: &Figures) -> u64 {
    match figures {
        Figures::Words { n, .. } | Figures::Numbers { n, .. } => *n,
    }
}

fn quantity(one: &Overview, programme_fields: u64) -> Option<QuantityRow> {
    let quantity = one.quantity;
    let n = fields_of(&one.figures);
    if n == 0 {
        return None;
    }
    let share = |fields: u64, of: u64| percent(fields as f64 / of.max(1) as f64);
    let shown = |value: Option<f64>| value.map(|value| number(value, one.decimals));
    let unit = quantity.unit.symbol();
    let mut row = QuantityRow {
        id: quantity.id,
        label: words::capital(quantity.label),
        unit,
        median: None,
        p95: None,
        worst: None,
        said: None,
        measured: share(n, programme_fields),
        columns: one.spread.as_ref().map(chart::columns),
        spread: one.spread.as_ref().map_or_else(String::new, |spread| {
            let end = |value| number(value, one.decimals);
            with_unit(&format!("{} to {}", end(spread.from), end(spread.to)), unit)
        }),
    };
    match &one.figures {
        Figures::Words { counts, n } => {
            let mut counts: Vec<(&String, &u64)> = counts.iter().collect();
            counts.sort_by_key(|&(word, fields)| (Reverse(fields), word));
            let said = counts
                .into_iter()
                .map(|(word, &fields)| format!("{} {}", word.replace('_', " "), share(fields, *n)));
            row.said = Some(said.collect::<Vec<String>>().join(", "));
        }
        Figures::Numbers {
            median, p95, worst, ..
        } => {
            row.median = shown(*median);
            row.p95 = shown(*p95);
            row.worst = shown(*worst);
        }
    }
    Some(row)
}

/// One event.
#[derive(Serialize)]
pub(super) struct EventRow {
    id: u32,
    start: String,
    length: String,
    kind: String,
    severity: Word,
    standing: bool,
    worst: Option<String>,
    note: String,
}

/// The events that matter most, in the order they began; alarms come before notices, then the longer before the shorter.
pub(super) fn events(pass: &Reported) -> Vec<EventRow> {
    let mut kept: Vec<&Event> = pass.finished.events.iter().collect();
    let length = |event: &Event| {
        event.end.map_or(u64::MAX, |end| {
            end.field.0 - event.start.field.0.min(end.field.0)
        })
    };
    kept.sort_by_key(|event| Reverse((event.severity, length(event))));
    kept.truncate(MOST_EVENTS);
    kept.sort_by_key(|event| (event.start.field, event.id));
    kept.into_iter()
        .map(|event| event_row(event, pass))
        .collect()
}

fn event_row(event: &Event, pass: &Reported) -> EventRow {
    let head = &pass.head;
    let period = head.field_period;
    EventRow {
        id: event.id.0,
        start: event.start_timecode.to_string(),
        length: event.end.map_or_else(
            || String::from("to the end"),
            |end| duration((end.seconds - event.start.seconds + period).0),
        ),
        kind: words::kind(event.kind),
        severity: words::severity(event.severity),
        standing: event.standing,
        worst: worst_of(event, pass),
        note: event.note.clone(),
    }
}

fn worst_of(event: &Event, pass: &Reported) -> Option<String> {
    let worst = event.worst?;
    let limits = pass.finished.limits.rows().iter();
    let mut own = limits.filter(|row| {
        let unit = row.threshold().map(|threshold| threshold.unit);
        row.kind == event.kind && unit == Some(event.unit)
    });
    let said = own
        .next()
        .and_then(|row| amount(row, worst, pass.head.sample_rate));
    said.or_else(|| Some(with_unit(&words::short(worst), event.unit)))
}

/// How many events of each severity a pass has.
pub(super) fn count(finished: &Finished, severity: Severity) -> usize {
    let events = finished.events.iter();
    events.filter(|event| event.severity == severity).count()
}

/// One limit in force.
#[derive(Serialize)]
pub(super) struct LimitRow {
    id: &'static str,
    quantity: String,
    threshold: String,
    fields: String,
    severity: Word,
    events: usize,
}

/// Every limit in force.
pub(super) fn limits(finished: &Finished) -> Vec<LimitRow> {
    let rows = finished.limits.rows().iter().map(|row| {
        let of_kind = finished
            .events
            .iter()
            .filter(|event| event.kind == row.kind);
        let known = measures::quantity(row.quantity);
        LimitRow {
            id: row.id,
            quantity: known.map_or_else(
                || row.quantity.to_owned(),
                |(_, quantity)| quantity.label.to_owned(),
            ),
            threshold: words::threshold(row),
            fields: format!("{} of {}", row.hits, row.of),
            severity: words::severity(row.severity),
            events: of_kind.count(),
        }
    });
    rows.collect()
}

/// Minutes in a row that are judged alike and not clean.
#[derive(Serialize)]
pub(super) struct MinuteRow {
    from: String,
    minutes: usize,
    words: Vec<Word>,
    kinds: String,
}

/// Stretches of minutes that are not clean, and how many more there are.
pub(super) fn minutes(finished: &Finished) -> (Vec<MinuteRow>, usize) {
    let runs = finished.minutes.chunk_by(same);
    let rows = runs.filter_map(|run| {
        let judged = run[0].judged.as_ref()?;
        let words = Group::ALL.map(|group| words::verdict(judged.groups.of(group)));
        (judged.verdict != Verdict::Clean).then(|| MinuteRow {
            from: run[0].start.to_string(),
            minutes: run.len(),
            words: words.to_vec(),
            kinds: kinds(judged),
        })
    });
    let mut rows: Vec<MinuteRow> = rows.collect();
    let more = rows.len().saturating_sub(MOST_STRETCHES);
    rows.truncate(MOST_STRETCHES);
    (rows, more)
}

fn same(a: &Minute, b: &Minute) -> bool {
    match (&a.judged, &b.judged) {
        (Some(a), Some(b)) => a.groups == b.groups && a.kinds == b.kinds,
        (None, None) => true,
        _ => false,
    }
}

fn kinds(judged: &MinuteWords) -> String {
    let kinds = judged.kinds.iter().map(|&kind: &Kind| words::kind(kind));
    kinds.collect::<Vec<String>>().join(", ")
}

/// A block of the minute strip: minutes in a row with one word.
#[derive(Serialize)]
pub(super) struct Block {
    x: f64,
    width: f64,
    tone: &'static str,
    y: u8,
    height: u8,
    title: String,
}

/// One row of the minute strip.
#[derive(Serialize)]
pub(super) struct StripRow {
    group: String,
    word: Word,
    /// Minutes by word, for those who do not see the strip.
    said: String,
    blocks: Vec<Block>,
}

/// The strip of minutes, a row a group.
pub(super) fn strip(finished: &Finished) -> Vec<StripRow> {
    let width = 1000.0 / finished.minutes.len().max(1) as f64;
    let rows = Group::ALL.into_iter().map(|group| {
        let word = |minute: &Minute| {
            let judged = minute.judged.as_ref()?;
            Some(words::verdict(judged.groups.of(group)))
        };
        let (mut blocks, mut at) = (Vec::new(), 0);
        let mut counts: Vec<(&str, usize)> = Vec::new();
        for run in finished.minutes.chunk_by(|a, b| word(a) == word(b)) {
            let name = word(&run[0]).map_or("outside the programme", |word| word.text);
            match counts.iter_mut().find(|(known, _)| *known == name) {
                Some((_, count)) => *count += run.len(),
                None => counts.push((name, run.len())),
            }
            if let Some(word) = word(&run[0]) {
                blocks.push(block(word, at, run, width));
            }
            at += run.len();
        }
        let said = counts
            .iter()
            .map(|(word, count)| format!("{word} {count} min"));
        StripRow {
            group: words::capital(group.word()),
            word: words::verdict(finished.judgement.groups.of(group)),
            said: said.collect::<Vec<String>>().join(", "),
            blocks,
        }
    });
    rows.collect()
}

fn block(word: Word, at: usize, run: &[Minute], width: f64) -> Block {
    // the worse, the higher: colour is not all that tells
    let (y, height) = match word.tone {
        "calm" => (8, 2),
        "look" => (5, 5),
        "stop" => (0, 10),
        _ => (3, 4),
    };
    let until = clock(Seconds(((at + run.len()) as u64 * MINUTE) as f64));
    Block {
        x: at as f64 * width,
        width: run.len() as f64 * width,
        tone: word.tone,
        y,
        height,
        title: format!(
            "{} for {} min from {} (to {until} of the pass)",
            word.text,
            run.len(),
            run[0].start
        ),
    }
}

/// A stretch of programme.
#[derive(Serialize)]
pub(super) struct SpanRow {
    start: String,
    end: String,
    length: String,
    why_ended: String,
}

/// Stretches of programme, and how many more there are.
pub(super) fn programme(pass: &Reported) -> (Vec<SpanRow>, usize) {
    let spans = &pass.finished.spans;
    let rows = spans
        .iter()
        .take(MOST_SPANS)
        .map(|span| span_row(span, pass));
    (rows.collect(), spans.len().saturating_sub(MOST_SPANS))
}

fn span_row(span: &Span, pass: &Reported) -> SpanRow {
    let label = |place: FieldPlace| pass.head.clock().label(place.frame()).to_string();
    let end = span.end.or(pass.finished.last);
    SpanRow {
        start: label(span.start),
        end: end.map_or_else(String::new, label),
        length: end.map_or_else(String::new, |end| {
            clock(end.seconds - span.start.seconds + pass.head.field_period)
        }),
        why_ended: span.why_ended.map_or_else(
            || String::from("recording was cut short"),
            |why| why.word().replace('_', " "),
        ),
    }
}
