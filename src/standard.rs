//! The two scanning standards, as far as a captured raster shows them.
//!
//! Values and clauses: BT.601-5 Part A for sampling, SMPTE 170M (525) and BT.470-6 (625) for blanking.
//!
//! Does not know: any device, file or picture.

use serde::{Deserialize, Serialize};

use crate::units::{Hertz, Nanos, Samples, Seconds, samples_from_nanos};

/// A scanning standard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Standard {
    /// 525 lines, 59.94 fields a second.
    #[serde(rename = "525")]
    Lines525,
    /// 625 lines, 50 fields a second.
    #[serde(rename = "625")]
    Lines625,
}

/// Which rows of the frame a field fills: the top field has the first row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Parity {
    /// Rows 0, 2, 4 …
    Top,
    /// Rows 1, 3, 5 …
    Bottom,
}

impl Parity {
    /// The other field of the frame.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::Top => Self::Bottom,
            Self::Bottom => Self::Top,
        }
    }

    /// `top` or `bottom`, as exports print it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Top => "top",
            Self::Bottom => "bottom",
        }
    }
}

/// Luma sampling frequency of BT.601-5 (Part A Table 2 item 4).
pub const BT601_LUMA_RATE: Hertz = Hertz(13.5e6);

impl Standard {
    /// `525` or `625`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Lines525 => "525",
            Self::Lines625 => "625",
        }
    }

    /// The standard a frame of this many rows belongs to, where the count tells.
    #[must_use]
    pub fn from_rows(rows: usize) -> Option<Self> {
        match rows {
            480 | 486 => Some(Self::Lines525),
            576 => Some(Self::Lines625),
            _ => None,
        }
    }

    /// Fields a second, as a fraction (SMPTE 170M cl. 11.3; BT.470-6 Table 1).
    #[must_use]
    pub fn field_rate(self) -> (u32, u32) {
        match self {
            Self::Lines525 => (60_000, 1001),
            Self::Lines625 => (50, 1),
        }
    }

    /// The time one field takes.
    #[must_use]
    pub fn field_period(self) -> Seconds {
        let (numerator, denominator) = self.field_rate();
        Seconds(f64::from(denominator) / f64::from(numerator))
    }

    /// The time one line takes: 858 or 864 samples of 13.5 MHz (BT.601-5 Part A Table 2 item 2).
    #[must_use]
    pub fn line_period(self) -> Nanos {
        let samples = match self {
            Self::Lines525 => 858.0,
            Self::Lines625 => 864.0,
        };
        Nanos(samples * 1e9 / BT601_LUMA_RATE.0)
    }

    /// The colour subcarrier of NTSC and of PAL (SMPTE 170M cl. 11.1: 315/88 MHz; BT.1700 Table 1).
    #[must_use]
    pub fn subcarrier(self) -> Hertz {
        match self {
            Self::Lines525 => Hertz(315.0e6 / 88.0),
            Self::Lines625 => Hertz(4_433_618.75),
        }
    }

    /// Blanking nominally seen at the left and right of 720 samples (0H and blanking
    /// of SMPTE 170M Table 2 and BT.470-6 Table 1-1, the window of BT.601).
    ///
    /// A capture device may place its window elsewhere: a hint, never an assumption.
    #[must_use]
    pub fn nominal_margins(self) -> (Samples, Samples) {
        match self {
            Self::Lines525 => (Samples(2.20), Samples(4.25)),
            Self::Lines625 => (Samples(9.75), Samples(8.25)),
        }
    }

    /// Nominal 10-90 % rise of the blanking edge (SMPTE 170M Table 2; BT.470-6 Table 1-1 e).
    #[must_use]
    pub fn blanking_rise(self) -> Nanos {
        match self {
            Self::Lines525 => Nanos(140.0),
            Self::Lines625 => Nanos(300.0),
        }
    }

    /// The sample rate a raster this wide usually has, where the width tells.
    ///
    /// 720 and 704 are 13.5 MHz; 768 at 625 is 14.75 MHz; 640 at 525 is 12 3/11 MHz, unless the device scaled it
    /// from 720 (then 12.0): see [`RateTrust`].
    #[must_use]
    pub fn sample_rate_of_width(self, width: usize) -> Option<(Hertz, RateTrust)> {
        match (self, width) {
            (_, 720 | 704) => Some((BT601_LUMA_RATE, RateTrust::Known)),
            (Self::Lines625, 768) => Some((Hertz(14.75e6), RateTrust::Known)),
            (Self::Lines525, 640) => Some((Hertz(135.0e6 / 11.0), RateTrust::Presumed)),
            _ => None,
        }
    }

    /// The nominal blanking rise in samples of `rate`.
    #[must_use]
    pub fn blanking_rise_samples(self, rate: Hertz) -> Samples {
        samples_from_nanos(self.blanking_rise(), rate)
    }
}

/// How sure the sample rate is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RateTrust {
    /// By the standard, or by the user's word.
    Known,
    /// The usual one for the raster, but the device may have scaled: sigmas are widened by [`PRESUMED_RATE_SIGMA`].
    Presumed,
}

impl RateTrust {
    /// Relative standard error of the rate.
    #[must_use]
    pub fn sigma(self) -> f64 {
        match self {
            Self::Known => 0.0,
            Self::Presumed => PRESUMED_RATE_SIGMA,
        }
    }
}

/// Relative uncertainty of a presumed sample rate: half the distance from 12 3/11 to 12.0 MHz.
pub const PRESUMED_RATE_SIGMA: f64 = 0.0114;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn line_periods_are_those_of_the_standards() {
        // SMPTE 170M 11.2 and BT.1700 Part B Table 1: 63.5556 µs and 64 µs exactly
        assert!((Standard::Lines525.line_period().0 - 572_000.0 / 9.0).abs() < 1e-6);
        assert!((Standard::Lines625.line_period().0 - 64_000.0).abs() < 1e-9);
    }

    #[test]
    fn nominal_margins_follow_from_the_blanking_times() {
        // standards section 2.2: x = 13.5·t − 122 at 9.20 µs, and R = 842 − (858 − 13.5·1.5)
        let (left, right) = Standard::Lines525.nominal_margins();
        assert!((left.0 - (13.5 * 9.20 - 122.0)).abs() < 1e-9);
        assert!((right.0 - (842.0 - (858.0 - 13.5 * 1.5))).abs() < 1e-9);
        let (left, right) = Standard::Lines625.nominal_margins();
        assert!((left.0 - (13.5 * 10.5 - 132.0)).abs() < 1e-9);
        assert!((right.0 - (852.0 - (864.0 - 13.5 * 1.5))).abs() < 1e-9);
    }

    #[test]
    fn field_rates_are_59_94_and_50() {
        assert!((Standard::Lines525.field_period().0 - 1.001 / 60.0).abs() < 1e-15);
        assert!((Standard::Lines625.field_period().0 - 0.02).abs() < 1e-15);
    }
}
