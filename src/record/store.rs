//! The pass file being written: one transaction a batch.
//!
//! In: a [`Batch`] of fields, events and spans. Out: all of it on the disk, or none and an error; the caller keeps the
//! batch and may try again. While it is open the file has a log beside it (`-wal`), which closing folds in.
//!
//! Does not know: queues, threads or time.

use std::fmt::Write;
use std::fs::OpenOptions;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, named_params};

use super::error::{RecordError, sqlite};
use super::head::{PassHead, ProgrammeSpan};
use super::rollup::{Middle, Rollup, SecondRow};
use super::row::Row;
use super::schema::{
    self, Catalogue, SECOND_PARTS, StoredQuantity, bring_up_to_date, stored_quantities, word_of,
};
use crate::alarms::Event;
use crate::measures::Value;
use crate::sources::SourceDescription;
use crate::standard::{Parity, Standard};
use crate::timecode::FieldIndex;

/// How long another program that reads the file may hold up a commit before that counts as a failure.
const PATIENCE: Duration = Duration::from_secs(5);

/// Statements kept ready: seven inserts and a few of `SQLite`'s own.
const READY_STATEMENTS: usize = 16;

/// Fields that were measured and could not be kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Missed {
    pub(super) first: FieldIndex,
    pub(super) last: FieldIndex,
    pub(super) fields: u64,
}

/// What is said when a pass ends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closing {
    /// The summary object, as JSON.
    pub summary: String,
    /// Wall clock at the end, RFC 3339.
    pub closed_at: String,
}

/// A field's numbers as they are stored.
#[derive(Clone, Debug)]
struct StoredField<const N: usize> {
    field: i64,
    parity: i64,
    micros: i64,
    values: [Option<i64>; N],
    sigmas: [Option<i64>; N],
    lines: Option<Vec<u8>>,
}

/// What one transaction writes.
#[derive(Debug)]
pub(super) struct Batch<const N: usize> {
    fields: Vec<StoredField<N>>,
    seconds: Vec<SecondRow<N>>,
    missed: Vec<Missed>,
    events: Vec<Event>,
    programme: Option<Vec<ProgrammeSpan>>,
    closing: Option<Closing>,
}

impl<const N: usize> Batch<N> {
    fn with_room(fields: usize) -> Self {
        Self {
            fields: Vec::with_capacity(fields),
            seconds: Vec::new(),
            missed: Vec::new(),
            events: Vec::new(),
            programme: None,
            closing: None,
        }
    }

    /// Fields in it.
    pub(super) fn fields(&self) -> usize {
        self.fields.len()
    }

    /// Notes in it: whatever is not a field.
    pub(super) fn notes(&self) -> usize {
        self.missed.len() + self.events.len()
    }

    /// Adds fields that could not be kept.
    pub(super) fn add_missed(&mut self, missed: Missed) {
        self.missed.push(missed);
    }

    /// Adds an event; a later state replaces an earlier one.
    pub(super) fn add_event(&mut self, event: Event) {
        match self.events.iter_mut().find(|known| known.id == event.id) {
            Some(known) => *known = event,
            None => self.events.push(event),
        }
    }

    /// Replaces the spans of programme.
    pub(super) fn set_programme(&mut self, spans: Vec<ProgrammeSpan>) {
        self.programme = Some(spans);
    }

    /// Ends the pass.
    pub(super) fn set_closing(&mut self, closing: Closing) {
        self.closing = Some(closing);
    }

    fn clear(&mut self, mut give_back: impl FnMut(Vec<u8>)) {
        for field in self.fields.drain(..) {
            field.lines.into_iter().for_each(&mut give_back);
        }
        self.seconds.clear();
        self.missed.clear();
        self.events.clear();
        self.programme = None;
        self.closing = None;
    }
}

/// How the quantities of a row are stored, and the second under way.
#[derive(Debug)]
struct Encoder<const N: usize> {
    stored: [StoredQuantity; N],
    rollup: Rollup<N>,
}

impl<const N: usize> Encoder<N> {
    fn new(catalogue: &Catalogue<N>, file: &[StoredQuantity]) -> Self {
        let stored = catalogue.map(|quantity| {
            let mut known = file.iter().filter(|known| known.id == quantity.id);
            known
                .next()
                .cloned()
                .expect("the file was just given every quantity")
        });
        let rollup = Rollup::new(std::array::from_fn(|at| {
            if stored[at].words.is_empty() {
                Middle::Median
            } else {
                Middle::MostFrequent
            }
        }));
        Self { stored, rollup }
    }

