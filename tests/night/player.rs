//! A watch that runs while a test does something to it, and what it leaves.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, ChildStdout, Command, Stdio};

use rusqlite::Connection;

use trueline::alarms::Event;
use trueline::limits::Kind;
use trueline::record::Pass;

use crate::world::{World, send_signal};

/// A running watch without a dashboard; ended when it is dropped.
pub(crate) struct Player {
    child: Child,
    lines: BufReader<ChildStdout>,
    stderr: ChildStderr,
}

impl Player {
    /// Watches a scene and records it; `more` are further words.
    pub(crate) fn start(world: &World, scene: &str, pass: &Path, more: &[&str]) -> Self {
        let source = format!("tape:{scene}");
        let mut command = world.command(["watch", &source, "--no-dashboard", "--record"]);
        // A test that fails leaves nothing behind that plays on for ever.
        command.arg(pass).args(["--for", "300s"]).args(more);
        Self::of(command)
    }

    /// Runs a command that watches.
    pub(crate) fn of(mut command: Command) -> Self {
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the binary starts");
        let stdout = child.stdout.take().expect("it was asked for");
        let stderr = child.stderr.take().expect("it was asked for");
        Self {
            child,
            lines: BufReader::new(stdout),
            stderr,
        }
    }

    /// Reads the log up to a line with all of these words, and gives it; the watch ends by itself where none comes.
    pub(crate) fn wait_for(&mut self, words: &[&str]) -> String {
        let mut all = String::new();
        loop {
            let mut line = String::new();
            let count = self.lines.read_line(&mut line).expect("the log is text");
            assert!(count > 0, "no line with {words:?} came: {all}");
            if words.iter().all(|word| line.contains(word)) {
                return line;
            }
            all.push_str(&line);
        }
    }

    pub(crate) fn signal(&self, name: &str) {
        send_signal(name, &self.child.id().to_string());
    }

    /// Waits for the end; exit code and what was said on stderr.
    pub(crate) fn ended(mut self) -> (Option<i32>, String) {
        let mut said = String::new();
        // Both pipes are read to their ends: one that is full would keep it from ending.
        std::io::copy(&mut self.lines, &mut std::io::sink()).expect("a pipe");
        self.stderr.read_to_string(&mut said).expect("text");
        let status = self.child.wait().expect("it ends");
        (status.code(), said)
    }
}

impl Drop for Player {
    fn drop(&mut self) {
        // Where it has ended there is nothing to end.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A pass that must be whole, read by the program's own reader and by `SQLite` itself.
pub(crate) struct Left {
    pub(crate) closed: bool,
    pub(crate) events: Vec<Event>,
    /// The last field that is stored.
    pub(crate) last: Option<u64>,
    /// Fields that the source, or the queue, lost before stored ones.
    pub(crate) lost: u64,
    /// Fields that were measured and not stored.
    pub(crate) unstored: u64,
}

impl Left {
    /// Opens what was left and counts it: every field up to the last is stored, lost, or named in `gaps`.
    pub(crate) fn at(path: &Path) -> Self {
        let pass = Pass::open(path).expect("a pass that opens");
        let closed = pass.closed_at().is_some();
        let events = pass.events().expect("its events");
        let gaps = pass.gaps().expect("its gaps");
        let unstored: u64 = gaps.iter().map(|gap| gap.fields).sum();
        drop(pass);
        let connection = Connection::open(path).expect("any SQLite client opens it");
        let sound: String = connection
            .pragma_query_value(None, "integrity_check", |row| row.get(0))
            .expect("a check");
        assert_eq!(sound, "ok", "{}", path.display());
        let (stored, last, lost) = connection
            .query_row(
                "SELECT count(*), max(field), coalesce(sum(sync_missing_fields), 0) FROM readings",
                (),
                |row| {
                    let last: Option<i64> = row.get(1)?;
                    Ok((row.get::<_, i64>(0)?, last, row.get::<_, i64>(2)?))
                },
            )
            .expect("readings");
        let (stored, lost) = (stored.unsigned_abs(), lost.unsigned_abs());
        let last = last.map(i64::unsigned_abs);
        assert_eq!(
            stored + lost + unstored,
            last.map_or(0, |last| last + 1),
            "{}: {stored} stored, {lost} lost, {unstored} not stored, the last is {last:?}",
            path.display()
        );
        Self {
            closed,
            events,
            last,
            lost,
            unstored,
        }
    }

    pub(crate) fn of_kind(&self, kind: Kind) -> Vec<&Event> {
        self.events
            .iter()
            .filter(|event| event.kind == kind)
            .collect()
    }
}

/// Names in a directory, sorted.
pub(crate) fn names(directory: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(directory).expect("a directory").flatten();
    let mut names: Vec<String> = entries
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// The pass of a test.
pub(crate) fn pass_in(world: &World) -> PathBuf {
    world.path("reel.pass")
}
