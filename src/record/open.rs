//! Opening a pass file that anyone may have made.
//!
//! In: a path. Out: a connection that cannot write, runs no trigger or view of the file's, and belongs to a file that
//! its first bytes say is a pass of a known version; or an error that says what it is instead.
//!
//! Does not know: what is in the tables.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;

use rusqlite::{Connection, OpenFlags};

use super::error::{RecordError, sqlite};
use super::schema::{APPLICATION_ID, FILE_VERSION, bring_up_to_date, full_catalogue};
use super::store::make_single;

pub(super) use log::all_beside;

mod guard;
mod log;

/// The header of an `SQLite` database (its file format, section 1.3).
const HEADER_BYTES: usize = 100;

/// What byte 18 of the header is while a log belongs to the file (same section); 1 when it is a single file.
const KEEPS_A_LOG: u8 = 2;

/// How every `SQLite` 3 database begins.
const MAGIC: &[u8; 16] = b"SQLite format 3\0";

/// Opens a pass for reading.
pub(super) fn open_read_only(path: &Path) -> Result<Connection, RecordError> {
    check_header(path)?;
    open_with(path, OpenFlags::SQLITE_OPEN_READ_ONLY)
}

/// Opens a pass for changing what is in it.
pub(super) fn open_to_write(path: &Path) -> Result<Connection, RecordError> {
    check_header(path)?;
    open_with(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
}

/// Brings a pass of an older version, or one that was cut short, up to this version's tables and into a single file.
///
/// # Errors
/// When it is no pass, of a newer version, or cannot be written to.
pub fn upgrade(path: &Path) -> Result<(), RecordError> {
    let mut connection = open_to_write(path)?;
    bring_up_to_date(&mut connection, path, &full_catalogue())?;
    make_single(&connection).map_err(sqlite("bring up to date", path))
}

fn open_with(path: &Path, access: OpenFlags) -> Result<Connection, RecordError> {
    let flags = access | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(sqlite("open", path))?;
    guard::restrict(&connection).map_err(sqlite("open", path))?;
    // Once more through the log beside it, which may hold another first page.
    let number = |name| connection.pragma_query_value(None, name, |row| row.get(0));
    let (application, version) = number("application_id")
        .and_then(|application| Ok((application, number("user_version")?)))
        .map_err(sqlite("open", path))?;
    check_kind(path, application, version)?;
    guard::check_schema(&connection, path)?;
    Ok(connection)
}

/// Looks at the first bytes before `SQLite` does: they tell one kind of wrong file from another.
fn check_header(path: &Path) -> Result<(), RecordError> {
    let (header, found) = read_header(path)?;
    if header[..MAGIC.len()] != *MAGIC {
        return Err(RecordError::NotSqlite(path.to_owned()));
    }
    let number = |at: usize| {
        let bytes = [header[at], header[at + 1], header[at + 2], header[at + 3]];
        i32::from_be_bytes(bytes)
    };
    let (application, version, pages) = (number(68), number(60), number(28).unsigned_abs());
    check_kind(path, application, version)?;
    let page_bytes = match u64::from(u16::from_be_bytes([header[16], header[17]])) {
        1 => 65_536,
        bytes => bytes,
    };
    let keeps_a_log = header[18] == KEEPS_A_LOG;
    let has_log = log::check(path, keeps_a_log, page_bytes)?;
    let expected = u64::from(pages) * page_bytes;
    // With a log beside it the file itself may rightly be the shorter.
    if found < expected && !has_log {
        return Err(RecordError::Truncated {
            path: path.to_owned(),
            found,
            expected,
        });
    }
    Ok(())
}

/// Whether it is a pass, of a version that can be read.
fn check_kind(path: &Path, application: i32, version: i32) -> Result<(), RecordError> {
    if application != APPLICATION_ID {
        return Err(RecordError::Foreign {
            path: path.to_owned(),
            found: application,
            expected: APPLICATION_ID,
        });
    }
    if version > FILE_VERSION {
        return Err(RecordError::Newer {
            path: path.to_owned(),
            found: version,
            known: FILE_VERSION,
        });
    }
    Ok(())
}

/// The first bytes (zeros where the file is shorter), and the file's length.
fn read_header(path: &Path) -> Result<([u8; HEADER_BYTES], u64), RecordError> {
    let failed = |source: std::io::Error| match source.kind() {
        ErrorKind::NotFound => RecordError::Missing(path.to_owned()),
        _ => RecordError::Io {
            doing: "open the pass",
            path: path.to_owned(),
            source,
        },
    };
    // Asked before opening: opening a named pipe would wait for someone to write to it.
    let metadata = std::fs::metadata(path).map_err(failed)?;
    if metadata.is_dir() {
        return Err(RecordError::Directory(path.to_owned()));
    }
    if !metadata.is_file() {
        return Err(RecordError::NotSqlite(path.to_owned()));
    }
    let mut start = Vec::with_capacity(HEADER_BYTES);
    let file = File::open(path).map_err(failed)?;
    file.take(HEADER_BYTES as u64)
        .read_to_end(&mut start)
        .map_err(failed)?;
    let mut header = [0; HEADER_BYTES];
    header[..start.len()].copy_from_slice(&start);
    Ok((header, metadata.len()))
}

#[cfg(test)]
mod tests;
