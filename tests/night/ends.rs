//! Signals, and terminals that close: the pass is closed, or monitoring goes on and says so.

use std::process::{Command, Stdio};

use trueline::limits::Kind;
use trueline::record::Pass;

use crate::player::{Left, Player, names, pass_in};
use crate::world::{World, send_signal};

/// What the log says of a terminal that is gone.
const GOES_ON: &str = "monitoring goes on without it";

#[test]
fn sigterm_closes_the_pass_with_all_that_was_measured() {
    let world = World::new();
    let mut player = Player::start(&world, "clean", &pass_in(&world), &[]);
    player.wait_for(&["recording_start"]);
    player.signal("TERM");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    assert!(said.contains("pass kept in"), "{said}");
    let left = Left::at(&pass_in(&world));
    assert!(left.closed && left.last.is_some());
    assert_eq!(names(&world.path("")), ["reel.pass"]);
}

#[test]
fn a_hangup_without_a_dashboard_is_outlasted_and_logged() {
    let world = World::new();
    let mut player = Player::start(&world, "clean", &pass_in(&world), &[]);
    player.wait_for(&["recording_start"]);
    player.signal("HUP");
    player.wait_for(&["mark", GOES_ON]);
    // It measures on: what comes later in the scene is still told.
    player.signal("HUP");
    player.signal("TERM");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    let left = Left::at(&pass_in(&world));
    assert!(left.closed);
    let marks = left.of_kind(Kind::Mark);
    assert_eq!(marks.len(), 1, "said once: {marks:?}");
    assert!(marks[0].note.contains(GOES_ON));
}

#[test]
fn a_hangup_ends_the_pass_where_that_is_asked_for() {
    let world = World::new();
    let more = ["--on-hangup", "stop"];
    let mut player = Player::start(&world, "clean", &pass_in(&world), &more);
    player.wait_for(&["recording_start"]);
    player.signal("HUP");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    let left = Left::at(&pass_in(&world));
    assert!(left.closed && left.of_kind(Kind::Mark).is_empty());
}

/// How often a pass is looked at before it is said that nothing comes.
const LOOKS: usize = 600;

/// Looks at a pass again and again until it is as wanted.
fn wait_until(world: &World, what: &str, wanted: impl Fn(&Pass) -> bool) {
    for _ in 0..LOOKS {
        if Pass::open(&pass_in(world)).is_ok_and(|pass| wanted(&pass)) {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    panic!("the pass never was {what}");
}

/// A dashboard on a terminal whose other end goes away: the process that lends it is killed.
fn dashboard_without_terminal(world: &World, more: &str) -> String {
    let line = format!(
        "sh -c 'echo $$ > pid; exec $TRUELINE watch tape:clean --for 300s --record reel.pass {more}'"
    );
    let mut terminal = Command::new("script")
        .args(["--quiet", "--command", &line, "/dev/null"])
        .current_dir(world.path(""))
        .env("HOME", world.path(""))
        .env("TRUELINE", env!("CARGO_BIN_EXE_trueline"))
        .env("TERM", "xterm")
        .env("SHELL", "/bin/sh")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("script is part of util-linux");
    wait_until(world, "begun", |pass| {
        pass.last_place().is_ok_and(|place| place.is_some())
    });
    let pid = std::fs::read_to_string(world.path("pid")).expect("the shell wrote it");
    terminal.kill().expect("it runs");
    terminal.wait().expect("it is gone");
    pid.trim().to_owned()
}

#[test]
fn a_dashboard_whose_terminal_is_closed_goes_on_without_it() {
    let world = World::new();
    let pid = dashboard_without_terminal(&world, "");
    wait_until(&world, "marked", |pass| {
        let events = pass.events().unwrap_or_default();
        events.iter().any(|event| event.note.contains(GOES_ON))
    });
    let so_far = Left::at(&pass_in(&world)).last.expect("fields");
    wait_until(&world, "recorded on", |pass| {
        let last = pass.last_place().ok().flatten();
        last.is_some_and(|last| last.field.0 > so_far + 20)
    });
    send_signal("TERM", &pid);
    wait_until(&world, "closed", |pass| pass.closed_at().is_some());
}

#[test]
fn a_dashboard_whose_terminal_is_closed_ends_the_pass_where_that_is_asked_for() {
    let world = World::new();
    dashboard_without_terminal(&world, "--on-hangup stop");
    wait_until(&world, "closed", |pass| pass.closed_at().is_some());
}

/// Stopped and continued: the tape played on meanwhile, and what it played is counted as lost.
#[test]
fn a_process_that_was_stopped_goes_on_and_counts_what_it_missed() {
    let world = World::new();
    let mut player = Player::start(&world, "clean", &pass_in(&world), &[]);
    player.wait_for(&["recording_start"]);
    player.signal("STOP");
    std::thread::sleep(std::time::Duration::from_millis(1500));
    player.signal("CONT");
    player.wait_for(&["missing"]);
    player.signal("TERM");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    let left = Left::at(&pass_in(&world));
    // Of one and a half seconds the simulated device holds four frames.
    assert!(left.closed && left.lost >= 50, "{} lost", left.lost);
}
