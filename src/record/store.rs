//! The pass file being written: one transaction a batch.
//!
//! In: a [`Batch`] of fields, events and spans. Out: all of it on the disk, or none and an error; the caller keeps the
//! batch and may try again. While it is open the file has a log beside it (`-wal`), which closing folds in.
//!
//! Does not know: queues, threads or time.

use std::fs::OpenOptions;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode};

use super::error::{RecordError, sqlite};
use super::head::PassHead;
use super::open::all_beside;
use super::printed::MOST_FIELDS;
use super::rollup::SecondRow;
use super::row::Row;
use super::schema::{Catalogue, MEASURED, SCANNED, bring_up_to_date, stored_quantities};

pub use batch::Closing;
pub(super) use batch::{Batch, Missed};
use batch::{Encoder, StoredField};
use exhibits::write_exhibits;
pub(super) use tables::write_event;
use tables::{
    insert_readings, insert_second, write_handed_on, write_head, write_missed, write_prints,
    write_programme, write_settings,
};

mod batch;
mod exhibits;
mod tables;

/// How long another program that reads the file may hold up a commit before that counts as a failure.
const PATIENCE: Duration = Duration::from_secs(5);

/// Statements kept ready: eight inserts and a few of `SQLite`'s own.
const READY_STATEMENTS: usize = 16;

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
        for prints in batch.prints.chunks(MOST_FIELDS) {
            write_prints(&transaction, prints)?;
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
        write_exhibits(&transaction, &batch.exhibits)?;
        for turn in &batch.handed_on {
            write_handed_on(&transaction, *turn)?;
        }
        if let Some(spans) = &batch.programme {
            write_programme(&transaction, spans)?;
        }
        if let Some(closing) = &batch.closing {
            transaction.execute(
                "UPDATE pass SET summary = ?1, closed_at = ?2",
                (&closing.summary, &closing.closed_at),
            )?;
            write_settings(&transaction, MEASURED, &closing.found)?;
            if let Some(scanned) = &closing.scanned {
                write_settings(&transaction, SCANNED, &scanned.to_pairs())?;
            }
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
    pub(super) fn close(self) -> Result<Closed, RecordError> {
        let failed = sqlite("close", &self.path);
        self.connection.flush_prepared_statement_cache();
        let closed = match make_single(&self.connection) {
            Ok(()) => Closed::SingleFile,
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::DatabaseBusy) => {
                Closed::LogBeside
            }
            Err(error) => return Err(failed(error)),
        };
        let ended = self.connection.close();
        ended.map(|()| closed).map_err(|(_, error)| failed(error))
    }
}

/// What a closed pass looks like on the disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Closed {
    /// One file.
    SingleFile,
    /// The file is complete, but another program has it open: an empty log stays beside it until that one closes it.
    LogBeside,
}

/// Makes sure that the name is free, and takes it. A link at that name is not followed, and a log that somebody left beside it would be
/// read into the new pass.
fn claim(path: &Path) -> Result<(), RecordError> {
    let left = all_beside(path)
        .into_iter()
        .find(|beside| beside.symlink_metadata().is_ok());
    if let Some(beside) = left {
        let path = path.to_owned();
        return Err(RecordError::LeftBeside { path, beside });
    }
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
mod tests;
