//! Flat patches of a field: the middle of a column of bars, over a zone of rows.
//!
//! In: a field, a zone, how many columns. Out: a [`Patch`] a column, as shares of the nominal excursion, with standard errors
//! from how the lines differ.
//!
//! Does not know: which colour a patch should have.

use crate::fields::{Field, Plane};
use crate::measures::chroma::{ZERO_CODE, excursion_codes};

/// Rows as shares of the height.
#[derive(Clone, Copy, Debug)]
pub(super) struct Zone {
    pub(super) from: f64,
    pub(super) to: f64,
}

/// Share of a column that is read: its middle.
const MIDDLE: f64 = 0.3;

/// Smallest luma plane whose columns are wide enough to have a middle.
const SMALLEST: (usize, usize) = (256, 48);

/// Composite axes of the colour differences (SMPTE 170M Annex A: 0.492111 (B−Y) and 0.877283 (R−Y); BT.601-5 §3.5.2 scales
/// B−Y by 0.5/0.886 and R−Y by 0.5/0.701).
pub(super) const U_OF_CB: f64 = 0.492_111 * 0.886 / 0.5;
pub(super) const V_OF_CR: f64 = 0.877_283 * 0.701 / 0.5;

/// What one patch shows.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Patch {
    /// 0 black, 1 peak.
    pub(super) luma: Level,
    /// Composite axes, as shares of white.
    pub(super) u: Level,
    pub(super) v: Level,
    /// Lines.
    pub(super) rows: u32,
}

/// A mean over a patch.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Level {
    pub(super) mean: f64,
    /// Standard error of the mean, lines being independent.
    pub(super) sigma: f64,
    /// Right half less left half.
    pub(super) tilt: f64,
    /// Rms of what lines differ by.
    pub(super) ripple: f64,
}

impl Level {
    fn times(self, factor: f64) -> Self {
        Self {
            mean: self.mean * factor,
            sigma: self.sigma * factor,
            tilt: self.tilt * factor,
            ripple: self.ripple * factor,
        }
    }
}

/// Whether a field is large enough, and in colour.
pub(super) fn is_readable(field: &Field) -> bool {
    let (luma, cb, cr) = (&field.luma, &field.cb, &field.cr);
    let has_colour = cb.width > 0 && cb.rows > 0 && (cb.width, cb.rows) == (cr.width, cr.rows);
    has_colour && luma.width >= SMALLEST.0 && luma.rows >= SMALLEST.1 && cb.width >= SMALLEST.0 / 4
}

/// Reads the middle of each of equal columns.
pub(super) fn read(field: &Field, zone: Zone, patches: &mut [Patch]) {
    let columns = patches.len();
    let (black, peak) = field.raster.range.black_and_peak();
    let colour = 1.0 / (2.0 * excursion_codes(field.raster.range));
    for (at, patch) in patches.iter_mut().enumerate() {
        let level = |plane: &Plane, zero: f64| level(plane, zone, (at, columns), zero);
        *patch = Patch {
            luma: level(&field.luma, black.0).times(1.0 / (peak.0 - black.0)),
            u: level(&field.cb, f64::from(ZERO_CODE)).times(U_OF_CB * colour),
            v: level(&field.cr, f64::from(ZERO_CODE)).times(V_OF_CR * colour),
            rows: rows_of(&field.luma, zone).len() as u32,
        };
    }
}

fn rows_of(plane: &Plane, zone: Zone) -> std::ops::Range<usize> {
    let row = |share: f64| (share * plane.rows as f64) as usize;
    row(zone.from)..row(zone.to).max(row(zone.from) + 1).min(plane.rows)
}

fn level(plane: &Plane, zone: Zone, (at, columns): (usize, usize), zero: f64) -> Level {
    let width = plane.width as f64 / columns as f64;
    let centre = (at as f64 + 0.5) * width;
    let half = ((MIDDLE / 2.0 * width) as usize).max(2);
    let middle = centre.round() as usize;
    let (mut sum, mut squares, mut tilt) = (0.0, 0.0, 0.0);
    let rows = rows_of(plane, zone);
    let count = rows.len() as f64;
    for row in rows {
        let row = plane.row(row);
        let half_sum = |from: usize| -> f64 {
            let codes = row[from..from + half].iter().map(|&code| u32::from(code));
            f64::from(codes.sum::<u32>())
        };
        let (left, right) = (half_sum(middle - half), half_sum(middle));
        let mean = (left + right) / (2 * half) as f64 - zero;
        sum += mean;
        squares += mean * mean;
        tilt += (right - left) / half as f64;
    }
    let mean = sum / count;
    // rounding to codes, at least, of as many samples
    let least = 1.0 / 12.0 / (2 * half) as f64;
    let variance = (squares / count - mean * mean).max(least);
    Level {
        mean,
        sigma: (variance / count).sqrt(),
        tilt: tilt / count,
        ripple: variance.sqrt(),
    }
}
