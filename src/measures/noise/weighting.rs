//! The measuring band of noise and the network that weights it as the eye does, as shares of each bin of a spectrum.
//!
//! In: the sample rate of a spectrum of [`BINS`] bins. Out: [`Band`]: what each bin's density adds to the noise power in the band.
//! The band is 10 kHz to 5 MHz (BT.1439-1 Part 2 §3.2.1); the network is the unified one (Annex 2 §3.2): it takes 7.4 dB
//! off level noise and 12.2 dB off triangular noise (§3.3).
//!
//! Does not know: what the spectrum shows.

use std::f64::consts::TAU;

use super::spectra::{BINS, LENGTH};
use crate::units::Hertz;

/// The measuring band (BT.1439-1 Part 2 §3.2.1).
const BAND: (f64, f64) = (10.0e3, 5.0e6);

/// Time constant and ratio of the weighting network (BT.1439-1 Annex 2 §3.2).
const TAU_SECONDS: f64 = 245.0e-9;
const RATIO: f64 = 4.5;

/// Pieces of a bin over which the network is averaged.
const PIECES: u32 = 16;

/// Share of the noise power at a frequency that the unified network lets through.
pub(super) fn passed_at(hertz: f64) -> f64 {
    let turn = TAU * hertz * TAU_SECONDS;
    let square = |x: f64| x * x;
    (1.0 + square(turn / RATIO)) / (1.0 + square((1.0 + 1.0 / RATIO) * turn))
}

/// What each bin's density adds to the power in the band.
#[derive(Clone, Debug)]
pub(super) struct Band {
    /// Without a network.
    pub(super) plain: [f64; BINS],
    /// Through the network.
    pub(super) weighted: [f64; BINS],
}

impl Band {
    /// For samples at `rate`.
    pub(super) fn new(rate: Hertz) -> Self {
        let step = rate.0 / LENGTH as f64;
        let nyquist = rate.0 / 2.0;
        let mut band = Self {
            plain: [0.0; BINS],
            weighted: [0.0; BINS],
        };
        for bin in 0..BINS {
            let low = ((bin as f64 - 0.5) * step).max(BAND.0);
            let high = ((bin as f64 + 0.5) * step).min(BAND.1).min(nyquist);
            let width = (high - low).max(0.0);
            // the densities of all bins are 1 for noise of power 1 spread from nothing to half the sample rate
            band.plain[bin] = width / nyquist;
            let passed = |piece: u32| {
                let at = (f64::from(piece) + 0.5) / f64::from(PIECES);
                passed_at(low + at * width)
            };
            let mean = (0..PIECES).map(passed).sum::<f64>() / f64::from(PIECES);
            band.weighted[bin] = band.plain[bin] * mean;
        }
        band
    }
}

/// A spectrum's power under the weights of a band.
pub(super) fn power(density: &[f64; BINS], weights: &[f64; BINS]) -> f64 {
    density.iter().zip(weights).map(|(d, w)| d * w).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::standard::BT601_LUMA_RATE;

    #[test]
    fn the_network_has_the_published_check_points() {
        // Table of A(f) worked out from BT.1439-1 Annex 2 §3.2 (standards, row 6.07).
        for (mhz, decibels) in [
            (0.1, 0.15),
            (0.5, 2.63),
            (1.0, 6.09),
            (2.0, 10.14),
            (3.0, 12.04),
            (4.2, 13.16),
            (5.0, 13.58),
        ] {
            let found = -10.0 * passed_at(mhz * 1e6).log10();
            assert!((found - decibels).abs() < 0.006, "{mhz}: {found}");
        }
    }

    #[test]
    fn level_noise_gains_7_4_decibels_and_triangular_noise_12_2() {
        // BT.1439-1 Annex 2 §3.3
        let band = Band::new(BT601_LUMA_RATE);
        let gain = |density: [f64; BINS]| {
            10.0 * (power(&density, &band.plain) / power(&density, &band.weighted)).log10()
        };
        let level = gain([1.0; BINS]);
        assert!((level - 7.4).abs() < 0.05, "{level}");
        let triangular = gain(std::array::from_fn(|bin| (bin as f64).powi(2)));
        assert!((triangular - 12.2).abs() < 0.1, "{triangular}");
    }

    #[test]
    fn level_noise_over_the_whole_spectrum_loses_1_3_decibels_in_the_band() {
        // 10·log10(6.75 / 5) (standards, row 6.11)
        let band = Band::new(BT601_LUMA_RATE);
        let lost = -10.0 * power(&[1.0; BINS], &band.plain).log10();
        assert!((lost - 1.30).abs() < 0.02, "{lost}");
    }

    #[test]
    fn colour_differences_end_below_the_band() {
        let band = Band::new(Hertz(6.75e6));
        let all = power(&[1.0; BINS], &band.plain);
        assert!((all - 1.0).abs() < 0.01, "{all}");
    }
}
