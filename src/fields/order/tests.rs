//! Scenes painted field by field, and pictures interlaced by another program.

use std::f64::consts::TAU;
use std::sync::Arc;
use std::time::Instant;

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::*;
use crate::fields::{OrderNotice, Splitter};
use crate::sources::tape::Pace;
use crate::sources::{
    ChromaGrid, Frame, FramePool, Gap, InputState, Packing, PictureFormat, Place, RowLayout,
    SampleFormat, Wishes, open,
};
use crate::standard::{RateTrust, Standard};
use crate::units::CodeRange;

/// Narrow, so that many frames are painted fast: a fifth of the evidence a whole picture has.
const WIDTH: usize = 160;

/// A scene, sampled field by field.
#[derive(Clone, Copy)]
struct Scene {
    standard: Standard,
    truth: FieldOrder,
    /// Samples and frame rows a field period.
    speed: (f64, f64),
    /// Codes, rms.
    noise: f64,
    /// Samples, rms, of each line by itself.
    jitter: f64,
    texture: bool,
}

const PAN: Scene = Scene {
    standard: Standard::Lines625,
    truth: FieldOrder::Top,
    speed: (1.3, 0.2),
    noise: 2.0,
    jitter: 0.0,
    texture: true,
};

impl Scene {
    fn rows(self) -> usize {
        match self.standard {
            Standard::Lines525 => 480,
            Standard::Lines625 => 576,
        }
    }

    /// Field periods since the start at which a row of a frame was taken.
    fn moment(self, frame: usize, row: usize) -> f64 {
        let younger = match self.truth {
            FieldOrder::Top => row % 2,
            FieldOrder::Bottom => 1 - row % 2,
            FieldOrder::Progressive => 0,
        };
        (2 * frame + younger) as f64
    }

    fn frame(self, index: usize, said: Option<FieldOrder>, random: &mut impl rand::Rng) -> Frame {
        let format = Arc::new(PictureFormat {
            width: WIDTH,
            rows: self.rows(),
            samples: SampleFormat {
                packing: Packing::Planar,
                chroma: ChromaGrid::Mono,
                depth: 8,
            },
            padded_stride: None,
            range: CodeRange::Studio,
            standard: Some(self.standard),
            sample_rate: None,
            rate_trust: RateTrust::Known,
            field_order: said,
            field_order_forced: false,
        });
        let mut pool = FramePool::new(1, WIDTH * self.rows());
        let mut vacant = pool.vacant().expect("a new pool has room");
        for (row, samples) in vacant.bytes_mut().chunks_exact_mut(WIDTH).enumerate() {
            self.paint_row(row, self.moment(index, row), samples, random);
        }
        Frame {
            format,
            rows: RowLayout::Woven,
            data: vacant.fill(),
            gap: Gap::default(),
            device_time: None,
            arrived: Instant::now(),
            damaged: false,
            input: InputState::Unsaid,
        }
    }

    /// Waves of many directions, no two of them in step.
    fn paint_row(self, row: usize, moment: f64, samples: &mut [u8], random: &mut impl rand::Rng) {
        let waves = [
            (23.0, 61.0),
            (-37.0, 29.0),
            (71.0, -43.0),
            (13.3, 170.0),
            (190.0, 17.0),
        ];
        let shift = self.speed.0 * moment + self.jitter * bell(random);
        let y = row as f64 - self.speed.1 * moment;
        // one turn a sample of each wave, instead of a sine a sample
        let mut turning = waves.map(|(px, py)| (TAU * (y / py - shift / px)).sin_cos());
        let turns = waves.map(|(px, _)| (TAU / px).sin_cos());
        for sample in samples {
            let texture: f64 = turning.iter().map(|(sin, _)| sin).sum();
            for ((sin, cos), (turn_sin, turn_cos)) in turning.iter_mut().zip(turns) {
                (*sin, *cos) = (
                    *sin * turn_cos + *cos * turn_sin,
                    *cos * turn_cos - *sin * turn_sin,
                );
            }
            let texture = if self.texture { 18.0 * texture } else { 0.0 };
            let noise = self.noise * bell(random);
            *sample = (110.5 + texture + noise).clamp(1.0, 254.0) as u8;
        }
    }

