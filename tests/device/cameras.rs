//! `camera:N` on the driver's webcam input: the one of its inputs whose rates are whole numbers, which is all that the camera
//! interface takes on Linux. Those of tape, 30000/1001 and 25000/1000, it refuses to open.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use trueline::sources::tape::Pace;
use trueline::sources::v4l2::V4l2Source;
use trueline::sources::{self, Frame, Place, RowLayout, Source, Wishes};

use crate::driver::{self, CAPTURE};
use crate::program::{closed, mean_level, pass_place, run, trueline};

/// A size of the webcam input that comes at 25 and at 30 pictures a second.
const SIZE: (usize, usize) = (640, 360);
const SIZE_TEXT: &str = "640x360";

/// How long pictures may take.
const PATIENCE: Duration = Duration::from_secs(60);

fn wishes(input: Option<&str>) -> Wishes {
    Wishes {
        input: input.map(str::to_owned),
        raster: Some(SIZE),
        ..Wishes::default()
    }
}

/// Reads frames until one is as wanted.
fn find(source: &mut dyn Source, what: &str, wanted: impl Fn(&Frame) -> bool) -> Frame {
    let begun = Instant::now();
    let mut last = Vec::new();
    while begun.elapsed() < PATIENCE {
        match source.next_frame() {
            Ok(frame) => {
                let frame = frame.expect("a device has no end");
                if wanted(&frame) {
                    return frame;
                }
                last = frame.data.bytes()[..16].to_vec();
            }
            Err(error) => assert!(error.is_silence(), "{error}"),
        }
    }
    panic!("no {what} came; the last begins with {last:?}");
}

/// A picture of the webcam input by V4L2; the input stays chosen.
fn by_v4l2() -> Vec<u8> {
    let opened = V4l2Source::open(CAPTURE.as_ref(), &wishes(Some("webcam")));
    let mut source = opened.unwrap_or_else(|error| panic!("open: {error}"));
    assert_eq!((source.format().width, source.format().rows), SIZE);
    find(&mut source, "picture by V4L2", |_| true)
        .data
        .bytes()
        .to_vec()
}

/// The interface lives on a thread of its own, which ends with the next picture that nobody wants.
fn wait_for_its_thread() {
    let is_ours = || {
        let open = fs::read_dir("/proc/self/fd").expect("the guest has /proc");
        let mut open = open.flatten().map(|it| fs::read_link(it.path()));
        open.any(|it| it.is_ok_and(|it| it == Path::new(CAPTURE)))
    };
    let begun = Instant::now();
    while is_ours() {
        assert!(begun.elapsed() < PATIENCE, "the device stays open");
        std::thread::sleep(Duration::from_millis(50));
    }
}

pub(crate) fn the_camera_interface_delivers_the_devices_pictures() -> String {
    let bars = by_v4l2();
    let opened = sources::open(&Place::Camera(0), &wishes(None), Pace::RealTime);
    let mut source = opened.unwrap_or_else(|error| panic!("open: {error}"));
    assert_eq!((source.format().width, source.format().rows), SIZE);
    let frame = find(source.as_mut(), "picture", |_| true);
    assert_eq!(frame.rows, RowLayout::Woven);
    assert!(!frame.damaged);
    assert!(frame.data.bytes() == bars, "the picture is another");
    driver::choose("test_pattern", "100% White");
    // What the conversion rounds white to is the driver's affair.
    let is_white = |frame: &Frame| {
        let luma = frame.data.bytes().iter().step_by(2);
        luma.clone().all(|&luma| (230..=240).contains(&luma))
    };
    find(source.as_mut(), "white picture", is_white);
    let said = format!("{:?}", source.description());
    drop(source);
    wait_for_its_thread();
    said
}

pub(crate) fn the_program_measures_by_the_camera_interface() -> String {
    by_v4l2();
    let path = pass_place("camera");
    let mut command = trueline(["watch", "camera:0", "--raster", SIZE_TEXT, "--no-dashboard"]);
    command.args(["--for", "1s", "--record"]).arg(&path);
    let (code, said) = run(command);
    assert_eq!(code, 0, "{said}");
    let (pass, rows) = closed(&path);
    assert_eq!(pass.head().source.kind, "camera interface");
    // 75 % bars over the whole picture: their mean luma, 100 and 0 IRE included.
    let level = mean_level(rows.last().expect("fields came")).expect("there is a picture");
    assert!((30.0..60.0).contains(&level), "{level} IRE");
    format!("{} fields, mean {level} IRE; {}", rows.len(), said.trim())
}
