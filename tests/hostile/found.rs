//! What hostile input once broke, by name.

use trueline::record::{Finished, Pass};

/// The base pass after a change, read as a whole.
fn finished_after(script: &str) -> Finished {
    let scratch = tempfile::tempdir().expect("a directory");
    let path = scratch.path().join("a.pass");
    std::fs::write(&path, super::base()).expect("room");
    let connection = rusqlite::Connection::open(&path).expect("our own pass");
    connection.execute_batch(script).expect("a change");
    drop(connection);
    let pass = Pass::open(&path).expect("a pass");
    Finished::of(&pass).expect("a whole pass")
}

#[test]
fn a_programme_without_a_stored_field_is_no_panic() {
    let finished = finished_after("DELETE FROM readings");
    assert_eq!(finished.spans.len(), 2);
    assert!(finished.last.is_none() && finished.minutes.is_empty());
}