    fn encode(&self, row: &Row<N>, lines: Option<Vec<u8>>) -> StoredField<N> {
        let mut values = [None; N];
        let mut sigmas = [None; N];
        for (at, (stored, value)) in self.stored.iter().zip(row.values).enumerate() {
            (values[at], sigmas[at]) = value.map_or((None, None), |value| steps(stored, value));
        }
        StoredField {
            field: stored_index(row.place.field),
            parity: parity_code(row.place.parity),
            micros: micros(row.place.seconds.0),
            values,
            sigmas,
            lines,
        }
    }
}

/// A value and its sigma as stored numbers; a word the file does not have is absent.
fn steps(stored: &StoredQuantity, value: Value) -> (Option<i64>, Option<i64>) {
    match value {
        Value::Word(word) => {
            let code = (0..).zip(&stored.words).find(|(_, known)| *known == word);
            let code = code.map(|(code, _)| code);
            (code, None)
        }
        Value::Count(count) => (stored.scale.to_steps(count as f64), None),
        Value::Number { value, sigma } => {
            let sigma = stored
                .sigma
                .zip(sigma)
                .and_then(|(scale, sigma)| scale.to_steps_from_one(sigma));
            (stored.scale.to_steps(value), sigma)
        }
    }
}

fn parity_code(parity: Parity) -> i64 {
    match parity {
        Parity::Top => 0,
        Parity::Bottom => 1,
    }
}

fn micros(seconds: f64) -> i64 {
    (seconds * 1e6).round() as i64
}

fn stored_index(field: FieldIndex) -> i64 {
    i64::try_from(field.0).unwrap_or(i64::MAX)
}

/// A pass file open for writing.
#[derive(Debug)]
pub(super) struct Store<const N: usize> {
    connection: Connection,
    path: PathBuf,
    encoder: Encoder<N>,
    insert_readings: String,
    insert_second: String,
}

impl<const N: usize> Store<N> {
    /// Makes a new file and writes what the pass is of.
    pub(super) fn create(
        path: &Path,
        head: &PassHead,
        catalogue: &Catalogue<N>,
    ) -> Result<Self, RecordError> {
        claim(path)?;
        Self::fill(path, head, catalogue).inspect_err(|_| {
            // The error that led here is the one to tell; an empty file left over would only be in the way.
            let _ = std::fs::remove_file(path);
        })
    }

