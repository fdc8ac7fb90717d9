//! Tests of writing, crashing and full disks.

use super::*;
use crate::alarms::WhyEnded;
use crate::record::head::ProgrammeSpan;
use crate::record::reader::Pass;
use crate::record::testing::{catalogue, closing, event, head, row};
use crate::timecode::FieldIndex;

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
        why_ended: end.map(|_| WhyEnded::Snow),
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

#[test]
fn what_was_measured_of_the_device_is_kept_when_the_pass_ends() {
    let scratch = scratch();
    let path = scratch.path().join("a.pass");
    let mut store = store(&scratch, "a.pass");
    let mut batch = Store::new_batch(1);
    batch.set_closing(Closing {
        found: vec![("frame intervals".into(), "every 40.000 ms".into())],
        ..closing(0)
    });
    store.write(&mut batch, |_| ()).expect("a batch");
    store.close().expect("closed");
    let kept: (String, String) = Connection::open(&path)
        .and_then(|connection| {
            connection.query_row(
                "SELECT name, value FROM settings WHERE origin = 'measured'",
                (),
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
        })
        .expect("a row");
    assert_eq!(kept, ("frame intervals".into(), "every 40.000 ms".into()));
}

fn names(directory: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(directory)
        .expect("the directory")
        .flatten();
    let mut names: Vec<String> = entries
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

fn check_whole(path: &Path, fields: i64) {
    assert_eq!(count(path, "readings"), fields);
    let sound: String = Connection::open(path)
        .and_then(|pass| pass.pragma_query_value(None, "integrity_check", |row| row.get(0)))
        .expect("a check");
    assert_eq!(sound, "ok");
}

#[test]
fn a_draft_left_by_a_start_that_was_ended_is_written_over() {
    let scratch = scratch();
    let path = scratch.path().join("a.pass");
    std::fs::write(draft_of(&path), "half a database").expect("a file");
    let store = store(&scratch, "a.pass");
    store.close().expect("a closed pass");
    assert_eq!(names(scratch.path()), ["a.pass"]);
}

/// Deleted alone, or with the log beside it.
#[cfg(unix)]
#[test]
fn a_pass_that_is_deleted_while_it_is_recorded_is_made_anew_with_all_of_it() {
    for ends in [&[""][..], &["", "-wal", "-shm"]] {
        let scratch = scratch();
        let path = scratch.path().join("a.pass");
        let mut store = store(&scratch, "a.pass");
        write_fields(&mut store, 0..100);
        for end in ends {
            let name = format!("a.pass{end}");
            std::fs::remove_file(scratch.path().join(name)).expect("it is there");
        }
        store.keep_in_place().expect("room for a new file");
        write_fields(&mut store, 100..200);
        store.keep_in_place().expect("it is in place");
        check_whole(&path, 200);
        assert_eq!(store.close().expect("a closed pass"), Closed::SingleFile);
        assert_eq!(names(scratch.path()), ["a.pass"]);
        check_whole(&path, 200);
    }
}

#[cfg(unix)]
#[test]
fn a_pass_whose_directory_is_away_is_written_on_and_saved_when_that_is_back() {
    let scratch = scratch();
    let directory = scratch.path().join("disk");
    std::fs::create_dir(&directory).expect("a directory");
    let path = directory.join("a.pass");
    let mut store = Store::create(&path, &head(false), &catalogue()).expect("a new pass");
    write_fields(&mut store, 0..100);
    std::fs::remove_dir_all(&directory).expect("it is there");
    let refused = store.keep_in_place().expect_err("nowhere to go");
    assert!(refused.to_string().contains("deleted"), "{refused}");
    write_fields(&mut store, 100..150);
    std::fs::create_dir(&directory).expect("a directory");
    store.keep_in_place().expect("room for a new file");
    store.close().expect("a closed pass");
    check_whole(&path, 150);
}

#[cfg(unix)]
#[test]
fn another_file_in_the_place_of_a_pass_is_not_touched() {
    let scratch = scratch();
    let path = scratch.path().join("a.pass");
    let mut store = store(&scratch, "a.pass");
    write_fields(&mut store, 0..100);
    std::fs::rename(&path, scratch.path().join("moved.pass")).expect("it is there");
    std::fs::write(&path, "holiday pictures").expect("a file");
    let refused = store.keep_in_place();
    assert!(
        matches!(refused, Err(RecordError::Replaced(_))),
        "{refused:?}"
    );
    let there = std::fs::read_to_string(&path).expect("the file");
    assert_eq!(there, "holiday pictures");
    std::fs::remove_file(&path).expect("it is there");
    store.keep_in_place().expect("the place is free again");
    store.close().expect("a closed pass");
    check_whole(&path, 100);
}
