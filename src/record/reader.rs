//! A pass read back from its file.
//!
//! In: a path. Out: a [`Pass`]: what it is of, and its rows, lines, seconds, events and spans, each read when asked for
//! and never more than a page at a time, so that six hours open as fast as one minute.
//!
//! Only tables are read, never the file's views, and nothing in a file is taken on trust. Quantities that the file's
//! program did not know are absent. Does not know: what is done with it.

use std::collections::VecDeque;
use std::fmt::Write;
use std::ops::Range;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension};

use super::error::{RecordError, sqlite};
use super::head::{PassHead, ProgrammeSpan};
use super::open::open_read_only;
use super::packed;
use super::row::Row;
use super::schema::{self, Catalogue, StoredQuantity, full_catalogue, of_word, stored_quantities};
use crate::alarms::{Event, EventId};
use crate::fields::FieldPlace;
use crate::measures::line_timing::{Basis, LineTrace};
use crate::measures::{QUANTITY_COUNT, Quantity, Value};
use crate::sources::SourceDescription;
use crate::standard::{Parity, Standard};
use crate::timecode::{FieldIndex, Timecode};
use crate::units::{Hertz, Ire, Seconds};

/// Rows fetched at once: a few hundred kilobytes.
const PAGE_ROWS: u16 = 256;

/// More than the lines of any field take, packed: a longer blob is damage, and is not read to its end.
const MOST_PACKED_BYTES: u16 = 4096;

/// Units that events carry: those of quantities, and a few that only limits have. Append only.
const EVENT_UNITS: [&str; 13] = [
    "ns", "ms", "lines", "IRE", "%", "dB", "", "fields", "samples", "s", "codes", "µs", "MHz",
];

/// A finished or unfinished pass.
#[derive(Debug)]
pub struct Pass<const N: usize = QUANTITY_COUNT> {
    path: PathBuf,
    connection: Connection,
    catalogue: Catalogue<N>,
    stored: [Option<StoredQuantity>; N],
    head: PassHead,
    closed_at: Option<String>,
}

/// One second of one quantity; of a word: first and last of its list that was seen, and the most frequent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PerSecond {
    /// Second of the pass.
    pub second: u64,
    /// Least value.
    pub min: Value,
    /// Middle value.
    pub median: Value,
    /// Greatest value.
    pub max: Value,
    /// Fields that had a value.
    pub n: u32,
}

/// Every line of one field.
#[derive(Clone, Debug)]
pub struct FieldLines {
    /// Which field.
    pub field: FieldIndex,
    /// What the timing was read from.
    pub basis: Basis,
    /// The lines.
    pub lines: LineTrace,
}

/// Fields that were measured but not stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StorageGap {
    /// First field.
    pub first: FieldIndex,
    /// Last field.
    pub last: FieldIndex,
    /// Fields between them that were measured.
    pub fields: u64,
    /// Why.
    pub why: String,
}

impl Pass {
    /// Opens a pass.
    ///
    /// # Errors
    /// When it is no pass, of a newer version, damaged or not readable.
    pub fn open(path: &Path) -> Result<Self, RecordError> {
        Self::open_with(path, full_catalogue())
    }
}

impl<const N: usize> Pass<N> {
    /// The same for any list of quantities.
    pub(crate) fn open_with(path: &Path, catalogue: Catalogue<N>) -> Result<Self, RecordError> {
        let connection = open_read_only(path)?;
        let file = stored_quantities(&connection, path)?;
        let stored = catalogue.map(|quantity| {
            let mut known = file.iter().filter(|known| known.id == quantity.id);
            known.next().cloned()
        });
        let (head, closed_at) = read_head(&connection, path)?;
        Ok(Self {
            path: path.to_owned(),
            connection,
            catalogue,
            stored,
            head,
            closed_at,
        })
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What it is of.
    #[must_use]
    pub fn head(&self) -> &PassHead {
        &self.head
    }

    /// The quantities of a row.
    #[must_use]
    pub fn catalogue(&self) -> &Catalogue<N> {
        &self.catalogue
    }

    /// Decimals that show every step of the quantity at this place of a row and no more.
    #[must_use]
    pub fn decimals(&self, place: usize) -> usize {
        match &self.stored[place] {
            Some(stored) => stored.scale.decimals(),
            None => 0,
        }
    }

    /// Wall clock at the end, RFC 3339; `None` while it is recorded and when recording was cut short.
    #[must_use]
    pub fn closed_at(&self) -> Option<&str> {
        self.closed_at.as_deref()
    }

    /// The place of the last field that was stored; `None` for an empty pass.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn last_place(&self) -> Result<Option<FieldPlace>, RecordError> {
        self.connection
            .query_row(
                "SELECT field, parity, micros FROM readings ORDER BY field DESC LIMIT 1",
                (),
                |row| read_place(row, 0),
            )
            .optional()
            .map_err(sqlite("read", &self.path))
    }

