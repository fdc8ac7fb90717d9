//! Patterns that something electric lays over the picture: a frequency that stands out of the luma spectrum everywhere.
//!
//! In: a field, the state of its sync, and where its picture is. Out: a [`Reading`].
//!
//! A radiating supply, a transmitter or the beat of two carriers puts one frequency over the whole picture, which shows as fine
//! slanting stripes, often woven (herringbone). Picture detail of one frequency, a fence or a striped shirt, fills part of a
//! picture for the length of a shot. So short stretches from all over the picture are transformed, and of each frequency the
//! lower third of their powers counts: that of the quiet stretches. It is averaged over seconds, and a line must stand far out of
//! what lies beside it.
//!
//! Subcarrier is left out: `chroma` tells it from detail by better means. So is what lies under 0.6 MHz, where pictures have their
//! power. The mains themselves are looked for in the blanking, by `hum`.
//!
//! Does not know: limits, what radiates.

use realfft::num_complex::Complex;

use super::dsp::robust;
use super::dsp::windowed::Windowed;
use super::sync::State;
use super::{Measure, levels};
use crate::fields::{FieldRaster, Neighbourhood};
use crate::units::{Estimate, Hertz, Ire, LumaCode, Megahertz, ire_from_code_step};

pub use hum::{Bar, Ripple};
pub use quantities::QUANTITIES;

mod hum;
mod quantities;
#[cfg(test)]
mod tests;

/// Samples of a stretch: 19 µs, 53 kHz from one frequency to the next.
const LENGTH: usize = 256;
const BINS: usize = LENGTH / 2 + 1;

/// Stretches of a field, from so many rows.
const ROWS: usize = 12;
const MOST: usize = 48;
const LEAST: usize = 16;

/// Fields from one that is looked at to the next: an odd number, so that both parities come up.
const FIELD_STEP: u32 = 3;

/// Share of the stretches that have less power: texture fills others.
const QUIET_SHARE: f64 = 0.3;

/// Fields looked at that the mean reaches back, and that must have been seen: four seconds, and two.
const REMEMBERED: f32 = 72.0;
const LEAST_FIELDS: u32 = 36;

/// Where patterns are looked for.
const FROM: Hertz = Hertz(0.6e6);
const TO: Hertz = Hertz(5.5e6);

/// Distance from the colour subcarrier that is left out.
const BESIDE_SUBCARRIER: Hertz = Hertz(0.2e6);

/// Bins to either side that a line takes up under the raised cosine, and those beyond that tell what it stands on.
const LINE: usize = 2;
const AROUND: usize = 9;

/// Power over what lies beside from which on it is a line. Noise stays within a quarter of it, the slopes of noise spectra
/// within half.
const STANDS_OUT: f32 = 5.0;

/// Noise of rounding to whole codes: nothing real is less.
const ROUNDING: f32 = 1.0 / 12.0;

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// What sync says of it.
    pub state: State,
    /// Where the picture is.
    pub levels: &'a levels::Reading,
}

/// The pattern that stands out most.
#[derive(Clone, Copy, Debug, Default)]
pub struct Reading {
    /// From peak to peak; `None` where none stands out, before some seconds of picture, and without a sample rate.
    pub pattern: Option<Estimate<Ire>>,
    /// Its frequency along the line.
    pub frequency: Option<Estimate<Megahertz>>,
    /// Hum of the mains; `None` where none is certain, and where less than two columns of blanking are in view.
    pub bar: Option<Bar>,
}

/// The measure.
#[derive(Debug)]
pub struct Interference {
    windowed: Windowed<LENGTH>,
    stretch: [f32; LENGTH],
    spectrum: Vec<Complex<f32>>,
    /// Powers of each frequency, one a stretch.
    powers: Box<[[f32; MOST]]>,
    /// Mean over the fields of what the quiet stretches have, and of its square.
    mean: [f32; BINS],
    mean_square: [f32; BINS],
    fields: u32,
    turn: u32,
    raster: Option<FieldRaster>,
    said: Reading,
    hum: hum::Hum,
}

impl Default for Interference {
    fn default() -> Self {
        let windowed = Windowed::default();
        Self {
            stretch: [0.0; LENGTH],
            spectrum: windowed.spectrum(),
            windowed,
            powers: vec![[0.0; MOST]; BINS].into_boxed_slice(),
            mean: [0.0; BINS],
            mean_square: [0.0; BINS],
            fields: 0,
            turn: 0,
            raster: None,
            said: Reading::default(),
            hum: hum::Hum::default(),
        }
    }
}

impl Measure for Interference {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        let field = input.around.field;
        if self.raster != Some(field.raster) {
            self.raster = Some(field.raster);
            self.forget();
            self.hum.forget();
        }
        if !matches!(input.state, State::Locked | State::Unstable) {
            self.forget();
            return Reading::default();
        }
        self.turn += 1;
        if self.turn.is_multiple_of(FIELD_STEP) && self.look(input) {
            self.said = self.find(&field.raster).unwrap_or_default();
        }
        Reading {
            bar: self.hum.see(field, input.levels.blanking),
            ..self.said
        }
    }
}

/// A line of the spectrum.
#[derive(Clone, Copy)]
struct Line {
    bin: f32,
    /// In codes, from peak to peak.
    swing: f32,
    sigma: f32,
}

impl Interference {
    fn forget(&mut self) {
        self.fields = 0;
        self.said = Reading::default();
    }

