//! The log beside a pass file: its own, or one of another file.
//!
//! A pass keeps a log (`-wal`) while it is recorded and after it was cut short. `SQLite` reads any log that bears the name, so one
//! that was left by another file would put that file's pages into this one.
//!
//! Does not know: what is in the log. One of another pass of the same kind, cut short too, cannot be told from the file's own.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::record::error::RecordError;

/// The header of a log (file format of `SQLite`, section 4.1).
const HEADER_BYTES: usize = 32;

/// How a log begins; the last bit says the order of the bytes in its sums.
const MAGIC: u32 = 0x377f_0682;

/// The log of a pass.
fn log_of(path: &Path) -> PathBuf {
    beside(path, "-wal")
}

/// Everything that `SQLite` may put beside a file.
pub(in crate::record) fn all_beside(path: &Path) -> [PathBuf; 3] {
    ["-wal", "-shm", "-journal"].map(|ending| beside(path, ending))
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

/// Whether a log stands beside a file of this page size.
///
/// # Errors
/// It is not the file's own.
pub(super) fn check(path: &Path, keeps_a_log: bool, page_bytes: u64) -> Result<bool, RecordError> {
    let log = log_of(path);
    let Ok(metadata) = std::fs::metadata(&log) else {
        return Ok(false);
    };
    let foreign = |why: &'static str| RecordError::ForeignLog {
        path: path.to_owned(),
        log: log.clone(),
        why,
    };
    if !metadata.is_file() {
        return Err(foreign("it is no file"));
    }
    // An empty one, or one cut short within its header, holds no page.
    if metadata.len() <= HEADER_BYTES as u64 {
        return Ok(true);
    }
    if !keeps_a_log {
        return Err(foreign("the pass was closed without one"));
    }
    let mut header = [0; HEADER_BYTES];
    File::open(&log)
        .and_then(|mut file| file.read_exact(&mut header))
        .map_err(|source| RecordError::Io {
            doing: "read the log of the pass",
            path: log.clone(),
            source,
        })?;
    let number = |at: usize| {
        u32::from_be_bytes([header[at], header[at + 1], header[at + 2], header[at + 3]])
    };
    // Zeros: the disk had no room or power for what was written last.
    if header == [0; HEADER_BYTES] {
        return Ok(true);
    }
    if number(0) & !1 != MAGIC {
        return Err(foreign("it is no log of SQLite's"));
    }
    if u64::from(number(8)) != page_bytes {
        return Err(foreign("its pages are of another size"));
    }
    Ok(true)
}
