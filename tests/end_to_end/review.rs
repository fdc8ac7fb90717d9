//! `trueline review` on a terminal of its own: opened, walked through, marked in, left; and what it refuses.

use std::process::{Command, Stdio};

use rusqlite::Connection;

use crate::terminal::{Terminal, as_it_was};
use crate::world::{Run, World, send_signal};

/// Events of a pass as JSON lines.
fn events(world: &World, pass: &str) -> Vec<serde_json::Value> {
    world
        .ok(["export", pass, "events", "--as", "jsonl", "-o", "-"])
        .json_lines()
}

fn scanned(world: &World) {
    world.tape("jitter", "525", "8");
    world.ok(["scan", "jitter-525.y4m", "--record", "jitter.pass"]);
}

#[test]
fn marks_made_in_a_review_are_in_the_exports_and_the_terminal_is_given_back() {
    let world = World::new();
    scanned(&world);
    let before = events(&world, "jitter.pass");
    let alarm = before.iter().find(|event| event["severity"] == "alarm");
    let alarm = alarm.expect("the lines jitter");
    let mut terminal = Terminal::run(&world, "$TRUELINE review jitter.pass");
    terminal.wait_for("quit");
    // Alarms alone, the first of them, a mark there, which is then changed; all kinds again; the page of evidence.
    terminal.press("f\u{1b}[B\r");
    terminal.press("n");
    terminal.press("mhere it jitter\r");
    terminal.press("es at last\r");
    terminal.press("vx");
    terminal.press("q");
    as_it_was(&terminal.afterwards(), 0);
    let after = events(&world, "jitter.pass");
    assert_eq!(after.len(), before.len() + 1);
    let mark = after.iter().find(|event| event["kind"] == "mark");
    let mark = mark.expect("it was made");
    assert_eq!(mark["note"], "here it jitters at last");
    assert_eq!(mark["start_timecode"], alarm["start_timecode"]);
    assert_eq!(mark["start_field"], alarm["start_field"]);
    let cues = world
        .ok([
            "export",
            "jitter.pass",
            "events",
            "--as",
            "webvtt",
            "-o",
            "-",
        ])
        .stdout;
    assert!(cues.contains("here it jitters at last"), "{cues}");
    // still one file
    assert!(!world.path("jitter.pass-wal").exists());
}

#[test]
fn a_signal_ends_a_review_and_leaves_the_terminal_as_it_was() {
    let world = World::new();
    scanned(&world);
    let line = "sh -c 'echo $$ > pid; exec $TRUELINE review jitter.pass'";
    let mut terminal = Terminal::run(&world, line);
    terminal.wait_for("quit");
    let pid = std::fs::read_to_string(world.path("pid")).expect("the shell wrote it");
    send_signal("TERM", pid.trim());
    as_it_was(&terminal.afterwards(), 130);
}

#[test]
fn a_pass_that_is_still_recorded_is_shown_and_takes_no_mark() {
    let world = World::new();
    let words = [
        "watch",
        "tape:clean",
        "--for",
        "600s",
        "--no-dashboard",
        "--record",
        "live.pass",
    ];
    let mut recorder = world
        .command(words)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary starts");
    // once a second has been committed there is something to review
    while world
        .run(["export", "live.pass", "fields", "--as", "csv", "-o", "-"])
        .stdout
        .lines()
        .count()
        < 3
    {
        std::thread::yield_now();
    }
    let mut terminal = Terminal::run(&world, "$TRUELINE review live.pass");
    terminal.wait_for("still being recorded");
    terminal.press("mtoo early\r");
    terminal.press("q");
    as_it_was(&terminal.afterwards(), 0);
    send_signal("TERM", &recorder.id().to_string());
    recorder.wait().expect("it ends");
    let events = events(&world, "live.pass");
    assert!(
        events.iter().all(|event| event["kind"] != "mark"),
        "{events:?}"
    );
    assert!(
        events
            .iter()
            .any(|event| event["kind"] == "recording_start")
    );
}

#[test]
fn without_a_terminal_and_without_a_pass_it_is_said_what_is_wrong() {
    let world = World::new();
    scanned(&world);
    // a session of its own has no terminal, wherever the tests run
    let alone = |pass: &str| {
        let output = Command::new("setsid")
            .args(["--wait", env!("CARGO_BIN_EXE_trueline"), "review", pass])
            .current_dir(world.path(""))
            .stdin(Stdio::null())
            .output();
        Run::of(output.expect("setsid is part of util-linux"))
    };
    let check = |pass: &str, expected: &str| {
        let run = alone(pass);
        assert_eq!(
            (run.code, run.stdout.as_str()),
            (1, ""),
            "{pass}: {}",
            run.stderr
        );
        assert!(run.stderr.contains(expected), "{pass}: {}", run.stderr);
        assert!(run.stderr.contains(pass), "{pass}: {}", run.stderr);
    };
    check(
        "jitter.pass",
        "there is no terminal to draw on; trueline report",
    );
    check("none.pass", "there is no such file");
    world.write("diary.txt", "Dear diary,");
    check("diary.txt", "is not a pass file");
    let whole = std::fs::read(world.path("jitter.pass")).expect("the pass");
    world.write("short.pass", &whole[..whole.len() / 2]);
    check("short.pass", "is cut short");
    world.write("newer.pass", &whole);
    let newer = Connection::open(world.path("newer.pass")).expect("the pass");
    newer
        .pragma_update(None, "user_version", 99)
        .expect("a version");
    drop(newer);
    check("newer.pass", "update trueline");
    world.write("damaged.pass", &whole);
    let damaged = Connection::open(world.path("damaged.pass")).expect("the pass");
    damaged
        .execute_batch("DROP TABLE event_rows")
        .expect("a table less");
    drop(damaged);
    check("damaged.pass", "is damaged");
    assert_eq!(world.run(["review"]).code, 2);
}
