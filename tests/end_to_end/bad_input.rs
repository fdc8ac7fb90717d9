//! Each kind of bad input gets a message that names it, and the right exit code.

use std::fs;

use crate::world::World;

/// Runs `words`, which must fail with `code` and a message that holds every one of `expected`.
fn refused(world: &World, words: &[&str], code: i32, expected: &[&str]) {
    let run = world.run(words);
    assert_eq!(run.code, code, "{words:?}: {}", run.stderr);
    assert_eq!(run.stdout, "", "{words:?}: stdout carries data only");
    for part in expected {
        assert!(
            run.stderr.contains(part),
            "{words:?}: '{part}' is missing in: {}",
            run.stderr
        );
    }
    assert!(
        !run.stderr.contains("panicked"),
        "{words:?}: {}",
        run.stderr
    );
    // A message is a message, not a dump.
    assert!(run.stderr.len() < 2000, "{words:?}: {}", run.stderr);
}

fn header(text: &str) -> Vec<u8> {
    let mut bytes = text.as_bytes().to_vec();
    bytes.push(b'\n');
    bytes
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let world = World::new();
    refused(
        &world,
        &["scan", "nothing.y4m", "--no-record"],
        1,
        &["nothing.y4m"],
    );
}

#[test]
fn a_directory_without_videos_is_no_source() {
    let world = World::new();
    fs::create_dir(world.path("reels")).expect("a directory");
    refused(
        &world,
        &["scan", "reels", "--no-record"],
        1,
        &["reels", "holds no video file"],
    );
}

#[test]
fn an_empty_file_is_no_source() {
    let world = World::new();
    world.write("empty.y4m", "");
    refused(
        &world,
        &["scan", "empty.y4m", "--no-record"],
        1,
        &["empty.y4m", "empty"],
    );
}

#[test]
fn y4m_headers_that_make_no_sense_are_refused() {
    let world = World::new();
    let rows = [
        "YUV4MPEG2 W0 H576 F25:1 C422",
        "YUV4MPEG2 W720 F25:1 C422",
        "YUV4MPEG2 W99999999 H99999999 F25:1 C422",
        "YUV4MPEG2 W720 H576 F25:0 C422",
        "YUV4MPEG2 W720 H576 F25:1 Cwhat",
    ];
    for text in rows {
        world.write("bad.y4m", header(text));
        refused(&world, &["scan", "bad.y4m", "--no-record"], 1, &["bad.y4m"]);
    }
}