    /// What a splitter makes of a stretch of it.
    fn watched(self, frames: usize, said: Option<FieldOrder>) -> (Splitter, Vec<OrderNotice>) {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(20_231);
        let mut splitter = Splitter::new();
        let mut history = History::default();
        let mut notices = Vec::new();
        for index in 0..frames {
            let frame = self.frame(index, said, &mut random);
            splitter.split(&frame, &mut history, |_| ());
            notices.extend(splitter.order_notice());
        }
        (splitter, notices)
    }

    fn opinion(self, frames: usize) -> Opinion {
        let (splitter, _) = self.watched(frames, Some(FieldOrder::Top));
        splitter.detector().opinion_of(FieldOrder::Top)
    }
}

/// About normal, of unit variance: the sum of eight bytes.
fn bell(random: &mut impl rand::Rng) -> f64 {
    let sum: u32 = random
        .random::<u64>()
        .to_le_bytes()
        .map(u32::from)
        .iter()
        .sum();
    (f64::from(sum) - 8.0 * 127.5) / (8.0_f64 * (256.0 * 256.0 - 1.0) / 12.0).sqrt()
}

const TWO_SECONDS: usize = 60;

#[test]
fn a_moving_picture_shows_its_order_in_both_standards() {
    for standard in [Standard::Lines525, Standard::Lines625] {
        let scene = Scene { standard, ..PAN };
        assert_eq!(scene.opinion(TWO_SECONDS), Opinion::Agrees);
        let truth = FieldOrder::Bottom;
        let scene = Scene { truth, ..scene };
        assert_eq!(scene.opinion(TWO_SECONDS), Opinion::Says(truth));
    }
}

#[test]
fn a_tilt_and_a_slow_pan_show_it_too() {
    for speed in [(0.0, 0.7), (0.4, 0.0), (-6.0, 1.5)] {
        let truth = FieldOrder::Bottom;
        let scene = Scene {
            truth,
            speed,
            ..PAN
        };
        assert_eq!(
            scene.opinion(TWO_SECONDS),
            Opinion::Says(truth),
            "{speed:?}"
        );
    }
}

#[test]
fn the_noise_and_jitter_of_a_worn_tape_do_not_hide_it() {
    let truth = FieldOrder::Bottom;
    let scene = Scene {
        truth,
        noise: 8.0,
        jitter: 0.6,
        ..PAN
    };
    assert_eq!(scene.opinion(2 * TWO_SECONDS), Opinion::Says(truth));
}

#[test]
fn frames_of_one_moment_show_as_progressive() {
    let truth = FieldOrder::Progressive;
    assert_eq!(
        Scene { truth, ..PAN }.opinion(TWO_SECONDS),
        Opinion::Says(truth)
    );
}

#[test]
fn a_still_picture_shows_nothing_however_its_lines_tremble() {
    for (noise, jitter) in [(0.0, 0.0), (3.0, 0.0), (3.0, 1.0), (0.0, 3.0)] {
        let speed = (0.0, 0.0);
        let scene = Scene {
            speed,
            noise,
            jitter,
            ..PAN
        };
        assert_eq!(scene.opinion(150), Opinion::Undecided, "{noise} {jitter}");
    }
}

#[test]
fn noise_alone_shows_nothing() {
    let texture = false;
    let scene = Scene {
        noise: 40.0,
        texture,
        ..PAN
    };
    assert_eq!(scene.opinion(150), Opinion::Undecided);
}

#[test]
fn a_source_that_said_nothing_is_corrected_between_frames() {
    let truth = FieldOrder::Bottom;
    let (splitter, notices) = Scene { truth, ..PAN }.watched(TWO_SECONDS, None);
    assert_eq!(splitter.field_order(), truth);
    let [notice] = notices.as_slice() else {
        panic!("one notice, not {notices:?}");
    };
    assert_eq!((notice.taken, notice.shown), (FieldOrder::Top, truth));
    assert!(notice.followed && notice.said.is_none());
    assert!(notice.since.0 < 10, "{notice}");
}

