//! Values, places and events out of what a file stores.
//!
//! Does not know: which rows are wanted.

use std::fmt::Write;

use super::PerSecond;
use crate::alarms::{Event, EventId};
use crate::fields::FieldPlace;
use crate::measures::{Quantity, Value};
use crate::record::row::Row;
use crate::record::schema::{Catalogue, StoredQuantity, of_word};
use crate::standard::{Parity, Standard};
use crate::timecode::{FieldIndex, Timecode};
use crate::units::Seconds;

/// Units that events carry: those of quantities, and a few that only limits have. Append only.
const EVENT_UNITS: [&str; 14] = [
    "ns", "ms", "lines", "IRE", "%", "dB", "", "fields", "samples", "s", "codes", "µs", "MHz", "°",
];

pub(super) fn select_rows<const N: usize>(stored: &[Option<StoredQuantity>; N]) -> String {
    let mut select = String::from("SELECT field, parity, micros");
    for quantity in stored.iter().flatten() {
        let column = &quantity.column;
        let _ = write!(select, ", {column}");
        if quantity.sigma.is_some() {
            let _ = write!(select, ", {column}_sigma");
        }
    }
    select.push_str(" FROM readings WHERE field >= ?1 AND field < ?2 ORDER BY field LIMIT ?3");
    select
}

/// A row of what [`select_rows`] selects.
pub(super) fn read_row<const N: usize>(
    row: &rusqlite::Row<'_>,
    catalogue: &Catalogue<N>,
    stored: &[Option<StoredQuantity>; N],
) -> rusqlite::Result<Row<N>> {
    let mut values = [None; N];
    let mut column = 3;
    let mut take = || -> rusqlite::Result<Option<i64>> {
        column += 1;
        row.get(column - 1)
    };
    for ((value, quantity), stored) in values.iter_mut().zip(catalogue).zip(stored) {
        let Some(stored) = stored else { continue };
        let steps = take()?;
        let sigma = stored.sigma.map(|_| take()).transpose()?.flatten();
        *value = steps.and_then(|steps| value_of(steps, sigma, quantity, stored));
    }
    Ok(Row {
        place: read_place(row, 0)?,
        values,
    })
}

/// The value of a stored number; `None` for a word this program does not know.
///
/// What is whole by its step, not negative and without a sigma was a count.
pub(super) fn value_of(
    steps: i64,
    sigma: Option<i64>,
    quantity: &Quantity,
    stored: &StoredQuantity,
) -> Option<Value> {
    if !quantity.words.is_empty() {
        let word = stored.words.get(usize::try_from(steps).ok()?)?;
        let known = quantity.words.iter().find(|known| *known == word)?;
        return Some(Value::Word(known));
    }
    let whole = stored.scale.step() == 1.0;
    match u64::try_from(steps) {
        Ok(count) if whole && sigma.is_none() => Some(Value::Count(count)),
        _ => Some(Value::Number {
            value: stored.scale.value_of(steps),
            sigma: stored
                .sigma
                .zip(sigma)
                .map(|(scale, sigma)| scale.value_of(sigma)),
        }),
    }
}

/// A second's figures of a quantity in four columns from `first` on: n, min, median, max; `None` where it was not measured.
pub(super) fn read_second(
    row: &rusqlite::Row<'_>,
    (second, first): (u64, usize),
    quantity: &Quantity,
    stored: &StoredQuantity,
) -> rusqlite::Result<Option<PerSecond>> {
    let n: Option<u32> = row.get(first)?;
    let Some(n) = n.filter(|&n| n > 0) else {
        return Ok(None);
    };
    let value = |at| -> rusqlite::Result<Option<Value>> {
        Ok(value_of(row.get(at)?, None, quantity, stored))
    };
    let (min, median, max) = (value(first + 1)?, value(first + 2)?, value(first + 3)?);
    Ok(min
        .zip(median)
        .zip(max)
        .map(|((min, median), max)| PerSecond {
            second,
            min,
            median,
            max,
            n,
        }))
}

/// Field, parity and time in three columns from `first` on.
pub(super) fn read_place(row: &rusqlite::Row<'_>, first: usize) -> rusqlite::Result<FieldPlace> {
    let parity: i64 = row.get(first + 1)?;
    let micros: i64 = row.get(first + 2)?;
    Ok(FieldPlace {
        field: read_field(row, first)?,
        parity: if parity == 0 {
            Parity::Top
        } else {
            Parity::Bottom
        },
        seconds: Seconds(micros as f64 / 1e6),
    })
}

pub(super) fn read_field(row: &rusqlite::Row<'_>, column: usize) -> rusqlite::Result<FieldIndex> {
    Ok(index(row.get(column)?))
}

/// Keys of our own files are never negative; in another's they become field 0 rather than an enormous one.
pub(super) fn index(key: i64) -> FieldIndex {
    FieldIndex(u64::try_from(key).unwrap_or(0))
}

pub(super) fn key(index: u64) -> i64 {
    i64::try_from(index).unwrap_or(i64::MAX)
}

/// A row of [`Pass::events`]; `None` when a word or label in it is none.
pub(super) fn read_event(
    row: &rusqlite::Row<'_>,
    id: EventId,
    counted_in: Standard,
) -> rusqlite::Result<Option<Event>> {
    let word = |at| row.get::<_, String>(at);
    let end_label: Option<String> = row.get(11)?;
    let label = |text: &str| Timecode::parse_for(text, counted_in).ok();
    let end_timecode = end_label.as_deref().map(label);
    let (Some(kind), Some(severity), Some(start_timecode), None | Some(Some(_))) = (
        of_word(&word(1)?),
        of_word(&word(2)?),
        label(&word(7)?),
        end_timecode,
    ) else {
        return Ok(None);
    };
    let ended = row.get::<_, Option<i64>>(8)?.is_some();
    Ok(Some(Event {
        id,
        kind,
        severity,
        standing: row.get(3)?,
        start: read_place(row, 4)?,
        end: ended.then(|| read_place(row, 8)).transpose()?,
        start_timecode,
        end_timecode: end_timecode.flatten(),
        worst: row.get(12)?,
        unit: known_unit(&word(13)?),
        limit: row.get(14)?,
        note: row.get(15)?,
    }))
}

/// The unit of an event as the static text that events carry; one that is unknown is left out.
pub(super) fn known_unit(text: &str) -> &'static str {
    EVENT_UNITS
        .iter()
        .find(|unit| **unit == text)
        .copied()
        .unwrap_or_default()
}

/// The standard whose labels count so.
pub(super) fn counted_in(labels_a_second: u64) -> Standard {
    if labels_a_second == 25 {
        Standard::Lines625
    } else {
        Standard::Lines525
    }
}
