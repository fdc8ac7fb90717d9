//! Marks in passes that are finished, cut short, older, and still recorded.

use super::*;
use crate::record::testing::{catalogue, closed, event, head, place, recorded};
use crate::record::{WhenFull, writer};

fn clock() -> PassClock {
    head(false).clock()
}

fn events(path: &Path) -> Vec<Event> {
    let pass = Pass::open_with(path, catalogue()).expect("the pass");
    pass.events().expect("readable")
}

/// A closed pass of 60 fields with one event.
fn a_pass() -> (tempfile::TempDir, std::path::PathBuf) {
    let (scratch, pass) = recorded(60, |sender| {
        sender.event(&closed(event(1, 10), 20)).expect("room");
    });
    let path = pass.path().to_owned();
    (scratch, path)
}

#[test]
fn a_mark_is_an_event_like_those_made_while_recording() {
    let (_scratch, path) = a_pass();
    let id = add(&path, clock(), place(4), "Splice, by hand.").expect("it is closed");
    assert_eq!(id, EventId(2));
    let all = events(&path);
    assert_eq!(all.len(), 2);
    let mark = &all[1];
    assert_eq!(
        (mark.kind, mark.note.as_str()),
        (Kind::Mark, "Splice, by hand.")
    );
    assert_eq!(mark.start.field, place(4).field);
    assert_eq!(mark.start, mark.end.expect("a moment"));
    assert_eq!(mark.start_timecode, clock().label(place(4).frame()));
    let unnamed = add(&path, clock(), place(8), "").expect("it is closed");
    assert_eq!(unnamed, EventId(3));
    assert_eq!(events(&path)[2].note, UNNAMED_MARK);
}

#[test]
fn marks_are_changed_and_taken_away_and_nothing_else_is() {
    let (_scratch, path) = a_pass();
    let mark = add(&path, clock(), place(4), "Splice").expect("it is closed");
    assert!(edit(&path, mark, "Splice: \"wet\"; DROP TABLE").expect("it is closed"));
    assert_eq!(events(&path)[1].note, "Splice: \"wet\"; DROP TABLE");
    // the wobble is no mark
    assert!(!edit(&path, EventId(1), "fine").expect("it is closed"));
    assert!(!edit(&path, EventId(1), "").expect("it is closed"));
    assert!(!edit(&path, EventId(99), "x").expect("it is closed"));
    assert!(edit(&path, mark, "").expect("it is closed"));
    let left = events(&path);
    assert_eq!(left.len(), 1);
    assert_eq!(left[0].note, event(1, 10).note);
}

fn set_summary(path: &Path, summary: &str) {
    let connection = Connection::open(path).expect("the pass");
    let set = connection.execute("UPDATE pass SET summary = ?1", [summary]);
    assert_eq!(set.expect("one row"), 1);
}

fn summary(path: &Path) -> String {
    let connection = Connection::open(path).expect("the pass");
    let text = connection.query_row("SELECT summary FROM pass", (), |row| row.get(0));
    text.expect("a text")
}

#[test]
fn the_events_of_the_summary_are_kept_as_those_of_the_pass() {
    let (_scratch, path) = a_pass();
    let before = r#"{"source":"tape","events":[{"id":1,"kind":"wobble","note":"moves"}],"verdict":"usable"}"#;
    set_summary(&path, before);
    let mark = add(&path, clock(), place(4), "Splice").expect("it is closed");
    let told = |path: &Path| -> Vec<(u64, String, u64, String)> {
        let summary: Json = serde_json::from_str(&summary(path)).expect("it is JSON");
        assert_eq!(summary["verdict"], "usable");
        let word = |value: &Json| value.as_str().expect("a word").to_owned();
        let events = summary["events"].as_array().expect("a list").iter();
        let marks = events.filter(|event| event["kind"] == "mark");
        marks
            .map(|mark| {
                let number = |key: &str| mark[key].as_u64().expect("a number");
                let label = word(&mark["start_timecode"]);
                (
                    number("id"),
                    label,
                    number("start_field"),
                    word(&mark["note"]),
                )
            })
            .collect()
    };
    let label = clock().label(place(4).frame()).to_string();
    let as_noted = |note: &str| vec![(2, label.clone(), 4, note.to_owned())];
    assert_eq!(told(&path), as_noted("Splice"));
    assert!(edit(&path, mark, "Splice, \"wet\"").expect("it is closed"));
    assert_eq!(told(&path), as_noted("Splice, \"wet\""));
    assert!(!edit(&path, EventId(1), "fine").expect("it is closed"));
    assert!(edit(&path, mark, "").expect("it is closed"));
    assert_eq!(summary(&path), before);
}

