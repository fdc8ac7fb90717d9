//! Least-squares spectrum of values at even times of which many are missing.
//!
//! In: values at whole steps of time, in any order and with any gaps. Out: at every frequency the amplitude of the sinusoid
//! that, with a constant, fits the values present best (Lomb 1976; with the constant, Zechmeister & Kürster 2009). Since
//! times are whole steps, all sums of all frequencies come from two fast Fourier transforms, of the values and of where
//! there are any; nothing is interpolated.
//!
//! Gaps at even intervals put ghosts of a strong sinusoid beside it. [`GappySpectrum::peel`] takes the strongest one out of the
//! values, and its ghosts with it.
//!
//! Does not know: what a step is, or what the values stand for.

use std::f64::consts::TAU;
use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::fit::invert;

/// Share of the values' spread by sine and cosine below which they cannot be told apart at a frequency.
const DISTINCT: f32 = 1e-4;

/// Steps, in bins, at which the best frequency is looked for beside the best bin.
const REFINEMENTS: [f64; 3] = [0.5, 0.15, 0.04];

/// A sinusoid in the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sinusoid {
    /// Turns a step.
    pub frequency: f64,
    /// Half of peak to peak.
    pub amplitude: f64,
}

/// Least squares of one frequency.
#[derive(Clone, Copy, Debug)]
struct Fit {
    frequency: f64,
    level: f64,
    cosine: f64,
    sine: f64,
    explained: f64,
}

/// Plans, values and room for a number of steps; made once.
pub struct GappySpectrum {
    fft: Arc<dyn RealToComplex<f32>>,
    values: Vec<f32>,
    present: Vec<f32>,
    /// Steps from the first to the last value.
    reach: Range<usize>,
    count: f32,
    input: Vec<f32>,
    of_values: Vec<Complex<f32>>,
    of_presence: Vec<Complex<f32>>,
    work: Vec<Complex<f32>>,
    amplitudes: Vec<f32>,
}

impl std::fmt::Debug for GappySpectrum {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("GappySpectrum").finish_non_exhaustive()
    }
}

impl GappySpectrum {
    /// For so many steps, best a power of two; bins are its reciprocal apart.
    ///
    /// # Panics
    /// Of fewer than eight steps.
    #[must_use]
    pub fn new(steps: usize) -> Self {
        assert!(
            steps >= 8,
            "a spectrum of {steps} steps has no frequency in it"
        );
        let fft = RealFftPlanner::new().plan_fft_forward(steps);
        Self {
            values: vec![0.0; steps],
            present: vec![0.0; steps],
            reach: 0..0,
            count: 0.0,
            input: fft.make_input_vec(),
            of_values: fft.make_output_vec(),
            of_presence: fft.make_output_vec(),
            work: fft.make_scratch_vec(),
            amplitudes: vec![0.0; steps / 4],
            fft,
        }
    }

    /// Steps there is room for.
    #[must_use]
    pub fn steps(&self) -> usize {
        self.values.len()
    }

    /// Takes values, each at its step, in place of those before; a step beyond the room is passed over.
    pub fn load(&mut self, values: impl Iterator<Item = (usize, f32)>) {
        self.values.fill(0.0);
        self.present.fill(0.0);
        let (mut first, mut end) = (usize::MAX, 0);
        for (step, value) in values {
            if let Some(slot) = self.values.get_mut(step) {
                *slot = value;
                self.present[step] = 1.0;
                (first, end) = (first.min(step), end.max(step + 1));
            }
        }
        self.reach = first.min(end)..end;
        self.count = self.present[self.reach.clone()].iter().sum();
        if self.count > 0.0 {
            self.transform_presence();
            self.centre();
        }
    }

    /// Values present.
    #[must_use]
    pub fn count(&self) -> usize {
        self.count as usize
    }

    /// Amplitudes of what is left of the values, by bin up to a quarter of the steps; bin 0 and where sine and cosine cannot
    /// be told apart are 0.
    pub fn amplitudes(&mut self) -> &[f32] {
        self.amplitudes.fill(0.0);
        if self.count > 0.0 {
            self.transform_values();
            for bin in 1..self.amplitudes.len() {
                self.amplitudes[bin] = self.amplitude(bin);
            }
        }
        &self.amplitudes
    }

