//! Where a line stands to the nearest sample, looked for over a wide range.
//!
//! In: a line and what is expected of it, in whole codes. Out: the shift at which most of its stretches fit, and how well.
//! A stretch that fits nowhere counts no more than a few times what the others miss by: it shows something else.
//!
//! Does not know: parts of samples.

use multiversion::multiversion;

use crate::measures::dsp::robust;
use crate::measures::dsp::spline::STRETCH;

use super::MAX_STRETCHES;

/// Furthest shift looked at either way, in samples.
pub(super) const REACH: usize = 20;

const SHIFTS: usize = 2 * REACH + 1;

/// A stretch counts at most this many times what stretches usually miss by.
const MOST_MISS: u32 = 3;

/// How much better a shift must fit for each sample that it lies away from the guess, as a share: what noise does not do.
const PULL_PER_SAMPLE: f32 = 0.01;

/// Samples over which the pull grows.
const PULL_REACH: f32 = 8.0;

/// Where a line stands, roughly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rough {
    /// To the right, in whole samples.
    pub shift: f32,
    /// The part of a sample beyond, as the costs on either side tell it: −0.5 to 0.5.
    pub part: f32,
    /// Standard deviation of a sample that fits, in codes.
    pub scale: f32,
    /// What all stretches miss by, each limited.
    pub miss: f32,
}

/// Room for the search.
#[derive(Debug)]
pub(super) struct Coarse {
    padded: Vec<u8>,
    costs: [[u32; SHIFTS]; MAX_STRETCHES],
    /// By stretch, the least of its costs.
    least: [u32; MAX_STRETCHES],
    scratch: Vec<f32>,
}

impl Coarse {
    pub(super) fn new() -> Self {
        Self {
            padded: Vec::with_capacity(MAX_STRETCHES * STRETCH + 2 * REACH + STRETCH),
            costs: [[0; SHIFTS]; MAX_STRETCHES],
            least: [0; MAX_STRETCHES],
            scratch: Vec::with_capacity(MAX_STRETCHES),
        }
    }

    /// The shift that fits best, near `guess` where others fit as well; `None` where nothing is expected.
    pub(super) fn search(
        &mut self,
        codes: &[u8],
        expected: &[u8],
        known: impl Fn(usize) -> bool,
        guess: f32,
    ) -> Option<Rough> {
        let (&first, &last) = (codes.first()?, codes.last()?);
        self.padded.clear();
        self.padded.resize(REACH, first);
        self.padded.extend_from_slice(codes);
        self.padded.resize(codes.len() + 2 * REACH, last);
        let stretches = expected.len() / STRETCH;
        distances(&self.padded, expected, &mut self.costs, &mut self.least);
        self.scratch.clear();
        for (stretch, &least) in self.least.iter().enumerate().take(stretches) {
            if known(stretch) {
                self.scratch.push(least as f32);
            }
        }
        let usual = robust::median(&mut self.scratch)?;
        // Rounding alone leaves a quarter of a code a sample.
        let least = 0.25 * STRETCH as f32;
        let floor = least * self.scratch.len() as f32;
        let usual = usual.max(least);
        let most = MOST_MISS * usual as u32;
        let mut totals = [0_u32; SHIFTS];
        for (stretch, costs) in self.costs.iter().enumerate().take(stretches) {
            if known(stretch) {
                add_limited(costs, most, &mut totals);
            }
        }
        let best = (0..SHIFTS).map(|nth| {
            let shift = nth as f32 - REACH as f32;
            let away = (shift - guess).abs().min(PULL_REACH);
            let total = totals[nth] as f32;
            (
                shift,
                total,
                (total + floor) * (1.0 + PULL_PER_SAMPLE * away),
            )
        });
        let (shift, miss, _) = best.min_by(|a, b| a.2.total_cmp(&b.2))?;
        let nth = (shift + REACH as f32) as usize;
        self.scratch.clear();
        for (stretch, costs) in self.costs.iter().enumerate().take(stretches) {
            if known(stretch) {
                self.scratch.push(costs[nth] as f32 / STRETCH as f32);
            }
        }
        let scale = super::SIGMA_PER_MEAN_DEVIATION * robust::median(&mut self.scratch)?;
        Some(Rough {
            shift,
            part: between(&totals, nth),
            scale,
            miss,
        })
    }
}

/// Where between its neighbours the least of costs stands that rise alike on both sides, as absolute differences do.
fn between(totals: &[u32; SHIFTS], nth: usize) -> f32 {
    if nth == 0 || nth + 1 == SHIFTS {
        return 0.0;
    }
    let [before, at, after] = [nth - 1, nth, nth + 1].map(|nth| totals[nth] as f32);
    let rise = before.max(after) - at;
    if rise > 0.0 {
        (0.5 * (before - after) / rise).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn add_limited(costs: &[u32; SHIFTS], most: u32, totals: &mut [u32; SHIFTS]) {
    for (total, &cost) in totals.iter_mut().zip(costs) {
        *total += cost.min(most);
    }
}

/// Sums of absolute differences by stretch and shift, and the least of each stretch.
#[multiversion(targets("x86_64+avx2"))]
fn distances(
    moved: &[u8],
    still: &[u8],
    costs: &mut [[u32; SHIFTS]; MAX_STRETCHES],
    least: &mut [u32; MAX_STRETCHES],
) {
    let stretches = still.as_chunks::<STRETCH>().0;
    for (nth, ((still, costs), least)) in stretches.iter().zip(costs).zip(least).enumerate() {
        *least = u32::MAX;
        for (shift, cost) in costs.iter_mut().enumerate() {
            let Some(moved) = moved[nth * STRETCH + shift..].first_chunk::<STRETCH>() else {
                continue;
            };
            let mut sum = 0;
            for (a, b) in moved.iter().zip(still) {
                sum += u32::from(a.abs_diff(*b));
            }
            *cost = sum;
            *least = sum.min(*least);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(shift: isize) -> Vec<u8> {
        (0..704_isize)
            .map(|x| (((x - shift).pow(2) / 7 + 31 * (x - shift)).rem_euclid(173) + 30) as u8)
            .collect()
    }

    #[test]
    fn a_moved_line_is_found_where_it_went() {
        for shift in [-17_isize, -3, 0, 8, 20] {
            let found = Coarse::new()
                .search(&row(shift), &row(0), |_| true, 0.0)
                .expect("there is a line");
            assert!(
                (found.shift - shift as f32).abs() < 0.1,
                "{shift} {found:?}"
            );
        }
    }

    #[test]
    fn a_third_of_other_picture_does_not_lead_astray() {
        let mut line = row(5);
        for (x, sample) in line[200..430].iter_mut().enumerate() {
            *sample = (x * x % 211) as u8;
        }
        let found = Coarse::new()
            .search(&line, &row(0), |_| true, 0.0)
            .expect("there is a line");
        assert!((found.shift - 5.0).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn a_flat_line_stays_at_the_guess() {
        let found = Coarse::new()
            .search(&[90; 704], &[90; 704], |_| true, 3.0)
            .expect("there is a line");
        assert!((found.shift - 3.0).abs() < 0.1, "{found:?}");
    }
}
