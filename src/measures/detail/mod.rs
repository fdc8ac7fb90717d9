//! Detail: up to which frequency the picture has any, and whether edges ring.
//!
//! In: a field, where its picture is, and its noise. Out: a [`Reading`]. Detail ends where the spectrum of the sharpest places has fallen
//! 20 dB under the trend of its low band (`spectrum`, `rolloff`). It is read second by second; what stands is the upper envelope
//! of the last two minutes (`envelope`), for a scene out of focus has less detail than the chain carries. Where noise covers it
//! first, it is told as *at least*. Ringing is the overshoot of the mean edge (`ringing`).
//!
//! It is the detail of everything together: camera, tape, player, box, converter. A picture out of focus looks like a soft box in
//! this figure alone; how far the noise reaches (`noise.bandwidth_mhz`) is the other end of the interval, for what lets noise through
//! lets detail through.
//!
//! Bias: noise at sharp places is taken to be that of plain ones; a box that cores takes it out of plain ones only. Pictures
//! without sharp steps (fog, water) have a trend of their own, steeper than steps: they read low.
//!
//! Absent without a steady picture, before a second of sharp places was seen, without known noise, and without a sample rate; ringing
//! before 60 lone edges were seen.
//!
//! Does not know: limits, scenes.

use crate::fields::{Field, FieldRaster};
use crate::standard::Standard;
use crate::units::{Estimate, Megahertz, Percent};

use super::noise::Bound;
use super::sync::State;
use super::{Measure, levels, noise};
use envelope::Envelope;
use ringing::Ringing;
use spectrum::Sharpest;

pub use quantities::QUANTITIES;

mod envelope;
mod quantities;
mod ringing;
mod rolloff;
mod spectrum;
#[cfg(test)]
mod tests;

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The field.
    pub field: &'a Field,
    /// What sync says of it.
    pub state: State,
    /// Whether it shows an earlier picture again.
    pub repeated: bool,
    /// Where the picture is.
    pub levels: &'a levels::Reading,
    /// Its noise.
    pub noise: &'a noise::Reading,
}

/// Detail as it stands at one field.
#[derive(Clone, Copy, Debug, Default)]
pub struct Reading {
    /// Where detail has fallen 20 dB.
    pub bandwidth: Option<Estimate<Megahertz>>,
    /// Whether that is all there is.
    pub bandwidth_bound: Bound,
    /// Overshoot beside sharp edges, in percent of the step.
    pub ringing: Option<Estimate<Percent>>,
}

/// Light and dark lines per picture height that a frequency draws: 2 · active line · 3/4 (a 4:3 picture).
///
/// The active line is 52.656 µs of 525 lines (SMPTE 170M: 63.556 − 10.9) and 52 µs of 625 (BT.470-6 Table 1-1).
#[must_use]
pub fn television_lines(frequency: Megahertz, standard: Standard) -> f64 {
    let active_us = match standard {
        Standard::Lines525 => 52.656,
        Standard::Lines625 => 52.0,
    };
    2.0 * active_us * 0.75 * frequency.0
}

/// Fields of a second that one end of detail is read from.
const FIELDS: u32 = 50;

/// Sharp places it takes.
const LEAST_PLACES: u32 = 200;

/// Fields after which too few sharp places are given up.
const MOST_FIELDS: u32 = 500;

/// Least step of a sharp place, in codes, and in rms of the noise: no noise makes one.
const LEAST_STEP: f64 = 16.0;
const LEAST_OVER_NOISE: f64 = 7.0;

/// The measure.
#[derive(Debug, Default)]
pub struct Detail {
    raster: Option<FieldRaster>,
    sharpest: Sharpest,
    envelope: Envelope,
    ringing: Ringing,
    fields: u32,
}

impl Measure for Detail {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        let field = input.field;
        if self.raster != Some(field.raster) {
            self.raster = Some(field.raster);
            self.sharpest.reset();
            self.envelope.reset();
            self.ringing = Ringing::default();
            self.fields = 0;
        }
        if !matches!(input.state, State::Locked | State::Unstable) {
            return Reading::default();
        }
        if let Some(noise) = &input.noise.spectrum
            && input.state == State::Locked
            && !input.repeated
        {
            self.look(field, &input.levels.area, noise);
        }
        self.read(&field.raster)
    }
}

impl Detail {
    fn look(&mut self, field: &Field, area: &levels::PictureArea, noise: &noise::Spectrum) {
        let rms = rms_of(noise);
        let least = LEAST_STEP.max(LEAST_OVER_NOISE * rms);
        let luma = &field.luma;
        let places = self.sharpest.take(luma, (&area.columns, &area.rows), least);
        for place in places {
            let columns = place.column..place.column + spectrum::LENGTH;
            self.ringing.take(luma.row(place.row), columns, rms as f32);
        }
        self.fields += 1;
        let Some(rate) = field.raster.sample_rate else {
            return;
        };
        if self.fields >= FIELDS && self.sharpest.count() >= LEAST_PLACES {
            let end = rolloff::end_of(&self.sharpest.mean(), noise, rate);
            if let Some(end) = end {
                self.envelope.push(end);
            }
            self.begin_anew();
        } else if self.fields >= MOST_FIELDS {
            self.begin_anew();
        }
    }

    fn begin_anew(&mut self) {
        self.sharpest.clear();
        self.fields = 0;
    }

    fn read(&self, raster: &FieldRaster) -> Reading {
        let mut reading = Reading::default();
        if let Some((end, seconds)) = self.envelope.upper() {
            let by_rate = raster.rate_trust.sigma() * end.mhz.0;
            let sigma = Megahertz(end.sigma.0.hypot(by_rate));
            reading.bandwidth = Some(Estimate::new(end.mhz, sigma, seconds));
            reading.bandwidth_bound = end.bound;
        }
        reading.ringing = self.ringing.overshoot().map(|found| {
            Estimate::new(
                Percent(100.0 * found.share),
                Percent(100.0 * found.sigma),
                found.edges,
            )
        });
        reading
    }
}

/// Rms of the noise over all frequencies, in codes.
fn rms_of(noise: &noise::Spectrum) -> f64 {
    let sum: f64 = noise
        .density
        .iter()
        .map(|&density| f64::from(density))
        .sum();
    (sum / noise.density.len() as f64).sqrt()
}
