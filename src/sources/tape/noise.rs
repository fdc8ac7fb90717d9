//! Noise as a tape has it: stronger towards the upper end of the band, none above it.
//!
//! In: the bandwidth and a seed. Out: a bank of noise of rms 1, drawn once; each line takes a stretch from a random place.
//! Demodulated FM noise rises with frequency; de-emphasis levels it below a few hundred kHz, so the amplitude here is
//! √(0.3² + (f / 3 MHz)²) up to the band's end.
//!
//! Does not know: signal levels.

use std::f64::consts::TAU;

use crate::units::{Decibels, Hertz};

use super::kernel::kaiser;
use super::random::Dice;

/// Samples of a bank: long enough that lines overlap in few of them, short enough to stay near the core.
const BANK: usize = 1 << 16;
/// Half length of the shaping filters.
const HALF: usize = 24;
/// Where triangular noise meets the level part.
const CORNER: f64 = 3.0e6;
const LEVEL_PART: f64 = 0.3;

/// Noise of rms 1 in a band; less after a box that softens.
#[derive(Debug)]
pub(super) struct NoiseBank {
    samples: Vec<f32>,
}

/// Impulse response with a given amplitude at each frequency, by a cosine series under the kernel's window.
fn shaped(rate: Hertz, amplitude: impl Fn(f64) -> f64) -> [f64; 2 * HALF + 1] {
    const STEPS: usize = 400;
    std::array::from_fn(|tap| {
        let lag = tap as f64 - HALF as f64;
        let sum: f64 = (0..STEPS)
            .map(|step| {
                let cycles = (step as f64 + 0.5) / (2 * STEPS) as f64;
                amplitude(cycles * rate.0) * libm::cos(TAU * cycles * lag)
            })
            .sum();
        sum / STEPS as f64 * kaiser(lag, HALF as f64 + 1.0)
    })
}

/// Circular convolution.
fn filtered(samples: &[f64], response: &[f64; 2 * HALF + 1]) -> Vec<f64> {
    let count = samples.len();
    let around: Vec<f64> = samples[count - HALF..]
        .iter()
        .chain(samples)
        .chain(&samples[..HALF])
        .copied()
        .collect();
    around
        .windows(2 * HALF + 1)
        .map(|window| window.iter().zip(response).map(|(x, h)| x * h).sum())
        .collect()
}

fn rms_of(samples: &[f64]) -> f64 {
    (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt()
}

impl NoiseBank {
    /// Luma noise of a tape that carries `band`, after a box that passes `softened`.
    pub(super) fn luma(rate: Hertz, band: Hertz, softened: Option<Hertz>, dice: &mut Dice) -> Self {
        let tape = shaped(rate, |f| {
            let triangle = (LEVEL_PART * LEVEL_PART + (f / CORNER) * (f / CORNER)).sqrt();
            if f < band.0 { triangle } else { 0.0 }
        });
        Self::draw(&tape, softened.map(|band| (rate, band)), dice)
    }

    /// Colour-difference noise: level up to `band`.
    pub(super) fn chroma(rate: Hertz, band: Hertz, dice: &mut Dice) -> Self {
        Self::draw(
            &shaped(rate, |f| if f < band.0 { 1.0 } else { 0.0 }),
            None,
            dice,
        )
    }

    fn draw(
        response: &[f64; 2 * HALF + 1],
        softened: Option<(Hertz, Hertz)>,
        dice: &mut Dice,
    ) -> Self {
        let white: Vec<f64> = (0..BANK).map(|_| dice.normal()).collect();
        let mut noise = filtered(&white, response);
        let scale = 1.0 / rms_of(&noise);
        for x in &mut noise {
            *x *= scale;
        }
        if let Some((rate, band)) = softened {
            noise = filtered(
                &noise,
                &shaped(rate, |f| if f < band.0 { 1.0 } else { 0.0 }),
            );
        }
        Self {
            samples: noise.into_iter().map(|x| x as f32).collect(),
        }
    }

    /// A stretch of `count` samples from a random place.
    pub(super) fn stretch(&self, count: usize, dice: &mut Dice) -> &[f32] {
        let start = dice.below(self.samples.len() - count);
        &self.samples[start..start + count]
    }
}

/// The rms in codes that a signal-to-noise ratio over a `scale` of so many codes means.
pub(super) fn codes_of(ratio: Decibels, scale: f64) -> f64 {
    scale / libm::exp10(ratio.0 / 20.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::tape::random::Stream;
    use crate::standard::BT601_LUMA_RATE;

    /// Power of a bank near a frequency, by correlation with sines over stretches.
    fn power_at(bank: &NoiseBank, cycles: f64) -> f64 {
        let stretches = bank.samples.chunks_exact(256);
        let count = stretches.len() as f64;
        stretches
            .map(|stretch| {
                let (mut re, mut im) = (0.0, 0.0);
                for (n, &x) in stretch.iter().enumerate() {
                    let hann = 0.5 - 0.5 * libm::cos(TAU * n as f64 / 256.0);
                    let (s, c) = libm::sincos(TAU * cycles * n as f64);
                    re += hann * f64::from(x) * c;
                    im += hann * f64::from(x) * s;
                }
                re * re + im * im
            })
            .sum::<f64>()
            / count
    }

    #[test]
    fn luma_noise_rises_to_the_end_of_the_band_and_stops_there() {
        let mut dice = Dice::new(1, Stream::Noise);
        let bank = NoiseBank::luma(BT601_LUMA_RATE, Hertz(3.0e6), None, &mut dice);
        let samples: Vec<f64> = bank.samples.iter().map(|&x| f64::from(x)).collect();
        assert!((rms_of(&samples) - 1.0).abs() < 1e-6);
        let db = |mhz: f64| 10.0 * libm::log10(power_at(&bank, mhz / 13.5));
        // √(0.09 + 0.69²) against √(0.09 + 0.067²): 7.8 dB. 256 stretches leave 0.4 dB of chance in each.
        let rise = db(2.1) - db(0.2);
        assert!((rise - 7.8).abs() < 1.6, "{rise}");
        let stop = db(4.0) - db(2.1);
        assert!(stop < -30.0, "{stop}");
    }

    #[test]
    fn forty_decibels_are_2_19_codes() {
        assert!((codes_of(Decibels(40.0), 219.0) - 2.19).abs() < 1e-9);
    }
}
