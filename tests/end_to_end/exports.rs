//! Exports against readers of other origin: pyarrow, webvtt-py (both installed by `scripts/setup test`), `FFmpeg`.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use trueline::alarms::{Event, EventId, WhyEnded};
use trueline::fields::FieldPlace;
use trueline::limits::{Kind, Severity};
use trueline::measures::QUANTITY_COUNT;
use trueline::record::{Closing, HandedOn, PassHead, ProgrammeSpan, Row, WhenFull, create};
use trueline::standard::Parity;
use trueline::timecode::FieldIndex;
use trueline::units::Seconds;

use crate::world::{World, plain_head};

/// What `tests/python/outside.py` prints as JSON.
fn outside(words: &[&Path]) -> Value {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = root.join("target/python/bin/python");
    let mut command = Command::new(&python);
    command
        .arg(root.join("tests/python/outside.py"))
        .args(words);
    let run = command
        .output()
        .unwrap_or_else(|error| panic!("{}: {error}; run scripts/setup test", python.display()));
    let stderr = String::from_utf8_lossy(&run.stderr);
    assert!(run.status.success(), "{words:?}: {stderr}");
    serde_json::from_slice(&run.stdout).expect("JSON")
}

#[test]
fn pyarrow_reads_the_values_of_the_csv_export() {
    let world = World::new();
    world.tape("losses", "525", "6");
    let record = [
        "--record",
        "losses.pass",
        "--keep-lines",
        "--tape",
        "Low tide",
    ];
    world.ok([&["scan", "losses-525.y4m"][..], &record].concat());
    let read = |what: &str| {
        for format in ["csv", "parquet"] {
            let file = format!("{what}.{format}");
            world.ok(["export", "losses.pass", what, "--as", format, "-o", &file]);
        }
        let [csv, parquet] = ["csv", "parquet"].map(|it| world.path(&format!("{what}.{it}")));
        outside(&[Path::new("parquet"), &csv, &parquet])
    };
    let note = |found: &Value, key: &str| -> Value {
        let text = found["notes"][key].as_str().expect("a note");
        serde_json::from_str(text).expect("JSON")
    };

    let fields = read("fields");
    let types = &fields["types"];
    assert_eq!(types["field"], "int64");
    assert_eq!(types["parity"], "string");
    assert_eq!(types["seconds"], "double");
    assert_eq!(types["line_timing.error_rms_ns"], "double");
    assert_eq!(types["sync.state"], "string");
    assert_eq!(types["sync.missing_fields"], "int64");
    assert!(
        fields["cells"].as_u64() > Some(10_000),
        "{}",
        fields["cells"]
    );
    assert!(
        fields["absent"].as_u64() > Some(100),
        "{}",
        fields["absent"]
    );
    let columns = note(&fields, "trueline.columns");
    assert_eq!(columns["line_timing.error_rms_ns"]["unit"], "ns");
    assert_eq!(columns["levels.black_ire"]["unit"], "IRE");
    let about = columns["levels.black_ire"]["about"].as_str();
    assert!(about.is_some_and(|about| about.len() > 20), "{about:?}");
    assert_eq!(note(&fields, "trueline.pass")["tape"], "Low tide");
    assert_eq!(
        fields["notes"]["trueline.version"],
        env!("CARGO_PKG_VERSION")
    );

    let events = read("events");
    assert_eq!(events["types"]["standing"], "bool");
    assert_eq!(events["types"]["worst"], "double");
    assert_eq!(events["types"]["note"], "string");
    let lines = read("lines");
    assert!(
        lines["cells"].as_u64() > Some(100_000),
        "{}",
        lines["cells"]
    );
    let spans = read("spans");
    assert_eq!(spans["types"]["why"], "string");
    assert_eq!(spans["types"]["end_field"], "int64");
}

#[test]
fn a_parquet_file_goes_down_a_pipe_too() {
    let world = World::new();
    world.tape("clean", "625", "1");
    world.ok(["scan", "clean-625.y4m", "--record", "a.pass"]);
    let export =
        |to: &str| ["export", "a.pass", "fields", "--as", "parquet", "-o", to].map(String::from);
    world.ok(export("a.parquet"));
    let piped = world.command(export("-")).output().expect("it starts");
    assert!(piped.status.success());
    let file = std::fs::read(world.path("a.parquet")).expect("the file");
    assert_eq!(piped.stdout, file);
}

