//! The program itself, as it was built, on the driver's nodes.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use trueline::alarms::Event;
use trueline::limits::Kind;
use trueline::measures::{Value, quantity};
use trueline::record::{Pass, Row};
use trueline::sources::FieldOrder;
use trueline::standard::{Parity, Standard};
use trueline::timecode::FieldIndex;

use crate::cases::CLOCK_TOLERANCE_FIELDS;
use crate::clips::Clip;
use crate::driver::{self, ALTERNATE, CAPTURE, NTSC_M, PAL, SEQ_BT, SEQ_TB, Setting};

/// The shared directory, as the guest sees it.
const SHARE: &str = "/mnt/share";
/// The program, copied into the guest's memory: read through the share it would start slowly.
const PROGRAM: &str = "/tmp/trueline";
/// Passes are recorded in memory: the shared directory cannot lock files as a database wants.
const PASSES: &str = "/tmp/passes";
/// How long a run may take before something is wrong. Emulated on a busy host, a frame may take seconds to be measured, and a
/// dozen wait before one that tells of an event.
const PATIENCE: Duration = Duration::from_secs(180);
/// How often a clip is played for a stream that holds nothing but it.
const TRIES: usize = 5;
/// Between the driver's black and every picture of the clips.
const DARK_IRE: f64 = 5.0;
/// Between two looks at a pass that is being recorded.
const LOOK: Duration = Duration::from_millis(50);