    fn fill(path: &Path, head: &PassHead, catalogue: &Catalogue<N>) -> Result<Self, RecordError> {
        let failed = sqlite("create", path);
        let mut connection = Connection::open(path).map_err(&failed)?;
        connection.busy_timeout(PATIENCE).map_err(&failed)?;
        connection.set_prepared_statement_cache_capacity(READY_STATEMENTS);
        bring_up_to_date(&mut connection, path, catalogue)?;
        write_head(&mut connection, head).map_err(&failed)?;
        connection
            .pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))
            .map_err(&failed)?;
        connection
            .pragma_update(None, "synchronous", "FULL")
            .map_err(&failed)?;
        let encoder = Encoder::new(catalogue, &stored_quantities(&connection, path)?);
        Ok(Self {
            connection,
            path: path.to_owned(),
            insert_readings: insert_readings(&encoder.stored),
            insert_second: insert_second(&encoder.stored),
            encoder,
        })
    }

    /// An empty batch for this file.
    pub(super) fn new_batch(fields: usize) -> Batch<N> {
        Batch::with_room(fields)
    }

    /// Adds a field to a batch, and to its second.
    pub(super) fn add_field(&mut self, batch: &mut Batch<N>, row: &Row<N>, lines: Option<Vec<u8>>) {
        let field = self.encoder.encode(row, lines);
        let second = field.micros.div_euclid(1_000_000);
        let finished = self.encoder.rollup.add(second, &field.values);
        batch.seconds.extend(finished);
        batch.fields.push(field);
    }

    /// Writes a batch and empties it; after an error nothing of it is in the file and all of it still in the batch.
    pub(super) fn write(
        &mut self,
        batch: &mut Batch<N>,
        give_back: impl FnMut(Vec<u8>),
    ) -> Result<(), RecordError> {
        let under_way = self.encoder.rollup.under_way();
        self.write_all(batch, under_way.as_ref())
            .map_err(sqlite("write", &self.path))?;
        batch.clear(give_back);
        Ok(())
    }

    fn write_all(
        &self,
        batch: &Batch<N>,
        under_way: Option<&SecondRow<N>>,
    ) -> rusqlite::Result<()> {
        // Rolls back when it is dropped without a commit.
        let transaction = self.connection.unchecked_transaction()?;
        for field in &batch.fields {
            self.write_field(field)?;
        }
        for second in batch.seconds.iter().chain(under_way) {
            self.write_second(second)?;
        }
        for missed in &batch.missed {
            write_missed(&transaction, missed)?;
        }
        for event in &batch.events {
            write_event(&transaction, event)?;
        }
        if let Some(spans) = &batch.programme {
            write_programme(&transaction, spans)?;
        }
        if let Some(closing) = &batch.closing {
            transaction.execute(
                "UPDATE pass SET summary = ?1, closed_at = ?2",
                (&closing.summary, &closing.closed_at),
            )?;
        }
        transaction.commit()
    }

    fn write_field(&self, field: &StoredField<N>) -> rusqlite::Result<()> {
        let mut statement = self.connection.prepare_cached(&self.insert_readings)?;
        let mut place = 0;
        let mut bind = |value: Option<i64>| {
            place += 1;
            statement.raw_bind_parameter(place, value)
        };
        for value in [field.field, field.parity, field.micros] {
            bind(Some(value))?;
        }
        for ((stored, value), sigma) in self
            .encoder
            .stored
            .iter()
            .zip(field.values)
            .zip(field.sigmas)
        {
            bind(value)?;
            if stored.sigma.is_some() {
                bind(sigma)?;
            }
        }
        statement.raw_execute()?;
        if let Some(lines) = &field.lines {
            self.connection
                .prepare_cached("INSERT OR REPLACE INTO lines (field, packed) VALUES (?1, ?2)")?
                .execute((field.field, lines))?;
        }
        Ok(())
    }

    fn write_second(&self, row: &SecondRow<N>) -> rusqlite::Result<()> {
        let mut statement = self.connection.prepare_cached(&self.insert_second)?;
        let mut place = 0;
        let mut bind = |value: Option<i64>| {
            place += 1;
            statement.raw_bind_parameter(place, value)
        };
        bind(Some(row.second))?;
        bind(Some(i64::from(row.fields)))?;
        for stats in &row.stats {
            bind(stats.map(|stats| stats.min))?;
            bind(stats.map(|stats| stats.median))?;
            bind(stats.map(|stats| stats.max))?;
            bind(Some(stats.map_or(0, |stats| i64::from(stats.n))))?;
        }
        statement.raw_execute()?;
        Ok(())
    }

    /// Bytes of the file, as of the last commit.
    pub(super) fn bytes(&self) -> Result<u64, RecordError> {
        let pragma = |name| {
            self.connection
                .pragma_query_value(None, name, |row| row.get::<_, i64>(0))
                .map_err(sqlite("size", &self.path))
        };
        Ok((pragma("page_count")? * pragma("page_size")?).unsigned_abs())
    }

    /// Folds the log into the file and closes it; one file is left.
    ///
    /// While another program has the pass open the log cannot be removed: then it is left behind empty.
    pub(super) fn close(self) -> Result<(), RecordError> {
        let failed = sqlite("close", &self.path);
        self.connection.flush_prepared_statement_cache();
        if let Err(error) = make_single(&self.connection) {
            if error.sqlite_error_code() != Some(ErrorCode::DatabaseBusy) {
                return Err(failed(error));
            }
            let path = self.path.display();
            tracing::warn!(
                "'{path}' is complete, but open in another program: its log stays beside it"
            );
        }
        self.connection.close().map_err(|(_, error)| failed(error))
    }
}

/// Makes sure that the name is free, and takes it.
fn claim(path: &Path) -> Result<(), RecordError> {
    let created = OpenOptions::new().write(true).create_new(true).open(path);
    created.map(drop).map_err(|source| match source.kind() {
        ErrorKind::AlreadyExists => RecordError::Exists(path.to_owned()),
        _ => RecordError::Io {
            doing: "create the pass",
            path: path.to_owned(),
            source,
        },
    })
}

