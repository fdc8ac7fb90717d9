//! Frames handed on while they are watched, and a command run on alarms.

use std::process::Output;

use crate::world::World;

const FRAME: &[u8] = b"FRAME\n";

/// Everything after the header line.
fn frames(y4m: &[u8]) -> &[u8] {
    assert!(y4m.starts_with(b"YUV4MPEG2 "), "a header");
    let end = y4m.iter().position(|&byte| byte == b'\n');
    &y4m[end.expect("the header ends") + 1..]
}

fn output(world: &World, words: &[&str]) -> Output {
    world.command(words).output().expect("the binary starts")
}

#[test]
fn every_frame_comes_out_of_stdout_as_it_went_in() {
    let world = World::new();
    let clip = std::fs::read(world.tape("clean", "625", "2")).expect("it was rendered");
    let words = [
        "watch",
        "clean-625.y4m",
        "--no-record",
        "--no-dashboard",
        "--tee",
        "-",
    ];
    let output = output(&world, &words);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    assert!(
        frames(&clip) == frames(&output.stdout),
        "frames were altered"
    );
    assert!(
        said.contains("50 frames handed on, 0 of them repeated"),
        "{said}"
    );
    // Events go where they do not spoil the frames.
    assert!(said.contains("recording_start"), "{said}");
}

#[test]
fn a_stream_through_the_program_is_recorded_in_a_file() {
    let world = World::new();
    let clip = world.tape("clean", "525", "1");
    let words = [
        "watch",
        "-",
        "--no-record",
        "--no-dashboard",
        "--tee",
        "copy.y4m",
    ];
    let mut command = world.command(words);
    command.stdin(std::fs::File::open(&clip).expect("it was rendered"));
    let output = command.output().expect("the binary starts");
    assert!(output.status.success());
    let copy = std::fs::read(world.path("copy.y4m")).expect("it was made");
    let clip = std::fs::read(clip).expect("it was rendered");
    assert!(frames(&clip) == frames(&copy));
    assert!(copy.windows(FRAME.len()).any(|word| word == FRAME));
}

#[test]
fn a_recording_that_exists_is_not_overwritten() {
    let world = World::new();
    world.tape("clean", "625", "1");
    world.write("transfer.y4m", "an earlier one");
    let run = world.run([
        "watch",
        "clean-625.y4m",
        "--no-dashboard",
        "--tee",
        "transfer.y4m",
        "--record",
        "a.pass",
    ]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    assert!(run.stderr.contains("exists already"), "{}", run.stderr);
    let kept = std::fs::read(world.path("transfer.y4m")).expect("it is there");
    assert_eq!(kept, b"an earlier one");
    assert!(!world.path("a.pass").exists(), "no pass is begun");
}

#[test]
fn a_recorder_that_goes_away_is_an_event_and_a_failure_at_the_end() {
    let world = World::new();
    world.tape("clean", "625", "4");
    // `head` takes the first bytes and ends.
    let line = format!(
        "'{}' watch clean-625.y4m --no-dashboard --record a.pass --tee - 2>said | head -c 1000000 >/dev/null; \
         printf '%s' \"${{PIPESTATUS[0]}}\" >code",
        env!("CARGO_BIN_EXE_trueline")
    );
    let mut command = world.command(["--version"]);
    let mut shell = std::process::Command::new("bash");
    shell.arg("-c").arg(line);
    if let Some(directory) = command.get_current_dir() {
        shell.current_dir(directory);
    }
    assert!(shell.status().expect("a shell").success());
    drop(command.output());
    let said = std::fs::read_to_string(world.path("said")).expect("it was written");
    let code = std::fs::read_to_string(world.path("code")).expect("it was written");
    assert_eq!(code, "1", "{said}");
    assert!(said.contains("overrun"), "{said}");
    assert!(said.contains("takes no more frames"), "{said}");
    let fields = world.ok(["export", "a.pass", "fields", "--as", "csv", "-o", "-"]);
    assert_eq!(fields.stdout.lines().count(), 201, "all of it was measured");
}

#[test]
fn a_tee_takes_its_options_only_with_it() {
    let world = World::new();
    for words in [
        ["watch", "tape", "--tee-gaps", "omit"],
        ["watch", "tape", "--tee-buffer", "64"],
        ["watch", "tape", "--on-alarm", " "],
    ] {
        let run = world.run(words);
        assert_eq!(run.code, 2, "{words:?}: {}", run.stderr);
    }
}

#[test]
#[cfg(unix)]
fn an_alarm_runs_the_operators_command() {
    let world = World::new();
    world.tape("jitter", "625", "12");
    world.ok([
        "watch",
        "jitter-625.y4m",
        "--no-record",
        "--no-dashboard",
        "--on-alarm",
        "cat >> alarms.jsonl",
    ]);
    let told = std::fs::read_to_string(world.path("alarms.jsonl")).expect("it was run");
    let first = told.lines().next().expect("one alarm at least");
    let event: serde_json::Value = serde_json::from_str(first).expect("JSON");
    assert_eq!(event["severity"], "alarm");
    assert_eq!(event["change"], "opened");
}
