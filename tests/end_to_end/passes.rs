//! Whole passes: what goes in comes out as a summary, events, tables and an exit code.

use std::fs::{self, File};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::world::{Run, World, send_signal};

const EVENT_COLUMNS: [&str; 14] = [
    "id",
    "kind",
    "severity",
    "standing",
    "start_field",
    "end_field",
    "start_timecode",
    "end_timecode",
    "start_seconds",
    "duration_seconds",
    "worst",
    "unit",
    "limit",
    "note",
];

fn kinds(events: &[Value]) -> Vec<&str> {
    events
        .iter()
        .filter_map(|event| event["kind"].as_str())
        .collect()
}

#[test]
fn a_scan_says_what_it_measured() {
    let world = World::new();
    world.tape("clean", "625", "4");
    let summary = world
        .ok(["scan", "clean-625.y4m", "--no-record", "--json"])
        .json();
    assert_eq!(summary["standard"], "625");
    assert_eq!(summary["field_order"], "top");
    assert_eq!(summary["fields"], 200);
    for key in [
        "source",
        "seconds",
        "programme",
        "verdict",
        "groups",
        "not_judged",
        "reasons",
        "quantities",
        "events",
        "limits",
        "version",
    ] {
        assert!(summary.get(key).is_some(), "{key} is missing");
    }
    for group in ["steadiness", "levels", "colour", "continuity", "condition"] {
        assert!(summary["groups"].get(group).is_some(), "{group} is missing");
    }
    let error = &summary["quantities"]["line_timing.error_rms_ns"];
    for key in ["median", "p95", "worst", "n"] {
        assert!(error.get(key).is_some(), "{key} is missing: {error}");
    }
}

#[test]
fn events_come_first_and_the_summary_last_each_with_its_type() {
    let world = World::new();
    world.tape("losses", "525", "6");
    let run = world.ok([
        "scan",
        "losses-525.y4m",
        "--no-record",
        "--json",
        "--events",
    ]);
    let lines = run.json_lines();
    let (last, events) = lines.split_last().expect("a summary at least");
    assert_eq!(last["type"], "summary");
    for event in events {
        assert_eq!(event["type"], "event");
        for column in EVENT_COLUMNS {
            assert!(event.get(column).is_some(), "{column} is missing: {event}");
        }
    }
    // Lines come as events close, the list in the order they opened.
    let mut lines = kinds(events);
    let mut listed = kinds(last["events"].as_array().expect("a list"));
    lines.sort_unstable();
    listed.sort_unstable();
    assert_eq!(lines, listed);
}

#[test]
fn a_wobbling_tape_is_called_unfit_and_strict_says_so_by_exit_code() {
    let world = World::new();
    world.tape("jitter", "625", "4");
    let run = world.run([
        "scan",
        "jitter-625.y4m",
        "--no-record",
        "--json",
        "--strict",
    ]);
    assert_eq!(run.code, 3, "{}", run.stderr);
    let summary = run.json();
    assert_eq!(
        summary["groups"]["steadiness"], "unfit",
        "{}",
        summary["reasons"]
    );
    assert!(kinds(summary["events"].as_array().expect("a list")).contains(&"wobble"));
}

#[test]
fn a_range_told_wrong_is_said_instead_of_what_it_makes_of_black() {
    let world = World::new();
    let scan = |range: &str| {
        let words = ["scan", "tape:clean", "--standard", "625", "--range", range];
        let more = ["--for", "40s", "--no-record", "--json"];
        world.run([words.as_slice(), &more].concat()).json()
    };
    let reasons = |summary: &Value| summary["reasons"].to_string();
    let wrong = scan("full");
    assert!(
        reasons(&wrong).contains("--range studio"),
        "{}",
        wrong["reasons"]
    );
    assert!(
        !reasons(&wrong).contains("lack high by"),
        "{}",
        wrong["reasons"]
    );
    assert!(!reasons(&scan("studio")).contains("--range"));
}

