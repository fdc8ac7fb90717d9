//! The spectrum of the line sequence of a field, and the strongest wave in it where one stands out.
//!
//! In: residuals of the lines by row and their weights, 0 where there is no evidence. Out: [`Waves`]: the amplitude of the
//! strongest wave in each of [`WAVE_BANDS`] bands of periods, and period and amplitude of the one that stands far above the
//! spectrum around it: wobble of tape usually rises towards long periods, and that alone is no wave.
//!
//! The spectrum is that of the rows seen, under a raised cosine; rows that were not seen have no weight. What they take
//! away from a wave they put beside it, so period and amplitude are refined by weighted least squares on the rows seen
//! (Lomb 1976), a straight line fitted with the wave; and where many rows are missing, the surroundings are judged after
//! the wave was taken out.
//!
//! Does not know: units of the residuals, or what the wave comes from.

use std::f64::consts::{LN_2, TAU};
use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::MAX_ROWS;
use super::decompose::Figure;
use crate::measures::dsp::fit::invert;
use crate::measures::dsp::robust::median;
use crate::units::{Lines, Nanos};

/// Bands of the compact spectrum: each about a fifth wider in period than the one before.
pub const WAVE_BANDS: usize = 24;

/// Periods the bands reach from and to, in lines: twice the shortest that can be, and the rows of a field.
const BANDS_FROM: f64 = 4.0;
const BANDS_TO: f64 = 240.0;

/// Length of the transform: the rows of a field, padded so that the peak can be interpolated.
const LENGTH: usize = 1024;

/// Shortest period looked for, in lines, and the least number of waves in the rows.
const SHORTEST: f64 = 4.0;
const LEAST_WAVES: f64 = 3.5;

/// Peak power over the median around it: chance reaches 17 once in a thousand fields of noise.
const STANDS_OUT: f32 = 20.0;

/// The same while the gaps of a wave are still in its surroundings: what is less is not worth a closer look.
const WORTH_A_LOOK: f32 = 4.0;

/// Share of rows not seen from which the surroundings are judged without the wave.
const GAPPY: f64 = 0.1;

/// Bins on either side, in units of the spectrum's true resolution, that make up the surroundings.
const AROUND: f64 = 8.0;

/// Steps about the peak at which least squares look for the best frequency, in units of the true resolution.
const REFINEMENTS: [f64; 2] = [0.25, 0.06];

/// Amplitude of the strongest wave in each band of periods down the field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaveSpectrum {
    amplitudes_ns: [f32; WAVE_BANDS],
}

impl WaveSpectrum {
    /// Of the amplitudes of the bands, shortest periods first.
    #[must_use]
    pub fn new(amplitudes_ns: [f32; WAVE_BANDS]) -> Self {
        Self { amplitudes_ns }
    }

    /// The period at the short side of a band; that of band [`WAVE_BANDS`] is where the last one ends.
    #[must_use]
    pub fn bound(band: usize) -> Lines {
        Lines(band_bound(band))
    }

    /// Amplitude (half of peak to peak) of the strongest wave of a band.
    #[must_use]
    pub fn amplitude(&self, band: usize) -> Nanos {
        Nanos(f64::from(self.amplitudes_ns[band]))
    }

    /// All amplitudes in ns, shortest periods first.
    #[must_use]
    pub fn amplitudes_ns(&self) -> &[f32; WAVE_BANDS] {
        &self.amplitudes_ns
    }
}

fn band_bound(band: usize) -> f64 {
    BANDS_FROM * (BANDS_TO / BANDS_FROM).powf(band as f64 / WAVE_BANDS as f64)
}

/// The bins of a band; at least one, the nearest.
fn bins_of(band: usize) -> Range<usize> {
    let bin = |period: f64| LENGTH as f64 / period;
    let (first, last) = (bin(band_bound(band + 1)), bin(band_bound(band)));
    let inside = first.ceil() as usize..last.floor() as usize + 1;
    if inside.is_empty() {
        let nearest = (first * last).sqrt().round() as usize;
        nearest..nearest + 1
    } else {
        inside
    }
}

/// What the line sequence of a field is made of, in the unit of its residuals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Waves {
    /// By band, shortest periods first.
    pub amplitudes: [f32; WAVE_BANDS],
    /// The wave that stands out.
    pub strongest: Option<Wave>,
}