    /// The summary object; `None` when the pass was not closed.
    ///
    /// # Errors
    /// When the file cannot be read or the summary is no JSON.
    pub fn summary(&self) -> Result<Option<serde_json::Value>, RecordError> {
        let text: Option<String> = self
            .connection
            .query_row("SELECT summary FROM pass", (), |row| row.get(0))
            .map_err(sqlite("read", &self.path))?;
        text.map(|text| serde_json::from_str(&text))
            .transpose()
            .map_err(|error| self.damaged(format!("its summary is no JSON: {error}")))
    }

    /// The fields of a stretch, in order.
    #[must_use]
    pub fn rows(&self, fields: Range<FieldIndex>) -> Rows<'_, N> {
        Rows {
            pass: self,
            select: select_rows(&self.stored),
            pages: Pages::of(fields),
        }
    }

    /// The lines of the fields of a stretch, in order.
    ///
    /// # Errors
    /// When the pass was recorded without them.
    pub fn lines(&self, fields: Range<FieldIndex>) -> Result<Lines<'_, N>, RecordError> {
        if !self.head.keep_lines {
            return Err(RecordError::NoLines(self.path.clone()));
        }
        Ok(Lines {
            pass: self,
            pages: Pages::of(fields),
        })
    }

    /// The quantity at this place of a row, second by second; seconds in which it was never measured are left out.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn seconds(
        &self,
        place: usize,
        seconds: Range<u64>,
    ) -> Result<Vec<PerSecond>, RecordError> {
        let Some(stored) = &self.stored[place] else {
            return Ok(Vec::new());
        };
        let failed = sqlite("read", &self.path);
        let column = &stored.column;
        let mut statement = self
            .connection
            .prepare_cached(&format!(
                "SELECT second, {column}_n, {column}_min, {column}_median, {column}_max FROM seconds
                 WHERE second >= ?1 AND second < ?2 AND {column}_n > 0 ORDER BY second"
            ))
            .map_err(&failed)?;
        let quantity = self.catalogue[place];
        let mut rows = statement
            .query((key(seconds.start), key(seconds.end)))
            .map_err(&failed)?;
        let mut all = Vec::new();
        while let Some(row) = rows.next().map_err(&failed)? {
            all.extend(read_second(row, quantity, stored).map_err(&failed)?);
        }
        Ok(all)
    }

    /// All events, in the order they opened.
    ///
    /// # Errors
    /// When the file cannot be read, or an event makes no sense.
    pub fn events(&self) -> Result<Vec<Event>, RecordError> {
        let failed = sqlite("read the events of", &self.path);
        let mut statement = self
            .connection
            .prepare(
                r#"SELECT id, kind, severity, standing, start_field, start_parity, start_micros, start_timecode,
                     end_field, end_parity, end_micros, end_timecode, worst, unit, "limit", note
                   FROM event_rows ORDER BY id"#,
            )
            .map_err(&failed)?;
        let mut rows = statement.query(()).map_err(&failed)?;
        let counted_in = counted_in(self.head.start.counting().labels_a_second());
        let mut all = Vec::new();
        while let Some(row) = rows.next().map_err(&failed)? {
            let id: u32 = row.get(0).map_err(&failed)?;
            let event = read_event(row, EventId(id), counted_in).map_err(&failed)?;
            all.push(event.ok_or_else(|| self.damaged(format!("event {id} makes no sense")))?);
        }
        Ok(all)
    }

    /// The spans of programme.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn programme(&self) -> Result<Vec<ProgrammeSpan>, RecordError> {
        self.all(
            "SELECT start_field, end_field, why_ended FROM programme ORDER BY start_field",
            |row| {
                Ok(ProgrammeSpan {
                    start: read_field(row, 0)?,
                    end: row.get::<_, Option<i64>>(1)?.map(index),
                    why_ended: row.get(2)?,
                })
            },
        )
    }

    /// What was measured and could not be stored.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn gaps(&self) -> Result<Vec<StorageGap>, RecordError> {
        self.all(
            "SELECT start_field, end_field, fields, why FROM gaps ORDER BY start_field",
            |row| {
                Ok(StorageGap {
                    first: read_field(row, 0)?,
                    last: read_field(row, 1)?,
                    fields: row.get::<_, i64>(2)?.unsigned_abs(),
                    why: row.get(3)?,
                })
            },
        )
    }

    fn all<T>(
        &self,
        select: &str,
        read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, RecordError> {
        let mut statement = self
            .connection
            .prepare(select)
            .map_err(sqlite("read", &self.path))?;
        let rows = statement.query_map((), read);
        rows.and_then(Iterator::collect)
            .map_err(sqlite("read", &self.path))
    }

    fn damaged(&self, what: String) -> RecordError {
        RecordError::Damaged {
            path: self.path.clone(),
            what,
        }
    }
}

