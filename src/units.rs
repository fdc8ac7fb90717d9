//! Quantities with their unit in the type, and conversions named by both ends.
//!
//! A type alias would stop nothing; a newtype makes adding samples to nanoseconds a compile error. Stringly places
//! (SQL, JSON, CSV, TOML) carry the unit as a suffix of the name instead.
//!
//! Does not know: what is being measured.

use std::fmt;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

use serde::{Deserialize, Serialize};

/// One unit of measurement as a type around `f64`.
///
/// What generic code (estimates, tables) needs of it: the bare number, and back.
pub trait Unit: Copy + PartialOrd + fmt::Debug {
    /// The bare number, in this unit.
    fn get(self) -> f64;

    /// The bare number given this unit.
    fn of(value: f64) -> Self;
}

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The same size without its sign.
            #[must_use]
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }
        }

        impl Unit for $name {
            fn get(self) -> f64 {
                self.0
            }

            fn of(value: f64) -> Self {
                Self(value)
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl SubAssign for $name {
            fn sub_assign(&mut self, other: Self) {
                self.0 -= other.0;
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }

        /// The ratio of two sizes in the same unit.
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

unit!(
    /// A time in nanoseconds; of a displacement, + means the picture is late (moved right).
    Nanos
);
unit!(
    /// A time in microseconds.
    Micros
);
unit!(
    /// A time in milliseconds.
    Millis
);
unit!(
    /// A time in seconds on the device's clock.
    Seconds
);
unit!(
    /// A horizontal distance in luma samples of the source's own raster.
    Samples
);
unit!(
    /// A vertical distance in lines of one field.
    Lines
);
unit!(
    /// A luma code on the 8-bit scale (fractions allowed): 16 is nominal black, 235 nominal peak.
    LumaCode
);
unit!(
    /// A luma level in IRE on the digital scale: code 16 is 0, code 235 is 100, whatever the tape's set-up.
    Ire
);
unit!(
    /// A ratio as 20·log10.
    Decibels
);
unit!(
    /// A frequency in hertz.
    Hertz
);
unit!(
    /// A frequency in megahertz, for readings and screens.
    Megahertz
);
unit!(
    /// A share of a whole, 0 to 1.
    Ratio
);
unit!(
    /// A share of a whole, 0 to 100.
    Percent
);

unit!(
    /// An angle in degrees; of hue, + is counter-clockwise on the composite axes.
    Degrees
);

/// Codes from nominal black to nominal peak on the 8-bit studio scale (BT.601-5 §3.5.3).
const LUMA_EXCURSION_CODES: f64 = 219.0;

/// The code of nominal black on the 8-bit studio scale (BT.601-5 §3.5.3).
pub const BLACK_CODE: LumaCode = LumaCode(16.0);

/// The code of nominal peak on the 8-bit studio scale (BT.601-5 §3.5.3).
pub const PEAK_CODE: LumaCode = LumaCode(235.0);

/// How a source's 8-bit codes stand for levels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CodeRange {
    /// Black at 16, peak at 235 (BT.601).
    Studio,
    /// Black at 0, peak at 255, as many files and compressed grabbers have it.
    Full,
}

impl CodeRange {
    /// The codes of nominal black and nominal peak.
    #[must_use]
    pub fn black_and_peak(self) -> (LumaCode, LumaCode) {
        match self {
            Self::Studio => (BLACK_CODE, PEAK_CODE),
            Self::Full => (LumaCode(0.0), LumaCode(255.0)),
        }
    }
}

/// The level of a code, in IRE; black and peak are where `range` puts them.
#[must_use]
pub fn ire_from_code(code: LumaCode, range: CodeRange) -> Ire {
    let (black, peak) = range.black_and_peak();
    Ire(100.0 * ((code - black) / (peak - black)))
}

/// A difference of codes as a difference of levels.
#[must_use]
pub fn ire_from_code_step(step: LumaCode, range: CodeRange) -> Ire {
    let (black, peak) = range.black_and_peak();
    Ire(100.0 * (step / (peak - black)))
}

/// The code a level has on the studio scale, whatever the source's own range: screens show this one.
#[must_use]
pub fn studio_code_from_ire(level: Ire) -> LumaCode {
    LumaCode(BLACK_CODE.0 + LUMA_EXCURSION_CODES / 100.0 * level.0)
}

/// The time that a number of samples takes at a sample rate.
#[must_use]
pub fn nanos_from_samples(samples: Samples, rate: Hertz) -> Nanos {
    Nanos(samples.0 * 1e9 / rate.0)
}

/// The time that a number of samples takes at a sample rate, in microseconds.
#[must_use]
pub fn micros_from_samples(samples: Samples, rate: Hertz) -> Micros {
    Micros(samples.0 * 1e6 / rate.0)
}

/// A time in milliseconds.
#[must_use]
pub fn millis_from_seconds(time: Seconds) -> Millis {
    Millis(time.0 * 1e3)
}

/// The number of samples that fit into a time at a sample rate.
#[must_use]
pub fn samples_from_nanos(time: Nanos, rate: Hertz) -> Samples {
    Samples(time.0 * rate.0 / 1e9)
}

/// A measured value with its standard error and what it rests on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate<U> {
    /// The value.
    pub value: U,
    /// The estimator's own standard error, in the same unit.
    pub sigma: U,
    /// How many lines, samples or areas the value rests on; the quantity's `about` says which.
    pub support: u32,
}

impl<U: Unit> Estimate<U> {
    /// A value, its standard error, and the number of pieces of evidence.
    pub fn new(value: U, sigma: U, support: u32) -> Self {
        Self {
            value,
            sigma,
            support,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_sample_at_13_5_mhz_is_74_074_ns() {
        // ITU-R BT.601: 13.5 MHz, so 2/27 µs
        let one = nanos_from_samples(Samples(1.0), Hertz(13.5e6));
        assert!((one.0 - 2000.0 / 27.0).abs() < 1e-9, "{one:?}");
        let back = samples_from_nanos(one, Hertz(13.5e6));
        assert!((back.0 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_code_step_is_0_4566_percent_of_white() {
        // ITU-R BT.601: black at 16 and white at 235, so 100/219
        let step = ire_from_code_step(LumaCode(1.0), CodeRange::Studio);
        assert!((step.0 - 0.456_621).abs() < 1e-6, "{step:?}");
    }

    #[test]
    fn black_and_peak_of_either_range_are_0_and_100() {
        for range in [CodeRange::Studio, CodeRange::Full] {
            let (black, peak) = range.black_and_peak();
            assert_eq!(ire_from_code(black, range), Ire(0.0));
            assert_eq!(ire_from_code(peak, range), Ire(100.0));
        }
        assert_eq!(studio_code_from_ire(Ire(100.0)), PEAK_CODE);
    }
}
