//! What is refused, and by which words.

use std::path::PathBuf;

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

/// Changes a pass as another program could.
fn change(path: &Path, script: &str) {
    let connection = Connection::open(path).expect("the pass");
    connection.execute_batch(script).expect("a change");
}

#[test]
fn a_pass_that_holds_what_acts_by_itself_is_refused() {
    for (script, expected) in [
        (
            "CREATE TRIGGER surprise AFTER INSERT ON event_rows BEGIN DELETE FROM pass; END",
            "a trigger 'surprise'",
        ),
        (
            "CREATE VIEW endless AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i FROM n) SELECT i FROM n",
            "a view 'endless'",
        ),
        (
            "ALTER TABLE gaps RENAME TO others; CREATE VIEW gaps AS SELECT * FROM others",
            "a view 'gaps'",
        ),
        (
            "CREATE VIRTUAL TABLE boxes USING rtree(id, low, high)",
            "a table 'boxes'",
        ),
    ] {
        let scratch = Scratch::new();
        let path = scratch.pass();
        change(&path, script);
        check_refused(&path, expected);
        check_refused(&path, "take the file as it was recorded");
    }
}

#[test]
fn a_pass_without_one_of_its_tables_is_damaged() {
    let scratch = Scratch::new();
    let path = scratch.pass();
    change(&path, "DROP TABLE programme");
    check_refused(&path, "it has no table 'programme'");
}

#[test]
fn a_log_of_another_file_is_not_read_into_a_pass() {
    let scratch = Scratch::new();
    let path = scratch.pass();
    let other = scratch.path("other.db");
    let open = Connection::open(&other).expect("a database");
    open.execute_batch("PRAGMA journal_mode = WAL; CREATE TABLE readings (x)")
        .expect("a log");
    let log = |path: &Path| PathBuf::from(format!("{}-wal", path.display()));
    std::fs::copy(log(&other), log(&path)).expect("room");
    check_refused(&path, "is not its own (the pass was closed without one)");
    // of a pass that was cut short, the pages of another program
    change_header(&path, 2);
    let error = open_read_only(&path).expect_err("a database of another program");
    assert!(error.to_string().contains("of another program"), "{error}");
    std::fs::write(log(&path), [7; 4096]).expect("room");
    check_refused(&path, "it is no log of SQLite's");
}

/// Makes the header say with or without a log.
fn change_header(path: &Path, version: u8) {
    let mut bytes = std::fs::read(path).expect("the pass");
    (bytes[18], bytes[19]) = (version, version);
    std::fs::write(path, bytes).expect("room");
}

#[test]
fn nothing_is_attached_and_nothing_is_mapped() {
    let scratch = Scratch::new();
    let connection = open_read_only(&scratch.pass()).expect("the pass");
    let attached = connection.execute("ATTACH ':memory:' AS other", ());
    assert!(attached.is_err(), "{attached:?}");
    let mapped: i64 = connection
        .query_row("PRAGMA mmap_size", (), |row| row.get(0))
        .expect("a number");
    assert_eq!(mapped, 0);
    let long = format!("SELECT '{}'", "x".repeat(2 << 20));
    assert!(connection.prepare(&long).is_err());
}

#[test]
fn a_recording_does_not_take_up_a_log_that_somebody_left() {
    let scratch = Scratch::new();
    let path = scratch.path("b.pass");
    for ending in ["-wal", "-journal"] {
        let left = PathBuf::from(format!("{}{ending}", path.display()));
        std::fs::write(&left, b"left").expect("room");
        let made = writer::create_with(&path, &head(false), &catalogue(), WhenFull::Wait, 8);
        let message = made.map(drop).expect_err("a log is there").to_string();
        assert!(message.contains("left by another file"), "{message}");
        assert!(!path.exists(), "{message}");
        std::fs::remove_file(left).expect("it is there");
    }
}

#[cfg(unix)]
#[test]
fn a_recording_does_not_follow_a_link() {
    let scratch = Scratch::new();
    let (path, elsewhere) = (scratch.path("b.pass"), scratch.path("precious"));
    // one that leads nowhere yet would be made there, one that leads to a file would replace it
    for there in [false, true] {
        if there {
            std::fs::write(&elsewhere, "precious").expect("room");
        }
        std::os::unix::fs::symlink(&elsewhere, &path).expect("a link");
        let made = writer::create_with(&path, &head(false), &catalogue(), WhenFull::Wait, 8);
        let message = made.map(drop).expect_err("a link").to_string();
        assert!(message.contains("it exists already"), "{message}");
        assert_eq!(elsewhere.exists(), there);
        std::fs::remove_file(&path).expect("the link is there");
    }
    assert_eq!(std::fs::read(elsewhere).expect("still there"), b"precious");
}
