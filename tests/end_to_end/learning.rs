//! Limits learned from a pass: printed, kept beside it, used, and given back.

use std::fs;
use std::path::PathBuf;

use trueline::alarms::WhyEnded;
use trueline::fields::FieldPlace;
use trueline::measures::{Readings, line_timing::Basis};
use trueline::measures::{
    bars, chroma, detail, dropouts, flagging, head_switch, interference, levels, line_timing,
    noise, sync, tear, tracking,
};
use trueline::record::{Closing, PassHead, ProgrammeSpan, Row, WhenFull, create};
use trueline::standard::{BT601_LUMA_RATE, Parity};
use trueline::timecode::FieldIndex;
use trueline::units::{Estimate, Nanos, Seconds};

use crate::world::{World, plain_head};

fn head() -> PassHead {
    PassHead {
        tape: Some("Harbour day\nreel 2".into()),
        chain: Some("player A, bare".into()),
        sample_rate: Some(BT601_LUMA_RATE),
        ..plain_head()
    }
}

/// A field with this much wobble.
fn field(index: u64, wobble: f64) -> Row {
    Row::from(&Readings {
        place: FieldPlace {
            field: FieldIndex(index),
            parity: if index.is_multiple_of(2) {
                Parity::Top
            } else {
                Parity::Bottom
            },
            seconds: Seconds(index as f64 / 50.0),
        },
        line_timing: line_timing::Reading {
            basis: Basis::Edge,
            error_rms: Some(Estimate::new(Nanos(wobble), Nanos(1.0), 250)),
            ..line_timing::Reading::default()
        },
        flagging: flagging::Reading {
            offset: Some(Estimate::new(Nanos(-30.0), Nanos(2.0), 90)),
            ..flagging::Reading::default()
        },
        head_switch: head_switch::Reading::default(),
        tear: tear::Reading::default(),
        levels: levels::Reading::default(),
        bars: bars::Reading::default(),
        interference: interference::Reading::default(),
        tracking: tracking::Reading::default(),
        dropouts: dropouts::Reading::default(),
        chroma: chroma::Reading::default(),
        noise: noise::Reading::default(),
        detail: detail::Reading::default(),
        sync: sync::Reading::default(),
        fingerprint: None,
    })
}

/// A closed pass of so many seconds, all of it programme, whose wobble is 12 ns in 97 fields of 100 and 19 ns in the rest.
fn good_pass(world: &World, name: &str, seconds: u64) -> PathBuf {
    let path = world.path(name);
    let (mut sender, writer) = create(&path, &head(), WhenFull::Wait).expect("a new pass");
    let writing = std::thread::spawn(move || writer.run());
    let fields = 50 * seconds;
    for index in 0..fields {
        let wobble = if index % 100 < 97 { 12.0 } else { 19.0 };
        sender.field(&field(index, wobble), None).expect("room");
    }
    let span = ProgrammeSpan {
        start: FieldIndex(0),
        end: Some(FieldIndex(fields - 1)),
        why_ended: Some(WhyEnded::PassEnded),
    };
    sender.programme(&[span]).expect("room");
    let closing = Closing {
        found: Vec::new(),
        scanned: None,
        summary: "{\"verdict\": \"clean\"}".into(),
        closed_at: "2026-03-01T19:06:05+00:00".into(),
    };
    sender.close(closing).expect("room");
    writing
        .join()
        .expect("the writer does not panic")
        .expect("a closed pass");
    path
}

#[test]
fn learned_limits_are_printed_with_their_origin_and_can_be_given_back() {
    let world = World::new();
    good_pass(&world, "reel2.pass", 61);
    let run = world.ok(["limits", "--learn-limits", "reel2.pass"]);
    let text = run.stdout;
    let unbroken = text.replace("\n# ", " ");
    for expected in [
        "[wobble] learned: 99 % of 3050 fields stay inside 19.0 ns; before it was 37.0 ns",
        "enter = 19.0 # ns\nleave = 13.3 # ns",
        "[flagging] learned: 99 % of 3050 fields stay inside 30.0 ns",
        "recorded 2026-03-01T19:04:05+00:00",
        "tape: Harbour day reel 2",
        "verdict: clean",
    ] {
        assert!(unbroken.contains(expected), "{expected} in\n{text}");
    }
    assert!(
        run.stderr.contains("wobble: 19.0 ns (was 37.0)"),
        "{}",
        run.stderr
    );
    assert!(!world.path("reel2.limits.toml").exists());
    world.write("mine.toml", &text);
    let again = world.ok(["limits", "--limits", "mine.toml"]).stdout;
    let numbers = |text: &str| -> Vec<String> {
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        lines.map(str::to_owned).collect()
    };
    assert_eq!(numbers(&again), numbers(&text));
}

#[test]
fn a_scan_keeps_learned_limits_beside_the_pass_and_uses_them() {
    let world = World::new();
    good_pass(&world, "reel2.pass", 61);
    world.write("mine.toml", "[tear]\nenter = 7\n[wobble]\nhits = 4\n");
    let scan = |limits: &str, file: &str| {
        let run = world.ok([
            "scan",
            "tape:clean",
            "--for",
            "1s",
            "--no-record",
            "--json",
            limits,
            file,
            "--limits",
            "mine.toml",
        ]);
        (run.json()["limits"].clone(), run.stderr)
    };
    let words = ["--learn-limits", "reel2.pass"];
    let (limits, said) = scan(words[0], words[1]);
    assert_eq!(limits["wobble"]["enter"], 19.0);
    assert_eq!(limits["wobble"]["hits"], 4);
    assert_eq!(limits["tear"]["enter"], 7.0);
    assert!(said.contains("kept in reel2.limits.toml"), "{said}");

    // once more: our own file is written anew; the file alone says the same
    scan(words[0], words[1]);
    let run = world.ok([
        "scan",
        "tape:clean",
        "--for",
        "1s",
        "--no-record",
        "--json",
        "--limits",
        "reel2.limits.toml",
    ]);
    assert_eq!(run.json()["limits"], limits);
}

#[test]
fn a_limits_file_that_was_edited_is_not_written_over() {
    let world = World::new();
    good_pass(&world, "reel2.pass", 61);
    world.write("reel2.limits.toml", "[wobble]\nenter = 50.0\n");
    let run = world.run([
        "scan",
        "tape:clean",
        "--for",
        "1s",
        "--no-record",
        "--learn-limits",
        "reel2.pass",
    ]);
    assert_eq!(run.code, 1);
    assert!(run.stderr.contains("reel2.limits.toml"), "{}", run.stderr);
    assert!(run.stderr.contains("--limits"), "{}", run.stderr);
    let kept = fs::read_to_string(world.path("reel2.limits.toml")).expect("the file");
    assert_eq!(kept, "[wobble]\nenter = 50.0\n");
}

#[test]
fn too_short_a_pass_and_what_is_none_are_refused() {
    let world = World::new();
    good_pass(&world, "short.pass", 59);
    let run = world.run(["limits", "--learn-limits", "short.pass"]);
    assert_eq!((run.code, run.stdout.as_str()), (1, ""));
    for word in ["short.pass", "59 s of programme", "60 s", "longer stretch"] {
        assert!(run.stderr.contains(word), "{word}: {}", run.stderr);
    }
    let run = world.run(["limits", "--learn-limits", "absent.pass"]);
    assert_eq!(run.code, 1);
    assert!(run.stderr.contains("absent.pass"), "{}", run.stderr);
}