/// Folds the log into the file, then goes without one from now on.
///
/// The second step needs the file for itself alone, and does not wait for that: who has it open may keep it for hours.
pub(super) fn make_single(connection: &Connection) -> rusqlite::Result<()> {
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", (), |_| Ok(()))?;
    connection.busy_timeout(Duration::ZERO)?;
    connection.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))
}

fn insert_readings(stored: &[StoredQuantity]) -> String {
    let mut columns = String::from("field, parity, micros");
    let mut count = 3;
    for quantity in stored {
        let column = &quantity.column;
        let _ = write!(columns, ", {column}");
        count += 1;
        if quantity.sigma.is_some() {
            let _ = write!(columns, ", {column}_sigma");
            count += 1;
        }
    }
    insert_into("readings", &columns, count)
}

fn insert_second(stored: &[StoredQuantity]) -> String {
    let mut columns = String::from("second, fields");
    for quantity in stored {
        for part in SECOND_PARTS {
            let _ = write!(columns, ", {}_{part}", quantity.column);
        }
    }
    insert_into("seconds", &columns, 2 + stored.len() * SECOND_PARTS.len())
}

/// An insert that gives way to nothing: a place written twice keeps the later word.
fn insert_into(table: &str, columns: &str, count: usize) -> String {
    let places = vec!["?"; count].join(", ");
    format!("INSERT OR REPLACE INTO {table} ({columns}) VALUES ({places})")
}

fn write_head(connection: &mut Connection, head: &PassHead) -> rusqlite::Result<()> {
    let counting = head.start.counting();
    let source = SourceDescription {
        controls: Vec::new(),
        ..head.source.clone()
    };
    let transaction = connection.transaction()?;
    transaction.execute(
        "INSERT INTO pass (id, program, started_at, tape, chain, player, box, speed, standard, field_order,
           code_range, setup_ire, field_seconds, sample_rate_hz, start_timecode, start_frame, drop_frame,
           labels_a_second, frames_a_day, lines_kept, source, limits)
         VALUES (1, :program, :started_at, :tape, :chain, :player, :box, :speed, :standard, :field_order,
           :code_range, :setup_ire, :field_seconds, :sample_rate_hz, :start_timecode, :start_frame, :drop_frame,
           :labels_a_second, :frames_a_day, :lines_kept, :source, :limits)",
        named_params! {
            ":program": head.program,
            ":started_at": head.started_at,
            ":tape": head.tape,
            ":chain": head.chain,
            ":player": head.player,
            ":box": head.pass_box,
            ":speed": head.speed.map(|speed| word_of(&speed)),
            ":standard": head.standard.map(Standard::word),
            ":field_order": word_of(&head.field_order),
            ":code_range": word_of(&head.range),
            ":setup_ire": head.setup.0,
            ":field_seconds": head.field_period.0,
            ":sample_rate_hz": head.sample_rate.map(|rate| rate.0),
            ":start_timecode": head.start.to_string(),
            ":start_frame": head.start.to_frame().0.cast_signed(),
            ":drop_frame": counting == crate::timecode::Counting::At30Drop,
            ":labels_a_second": counting.labels_a_second().cast_signed(),
            ":frames_a_day": counting.frames_a_day().cast_signed(),
            ":lines_kept": head.keep_lines,
            ":source": serde_json::to_string(&source).expect("a description is plain text and numbers"),
            ":limits": head.limits,
        },
    )?;
    for (origin, pairs) in [
        (schema::OPERATOR, &head.settings),
        (schema::DEVICE, &head.source.controls),
    ] {
        for (name, value) in pairs {
            transaction.execute(
                "INSERT INTO settings (origin, name, value) VALUES (?1, ?2, ?3)",
                (origin, name, value),
            )?;
        }
    }
    transaction.commit()
}

fn write_missed(connection: &Connection, missed: &Missed) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO gaps (start_field, end_field, fields, why) VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute((
            stored_index(missed.first),
            stored_index(missed.last),
            missed.fields.cast_signed(),
            "the disk was full or too slow",
        ))?;
    Ok(())
}

