//! Passes whose recorder was ended before it could close them: by `kill -9`, a power cut, a crash.
//!
//! In: a directory, or a file. Out: each such pass put in order: its log folded into the file, what was open in it ended
//! at its last field, and a setting that says so. Nothing that was measured is changed, and `closed_at` stays absent: that
//! is how everybody knows that the recording was cut short.
//!
//! A pass is known by its header: while it is recorded it says that there is a log beside it, and putting it in order takes
//! that back. One that somebody records, or looks at, is left alone. Asked for before anything is recorded: looking into a
//! file that this program has open would cost it its locks (POSIX gives up a process's locks on a file with the first
//! descriptor of it that is closed).
//!
//! Does not know: who asks, or what is said about it.

use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::Connection;

use super::error::{RecordError, sqlite};
use super::open::open_to_write;
use super::reader::Pass;
use super::schema::INTERRUPTED;
use super::store::{make_single, write_settings};
use crate::alarms::WhyEnded;
use crate::fields::FieldPlace;

/// A pass that was put in order.
#[derive(Clone, Debug, PartialEq)]
pub struct Interrupted {
    /// The file.
    pub path: PathBuf,
    /// The last field that is in it; `None` where it has none.
    pub last: Option<FieldPlace>,
    /// Label of its frame.
    pub last_timecode: Option<String>,
}

/// Puts in order what is unfinished in a directory. A file that cannot be put in order is told of and left as it is.
#[must_use]
pub fn put_directory_in_order(
    directory: &Path,
    now: &str,
) -> Vec<Result<Interrupted, RecordError>> {
    // A directory that cannot be read has nothing that could be put in order; whoever records there hears of it.
    let entries = fs::read_dir(directory).into_iter().flatten().flatten();
    let mut passes: Vec<PathBuf> = entries
        .filter(|entry| entry.file_type().is_ok_and(|kind| kind.is_file()))
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|it| it == "pass") && has_log(path))
        .collect();
    passes.sort();
    passes
        .iter()
        .filter_map(|path| put_in_order(path, now).transpose())
        .collect()
}

/// Puts a pass in order whose recorder is gone; `None` where it was closed, or somebody has it open. `now` is the wall
/// clock, for people.
///
/// # Errors
/// When it is no pass, damaged, or cannot be written to.
pub fn put_in_order(path: &Path, now: &str) -> Result<Option<Interrupted>, RecordError> {
    let pass = Pass::open(path)?;
    let is_closed = pass.closed_at().is_some();
    let clock = pass.head().clock();
    drop(pass);
    let failed = sqlite("put in order", path);
    let mut connection = open_to_write(path)?;
    connection.busy_timeout(Duration::ZERO).map_err(&failed)?;
    match make_single(&connection).map_err(&failed) {
        Err(error) if error.is_busy() => return Ok(None),
        made => made?,
    }
    if is_closed {
        return Ok(None); // another program had it open when it was closed
    }
    drop(connection);
    let last = Pass::open(path)?.last_place()?;
    let last_timecode = last.map(|last| clock.label(last.frame()).to_string());
    connection = open_to_write(path)?;
    let interrupted = Interrupted {
        path: path.to_owned(),
        last,
        last_timecode,
    };
    end_all(&mut connection, &interrupted, now).map_err(&failed)?;
    Ok(Some(interrupted))
}

/// Ends what was open when the recorder was ended.
fn end_all(
    connection: &mut Connection,
    interrupted: &Interrupted,
    now: &str,
) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    if let (Some(last), Some(timecode)) = (&interrupted.last, &interrupted.last_timecode) {
        transaction.execute(
            "UPDATE event_rows SET end_field = field, end_micros = micros, end_parity = parity, end_timecode = ?2
             FROM readings WHERE end_field IS NULL AND readings.field = ?1",
            (last.field.0.cast_signed(), timecode),
        )?;
        transaction.execute(
            "UPDATE programme SET end_field = ?1, why_ended = ?2 WHERE end_field IS NULL",
            (last.field.0.cast_signed(), WhyEnded::PassEnded.word()),
        )?;
    }
    let words = format!("recording was cut short; put in order {now}");
    write_settings(
        &transaction,
        INTERRUPTED,
        &[("interrupted".to_owned(), words)],
    )?;
    transaction.commit()
}

/// Whether a file's header says that there is a log beside it (byte 18 of an `SQLite` database: the version needed to
/// write it, 2 for write-ahead logging; its file format, section 1.3.3).
fn has_log(path: &Path) -> bool {
    const MAGIC: &[u8] = b"SQLite format 3\0";
    let mut header = [0; 19];
    let read = File::open(path).and_then(|mut file| file.read_exact(&mut header));
    read.is_ok() && header.starts_with(MAGIC) && header[18] == 2
}

#[cfg(test)]
mod tests {
    use super::super::testing::{catalogue, event, head, row};
    use super::super::{ProgrammeSpan, WhenFull, writer};
    use super::*;
    use crate::timecode::FieldIndex;

