//! Wobble that begins in a steady shot: how soon the alarm tells of it.

use trueline::alarms::{Alarms, Change, PassClock};
use trueline::fields::{History, Splitter};
use trueline::limits::{Kind, Limits};
use trueline::measures::Suite;
use trueline::sources::tape::{
    BoxModel, Camera, Chain, Injection, Pace, Picture, Scene, Segment, Shows, Sides, Tape, Timing,
    find,
};
use trueline::sources::{Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::timecode::{Counting, Timecode};
use trueline::units::{Lines, Nanos, Ratio};

/// One sample of 13.5 MHz in ns.
const ONE: f64 = 1000.0 / 13.5;

/// Fields from the first wobbling one to the alarm, that one included, at most.
pub(super) const SOON: u64 = 12;

/// Share of a field's lines that must tell for an alarm to be asked for.
pub(super) const LEAST_COVERAGE: f64 = 0.3;

/// Seconds of steady picture before: time enough to know a border of the chain's own.
const STEADY_SECONDS: f64 = 2.4;
const WOBBLING_SECONDS: f64 = 0.8;

/// Half a sample rms and a tenth more: at the limit itself, chance alone decides in each field.
const WOBBLE: f64 = 0.55 * ONE;

const ROUGH: &[Injection] = &[Injection::White { rms: Nanos(WOBBLE) }];
const SHORT_WAVE: &[Injection] = &[travelling(11.0)];
const LONG_WAVE: &[Injection] = &[travelling(48.0)];

/// What the lines begin to do.
pub(super) const WOBBLES: [(&str, &[Injection]); 3] = [
    ("rough", ROUGH),
    ("waves of 11 lines", SHORT_WAVE),
    ("waves of 48 lines", LONG_WAVE),
];

/// What stands at the sides.
pub(super) const SIDES: [(&str, Sides); 3] = [
    ("tape", Sides::Tape),
    (
        "regenerated",
        Sides::Border {
            left: 9.0,
            right: 9.0,
        },
    ),
    ("cropped", Sides::Crop(8.0)),
];

/// What the camera does.
pub(super) const CAMERAS: [(&str, Camera); 2] = [
    ("still", Camera::STILL),
    (
        "pan",
        Camera {
            centre: (420.0, 330.0),
            pan: 55.0,
            ..Camera::STILL
        },
    ),
];

/// A sine of the wanted rms that travels by a third of its period a field.
const fn travelling(period: f64) -> Injection {
    Injection::Sine {
        amplitude: Nanos(WOBBLE * std::f64::consts::SQRT_2),
        period: Lines(period),
        travel: Lines(period / 3.1),
    }
}

/// One shot, one wobble, one chain.
#[derive(Clone, Copy, Debug)]
pub(super) struct Case {
    pub(super) picture: Picture,
    pub(super) standard: Standard,
    pub(super) camera: (&'static str, Camera),
    pub(super) sides: (&'static str, Sides),
    pub(super) wobble: (&'static str, &'static [Injection]),
}

/// What came of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outcome {
    /// Fields from the first wobbling one to the alarm, that one included; 0 = it rang before.
    pub(super) after: Option<u64>,
    /// Share of picture lines that told, typically, from the first wobbling field to the twelfth; 0 where most of these fields
    /// gave no figure, as over a gap of more than 40 lines.
    pub(super) coverage: f64,
}

impl Outcome {
    /// Whether the alarm may be asked for, and then whether it came in time.
    #[must_use]
    pub(super) fn in_time(&self) -> Option<bool> {
        let told = (1..=SOON).contains(&self.after.unwrap_or(u64::MAX));
        (self.coverage >= LEAST_COVERAGE || self.after == Some(0)).then_some(told)
    }
}

impl std::fmt::Display for Case {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (camera, sides, wobble) = (self.camera.0, self.sides.0, self.wobble.0);
        let standard = self.standard.word();
        write!(
            out,
            "{:?} {standard}, {camera}, {sides} border, {wobble}",
            self.picture
        )
    }
}

impl Case {
    fn scene(&self) -> &'static Scene {
        let clean = find("clean").expect("it is in the catalogue");
        // One shot: its camera runs on where its timing changes.
        let steady = Segment {
            seconds: STEADY_SECONDS,
            shows: Shows::Picture(self.picture),
            camera: self.camera.1,
            movers: &[],
            timing: Timing::Steady,
            ..clean.tape[0]
        };
        let wobbling = Segment {
            seconds: WOBBLING_SECONDS,
            timing: Timing::Injected(self.wobble.1),
            camera: Camera {
                centre: (
                    steady.camera.centre.0 + steady.camera.pan * STEADY_SECONDS,
                    steady.camera.centre.1,
                ),
                ..steady.camera
            },
            ..steady
        };
        let tape = Box::leak(Box::new([steady, wobbling]));
        let boxed = BoxModel {
            sides: self.sides.1,
            ..BoxModel::THROUGH
        };
        Box::leak(Box::new(Scene {
            name: "onset",
            about: "a steady shot that begins to wobble",
            tape,
            chain: Chain {
                boxed: Some(boxed),
                ..clean.chain
            },
            ..*clean
        }))
    }

    /// Plays it through measures and alarms.
    ///
    /// # Panics
    /// Where the simulated tape does.
    #[must_use]
    pub(super) fn play(&self) -> Outcome {
        let wishes = Wishes {
            standard: Some(StandardWish::Lines(self.standard)),
            ..Wishes::default()
        };
        let mut tape = Tape::play(self.scene(), &wishes, Pace::Free { frames: None })
            .expect("the wishes can be met");
        let (mut splitter, mut history, mut suite) =
            (Splitter::new(), History::default(), Suite::new());
        let clock = PassClock {
            start: Timecode::zero(Counting::usual(self.standard)),
        };
        let (mut alarms, mut changes) = (Alarms::new(&Limits::default(), clock), Vec::new());
        let (mut field, mut coverages, mut rang) = (0_u64, Vec::new(), None);
        let rate = match self.standard {
            Standard::Lines525 => 60.0 / 1.001,
            Standard::Lines625 => 50.0,
        };
        let first = (STEADY_SECONDS * rate / 2.0).ceil() as u64 * 2;
        while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
            splitter.split(&frame, &mut history, |history| {
                let around = history.neighbourhood().expect("a field was put there");
                let readings = suite.measure(&around);
                alarms.observe(&readings, &mut changes);
                let wobble = |change: &Change| matches!(change, Change::Opened(event) if event.kind == Kind::Wobble);
                if changes.drain(..).any(|change| wobble(&change)) && rang.is_none() {
                    rang = Some(field);
                }
                if (first..first + SOON).contains(&field) {
                    let timing = &readings.line_timing;
                    let judged = timing.coverage.filter(|_| timing.error_rms.is_some());
                    coverages.push(judged.map_or(0.0, |Ratio(share)| share));
                }
                field += 1;
            });
        }
        coverages.sort_by(f64::total_cmp);
        Outcome {
            after: rang.map(|rang| (rang + 1).saturating_sub(first)),
            coverage: coverages[coverages.len() / 2],
        }
    }
}
