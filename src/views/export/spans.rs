//! `export spans`: the programme, and the stretches to play again with why.
//!
//! One row a span, in the order they begin; both ends count. Of a stretch `worst_event` is the `id` of the event that most
//! asks for it, and `worst` and `unit` are that one's.

use std::io::Write;

use super::handed_on::Places;
use super::table::{Cell, Column, Holds, Table};
use super::{Failure, TIME_DECIMALS};
use crate::alarms::Event;
use crate::record::again::{self, Again};
use crate::record::{Pass, ProgrammeSpan, RecordError, word_of};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// The columns, in order.
pub(super) fn columns(places: &Places) -> Vec<Column> {
    let columns = [
        Column::plain("span", Holds::Text),
        Column::plain("start_field", Holds::Whole),
        Column::plain("end_field", Holds::Whole),
        Column::plain("start_timecode", Holds::Text),
        Column::plain("end_timecode", Holds::Text),
        Column::in_unit("start_seconds", "s"),
        Column::in_unit("duration_seconds", "s"),
        Column::plain("why", Holds::Text),
        Column::plain("events", Holds::Whole),
        Column::plain("worst_event", Holds::Whole),
        Column::plain("worst_kind", Holds::Text),
        Column::plain("worst", Holds::Number),
        Column::plain("unit", Holds::Text),
    ];
    columns.into_iter().chain(places.columns()).collect()
}

/// What a row is of.
enum Span {
    Programme(ProgrammeSpan),
    Again(Again),
}

impl Span {
    fn start(&self) -> FieldIndex {
        match self {
            Self::Programme(span) => span.start,
            Self::Again(again) => again.start,
        }
    }

    /// `None` while it goes on.
    fn end(&self) -> Option<FieldIndex> {
        match self {
            Self::Programme(span) => span.end,
            Self::Again(again) => Some(again.end),
        }
    }
}

/// Writes all spans.
pub(super) fn write<const N: usize, W: Write + Send>(
    pass: &Pass<N>,
    places: &Places,
    mut table: Table<W>,
) -> Result<(), Failure> {
    for span in spans(pass)? {
        write_span(pass, &span, &mut table)?;
        places.write(span.start(), &mut table)?;
        table.end_row()?;
    }
    Ok(table.finish()?)
}

/// Programme and stretches by their first field; of two that begin together the programme comes first.
fn spans<const N: usize>(pass: &Pass<N>) -> Result<Vec<Span>, RecordError> {
    let Some(last) = pass.last_place()? else {
        return Ok(Vec::new());
    };
    let programme = pass.programme()?;
    let period = pass.head().field_period;
    let again = again::stretches(&pass.events()?, &programme, last.field, period);
    let mut spans: Vec<Span> = programme.into_iter().map(Span::Programme).collect();
    spans.extend(again.into_iter().map(Span::Again));
    spans.sort_by_key(Span::start);
    Ok(spans)
}

fn write_span<const N: usize, W: Write + Send>(
    pass: &Pass<N>,
    span: &Span,
    table: &mut Table<W>,
) -> Result<(), Failure> {
    let (start, end) = (span.start(), span.end());
    let period = pass.head().field_period;
    let label = |field: FieldIndex| pass.head().clock().label(field.frame());
    let (start_label, end_label) = (label(start), end.map(label));
    let start_seconds = seconds_of(pass, start)?;
    let end_seconds = end.map(|end| seconds_of(pass, end)).transpose()?;
    let duration = end_seconds.map(|end| end - start_seconds + period);
    let seconds = |time: Seconds| Cell::Number(time.0, TIME_DECIMALS);
    let (word, why) = match span {
        Span::Programme(span) => ("programme", span.why_ended.map(|why| word_of(&why))),
        Span::Again(again) => ("play_again", Some(again.why())),
    };
    for cell in [
        Cell::Text(&word),
        Cell::Whole(start.0),
        Cell::or_absent(end.map(|end| Cell::Whole(end.0))),
        Cell::Text(&start_label),
        Cell::or_absent(end_label.as_ref().map(|label| Cell::Text(label))),
        seconds(start_seconds),
        Cell::or_absent(duration.map(seconds)),
        Cell::or_absent(why.as_ref().map(|why| Cell::Text(why))),
    ] {
        table.cell(cell)?;
    }
    Ok(write_worst(span, table)?)
}

/// How many events ask for a stretch, and the worst of them.
fn write_worst<W: Write + Send>(span: &Span, table: &mut Table<W>) -> std::io::Result<()> {
    let again = match span {
        Span::Programme(_) => None,
        Span::Again(again) => Some(again),
    };
    let count = again.map(|again| {
        let events = again.reasons.iter().map(|reason| reason.events);
        events.sum::<usize>() as u64
    });
    let worst: Option<&Event> = again.map(Again::worst);
    let kind = worst.map(|event| word_of(&event.kind));
    let unit = worst
        .map(|event| event.unit)
        .filter(|unit| !unit.is_empty());
    for cell in [
        count.map(Cell::Whole),
        worst.map(|event| Cell::Whole(event.id.0.into())),
        kind.as_ref().map(|kind| Cell::Text(kind)),
        worst.and_then(|event| event.worst).map(Cell::short),
        unit.as_ref().map(|unit| Cell::Text(unit)),
    ] {
        table.cell(Cell::or_absent(cell))?;
    }
    Ok(())
}

/// When a field is: its row's time or, of one that was lost, that of the next row less the fields between.
fn seconds_of<const N: usize>(pass: &Pass<N>, field: FieldIndex) -> Result<Seconds, RecordError> {
    let period = pass.head().field_period;
    Ok(match pass.place_from(field)? {
        Some(next) => next.seconds - period * ((next.field.0 - field.0) as f64),
        None => period * (field.0 as f64),
    })
}
