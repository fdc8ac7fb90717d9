//! `watch --find-levels` on the driver's own picture, which its brightness and contrast move; looped frames they do not.

use std::fs;

use trueline::sources::Wishes;
use trueline::sources::v4l2::V4l2Source;

use crate::driver::{self, CAPTURE};
use crate::program::{closed, end_of, interrupt, pass_place, said_so_far, trueline};

/// The smallest picture there is: an emulated machine measures a full raster at a few fields a second.
const SMALL: (usize, usize) = (320, 180);
pub(crate) const SMALL_TEXT: &str = "320x180";

/// How far from the driver's neutral values the controls are found.
const OFF: (i64, i64) = (14, 12);

/// What is proposed may be this far from neutral: black within 0.7 IRE and white too, of which either step makes half.
const NEAR: i64 = 4;

/// Chooses the webcam input, which has it. Its brightness has a scale of its own.
pub(crate) fn small_picture() {
    let wishes = Wishes {
        input: Some("webcam".to_owned()),
        raster: Some(SMALL),
        ..Wishes::default()
    };
    drop(V4l2Source::open(CAPTURE.as_ref(), &wishes).unwrap_or_else(|error| panic!("{error}")));
}

pub(crate) fn levels_are_found_on_colour_bars_and_the_controls_set_back() -> String {
    small_picture();
    driver::choose("test_pattern", "100% Colorbar");
    let neutral = (driver::value("brightness"), driver::value("contrast"));
    driver::set("brightness", neutral.0 + OFF.0);
    driver::set("contrast", neutral.1 - OFF.1);
    let path = pass_place("found");
    let words = "/tmp/finding.log";
    let mut command = trueline(["watch", CAPTURE, "--raster", SMALL_TEXT, "--find-levels"]);
    command.args(["--no-dashboard", "--record"]).arg(&path);
    command.stderr(fs::File::create(words).expect("memory takes files"));
    let mut child = command.spawn().expect("it starts");
    let report = said_so_far(&mut child, words, |line| line.contains("levels found: "));
    let set = (driver::value("brightness"), driver::value("contrast"));
    interrupt(&child);
    let (code, _) = end_of(child);
    let said = fs::read_to_string(words).expect("it was written");
    assert_eq!(code, 130, "{said}");
    let off = (set.0 - neutral.0, set.1 - neutral.1);
    assert!(
        off.0.abs() <= NEAR && off.1.abs() <= NEAR,
        "{off:?}: {said}"
    );
    let found = (driver::value("brightness"), driver::value("contrast"));
    assert_eq!(found, (neutral.0 + OFF.0, neutral.1 - OFF.1), "{said}");
    assert!(said.contains("set back as they were found"), "{said}");
    let (_, rows) = closed(&path);
    format!("{} fields; {report}", rows.len())
}
