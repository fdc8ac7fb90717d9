//! Random numbers that are the same for a seed on every machine.
//!
//! In: a seed and the [`Stream`] that wants numbers. Out: uniform, normal and Poisson draws. Each part of the tape has
//! its own stream, so that the same tape played through another chain keeps its pictures, its timing and its faults.
//! `libm` stands in for the platform's own functions, which differ in the last bit.
//!
//! Does not know: what is drawn.

use std::f64::consts::TAU;

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

/// Who draws.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stream {
    Pictures = 1,
    Camera = 2,
    Transport = 3,
    Sync = 4,
    Defects = 5,
    Noise = 6,
    NoiseOffsets = 7,
    Direct = 8,
    Capture = 9,
    Heads = 10,
}

/// A stream of random numbers.
#[derive(Debug)]
pub(super) struct Dice {
    generator: Xoshiro256PlusPlus,
    spare_normal: Option<f64>,
}

impl Dice {
    pub(super) fn new(seed: u64, stream: Stream) -> Self {
        // An odd multiplier keeps neighbouring seeds and streams apart; the generator's own seeding mixes further.
        let mixed = seed
            .wrapping_mul(0x9E37_79B9_7F4A_7C15)
            .wrapping_add(stream as u64);
        Self {
            generator: Xoshiro256PlusPlus::seed_from_u64(mixed),
            spare_normal: None,
        }
    }

    /// Sixty-four random bits.
    pub(super) fn bits(&mut self) -> u64 {
        self.generator.next_u64()
    }

    /// 0 up to but not including 1.
    pub(super) fn unit(&mut self) -> f64 {
        // The upper 53 bits fill an f64 exactly.
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// An angle, uniform over a turn.
    pub(super) fn angle(&mut self) -> f64 {
        self.between(0.0, TAU)
    }

    /// A whole number below `count`.
    pub(super) fn below(&mut self, count: usize) -> usize {
        (self.unit() * count as f64) as usize
    }

    /// Mean 0, standard deviation 1 (Box and Muller).
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        let (sine, cosine) = libm::sincos(self.angle());
        self.spare_normal = Some(radius * sine);
        radius * cosine
    }

    /// How often something happens that happens `mean` times on average; capped at `most`.
    pub(super) fn poisson(&mut self, mean: f64, most: usize) -> usize {
        let floor = libm::exp(-mean);
        let mut product = self.unit();
        let mut count = 0;
        while product > floor && count < most {
            product *= self.unit();
            count += 1;
        }
        count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_draws_have_mean_0_and_deviation_1() {
        let mut dice = Dice::new(7, Stream::Noise);
        let draws: Vec<f64> = (0..40_000).map(|_| dice.normal()).collect();
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        let square = draws.iter().map(|x| x * x).sum::<f64>() / draws.len() as f64;
        // Four standard errors: 4/√40000 and 4·√(2/40000).
        assert!(mean.abs() < 0.02, "{mean}");
        assert!((square - 1.0).abs() < 0.0283, "{square}");
    }

    #[test]
    fn poisson_draws_have_their_mean() {
        let mut dice = Dice::new(7, Stream::Defects);
        let total: usize = (0..20_000).map(|_| dice.poisson(1.7, 50)).sum();
        let mean = total as f64 / 20_000.0;
        assert!(
            (mean - 1.7).abs() < 4.0 * (1.7_f64 / 20_000.0).sqrt(),
            "{mean}"
        );
    }

    #[test]
    fn streams_of_one_seed_differ_and_each_repeats() {
        let draw = |stream| Dice::new(3, stream).unit();
        assert_ne!(draw(Stream::Noise), draw(Stream::Sync));
        assert_eq!(draw(Stream::Noise), draw(Stream::Noise));
    }
}