#[test]
fn a_recorded_pass_exports_its_fields_lines_and_events() {
    let world = World::new();
    world.tape("wave", "525", "4");
    world.ok([
        "scan",
        "wave-525.y4m",
        "--record",
        "wave.pass",
        "--keep-lines",
        "--tape",
        "Harbour day",
        "--set",
        "sharpness=3",
        "--start-timecode",
        "01:00:00;00",
    ]);
    let entries: Vec<_> = fs::read_dir(world.path(""))
        .expect("the world")
        .flatten()
        .map(|e| e.file_name())
        .collect();
    let strays = entries
        .iter()
        .filter(|name| name.to_string_lossy().starts_with("wave.pass"))
        .count();
    assert_eq!(strays, 1, "a closed pass is a single file: {entries:?}");

    let fields = world
        .ok(["export", "wave.pass", "fields", "--as", "csv", "-o", "-"])
        .stdout;
    let mut reader = csv::Reader::from_reader(fields.as_bytes());
    let header = reader.headers().expect("a header").clone();
    assert_eq!(
        header.iter().take(4).collect::<Vec<_>>(),
        ["field", "parity", "timecode", "seconds"]
    );
    let rows: Vec<csv::StringRecord> = reader
        .records()
        .collect::<Result<_, _>>()
        .expect("well-formed rows");
    assert_eq!(rows.len(), 240, "120 frames in 4 s of 29.97");
    assert_eq!(rows[0].get(2), Some("01:00:00;00"));
    assert_eq!(rows[239].get(2), Some("01:00:03;29"));

    let lines = world
        .ok(["export", "wave.pass", "lines", "--as", "jsonl", "-o", "-"])
        .json_lines();
    assert!(
        lines.len() > 240 * 100,
        "only {} lines were usable",
        lines.len()
    );
    for key in ["field", "line", "error_ns", "sigma_ns", "basis"] {
        assert!(lines[0].get(key).is_some(), "{key} is missing");
    }

    world.ok([
        "export",
        "wave.pass",
        "events",
        "--as",
        "csv",
        "-o",
        "events.csv",
    ]);
    let events = fs::read_to_string(world.path("events.csv")).expect("the export");
    assert_eq!(
        events.lines().next(),
        Some(EVENT_COLUMNS.join(",").as_str())
    );
    assert!(events.contains("wobble"), "{events}");
}

#[test]
fn measured_wobble_is_what_was_put_in() {
    let world = World::new();
    let tape = world.tape("jitter", "625", "4");
    let summary = world
        .ok(["scan", "jitter-625.y4m", "--no-record", "--json"])
        .json();
    let truth =
        fs::read_to_string(tape.with_extension("truth.jsonl")).expect("the truth beside the tape");
    let mut errors: Vec<f64> = truth.lines().skip(1).map(detrended_rms).collect();
    errors.sort_by(f64::total_cmp);
    let expected = errors[errors.len() / 2];
    let measured = summary["quantities"]["line_timing.error_rms_ns"]["median"]
        .as_f64()
        .expect("a number");
    // 5 % and 1 ns is what the measure promises of each field.
    assert!(
        (measured - expected).abs() <= 0.05 * expected + 1.0,
        "measured {measured}, put in {expected}"
    );
}

/// rms of one field's injected displacement after a straight line, over the picture lines.
fn detrended_rms(line: &str) -> f64 {
    let field: Value = serde_json::from_str(line).expect("a line of truth");
    let lines: Vec<f64> = field["lines"]
        .as_array()
        .expect("lines")
        .iter()
        .filter_map(Value::as_f64)
        .collect();
    let lines = &lines[..lines.len() - 8];
    let n = lines.len() as f64;
    let centre = (n - 1.0) / 2.0;
    let mean = lines.iter().sum::<f64>() / n;
    let moment: f64 = lines
        .iter()
        .enumerate()
        .map(|(i, y)| (i as f64 - centre) * (y - mean))
        .sum();
    let spread: f64 = (0..lines.len()).map(|i| (i as f64 - centre).powi(2)).sum();
    let slope = moment / spread;
    let residual: f64 = lines
        .iter()
        .enumerate()
        .map(|(i, y)| (y - mean - slope * (i as f64 - centre)).powi(2))
        .sum();
    (residual / (n - 2.0)).sqrt()
}

#[test]
fn a_pipe_gives_what_the_file_gives() {
    let world = World::new();
    let tape = world.tape("evening", "525", "3");
    let from_file = world
        .ok(["scan", "evening-525.y4m", "--no-record", "--json"])
        .json();
    let piped = world
        .command(["scan", "-", "--no-record", "--json"])
        .stdin(Stdio::from(File::open(tape).expect("the tape")))
        .output()
        .expect("the binary starts");
    let from_pipe = Run::of(piped).json();
    assert_eq!(from_file["quantities"], from_pipe["quantities"]);
    assert_eq!(from_file["events"], from_pipe["events"]);
}

/// FFV1 is lossless: what `FFmpeg` encodes and decodes again must measure the same to the last digit.
#[test]
fn a_lossless_file_gives_what_the_frames_gave() {
    let world = World::new();
    let tape = world.tape("evening", "625", "3");
    let encoded = Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(&tape)
        .args(["-c:v", "ffv1", "-flags", "+ildct", "-field_order", "tt"])
        .arg(world.path("evening.mkv"))
        .stdin(Stdio::null())
        .status()
        .expect("ffmpeg is installed (scripts/setup does it)");
    assert!(encoded.success());
    let plain = world
        .ok(["scan", "evening-625.y4m", "--no-record", "--json"])
        .json();
    let decoded = world
        .ok([
            "scan",
            "evening.mkv",
            "--no-record",
            "--json",
            "--field-order",
            "top",
        ])
        .json();
    assert_eq!(plain["fields"], decoded["fields"]);
    assert_eq!(plain["quantities"], decoded["quantities"]);
}

