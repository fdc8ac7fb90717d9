//! The dashboard on a terminal of its own: drawn, obeying keys, and gone without a trace on every way out.

use std::io::{Read, Write};
use std::num::NonZeroU16;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use crate::world::{World, send_signal};

/// What takes the terminal and what gives it back (xterm control sequences: alternate screen, cursor).
const TAKEN: &str = "\u{1b}[?1049h";
const GIVEN_BACK: &str = "\u{1b}[?1049l";
const CURSOR_SHOWN: &str = "\u{1b}[?25h";

const ROWS: NonZeroU16 = NonZeroU16::new(30).unwrap();
const COLUMNS: NonZeroU16 = NonZeroU16::new(100).unwrap();

/// A shell on a pseudo-terminal of 100x30, which `script` of util-linux lends.
pub(crate) struct Terminal {
    child: Child,
    keys: ChildStdin,
    output: ChildStdout,
    /// All that was ever drawn.
    drawn: Vec<u8>,
    /// What stands there now: only the differences are drawn, so no text need ever come whole.
    screen: vt100::Parser,
}

impl Terminal {
    /// Runs a line of shell in which `$TRUELINE` is the binary; behind it the exit code and the terminal's modes are printed.
    pub(crate) fn run(world: &World, line: &str) -> Self {
        let script = format!("stty rows {ROWS} cols {COLUMNS}; {line}; echo code=$?; stty -a");
        let mut child = Command::new("script")
            .args(["--quiet", "--command", &script, "/dev/null"])
            .current_dir(world.path(""))
            .env("HOME", world.path(""))
            .env("XDG_DATA_HOME", world.path("data"))
            .env("TRUELINE", env!("CARGO_BIN_EXE_trueline"))
            .env("TERM", "xterm")
            .env("SHELL", "/bin/sh")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("script is part of util-linux");
        Self {
            keys: child.stdin.take().expect("it was asked for"),
            output: child.stdout.take().expect("it was asked for"),
            child,
            drawn: Vec::new(),
            screen: vt100::Parser::new(ROWS, COLUMNS, 0),
        }
    }

    /// Reads until `text` stands on the screen.
    /// A dashboard that never draws it ends by itself, and the test with it.
    pub(crate) fn wait_for(&mut self, text: &str) {
        let mut some = [0; 4096];
        while !self.screen.screen().contents().contains(text) {
            let count = self.output.read(&mut some).expect("the terminal is read");
            assert!(count > 0, "'{text}' never came: {}", self.text());
            self.drawn.extend_from_slice(&some[..count]);
            self.screen.process(&some[..count]);
        }
    }

    pub(crate) fn press(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).expect("it listens");
        self.keys.flush().expect("it listens");
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.drawn).into_owned()
    }

    /// Waits for the end; what was printed after the dashboard was gone.
    pub(crate) fn afterwards(mut self) -> String {
        let rest = self.output.read_to_end(&mut self.drawn);
        // Linux answers EIO where the other end of a pseudo-terminal is gone.
        drop(rest);
        self.child.wait().expect("it ends");
        let text = self.text();
        let (before, after) = text
            .rsplit_once(GIVEN_BACK)
            .expect("the screen is given back");
        assert!(before.contains(TAKEN), "{text}");
        assert!(text.contains(CURSOR_SHOWN), "{text}");
        after.to_owned()
    }
}

pub(crate) fn as_it_was(after: &str, code: i32) {
    assert!(after.contains(&format!("code={code}")), "{after}");
    for mode in ["icanon", "echo", "isig"] {
        let on = after.split_whitespace().any(|word| word == mode);
        assert!(on, "{mode} is off: {after}");
    }
}

#[test]
fn quitting_asks_first_and_leaves_the_terminal_as_it_was() {
    let world = World::new();
    let mut terminal = Terminal::run(
        &world,
        "$TRUELINE watch tape:clean --for 120s --record quit.pass",
    );
    terminal.wait_for("quit");
    // Any other key than y goes on.
    terminal.press("qn");
    terminal.press("qy");
    let after = terminal.afterwards();
    as_it_was(&after, 0);
    assert!(after.contains("pass kept in"), "{after}");
}

#[test]
fn a_signal_ends_the_dashboard_and_leaves_the_terminal_as_it_was() {
    let world = World::new();
    let mut terminal = Terminal::run(
        &world,
        "sh -c 'echo $$ > pid; exec $TRUELINE watch tape:clean --for 120s --no-record'",
    );
    terminal.wait_for("quit");
    let pid = std::fs::read_to_string(world.path("pid")).expect("the shell wrote it");
    send_signal("TERM", pid.trim());
    as_it_was(&terminal.afterwards(), 130);
}

#[test]
fn the_operators_mark_and_the_players_counter_are_kept_in_the_pass() {
    let world = World::new();
    let mut terminal = Terminal::run(
        &world,
        "$TRUELINE watch tape:clean --for 120s --record marked.pass",
    );
    // Keys before the first field have no place to be kept at.
    terminal.wait_for("Recorded picture begins");
    terminal.press("msplice here\r");
    terminal.press("c0:12:04\r");
    terminal.press("qy");
    as_it_was(&terminal.afterwards(), 0);
    let events = world
        .ok(["export", "marked.pass", "events", "--as", "csv", "-o", "-"])
        .stdout;
    assert!(events.contains("splice here"), "{events}");
    assert!(events.contains("counter reads 0:12:04"), "{events}");
}

#[test]
fn frames_may_come_on_stdin_while_the_dashboard_uses_the_terminal() {
    let world = World::new();
    world.tape("clean", "625", "1");
    let terminal = Terminal::run(&world, "cat clean-625.y4m | $TRUELINE watch - --no-record");
    let after = terminal.afterwards();
    as_it_was(&after, 0);
    assert!(after.contains("50 fields"), "{after}");
}
