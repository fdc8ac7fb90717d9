//! Spectra of short stretches under a raised cosine.
//!
//! In: the samples of a stretch, already under [`Windowed::weights`]. Out: their transform. Planned once; nothing is allocated
//! afterwards.
//!
//! Does not know: what the samples are, or what is made of the spectrum.

use std::f64::consts::TAU;
use std::fmt;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

/// A raised cosine over `LENGTH` samples, and the transform of what is under it.
pub struct Windowed<const LENGTH: usize> {
    transform: Arc<dyn RealToComplex<f32>>,
    weights: [f32; LENGTH],
    work: Vec<Complex<f32>>,
}

impl<const LENGTH: usize> fmt::Debug for Windowed<LENGTH> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Windowed").finish_non_exhaustive()
    }
}

impl<const LENGTH: usize> Default for Windowed<LENGTH> {
    fn default() -> Self {
        let transform = RealFftPlanner::new().plan_fft_forward(LENGTH);
        Self {
            work: transform.make_scratch_vec(),
            transform,
            weights: std::array::from_fn(|at| {
                let turn = TAU * (at as f64 + 0.5) / LENGTH as f64;
                (0.5 - 0.5 * turn.cos()) as f32
            }),
        }
    }
}

impl<const LENGTH: usize> Windowed<LENGTH> {
    /// The raised cosine.
    #[must_use]
    pub fn weights(&self) -> &[f32; LENGTH] {
        &self.weights
    }

    /// The sum of the squares of its weights: 3/8 of their number.
    #[must_use]
    pub fn squares(&self) -> f32 {
        0.375 * LENGTH as f32
    }

    /// Room for a spectrum.
    #[must_use]
    pub fn spectrum(&self) -> Vec<Complex<f32>> {
        self.transform.make_output_vec()
    }

    /// The transform of weighted samples, which are overwritten.
    ///
    /// # Panics
    /// Where `spectrum` is not [`Self::spectrum`] long.
    pub fn transform(&mut self, samples: &mut [f32; LENGTH], spectrum: &mut [Complex<f32>]) {
        self.transform
            .process_with_scratch(samples, spectrum, &mut self.work)
            .expect("all lengths are the plan's own");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_leaves_its_power_in_the_three_bins_of_its_line() {
        const BIN: usize = 9;
        let mut windowed = Windowed::<64>::default();
        let mut samples = std::array::from_fn(|at| {
            let turn = TAU * (BIN * at) as f64 / 64.0;
            5.0 * turn.sin() as f32 * windowed.weights()[at]
        });
        let mut spectrum = windowed.spectrum();
        windowed.transform(&mut samples, &mut spectrum);
        let power: Vec<f32> = spectrum.iter().map(Complex::norm_sqr).collect();
        let line: f32 = power[BIN - 1..=BIN + 1].iter().sum();
        // Parseval: a²/4 · N · Σw²
        let expected = 25.0 / 4.0 * 64.0 * windowed.squares();
        assert!((line / expected - 1.0).abs() < 1e-4, "{line} {expected}");
        let rest: f32 = power.iter().sum::<f32>() - line;
        assert!(rest < 1e-4 * line, "{rest}");
    }

    #[test]
    fn the_sum_of_squares_is_that_of_the_weights() {
        let windowed = Windowed::<128>::default();
        let sum: f32 = windowed
            .weights()
            .iter()
            .map(|weight| weight * weight)
            .sum();
        assert!((sum / windowed.squares() - 1.0).abs() < 1e-5, "{sum}");
    }
}