#[test]
fn a_summary_that_makes_no_sense_stays_as_it_is_and_the_mark_is_made() {
    for nonsense in ["{", "[1]", r#"{"events": 3}"#] {
        let (_scratch, path) = a_pass();
        set_summary(&path, nonsense);
        add(&path, clock(), place(4), "Splice").expect("it is closed");
        assert_eq!(
            (summary(&path).as_str(), events(&path).len()),
            (nonsense, 2)
        );
    }
}

#[test]
fn a_pass_that_is_being_recorded_takes_no_mark_and_is_not_harmed() {
    let scratch = tempfile::tempdir().expect("a directory");
    let path = scratch.path().join("a.pass");
    let made = writer::create_with(&path, &head(false), &catalogue(), WhenFull::Wait, 64);
    let (mut sender, writer) = made.expect("a new pass");
    sender.event(&event(1, 10)).expect("room");
    assert!(!is_finished(&path).expect("a pass"));
    let refused = add(&path, clock(), place(4), "early").expect_err("it has a writer");
    assert!(
        matches!(refused, RecordError::BeingRecorded(_)),
        "{refused}"
    );
    assert!(refused.to_string().contains("still being recorded"));
    sender
        .close(crate::record::testing::closing(0))
        .expect("room");
    writer.run().expect("a closed pass");
    assert!(is_finished(&path).expect("a pass"));
    add(&path, clock(), place(4), "late").expect("it is closed");
    assert_eq!(events(&path).len(), 2);
}

/// Takes a pass back to what a version had: its later tables gone, its number in the header.
fn make_older(path: &Path, version: i32) {
    let connection = Connection::open(path).expect("the pass");
    for (since, table) in [(2, "handed_on"), (3, "exhibits"), (4, "fingerprints")] {
        if version < since {
            let drop = format!("DROP TABLE {table}");
            connection.execute_batch(&drop).expect("it has the table");
        }
    }
    let said = connection.pragma_update(None, "user_version", version);
    said.expect("a number");
}

#[test]
fn older_passes_are_read_as_they_are_and_brought_up_to_date_with_their_first_mark() {
    for version in [1, 2, 3] {
        let (_scratch, path) = a_pass();
        make_older(&path, version);
        let before = std::fs::read(&path).expect("the file");
        let pass = Pass::open_with(&path, catalogue()).expect("an older pass");
        assert!(pass.exhibited().expect("none are kept").is_empty());
        assert!(pass.exhibits(EventId(1)).expect("none are kept").is_empty());
        assert!(pass.handed_on().expect("nothing was").is_empty());
        assert_eq!(pass.events().expect("readable").len(), 1);
        let rows = |pass: &Pass<5>| {
            let fields = crate::timecode::FieldIndex(0)..crate::timecode::FieldIndex(99);
            let rows: Result<Vec<_>, _> = pass.rows(fields).collect();
            rows.expect("readable")
        };
        let read = rows(&pass);
        drop(pass);
        assert_eq!(
            std::fs::read(&path).expect("the file"),
            before,
            "reading changed it"
        );
        add(&path, clock(), place(4), "Splice").expect("it is closed");
        let connection = Connection::open(&path).expect("the pass");
        let now: i32 = connection
            .pragma_query_value(None, "user_version", |row| row.get(0))
            .expect("a number");
        let kept: i64 = connection
            .query_row("SELECT count(*) FROM exhibits", (), |row| row.get(0))
            .expect("a table of pictures");
        drop(connection);
        assert_eq!((now, kept), (FILE_VERSION, 0));
        let pass = Pass::open_with(&path, catalogue()).expect("the pass");
        assert_eq!(pass.events().expect("readable").len(), 2);
        assert_eq!(rows(&pass), read);
    }
}

#[test]
fn what_is_no_pass_takes_no_mark() {
    let scratch = tempfile::tempdir().expect("a directory");
    let path = scratch.path().join("diary.txt");
    std::fs::write(&path, "Dear diary,").expect("a file");
    for refused in [
        add(&path, clock(), place(4), "x").map(drop),
        is_finished(&path).map(drop),
        add(&scratch.path().join("none"), clock(), place(4), "x").map(drop),
    ] {
        assert!(refused.is_err());
    }
    assert_eq!(std::fs::read(&path).expect("the file"), b"Dear diary,");
}
