//! `export events`: one row an event, in the order they opened.
//!
//! An event ends with its last field, which takes a field's time: one that a single field shows has that duration.

use std::io::Write;

use super::Failure;
use super::TIME_DECIMALS;
use super::handed_on::Places;
use super::table::{Cell, Column, Holds, Table};
use crate::alarms::Event;
use crate::record::{Pass, word_of};
use crate::units::Seconds;

/// The columns, in order.
pub(super) fn columns(places: &Places) -> Vec<Column> {
    let columns = [
        Column::plain("id", Holds::Whole),
        Column::plain("kind", Holds::Text),
        Column::plain("severity", Holds::Text),
        Column::plain("standing", Holds::Truth),
        Column::plain("start_field", Holds::Whole),
        Column::plain("end_field", Holds::Whole),
        Column::plain("start_timecode", Holds::Text),
        Column::plain("end_timecode", Holds::Text),
        Column::in_unit("start_seconds", "s"),
        Column::in_unit("duration_seconds", "s"),
        Column::plain("worst", Holds::Number),
        Column::plain("unit", Holds::Text),
        Column::plain("limit", Holds::Number),
        Column::plain("note", Holds::Text),
    ];
    columns.into_iter().chain(places.columns()).collect()
}

/// Writes all events.
pub(super) fn write<const N: usize, W: Write + Send>(
    pass: &Pass<N>,
    places: &Places,
    mut table: Table<W>,
) -> Result<(), Failure> {
    for event in pass.events()? {
        write_event(&event, pass.head().field_period, &mut table)?;
        places.write(event.start.field, &mut table)?;
        table.end_row()?;
    }
    Ok(table.finish()?)
}

fn write_event<W: Write + Send>(
    event: &Event,
    field_period: Seconds,
    table: &mut Table<W>,
) -> std::io::Result<()> {
    let end = event.end;
    let seconds = |time: Seconds| Cell::Number(time.0, TIME_DECIMALS);
    let duration = end.map(|end| end.seconds - event.start.seconds + field_period);
    let (kind, severity) = (word_of(&event.kind), word_of(&event.severity));
    for cell in [
        Cell::Whole(event.id.0.into()),
        Cell::Text(&kind),
        Cell::Text(&severity),
        Cell::Truth(event.standing),
        Cell::Whole(event.start.field.0),
        Cell::or_absent(end.map(|end| Cell::Whole(end.field.0))),
        Cell::Text(&event.start_timecode),
        Cell::or_absent(event.end_timecode.as_ref().map(|label| Cell::Text(label))),
        seconds(event.start.seconds),
        Cell::or_absent(duration.map(seconds)),
        Cell::or_absent(event.worst.map(Cell::short)),
        Cell::or_absent((!event.unit.is_empty()).then_some(Cell::Text(&event.unit))),
        Cell::or_absent(event.limit.map(Cell::short)),
        Cell::Text(&event.note),
    ] {
        table.cell(cell)?;
    }
    Ok(())
}
