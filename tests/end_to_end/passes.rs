//! Whole passes: what goes in comes out as a summary, events, tables and an exit code.

use std::fs::{self, File};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::world::{Run, World};

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
    let killed = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .expect("kill is there");
    assert!(killed.success());
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
