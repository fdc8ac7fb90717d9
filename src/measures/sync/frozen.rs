//! Patches of the picture that stand still, noise and all, while the rest of it lives: what a digital box shows where it lost data.
//!
//! In: a field and the one before it of the same parity, and how much noise live fields of this pass have between them. Out: the
//! share of the picture that is frozen.
//!
//! A patch is a piece of one row. It is frozen if it changed far less in time than noise would, though along the line the same noise
//! is still in it. Along the line the lower quartile counts, for a caption or a mark that was put into the picture is without noise but for its
//! edges. A single patch may be chance: it takes two side by side.
//!
//! Does not know: why it froze, or whether the whole field is an earlier one again.

use std::ops::Range;

use crate::fields::Plane;
use crate::measures::dsp::codes::absolute_difference;
use crate::units::Percent;

/// Samples of a patch: two blocks of 16.
const PATCH: usize = 32;

/// Every how many rows: a block of 16 lines has eight rows of a field, and two rows of patches.
const ROW_STEP: usize = 4;

/// Most patches of a row.
const MOST_ACROSS: usize = 64;

/// Rows left out at either end: head switch and half lines.
const END_ROWS: usize = 8;

/// Lag of the second difference, in samples, as for repeats: most sensitive around 2.2 MHz.
const LAG: usize = 3;

/// Second differences of a patch.
const DIFFERENCES: usize = PATCH - 2 * LAG;

/// Mean absolute difference of two fields over their noise sigma: 2/√π.
const TEMPORAL_GAIN: f64 = 1.128;

/// Lower quartile of absolute second differences over the noise sigma, white: √6 · 0.3186.
const SPATIAL_GAIN: f64 = 0.780;

/// Noise between live fields, in codes of sigma, without which a converter's own noise hides what is frozen.
const LEAST_NOISE: f64 = 0.8;

/// Change over noise along the line, at most: recursive noise reduction that keeps nine tenths of the field before leaves 0.32.
const CHANGE_SHARE: f64 = 0.22;

/// Noise along the line over that between live fields, at least: black and white that are cut off have none.
const ROUGH_SHARE: f64 = 0.5;

/// Share of the patches beyond which it is the field that is shown again.
const WHOLE: f64 = 0.8;

/// The share of the picture that is frozen; `None` where it cannot be told.
pub(super) fn share(
    (now, before): (&Plane, &Plane),
    columns: Range<usize>,
    live_noise: f64,
) -> Option<Percent> {
    let across = (columns.len() / PATCH).min(MOST_ACROSS);
    if live_noise < LEAST_NOISE || across == 0 || now.rows <= 2 * END_ROWS {
        return None;
    }
    let (mut all, mut frozen) = (0_u32, 0_u32);
    for row in (END_ROWS..now.rows - END_ROWS).step_by(ROW_STEP) {
        let used = columns.start..columns.start + across * PATCH;
        let pieces = now.row(row)[used.clone()].chunks_exact(PATCH);
        let earlier = before.row(row)[used].chunks_exact(PATCH);
        let mut run = 0;
        for (now, before) in pieces.zip(earlier) {
            all += 1;
            if is_frozen(now, before, live_noise) {
                run += 1;
                // The second of a run counts the first with it.
                frozen += match run {
                    1 => 0,
                    2 => 2,
                    _ => 1,
                };
            } else {
                run = 0;
            }
        }
    }
    let share = f64::from(frozen) / f64::from(all.max(1));
    (share < WHOLE).then_some(Percent(100.0 * share))
}

fn is_frozen(now: &[u8], before: &[u8], live_noise: f64) -> bool {
    let change = f64::from(absolute_difference(now, before)) / PATCH as f64 / TEMPORAL_GAIN;
    // Most patches are done with here.
    if change > CHANGE_SHARE * 8.0 * live_noise {
        return false;
    }
    let roughness = roughness(now);
    roughness >= ROUGH_SHARE * live_noise && change < CHANGE_SHARE * roughness.min(2.0 * live_noise)
}

