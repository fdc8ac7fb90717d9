//! Spans of tape whose set-up is known, drawn by chance: scenes, noise, fog, where the scale ends, what stands at the sides.
//!
//! A second of tape is three frames with the rest lost on the way: a minute costs what ten seconds do.

use rand::{RngExt as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

use trueline::fields::{History, Splitter};
use trueline::measures::Suite;
use trueline::measures::levels::setup::{Case, Reading};
use trueline::sources::tape::{
    BoxModel, Camera, Chain, Fault, FaultKind, Levels, Noise, Pace, Picture, Scene, Segment, Setup,
    Shows, Sides, Tape, find,
};
use trueline::sources::{Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::units::{CodeRange, Decibels, Ire, LumaCode};

/// Frames that come of each second.
const FRAMES_A_SECOND: u64 = 3;

/// A stretch of tape.
#[derive(Clone, Debug)]
pub(super) struct Span {
    /// What became of the set-up.
    pub(super) setup: Setup,
    pub(super) standard: Standard,
    pub(super) seconds: f64,
    /// What is shown, one after the other.
    pub(super) pictures: Vec<Picture>,
    /// Fog over everything.
    pub(super) fog: f64,
    pub(super) noise: f64,
    /// Ends of the scale.
    pub(super) clip: (f64, f64),
    pub(super) sides: Sides,
    pub(super) seed: u64,
}

#[allow(dead_code, reason = "the bench draws spans, the tests choose theirs")]
const PICTURES: [Picture; 8] = [
    Picture::Harbour,
    Picture::Street,
    Picture::Park,
    Picture::Hall,
    Picture::Notice,
    Picture::Meadow,
    Picture::Night,
    Picture::Fog,
];

impl Span {
    /// The case that holds.
    pub(super) fn truth(&self) -> Case {
        match self.setup {
            Setup::Never | Setup::Removed => Case::Correct,
            Setup::Kept => Case::Raised,
            Setup::RemovedTwice => Case::Crushed,
        }
    }

    /// One of many, by number.
    #[allow(dead_code, reason = "the bench draws spans, the tests choose theirs")]
    pub(super) fn drawn(number: u64, seconds: f64) -> Self {
        let mut dice = Xoshiro256PlusPlus::seed_from_u64(number);
        let mut chance = || dice.random::<f64>();
        let standard = if chance() < 0.75 {
            Standard::Lines525
        } else {
            Standard::Lines625
        };
        let right = match standard {
            Standard::Lines525 if chance() < 0.85 => Setup::Removed,
            _ => Setup::Never,
        };
        let setup = match chance() {
            x if x < 0.6 => right,
            x if x < 0.85 => Setup::Kept,
            _ => Setup::RemovedTwice,
        };
        let count = 1 + (chance() * chance() * 12.0) as usize;
        let first = (chance() * PICTURES.len() as f64) as usize;
        let pictures = (0..count)
            .map(|_| PICTURES[(chance() * PICTURES.len() as f64) as usize % PICTURES.len()])
            .collect();
        let foggy = chance();
        let fog = if foggy < 0.8 { 0.0 } else { 10.0 * chance() };
        Self {
            setup,
            standard,
            seconds,
            pictures,
            fog,
            noise: 37.0 + 10.0 * chance(),
            clip: [(1.0, 254.0), (16.0, 235.0), (0.0, 255.0)][first % 3],
            sides: match chance() {
                x if x < 0.55 => Sides::Tape,
                x if x < 0.8 => Sides::Border {
                    left: 9.0,
                    right: 9.0,
                },
                _ => Sides::Crop(8.0),
            },
            seed: number,
        }
    }

    fn scene(&self) -> &'static Scene {
        let clean = find("clean").expect("it is in the catalogue");
        let mut dice = Xoshiro256PlusPlus::seed_from_u64(self.seed);
        let mut of_picture = |nth: usize, picture: Picture| {
            // Stray light differs with the scene.
            let fog = self.fog * (0.6 + 0.8 * dice.random::<f64>());
            let levels = Levels {
                setup: self.setup,
                lift: Ire(fog),
                gain: 1.0 - fog / 100.0,
                clip: (LumaCode(self.clip.0), LumaCode(self.clip.1)),
                ..Levels::RIGHT
            };
            Segment {
                seconds: self.seconds / self.pictures.len() as f64,
                shows: Shows::Picture(picture),
                camera: Camera {
                    // The same picture twice is seen from elsewhere.
                    centre: (
                        460.0 + 60.0 * (nth % 3) as f64,
                        340.0 + 40.0 * (nth % 4) as f64,
                    ),
                    pan: 6.0 * (nth % 2) as f64,
                    ..Camera::STILL
                },
                movers: &[],
                levels,
                noise: Noise {
                    luma: Decibels(self.noise),
                    chroma: Decibels(self.noise),
                },
                ..clean.tape[0]
            }
        };
        let tape: Vec<Segment> = self
            .pictures
            .iter()
            .enumerate()
            .map(|(nth, &picture)| of_picture(nth, picture))
            .collect();
        let frames = match self.standard {
            Standard::Lines525 => 30,
            Standard::Lines625 => 25,
        };
        let faults = [Fault {
            at: 3.6, // the border is looked at first
            every: Some(1.0),
            frames: frames - FRAMES_A_SECOND,
            kind: FaultKind::Lost,
        }];
        Box::leak(Box::new(Scene {
            name: "span",
            about: "scenes with a known set-up",
            tape: Vec::leak(tape),
            chain: Chain {
                boxed: Some(BoxModel {
                    sides: self.sides,
                    ..BoxModel::THROUGH
                }),
                faults: Box::leak(Box::new(faults)),
                ..clean.chain
            },
            ..*clean
        }))
    }

    /// What is said at the end of it.
    pub(super) fn judged(&self, range: CodeRange) -> Reading {
        let wishes = Wishes {
            standard: Some(StandardWish::Lines(self.standard)),
            seed: Some(self.seed),
            range: Some(range),
            ..Wishes::default()
        };
        let pace = Pace::Free { frames: None };
        let mut tape = Tape::play(self.scene(), &wishes, pace).expect("the wishes can be met");
        let (mut splitter, mut history, mut suite) =
            (Splitter::new(), History::default(), Suite::new());
        let mut said = None;
        while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
            splitter.split(&frame, &mut history, |history| {
                let around = history.neighbourhood().expect("a field was put there");
                said = suite.measure(&around).levels.setup.or(said);
            });
        }
        said.expect("a picture was shown")
    }
}
