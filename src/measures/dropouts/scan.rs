//! Runs of samples of a row that stand outside of everything beside them.
//!
//! In: a row, the rows above and below it, and the same row a frame before and after. Out: [`Run`]s. A sample stands outside when
//! it is brighter than the brightest, or darker than the darkest, of those four rows within [`REACH`] samples, by more than a
//! threshold: edges that move or jitter by less stay inside.
//!
//! Does not know: what else may stand outside.

use std::ops::Range;

use multiversion::multiversion;

use super::{Judged, LEAST_IRE, MOST_DROPOUTS, SHORTEST};
use crate::units::{CodeRange, Hertz, Seconds};

/// Samples to either side that count as beside: 220 ns of jitter between lines.
const REACH: usize = 3;

/// Longest pause within a streak: noise that stands for the picture crosses its levels.
const PAUSE: Seconds = Seconds(0.6e-6);

/// Share of a streak's samples that must stand outside: of noise about half do.
const LEAST_SHARE: f64 = 0.55;

/// Samples an 8-bit counter can count, in whole vectors.
const COUNTED_AT_ONCE: usize = 224;

/// Samples of a row that stand outside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Run {
    pub(super) first: usize,
    pub(super) samples: usize,
}

/// The numbers of a raster.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plan {
    threshold: u8,
    shortest: usize,
    pause: usize,
}

impl Plan {
    pub(super) fn of(range: CodeRange, rate: Hertz) -> Self {
        let (black, peak) = range.black_and_peak();
        let samples = |seconds: f64| (seconds * rate.0).round().max(1.0) as usize;
        Self {
            threshold: (LEAST_IRE / 100.0 * (peak - black).0).round() as u8,
            shortest: samples(SHORTEST.0 * 1e-6),
            pause: samples(PAUSE.0),
        }
    }

    /// Marked samples without which a row has no run.
    fn least_marked(&self) -> usize {
        (LEAST_SHARE * self.shortest as f64).ceil() as usize
    }
}

/// Room for a row.
#[derive(Debug, Default)]
pub(super) struct Scan {
    lowest: Vec<u8>,
    highest: Vec<u8>,
    spare: Vec<u8>,
    marks: Vec<u8>,
}

impl Scan {
    /// Appends the runs of a row; not more than [`MOST_DROPOUTS`].
    pub(super) fn row(
        &mut self,
        judged: &Judged<'_>,
        (row, columns): (usize, &Range<usize>),
        plan: &Plan,
        runs: &mut Vec<Run>,
    ) {
        let count = columns.len();
        for line in [
            &mut self.lowest,
            &mut self.highest,
            &mut self.spare,
            &mut self.marks,
        ] {
            line.resize(count, 0);
        }
        if count <= 4 * REACH {
            return;
        }
        let of = |field: &crate::fields::Field, row: usize| {
            let start = row * field.luma.width;
            start + columns.start..start + columns.end
        };
        let now = &judged.now.luma.samples;
        let line = &now[of(judged.now, row)];
        let beside = [
            &now[of(judged.now, row - 1)],
            &now[of(judged.now, row + 1)],
            &judged.earlier.luma.samples[of(judged.earlier, row)],
            &judged.later.luma.samples[of(judged.later, row)],
        ];
        extremes(beside, &mut self.lowest, &mut self.highest);
        // Looking to the side only unmarks: most rows are done with without.
        let bounds = (&self.lowest[..], &self.highest[..]);
        let at_most = mark(line, bounds, plan.threshold, &mut self.marks);
        if (at_most as usize) < plan.least_marked() {
            return;
        }
        widen_lowest(&mut self.lowest, &mut self.spare);
        widen_highest(&mut self.highest, &mut self.spare);
        let bounds = (&self.lowest[..], &self.highest[..]);
        let marked = mark(line, bounds, plan.threshold, &mut self.marks);
        if marked as usize >= plan.least_marked() {
            find_runs(&self.marks, columns.start, plan, runs);
        }
    }
}

/// The darkest and the brightest of four rows, sample by sample.
#[multiversion(targets("x86_64+avx2"))]
fn extremes(rows: [&[u8]; 4], lowest: &mut [u8], highest: &mut [u8]) {
    let count = lowest.len();
    let [a, b, c, d] = rows.map(|row| &row[..count]);
    let highest = &mut highest[..count];
    for at in 0..count {
        lowest[at] = a[at].min(b[at]).min(c[at].min(d[at]));
    }
    for at in 0..count {
        highest[at] = a[at].max(b[at]).max(c[at].max(d[at]));
    }
}

/// The darkest within [`REACH`] samples.
#[multiversion(targets("x86_64+avx2"))]
fn widen_lowest(values: &mut [u8], spare: &mut [u8]) {
    widen(values, spare, u8::min);
}

