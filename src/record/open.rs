//! Opening a pass file that anyone may have made.
//!
//! In: a path. Out: a connection that cannot write, runs no trigger or view of the file's, and belongs to a file that
//! its first bytes say is a pass of a known version; or an error that says what it is instead.
//!
//! Does not know: what is in the tables.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};

use super::error::{RecordError, sqlite};
use super::schema::{APPLICATION_ID, FILE_VERSION, bring_up_to_date, full_catalogue};
use super::store::make_single;

/// The header of an `SQLite` database (its file format, section 1.3).
const HEADER_BYTES: usize = 100;

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
    let failed = sqlite("open", path);
    let flags = access | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(&failed)?;
    for (setting, on) in [
        (DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true),
        (DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false),
        (DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false),
        (DbConfig::SQLITE_DBCONFIG_ENABLE_VIEW, false),
    ] {
        connection.set_db_config(setting, on).map_err(&failed)?;
    }
    connection
        .pragma_update(None, "cell_size_check", true)
        .map_err(&failed)?;
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
    let page_bytes = match u64::from(u16::from_be_bytes([header[16], header[17]])) {
        1 => 65_536,
        bytes => bytes,
    };
    let expected = u64::from(pages) * page_bytes;
    // With a log beside it the file itself may rightly be the shorter.
    if found < expected && !log_of(path).exists() {
        return Err(RecordError::Truncated {
            path: path.to_owned(),
            found,
            expected,
        });
    }
    Ok(())
}

/// The log that stands beside a pass while it is recorded.
fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    name.into()
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
mod tests {
    use super::super::testing::{catalogue, closing, head};
    use super::super::{WhenFull, writer};
    use super::*;

    struct Scratch(tempfile::TempDir);

    impl Scratch {
        fn new() -> Self {
            Self(tempfile::tempdir().expect("a temporary directory"))
        }

        fn path(&self, name: &str) -> PathBuf {
            self.0.path().join(name)
        }

        /// A pass that was closed.
        fn pass(&self) -> PathBuf {
            let path = self.path("a.pass");
            let made = writer::create_with(&path, &head(false), &catalogue(), WhenFull::Wait, 8);
            let (sender, writer) = made.expect("a new pass");
            sender.close(closing(0)).expect("room for one message");
            writer.run().expect("a closed pass");
            path
        }
    }

    /// The error's message, with what it must say.
    fn check_refused(path: &Path, expected: &str) {
        let error = open_read_only(path).expect_err("no pass to open");
        let message = error.to_string();
        assert!(message.contains(expected), "{message}");
        assert!(message.contains(&path.display().to_string()), "{message}");
        let upgraded = upgrade(path).expect_err("no pass to upgrade");
        assert_eq!(upgraded.to_string(), message);
    }

    #[test]
    fn what_is_no_pass_is_refused_by_name() {
        let scratch = Scratch::new();
        check_refused(&scratch.path("none.pass"), "there is no such file");
        check_refused(scratch.0.path(), "it is a directory");
        for (name, content) in [
            ("empty", ""),
            ("short", "SQLite format"),
            ("text", "Dear diary,"),
        ] {
            let path = scratch.path(name);
            std::fs::write(&path, content).expect("a file");
            check_refused(&path, "is not a pass file");
        }
        check_refused(Path::new("/dev/null"), "is not a pass file");
    }

    #[test]
    fn a_database_of_another_program_is_refused() {
        let scratch = Scratch::new();
        let path = scratch.path("other.db");
        let other = Connection::open(&path).expect("a database");
        other
            .execute_batch("CREATE TABLE readings (x)")
            .expect("a table");
        drop(other);
        check_refused(&path, "of another program");
    }

    #[test]
    fn a_newer_file_is_refused() {
        let scratch = Scratch::new();
        let path = scratch.pass();
        let connection = Connection::open(&path).expect("the pass");
        let newer = FILE_VERSION + 1;
        connection
            .pragma_update(None, "user_version", newer)
            .expect("a version");
        drop(connection);
        check_refused(&path, "update trueline");
    }

    #[test]
    fn a_pass_cut_short_is_told_from_a_short_pass() {
        let scratch = Scratch::new();
        let path = scratch.pass();
        let bytes = std::fs::read(&path).expect("the pass");
        for length in [101, 4096, bytes.len() - 1] {
            std::fs::write(&path, &bytes[..length]).expect("a part of it");
            check_refused(&path, "is cut short");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_file_that_may_not_be_read_says_so() {
        use std::os::unix::fs::PermissionsExt;
        let scratch = Scratch::new();
        let path = scratch.pass();
        let mode = std::fs::Permissions::from_mode(0o000);
        std::fs::set_permissions(&path, mode).expect("a mode");
        if File::open(&path).is_ok() {
            return; // the administrator may read everything
        }
        check_refused(&path, "cannot open the pass");
    }

    #[test]
    fn an_open_pass_cannot_be_written_to_and_runs_no_view_or_trigger() {
        let scratch = Scratch::new();
        let path = scratch.pass();
        let connection = open_read_only(&path).expect("the pass");
        assert!(connection.execute("DELETE FROM pass", ()).is_err());
        let view = connection.query_row("SELECT count(*) FROM fields", (), |row| {
            row.get::<_, i64>(0)
        });
        assert!(view.is_err(), "{view:?}");
    }

    #[test]
    fn upgrading_adds_the_columns_of_quantities_learned_since() {
        let scratch = Scratch::new();
        let path = scratch.pass();
        upgrade(&path).expect("an upgrade");
        let connection = open_read_only(&path).expect("the pass");
        let count: i64 = connection
            .query_row("SELECT count(*) FROM quantities", (), |row| row.get(0))
            .expect("a count");
        assert_eq!(count as usize, catalogue().len() + full_catalogue().len());
    }
}
