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

/// Shift from the one foretold that is looked at first, in samples: white jitter rarely goes further from line to line.
const NEAR: usize = 4;

/// How much more than lines before it a line may miss and still be where it was foretold: what a row of picture beside
/// another does, and a line that stands elsewhere does not.
const AS_GOOD: f32 = 1.5;

/// A stretch counts at most this many times what stretches usually miss by.
const MOST_MISS: u32 = 3;

/// What a stretch misses by at least: rounding alone leaves a quarter of a code a sample.
const LEAST_MISS: f32 = 0.25 * STRETCH as f32;

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
    /// What a stretch misses by, on the mean of all, each limited.
    pub miss: f32,
}

/// What lines above a line foretell of it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Foretold {
    /// Where it stands, in whole samples.
    pub shift: f32,
    /// What they missed by; `None` where nothing is foretold.
    miss: Option<f32>,
}

impl Foretold {
    /// Takes a line into account.
    pub(super) fn follow(&mut self, rough: &Rough) {
        self.shift = rough.shift;
        // A line that shows something else must not make the next one's errors pass for usual.
        self.miss = Some(
            self.miss
                .map_or(rough.miss, |miss| rough.miss.min(1.1 * miss)),
        );
    }
}

/// What is searched.
#[derive(Clone, Copy, Debug)]
pub(super) struct Search<'a> {
    /// The line in whole codes, with [`REACH`] more at either end.
    pub padded: &'a [u8],
    /// What is expected of it, a whole number of stretches.
    pub expected: &'a [u8],
    /// The stretches of which something is known, a bit each.
    pub known: u32,
}

impl Search<'_> {
    /// The shift that fits best, near the one foretold where others fit as well; `None` where nothing is expected.
    pub(super) fn run(&self, foretold: &Foretold) -> Option<Rough> {
        if let Some(miss) = foretold.miss {
            let near = (foretold.shift + REACH as f32) as usize;
            let first = near.saturating_sub(NEAR).min(2 * (REACH - NEAR));
            let found = self.among::<{ 2 * NEAR + 1 }>(first, foretold.shift, near_distances)?;
            let at = (found.shift + REACH as f32) as usize - first;
            let at_end = at == 0 || at == 2 * NEAR;
            if !at_end && found.miss <= AS_GOOD * miss.max(LEAST_MISS) {
                return Some(found);
            }
        }
        self.among::<{ 2 * REACH + 1 }>(0, foretold.shift, far_distances)
    }

    /// The best of `SHIFTS` shifts from the `first` on, counted from the furthest to the left.
    fn among<const SHIFTS: usize>(
        &self,
        first: usize,
        guess: f32,
        distances: impl Fn(&[u8], &[u8], &mut [[u32; SHIFTS]; MAX_STRETCHES]),
    ) -> Option<Rough> {
        let mut costs = [[0; SHIFTS]; MAX_STRETCHES];
        distances(&self.padded[first..], self.expected, &mut costs);
        let stretches = self.expected.len() / STRETCH;
        let known = || (0..stretches).filter(|nth| self.known >> nth & 1 != 0);
        let mut misses = [0.0_f32; MAX_STRETCHES];
        let mut median_of = |miss: &dyn Fn(&[u32; SHIFTS]) -> u32| {
            let mut count = 0;
            for stretch in known() {
                misses[count] = miss(&costs[stretch]) as f32;
                count += 1;
            }
            robust::median(&mut misses[..count])
        };
        let least = |costs: &[u32; SHIFTS]| costs.iter().copied().min().unwrap_or(0);
        let usual = median_of(&least)?.max(LEAST_MISS);
        let count = self.known.count_ones() as f32;
        let floor = LEAST_MISS * count;
        let most = MOST_MISS * usual as u32;
        let mut totals = [0_u32; SHIFTS];
        for stretch in known() {
            for (total, &cost) in totals.iter_mut().zip(&costs[stretch]) {
                *total += cost.min(most);
            }
        }
        let leftmost = first as f32 - REACH as f32;
        let best = (0..SHIFTS).map(|nth| {
            let away = (leftmost + nth as f32 - guess).abs().min(PULL_REACH);
            let cost = (totals[nth] as f32 + floor) * (1.0 + PULL_PER_SAMPLE * away);
            (nth, cost)
        });
        let (nth, _) = best.min_by(|a, b| a.1.total_cmp(&b.1))?;
        let scale = median_of(&|costs| costs[nth])? / STRETCH as f32;
        Some(Rough {
            shift: leftmost + nth as f32,
            part: between(&totals, nth),
            scale: super::SIGMA_PER_MEAN_DEVIATION * scale,
            miss: totals[nth] as f32 / count,
        })
    }
}

