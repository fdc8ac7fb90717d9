//! Low-passed luma, one value every four samples of two lines.
//!
//! A short overshoot beside an edge, a hair of ringing or leftover subcarrier is no level: it must not count. The
//! filter is our own: across a line the weights 1 1 2 2 2 2 1 1, down the field the mean of two lines. At 13.5 MHz it is
//! 6 dB down at 1.2 MHz and has zeros at 2.25, 3.375 and 4.5 MHz, so both colour subcarriers (3.58 and 4.43 MHz) are
//! more than 26 dB down. All weights are positive: the filter makes no overshoot of its own. One value in four is kept;
//! a histogram does not mind the aliasing. Every sample takes part, so nothing is lost but the repetition.
//!
//! Values are in eighths of a code, rounded: [`EIGHTHS`] to a code, 0 to 2040.
//!
//! Does not know: fields or levels.

use multiversion::multiversion;

/// Steps a code is divided into.
pub(super) const EIGHTHS: usize = 8;

/// Samples of a line from one value to the next.
const STRIDE: usize = 4;

/// Samples of a line that a value weighs.
pub(super) const REACH: usize = 8;

/// Widest stretch handled at once, in values: longer lines are done in several.
const STRETCH: usize = 512;

/// Values that a stretch of `samples` samples yields.
pub(super) fn values_of(samples: usize) -> usize {
    (samples / STRIDE).saturating_sub(1)
}

/// Low-passes two lines into `values`, of which there are [`values_of`] the lines' length.
pub(super) fn low_pass(upper: &[u8], lower: &[u8], values: &mut [u16]) {
    for (nth, stretch) in values.chunks_mut(STRETCH).enumerate() {
        let first = nth * STRETCH * STRIDE;
        let samples = first..first + (stretch.len() + 1) * STRIDE;
        low_pass_stretch(&upper[samples.clone()], &lower[samples], stretch);
    }
}

/// The filter over at most [`STRETCH`] values.
#[multiversion(targets("x86_64+avx2"))]
fn low_pass_stretch(upper: &[u8], lower: &[u8], values: &mut [u16]) {
    let mut pairs = [0u32; STRETCH + 1];
    let quads = upper.chunks_exact(STRIDE).zip(lower.chunks_exact(STRIDE));
    for (pair, (upper, lower)) in pairs.iter_mut().zip(quads) {
        *pair = sums_of_two(upper) + sums_of_two(lower);
    }
    for (value, pair) in values.iter_mut().zip(pairs.windows(2)) {
        let (a, b) = (pair[0] & 0xffff, pair[0] >> 16);
        let (c, d) = (pair[1] & 0xffff, pair[1] >> 16);
        *value = eighths(a + 2 * (b + c) + d);
    }
}

/// Four samples as two sums of two, the first in the low half.
fn sums_of_two(quad: &[u8]) -> u32 {
    let word = u32::from_le_bytes([quad[0], quad[1], quad[2], quad[3]]);
    (word & 0x00ff_00ff) + ((word >> 8) & 0x00ff_00ff)
}

/// A sum of weight 24 in eighths of a code, rounded: `(sum + 1) / 3`, by a multiplication that is exact up to 24 · 255.
fn eighths(sum: u32) -> u16 {
    (((sum + 1) * 21_846) >> 16) as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Amplitude of a sine after the filter, as a share of the amplitude before.
    fn gain(frequency_mhz: f64) -> f64 {
        let row: Vec<u8> = (0..720)
            .map(|x| {
                (126.0
                    + 90.0
                        * (std::f64::consts::TAU * frequency_mhz / 13.5 * f64::from(x) + 0.3).sin())
                .round() as u8
            })
            .collect();
        let mut values = vec![0; values_of(row.len())];
        low_pass(&row, &row, &mut values);
        let mean = values.iter().map(|v| f64::from(*v)).sum::<f64>() / values.len() as f64;
        let power = values
            .iter()
            .map(|v| (f64::from(*v) - mean).powi(2))
            .sum::<f64>();
        (2.0 * power / values.len() as f64).sqrt() / 8.0 / 90.0
    }

    #[test]
    fn the_division_by_three_is_exact() {
        for sum in 0..=24 * 255 {
            assert_eq!(u32::from(eighths(sum)), (sum + 1) / 3);
        }
    }

    #[test]
    fn a_flat_line_keeps_its_code() {
        let mut values = [0; 3];
        low_pass(&[235; 16], &[235; 16], &mut values);
        assert_eq!(values, [235 * 8; 3]);
    }

    #[test]
    fn it_is_6_db_down_at_1_2_mhz() {
        assert!((gain(1.2) - 0.51).abs() < 0.02, "{}", gain(1.2));
        assert!((gain(0.2) - 0.98).abs() < 0.02, "{}", gain(0.2));
    }

    #[test]
    fn subcarriers_are_26_db_down() {
        for subcarrier in [3.58, 4.43] {
            assert!(gain(subcarrier) < 0.05, "{}", gain(subcarrier));
        }
    }

    #[test]
    fn lines_longer_than_a_stretch_are_done_whole() {
        let row = vec![100; 4 * 1300];
        let mut values = vec![0; values_of(row.len())];
        low_pass(&row, &row, &mut values);
        assert_eq!(values.len(), 1299);
        assert!(values.iter().all(|value| *value == 800));
    }
}
