//! Levels: gain, lift, set-up, pumping, flashes, the two heads, and where the chain cuts off.
//!
//! In: a segment's and a box's level faults, and the time. Out: the [`Tone`] of a field: how picture levels become codes.
//!
//! Does not know: the picture.

use std::f64::consts::TAU;

use crate::units::{BLACK_CODE, Ire, LumaCode};

use super::box_model::BoxModel;

/// What became of the 7.5 IRE set-up of a 525-line signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Setup {
    /// The signal never had one: blanking is black.
    Never,
    /// Removed once, as it should be: black at code 16, blanking below it.
    Removed,
    /// Still there: black at code 32, blanking at 16.
    Kept,
    /// Removed from a signal that had none any more: the shadows are gone.
    RemovedTwice,
}

/// Level faults of a segment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Contrast.
    pub gain: f64,
    /// Added to all picture levels.
    pub lift: Ire,
    /// Set-up.
    pub setup: Setup,
    /// Codes the chain cuts off at.
    pub clip: (LumaCode, LumaCode),
    /// Share by which the contrast swells and shrinks.
    pub pumping: f64,
    /// The newer field's level against the older one's: the two heads.
    pub parity: Ire,
    /// Colour saturation.
    pub saturation: f64,
}

impl Levels {
    /// Nothing wrong; converters reserve codes 0 and 255 (BT.601-5 §3.5.4).
    pub const RIGHT: Self = Self {
        gain: 1.0,
        lift: Ire(0.0),
        setup: Setup::Never,
        clip: (LumaCode(1.0), LumaCode(254.0)),
        pumping: 0.0,
        parity: Ire(0.0),
        saturation: 1.0,
    };
}

/// Seconds of one swell of an automatic gain control that hunts.
const PUMPING_SECONDS: f64 = 2.3;
/// Codes of one IRE on the digital scale.
const CODES_PER_IRE: f64 = 2.19;
/// Set-up, and what is left of the scale above it, in IRE (SMPTE 170M Table 1).
const SETUP_IRE: f64 = 7.5;
const ABOVE_SETUP_IRE: f64 = 92.5;

/// How a picture level `p` (0 black, 1 peak) becomes a code: `black + gain · p`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tone {
    pub(super) black: f64,
    pub(super) gain: f64,
    /// Code of blanking.
    pub(super) blanking: f64,
    /// Factor on the colour differences.
    pub(super) saturation: f64,
    pub(super) clip: (f64, f64),
}

impl Tone {
    /// The tone of one field.
    pub(super) fn of(
        levels: &Levels,
        boxed: Option<&BoxModel>,
        newer: bool,
        seconds: f64,
        flash: Option<Ire>,
    ) -> Self {
        let swell = 1.0 + levels.pumping * libm::sin(TAU * seconds / PUMPING_SECONDS);
        let side = if newer { 0.5 } else { -0.5 };
        let added = levels.lift.0 + levels.parity.0 * side + flash.map_or(0.0, |flash| flash.0);
        let black_ire = added;
        let peak_ire = 100.0 * levels.gain * swell + added;
        let code = |ire: f64| BLACK_CODE.0 + ire_after_setup(levels.setup, ire) * CODES_PER_IRE;
        let blanking = BLACK_CODE.0 + blanking_ire(levels.setup) * CODES_PER_IRE;
        let tone = Self {
            black: code(black_ire),
            gain: code(peak_ire) - code(black_ire),
            blanking,
            saturation: levels.saturation * levels.gain * swell,
            clip: (levels.clip.0.0, levels.clip.1.0),
        };
        boxed.map_or(tone, |boxed| tone.through(boxed))
    }

    /// The same from a head that gives less: everything shrinks towards blanking.
    pub(super) fn weakened(self, factor: f64) -> Self {
        Self {
            black: self.blanking + (self.black - self.blanking) * factor,
            gain: self.gain * factor,
            saturation: self.saturation * factor,
            ..self
        }
    }

    fn through(self, boxed: &BoxModel) -> Self {
        let lift = boxed.lift.0 * CODES_PER_IRE;
        let level = |code: f64| BLACK_CODE.0 + (code - BLACK_CODE.0) * boxed.gain + lift;
        Self {
            black: level(self.black),
            gain: self.gain * boxed.gain,
            // A box that shifts levels makes its own blanking.
            blanking: self.blanking,
            saturation: self.saturation * boxed.saturation,
            clip: self.clip,
        }
    }
}

/// A picture level on the digital scale after what became of the set-up.
fn ire_after_setup(setup: Setup, ire: f64) -> f64 {
    match setup {
        Setup::Never | Setup::Removed => ire,
        Setup::Kept => SETUP_IRE + ire * ABOVE_SETUP_IRE / 100.0,
        Setup::RemovedTwice => (ire - SETUP_IRE) * 100.0 / ABOVE_SETUP_IRE,
    }
}

/// Where blanking lands: removing the set-up pushes it below black.
fn blanking_ire(setup: Setup) -> f64 {
    match setup {
        Setup::Never | Setup::Kept => 0.0,
        Setup::Removed | Setup::RemovedTwice => -SETUP_IRE * 100.0 / ABOVE_SETUP_IRE,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn black_and_peak(setup: Setup) -> (f64, f64) {
        let levels = Levels {
            setup,
            ..Levels::RIGHT
        };
        let tone = Tone::of(&levels, None, false, 0.0, None);
        (tone.black, tone.black + tone.gain)
    }

    #[test]
    fn set_up_lands_where_the_standard_puts_it() {
        // SMPTE 170M: set-up 7.5 IRE. Kept: 16 + 2.19·7.5 = 32.4; removed twice: 16 − 219·7.5/92.5 = −1.8.
        assert_eq!(black_and_peak(Setup::Removed), (16.0, 235.0));
        let (black, peak) = black_and_peak(Setup::Kept);
        assert!(
            (black - 32.4).abs() < 0.05 && (peak - 235.0).abs() < 1e-9,
            "{black} {peak}"
        );
        let (black, peak) = black_and_peak(Setup::RemovedTwice);
        assert!(
            (black + 1.8).abs() < 0.05 && (peak - 235.0).abs() < 1e-9,
            "{black} {peak}"
        );
    }
}