/// A stretch of fields, fetched a page at a time.
#[derive(Debug)]
struct Pages<T> {
    next: i64,
    end: i64,
    fetched: VecDeque<T>,
    over: bool,
}

impl<T> Pages<T> {
    fn of(fields: Range<FieldIndex>) -> Self {
        Self {
            next: key(fields.start.0),
            end: key(fields.end.0),
            fetched: VecDeque::with_capacity(PAGE_ROWS.into()),
            over: false,
        }
    }

    /// Fetches the next page when this one is used up; the statement takes first key, end key and number of rows.
    fn turn(
        &mut self,
        connection: &Connection,
        select: &str,
        read: impl Fn(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<()> {
        if self.over || !self.fetched.is_empty() {
            return Ok(());
        }
        self.over = true;
        let mut statement = connection.prepare_cached(select)?;
        let mut rows = statement.query((self.next, self.end, PAGE_ROWS))?;
        while let Some(row) = rows.next()? {
            self.next = row.get::<_, i64>(0)?.saturating_add(1);
            self.fetched.push_back(read(row)?);
        }
        self.over = self.fetched.len() < PAGE_ROWS.into();
        Ok(())
    }
}

/// Rows of a pass, in order.
#[derive(Debug)]
pub struct Rows<'a, const N: usize = QUANTITY_COUNT> {
    pass: &'a Pass<N>,
    select: String,
    pages: Pages<Row<N>>,
}

impl<const N: usize> Iterator for Rows<'_, N> {
    type Item = Result<Row<N>, RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        let pass = self.pass;
        let turned = self.pages.turn(&pass.connection, &self.select, |row| {
            read_row(row, &pass.catalogue, &pass.stored)
        });
        match turned {
            Ok(()) => self.pages.fetched.pop_front().map(Ok),
            Err(error) => Some(Err(sqlite("read", &pass.path)(error))),
        }
    }
}

/// Lines of a pass, field by field.
#[derive(Debug)]
pub struct Lines<'a, const N: usize = QUANTITY_COUNT> {
    pass: &'a Pass<N>,
    pages: Pages<(FieldIndex, Vec<u8>)>,
}

