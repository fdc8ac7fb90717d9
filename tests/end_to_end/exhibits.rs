//! Pictures kept with events: decoded by ffmpeg, row by row against the file that was scanned.

use std::fs;
use std::path::Path;
use std::process::Command;

use trueline::limits::Kind;
use trueline::record::{Exhibit, Pass, View};
use trueline::standard::Parity;

use crate::world::World;

/// Samples of a line of luma; colour is 4:2:2.
const WIDTH: usize = 720;
/// What JPEG and rounding may move the mean of a row by, in its 255 codes.
const ROW_TOLERANCE: f64 = 3.0;

/// The frames' luma of a Y4M file, whose layout is known.
fn luma(path: &Path, rows: usize) -> Vec<Vec<u8>> {
    let bytes = fs::read(path).expect("it was rendered");
    let header = bytes
        .iter()
        .position(|&byte| byte == b'\n')
        .expect("a header")
        + 1;
    let frame = "FRAME\n".len() + 2 * WIDTH * rows;
    let frames = bytes[header..].chunks_exact(frame);
    let luma = |frame: &[u8]| frame[6..6 + WIDTH * rows].to_vec();
    frames.map(luma).collect()
}

/// Grey levels of a JPEG, as another program decodes it.
fn decoded(world: &World, exhibit: &Exhibit) -> Vec<u8> {
    let path = world.write("exhibit.jpg", &exhibit.jpeg);
    let output = Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(path)
        .args(["-f", "rawvideo", "-pix_fmt", "gray", "-"])
        .output()
        .expect("ffmpeg is installed");
    assert!(output.status.success(), "{output:?}");
    assert_eq!(output.stdout.len(), exhibit.size.0 * exhibit.size.1);
    output.stdout
}

fn mean(codes: &[u8], of: impl Fn(f64) -> f64) -> f64 {
    let sum: f64 = codes.iter().map(|&code| of(f64::from(code))).sum();
    sum / codes.len() as f64
}

/// Holds a picture to the field that it says it shows.
fn check(world: &World, frames: &[Vec<u8>], exhibit: &Exhibit) {
    let frame = &frames[exhibit.place.field.0 as usize / 2];
    let first = usize::from(exhibit.place.parity == Parity::Bottom);
    let (width, rows) = exhibit.size;
    assert_eq!((width, rows), (WIDTH / 2, frame.len() / WIDTH / 2));
    let shown = decoded(world, exhibit);
    for row in 0..rows {
        let start = (first + 2 * row) * WIDTH;
        let on_tape = mean(&frame[start..start + WIDTH], |code| {
            ((code - 16.0) * 255.0 / 219.0).clamp(0.0, 255.0)
        });
        let kept = mean(&shown[row * width..(row + 1) * width], |code| code);
        assert!(
            (kept - on_tape).abs() < ROW_TOLERANCE,
            "row {row} of {:?}: {kept}, on tape {on_tape}",
            exhibit.place
        );
    }
}

#[test]
fn a_pass_keeps_pictures_of_what_was_told() {
    let world = World::new();
    let tape = world.tape("repeats", "625", "6");
    world.ok(["scan", "repeats-625.y4m", "--record", "repeats.pass"]);
    let frames = luma(&tape, 576);
    let pass = Pass::open(&world.path("repeats.pass")).expect("it was recorded");
    let events = pass.events().expect("readable");
    let exhibited = pass.exhibited().expect("readable");
    let mut repeated = 0;
    for event in events.iter().filter(|event| exhibited.contains(&event.id)) {
        let exhibits = pass.exhibits(event.id).expect("readable");
        for exhibit in &exhibits {
            check(&world, &frames, exhibit);
        }
        if event.kind == Kind::Repeated {
            let views: Vec<View> = exhibits.iter().map(|it| it.view).collect();
            assert_eq!(views, [View::Worst, View::Before]);
            repeated += 1;
        }
    }
    assert!(repeated > 0, "{events:?}");
    let told = |kind| events.iter().find(|event| event.kind == kind);
    let begun = told(Kind::RecordingStart).expect("a recording begins");
    assert!(exhibited.contains(&begun.id));
    let ended = told(Kind::TapeEnd);
    assert!(ended.is_none_or(|event| !exhibited.contains(&event.id)));
}

#[test]
fn a_wobble_keeps_its_worst_field_and_the_timing_of_its_lines() {
    let world = World::new();
    let tape = world.tape("jitter", "525", "6");
    world.ok(["scan", "jitter-525.y4m", "--record", "jitter.pass"]);
    let frames = luma(&tape, 480);
    let pass = Pass::open(&world.path("jitter.pass")).expect("it was recorded");
    let events = pass.events().expect("readable");
    let wobble = events.iter().find(|event| event.kind == Kind::Wobble);
    let wobble = wobble.expect("the lines jitter");
    let exhibits = pass.exhibits(wobble.id).expect("readable");
    assert_eq!(exhibits.len(), 1);
    assert!(!exhibits[0].lines.is_empty());
    check(&world, &frames, &exhibits[0]);
    // The note says where it was worst.
    let label = pass.head().clock().label(exhibits[0].place.frame());
    assert!(
        wobble.note.contains(&label.to_string()),
        "{label}: {}",
        wobble.note
    );
}