    /// Takes the strongest sinusoid in a range of bins out of the values; `None` where there is nothing.
    pub fn peel(&mut self, bins: Range<usize>) -> Option<Sinusoid> {
        self.amplitudes();
        let bins = bins.start.max(1)..bins.end.min(self.amplitudes.len());
        let peak = bins.max_by(|&a, &b| self.amplitudes[a].total_cmp(&self.amplitudes[b]))?;
        if self.amplitudes[peak] <= 0.0 {
            return None;
        }
        let fit = self.refine(peak as f64 / self.steps() as f64)?;
        self.subtract(&fit);
        Some(Sinusoid {
            frequency: fit.frequency,
            amplitude: fit.cosine.hypot(fit.sine),
        })
    }

    fn centre(&mut self) {
        let sum: f64 = self.values[self.reach.clone()]
            .iter()
            .map(|&value| f64::from(value))
            .sum();
        let mean = (sum / f64::from(self.count)) as f32;
        for (value, present) in self.values.iter_mut().zip(&self.present) {
            *value -= mean * present;
        }
    }

    fn transform_presence(&mut self) {
        self.input.copy_from_slice(&self.present);
        self.fft
            .process_with_scratch(&mut self.input, &mut self.of_presence, &mut self.work)
            .expect("all buffers were made by this plan");
    }

    fn transform_values(&mut self) {
        self.input.copy_from_slice(&self.values);
        self.fft
            .process_with_scratch(&mut self.input, &mut self.of_values, &mut self.work)
            .expect("all buffers were made by this plan");
    }

    /// The normal equations of constant, cosine and sine at a bin, solved; the transform's imaginary part is minus the sine.
    fn amplitude(&self, bin: usize) -> f32 {
        let share = self.count.recip();
        let (values, once, twice) = (
            self.of_values[bin] * share,
            self.of_presence[bin] * share,
            self.of_presence[2 * bin] * share,
        );
        let (cosine, sine) = (once.re, -once.im);
        let cosines = 0.5 * (1.0 + twice.re) - cosine * cosine;
        let sines = 0.5 * (1.0 - twice.re) - sine * sine;
        let mixed = -0.5 * twice.im - cosine * sine;
        let determinant = cosines * sines - mixed * mixed;
        if determinant < DISTINCT {
            return 0.0;
        }
        let (with_cosine, with_sine) = (values.re, -values.im);
        let a = (with_cosine * sines - with_sine * mixed) / determinant;
        let b = (with_sine * cosines - with_cosine * mixed) / determinant;
        a.hypot(b)
    }

    fn refine(&self, start: f64) -> Option<Fit> {
        let mut best = self.fit(start)?;
        for share in REFINEMENTS {
            let step = share / self.steps() as f64;
            let before = self.fit(best.frequency - step)?;
            let after = self.fit(best.frequency + step)?;
            let bend = before.explained - 2.0 * best.explained + after.explained;
            let moved = if bend < 0.0 {
                (0.5 * (before.explained - after.explained) / bend).clamp(-1.0, 1.0)
            } else {
                0.0
            };
            best = self.fit(best.frequency + moved * step)?;
        }
        Some(best)
    }

    /// Least squares of constant, cosine and sine at any frequency, from the values themselves.
    fn fit(&self, frequency: f64) -> Option<Fit> {
        let mut normal = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        let mut turning = Turning::new(frequency);
        for step in self.reach.clone() {
            let (cosine, sine) = turning.next();
            if self.present[step] == 0.0 {
                continue;
            }
            let value = f64::from(self.values[step]);
            normal[0][0] += 1.0;
            normal[0][1] += cosine;
            normal[0][2] += sine;
            normal[1][1] += cosine * cosine;
            normal[1][2] += cosine * sine;
            normal[2][2] += sine * sine;
            right[0] += value;
            right[1] += cosine * value;
            right[2] += sine * value;
        }
        normal[1][0] = normal[0][1];
        normal[2][0] = normal[0][2];
        normal[2][1] = normal[1][2];
        if !invert(&mut normal) {
            return None;
        }
        let solved = normal.map(|row| row.iter().zip(right).map(|(a, b)| a * b).sum::<f64>());
        let [level, cosine, sine] = solved;
        Some(Fit {
            frequency,
            level,
            cosine,
            sine,
            explained: solved.iter().zip(right).map(|(a, b)| a * b).sum(),
        })
    }

    fn subtract(&mut self, fit: &Fit) {
        let mut turning = Turning::new(fit.frequency);
        for step in self.reach.clone() {
            let (cosine, sine) = turning.next();
            let wave = fit.level + fit.cosine * cosine + fit.sine * sine;
            self.values[step] -= wave as f32 * self.present[step];
        }
    }
}

/// Cosine and sine of one step after the other, by turning: two multiplications each instead of a series.
struct Turning {
    step: (f64, f64),
    now: (f64, f64),
}

