//! Whether a field is noise without a picture.
//!
//! In: thumbnails of a field and of the one before it of the same parity, and the field's luma. Out: yes or no. Snow is
//! strong noise in which neither the next line, nor the next place on the line, nor the same place in the earlier field
//! knows anything of this one. A picture, however noisy, foggy or dark, is alike from line to line; a flat dim one
//! whose noise is all there is to see is too quiet to be snow.
//!
//! Does not know: the rest of the pass.

use crate::fields::Plane;
use crate::measures::dsp::codes::absolute_second_difference;

use super::patches::patch_rows;
use super::thumbnail::{BLOCK, SIDE, Thumbnail};

/// Sigma of the thumbnail (sixteen samples averaged) at least, in codes: white snow of 40 codes gives 10 or more.
const LEAST_SIGMA: f64 = 4.5;

/// Roughness along the line at least, in codes of noise sigma: 15 codes is 23 dB, which no watched tape has.
const LEAST_ROUGHNESS: f64 = 15.0;

/// Correlation from which something is alike.
const ALIKE: f64 = 0.25;

/// Lag of the second difference, in samples.
const LAG: usize = 3;

/// Mean absolute second difference over the noise sigma, white: √6 · √(2/π).
const SPATIAL_GAIN: f64 = 1.954;

/// Whether there is snow.
pub(super) fn is_snow(luma: &Plane, now: &Thumbnail, before: &Thumbnail) -> bool {
    if now.variance() < (LEAST_SIGMA * BLOCK as f64).powi(2) {
        return false;
    }
    let alike = |likeness: Option<f64>| likeness.is_some_and(|likeness| likeness > ALIKE);
    !alike(now.likeness_down())
        && !alike(now.likeness_across())
        && !alike(now.likeness(before, 0))
        && roughness(luma) >= LEAST_ROUGHNESS
}

/// Noise sigma along the lines, in codes, picture detail included.
fn roughness(luma: &Plane) -> f64 {
    let columns = SIDE..luma.width - SIDE;
    let (mut sum, mut count) = (0u64, 0u64);
    for row in patch_rows(luma.rows) {
        sum += u64::from(absolute_second_difference(
            &luma.row(row)[columns.clone()],
            LAG,
        ));
        count += (columns.len() - 2 * LAG) as u64;
    }
    sum as f64 / count.max(1) as f64 / SPATIAL_GAIN
}