/// Where between its neighbours the least of costs stands that rise alike on both sides, as absolute differences do.
fn between(totals: &[u32], nth: usize) -> f32 {
    if nth == 0 || nth + 1 == totals.len() {
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

/// Sums of absolute differences by stretch and shift.
#[multiversion(targets("x86_64+avx2"))]
fn near_distances(moved: &[u8], still: &[u8], costs: &mut [[u32; 2 * NEAR + 1]; MAX_STRETCHES]) {
    distances::<{ 2 * NEAR + 1 }, { 2 * NEAR + STRETCH }>(moved, still, costs);
}

/// The same over the whole reach.
#[multiversion(targets("x86_64+avx2"))]
fn far_distances(moved: &[u8], still: &[u8], costs: &mut [[u32; 2 * REACH + 1]; MAX_STRETCHES]) {
    distances::<{ 2 * REACH + 1 }, { 2 * REACH + STRETCH }>(moved, still, costs);
}

#[inline(always)]
#[expect(
    clippy::inline_always,
    reason = "it must be made wide as its caller is"
)]
fn distances<const SHIFTS: usize, const SAMPLES: usize>(
    moved: &[u8],
    still: &[u8],
    costs: &mut [[u32; SHIFTS]; MAX_STRETCHES],
) {
    let stretches = still.as_chunks::<STRETCH>().0;
    for (nth, (still, costs)) in stretches.iter().zip(costs).enumerate() {
        let Some(moved) = moved[nth * STRETCH..].first_chunk::<SAMPLES>() else {
            continue;
        };
        for (moved, cost) in moved.windows(STRETCH).zip(costs) {
            let mut sum = 0;
            for (a, b) in moved.iter().zip(still) {
                sum += u32::from(a.abs_diff(*b));
            }
            *cost = sum;
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

    fn search(line: &[u8], expected: &[u8], foretold: &Foretold) -> Rough {
        let mut padded = vec![line[0]; REACH];
        padded.extend_from_slice(line);
        padded.resize(line.len() + 2 * REACH, line[line.len() - 1]);
        let search = Search {
            padded: &padded,
            expected,
            known: (1 << (expected.len() / STRETCH)) - 1,
        };
        search.run(foretold).expect("there is a line")
    }

    #[test]
    fn a_line_far_from_the_one_above_is_found_as_well() {
        let mut foretold = Foretold::default();
        foretold.follow(&search(&row(1), &row(0), &Foretold::default()));
        for shift in [1_isize, -2, 6, -19, 20] {
            let found = search(&row(shift), &row(0), &foretold);
            assert!(
                (found.shift - shift as f32).abs() < 0.1,
                "{shift} {found:?}"
            );
        }
    }

    #[test]
    fn a_moved_line_is_found_where_it_went() {
        for shift in [-17_isize, -3, 0, 8, 20] {
            let found = search(&row(shift), &row(0), &Foretold::default());
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
        let found = search(&line, &row(0), &Foretold::default());
        assert!((found.shift - 5.0).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn a_flat_line_stays_at_the_guess() {
        let foretold = Foretold {
            shift: 3.0,
            ..Foretold::default()
        };
        let found = search(&[90; 704], &[90; 704], &foretold);
        assert!((found.shift - 3.0).abs() < 0.1, "{found:?}");
    }
}