    const NOW: &str = "2026-03-01T20:00:00+00:00";

    /// A pass of so many fields, an event and a span going on, whose recorder is gone without closing it: the copy of one that
    /// is open, with its log.
    fn cut_short(directory: &Path, fields: u64) -> PathBuf {
        let original = directory.join("original");
        let made = writer::create_with(&original, &head(false), &catalogue(), WhenFull::Wait, 512);
        let (mut sender, writer) = made.expect("a new pass");
        let watch = sender.watch();
        let thread = std::thread::spawn(move || writer.run());
        sender.event(&event(1, 0)).expect("room");
        let span = ProgrammeSpan {
            start: FieldIndex(0),
            end: None,
            why_ended: None,
        };
        sender.programme(&[span]).expect("room");
        for field in 0..fields {
            sender.field(&row(field), None).expect("room");
        }
        while watch.state().fields_stored < fields {
            std::thread::yield_now();
        }
        let path = directory.join("reel.pass");
        for end in ["", "-wal"] {
            let with = |path: &Path| {
                let mut name = path.as_os_str().to_owned();
                name.push(end);
                PathBuf::from(name)
            };
            fs::copy(with(&original), with(&path)).expect("a copy");
        }
        drop(sender);
        thread.join().expect("no panic").expect("a whole file");
        fs::remove_file(original).expect("it is there");
        path
    }

    #[test]
    fn a_pass_cut_short_is_put_in_order_once() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let path = cut_short(scratch.path(), 130);
        let mut done = put_directory_in_order(scratch.path(), NOW);
        assert_eq!(done.len(), 1);
        let done = done.remove(0).expect("it can be written to");
        assert_eq!(done.path, path);
        assert_eq!(done.last.map(|last| last.field), Some(FieldIndex(129)));
        let left: Vec<_> = fs::read_dir(scratch.path()).expect("it is there").collect();
        assert_eq!(left.len(), 1, "no log is left: {left:?}");
        let pass = Pass::open_with(&path, catalogue()).expect("a pass");
        assert_eq!(pass.closed_at(), None, "cut short it stays");
        let events = pass.events().expect("events");
        assert_eq!(
            events[0].end.map(|end| end.field),
            Some(FieldIndex(129)),
            "{events:?}"
        );
        assert_eq!(
            events[0].end_timecode.map(|label| label.to_string()),
            done.last_timecode
        );
        let spans = pass.programme().expect("spans");
        assert_eq!(spans[0].end, Some(FieldIndex(129)));
        drop(pass);
        let said: String = Connection::open(&path)
            .and_then(|pass| {
                let select = "SELECT value FROM settings WHERE origin = 'interrupted'";
                pass.query_row(select, (), |row| row.get(0))
            })
            .expect("one setting");
        assert!(said.contains(NOW), "{said}");
        assert_eq!(put_directory_in_order(scratch.path(), NOW).len(), 0);
    }

    #[test]
    fn a_pass_without_a_field_is_put_in_order_too() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let path = cut_short(scratch.path(), 0);
        let done = put_in_order(&path, NOW).expect("it can be written to");
        assert_eq!(done.expect("it was cut short").last, None);
    }

    #[test]
    fn a_pass_that_is_being_recorded_or_was_closed_is_left_alone() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        let path = scratch.path().join("reel.pass");
        let made = writer::create_with(&path, &head(false), &catalogue(), WhenFull::Wait, 8);
        let (sender, writer) = made.expect("a new pass");
        // The library knows of its own open file, whatever became of the system's locks on it.
        assert_eq!(put_in_order(&path, NOW).expect("a pass"), None);
        assert!(has_log(&path), "it goes on being recorded");
        sender
            .close(super::super::testing::closing(0))
            .expect("room");
        writer.run().expect("a closed pass");
        assert_eq!(put_directory_in_order(scratch.path(), NOW).len(), 0);
        assert_eq!(put_in_order(&path, NOW).expect("a pass"), None);
    }

    #[test]
    fn what_is_no_pass_is_not_looked_at_and_what_is_damaged_is_told_of() {
        let scratch = tempfile::tempdir().expect("a temporary directory");
        fs::write(scratch.path().join("notes.pass"), "Dear diary,").expect("a file");
        assert_eq!(put_directory_in_order(scratch.path(), NOW).len(), 0);
        let path = cut_short(scratch.path(), 60);
        let mut bytes = fs::read(&path).expect("the pass");
        bytes.truncate(4096);
        fs::write(&path, &bytes).expect("a file");
        let mut log = path.into_os_string();
        log.push("-wal");
        fs::remove_file(log).expect("a log");
        let done = put_directory_in_order(scratch.path(), NOW);
        assert!(matches!(done[..], [Err(_)]), "{done:?}");
        assert_eq!(
            put_directory_in_order(&scratch.path().join("none"), NOW).len(),
            0
        );
    }
}