/// Bars drawn by `FFmpeg`: 75 % colours under 100 % white (EBU bars 100/0/75/0), so black is 0 IRE and peak 100.
#[test]
fn bars_drawn_by_ffmpeg_have_the_levels_of_the_standard() {
    let world = World::new();
    let drawn = Command::new("ffmpeg")
        .args([
            "-v",
            "error",
            "-f",
            "lavfi",
            "-i",
            "pal100bars=size=720x576:rate=25:duration=1",
        ])
        .args(["-pix_fmt", "yuv422p", "-f", "yuv4mpegpipe", "-strict", "-1"])
        .arg(world.path("bars.y4m"))
        .stdin(Stdio::null())
        .status()
        .expect("ffmpeg is installed (scripts/setup does it)");
    assert!(drawn.success());
    let summary = world
        .ok(["scan", "bars.y4m", "--no-record", "--json"])
        .json();
    let level = |id: &str| {
        summary["quantities"][id]["median"]
            .as_f64()
            .expect("a number")
    };
    // Half a code is 0.23 IRE.
    assert!(
        (level("levels.peak_ire") - 100.0).abs() < 0.25,
        "{}",
        level("levels.peak_ire")
    );
    assert!(
        level("levels.black_ire").abs() < 0.25,
        "{}",
        level("levels.black_ire")
    );
}

#[test]
fn an_interrupted_watch_closes_its_pass() {
    let world = World::new();
    let mut child = world
        .command([
            "watch",
            "tape:clean",
            "--no-dashboard",
            "--record",
            "cut.pass",
        ])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    let patience = Instant::now() + Duration::from_secs(60);
    while !world.path("cut.pass").exists() {
        assert!(Instant::now() < patience, "the pass never appeared");
        std::thread::yield_now();
    }
    send_signal("INT", &child.id().to_string());
    let code = child.wait().expect("it ends").code();
    assert_eq!(code, Some(130));
    let pass = rusqlite::Connection::open(world.path("cut.pass")).expect("the pass");
    let whole: String = pass
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .expect("a check");
    assert_eq!(whole, "ok");
    assert!(
        !world.path("cut.pass-wal").exists(),
        "a closed pass is a single file"
    );
}

#[test]
fn limits_printed_can_be_given_back() {
    let world = World::new();
    let printed = world.ok(["limits"]).stdout;
    world.write("mine.toml", &printed);
    assert_eq!(
        world.ok(["limits", "--limits", "mine.toml"]).stdout,
        printed
    );
}

#[test]
fn help_completions_and_manual_are_printed() {
    let world = World::new();
    for words in [
        &["--help"][..],
        &["watch", "--help"],
        &["scan", "--help"],
        &["completions", "bash"],
        &["man"],
    ] {
        let run = world.ok(words);
        assert!(run.stdout.contains("trueline"), "{words:?}");
        assert_eq!(run.stderr, "", "{words:?}");
    }
}

#[test]
fn scenes_are_listed() {
    let world = World::new();
    let list = world.ok(["tape", "--scene", "list"]).stdout;
    assert!(list.lines().count() >= 15, "{list}");
}

/// The wobble lasts as long as the tape; after a second of it (here) it is a condition.
#[test]
fn a_fault_that_lasts_becomes_standing_and_is_told_once() {
    let world = World::new();
    world.tape("jitter", "525", "4");
    world.write("soon.toml", "[events]\nstanding_after_s = 1.0\n");
    let words = ["--no-record", "--limits", "soon.toml"];
    let events = world.ok([&["scan", "jitter-525.y4m", "--events"], &words[..]].concat());
    let wobbles: Vec<Value> = events
        .json_lines()
        .into_iter()
        .filter(|event| event["kind"] == "wobble")
        .collect();
    assert_eq!(wobbles.len(), 1, "{wobbles:?}");
    assert_eq!(wobbles[0]["standing"], true);
    let watch = ["watch", "jitter-525.y4m", "--no-dashboard"]; // a developer's shell has a terminal to draw on
    let told = world.ok([&watch, &words[..]].concat());
    let of_wobble = |what: &str| {
        let lines = told.stdout.lines();
        lines
            .filter(|line| line.contains("wobble") && line.contains(what))
            .count()
    };
    assert_eq!(
        [
            of_wobble(" begins "),
            of_wobble(" stands "),
            of_wobble(" worse ")
        ],
        [1, 1, 0],
        "{}",
        told.stdout
    );
}

