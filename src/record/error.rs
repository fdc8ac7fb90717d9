//! What can go wrong with a pass file.

use std::path::{Path, PathBuf};

/// A failure of a pass file: what was being done, to which file, what went wrong, and the next step if one is known.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// A recording would replace something.
    #[error("cannot record to '{0}': it exists already; choose another name or move it away")]
    Exists(PathBuf),
    /// No such file.
    #[error("cannot open the pass '{0}': there is no such file")]
    Missing(PathBuf),
    /// A directory instead of a file.
    #[error("cannot open '{0}' as a pass: it is a directory; name a file in it")]
    Directory(PathBuf),
    /// The operating system refuses, or the device failed.
    #[error("cannot {doing} '{path}'")]
    Io {
        /// `open the pass`, `create` …
        doing: &'static str,
        /// The file or directory.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Some other kind of file.
    #[error("'{0}' is not a pass file: it does not begin as an SQLite 3 database does")]
    NotSqlite(PathBuf),
    /// A database of another program.
    #[error(
        "'{path}' is an SQLite database of another program (application id {found:#010x}, a pass has {expected:#010x})"
    )]
    Foreign {
        /// The file.
        path: PathBuf,
        /// Application id found.
        found: i32,
        /// Application id of a pass.
        expected: i32,
    },
    /// Recorded by a later version of this program.
    #[error(
        "'{path}' was recorded by a newer trueline (file version {found}, this one knows up to {known}): update trueline to open it"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// File version found.
        found: i32,
        /// Newest file version known.
        known: i32,
    },
    /// Shorter than it says it is.
    #[error(
        "the pass '{path}' is cut short: {found} of {expected} bytes are there; copy it again from where it came"
    )]
    Truncated {
        /// The file.
        path: PathBuf,
        /// Bytes found.
        found: u64,
        /// Bytes the file's header announces.
        expected: u64,
    },
    /// It holds something that recording never makes.
    #[error(
        "'{path}' is not opened as a pass: it holds {what}, which recording never makes; take the file as it was recorded"
    )]
    Strange {
        /// The file.
        path: PathBuf,
        /// A trigger, a view, by name.
        what: String,
    },
    /// What stands beside it is of another file.
    #[error(
        "the pass '{path}' is not opened: the log '{log}' beside it is not its own ({why}); move the log away"
    )]
    ForeignLog {
        /// The file.
        path: PathBuf,
        /// The log.
        log: PathBuf,
        /// How that is known.
        why: &'static str,
    },
    /// A recording would find something of another file beside it.
    #[error(
        "cannot record to '{path}': '{beside}' is there, left by another file of that name; move it away, or choose another name"
    )]
    LeftBeside {
        /// The file.
        path: PathBuf,
        /// What stands beside it.
        beside: PathBuf,
    },
    /// A mark was to be made in a pass that somebody still records.
    #[error(
        "cannot change the marks of '{0}': it is still being recorded; mark it there, or wait until it is closed"
    )]
    BeingRecorded(PathBuf),
    /// Another file has come to stand where the pass was being recorded.
    #[error(
        "cannot go on recording in '{0}': it was deleted or moved, and another file stands in its place; move that away"
    )]
    Replaced(PathBuf),
    /// Something in it contradicts what a pass file is.
    #[error("the pass '{path}' is damaged: {what}; copy it again from where it came")]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong, and where.
        what: String,
    },
    /// Lines were asked of a pass that has none.
    #[error(
        "the pass '{0}' holds no line timings: it was recorded without --keep-lines; scan the source again with it"
    )]
    NoLines(PathBuf),
    /// `SQLite` failed.
    #[error("cannot {doing} the pass '{path}'")]
    Sqlite {
        /// `read`, `write` …
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
    /// The writer gave up or is gone.
    #[error("the pass is not being stored any more: {0}")]
    NotWriting(String),
    /// There is no home directory to put passes into.
    #[error("no place for recordings: there is no home directory; give one with --record FILE")]
    NoDataDirectory,
}

impl RecordError {
    /// Whether another program has the file for itself at the moment.
    pub(super) fn is_busy(&self) -> bool {
        use rusqlite::ErrorCode::{DatabaseBusy, DatabaseLocked};
        let Self::Sqlite { source, .. } = self else {
            return false;
        };
        matches!(
            source.sqlite_error_code(),
            Some(DatabaseBusy | DatabaseLocked)
        )
    }
}

/// Turns `SQLite`'s errors into ours, for one file.
pub(super) fn sqlite(doing: &'static str, path: &Path) -> impl Fn(rusqlite::Error) -> RecordError {
    move |source| {
        let path = path.to_owned();
        if is_damage(&source) {
            return RecordError::Damaged {
                path,
                what: source.to_string(),
            };
        }
        RecordError::Sqlite {
            doing,
            path,
            source,
        }
    }
}

/// Whether an error says that the file is not what it should be: broken pages, missing tables, values of a wrong type.
fn is_damage(error: &rusqlite::Error) -> bool {
    use rusqlite::{Error, ErrorCode};
    match error {
        Error::InvalidColumnType(..)
        | Error::IntegralValueOutOfRange(..)
        | Error::FromSqlConversionFailure(..)
        | Error::SqlInputError { .. } => true,
        Error::SqliteFailure(failure, _) => matches!(
            failure.code,
            ErrorCode::DatabaseCorrupt
                | ErrorCode::NotADatabase
                | ErrorCode::TooBig
                | ErrorCode::Unknown
        ),
        _ => false,
    }
}