impl Turning {
    fn new(frequency: f64) -> Self {
        let (sine, cosine) = (TAU * frequency).sin_cos();
        Self {
            step: (cosine, sine),
            now: (1.0, 0.0),
        }
    }

    fn next(&mut self) -> (f64, f64) {
        let now = self.now;
        self.now = (
            now.0 * self.step.0 - now.1 * self.step.1,
            now.1 * self.step.0 + now.0 * self.step.1,
        );
        now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEPS: usize = 4096;

    /// Sinusoids (turns a step, amplitude) about a constant at the steps that are present.
    fn loaded(waves: &[(f64, f64)], present: impl Fn(usize) -> bool) -> GappySpectrum {
        let mut spectrum = GappySpectrum::new(STEPS);
        let value = |step: usize| {
            let of = |&(frequency, amplitude): &(f64, f64)| {
                amplitude * (TAU * frequency * step as f64 + 0.7).sin()
            };
            3.0 + waves.iter().map(of).sum::<f64>()
        };
        let steps = (0..3000).filter(|&step| present(step));
        spectrum.load(steps.map(|step| (step, value(step) as f32)));
        spectrum
    }

    /// Nine steps in ten, as blanking leaves of lines.
    fn blanked(step: usize) -> bool {
        step % 100 < 90
    }

    #[test]
    fn a_sinusoid_is_found_with_frequency_and_amplitude_through_gaps() {
        for present in [
            blanked as fn(usize) -> bool,
            |step| step % 100 < 35,
            |_| true,
        ] {
            for frequency in [0.0011, 0.0113, 0.0471, 0.2] {
                let mut spectrum = loaded(&[(frequency, 0.5)], present);
                let found = spectrum.peel(1..STEPS / 4).expect("it is there");
                assert!(
                    (found.frequency - frequency).abs() < 2e-6,
                    "{frequency} {found:?}"
                );
                assert!(
                    (found.amplitude - 0.5).abs() < 1e-3,
                    "{frequency} {found:?}"
                );
                let left = spectrum.amplitudes().iter().copied().fold(0.0, f32::max);
                assert!(left < 2e-3, "{frequency}: {left} is left");
            }
        }
    }

    #[test]
    fn the_spectrum_at_a_bin_is_the_least_squares_fit_there() {
        let mut spectrum = loaded(&[(0.013, 0.5), (0.21, 0.2)], |step| step * 7 % 11 < 6);
        let amplitudes = spectrum.amplitudes().to_vec();
        for bin in [3, 17, 53, 200, 860] {
            let fit = spectrum
                .fit(bin as f64 / STEPS as f64)
                .expect("it can be told apart");
            let direct = fit.cosine.hypot(fit.sine) as f32;
            assert!((amplitudes[bin] - direct).abs() < 1e-4, "{bin} {direct}");
        }
    }

    #[test]
    fn peeling_finds_a_weak_sinusoid_under_the_ghosts_of_a_strong_one() {
        // a ghost of the strong one stands at its frequency plus one over the gaps' interval
        let waves = [(0.0042, 1.0), (0.0142, 0.02)];
        let mut spectrum = loaded(&waves, blanked);
        let ghost = spectrum.amplitudes()[(0.0142 * STEPS as f64) as usize];
        assert!(ghost > 0.05, "{ghost}");
        for (frequency, amplitude) in waves {
            let found = spectrum.peel(1..STEPS / 4).expect("it is there");
            assert!((found.frequency - frequency).abs() < 1e-5, "{found:?}");
            assert!(
                (found.amplitude / amplitude - 1.0).abs() < 0.05,
                "{found:?}"
            );
        }
    }

    #[test]
    fn nothing_and_a_constant_have_no_spectrum() {
        let mut spectrum = GappySpectrum::new(STEPS);
        spectrum.load(std::iter::empty());
        assert!(
            spectrum
                .amplitudes()
                .iter()
                .all(|&amplitude| amplitude == 0.0)
        );
        assert_eq!(spectrum.peel(1..STEPS / 4), None);
        let mut constant = loaded(&[], blanked);
        assert!(
            constant
                .amplitudes()
                .iter()
                .all(|&amplitude| amplitude < 1e-5)
        );
        // one value and two
        spectrum.load([(5, 1.0)].into_iter());
        assert!(
            spectrum
                .amplitudes()
                .iter()
                .all(|amplitude| amplitude.is_finite())
        );
        spectrum.load([(5, 1.0), (900, 2.0), (STEPS + 5, 3.0)].into_iter());
        assert_eq!(spectrum.count(), 2);
        assert!(
            spectrum
                .amplitudes()
                .iter()
                .all(|amplitude| amplitude.is_finite())
        );
    }
}