#[test]
fn a_header_without_frames_is_no_tape() {
    let world = World::new();
    world.write("bare.y4m", header("YUV4MPEG2 W720 H576 F25:1 It C422"));
    let run = world.run(["scan", "bare.y4m", "--no-record"]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    assert!(
        run.stderr.contains("bare.y4m holds no frame"),
        "{}",
        run.stderr
    );
}

#[test]
fn a_place_that_cannot_be_written_is_named() {
    let world = World::new();
    world.tape("clean", "625", "0.2");
    let record = ["scan", "clean-625.y4m", "--record", "nowhere/a.pass"];
    refused(&world, &record, 1, &["nowhere/a.pass"]);
    let tape = ["tape", "--seconds", "0.1", "-o", "nowhere/a.y4m"];
    refused(&world, &tape, 1, &["nowhere/"]);
    world.ok(["scan", "clean-625.y4m", "--record", "a.pass"]);
    let export = |file| ["export", "a.pass", "events", "--as", "csv", "-o", file];
    refused(&world, &export("nowhere/a.csv"), 1, &["nowhere/a.csv"]);
    refused(&world, &export("."), 1, &["'.'", "directory"]);
}

#[test]
fn lines_that_were_not_kept_cannot_be_exported() {
    let world = World::new();
    world.tape("clean", "625", "0.2");
    world.ok(["scan", "clean-625.y4m", "--record", "a.pass"]);
    let export = ["export", "a.pass", "lines", "--as", "csv", "-o", "-"];
    refused(&world, &export, 1, &["a.pass", "--keep-lines"]);
}

#[test]
fn a_truncated_y4m_keeps_what_was_measured_before_it_broke() {
    let world = World::new();
    let whole = fs::read(world.tape("clean", "625", "0.4")).expect("the tape");
    let cut = world.write("cut.y4m", &whole[..whole.len() - 1000]);
    let run = world.run(["scan", "cut.y4m", "--record", "cut.pass"]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    assert!(run.stderr.contains("cut.y4m"), "{}", run.stderr);
    let fields = world.ok(["export", "cut.pass", "fields", "--as", "csv", "-o", "-"]);
    // Ten frames in 0.4 s: nine whole ones are eighteen fields, and a header row.
    assert_eq!(fields.stdout.lines().count(), 19, "{}", cut.display());
}

#[test]
fn a_device_that_is_not_there_is_named() {
    let world = World::new();
    refused(
        &world,
        &["scan", "/dev/video77", "--no-record"],
        1,
        &["/dev/video77"],
    );
}

#[test]
fn a_file_that_is_no_device_is_not_taken_for_one() {
    let world = World::new();
    refused(
        &world,
        &["scan", "/dev/v4l/../null", "--no-record"],
        1,
        &["/dev/v4l/../null"],
    );
}

#[test]
fn a_file_ffmpeg_cannot_read_is_reported_with_its_reason() {
    let world = World::new();
    world.write("notes.mkv", "these are not the frames you are looking for");
    refused(
        &world,
        &["scan", "notes.mkv", "--no-record"],
        1,
        &["notes.mkv"],
    );
}

#[test]
fn without_the_ffmpeg_program_the_message_says_what_to_install() {
    let world = World::new();
    world.write("reel.mkv", [0x1a, 0x45, 0xdf, 0xa3, 0, 0, 0, 0]);
    let output = world
        .command(["scan", "reel.mkv", "--no-record"])
        .env("PATH", "/nowhere")
        .output();
    let run = crate::world::Run::of(output.expect("the binary starts"));
    assert_eq!(run.code, 1);
    assert!(
        run.stderr.contains("ffmpeg") || run.stderr.contains("ffprobe"),
        "{}",
        run.stderr
    );
    assert!(run.stderr.contains("install"), "{}", run.stderr);
}

#[test]
fn a_pass_file_that_is_none_is_refused() {
    let world = World::new();
    world.write(
        "text.pass",
        "not a database at all, just a line of text that is long enough to be looked at",
    );
    refused(
        &world,
        &["export", "text.pass", "events", "--as", "csv", "-o", "-"],
        1,
        &["text.pass"],
    );
    let foreign = rusqlite::Connection::open(world.path("foreign.pass")).expect("a database");
    foreign
        .execute_batch("CREATE TABLE holidays (place TEXT);")
        .expect("a table");
    drop(foreign);
    refused(
        &world,
        &["export", "foreign.pass", "events", "--as", "csv", "-o", "-"],
        1,
        &["foreign.pass"],
    );
    fs::create_dir(world.path("folder.pass")).expect("a directory");
    refused(
        &world,
        &["export", "folder.pass", "events", "--as", "csv", "-o", "-"],
        1,
        &["folder.pass"],
    );
    refused(
        &world,
        &["export", "absent.pass", "events", "--as", "csv", "-o", "-"],
        1,
        &["absent.pass"],
    );
}

#[test]
fn an_existing_pass_is_never_overwritten() {
    let world = World::new();
    world.tape("clean", "625", "0.2");
    world.write("old.pass", "precious");
    refused(
        &world,
        &["scan", "clean-625.y4m", "--record", "old.pass"],
        1,
        &["old.pass"],
    );
    assert_eq!(
        fs::read(world.path("old.pass")).expect("still there"),
        b"precious"
    );
}

#[test]
fn a_limits_file_with_an_unknown_key_is_refused_by_name() {
    let world = World::new();
    let printed = world.ok(["limits"]).stdout;
    world.write(
        "mine.toml",
        format!("{printed}\n[no_such_thing]\nenter = 1.0\n"),
    );
    refused(
        &world,
        &["limits", "--limits", "mine.toml"],
        2,
        &["mine.toml", "no_such_thing"],
    );
    world.write("broken.toml", "[[[");
    refused(
        &world,
        &["limits", "--limits", "broken.toml"],
        2,
        &["broken.toml"],
    );
}

#[test]
fn a_start_timecode_that_does_not_exist_is_refused() {
    let world = World::new();
    world.tape("clean", "525", "0.2");
    let scan = |timecode| {
        [
            "scan",
            "clean-525.y4m",
            "--no-record",
            "--start-timecode",
            timecode,
        ]
    };
    refused(
        &world,
        &scan("00:01:00;00"),
        1,
        &["00:01:00;00", "drop-frame"],
    );
    refused(&world, &scan("lunch"), 1, &["lunch"]);
}

#[test]
fn an_unknown_scene_is_answered_with_the_list() {
    let world = World::new();
    refused(
        &world,
        &["tape", "--scene", "nonsuch", "-o", "x.y4m"],
        1,
        &["nonsuch", "clean"],
    );
    assert!(!world.path("x.y4m").exists());
}

#[test]
fn usage_errors_exit_with_two() {
    let world = World::new();
    for words in [
        &["scan"][..],
        &["scan", "x", "--speed", "fast"],
        &["frobnicate"],
        &["scan", "x", "--raster", "wide"],
    ] {
        assert_eq!(world.run(words).code, 2, "{words:?}");
    }
}

#[test]
fn a_topic_that_is_not_known_gets_the_nearest_names_and_a_known_one_its_text() {
    let world = World::new();
    refused(
        &world,
        &["explain", "levels.blak_ire"],
        1,
        &["levels.blak_ire", "levels.black_ire", "trueline explain"],
    );
    let text = world.ok(["explain", "flash"]).stdout;
    assert!(text.contains("What to try"), "{text}");
    let list = world.ok(["explain"]).stdout;
    assert!(list.contains("levels.setup_state") && list.contains("level_drift"));
}

#[test]
fn levels_are_not_looked_for_where_nothing_can_be_set_and_no_pass_is_begun() {
    let world = World::new();
    let run = world.run([
        "watch",
        "tape",
        "--find-levels",
        "--no-dashboard",
        "--record",
        "a.pass",
    ]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    for word in ["tape", "--find-levels", "no controls of its levels"] {
        assert!(run.stderr.contains(word), "{word} in: {}", run.stderr);
    }
    assert!(!world.path("a.pass").exists(), "no pass is begun");
}
