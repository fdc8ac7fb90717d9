//! A pass read back from its file.
//!
//! In: a path. Out: a [`Pass`]: what it is of, and its rows, lines, seconds, events and spans, each read when asked for
//! and never more than a page at a time, so that six hours open as fast as one minute.
//!
//! Only tables are read, never the file's views, and nothing in a file is taken on trust. Quantities that the file's
//! program did not know are absent. Does not know: what is done with it.

use std::fmt::Write as _;
use std::ops::Range;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension};

use super::error::{RecordError, sqlite};
use super::exhibit::Exhibit;
use super::head::{HandedOn, PassHead, ProgrammeSpan};
use super::open::open_read_only;
use super::scanned::Scanned;
use super::schema::{
    self, Catalogue, MEASURED, StoredQuantity, full_catalogue, of_word, stored_quantities,
};
use super::timeline::{Timeline, timeline};
use crate::alarms::{Event, EventId};
use crate::fields::FieldPlace;
use crate::measures::{QUANTITY_COUNT, Value};
use crate::timecode::FieldIndex;

use about::{read_head, settings_of};
use exhibits::{SELECT_EXHIBITS, read_exhibit};
pub use pages::{FieldLines, Lines, Rows};
pub use prints::Prints;
use stored::{
    counted_in, in_order, key, read_event, read_field, read_field_if_any, read_place, read_second,
    read_second_number, value_of,
};

mod about;
mod exhibits;
mod pages;
mod prints;
mod stored;

