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
        // A step and a count that no measure gave can be more than a number holds.
        _ => Some(stored.scale.value_of(steps))
            .filter(|value| value.is_finite())
            .map(|value| Value::Number {
                value,
                sigma: stored
                    .sigma
                    .zip(sigma)
                    .map(|(scale, sigma)| scale.value_of(sigma))
                    .filter(|sigma| sigma.is_finite() && *sigma >= 0.0),
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

/// Length of the longest pass that is read, in seconds: a month. Beyond, a number is damage, and whoever makes a row a minute of it
/// would run out of memory.
const MOST_SECONDS: i64 = 31 * 86_400;

/// Fields of such a pass.
const MOST_FIELDS: i64 = MOST_SECONDS * 60;

/// A whole number from a column that cannot hold less than nothing or more than `most`.
fn read_within(row: &rusqlite::Row<'_>, column: usize, most: i64) -> rusqlite::Result<i64> {
    let number = row.get(column)?;
    if (0..=most).contains(&number) {
        Ok(number)
    } else {
        Err(rusqlite::Error::IntegralValueOutOfRange(column, number))
    }
}

/// Refuses a key that does not come after the one before: a broken tree of pages may lead round in a circle.
pub(super) fn in_order<T: PartialOrd + Copy + Into<i64>>(
    before: Option<T>,
    key: T,
) -> rusqlite::Result<Option<T>> {
    if before.is_some_and(|before| key <= before) {
        return Err(rusqlite::Error::IntegralValueOutOfRange(0, key.into()));
    }
    Ok(Some(key))
}

/// Field, parity and time in three columns from `first` on.
pub(super) fn read_place(row: &rusqlite::Row<'_>, first: usize) -> rusqlite::Result<FieldPlace> {
    let parity: i64 = row.get(first + 1)?;
    let micros = read_within(row, first + 2, MOST_SECONDS * 1_000_000)?;
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
    let field = read_within(row, column, MOST_FIELDS)?;
    Ok(FieldIndex(field.unsigned_abs()))
}

/// The same where there may be none.
pub(super) fn read_field_if_any(
    row: &rusqlite::Row<'_>,
    column: usize,
) -> rusqlite::Result<Option<FieldIndex>> {
    match row.get_ref(column)? {
        rusqlite::types::ValueRef::Null => Ok(None),
        _ => read_field(row, column).map(Some),
    }
}

/// A second of the pass.
pub(super) fn read_second_number(row: &rusqlite::Row<'_>) -> rusqlite::Result<u64> {
    read_within(row, 0, MOST_SECONDS).map(i64::unsigned_abs)
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
    let number = |at| {
        let number: Option<f64> = row.get(at)?;
        Ok::<_, rusqlite::Error>(number.filter(|number| number.is_finite()))
    };
    let note = word(15)?;
    if note.len() > MOST_NOTE_BYTES {
        return Ok(None);
    }
    Ok(Some(Event {
        id,
        kind,
        severity,
        standing: row.get(3)?,
        start: read_place(row, 4)?,
        end: ended.then(|| read_place(row, 8)).transpose()?,
        start_timecode,
        end_timecode: end_timecode.flatten(),
        worst: number(12)?,
        unit: known_unit(&word(13)?),
        limit: number(14)?,
        note,
    }))
}

/// Bytes of the longest note that is read: an operator's is a line, ours a few sentences.
const MOST_NOTE_BYTES: usize = 1 << 16;

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