#[test]
fn a_passing_fault_is_to_be_played_again_with_why() {
    let world = World::new();
    pass(&world, "a.pass", true);
    let run = world.ok(["export", "a.pass", "spans", "--as", "jsonl", "-o", "-"]);
    let spans = run.json_lines();
    assert_eq!(spans.len(), 2, "{spans:?}");
    assert_eq!(spans[0]["span"], "programme");
    assert_eq!(spans[0]["why"], "snow");
    assert_eq!(spans[0]["start_seconds"], 4.0);
    // Three seconds at either side of the wobble; the file lacks ten frames.
    assert_eq!(spans[1]["span"], "play_again");
    assert_eq!(spans[1]["why"], "Line starts wobbled.");
    assert_eq!(spans[1]["start_field"], 400 - 150);
    assert_eq!(spans[1]["end_field"], 449 + 150);
    assert_eq!(spans[1]["worst_kind"], "wobble");
    assert_eq!(spans[1]["start_seconds"], 5.0);
    assert_eq!(spans[1]["tee_frame"], 115);
    assert_eq!(spans[1]["file_seconds"], 4.6);
}

#[test]
fn only_events_are_written_as_cues_and_chapters() {
    let world = World::new();
    for format in ["webvtt", "chapters"] {
        let run = world.run(["export", "a.pass", "fields", "--as", format, "-o", "-"]);
        assert_eq!(run.code, 2, "{}", run.stderr);
        assert!(
            run.stderr.contains(format) && run.stderr.contains("events"),
            "{}",
            run.stderr
        );
    }
}

/// A note that tries to be more than text.
const HOSTILE: &str = "00:01 --> 00:02\n\n<b>tide & ferry</b>; a=b #1 \\ end";

/// The same without the empty line, which no cue can hold.
const HOSTILE_CUE: &str = "00:01 --> 00:02\n<b>tide & ferry</b>; a=b #1 \\ end";

/// Twenty seconds of 625 lines: programme from 4 s to 16 s, a wobble from 8 s to 9 s, a hostile mark at 12 s; from 2 s on the
/// recorder's file lacks ten frames, if `handed_on`.
fn pass(world: &World, name: &str, handed_on: bool) -> PathBuf {
    let path = world.path(name);
    let (mut sender, writer) = create(&path, &head(), WhenFull::Wait).expect("a new pass");
    let writing = std::thread::spawn(move || writer.run());
    for field in 0..1_000 {
        let row = Row {
            place: place(field),
            values: [None; QUANTITY_COUNT],
        };
        sender.field(&row, None).expect("room");
    }
    if handed_on {
        let turn = |start, tee_frame| HandedOn {
            start: FieldIndex(start),
            tee_frame,
        };
        sender.handed_on(turn(100, None)).expect("room");
        sender.handed_on(turn(120, Some(50))).expect("room");
    }
    let span = ProgrammeSpan {
        start: FieldIndex(200),
        end: Some(FieldIndex(799)),
        why_ended: Some(WhyEnded::Snow),
    };
    sender.programme(&[span]).expect("room");
    for event in events() {
        sender.event(&event).expect("room");
    }
    let closing = Closing {
        found: Vec::new(),
        scanned: None,
        summary: "{}".into(),
        closed_at: "2026-03-01T19:05:00+00:00".into(),
    };
    sender.close(closing).expect("room");
    let written = writing.join().expect("the writer does not panic");
    written.expect("a closed pass");
    path
}

fn head() -> PassHead {
    PassHead {
        tape: Some("Ferry Street Film Club; reel #2 --> low=tide".into()),
        ..plain_head()
    }
}

fn place(field: u64) -> FieldPlace {
    FieldPlace {
        field: FieldIndex(field),
        parity: Parity::Top,
        seconds: Seconds(field as f64 / 50.0),
    }
}

fn events() -> [Event; 2] {
    let event = |id, kind, severity, (start, end), note: &str| Event {
        id: EventId(id),
        kind,
        severity,
        standing: false,
        start: place(start),
        end: Some(place(end)),
        start_timecode: head().clock().label(place(start).frame()),
        end_timecode: Some(head().clock().label(place(end).frame())),
        worst: None,
        unit: "",
        limit: None,
        note: note.into(),
    };
    let (alarm, notice) = (Severity::Alarm, Severity::Notice);
    [
        event(1, Kind::Wobble, alarm, (400, 449), "Line starts wobbled."),
        event(2, Kind::Mark, notice, (600, 600), HOSTILE),
    ]
}

