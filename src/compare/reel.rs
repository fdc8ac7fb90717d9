//! An invented tape, for tests of what finds places on it.

use rand::{Rng as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::series::{CELLS, GRID, Track};

/// A tape: shots of some seconds, each a drifting pattern of its own or a still one, with something that moves in it.
pub(super) struct Reel {
    pub(super) fields: Vec<[f64; CELLS]>,
}

impl Reel {
    /// Shots from a seed.
    pub(super) fn shot(seed: u64, fields: usize) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut unit = move || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        let mut all = Vec::with_capacity(fields);
        while all.len() < fields {
            let length = 120 + (unit() * 400.0) as usize;
            let waves: Vec<[f64; 4]> = (0..4)
                .map(|_| {
                    [
                        unit() * 1.2,
                        unit() * 1.2,
                        unit() * 6.0,
                        12.0 + unit() * 20.0,
                    ]
                })
                .collect();
            let speed = if unit() < 0.3 {
                0.0
            } else {
                0.01 + 0.06 * unit()
            };
            let (base, run) = (70.0 + 60.0 * unit(), unit());
            for field in 0..length {
                let time = field as f64;
                all.push(std::array::from_fn(|cell| {
                    let (x, y) = ((cell % GRID.0) as f64, (cell / GRID.0) as f64);
                    let still: f64 = waves
                        .iter()
                        .map(|[a, b, c, size]| size * (a * (x + speed * time) + b * y + c).sin())
                        .sum();
                    let spot =
                        (x - (run * 8.0 + 0.02 * time * f64::from(speed > 0.0)) % 8.0).powi(2);
                    base + still + 20.0 * (-spot).exp()
                }));
            }
        }
        all.truncate(fields);
        Self { fields: all }
    }

    /// The fields of the tape at these places through a chain.
    pub(super) fn played(&self, places: impl IntoIterator<Item = usize>, chain: Chain) -> Track {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(chain.seed);
        let mut bell = move || {
            let bits = random.next_u64();
            let sum: u64 = (0..4).map(|nth| (bits >> (16 * nth)) & 0xffff).sum();
            (sum as f64 / 65_536.0 - 2.0) * 3.0_f64.sqrt()
        };
        Track::from_cells(places.into_iter().map(|place| {
            Some(std::array::from_fn(|cell| {
                let code = 16.0 + (self.fields[place][cell] - 16.0) * chain.gain + chain.lift;
                (code + 0.3 * bell()).round().clamp(0.0, 255.0) as u8
            }))
        }))
    }
}

/// What a chain does to the codes, and the seed of its noise.
#[derive(Clone, Copy)]
pub(super) struct Chain {
    gain: f64,
    lift: f64,
    seed: u64,
}

pub(super) const PLAIN: Chain = Chain {
    gain: 1.0,
    lift: 0.0,
    seed: 1,
};

pub(super) const OTHER: Chain = Chain {
    gain: 0.9,
    lift: 7.0,
    seed: 2,
};