/// Rows of a table that is read at once; seconds, fields and their lines are not. A pass has one an event, a change of programme, a gap
/// in storing, a repeated frame: one every third of a second of a night are fewer.
const MOST_ROWS: usize = 100_000;

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

    /// The place of a field; `None` where it is not stored.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn place(&self, field: FieldIndex) -> Result<Option<FieldPlace>, RecordError> {
        self.connection
            .prepare_cached("SELECT field, parity, micros FROM readings WHERE field = ?1")
            .and_then(|mut statement| {
                statement
                    .query_row([key(field.0)], |row| read_place(row, 0))
                    .optional()
            })
            .map_err(sqlite("read", &self.path))
    }

    /// The place of a field or, where it has no row, of the next that has; `None` behind the last.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn place_from(&self, field: FieldIndex) -> Result<Option<FieldPlace>, RecordError> {
        self.connection
            .prepare_cached(
                "SELECT field, parity, micros FROM readings WHERE field >= ?1 ORDER BY field LIMIT 1",
            )
            .and_then(|mut statement| {
                statement
                    .query_row([key(field.0)], |row| read_place(row, 0))
                    .optional()
            })
            .map_err(sqlite("read", &self.path))
    }

    /// One quantity of the fields of a stretch, where it has a value.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn values(
        &self,
        place: usize,
        fields: Range<FieldIndex>,
    ) -> Result<Vec<(FieldIndex, Value)>, RecordError> {
        let Some(stored) = &self.stored[place] else {
            return Ok(Vec::new());
        };
        let failed = sqlite("read", &self.path);
        let column = &stored.column;
        let mut statement = self
            .connection
            .prepare_cached(&format!(
                "SELECT field, {column} FROM readings
                 WHERE field >= ?1 AND field < ?2 AND {column} IS NOT NULL ORDER BY field"
            ))
            .map_err(&failed)?;
        let mut rows = statement
            .query((key(fields.start.0), key(fields.end.0)))
            .map_err(&failed)?;
        let mut all = Vec::new();
        while let Some(row) = rows.next().map_err(&failed)? {
            let steps: i64 = row.get(1).map_err(&failed)?;
            let value = value_of(steps, None, self.catalogue[place], stored);
            all.extend(
                read_field(row, 0)
                    .map(|field| value.map(|value| (field, value)))
                    .map_err(&failed)?,
            );
        }
        Ok(all)
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
        Rows::of(self, fields)
    }

    /// The lines of the fields of a stretch, in order.
    ///
    /// # Errors
    /// When the pass was recorded without them.
    pub fn lines(&self, fields: Range<FieldIndex>) -> Result<Lines<'_, N>, RecordError> {
        if !self.head.keep_lines {
            return Err(RecordError::NoLines(self.path.clone()));
        }
        Ok(Lines::of(self, fields))
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
        let mut of_one = self.seconds_of(place..place + 1, seconds)?;
        Ok(of_one.pop().unwrap_or_default())
    }

    /// The same of several neighbouring places of a row at once, which takes little longer than one.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn seconds_of(
        &self,
        places: Range<usize>,
        seconds: Range<u64>,
    ) -> Result<Vec<Vec<PerSecond>>, RecordError> {
        let mut all = vec![Vec::new(); places.len()];
        let mut select = String::from("SELECT second");
        let (mut known, mut column) = (Vec::with_capacity(places.len()), 1);
        for (at, place) in places.enumerate() {
            let Some(stored) = &self.stored[place] else {
                continue;
            };
            for part in ["n", "min", "median", "max"] {
                let _ = write!(select, ", {}_{part}", stored.column);
            }
            known.push((at, column, self.catalogue[place], stored));
            column += 4;
        }
        if known.is_empty() {
            return Ok(all);
        }
        select.push_str(" FROM seconds WHERE second >= ?1 AND second < ?2 ORDER BY second");
        let failed = sqlite("read", &self.path);
        let mut statement = self.connection.prepare_cached(&select).map_err(&failed)?;
        let mut rows = statement
            .query((key(seconds.start), key(seconds.end)))
            .map_err(&failed)?;
        let mut last = None;
        while let Some(row) = rows.next().map_err(&failed)? {
            let second = read_second_number(row).map_err(&failed)?;
            let found = in_order(last, key(second)).map_err(&failed)?;
            // a broken tree of pages may give what was not asked for
            if !seconds.contains(&second) {
                continue;
            }
            last = found;
            for &(at, first, quantity, stored) in &known {
                let found = read_second(row, (second, first), quantity, stored);
                all[at].extend(found.map_err(&failed)?);
            }
        }
        Ok(all)
    }

    /// The quantity at this place of a row over a stretch of seconds, in at most so many steps, the first of which begins with it;
    /// empty for words.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn timeline(
        &self,
        place: usize,
        seconds: Range<u64>,
        most: usize,
    ) -> Result<Timeline, RecordError> {
        let length = seconds.end.saturating_sub(seconds.start);
        let mut found = self.seconds(place, seconds.clone())?;
        for second in &mut found {
            second.second -= seconds.start;
        }
        Ok(timeline(&found, length, most))
    }

    /// All events, in the order of their numbers: that in which they opened, and marks made afterwards behind them.
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
        let (mut all, mut last) = (Vec::new(), None);
        while let Some(row) = rows.next().map_err(&failed)? {
            let id: u32 = row.get(0).map_err(&failed)?;
            last = in_order(last, id).map_err(&failed)?;
            let event = read_event(row, EventId(id), counted_in).map_err(&failed)?;
            all.push(event.ok_or_else(|| self.damaged(format!("event {id} makes no sense")))?);
            if all.len() > MOST_ROWS {
                return Err(self.damaged(format!("it has more than {MOST_ROWS} events")));
            }
        }
        Ok(all)
    }

    /// The pictures kept with an event, the worst field first.
    ///
    /// # Errors
    /// When the file cannot be read, or a picture makes no sense.
    pub fn exhibits(&self, event: EventId) -> Result<Vec<Exhibit>, RecordError> {
        if !self.has_table("exhibits")? {
            return Ok(Vec::new());
        }
        let failed = sqlite("read the pictures of", &self.path);
        let mut statement = self
            .connection
            .prepare_cached(SELECT_EXHIBITS)
            .map_err(&failed)?;
        let mut rows = statement.query([event.0]).map_err(&failed)?;
        let mut all = Vec::new();
        while let Some(row) = rows.next().map_err(&failed)? {
            let exhibit = read_exhibit(row, event).map_err(&failed)?;
            let nonsense =
                || self.damaged(format!("the picture of event {} makes no sense", event.0));
            all.push(exhibit.ok_or_else(nonsense)?);
        }
        Ok(all)
    }

    /// The events that have a picture, in order.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn exhibited(&self) -> Result<Vec<EventId>, RecordError> {
        if !self.has_table("exhibits")? {
            return Ok(Vec::new());
        }
        self.all(
            "SELECT DISTINCT event FROM exhibits ORDER BY event",
            |row| Ok(EventId(row.get(0)?)),
        )
    }

    /// Where fields stand in what was handed on to a recorder, in order; empty where that is field / 2 throughout.
    ///
    /// # Errors
    /// When the file cannot be read or holds nonsense.
    pub fn handed_on(&self) -> Result<Vec<HandedOn>, RecordError> {
        if !self.has_table("handed_on")? {
            return Ok(Vec::new());
        }
        let failed = sqlite("read", &self.path);
        let mut statement = self
            .connection
            .prepare("SELECT start_field, tee_frame FROM handed_on ORDER BY start_field")
            .map_err(&failed)?;
        let turns = statement
            .query_map((), |row| {
                Ok(HandedOn {
                    start: read_field(row, 0)?,
                    tee_frame: row.get::<_, Option<i64>>(1)?.map(i64::unsigned_abs),
                })
            })
            .map_err(&failed)?;
        turns.collect::<Result<_, _>>().map_err(&failed)
    }

    /// What was measured of the device itself, name and value: how evenly frames came, what it said of its input.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn found(&self) -> Result<Vec<(String, String)>, RecordError> {
        settings_of(&self.connection, MEASURED).map_err(sqlite("read", &self.path))
    }

    /// The spans of programme.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn programme(&self) -> Result<Vec<ProgrammeSpan>, RecordError> {
        let rows = self.all(
            "SELECT start_field, end_field, why_ended FROM programme ORDER BY start_field",
            |row| {
                let span = ProgrammeSpan {
                    start: read_field(row, 0)?,
                    end: read_field_if_any(row, 1)?,
                    why_ended: None,
                };
                Ok((span, row.get::<_, Option<String>>(2)?))
            },
        )?;
        let with_reason = |(span, word): (ProgrammeSpan, Option<String>)| {
            let why_ended = match word {
                None => None,
                Some(word) => Some(of_word(&word).ok_or_else(|| {
                    self.damaged(format!("programme ended by '{word}', which is no reason"))
                })?),
            };
            Ok(ProgrammeSpan { why_ended, ..span })
        };
        rows.into_iter().map(with_reason).collect()
    }

    /// The file that the whole of was scanned; `None` of other sources, and where the scan did not come to the end.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn scanned(&self) -> Result<Option<Scanned>, RecordError> {
        let pairs = settings_of(&self.connection, schema::SCANNED);
        let pairs = pairs.map_err(sqlite("read", &self.path))?;
        Ok(Scanned::from_pairs(&pairs))
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

    /// Whether the file is of a version that keeps such a table: one of an older is read as it is, and not written to for that.
    fn has_table(&self, name: &str) -> Result<bool, RecordError> {
        let found = self
            .connection
            .prepare_cached("SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?1")
            .and_then(|mut statement| statement.exists([name]));
        found.map_err(sqlite("read", &self.path))
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
        let all: Vec<T> = rows
            .and_then(|rows| rows.take(MOST_ROWS + 1).collect())
            .map_err(sqlite("read", &self.path))?;
        if all.len() > MOST_ROWS {
            return Err(self.damaged(format!("a table has more than {MOST_ROWS} rows")));
        }
        Ok(all)
    }

    /// Something in it makes no sense.
    pub(super) fn damaged(&self, what: String) -> RecordError {
        RecordError::Damaged {
            path: self.path.clone(),
            what,
        }
    }
}

#[cfg(test)]
mod tests;