impl<const N: usize> Iterator for Lines<'_, N> {
    type Item = Result<FieldLines, RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        let pass = self.pass;
        let select = format!(
            "SELECT field, substr(packed, 1, {MOST_PACKED_BYTES}) FROM lines
             WHERE field >= ?1 AND field < ?2 ORDER BY field LIMIT ?3"
        );
        let turned = self.pages.turn(&pass.connection, &select, |row| {
            Ok((read_field(row, 0)?, row.get(1)?))
        });
        if let Err(error) = turned {
            return Some(Err(sqlite("read the lines of", &pass.path)(error)));
        }
        let (field, bytes) = self.pages.fetched.pop_front()?;
        let unpacked = packed::unpack(&bytes).map(|(lines, basis)| FieldLines {
            field,
            basis,
            lines,
        });
        Some(
            unpacked.ok_or_else(|| {
                pass.damaged(format!("the lines of field {} make no sense", field.0))
            }),
        )
    }
}

fn select_rows<const N: usize>(stored: &[Option<StoredQuantity>; N]) -> String {
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
fn read_row<const N: usize>(
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
fn value_of(
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

/// A row of `seconds`: second, n, min, median, max.
fn read_second(
    row: &rusqlite::Row<'_>,
    quantity: &Quantity,
    stored: &StoredQuantity,
) -> rusqlite::Result<Option<PerSecond>> {
    let second: i64 = row.get(0)?;
    let n: u32 = row.get(1)?;
    let value = |at| -> rusqlite::Result<Option<Value>> {
        Ok(value_of(row.get(at)?, None, quantity, stored))
    };
    let (min, median, max) = (value(2)?, value(3)?, value(4)?);
    Ok(min
        .zip(median)
        .zip(max)
        .map(|((min, median), max)| PerSecond {
            second: second.unsigned_abs(),
            min,
            median,
            max,
            n,
        }))
}

/// Field, parity and time in three columns from `first` on.
fn read_place(row: &rusqlite::Row<'_>, first: usize) -> rusqlite::Result<FieldPlace> {
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

fn read_field(row: &rusqlite::Row<'_>, column: usize) -> rusqlite::Result<FieldIndex> {
    Ok(index(row.get(column)?))
}

/// Keys of our own files are never negative; in another's they become field 0 rather than an enormous one.
fn index(key: i64) -> FieldIndex {
    FieldIndex(u64::try_from(key).unwrap_or(0))
}

fn key(index: u64) -> i64 {
    i64::try_from(index).unwrap_or(i64::MAX)
}

/// A row of [`Pass::events`]; `None` when a word or label in it is none.
fn read_event(
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
fn known_unit(text: &str) -> &'static str {
    EVENT_UNITS
        .iter()
        .find(|unit| **unit == text)
        .copied()
        .unwrap_or_default()
}

/// The standard whose labels count so.
fn counted_in(labels_a_second: u64) -> Standard {
    if labels_a_second == 25 {
        Standard::Lines625
    } else {
        Standard::Lines525
    }
}

/// What the pass is of, and when it was closed.
fn read_head(
    connection: &Connection,
    path: &Path,
) -> Result<(PassHead, Option<String>), RecordError> {
    let failed = sqlite("read", path);
    let settings = |origin| settings_of(connection, origin).map_err(sqlite("read", path));
    let (operator, device) = (settings(schema::OPERATOR)?, settings(schema::DEVICE)?);
    let found = connection
        .query_row(
            "SELECT program, started_at, closed_at, tape, chain, player, box, speed, standard, field_order,
               code_range, setup_ire, field_seconds, sample_rate_hz, start_timecode, labels_a_second, lines_kept,
               source, limits
             FROM pass",
            (),
            |row| Ok((head_of_row(row, operator, device)?, row.get("closed_at")?)),
        )
        .optional()
        .map_err(&failed)?;
    match found {
        Some((Ok(head), closed_at)) => Ok((head, closed_at)),
        Some((Err(column), _)) => Err(RecordError::Damaged {
            path: path.to_owned(),
            what: format!("it says nothing sensible of its {column}"),
        }),
        None => Err(RecordError::Damaged {
            path: path.to_owned(),
            what: "it does not say what it is of".to_owned(),
        }),
    }
}

fn settings_of(connection: &Connection, origin: &str) -> rusqlite::Result<Vec<(String, String)>> {
    connection
        .prepare("SELECT name, value FROM settings WHERE origin = ?1 ORDER BY place")?
        .query_map([origin], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect()
}

/// The row of `pass`; the inner error is the column that makes no sense.
fn head_of_row(
    row: &rusqlite::Row<'_>,
    settings: Vec<(String, String)>,
    controls: Vec<(String, String)>,
) -> rusqlite::Result<Result<PassHead, &'static str>> {
    let text = |column| row.get::<_, Option<String>>(column);
    let counted_in = counted_in(row.get::<_, i64>("labels_a_second")?.unsigned_abs());
    let start = text("start_timecode")?.unwrap_or_default();
    let source = text("source")?.unwrap_or_default();
    let source = serde_json::from_str::<SourceDescription>(&source);
    let (Some(field_order), Some(range)) = (
        text("field_order")?.as_deref().and_then(of_word),
        text("code_range")?.as_deref().and_then(of_word),
    ) else {
        return Ok(Err("field order and code range"));
    };
    let (Ok(start), Ok(source)) = (Timecode::parse_for(&start, counted_in), source) else {
        return Ok(Err("start and source"));
    };
    Ok(Ok(PassHead {
        program: row.get("program")?,
        started_at: row.get("started_at")?,
        tape: text("tape")?,
        chain: text("chain")?,
        player: text("player")?,
        pass_box: text("box")?,
        speed: text("speed")?.as_deref().and_then(of_word),
        settings,
        source: SourceDescription { controls, ..source },
        standard: text("standard")?.as_deref().and_then(of_word),
        field_order,
        range,
        setup: Ire(row.get("setup_ire")?),
        field_period: Seconds(row.get("field_seconds")?),
        sample_rate: row.get::<_, Option<f64>>("sample_rate_hz")?.map(Hertz),
        start,
        limits: row.get("limits")?,
        keep_lines: row.get("lines_kept")?,
    }))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::super::testing::{
        catalogue, closed, event, head, recorded, recorded_with_lines, row,
    };
    use super::*;
    use crate::measures::{QuantityUnit, line_timing};

    const EVERYTHING: Range<FieldIndex> = FieldIndex(0)..FieldIndex(u64::MAX);

    fn all_rows(pass: &Pass<5>) -> Vec<Row<5>> {
        let rows: Result<Vec<_>, _> = pass.rows(EVERYTHING).collect();
        rows.expect("rows")
    }

    #[test]
    fn what_was_recorded_comes_back() {
        let (_scratch, pass) = recorded(600, |sender| {
            sender.event(&event(1, 10)).expect("room");
            sender.event(&closed(event(1, 10), 20)).expect("room");
            sender.event(&event(2, 30)).expect("room");
        });
        assert_eq!(*pass.head(), head(false));
        assert_eq!(pass.closed_at(), Some("2026-03-01T19:05:00+00:00"));
        assert_eq!(
            pass.summary().expect("a summary"),
            Some(serde_json::json!({"fields": 600}))
        );
        let expected: Vec<_> = (0..600).map(row).collect();
        for (found, expected) in all_rows(&pass).iter().zip(&expected) {
            assert_eq!(found.values, expected.values, "{:?}", found.place);
            assert_eq!(found.place.field, expected.place.field);
            assert_eq!(found.place.parity, expected.place.parity);
            let off = found.place.seconds - expected.place.seconds;
            assert!(off.0.abs() < 1e-6, "{off:?}");
        }
        assert_eq!(all_rows(&pass).len(), expected.len());
        let events = pass.events().expect("events");
        assert_eq!(events.len(), 2);
        assert_eq!(events[0].end.map(|end| end.field), Some(FieldIndex(20)));
        assert_eq!(
            events[0]
                .end_timecode
                .map(|label| label.to_string())
                .as_deref(),
            Some("00:01:00;02")
        );
        assert_eq!(events[1].end, None);
        assert_eq!(events[1].note, event(2, 30).note);
    }

    #[test]
    fn a_stretch_of_rows_is_that_stretch() {
        let (_scratch, pass) = recorded(700, |_| ());
        let fields: Vec<_> = pass
            .rows(FieldIndex(250)..FieldIndex(520))
            .map(|row| row.expect("a row").place.field.0)
            .collect();
        assert_eq!(fields, (250..520).collect::<Vec<_>>());
        let last = pass.last_place().expect("a place").expect("fields");
        assert_eq!(last.field, FieldIndex(699));
    }

    #[test]
    fn each_second_has_the_least_middle_and_greatest_of_its_rows() {
        let (_scratch, pass) = recorded(150, |_| ());
        let seconds = pass.seconds(0, 0..100).expect("seconds");
        assert_eq!(seconds.len(), 3);
        let mut values: Vec<f64> = all_rows(&pass)
            .iter()
            .filter(|row| (1.0..2.0).contains(&row.place.seconds.0))
            .filter_map(|row| row.values[0]?.number())
            .collect();
        values.sort_by(f64::total_cmp);
        let second = seconds[1];
        assert_eq!(second.second, 1);
        assert_eq!(second.n as usize, values.len());
        assert_eq!(second.min.number(), values.first().copied());
        assert_eq!(second.max.number(), values.last().copied());
        let middle = second.median.number().expect("a number");
        assert!(values[values.len() / 2 - 1] <= middle && middle <= values[values.len() / 2]);
        let words = pass.seconds(2, 0..1).expect("seconds");
        assert_eq!(words[0].median, Value::Word("locked"));
    }

    #[test]
    fn quantities_the_file_does_not_know_are_absent() {
        let (scratch, pass) = recorded(10, |_| ());
        drop(pass);
        let path = scratch.path().join("a.pass");
        let pass = Pass::open(&path).expect("a pass of other quantities");
        let rows: Result<Vec<_>, _> = pass.rows(EVERYTHING).collect();
        let rows = rows.expect("rows");
        assert_eq!(rows.len(), 10);
        assert!(
            rows.iter()
                .all(|row| row.values.iter().all(Option::is_none))
        );
        assert_eq!(pass.seconds(0, 0..9).expect("seconds"), []);
    }

    #[test]
    fn lines_that_were_not_kept_are_an_error() {
        let (_scratch, pass) = recorded(1, |_| ());
        let error = pass.lines(EVERYTHING).expect_err("no lines").to_string();
        assert!(error.contains("--keep-lines"), "{error}");
    }

    #[test]
    fn the_units_of_quantities_survive_in_events() {
        use QuantityUnit::{Count, Db, Ire, Line, Lines, Ms, Ns, Pct, Ratio, Switch, Word};
        for unit in [
            Ns, Ms, Lines, Line, Ire, Pct, Db, Ratio, Count, Switch, Word,
        ] {
            assert_eq!(known_unit(unit.symbol()), unit.symbol());
        }
    }

    #[test]
    fn nonsense_in_a_table_is_damage_and_not_a_panic() {
        for nonsense in [
            "UPDATE readings SET test_error_ns = 'x'",
            "UPDATE pass SET field_order = 'sideways'",
            "UPDATE pass SET start_timecode = '99:00:00;00'",
            "UPDATE pass SET source = '{'",
            "UPDATE pass SET summary = '{'",
            "UPDATE event_rows SET kind = 'earthquake'",
            "UPDATE event_rows SET start_timecode = ''",
            "UPDATE quantities SET step = -1",
            "DELETE FROM pass",
            "DROP TABLE event_rows",
            "DROP TABLE words",
            "DROP TABLE readings; CREATE VIEW readings AS SELECT 1 AS field, 0 AS parity, 0 AS micros",
        ] {
            let (scratch, pass) = recorded(3, |sender| sender.event(&event(1, 0)).expect("room"));
            drop(pass);
            let path = scratch.path().join("a.pass");
            let connection = Connection::open(&path).expect("the pass");
            connection.execute_batch(nonsense).expect(nonsense);
            drop(connection);
            let read = Pass::open_with(&path, catalogue()).and_then(|pass| {
                pass.events()?;
                pass.summary()?;
                pass.rows(EVERYTHING).try_for_each(|row| row.map(drop))
            });
            assert!(
                matches!(read, Err(RecordError::Damaged { .. })),
                "{nonsense}: {read:?}"
            );
        }
    }

    #[test]
    fn a_lines_blob_that_is_nonsense_is_damage() {
        let (scratch, pass) = recorded_with_lines(1, &line_timing::Reading::default());
        drop(pass);
        let path = scratch.path().join("a.pass");
        for nonsense in ["x'0102'", "zeroblob(100000000)", "'text'"] {
            let connection = Connection::open(&path).expect("the pass");
            let change = format!("UPDATE lines SET packed = {nonsense}");
            connection.execute(&change, ()).expect(nonsense);
            drop(connection);
            let pass = Pass::open_with(&path, catalogue()).expect("the pass");
            let mut lines = pass.lines(EVERYTHING).expect("lines");
            let first = lines.next();
            assert!(
                matches!(first, Some(Err(RecordError::Damaged { .. }))),
                "{nonsense}: {first:?}"
            );
            assert!(lines.next().is_none());
        }
    }

    #[test]
    fn bytes_changed_anywhere_are_read_or_refused() {
        let (scratch, pass) = recorded(300, |sender| sender.event(&event(1, 0)).expect("room"));
        drop(pass);
        let path = scratch.path().join("a.pass");
        let whole = std::fs::read(&path).expect("the pass");
        let mut random = Xoshiro256PlusPlus::seed_from_u64(7);
        for _ in 0..200 {
            let mut bytes = whole.clone();
            for _ in 0..8 {
                let at = random.random_range(0..bytes.len());
                bytes[at] = random.random();
            }
            std::fs::write(&path, &bytes).expect("the file");
            let rows = Pass::open_with(&path, catalogue()).and_then(|pass| {
                pass.events()?;
                pass.seconds(0, 0..99)?;
                pass.rows(EVERYTHING)
                    .try_fold(0, |rows, row| row.map(|_| rows + 1))
            });
            assert!(rows.is_err() || rows.is_ok_and(|rows: u32| rows < 10_000));
        }
    }

    fn any_value(place: usize) -> BoxedStrategy<Option<Value>> {
        let number = prop_oneof![-1e6_f64..1e6, Just(f64::MAX), Just(f64::MIN), Just(0.0)];
        let value = match place {
            0 | 1 => (number, prop::option::of(0.0_f64..1e4))
                .prop_map(|(value, sigma)| Value::Number { value, sigma })
                .boxed(),
            2 => prop::sample::select(catalogue()[2].words)
                .prop_map(Value::Word)
                .boxed(),
            _ => (0_u64..1 << 50).prop_map(Value::Count).boxed(),
        };
        prop::option::of(value).boxed()
    }

    /// Checks a value against what came back: within half a step, at most the largest that can be stored.
    fn check_value(sent: Option<Value>, found: Option<Value>, step: f64) {
        let (
            Some(Value::Number { value, sigma }),
            Some(Value::Number {
                value: back,
                sigma: back_sigma,
            }),
        ) = (sent, found)
        else {
            return assert_eq!(sent, found);
        };
        let most = i64::MAX as f64 * step;
        let off = (back - value.clamp(-most, most)).abs();
        assert!(
            off <= step / 2.0 + 1e-9 * value.abs().min(most),
            "{value} {back}"
        );
        assert_eq!(sigma.is_some(), back_sigma.is_some());
        for (sigma, back) in sigma.iter().zip(back_sigma) {
            assert!((back - sigma).abs() <= step / 10.0 + 1e-9, "{sigma} {back}");
            assert!(back > 0.0 || *sigma == 0.0);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 16, ..ProptestConfig::default() })]

        #[test]
        fn any_row_comes_back_within_half_a_step(rows in prop::collection::vec(
            [any_value(0), any_value(1), any_value(2), any_value(3), any_value(4)], 1..40,
        )) {
            let (_scratch, pass) = recorded(0, |sender| {
                for (field, values) in (0..).zip(&rows) {
                    sender.field(&Row { values: *values, ..row(field) }, None).expect("room");
                }
            });
            let found = all_rows(&pass);
            prop_assert_eq!(found.len(), rows.len());
            for (sent, found) in rows.iter().zip(&found) {
                for ((sent, found), quantity) in sent.iter().zip(found.values).zip(catalogue()) {
                    check_value(*sent, found, quantity.step);
                }
            }
        }
    }
}