fn write_event(connection: &Connection, event: &Event) -> rusqlite::Result<()> {
    let end = event.end;
    connection
        .prepare_cached(
            r#"INSERT OR REPLACE INTO event_rows (id, kind, severity, standing, start_field, start_micros,
                 start_parity, start_timecode, end_field, end_micros, end_parity, end_timecode, worst, unit,
                 "limit", note)
               VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"#,
        )?
        .execute(rusqlite::params![
            event.id.0,
            word_of(&event.kind),
            word_of(&event.severity),
            event.standing,
            stored_index(event.start.field),
            micros(event.start.seconds.0),
            parity_code(event.start.parity),
            event.start_timecode.to_string(),
            end.map(|end| stored_index(end.field)),
            end.map(|end| micros(end.seconds.0)),
            end.map(|end| parity_code(end.parity)),
            event.end_timecode.map(|label| label.to_string()),
            event.worst.filter(|worst| worst.is_finite()),
            event.unit,
            event.limit.filter(|limit| limit.is_finite()),
            event.note,
        ])?;
    Ok(())
}

fn write_programme(connection: &Connection, spans: &[ProgrammeSpan]) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM programme", ())?;
    for span in spans {
        connection.execute(
            "INSERT OR REPLACE INTO programme (start_field, end_field, why_ended) VALUES (?1, ?2, ?3)",
            (
                stored_index(span.start),
                span.end.map(stored_index),
                &span.why_ended,
            ),
        )?;
    }
    Ok(())
}

#[cfg(test)]
impl<const N: usize> Store<N> {
    /// Makes the disk full at so many pages more than there are, or roomy again.
    pub(super) fn limit_growth(&self, pages: Option<i64>) {
        let now: i64 = self
            .connection
            .pragma_query_value(None, "page_count", |row| row.get(0))
            .expect("a count of pages");
        let most = pages.map_or(1 << 30, |more| now + more);
        self.connection
            .pragma_update_and_check(None, "max_page_count", most, |_| Ok(()))
            .expect("a limit");
    }
}

#[cfg(test)]
mod tests {
    use super::super::reader::Pass;
    use super::super::testing::{catalogue, closing, event, head, row};
    use super::*;

    fn store(scratch: &tempfile::TempDir, name: &str) -> Store<5> {
        Store::create(&scratch.path().join(name), &head(false), &catalogue()).expect("a new pass")
    }

    fn scratch() -> tempfile::TempDir {
        tempfile::tempdir().expect("a temporary directory")
    }

    fn write_fields(store: &mut Store<5>, fields: std::ops::Range<u64>) {
        let mut batch = Store::new_batch(100);
        for field in fields {
            store.add_field(&mut batch, &row(field), None);
        }
        store.write(&mut batch, |_| ()).expect("a batch");
        assert_eq!(batch.fields(), 0);
    }

    fn count(path: &Path, table: &str) -> i64 {
        let connection = Connection::open(path).expect("the file");
        let select = format!("SELECT count(*) FROM {table}");
        connection
            .query_row(&select, (), |row| row.get(0))
            .expect("a count")
    }

    #[test]
    fn a_file_that_exists_is_not_touched() {
        let scratch = scratch();
        let path = scratch.path().join("a.pass");
        std::fs::write(&path, "holiday pictures").expect("a file");
        let refused = Store::create(&path, &head(false), &catalogue());
        assert!(
            matches!(refused, Err(RecordError::Exists(_))),
            "{refused:?}"
        );
        assert_eq!(
            std::fs::read_to_string(&path).expect("the file"),
            "holiday pictures"
        );
    }

    #[test]
    fn a_directory_that_does_not_exist_is_named() {
        let scratch = scratch();
        let path = scratch.path().join("none/a.pass");
        let refused = Store::create(&path, &head(false), &catalogue()).expect_err("no directory");
        assert!(refused.to_string().contains("none/a.pass"), "{refused}");
    }

    #[test]
    fn what_a_crash_leaves_is_sound_and_holds_every_commit() {
        let scratch = scratch();
        let mut store = store(&scratch, "a.pass");
        write_fields(&mut store, 0..90);
        write_fields(&mut store, 90..150);
        let (path, left) = (
            scratch.path().join("a.pass"),
            scratch.path().join("left.pass"),
        );
        std::fs::copy(&path, &left).expect("a copy");
        std::fs::copy(
            scratch.path().join("a.pass-wal"),
            scratch.path().join("left.pass-wal"),
        )
        .expect("a copy");
        drop(store);
        let pass = Pass::open_with(&left, catalogue()).expect("what the crash left");
        assert_eq!(pass.closed_at(), None);
        let last = pass.last_place().expect("a place").expect("fields");
        assert_eq!(last.field, FieldIndex(149));
        let seconds = pass.seconds(0, 0..9).expect("seconds");
        assert_eq!(seconds.len(), 3, "the second under way is there too");
        drop(pass);
        let connection = Connection::open(&left).expect("what the crash left");
        let sound: String = connection
            .pragma_query_value(None, "integrity_check", |row| row.get(0))
            .expect("a check");
        assert_eq!(sound, "ok");
    }