#[test]
fn a_source_that_said_otherwise_is_contradicted_once_and_not_corrected() {
    let truth = FieldOrder::Bottom;
    let said = FieldOrder::Top;
    let (splitter, notices) = Scene { truth, ..PAN }.watched(2 * TWO_SECONDS, Some(said));
    assert_eq!(splitter.field_order(), said);
    let [notice] = notices.as_slice() else {
        panic!("one notice, not {notices:?}");
    };
    assert!(!notice.followed);
    let text = notice.to_string();
    assert!(text.contains("the source says top field first"), "{text}");
    assert!(text.contains("--field-order bottom"), "{text}");
}

#[test]
fn film_on_an_interlaced_tape_is_no_contradiction() {
    let truth = FieldOrder::Progressive;
    let (_, notices) = Scene { truth, ..PAN }.watched(TWO_SECONDS, Some(FieldOrder::Top));
    assert_eq!(notices, []);
}

#[test]
fn a_tape_whose_order_changes_is_followed_where_nothing_was_said() {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(4);
    let mut splitter = Splitter::new();
    let mut history = History::default();
    let mut notices = Vec::new();
    for index in 0..220 {
        let truth = match index {
            0..90 => FieldOrder::Top,
            _ => FieldOrder::Bottom,
        };
        let frame = Scene { truth, ..PAN }.frame(index, None, &mut random);
        splitter.split(&frame, &mut history, |_| ());
        notices.extend(splitter.order_notice());
    }
    let [notice] = notices.as_slice() else {
        panic!("one notice, not {notices:?}");
    };
    // the lead changes hands when the new votes outweigh those that have faded: within two seconds
    assert!((180..280).contains(&notice.since.0), "{notice}");
    assert_eq!(splitter.field_order(), FieldOrder::Bottom);
}

/// Pictures made and interlaced by another program.
#[test]
fn pictures_interlaced_by_ffmpeg_show_their_order() {
    for (mode, truth) in [
        ("interleave_top", FieldOrder::Top),
        ("interleave_bottom", FieldOrder::Bottom),
    ] {
        let file = tempfile::NamedTempFile::new().expect("the temporary directory is writable");
        let filter = format!("tinterlace=mode={mode},setfield=prog");
        let made = std::process::Command::new("ffmpeg")
            .args(["-nostdin", "-v", "error", "-y", "-f", "lavfi"])
            .args(["-i", "testsrc2=size=720x576:rate=50:duration=2.6"])
            .args(["-vf", &filter, "-pix_fmt", "yuv422p", "-f", "yuv4mpegpipe"])
            .arg(file.path())
            .status();
        let Ok(made) = made else {
            skip();
            return;
        };
        assert!(made.success());
        let place = Place::File(file.path().to_owned());
        let mut source = open(&place, &Wishes::default(), Pace::Free { frames: None })
            .expect("it was just made");
        let mut splitter = Splitter::new();
        let mut history = History::default();
        while let Some(frame) = source.next_frame().expect("the file is whole") {
            splitter.split(&frame, &mut history, |_| ());
        }
        assert_eq!(splitter.field_order(), truth);
        assert_eq!(splitter.detector().opinion_of(truth), Opinion::Agrees);
    }
}

#[expect(clippy::print_stderr, reason = "a test that did not run must say so")]
fn skip() {
    eprintln!("SKIPPED: this test needs the ffmpeg program");
}

#[test]
fn the_strength_of_a_verdict_grows_with_its_votes() {
    let (early, _) = PAN.watched(50, Some(FieldOrder::Top));
    let (late, _) = PAN.watched(90, Some(FieldOrder::Top));
    let [early, late] = [early, late].map(|s| s.detector().strength().map(|s| s.0));
    assert!(early > Some(0.6) && late > early, "{early:?} {late:?}");
}
