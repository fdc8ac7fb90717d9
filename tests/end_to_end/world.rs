//! A directory of its own for each test, and the binary run in it.

use std::ffi::OsStr;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;

use trueline::record::PassHead;
use trueline::sources::{FieldOrder, SourceDescription};
use trueline::standard::Standard;
use trueline::timecode::{Counting, Timecode};
use trueline::units::{CodeRange, Ire};

/// A place where a test may leave files.
pub(crate) struct World {
    directory: TempDir,
}

/// What a run of the binary said.
pub(crate) struct Run {
    pub(crate) code: i32,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl World {
    pub(crate) fn new() -> Self {
        Self {
            directory: tempfile::tempdir().expect("a directory for the test"),
        }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, bytes).expect("the test's own file");
        path
    }

    /// The binary, at home in this directory, with nothing on stdin.
    pub(crate) fn command<I: AsRef<OsStr>>(&self, words: impl IntoIterator<Item = I>) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_trueline"));
        command
            .args(words)
            .current_dir(self.directory.path())
            .env("HOME", self.directory.path())
            .env("XDG_DATA_HOME", self.directory.path().join("data"))
            .stdin(Stdio::null());
        command
    }

    pub(crate) fn run<I: AsRef<OsStr>>(&self, words: impl IntoIterator<Item = I>) -> Run {
        Run::of(self.command(words).output().expect("the binary starts"))
    }

    /// Runs the binary and insists that all went well.
    pub(crate) fn ok<I: AsRef<OsStr>>(&self, words: impl IntoIterator<Item = I>) -> Run {
        let run = self.run(words);
        assert_eq!(run.code, 0, "stderr: {}", run.stderr);
        run
    }

    /// A rendered scene of the simulated tape.
    pub(crate) fn tape(&self, scene: &str, standard: &str, seconds: &str) -> PathBuf {
        let file = self.path(&format!("{scene}-{standard}.y4m"));
        self.ok([
            "tape",
            "--scene",
            scene,
            "--standard",
            standard,
            "--seconds",
            seconds,
            "-o",
            file.to_str().expect("a plain path"),
        ]);
        file
    }
}

/// Sends a signal to a process, through the shell: a bare system has no `kill` program.
pub(crate) fn send_signal(name: &str, process: &str) {
    let sent = Command::new("sh")
        .args(["-c", "kill -s \"$0\" \"$1\"", name, process])
        .status()
        .expect("a shell is there");
    assert!(sent.success(), "no signal {name} to {process}");
}

impl Run {
    pub(crate) fn of(output: Output) -> Self {
        Self {
            code: output.status.code().unwrap_or(-1),
            stdout: String::from_utf8(output.stdout).expect("stdout is text"),
            stderr: String::from_utf8(output.stderr).expect("stderr is text"),
        }
    }

    pub(crate) fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.stdout)
            .unwrap_or_else(|error| panic!("{error}: {}", self.stdout))
    }

    pub(crate) fn json_lines(&self) -> Vec<serde_json::Value> {
        self.stdout
            .lines()
            .map(|line| {
                serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"))
            })
            .collect()
    }
}

/// What a pass of a file in 625 lines is of, of which nothing special is known.
pub(crate) fn plain_head() -> PassHead {
    PassHead {
        program: "0.1.0".into(),
        started_at: "2026-03-01T19:04:05+00:00".into(),
        tape: None,
        chain: None,
        player: None,
        pass_box: None,
        speed: None,
        settings: Vec::new(),
        source: SourceDescription {
            name: "reel2".into(),
            kind: "file".into(),
            live: false,
            frames: None,
            details: Vec::new(),
            controls: Vec::new(),
            remarks: Vec::new(),
        },
        standard: Some(Standard::Lines625),
        field_order: FieldOrder::Top,
        range: CodeRange::Studio,
        setup: Ire(0.0),
        field_period: Standard::Lines625.field_period(),
        sample_rate: None,
        start: Timecode::zero(Counting::At25),
        limits: String::new(),
        keep_lines: false,
    }
}
