//! The period of the strongest wave down the field, where one stands out.
//!
//! In: residuals of the lines by row, 0 where there is no evidence. Out: the period in lines with its standard error.
//! The spectrum's highest peak is taken if it stands far above the spectrum around it: wobble of tape usually rises towards
//! long periods, and that alone is no wave.
//!
//! Does not know: units of the residuals, or what the wave comes from.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::decompose::Figure;
use crate::measures::dsp::robust::median;

/// Length of the transform: the rows of a field, padded so that the peak can be interpolated.
const LENGTH: usize = 1024;

/// Shortest period looked for, in lines, and the least number of waves in the rows.
const SHORTEST: f64 = 4.0;
const LEAST_WAVES: f64 = 5.0;

/// Peak power over the median around it: chance reaches 17 once in a thousand fields of noise.
const STANDS_OUT: f32 = 20.0;

/// Bins on either side, in units of the spectrum's true resolution, that make up the surroundings.
const AROUND: f64 = 8.0;

/// Plans and room.
pub(super) struct WaveFinder {
    fft: Arc<dyn RealToComplex<f32>>,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    work: Vec<Complex<f32>>,
    power: Vec<f32>,
    around: Vec<f32>,
}

impl std::fmt::Debug for WaveFinder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("WaveFinder").finish_non_exhaustive()
    }
}

impl WaveFinder {
    pub(super) fn new() -> Self {
        let fft = RealFftPlanner::new().plan_fft_forward(LENGTH);
        Self {
            input: fft.make_input_vec(),
            spectrum: fft.make_output_vec(),
            work: fft.make_scratch_vec(),
            power: Vec::with_capacity(LENGTH),
            around: Vec::with_capacity(LENGTH),
            fft,
        }
    }

    /// The period in lines that stands out of `residuals`, if one does.
    pub(super) fn period(&mut self, residuals: &[f64]) -> Option<Figure> {
        let rows = residuals.len().min(LENGTH);
        self.transform(&residuals[..rows])?;
        let resolution = LENGTH as f64 / rows as f64;
        let first = (LEAST_WAVES * resolution).ceil() as usize;
        let last = (LENGTH as f64 / SHORTEST) as usize;
        let range = first..last.min(self.power.len());
        let peak = range
            .clone()
            .max_by(|&a, &b| self.power[a].total_cmp(&self.power[b]))?;
        let local =
            self.power[peak] >= self.power[peak - 1] && self.power[peak] >= self.power[peak + 1];
        let surroundings = self.surroundings(peak, resolution)?;
        let ratio = self.power[peak] / surroundings;
        if !local || !ratio.is_finite() || ratio < STANDS_OUT {
            return None;
        }
        let bin =
            peak as f64 + summit(self.power[peak - 1], self.power[peak], self.power[peak + 1]);
        let period = LENGTH as f64 / bin;
        // A line's frequency is found to 0.55 bins of the true resolution over the root of its signal-to-noise ratio.
        let sigma = 0.55 * resolution / f64::from(ratio).sqrt();
        Some(Figure {
            value: period,
            sigma: period * sigma / bin,
        })
    }

    /// Power spectrum under a raised cosine, which keeps a strong wave from spilling over the others.
    fn transform(&mut self, residuals: &[f64]) -> Option<()> {
        let turn = std::f64::consts::TAU / residuals.len() as f64;
        self.input.fill(0.0);
        for (row, (slot, value)) in self.input.iter_mut().zip(residuals).enumerate() {
            let window = 0.5 - 0.5 * (turn * (row as f64 + 0.5)).cos();
            *slot = (window * value) as f32;
        }
        self.fft
            .process_with_scratch(&mut self.input, &mut self.spectrum, &mut self.work)
            .ok()?;
        self.power.clear();
        self.power
            .extend(self.spectrum.iter().map(Complex::norm_sqr));
        Some(())
    }

    /// Median power below or above a peak, whichever is more: what wobble that rises towards long periods has there.
    fn surroundings(&mut self, peak: usize, resolution: f64) -> Option<f32> {
        let own = (2.0 * resolution) as usize;
        let reach = own + (AROUND * resolution) as usize;
        let mut side = |bins: std::ops::Range<usize>| {
            self.around.clear();
            self.around.extend_from_slice(self.power.get(bins)?);
            median(&mut self.around)
        };
        // The bins of the straight line that was taken out hold nothing.
        let lowest = resolution as usize;
        let below = side(peak.saturating_sub(reach).max(lowest)..peak.saturating_sub(own));
        let above = side(peak + own + 1..(peak + reach + 1).min(self.power.len()));
        below
            .into_iter()
            .chain(above)
            .max_by(f32::total_cmp)
            .filter(|&power| power > 0.0)
    }
}

/// Where a parabola through three powers has its summit, in bins from the middle one.
fn summit(before: f32, peak: f32, after: f32) -> f64 {
    let (before, peak, after) = (f64::from(before), f64::from(peak), f64::from(after));
    let bend = before - 2.0 * peak + after;
    if bend < 0.0 {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::Dice;
    use super::*;

    #[test]
    fn a_wave_in_noise_is_found_with_its_period() {
        let mut dice = Dice::new(3);
        for period in [6.0, 17.0, 28.0, 42.0] {
            let values: Vec<f64> = (0..232)
                .map(|row| {
                    (std::f64::consts::TAU * f64::from(row) / period).sin() + 0.4 * dice.normal()
                })
                .collect();
            let found = WaveFinder::new().period(&values).expect("it stands out");
            assert!(
                (found.value / period - 1.0).abs() < 0.05,
                "{period} {found:?}"
            );
        }
    }

    #[test]
    fn noise_and_drifting_wobble_have_no_period() {
        let mut dice = Dice::new(4);
        let mut finder = WaveFinder::new();
        let mut found = 0;
        for _ in 0..200 {
            let mut wobble = 0.0;
            let values: Vec<f64> = (0..232)
                .map(|_| {
                    wobble = 0.95 * wobble + dice.normal();
                    wobble
                })
                .collect();
            found += usize::from(finder.period(&values).is_some());
            let noise: Vec<f64> = (0..232).map(|_| dice.normal()).collect();
            found += usize::from(finder.period(&noise).is_some());
        }
        assert!(found <= 8, "{found} of 400");
    }

    #[test]
    fn nothing_has_no_period() {
        assert!(WaveFinder::new().period(&[0.0; 232]).is_none());
        assert!(WaveFinder::new().period(&[]).is_none());
    }
}
