//! Shots by chance: every picture, camera motion, moving thing and noise there is, every line where it should stand.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

use trueline::sources::tape::{Camera, Mover, Noise, Picture, Segment, Shows, find};
use trueline::units::Decibels;

/// How long a shot is.
const SHOT_SECONDS: (f64, f64) = (4.0, 12.0);

const PICTURES: [Picture; 10] = [
    Picture::Harbour,
    Picture::Street,
    Picture::Park,
    Picture::Hall,
    Picture::Notice,
    Picture::Meadow,
    Picture::Night,
    Picture::Fog,
    Picture::Chart,
    Picture::Wall,
];

/// Motions of the camera by name; a row a field is 120 a second in 525 lines.
const CAMERAS: [(&str, Camera); 8] = [
    ("still", Camera::STILL),
    (
        "pan",
        Camera {
            centre: (420.0, 330.0),
            pan: 55.0,
            ..Camera::STILL
        },
    ),
    (
        "fast pan",
        Camera {
            pan: -220.0,
            ..Camera::STILL
        },
    ),
    (
        "tilt",
        Camera {
            centre: (480.0, 290.0),
            tilt: 18.0,
            ..Camera::STILL
        },
    ),
    (
        "fast tilt",
        Camera {
            tilt: 60.0,
            ..Camera::STILL
        },
    ),
    (
        "zoom",
        Camera {
            centre: (512.0, 350.0),
            zoom: 0.98,
            zoom_rate: 0.06,
            ..Camera::STILL
        },
    ),
    (
        "turn",
        Camera {
            turn: 0.9,
            zoom: 1.1,
            ..Camera::STILL
        },
    ),
    (
        "hand",
        Camera {
            centre: (500.0, 340.0),
            pan: 12.0,
            shake: 5.0,
            ..Camera::STILL
        },
    ),
];

const NOISES: [f64; 4] = [50.0, 46.0, 41.0, 36.0];

const NOBODY: &[Mover] = &[];
const BALL: &[Mover] = &[Mover::BALL];
const VAN: &[Mover] = &[Mover {
    height: 0.45,
    size: (130.0, 110.0),
    speed: -190.0,
    start: 640.0,
    hop: 0.0,
    rgb: (0.25, 0.35, 0.7),
    stripes: (0.1, 40.0),
    squareness: 6,
}];
const MOVERS: [(&str, &[Mover]); 3] = [("", NOBODY), (" ball", BALL), (" van", VAN)];

/// Draws.
pub(crate) struct Dice(Xoshiro256PlusPlus);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(Xoshiro256PlusPlus::seed_from_u64(seed))
    }

    /// From 0 to 1.
    pub(crate) fn even(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// One of some.
    pub(crate) fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[(self.even() * from.len() as f64) as usize]
    }
}

/// Shots for so many seconds at least, and when each begins and what it is called.
pub(crate) fn shots(seed: u64, seconds: f64) -> (Vec<Segment>, Vec<(f64, String)>) {
    let clean = find("clean").expect("the catalogue has it");
    let good = clean.tape[0];
    let mut dice = Dice::new(seed);
    let (mut tape, mut names) = (Vec::new(), Vec::new());
    let mut start = 0.0;
    while start < seconds {
        let picture = dice.pick(&PICTURES);
        let (motion, camera) = dice.pick(&CAMERAS);
        let (mover, movers) = dice.pick(&MOVERS);
        let decibels = dice.pick(&NOISES);
        let length = SHOT_SECONDS.0 + (SHOT_SECONDS.1 - SHOT_SECONDS.0) * dice.even();
        names.push((start, format!("{picture:?} {motion}{mover} {decibels} dB")));
        tape.push(Segment {
            seconds: length,
            shows: Shows::Picture(picture),
            camera,
            movers,
            noise: Noise {
                luma: Decibels(decibels),
                chroma: Decibels(decibels - 2.0),
            },
            ..good
        });
        start += length;
    }
    (tape, names)
}