/// Noise along the line, in codes of sigma: by the lower quartile, which edges do not move.
fn roughness(samples: &[u8]) -> f64 {
    let mut differences = [0_u16; DIFFERENCES];
    for (at, difference) in differences.iter_mut().enumerate() {
        let [a, b, c] = [at, at + LAG, at + 2 * LAG].map(|at| u16::from(samples[at]));
        *difference = (a + c).abs_diff(2 * b);
    }
    let (_, quartile, _) = differences.select_nth_unstable(DIFFERENCES / 4);
    f64::from(*quartile) / SPATIAL_GAIN
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::sketch::{Sketcher, plane};

    const WIDTH: usize = 720;
    const ROWS: usize = 243;

    /// Grey with noise.
    fn noisy(pen: &mut Sketcher, sigma: f64) -> Plane {
        plane(WIDTH, ROWS, |_, _| {
            (110.0 + sigma * pen.bell()).round() as u8
        })
    }

    fn copy(from: &Plane, to: &mut Plane, rows: Range<usize>, columns: Range<usize>) {
        for row in rows {
            let place = row * WIDTH + columns.start..row * WIDTH + columns.end;
            to.samples[place.clone()].copy_from_slice(&from.samples[place]);
        }
    }

    fn found(now: &Plane, before: &Plane, noise: f64) -> f64 {
        share((now, before), 8..WIDTH - 8, noise)
            .expect("it can be told")
            .0
    }

    #[test]
    fn nothing_is_frozen_in_live_noise_of_any_size() {
        let mut pen = Sketcher::new(1);
        for sigma in [1.0, 2.0, 4.0] {
            let (now, before) = (noisy(&mut pen, sigma), noisy(&mut pen, sigma));
            assert_eq!(found(&now, &before, sigma), 0.0, "{sigma}");
        }
    }

    #[test]
    fn blocks_that_stay_are_found_by_their_share() {
        let mut pen = Sketcher::new(2);
        let before = noisy(&mut pen, 2.0);
        let mut now = noisy(&mut pen, 2.0);
        copy(&before, &mut now, 80..104, 200..520);
        let share = found(&now, &before, 2.0);
        let truth = 100.0 * (24.0 * 320.0) / (704.0 * (ROWS - 2 * END_ROWS) as f64);
        assert!((share - truth).abs() < 0.3 * truth, "{share} of {truth}");
    }

    #[test]
    fn blocks_converted_afresh_are_found_too() {
        let mut pen = Sketcher::new(3);
        let before = noisy(&mut pen, 2.5);
        let mut now = noisy(&mut pen, 2.5);
        copy(&before, &mut now, 80..104, 200..520);
        for sample in &mut now.samples {
            *sample = (f64::from(*sample) + 0.3 * pen.bell()).round() as u8;
        }
        assert!(found(&now, &before, 2.5) > 3.0);
    }

    #[test]
    fn a_caption_without_noise_and_black_that_is_cut_off_are_not_frozen() {
        let mut pen = Sketcher::new(4);
        let (mut before, mut now) = (noisy(&mut pen, 2.0), noisy(&mut pen, 2.0));
        for field in [&mut before, &mut now] {
            for row in 60..100 {
                for column in 100..600 {
                    let letter = if column / 9 % 2 == 0 { 200 } else { 30 };
                    field.samples[row * WIDTH + column] = letter;
                }
            }
            field.samples[140 * WIDTH..200 * WIDTH].fill(16);
        }
        assert_eq!(found(&now, &before, 2.0), 0.0);
    }

    #[test]
    fn a_field_shown_again_is_another_matter() {
        let mut pen = Sketcher::new(5);
        let now = noisy(&mut pen, 2.0);
        assert_eq!(share((&now, &now), 8..712, 2.0), None);
    }

    #[test]
    fn without_noise_nothing_can_be_told() {
        let now = plane(WIDTH, ROWS, |column, _| column as u8);
        assert_eq!(share((&now, &now), 8..712, 0.3), None);
    }
}