pub(crate) fn trueline<const N: usize>(words: [&str; N]) -> Command {
    let mut command = Command::new(PROGRAM);
    // A guest is slow; what it measures is compared with the same frames measured on the host.
    command
        .env("TRUELINE_ALL_MEASURES", "1")
        .args(words)
        .env("HOME", "/tmp")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

/// A place for a pass that does not exist yet.
pub(crate) fn pass_place(name: &str) -> PathBuf {
    fs::create_dir_all(PASSES).expect("memory takes directories");
    let path = Path::new(PASSES).join(format!("{name}.pass"));
    let _ = fs::remove_file(&path); // there is none the first time
    path
}

/// `trueline watch` on the capture node, recording to `pass`.
pub(crate) fn watch<const N: usize>(pass: &Path, words: [&str; N]) -> Command {
    let mut command = trueline(["watch", CAPTURE, "--no-dashboard"]);
    command.args(words).arg("--record").arg(pass);
    command
}

/// Waits for the end of a program; one that hangs is stopped and is a failure.
pub(crate) fn end_of(mut child: Child) -> (i32, String) {
    let begun = Instant::now();
    while child.try_wait().expect("it is our child").is_none() {
        if begun.elapsed() > PATIENCE {
            let _ = child.kill();
            panic!("the program did not end: {}", said(child));
        }
        std::thread::sleep(LOOK);
    }
    let code = child.wait().expect("it ended").code().unwrap_or(-1);
    (code, said(child))
}

fn said(child: Child) -> String {
    let Output { stderr, .. } = child.wait_with_output().expect("its words can be read");
    String::from_utf8_lossy(&stderr).into_owned()
}

pub(crate) fn run(mut command: Command) -> (i32, String) {
    end_of(command.spawn().expect("it starts"))
}

/// Waits until the pass of the running program shows what is waited for.
pub(crate) fn wait_for(child: &mut Child, pass: &Path, what: &str, shown: impl Fn(&Pass) -> bool) {
    let begun = Instant::now();
    while !Pass::open(pass).is_ok_and(|pass| shown(&pass)) {
        let ended = child.try_wait().expect("it is our child");
        assert!(ended.is_none(), "waiting for {what}: it ended: {ended:?}");
        assert!(begun.elapsed() < PATIENCE, "no {what} was stored");
        std::thread::sleep(LOOK);
    }
}

/// Waits for a line that the program writes into a file of its words.
pub(crate) fn said_so_far(child: &mut Child, words: &str, wanted: impl Fn(&str) -> bool) -> String {
    let begun = Instant::now();
    loop {
        let said = fs::read_to_string(words).expect("it was made");
        if let Some(line) = said.lines().find(|line| wanted(line)) {
            return line.to_owned();
        }
        let ended = child.try_wait().expect("it is our child");
        assert!(ended.is_none(), "it ended: {ended:?}: {said}");
        assert!(begun.elapsed() < PATIENCE, "not said: {said}");
        std::thread::sleep(LOOK);
    }
}

/// The last field stored so far.
pub(crate) fn last_field(pass: &Pass) -> Option<FieldIndex> {
    let last = pass.last_place().unwrap_or(None); // a pass just begun cannot be read yet
    last.map(|place| place.field)
}

/// The event of this kind that came first.
fn event(pass: &Pass, kind: Kind) -> Option<Event> {
    let events = pass.events().unwrap_or_default(); // as above
    events.into_iter().find(|event| event.kind == kind)
}

/// A pass that was closed properly: its end is stored, nothing lies beside it, and it has fields.
pub(crate) fn closed(path: &Path) -> (Pass, Vec<Row>) {
    for beside in ["-wal", "-shm"] {
        let log = PathBuf::from(format!("{}{beside}", path.display()));
        assert!(!log.exists(), "a closed pass is a single file");
    }
    let pass = Pass::open(path).unwrap_or_else(|error| panic!("{error}"));
    assert!(pass.closed_at().is_some());
    let summary = pass.summary().expect("readable");
    let rows: Vec<Row> = pass
        .rows(FieldIndex(0)..FieldIndex(u64::MAX))
        .collect::<Result<_, _>>()
        .unwrap_or_else(|error| panic!("{error}"));
    // Lost fields count as places of the pass.
    let places = rows.last().map(|row| row.place.field.0 + 1);
    assert_eq!(summary.expect("it is closed")["fields"].as_u64(), places);
    (pass, rows)
}

fn check_loop(standard: Standard) -> String {
    let clip = Clip::of(standard);
    // The driver may begin a stream with a picture of its own, once or twice: one that is told from the tape's at once.
    driver::choose("test_pattern", "100% Black");
    let player = clip.play(Path::new(SHARE));
    let tries = (1..=TRIES).find_map(|attempt| {
        let path = pass_place("loop");
        let words = ["--input", "0", "--standard", clip.lines(), "--for", "2s"];
        let (code, said) = run(watch(&path, words));
        assert_eq!(code, 0, "{said}");
        let (pass, rows) = closed(&path);
        let all_ours = rows
            .iter()
            .all(|row| mean_level(row).is_some_and(|it| it > DARK_IRE));
        all_ours.then_some((attempt, path, pass, rows))
    });
    player.stop();
    let (attempt, path, pass, rows) = tries.expect("the loop shows what is played");
    let head = pass.head();
    assert_eq!(head.standard, Some(standard));
    assert_eq!(head.field_order, clip.field_order());
    let details = &head.source.details;
    assert!(
        details.iter().any(|(_, value)| value.contains("S-Video")),
        "{details:?}"
    );
    check_parities(&rows, clip.field_order().first());
    fs::copy(path, clip.live_pass(Path::new(SHARE))).expect("the share takes it");
    format!("{} fields, at attempt {attempt}", rows.len())
}

pub(crate) fn mean_level(row: &Row) -> Option<f64> {
    let (place, _) = quantity("levels.mean_ire").expect("it is measured");
    row.values[place].and_then(Value::number)
}

pub(crate) fn the_program_measures_525_lines_as_offline() -> String {
    check_loop(Standard::Lines525)
}

pub(crate) fn the_program_measures_625_lines_as_offline() -> String {
    check_loop(Standard::Lines625)
}

/// Even places are the older field of a frame, odd ones the younger, whatever was lost between.
fn check_parities(rows: &[Row], older: Parity) {
    for Row { place, .. } in rows {
        let first = place.field.0.is_multiple_of(2);
        let due = if first { older } else { older.other() };
        assert_eq!(place.parity, due, "{place:?}");
    }
    let tops = rows.iter().filter(|row| row.place.parity == Parity::Top);
    let tops = tops.count();
    assert!(0 < tops && tops < rows.len(), "{tops} of {}", rows.len());
}

/// Layouts that do not loop, on the driver's own still picture: set beforehand, and kept by the program.
fn check_own_picture(setting: Setting, order: FieldOrder, length: &str) -> String {
    driver::preset(setting);
    let path = pass_place("own");
    let (code, said) = run(watch(&path, ["--for", length]));
    assert_eq!(code, 0, "{said}");
    let (pass, rows) = closed(&path);
    assert_eq!(pass.head().field_order, order);
    check_parities(&rows, order.first());
    for row in &rows {
        assert!(mean_level(row).is_some(), "{:?} has no level", row.place);
    }
    format!("{} fields", rows.len())
}

pub(crate) fn the_program_measures_sequential_fields() -> String {
    let top = check_own_picture(Setting::woven(NTSC_M, SEQ_TB), FieldOrder::Top, "100ms");
    let bottom = check_own_picture(Setting::woven(PAL, SEQ_BT), FieldOrder::Bottom, "100ms");
    format!("{top}, {bottom}")
}

pub(crate) fn the_program_measures_alternate_fields() -> String {
    check_own_picture(Setting::woven(PAL, ALTERNATE), FieldOrder::Top, "1s")
}

pub(crate) fn the_program_lists_the_device() -> String {
    let output = trueline(["sources", "--json"]).output().expect("it starts");
    assert!(output.status.success(), "{output:?}");
    let listed: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let devices = listed["devices"].as_array().expect("a list");
    assert_eq!(devices.len(), 1, "the output node is left out: {listed}");
    assert_eq!(devices[0]["path"], CAPTURE);
    let inputs = devices[0]["inputs"].to_string();
    assert!(inputs.contains("S-Video"), "{inputs}");
    let standards = devices[0]["standards"].to_string();
    for standard in ["NTSC-M", "PAL-60"] {
        assert!(standards.contains(standard), "{standards}");
    }
    String::new()
}

/// A watch that runs until it is told to end.
fn start(pass: &Path) -> Child {
    let mut child = watch(pass, ["--standard", "525"])
        .spawn()
        .expect("it starts");
    wait_for(&mut child, pass, "field", |it| last_field(it).is_some());
    child
}

pub(crate) fn interrupt(child: &Child) {
    let kill = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(kill.is_ok_and(|it| it.success()));
}

pub(crate) fn a_second_program_finds_the_device_busy_and_the_first_ends_on_request() -> String {
    let path = pass_place("first");
    let first = start(&path);
    let second = pass_place("second");
    let (code, busy) = run(watch(&second, ["--standard", "525"]));
    assert_eq!(code, 1, "{busy}");
    for word in [CAPTURE, "another program is using it", "fuser"] {
        assert!(busy.contains(word), "{word} in: {busy}");
    }
    assert!(
        !second.exists(),
        "no pass is begun of what cannot be opened"
    );
    interrupt(&first);
    let (code, said) = end_of(first);
    assert_eq!(code, 130, "{said}");
    let (_, rows) = closed(&path);
    format!("{} fields before the request; {}", rows.len(), busy.trim())
}

pub(crate) fn silence_and_a_lost_signal_become_events_and_the_program_goes_on() -> String {
    let path = pass_place("troubled");
    let mut child = start(&path);
    driver::set("percentage_of_dropped_buffers", 100);
    wait_for(&mut child, &path, "silence", |it| {
        event(it, Kind::SourceLost).is_some()
    });
    let before = Pass::open(&path).ok().as_ref().and_then(last_field);
    driver::set("percentage_of_dropped_buffers", 0);
    wait_for(&mut child, &path, "field after it", |it| {
        last_field(it) > before
    });
    driver::choose("standard_signal_mode", "No Signal");
    wait_for(&mut child, &path, "lost signal", |it| {
        event(it, Kind::NoSignal).is_some()
    });
    driver::choose("standard_signal_mode", "Current Standard");
    wait_for(&mut child, &path, "signal again", |it| {
        event(it, Kind::NoSignal).is_some_and(|event| event.end.is_some())
    });
    interrupt(&child);
    let (code, said) = end_of(child);
    assert_eq!(code, 130, "{said}");
    let (pass, rows) = closed(&path);
    let silence = event(&pass, Kind::SourceLost).expect("it was stored before");
    assert!(silence.note.contains("sends nothing"), "{silence:?}");
    format!("{} fields; {}", rows.len(), silence.note)
}

pub(crate) fn a_device_that_vanishes_is_an_event_and_the_pass_goes_on_where_it_would_have_been()
-> String {
    let path = pass_place("vanished");
    let mut child = start(&path);
    driver::press("disconnect");
    let came_back = |pass: &Pass| absence(pass).and_then(|event| event.end);
    wait_for(&mut child, &path, "end of the absence", |it| {
        came_back(it).is_some()
    });
    let pass = Pass::open(&path).unwrap_or_else(|error| panic!("{error}"));
    let back = came_back(&pass).expect("it was stored before").field;
    drop(pass); // nobody else may have it open when it is closed
    wait_for(&mut child, &path, "fields after it", |it| {
        last_field(it) > Some(FieldIndex(back.0 + 20))
    });
    interrupt(&child);
    let (code, said) = end_of(child);
    assert_eq!(code, 130, "{said}");
    let (pass, rows) = closed(&path);
    let lost = absence(&pass).expect("it was stored before");
    let end = lost.end.expect("it is over");
    let after = rows.iter().position(|row| row.place.field > end.field);
    let at = after.expect("fields came after it");
    let (before, after) = (&rows[at - 1].place, &rows[at].place);
    assert_eq!(before.field, lost.start.field, "{lost:?}");
    assert_eq!(after.field.0, end.field.0 + 1, "{lost:?}");
    let missing = after.field.0 - before.field.0 - 1;
    assert!(missing > 0 && missing.is_multiple_of(2), "{missing} fields");
    assert!(
        lost.note.contains(&format!("{missing} fields are missing")),
        "{lost:?}"
    );
    let (place, _) = quantity("sync.missing_fields").expect("it is measured");
    let logged = rows[at].values[place].and_then(Value::number);
    assert_eq!(logged, Some(missing as f64));
    // Fields are numbered as the device's own clock has them, and labels follow the numbers.
    let period = pass.head().field_period;
    let by_clock = (after.seconds - before.seconds) / period;
    assert!(
        (by_clock - (missing + 1) as f64).abs() < CLOCK_TOLERANCE_FIELDS,
        "{by_clock} fields by the clock, {missing} missing"
    );
    let label = pass.head().clock().label(after.frame());
    let frames = label.to_string();
    let frames = frames.rsplit([':', ';']).next().expect("it has frames");
    assert_eq!(frames.parse(), Ok(after.frame().0 % 30), "{label}");
    check_parities(&rows, pass.head().field_order.first());
    format!("{missing} fields missing, then {label}; {}", lost.note)
}

/// The event of the device that vanished; a busy host may make others, of silence.
fn absence(pass: &Pass) -> Option<Event> {
    let events = pass.events().unwrap_or_default(); // a pass just begun cannot be read yet
    let vanished = |event: &Event| event.kind == Kind::SourceLost && event.note.contains("is gone");
    events.into_iter().find(vanished)
}