    #[test]
    fn a_closed_pass_is_one_file() {
        let scratch = scratch();
        let mut store = store(&scratch, "a.pass");
        write_fields(&mut store, 0..90);
        store.close().expect("a closed file");
        let names: Vec<_> = std::fs::read_dir(scratch.path())
            .expect("the directory")
            .map(|entry| entry.expect("an entry").file_name())
            .collect();
        assert_eq!(names, ["a.pass"]);
        let bytes = std::fs::read(scratch.path().join("a.pass")).expect("the file");
        assert_eq!(bytes[18..20], [1, 1], "no log is expected beside it");
    }

    #[test]
    fn a_pass_that_is_open_elsewhere_is_complete_without_its_log() {
        let scratch = scratch();
        let path = scratch.path().join("a.pass");
        let mut store = store(&scratch, "a.pass");
        write_fields(&mut store, 0..90);
        let watched = Pass::open_with(&path, catalogue()).expect("a pass being recorded");
        write_fields(&mut store, 90..100);
        store.close().expect("a closed file");
        let rows = |pass: &Pass<5>| pass.rows(FieldIndex(0)..FieldIndex(999)).count();
        assert_eq!(rows(&watched), 100);
        let alone = scratch.path().join("alone.pass");
        std::fs::copy(&path, &alone).expect("a copy of the file alone");
        assert_eq!(
            rows(&Pass::open_with(&alone, catalogue()).expect("the copy")),
            100
        );
    }

    #[test]
    fn a_batch_that_does_not_fit_is_kept_whole_and_fits_later() {
        let scratch = scratch();
        let mut store = store(&scratch, "a.pass");
        write_fields(&mut store, 0..60);
        store.limit_growth(Some(0));
        let mut batch = Store::new_batch(1000);
        for field in 60..1000 {
            store.add_field(&mut batch, &row(field), None);
        }
        batch.add_event(event(1, 70));
        for _ in 0..3 {
            let full = store.write(&mut batch, |_| ()).expect_err("a full disk");
            assert!(matches!(full, RecordError::Sqlite { .. }), "{full:?}");
        }
        assert_eq!(count(&scratch.path().join("a.pass"), "readings"), 60);
        assert_eq!(count(&scratch.path().join("a.pass"), "event_rows"), 0);
        store.limit_growth(None);
        store.write(&mut batch, |_| ()).expect("room again");
        assert_eq!(count(&scratch.path().join("a.pass"), "readings"), 1000);
        assert_eq!(count(&scratch.path().join("a.pass"), "event_rows"), 1);
        assert_eq!(
            count(&scratch.path().join("a.pass"), "seconds"),
            17,
            "999 fields are 16.7 s"
        );
    }

    #[test]
    fn spans_of_programme_and_the_end_replace_what_was_said_before() {
        let scratch = scratch();
        let mut store = store(&scratch, "a.pass");
        let mut batch = Store::new_batch(1);
        let span = |start, end| ProgrammeSpan {
            start: FieldIndex(start),
            end,
            why_ended: end.map(|_| "blank tape".to_owned()),
        };
        for spans in [
            vec![span(5, None)],
            vec![span(5, Some(FieldIndex(90))), span(100, None)],
        ] {
            batch.set_programme(spans);
            store.write(&mut batch, |_| ()).expect("a batch");
        }
        batch.set_closing(closing(200));
        store.write(&mut batch, |_| ()).expect("a batch");
        store.close().expect("a closed file");
        let pass = Pass::open_with(&scratch.path().join("a.pass"), catalogue()).expect("the pass");
        let spans = pass.programme().expect("spans");
        assert_eq!(spans, [span(5, Some(FieldIndex(90))), span(100, None)]);
        assert!(pass.closed_at().is_some());
    }
}