    /// Takes in the stretches of one field; `false` where there are too few.
    fn look(&mut self, input: Input<'_>) -> bool {
        let luma = &input.around.field.luma;
        let area = &input.levels.area;
        let across = area.columns.len() / LENGTH;
        let step = (area.rows.len() / ROWS).max(1);
        let first = area.rows.start + self.turn as usize * 5 % step;
        let mut count = 0;
        for row in (first..area.rows.end.min(luma.rows)).step_by(step) {
            let row = &luma.row(row)[area.columns.clone()];
            // what is left over lies to either side, in turn
            let spare = (row.len() - across * LENGTH) * (self.turn as usize % 2);
            for codes in row[spare..].chunks_exact(LENGTH).take(across) {
                if count < MOST {
                    self.transform(codes, count);
                    count += 1;
                }
            }
        }
        if count < LEAST {
            return false;
        }
        self.fields += 1;
        let share = 1.0 / (self.fields as f32).min(REMEMBERED);
        for ((powers, mean), mean_square) in self
            .powers
            .iter_mut()
            .zip(&mut self.mean)
            .zip(&mut self.mean_square)
        {
            let quiet = robust::quantile(&mut powers[..count], QUIET_SHARE).unwrap_or(0.0);
            *mean += share * (quiet - *mean);
            *mean_square += share * (quiet * quiet - *mean_square);
        }
        true
    }

    /// Leaves the powers of one stretch at `nth`.
    fn transform(&mut self, codes: &[u8], nth: usize) {
        let sum: u32 = codes.iter().map(|&code| u32::from(code)).sum();
        let mean = sum as f32 / LENGTH as f32;
        for ((sample, &code), weight) in self
            .stretch
            .iter_mut()
            .zip(codes)
            .zip(self.windowed.weights())
        {
            *sample = weight * (f32::from(code) - mean);
        }
        self.windowed
            .transform(&mut self.stretch, &mut self.spectrum);
        for (powers, bin) in self.powers.iter_mut().zip(&self.spectrum) {
            powers[nth] = bin.norm_sqr();
        }
    }

    fn find(&self, raster: &FieldRaster) -> Option<Reading> {
        if self.fields < LEAST_FIELDS {
            return None;
        }
        let rate = raster.sample_rate?;
        let bin_of = |frequency: Hertz| frequency.0 / rate.0 * LENGTH as f64;
        let (from, to) = (bin_of(FROM), bin_of(TO).min(BINS as f64 - 1.0));
        let subcarrier = raster
            .standard
            .map(|standard| bin_of(standard.subcarrier()));
        let looked_at = |bin: usize| {
            let bin = bin as f64;
            let beside = subcarrier.is_some_and(|at| (bin - at).abs() < bin_of(BESIDE_SUBCARRIER));
            (from..=to).contains(&bin) && !beside
        };
        let line = (LINE + AROUND..BINS)
            .filter(|&bin| looked_at(bin))
            .filter_map(|bin| self.line_at(bin))
            .max_by(|a, b| a.swing.total_cmp(&b.swing))?;
        let ire = |codes: f32| ire_from_code_step(LumaCode(f64::from(codes)), raster.range);
        let megahertz = |bins: f64| Megahertz(bins / LENGTH as f64 * rate.0 * 1e-6);
        let by_rate = raster.rate_trust.sigma() * f64::from(line.bin);
        // a tenth of a bin: what interpolation between bins is good for
        let bins_sigma = 0.1_f64.hypot(by_rate);
        Some(Reading {
            pattern: Some(Estimate::new(ire(line.swing), ire(line.sigma), self.fields)),
            frequency: Some(Estimate::new(
                megahertz(f64::from(line.bin)),
                megahertz(bins_sigma),
                self.fields,
            )),
            bar: None,
        })
    }

    /// The line at a bin that has more power than those beside it, where it stands out.
    fn line_at(&self, bin: usize) -> Option<Line> {
        let power = self.mean[bin];
        let beside = [bin - 1, bin + 1].map(|at| self.mean.get(at).copied().unwrap_or(0.0));
        if beside.iter().any(|&beside| beside > power) {
            return None;
        }
        let squares = self.windowed.squares();
        let mut floor = [0.0; 2 * AROUND];
        let mut count = 0;
        let below = bin - LINE - AROUND..bin - LINE;
        let above = (bin + LINE + 1).min(BINS)..(bin + LINE + 1 + AROUND).min(BINS);
        for at in below.chain(above) {
            floor[count] = self.mean[at];
            count += 1;
        }
        let floor = robust::median(&mut floor[..count])?.max(ROUNDING * squares);
        if power < STANDS_OUT * floor {
            return None;
        }
        let lobe = bin - LINE..(bin + LINE + 1).min(BINS);
        let line: f32 = self.mean[lobe].iter().map(|at| (at - floor).max(0.0)).sum();
        // A sine of amplitude a leaves a²/4 · N · Σw² in the bins of its line (Parseval).
        let amplitude = (4.0 * line / (LENGTH as f32 * squares)).sqrt();
        let spread = (self.mean_square[bin] - power * power).max(0.0).sqrt() / power;
        let relative = spread / (self.fields as f32).min(REMEMBERED).sqrt();
        // Of a raised cosine: amplitudes of the two largest bins tell where between them the frequency lies.
        let (side, way) = if beside[1] > beside[0] {
            (beside[1], 1.0)
        } else {
            (beside[0], -1.0)
        };
        let ratio = (side / power).sqrt();
        let apart = ((2.0 * ratio - 1.0) / (1.0 + ratio)).clamp(0.0, 0.5);
        Some(Line {
            bin: bin as f32 + way * apart,
            swing: 2.0 * amplitude,
            sigma: amplitude * relative.max(0.02),
        })
    }
}
