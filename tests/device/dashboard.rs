//! The program with its dashboard, driven by keys, on the driver's nodes.

use std::path::Path;
use std::time::{Duration, Instant};

use trueline::limits::Kind;
use trueline::record::Pass;

use crate::driver::{self, CAPTURE};
use crate::finding::{SMALL_TEXT, small_picture};
use crate::program::{closed, end_of, last_field, pass_place, trueline, wait_for};
use crate::terminal::Terminal;

/// Keys that crossterm reads as arrows.
const DOWN: &str = "\x1b[B";
const RIGHT: &str = "\x1b[C";

/// How long a key may take until the device shows it, on a busy host.
const PATIENCE: Duration = Duration::from_secs(120);
/// After this long a key is pressed again: what it is for may not have been there yet.
const AGAIN: Duration = Duration::from_secs(15);
/// How long nothing may follow Escape.
const ALONE: Duration = Duration::from_secs(5);
const LOOK: Duration = Duration::from_millis(50);

/// Presses a key until the device's brightness is as wanted, asked through another handle.
fn press_until(terminal: &Terminal, key: &str, wanted: impl Fn(i64) -> bool) -> i64 {
    let begun = Instant::now();
    let mut pressed: Option<Instant> = None;
    loop {
        let now = driver::value("brightness");
        if wanted(now) {
            return now;
        }
        assert!(
            begun.elapsed() < PATIENCE,
            "brightness stays {now} at {key:?}: {}",
            terminal.drawn()
        );
        if pressed.is_none_or(|at| at.elapsed() > AGAIN) {
            terminal.press(key);
            pressed = Some(Instant::now());
        }
        std::thread::sleep(LOOK);
    }
}

/// What was logged of brightness, in order.
fn changes(pass: &Pass) -> Vec<String> {
    let events = pass.events().unwrap_or_default(); // a pass just begun cannot be read yet
    let of_control = events
        .into_iter()
        .filter(|event| event.kind == Kind::ControlChanged);
    of_control
        .map(|event| event.note)
        .filter(|note| note.starts_with("Brightness was changed"))
        .collect()
}

/// Whether the changes go from one value to the other, each beginning where the one before ended.
fn leads(changes: &[String], from: i64, to: i64) -> bool {
    let mut at = from;
    let follows = |note: &String| {
        let ends = note
            .trim_end_matches('.')
            .rsplit_once(" from ")
            .and_then(|(_, ends)| ends.split_once(" to "));
        let ends = ends.and_then(|(from, to)| Some((from.parse::<i64>().ok()?, to.parse().ok()?)));
        ends.is_some_and(|(from, to)| std::mem::replace(&mut at, to) == from)
    };
    changes.iter().all(follows) && !changes.is_empty() && at == to
}

/// Waits until the pass has the changes that lead from a value to the one the device is at; that one. A key that was pressed
/// twice may still move it.
fn wait_for_changes(path: &Path, terminal: &Terminal, from: i64) -> i64 {
    let begun = Instant::now();
    loop {
        let pass = Pass::open(path).unwrap_or_else(|error| panic!("{error}"));
        let (changes, now) = (changes(&pass), driver::value("brightness"));
        if leads(&changes, from, now) {
            return now;
        }
        assert!(
            begun.elapsed() < PATIENCE,
            "from {from} to {now}, but {changes:?} among {:?} up to {:?}: {}",
            pass.events()
                .map(|events| events.into_iter().map(|it| it.kind).collect::<Vec<_>>()),
            last_field(&pass),
            terminal.drawn()
        );
        drop(pass);
        std::thread::sleep(LOOK);
    }
}

pub(crate) fn a_control_stepped_at_the_dashboard_is_set_in_the_device_logged_and_set_back() -> String
{
    small_picture();
    let found = driver::value("brightness");
    let path = pass_place("stepped");
    let terminal = Terminal::open();
    let mut command = trueline(["watch", CAPTURE, "--raster", SMALL_TEXT, "--record"]);
    command.arg(&path);
    terminal.take(&mut command);
    let mut child = command.spawn().expect("it starts");
    wait_for(&mut child, &path, "field", |it| last_field(it).is_some());
    // The page of controls: automatic gain and gain come before brightness.
    terminal.press("d");
    terminal.press(DOWN);
    terminal.press(DOWN);
    press_until(&terminal, RIGHT, |value| value > found);
    let set = wait_for_changes(&path, &terminal, found);
    press_until(&terminal, "o", |value| value == found);
    assert_eq!(wait_for_changes(&path, &terminal, found), found);
    terminal.press("\x1b");
    // A lone Escape may be the start of a key: it counts as one once nothing follows.
    std::thread::sleep(ALONE);
    terminal.press("qy");
    let (code, _) = end_of(child);
    assert_eq!(code, 0, "{}", terminal.drawn());
    assert_eq!(driver::value("brightness"), found);
    let (pass, rows) = closed(&path);
    let changes = changes(&pass);
    assert!(
        changes.len() >= 2 && leads(&changes, found, found),
        "{changes:?}"
    );
    format!("{found} to {set} and back, {} fields", rows.len())
}