#[test]
fn another_reader_of_webvtt_finds_the_same_times_and_texts() {
    let world = World::new();
    for (handed_on, whose, shift) in [(false, "of the pass", 0.0), (true, "recorded file", -0.4)] {
        let name = format!("{handed_on}.pass");
        pass(&world, &name, handed_on);
        world.ok(["export", &name, "events", "--as", "webvtt", "-o", "a.vtt"]);
        let text = std::fs::read_to_string(world.path("a.vtt")).expect("the file");
        assert!(text.contains(whose), "{text}");
        let found = outside(&[Path::new("webvtt"), &world.path("a.vtt")]);
        let time = |seconds: f64| format!("00:00:{:06.3}", seconds + shift);
        let hostile = format!("00:00:12:00  mark  notice\n{HOSTILE_CUE}");
        let wobble = "00:00:08:00  wobble  alarm\nLine starts wobbled.";
        // Both events are over before they are read: 15 letters a second.
        let expected = [("1", 8.0, wobble), ("2", 12.0, &hostile)];
        let found = found.as_array().expect("a list");
        assert_eq!(found.len(), expected.len(), "{found:?}");
        for (found, (id, start, said)) in found.iter().zip(expected) {
            let length = said.chars().count() as f64 / 15.0;
            assert_eq!(found["id"], id);
            assert_eq!(found["start"], time(start));
            assert_eq!(found["end"], time(start + length));
            let text = found["text"].as_str().expect("text");
            let plain = text
                .replace("&lt;", "<")
                .replace("&gt;", ">")
                .replace("&amp;", "&");
            assert_eq!(plain, said);
        }
    }
}

#[test]
fn ffmpeg_takes_chapters_and_gives_them_back() {
    let world = World::new();
    let expected = |shift: f64| {
        let mark = format!("Mark: {HOSTILE}");
        [
            (0.0, "Before the programme".to_owned()),
            (4.0 + shift, "Programme".into()),
            (8.0 + shift, "Alarm: wobble. Line starts wobbled.".into()),
            (9.0 + shift, "Programme, continued".into()),
            (12.0 + shift, mark),
            (16.0 + shift, "After the programme: snow".into()),
        ]
    };
    for (handed_on, shift) in [(false, 0.0), (true, -0.4)] {
        let name = format!("{handed_on}.pass");
        pass(&world, &name, handed_on);
        world.ok([
            "export",
            &name,
            "events",
            "--as",
            "chapters",
            "-o",
            "chapters.txt",
        ]);
        let made = Command::new("ffmpeg")
            .current_dir(world.path(""))
            .args(["-nostdin", "-v", "error", "-y", "-f", "lavfi"])
            .args(["-i", "color=size=32x32:rate=25:duration=20"])
            .args(["-i", "chapters.txt", "-map", "0:v", "-map_metadata", "1"])
            .args(["-map_chapters", "1", "-c:v", "ffv1", "with.mkv"])
            .output()
            .expect("ffmpeg is there");
        let said = String::from_utf8_lossy(&made.stderr);
        assert!(made.status.success() && said.is_empty(), "{said}");
        let read = Command::new("ffprobe")
            .current_dir(world.path(""))
            .args([
                "-v",
                "error",
                "-of",
                "json",
                "-show_chapters",
                "-show_format",
                "with.mkv",
            ])
            .output()
            .expect("ffprobe is there");
        let read: Value = serde_json::from_slice(&read.stdout).expect("JSON");
        let tags = &read["format"]["tags"];
        assert_eq!(tags["title"].as_str(), head().tape.as_deref());
        let chapters = read["chapters"].as_array().expect("a list");
        let expected = expected(shift);
        assert_eq!(chapters.len(), expected.len(), "{chapters:?}");
        let ends = expected.iter().skip(1).map(|it| it.0).chain([20.0 + shift]);
        for ((found, (start, title)), end) in chapters.iter().zip(&expected).zip(ends) {
            let seconds = |key: &str| -> f64 {
                let text = found[key].as_str().expect("a time");
                text.parse().expect("a number")
            };
            // ours are in milliseconds, theirs finer
            assert!((seconds("start_time") - start).abs() < 5e-4, "{found}");
            assert!((seconds("end_time") - end).abs() < 5e-4, "{found}");
            assert_eq!(found["tags"]["title"].as_str(), Some(title.as_str()));
        }
    }
}