/// One wave.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Wave {
    /// In lines.
    pub period: Figure,
    /// Half of peak to peak.
    pub amplitude: Figure,
}

/// A wave and a straight line fitted together.
#[derive(Clone, Copy, Debug)]
struct Fit {
    /// Waves a line.
    frequency: f64,
    cosine: f64,
    sine: f64,
    explained: f64,
}

impl Fit {
    fn at(&self, row: usize) -> f64 {
        let (sine, cosine) = (TAU * self.frequency * row as f64).sin_cos();
        self.cosine * cosine + self.sine * sine
    }
}

/// Plans and room.
pub(super) struct WaveFinder {
    fft: Arc<dyn RealToComplex<f32>>,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    work: Vec<Complex<f32>>,
    /// Weight of each row under the raised cosine.
    window: Vec<f64>,
    /// Squared amplitude by bin.
    power: Vec<f32>,
    around: Vec<f32>,
    bands: [Range<usize>; WAVE_BANDS],
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
            window: Vec::with_capacity(MAX_ROWS),
            power: Vec::with_capacity(LENGTH),
            around: Vec::with_capacity(LENGTH),
            bands: std::array::from_fn(bins_of),
            fft,
        }
    }

    /// The spectrum of `residuals`, each with its weight; `None` where no row has any.
    pub(super) fn look(&mut self, residuals: &[f64], weights: &[f64]) -> Option<Waves> {
        let rows = residuals.len().min(weights.len()).min(MAX_ROWS);
        let (residuals, weights) = (&residuals[..rows], &weights[..rows]);
        self.weigh(weights);
        self.transform(residuals, |_| 0.0)?;
        let amplitudes = self.bands.each_ref().map(|bins| {
            let largest = self.power[bins.clone()]
                .iter()
                .copied()
                .max_by(f32::total_cmp);
            largest.unwrap_or(0.0).sqrt()
        });
        let unseen = weights.iter().filter(|&&weight| weight == 0.0).count();
        let gappy = unseen as f64 > GAPPY * rows as f64;
        Some(Waves {
            amplitudes,
            strongest: self.strongest(residuals, gappy),
        })
    }

    /// A raised cosine keeps a strong wave from spilling over the others, and the bend at the top out of it.
    fn weigh(&mut self, weights: &[f64]) {
        let turn = TAU / weights.len() as f64;
        self.window.clear();
        self.window.extend(
            weights
                .iter()
                .enumerate()
                .map(|(row, weight)| weight * (0.5 - 0.5 * (turn * (row as f64 + 0.5)).cos())),
        );
    }

    /// Squared amplitudes of what remains when `wave` is taken out.
    fn transform(&mut self, residuals: &[f64], wave: impl Fn(usize) -> f64) -> Option<()> {
        let sum: f64 = self.window.iter().sum();
        if sum <= 0.0 {
            return None;
        }
        self.input.fill(0.0);
        let rows = residuals.iter().zip(&self.window).enumerate();
        for (slot, (row, (value, window))) in self.input.iter_mut().zip(rows) {
            *slot = (2.0 / sum * window * (value - wave(row))) as f32;
        }
        self.fft
            .process_with_scratch(&mut self.input, &mut self.spectrum, &mut self.work)
            .ok()?;
        self.power.clear();
        self.power
            .extend(self.spectrum.iter().map(Complex::norm_sqr));
        Some(())
    }

    /// The wave that stands out of the spectrum at hand, if one does.
    fn strongest(&mut self, residuals: &[f64], gappy: bool) -> Option<Wave> {
        let resolution = LENGTH as f64 / residuals.len() as f64;
        let first = (LEAST_WAVES * resolution).ceil() as usize;
        let last = (LENGTH as f64 / SHORTEST) as usize;
        let range = first..last.min(self.power.len().saturating_sub(1));
        let peak = range.max_by(|&a, &b| self.power[a].total_cmp(&self.power[b]))?;
        let [before, power, after] = [peak - 1, peak, peak + 1].map(|bin| self.power[bin]);
        let at_first = power / self.surroundings(peak, resolution)?;
        let asked = if gappy { WORTH_A_LOOK } else { STANDS_OUT };
        if power < before || power < after || !at_first.is_finite() || at_first < asked {
            return None;
        }
        let bin = peak as f64 + summit(before, power, after);
        let fit = self.refine(residuals, bin / LENGTH as f64)?;
        if gappy {
            self.transform(residuals, |row| fit.at(row))?;
        }
        let surroundings = self.surroundings(peak, resolution)?;
        let amplitude = fit.cosine.hypot(fit.sine);
        let ratio = (amplitude * amplitude) as f32 / surroundings;
        if !ratio.is_finite() || ratio < STANDS_OUT {
            return None;
        }
        // Noise has a power of median/ln 2 on average, half of it along the wave. A line's frequency is found to 0.55 bins of
        // the true resolution over the root of its signal-to-noise ratio.
        let noise = f64::from(surroundings) / LN_2;
        let doubt = 0.55 / f64::from(ratio).sqrt() / residuals.len() as f64;
        let period = fit.frequency.recip();
        Some(Wave {
            period: Figure {
                value: period,
                sigma: period * doubt / fit.frequency,
            },
            amplitude: Figure {
                value: amplitude,
                sigma: (noise / 2.0).sqrt(),
            },
        })
    }

    /// The frequency near `start` at which a wave explains most, and that wave.
    fn refine(&self, residuals: &[f64], start: f64) -> Option<Fit> {
        let mut best = self.fit(residuals, start)?;
        for share in REFINEMENTS {
            let step = share / residuals.len() as f64;
            let before = self.fit(residuals, best.frequency - step)?;
            let after = self.fit(residuals, best.frequency + step)?;
            let bend = before.explained - 2.0 * best.explained + after.explained;
            let move_by = if bend < 0.0 {
                (0.5 * (before.explained - after.explained) / bend).clamp(-1.0, 1.0)
            } else {
                0.0
            };
            best = self.fit(residuals, best.frequency + move_by * step)?;
        }
        Some(best)
    }

    /// Least squares of a wave of one frequency together with a straight line.
    fn fit(&self, residuals: &[f64], frequency: f64) -> Option<Fit> {
        let mut normal = [[0.0; 4]; 4];
        let mut right = [0.0; 4];
        let (step_sine, step_cosine) = (TAU * frequency).sin_cos();
        let (mut sine, mut cosine) = (0.0, 1.0);
        let scale = 2.0 / residuals.len() as f64;
        for (row, (value, weight)) in residuals.iter().zip(&self.window).enumerate() {
            let columns = [1.0, scale * row as f64 - 1.0, cosine, sine];
            for (i, &column) in columns.iter().enumerate() {
                let weighted = weight * column;
                right[i] += weighted * value;
                for (cell, &other) in normal[i][i..].iter_mut().zip(&columns[i..]) {
                    *cell += weighted * other;
                }
            }
            (cosine, sine) = (
                cosine * step_cosine - sine * step_sine,
                sine * step_cosine + cosine * step_sine,
            );
        }
        let upper = normal;
        for (i, row) in normal.iter_mut().enumerate() {
            for (cell, mirrored) in row[..i].iter_mut().zip(&upper) {
                *cell = mirrored[i];
            }
        }
        if !invert(&mut normal) {
            return None;
        }
        let [level, slope, cosine, sine] =
            normal.map(|row| row.iter().zip(right).map(|(a, b)| a * b).sum::<f64>());
        let solved = [level, slope, cosine, sine];
        Some(Fit {
            frequency,
            cosine,
            sine,
            explained: solved.iter().zip(right).map(|(a, b)| a * b).sum(),
        })
    }

    /// Median power below or above a peak, whichever is more: what wobble that rises towards long periods has there.
    fn surroundings(&mut self, peak: usize, resolution: f64) -> Option<f32> {
        let own = (2.0 * resolution) as usize;
        let reach = own + (AROUND * resolution) as usize;
        let mut side = |bins: Range<usize>| {
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

    /// Rows of a 525-line field without its head-switch zone.
    const ROWS: usize = 232;

    /// Noise of a line read at 38 dB, in samples.
    const NOISE: f64 = 0.02;

    /// A wave about a straight line in noise, in samples; rows that `seen` leaves out have no weight.
    fn field(
        dice: &mut Dice,
        (amplitude, period, phase): (f64, f64, f64),
        seen: impl Fn(usize) -> bool,
    ) -> (Vec<f64>, Vec<f64>) {
        (0..ROWS)
            .map(|row| {
                if !seen(row) {
                    return (0.0, 0.0);
                }
                let wave = amplitude * (TAU * row as f64 / period + phase).sin();
                (wave + NOISE * dice.normal(), 1.0)
            })
            .unzip()
    }

    /// Root-mean-square errors of amplitude and period as shares of the truth, and of both over their own sigma.
    fn errors(amplitude: f64, period: f64, seen: impl Fn(usize) -> bool) -> [f64; 4] {
        let mut dice = Dice::new(11);
        let mut finder = WaveFinder::new();
        let mut sums = [0.0; 4];
        let fields = 60;
        for field_number in 0..fields {
            let phase = 0.37 * f64::from(field_number);
            let (values, weights) = field(&mut dice, (amplitude, period, phase), &seen);
            let waves = finder.look(&values, &weights).expect("rows are seen");
            let wave = waves.strongest.expect("it stands out");
            let misses = [
                (wave.amplitude.value - amplitude, amplitude),
                (wave.period.value - period, period),
                (wave.amplitude.value - amplitude, wave.amplitude.sigma),
                (wave.period.value - period, wave.period.sigma),
            ];
            for (sum, (miss, unit)) in sums.iter_mut().zip(misses) {
                *sum += (miss / unit).powi(2) / f64::from(fields);
            }
        }
        sums.map(f64::sqrt)
    }

    #[test]
    fn amplitude_and_period_are_right_within_5_percent_from_a_tenth_of_a_sample_up() {
        for amplitude in [0.1, 0.5, 5.0] {
            for period in [6.0, 17.0, 28.0, 44.0, 60.0] {
                let [level, length, ..] = errors(amplitude, period, |_| true);
                assert!(
                    level < 0.05 && length < 0.05,
                    "{amplitude} {period}: {level} {length}"
                );
            }
        }
    }

    #[test]
    fn their_standard_errors_are_honest() {
        for period in [6.0, 17.0, 28.0, 40.0] {
            let [.., level, length] = errors(0.1, period, |_| true);
            assert!((0.7..1.4).contains(&level), "{period} {level}");
            assert!((0.6..1.5).contains(&length), "{period} {length}");
        }
    }

    #[test]
    fn rows_that_were_not_seen_change_neither() {
        let gap = |row: usize| !(90..130).contains(&row);
        let sparse = |row: usize| row.wrapping_mul(2_654_435_761) % 101 < 55;
        for period in [8.0, 20.0, 36.0] {
            for [level, length, ..] in [errors(0.2, period, gap), errors(0.2, period, sparse)] {
                assert!(level < 0.05 && length < 0.05, "{period}: {level} {length}");
            }
        }
    }

    #[test]
    fn each_band_has_the_amplitude_of_a_wave_in_it() {
        let mut dice = Dice::new(5);
        let mut finder = WaveFinder::new();
        for band in 0..WAVE_BANDS - 8 {
            let period = (band_bound(band) * band_bound(band + 1)).sqrt();
            let (values, weights) = field(&mut dice, (0.5, period, 1.0), |_| true);
            let waves = finder.look(&values, &weights).expect("rows are seen");
            let found = f64::from(waves.amplitudes[band]);
            assert!((found - 0.5).abs() < 0.03, "{band} {period}: {found}");
            let far = waves.amplitudes.iter().enumerate();
            let far = far.filter(|(other, _)| other.abs_diff(band) > 6);
            for (other, amplitude) in far {
                assert!(*amplitude < 0.03, "{band} leaks into {other}: {amplitude}");
            }
        }
    }

    #[test]
    fn bands_are_in_order_and_each_has_a_bin() {
        assert!((band_bound(0) - 4.0).abs() < 1e-9);
        assert!((band_bound(WAVE_BANDS) - 240.0).abs() < 1e-9);
        for band in 0..WAVE_BANDS {
            assert!(band_bound(band) < band_bound(band + 1));
            assert!(!bins_of(band).is_empty(), "{band}");
        }
    }

    #[test]
    fn a_bend_at_the_top_is_no_wave_and_spoils_none() {
        let mut dice = Dice::new(9);
        let mut finder = WaveFinder::new();
        for (amplitude, expected) in [(0.0, None), (0.5, Some(20.0))] {
            let (mut values, weights) = field(&mut dice, (amplitude, 20.0, 0.4), |_| true);
            for (row, value) in values.iter_mut().enumerate() {
                *value += 3.0 * (-(row as f64) / 8.0).exp();
            }
            let waves = finder.look(&values, &weights).expect("rows are seen");
            match (waves.strongest, expected) {
                (None, None) => {}
                (Some(wave), Some(period)) => {
                    assert!((wave.period.value / period - 1.0).abs() < 0.05, "{wave:?}");
                    assert!(
                        (wave.amplitude.value / amplitude - 1.0).abs() < 0.08,
                        "{wave:?}"
                    );
                }
                other => panic!("{other:?}"),
            }
        }
    }

    #[test]
    fn noise_and_drifting_wobble_have_no_period() {
        let mut dice = Dice::new(4);
        let mut finder = WaveFinder::new();
        let mut found = 0;
        let mut stands_out = |values: &[f64]| {
            let waves = finder.look(values, &[1.0; ROWS]).expect("rows are seen");
            usize::from(waves.strongest.is_some())
        };
        for _ in 0..200 {
            let mut wobble = 0.0;
            let values: Vec<f64> = (0..ROWS)
                .map(|_| {
                    wobble = 0.95 * wobble + dice.normal();
                    wobble
                })
                .collect();
            found += stands_out(&values);
            let noise: Vec<f64> = (0..ROWS).map(|_| dice.normal()).collect();
            found += stands_out(&noise);
        }
        assert!(found <= 8, "{found} of 400");
    }

    #[test]
    fn noise_in_few_rows_has_no_period() {
        let mut dice = Dice::new(6);
        let mut finder = WaveFinder::new();
        let mut found = 0;
        for _ in 0..200 {
            let (values, weights) =
                field(&mut dice, (0.0, 9.0, 0.0), |row| row % 5 != 0 || row < 60);
            let waves = finder.look(&values, &weights).expect("rows are seen");
            found += usize::from(waves.strongest.is_some());
        }
        assert!(found <= 4, "{found} of 200");
    }

    #[test]
    fn nothing_has_no_spectrum_and_no_period() {
        let mut finder = WaveFinder::new();
        assert!(finder.look(&[], &[]).is_none());
        assert!(finder.look(&[0.0; ROWS], &[0.0; ROWS]).is_none());
        let still = finder
            .look(&[0.0; ROWS], &[1.0; ROWS])
            .expect("rows are seen");
        assert_eq!(still.strongest, None);
        assert_eq!(still.amplitudes, [0.0; WAVE_BANDS]);
    }

    /// The fixture's fits are exact; ours stops after two parabolas, which leaves well under a tenth of what noise does.
    /// Lomb and Scargle's power has no straight line in it, so its peak lies a little apart.
    #[test]
    fn spectra_and_waves_are_those_of_numpy_and_scipy() {
        let text = include_str!("../../../fixtures/reference/spectrum.json");
        let fixture: serde_json::Value = serde_json::from_str(text).expect("the fixture is JSON");
        let mut finder = WaveFinder::new();
        let cases = fixture["cases"].as_array().expect("a list");
        assert_eq!(cases.len(), 3);
        for case in cases {
            let number = |name: &str| case[name].as_f64().expect("a number");
            let numbers = |name: &str| -> Vec<f64> {
                let list = case[name].as_array().expect("a list");
                list.iter().filter_map(serde_json::Value::as_f64).collect()
            };
            let (values, seen) = (numbers("values"), numbers("seen"));
            let waves = finder.look(&values, &seen).expect("rows are seen");
            let wave = waves.strongest.expect("the wave stands out");
            let name = &case["name"];
            let off = |value: f64, reference: f64| (value / reference - 1.0).abs();
            assert!(
                off(wave.period.value, number("period")) < 1e-3,
                "{name} {wave:?}"
            );
            assert!(
                off(wave.period.value, number("lomb_scargle_period")) < 5e-3,
                "{name} {wave:?}"
            );
            assert!(
                off(wave.amplitude.value, number("amplitude")) < 2e-3,
                "{name} {wave:?}"
            );
            // Single precision: the transform of 1024 points keeps six digits of the largest.
            let spectrum = numbers("amplitude_spectrum");
            finder.weigh(&seen);
            finder.transform(&values, |_| 0.0).expect("rows are seen");
            for (bin, (power, theirs)) in finder.power.iter().zip(&spectrum).enumerate() {
                let ours = f64::from(power.sqrt());
                assert!(
                    (ours - theirs).abs() < 1e-6,
                    "{name} bin {bin}: {ours} {theirs}"
                );
            }
        }
    }
}
