//! The pass file being written: one transaction a batch.
//!
//! In: a [`Batch`] of fields, events and spans. Out: all of it on the disk, or none and an error; the caller keeps the
//! batch and may try again. While it is open the file has a log beside it (`-wal`), which closing folds in.
//!
//! Does not know: queues, threads or time.

use std::ffi::OsString;
use std::fs::OpenOptions;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode, OpenFlags};

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
use tables::{
    insert_readings, insert_second, write_handed_on, write_head, write_missed, write_prints,
    write_programme,
};
pub(super) use tables::{write_event, write_settings};

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
    /// Which file that is; another may come to stand in its place.
    identity: Option<Identity>,
    encoder: Encoder<N>,
    insert_readings: String,
    insert_second: String,
}

impl<const N: usize> Store<N> {
    /// Makes a new file and writes what the pass is of.
    ///
    /// It is made under another name and appears whole: a recorder that is ended in between leaves no file that is no
    /// pass.
    pub(super) fn create(
        path: &Path,
        head: &PassHead,
        catalogue: &Catalogue<N>,
    ) -> Result<Self, RecordError> {
        expect_free(path)?;
        let draft = draft_of(path);
        // What an earlier start left behind, which was ended while it made its file.
        let _ = std::fs::remove_file(&draft);
        claim(&draft, path)?;
        let made = fill(&draft, path, head, catalogue).and_then(|()| put_in_place(&draft, path));
        // Gone already where it was moved; left over it would only be in the way.
        let _ = std::fs::remove_file(&draft);
        made?;
        Self::open(path, catalogue)
    }

    fn open(path: &Path, catalogue: &Catalogue<N>) -> Result<Self, RecordError> {
        let connection = connect(path).map_err(sqlite("create", path))?;
        let encoder = Encoder::new(catalogue, &stored_quantities(&connection, path)?);
        Ok(Self {
            connection,
            path: path.to_owned(),
            identity: identity_of(path),
            insert_readings: insert_readings(&encoder.stored),
            insert_second: insert_second(&encoder.stored),
            encoder,
        })
    }

    /// Makes the file anew, with all that is in it, where it was deleted or moved away: it lives on as long as it is open.
    ///
    /// # Errors
    /// When it cannot be made anew, or another file stands in its place. It goes on being written where it is, and the next
    /// call tries again.
    pub(super) fn keep_in_place(&mut self) -> Result<(), RecordError> {
        if identity_of(&self.path) == self.identity {
            return Ok(());
        }
        if self.path.symlink_metadata().is_ok() {
            return Err(RecordError::Replaced(self.path.clone()));
        }
        let draft = draft_of(&self.path);
        let _ = std::fs::remove_file(&draft);
        self.make_anew(&draft).inspect_err(|_| {
            let _ = std::fs::remove_file(&draft);
        })
    }

    fn make_anew(&mut self, draft: &Path) -> Result<(), RecordError> {
        let failed = sqlite(
            "make anew (it was deleted while it was recorded)",
            &self.path,
        );
        let name = draft.to_str().ok_or_else(|| {
            not_created(&self.path)(io::Error::other(
                "its name is no text, and it was deleted while it was recorded",
            ))
        })?;
        self.connection
            .execute("VACUUM INTO ?1", [name])
            .map_err(&failed)?;
        // The log's names are taken over by the new file: closing the old one must not touch them.
        self.connection
            .set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)
            .map_err(&failed)?;
        for end in ["-wal", "-shm"] {
            let mut beside = self.path.as_os_str().to_owned();
            beside.push(end);
            // Mostly deleted with the file: a log that belongs to another file would be taken for that of the new one.
            let _ = std::fs::remove_file(beside);
        }
        put_in_place(draft, &self.path)?;
        let _ = std::fs::remove_file(draft);
        let connection = connect(&self.path).map_err(&failed)?;
        connection
            .pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))
            .map_err(&failed)?;
        self.connection = connection;
        self.identity = identity_of(&self.path);
        Ok(())
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

/// What tells a file from others, whatever its name; `None` where it is gone or the system does not say.
#[cfg(unix)]
fn identity_of(path: &Path) -> Option<Identity> {
    use std::os::unix::fs::MetadataExt;
    let about = std::fs::metadata(path).ok()?;
    Some((about.dev(), about.ino()))
}

/// Files that are open cannot be deleted here.
#[cfg(not(unix))]
fn identity_of(_path: &Path) -> Option<Identity> {
    None
}

/// Device and number of a file on it.
type Identity = (u64, u64);

/// The name a pass has while it is being made: hidden, beside its own.
fn draft_of(path: &Path) -> PathBuf {
    let mut name = OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(".new");
    path.with_file_name(name)
}

/// Makes sure that nothing stands at the name, and no log that somebody left beside it: that would be read into the new pass.
fn expect_free(path: &Path) -> Result<(), RecordError> {
    if path.symlink_metadata().is_ok() {
        return Err(RecordError::Exists(path.to_owned()));
    }
    let left = all_beside(path)
        .into_iter()
        .find(|beside| beside.symlink_metadata().is_ok());
    left.map_or(Ok(()), |beside| {
        Err(RecordError::LeftBeside {
            path: path.to_owned(),
            beside,
        })
    })
}

/// Makes sure that a name is free, and takes it; `path` is what the operator knows of.
fn claim(name: &Path, path: &Path) -> Result<(), RecordError> {
    let created = OpenOptions::new().write(true).create_new(true).open(name);
    created.map(drop).map_err(not_created(path))
}

fn not_created(path: &Path) -> impl Fn(io::Error) -> RecordError {
    move |source| match source.kind() {
        ErrorKind::AlreadyExists => RecordError::Exists(path.to_owned()),
        _ => RecordError::Io {
            doing: "create the pass",
            path: path.to_owned(),
            source,
        },
    }
}

/// Writes the tables and what the pass is of into a draft, and closes it.
fn fill<const N: usize>(
    draft: &Path,
    path: &Path,
    head: &PassHead,
    catalogue: &Catalogue<N>,
) -> Result<(), RecordError> {
    let failed = sqlite("create", path);
    let mut connection = Connection::open(draft).map_err(&failed)?;
    bring_up_to_date(&mut connection, path, catalogue)?;
    write_head(&mut connection, head).map_err(&failed)?;
    connection
        .pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))
        .map_err(&failed)?;
    connection.close().map_err(|(_, error)| failed(error))
}

/// Gives a draft its name, unless that is taken.
fn put_in_place(draft: &Path, path: &Path) -> Result<(), RecordError> {
    match std::fs::hard_link(draft, path) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => Err(not_created(path)(error)),
        // Not every file system has a second name for a file: there the name is taken first.
        Err(_) => {
            claim(path, path)?;
            std::fs::rename(draft, path).map_err(not_created(path))
        }
    }
}

/// Opens a pass as its recorder does.
fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags)?;
    connection.busy_timeout(PATIENCE)?;
    connection.set_prepared_statement_cache_capacity(READY_STATEMENTS);
    connection.pragma_update(None, "synchronous", "FULL")?;
    Ok(connection)
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

    /// Makes the disk one that cannot be written to, or that can.
    pub(super) fn set_read_only(&self, only: bool) {
        self.connection
            .pragma_update(None, "query_only", only)
            .expect("a setting");
    }
}

#[cfg(test)]
mod tests;
