//! How far the picture moved down since the field before.
//!
//! In: thumbnails. Out: a shift in field lines with its standard error, + = moved down; fields of different parity are
//! half a line apart by nature, which is taken out. Row profiles of five bands across the picture are matched
//! by least squares, each band for itself; the median of the bands that match well is the shift, so an object that moves up
//! or down in part of the picture does not count.
//!
//! Does not know: whether the camera or the signal moved. Nothing is said across a cut, in a picture without horizontal
//! detail, or of a move by more than [`FARTHEST`] lines.

use crate::measures::dsp::codes::squared_difference;
use crate::standard::Parity;
use crate::units::{Estimate, Lines};

use super::thumbnail::{BLOCK, Thumbnail};

/// Bands across the picture.
pub(super) const BANDS: usize = 5;

/// Farthest shift looked for, in lines.
pub(super) const FARTHEST: usize = 32;

/// Most rows that are compared, from the top: keeps the sums of squares within 32 bits.
const MOST_ROWS: usize = 512;

/// Profile slopes are kept in halves of a code and cut off here, a little under the hardest edge there is: keeps the sums
/// of squares within 32 bits.
const STEEPEST: i32 = 1000;

/// Best match over mean match that makes a band count: noise alone stays above 0.8.
const CLEAR_MATCH: f64 = 0.5;

/// Mean square slope (in halves of a code, smoothed) without which a band shows nothing to match.
const LEAST_SLOPE: f64 = 6.0;

/// Bands without which nothing is said.
const ENOUGH_BANDS: usize = 3;

/// Bands farther from the median than this do not agree with it, in lines.
const AGREE_LINES: f64 = 0.6;

/// Standard error that stays however well the bands agree: aliasing between the lines of the two fields.
const FLOOR_LINES: f64 = 0.05;

/// Correlation of the shifted pictures from which they show the same: a pan of ten samples a field leaves more.
const SAME_PICTURE: f64 = 0.7;

/// Shifts under this, in lines, need not match better than none at all.
const SMALL_LINES: f64 = 2.0;

/// What a larger shift must leave unmatched at most, over what no shift leaves.
const BETTER_MATCH: f64 = 0.5;

/// Slopes of the row profiles of a field, band by band.
#[derive(Clone, Debug, Default)]
pub(super) struct Profiles {
    bands: [Vec<i16>; BANDS],
    means: Vec<i32>,
}

impl Profiles {
    /// The profiles of a field, in place of those before.
    pub(super) fn take(&mut self, thumbnail: &Thumbnail) {
        let width = thumbnail.columns() / BANDS;
        let samples = i32::try_from(width * BLOCK).expect("a line is far shorter than 2^31");
        for (band, slopes) in self.bands.iter_mut().enumerate() {
            slopes.clear();
            if thumbnail.is_blank() {
                continue;
            }
            self.means.clear();
            let rows = thumbnail.rows().take(MOST_ROWS);
            self.means.extend(rows.map(|row| {
                let sum: i32 = row[band * width..(band + 1) * width]
                    .iter()
                    .map(|sum| i32::from(*sum))
                    .sum();
                sum * 16 / samples
            }));
            slopes.extend(self.means.windows(5).map(slope));
        }
    }

    /// Shift from `before` to this one, in rows; `None` where too few bands match.
    pub(super) fn shift_since(&self, before: &Self) -> Option<Estimate<Lines>> {
        let mut found = [0.0; BANDS];
        let mut count = 0;
        for (now, before) in self.bands.iter().zip(&before.bands) {
            if let Some(shift) = match_band(now, before) {
                found[count] = shift;
                count += 1;
            }
        }
        agree(&mut found[..count])
    }
}

/// Whether the pictures themselves match at a shift, and not only their profiles: across a cut rows of windows may line up.
pub(super) fn is_borne_out(now: &Thumbnail, before: &Thumbnail, shift: Estimate<Lines>) -> bool {
    let likeness = |lines| now.likeness(before, lines).unwrap_or(0.0);
    let found = likeness(shift.value.0.round() as i32);
    let unmatched = 1.0 - likeness(0);
    found > SAME_PICTURE
        && (shift.value.abs().0 < SMALL_LINES || 1.0 - found < BETTER_MATCH * unmatched)
}

/// Slope over five row means (in sixteenths of a code) in halves of a code: smoothed by 1 2 1, then a central difference.
fn slope(means: &[i32]) -> i16 {
    let rise = means[4] + 2 * means[3] - 2 * means[1] - means[0];
    (rise / 8).clamp(-STEEPEST, STEEPEST) as i16
}

/// What the picture seems to move by from a field of one parity to one of the other without moving: a bottom field's rows lie
/// half a field line lower, so the same detail stands half a line higher in it.
pub(super) fn interlace_offset(before: Parity, now: Parity) -> Lines {
    match (before, now) {
        (Parity::Top, Parity::Bottom) => Lines(-0.5),
        (Parity::Bottom, Parity::Top) => Lines(0.5),
        _ => Lines(0.0),
    }
}

/// Shift at which two profiles match best, with its fraction; `None` where no shift stands out.
fn match_band(now: &[i16], before: &[i16]) -> Option<f64> {
    let overlap = now.len().min(before.len()).checked_sub(2 * FARTHEST)?;
    if overlap < FARTHEST {
        return None;
    }
    let middle = &now[FARTHEST..FARTHEST + overlap];
    let energy: i64 = middle.iter().map(|s| i64::from(*s) * i64::from(*s)).sum();
    if (energy as f64) < LEAST_SLOPE * overlap as f64 {
        return None;
    }
    let costs: [i32; 2 * FARTHEST + 1] = std::array::from_fn(|shift| {
        // Content now at row y stood at y − shift before; index 0 is the farthest move up.
        let first = 2 * FARTHEST - shift;
        squared_difference(middle, &before[first..first + overlap])
    });
    let best = (1..2 * FARTHEST).min_by_key(|shift| costs[*shift])?;
    let mean = costs.iter().map(|cost| f64::from(*cost)).sum::<f64>() / costs.len() as f64;
    if f64::from(costs[best]) > CLEAR_MATCH * mean {
        return None;
    }
    Some(best as f64 - FARTHEST as f64 + vertex(&costs[best - 1..=best + 1]))
}

/// Where the parabola through three costs is lowest, against the middle one.
fn vertex(costs: &[i32]) -> f64 {
    let [left, middle, right] = [costs[0], costs[1], costs[2]].map(f64::from);
    let bend = left - 2.0 * middle + right;
    if bend > 0.0 {
        (0.5 * (left - right) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

/// The median of the bands, with a standard error from how far those near it spread.
fn agree(found: &mut [f64]) -> Option<Estimate<Lines>> {
    if found.len() < ENOUGH_BANDS {
        return None;
    }
    found.sort_by(f64::total_cmp);
    let median = f64::midpoint(found[(found.len() - 1) / 2], found[found.len() / 2]);
    let agreeing = found
        .iter()
        .filter(|shift| (*shift - median).abs() <= AGREE_LINES);
    let count = agreeing.clone().count();
    if count < ENOUGH_BANDS {
        return None;
    }
    let mean = agreeing.clone().sum::<f64>() / count as f64;
    let spread = agreeing.map(|shift| (shift - mean).powi(2)).sum::<f64>() / (count - 1) as f64;
    Some(Estimate::new(
        Lines(mean),
        Lines((spread / count as f64).sqrt().hypot(FLOOR_LINES)),
        count as u32,
    ))
}