/// The brightest within [`REACH`] samples.
#[multiversion(targets("x86_64+avx2"))]
fn widen_highest(values: &mut [u8], spare: &mut [u8]) {
    widen(values, spare, u8::max);
}

/// The outermost within [`REACH`] samples: of three neighbours, then of three of those two apart.
#[inline(always)]
#[expect(
    clippy::inline_always,
    reason = "or it would not be wide where its caller is"
)]
fn widen(values: &mut [u8], spare: &mut [u8], outer: impl Fn(u8, u8) -> u8) {
    let count = values.len();
    for ((out, left), (middle, right)) in spare[1..count - 1]
        .iter_mut()
        .zip(&values[..count - 2])
        .zip(values[1..count - 1].iter().zip(&values[2..]))
    {
        *out = outer(outer(*left, *middle), *right);
    }
    spare[0] = outer(values[0], values[1]);
    spare[count - 1] = outer(values[count - 1], values[count - 2]);
    values.copy_from_slice(&spare[..count]);
    for ((out, left), (middle, right)) in values[2..count - 2]
        .iter_mut()
        .zip(&spare[..count - 4])
        .zip(spare[2..count - 2].iter().zip(&spare[4..]))
    {
        *out = outer(outer(*left, *middle), *right);
    }
}

/// Marks samples outside of the bounds by more than the threshold with 1, others with 0; gives how many there are.
#[multiversion(targets("x86_64+avx2"))]
fn mark(line: &[u8], (lowest, highest): (&[u8], &[u8]), threshold: u8, marks: &mut [u8]) -> u32 {
    for ((out, code), (low, high)) in marks.iter_mut().zip(line).zip(lowest.iter().zip(highest)) {
        let outside = low.saturating_sub(*code).max(code.saturating_sub(*high));
        *out = u8::from(outside > threshold);
    }
    let mut count = 0;
    for stretch in marks.chunks(COUNTED_AT_ONCE) {
        count += u32::from(stretch.iter().sum::<u8>());
    }
    count
}

/// Runs of marks with pauses no longer than allowed.
fn find_runs(marks: &[u8], offset: usize, plan: &Plan, runs: &mut Vec<Run>) {
    let (mut first, mut last, mut marked) = (None, 0, 0_usize);
    let mut close = |first: Option<usize>, last: usize, marked: usize| {
        let Some(first) = first else { return };
        let samples = last + 1 - first;
        let dense = marked as f64 >= LEAST_SHARE * samples as f64;
        if samples >= plan.shortest && dense && runs.len() < MOST_DROPOUTS {
            runs.push(Run {
                first: offset + first,
                samples,
            });
        }
    };
    for (at, _) in marks.iter().enumerate().filter(|(_, mark)| **mark > 0) {
        if first.is_some() && at - last > plan.pause {
            close(first.take(), last, marked);
            marked = 0;
        }
        first = first.or(Some(at));
        last = at;
        marked += 1;
    }
    close(first, last, marked);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::standard::BT601_LUMA_RATE;

    fn runs_of(pattern: &str) -> Vec<Run> {
        let marks: Vec<u8> = pattern.bytes().map(|byte| u8::from(byte == b'#')).collect();
        let plan = Plan {
            threshold: 26,
            shortest: 4,
            pause: 3,
        };
        let mut runs = Vec::new();
        find_runs(&marks, 100, &plan, &mut runs);
        runs
    }

    #[test]
    fn short_pauses_belong_to_a_streak_and_long_ones_end_it() {
        let found = runs_of("..##.##.....###....##..#.##");
        let run = |first, samples| Run { first, samples };
        assert_eq!(found, [run(102, 5), run(119, 8)]);
    }

    #[test]
    fn thin_marks_are_no_streak() {
        assert_eq!(runs_of("#..#..#..#..#"), []);
    }

    #[test]
    fn a_microsecond_and_a_half_is_twenty_samples_and_twelve_ire_are_26_codes() {
        let plan = Plan::of(CodeRange::Studio, BT601_LUMA_RATE);
        assert_eq!((plan.shortest, plan.threshold), (20, 26));
    }

    #[test]
    fn neighbours_count_as_far_as_three_samples_to_the_side() {
        let mut values = vec![50_u8; 40];
        let mut spare = vec![0; 40];
        values[20] = 90;
        values[0] = 80;
        let mut highest = values.clone();
        widen_highest(&mut highest, &mut spare);
        let raised: Vec<usize> = (0..40).filter(|&at| highest[at] == 90).collect();
        assert_eq!(raised, [17, 18, 19, 20, 21, 22, 23]);
        for value in &mut values {
            *value = 255 - *value;
        }
        let mut lowest = values;
        widen_lowest(&mut lowest, &mut spare);
        assert!((0..40).all(|at| lowest[at] == 255 - highest[at]));
    }
}
