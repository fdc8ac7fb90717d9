//! Random numbers from a seed.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

/// A seeded source of even and normal numbers.
pub struct Dice {
    source: Xoshiro256PlusPlus,
    second: Option<f64>,
}

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self {
            source: Xoshiro256PlusPlus::seed_from_u64(seed),
            second: None,
        }
    }

    /// Even in 0..1.
    pub fn even(&mut self) -> f64 {
        (self.source.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Normal, deviation 1 (Box and Muller's pair).
    pub fn normal(&mut self) -> f64 {
        if let Some(second) = self.second.take() {
            return second;
        }
        let radius = (-2.0 * (1.0 - self.even()).ln()).sqrt();
        let angle = std::f64::consts::TAU * self.even();
        self.second = Some(radius * angle.sin());
        radius * angle.cos()
    }
}

/// A seed from words, so that each run has its own and keeps it.
pub fn seed_of(words: &[&str]) -> u64 {
    words
        .iter()
        .flat_map(|word| word.bytes().chain([b'/']))
        .fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        })
}
