//! `watch --against`: one simulated tape played bare into a pass, then through a box of known doing and held against that pass.

use std::collections::BTreeMap;
use std::fs;

use rusqlite::Connection;
use trueline::record::Pass;
use trueline::standard::Standard;
use trueline::timecode::Timecode;

use crate::compare::keep_empty;
use crate::world::World;

/// Frames that the play through the box begins later: 0.4 s of its scene.
const LATER: u64 = 12;

/// IRE that the box lifts everything by.
const LIFT: f64 = 5.0;

/// Number of the frame of a label.
fn frame(label: &str) -> u64 {
    let label = Timecode::parse_for(label, Standard::Lines525).expect("a label");
    label.to_frame().0
}

/// What the line of the place says: the frame here, and the one there.
fn found(stderr: &str) -> Option<(u64, u64)> {
    let line = stderr.lines().find(|line| line.contains(": found, "))?;
    let (_, said) = line.split_once(": found, ")?;
    let (here, there) = said.split_once(" here is ")?;
    Some((frame(here), frame(there.strip_suffix(" there")?)))
}

/// The differences told at the end, by their names: value and standard error.
fn differences(note: &str) -> BTreeMap<String, (f64, f64)> {
    let (_, told) = note
        .split_once("over its last seconds: ")
        .expect("it was followed to the end");
    told.split(", ")
        .map(|one| {
            let mut words = one.split_whitespace();
            let name = words.next().expect("a name").to_owned();
            let value = words.next().expect("a value").parse().expect("a number");
            let sigma = words.next().expect("an error").trim_start_matches('±');
            (name, (value, sigma.parse().expect("a number")))
        })
        .collect()
}

#[test]
fn a_tape_is_found_on_an_earlier_pass_to_the_frame_and_what_the_box_does_is_told() {
    let world = World::new();
    world.ok([
        "scan",
        "tape:ferry-bare",
        "--record",
        "bare.pass",
        "--chain",
        "bare",
    ]);
    // it ends in the park, before the blank tape
    let play = [
        "tape",
        "--scene",
        "ferry-box-one",
        "--seconds",
        "26",
        "-o",
        "box.y4m",
    ];
    world.ok(play);
    let run = world.ok([
        "watch",
        "box.y4m",
        "--against",
        "bare.pass",
        "--no-dashboard",
        "--record",
        "box.pass",
    ]);
    let (here, there) = found(&run.stderr).unwrap_or_else(|| panic!("{}", run.stderr));
    assert_eq!(there, here + LATER, "{}", run.stderr);

    let kept = Pass::open(&world.path("box.pass")).expect("a pass");
    let notes: BTreeMap<String, String> =
        kept.found().expect("it can be read").into_iter().collect();
    let note = &notes["watched against"];
    assert!(note.starts_with("bare.pass; "), "{note}");
    assert!(run.stderr.contains(note.as_str()), "{}", run.stderr);
    let told = differences(note);
    for (name, expected, within) in [
        ("levels.black_ire", LIFT, 0.5),
        ("levels.peak_ire", LIFT, 1.5),
        ("contrast", 0.0, 1.0),
        ("black", LIFT, 0.5),
        ("saturation", 0.0, 3.0),
        ("hue", 0.0, 1.0),
    ] {
        let (value, sigma) = told[name];
        assert!(
            (value - expected).abs() <= within && sigma < within,
            "{name}: {value} ±{sigma}, {expected} was put in: {note}"
        );
    }
    // what it is there for: it steadies the lines, of which the bare play wobbles by far more
    assert!(told["line_timing.error_rms_ns"].0 < -5.0, "{note}");

    let other = [
        "tape",
        "--scene",
        "wave",
        "--seconds",
        "16",
        "-o",
        "other.y4m",
    ];
    world.ok(other);
    let run = world.ok([
        "watch",
        "other.y4m",
        "--against",
        "bare.pass",
        "--no-dashboard",
        "--no-record",
    ]);
    assert_eq!(found(&run.stderr), None, "{}", run.stderr);
    assert!(
        run.stderr.contains("the place on it was not found"),
        "{}",
        run.stderr
    );
}

#[test]
fn an_earlier_pass_that_cannot_be_held_against_is_refused_before_anything_begins() {
    let world = World::new();
    keep_empty(&world, "old.pass");
    world.write("words.pass", "no pass at all");
    world.tape("clean", "525", "6");
    world.ok(["scan", "clean-525.y4m", "--record", "short.pass"]);
    fs::copy(world.path("short.pass"), world.path("newer.pass")).expect("it is there");
    let newer = Connection::open(world.path("newer.pass")).expect("the pass");
    newer
        .pragma_update(None, "user_version", 900)
        .expect("it can be written");
    drop(newer);

    let refused = |pass: &str, source: &str| {
        let run = world.run([
            "watch",
            source,
            "--against",
            pass,
            "--no-dashboard",
            "--record",
            "new.pass",
        ]);
        assert_eq!((run.code, run.stdout.as_str()), (1, ""), "{}", run.stderr);
        assert!(run.stderr.contains(pass), "{}", run.stderr);
        assert!(!world.path("new.pass").exists(), "no pass is begun");
        run.stderr
    };
    for (pass, source, said) in [
        ("gone.pass", "clean-525.y4m", "there is no such file"),
        ("words.pass", "clean-525.y4m", "is not a pass file"),
        ("newer.pass", "clean-525.y4m", "update trueline"),
        ("old.pass", "tape:clean-625", "no fingerprints"),
        ("short.pass", "tape:clean-625", "59.94"),
    ] {
        let stderr = refused(pass, source);
        assert!(stderr.contains(said), "{pass}: {said} in {stderr}");
    }
    let several = world.run([
        "watch",
        "tape:clean",
        "tape:jitter",
        "--against",
        "short.pass",
    ]);
    assert_eq!(several.code, 2, "{}", several.stderr);
    assert!(several.stderr.contains("--against"), "{}", several.stderr);
}