#[test]
fn a_source_that_breaks_off_ends_the_programme_and_is_an_event() {
    let world = World::new();
    let whole = fs::read(world.tape("clean", "525", "0.4")).expect("the tape");
    world.write("cut.y4m", &whole[..whole.len() - 1000]);
    let run = world.run(["scan", "cut.y4m", "--no-record", "--json"]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    let summary = run.json();
    assert_eq!(summary["programme"][0]["why_ended"], "source_lost");
    assert!(kinds(summary["events"].as_array().expect("a list")).contains(&"source_lost"));
}

#[test]
fn a_tape_rendered_into_a_pipe_is_measured_as_it_comes() {
    let world = World::new();
    let mut tape = world
        .command(["tape", "--scene", "chart", "--seconds", "0.4", "-o", "-"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary starts");
    let frames = tape.stdout.take().expect("it was asked for");
    let scan = world
        .command(["scan", "-", "--no-record", "--json"])
        .stdin(Stdio::from(frames))
        .output()
        .expect("the binary starts");
    assert!(tape.wait().expect("it ends").success());
    assert_eq!(Run::of(scan).json()["fields"], 24);
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    let world = World::new();
    world.tape("jitter", "525", "1");
    let mut scan = world
        .command([
            "scan",
            "jitter-525.y4m",
            "--no-record",
            "--json",
            "--events",
        ])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    drop(scan.stdout.take());
    let run = Run::of(scan.wait_with_output().expect("it ends"));
    assert_eq!(run.code, 0, "{}", run.stderr);
    assert!(!run.stderr.contains("panicked"), "{}", run.stderr);
}

#[test]
fn timecode_wraps_at_midnight_and_both_fields_share_a_label() {
    let world = World::new();
    world.tape("clean", "525", "0.4");
    world.ok([
        "scan",
        "clean-525.y4m",
        "--record",
        "late.pass",
        "--start-timecode",
        "23:59:59;26",
    ]);
    let rows = world
        .ok(["export", "late.pass", "fields", "--as", "jsonl", "-o", "-"])
        .json_lines();
    let labels: Vec<&str> = rows[4..12]
        .iter()
        .filter_map(|row| row["timecode"].as_str())
        .collect();
    let expected = ["23:59:59;28", "23:59:59;29", "00:00:00;00", "00:00:00;01"];
    assert_eq!(labels, expected.map(|label| [label; 2]).concat());
}

/// The same frames in other sample formats: black may move by rounding, half a code or 0.23 IRE.
#[test]
fn sample_formats_change_nothing_but_rounding() {
    let world = World::new();
    let tape = world.tape("still", "625", "0.4");
    let scan = |file: &str| world.ok(["scan", file, "--no-record", "--json"]).json();
    let whole = scan("still-625.y4m");
    let black = |summary: &Value| {
        summary["quantities"]["levels.black_ire"]["median"]
            .as_f64()
            .expect("a number")
    };
    for format in ["yuv422p10le", "yuv444p", "yuv420p", "yuv411p", "gray"] {
        let file = format!("{format}.y4m");
        let converted = Command::new("ffmpeg")
            .args(["-v", "error", "-i"])
            .arg(&tape)
            .args(["-pix_fmt", format, "-f", "yuv4mpegpipe", "-strict", "-1"])
            .arg(world.path(&file))
            .stdin(Stdio::null())
            .status()
            .expect("ffmpeg is installed (scripts/setup does it)");
        assert!(converted.success(), "{format}");
        let summary = scan(&file);
        assert_eq!(summary["fields"], whole["fields"], "{format}");
        assert!(
            (black(&summary) - black(&whole)).abs() < 0.25,
            "{format}: {} and {}",
            black(&summary),
            black(&whole)
        );
    }
}

/// Rasters of neither standard: levels are read, times within a line are not made up.
#[test]
fn a_raster_of_neither_standard_has_levels_and_no_line_timing() {
    let world = World::new();
    for size in ["1920x1080", "16x16"] {
        let drawn = Command::new("ffmpeg")
            .args(["-v", "error", "-f", "lavfi", "-i"])
            .arg(format!("testsrc2=size={size}:rate=25:duration=0.2"))
            .args(["-pix_fmt", "yuv420p", "-f", "yuv4mpegpipe", "-y"])
            .arg(world.path("odd.y4m"))
            .stdin(Stdio::null())
            .status()
            .expect("ffmpeg is installed (scripts/setup does it)");
        assert!(drawn.success());
        let run = world.ok(["scan", "odd.y4m", "--no-record", "--json"]);
        assert!(run.stderr.contains(size), "{}", run.stderr);
        let summary = run.json();
        assert_eq!(summary["standard"], Value::Null);
        assert_eq!(summary["verdict"], "undecided", "{size}");
        let figures = &summary["quantities"];
        assert_eq!(figures["line_timing.error_rms_ns"]["n"], 0, "{size}");
        assert!(figures["levels.black_ire"]["median"].is_number(), "{size}");
    }
}
