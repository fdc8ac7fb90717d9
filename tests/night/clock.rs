//! The wall clock is set while a tape is recorded: dates in the pass follow it, nothing that is measured does.

use std::path::PathBuf;
use std::time::Duration;

use rusqlite::Connection;

use crate::player::{Left, Player, pass_in};
use crate::world::World;

/// The library that gives a program another wall clock than the system's (Debian package libfaketime).
fn faketime() -> PathBuf {
    let places = ["/usr/lib", "/usr/lib64"].iter().flat_map(|root| {
        let below = std::fs::read_dir(root).into_iter().flatten().flatten();
        let below: Vec<PathBuf> = below.map(|entry| entry.path()).collect();
        below.into_iter().chain([PathBuf::from(root)])
    });
    places
        .map(|place| place.join("faketime/libfaketimeMT.so.1"))
        .find(|library| library.exists())
        .expect("libfaketime is installed (scripts/setup does it)")
}

#[test]
fn a_clock_that_is_set_back_and_forth_moves_no_field() {
    let world = World::new();
    let setting = world.write("offset", "+0");
    let mut command = world.command(["watch", "tape:clean", "--no-dashboard", "--for", "300s"]);
    command
        .args(["--record", "reel.pass"])
        .env("LD_PRELOAD", faketime())
        .env("FAKETIME_TIMESTAMP_FILE", &setting)
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .env("DONT_FAKE_MONOTONIC", "1");
    let mut player = Player::of(command);
    player.wait_for(&["recording_start"]);
    // Each for a commit or two.
    for offset in ["-5h", "+2d", "-400d", "+3d"] {
        world.write("offset", offset);
        std::thread::sleep(Duration::from_millis(900));
    }
    player.signal("TERM");
    let (code, said) = player.ended();
    assert_eq!(code, Some(130), "{said}");
    let left = Left::at(&pass_in(&world));
    assert!(left.closed && left.last.is_some());
    let connection = Connection::open(pass_in(&world)).expect("a pass");
    let days: f64 = connection
        .query_row(
            "SELECT julianday(closed_at) - julianday(started_at) FROM pass",
            (),
            |row| row.get(0),
        )
        .expect("two dates");
    assert!((days - 3.0).abs() < 0.1, "the clock was set: {days} days");
    // Each field is where the device's clock put it: a 60000/1001 of a second after the one before.
    let off: f64 = connection
        .query_row(
            "SELECT max(abs(micros - field * 1001e6 / 60e3)) FROM readings",
            (),
            |row| row.get(0),
        )
        .expect("readings");
    assert!(off <= 2.0, "{off} microseconds off");
}
