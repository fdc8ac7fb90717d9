//! Whether what stands in a band of rows is found, moved, in the fields a frame away: a picture is, noise is not.
//!
//! In: the fields and the band. Out: yes or no. Three blocks across the width are each held against places around in the
//! field before and in the one after. Of a picture that moves, one place fits far better than the others do, and most samples
//! are alike there; of noise, all fit equally badly, and noise on top of a picture is still there where the picture fits.
//!
//! Does not know: how the band was found.

use std::ops::Range;

use super::Band;
use crate::fields::Plane;
use crate::measures::dropouts::Judged;
use crate::measures::dsp::codes::absolute_difference;

/// Width of a block, and its rows at most.
const WIDTH: usize = 64;
const ROWS: usize = 8;

/// Where blocks stand, as sixteenths of the width.
const PLACES: [usize; 3] = [3, 8, 13];

/// How far a block is looked for, and the step across: detail of a tape's 3 MHz is wider than two samples.
const ACROSS: isize = 40;
const ACROSS_STEP: usize = 2;
const DOWN: isize = 4;

/// The best place fits better than the mean of all by this, where there is a picture. Of noise over 512 samples, of which a third
/// are independent, the best of four hundred reaches 0.8.
const FOUND_SHARE: f64 = 0.66;

/// Share of the block's samples that may be unlike where it fits best: of noise on top of a picture it is two thirds and more. Where
/// the best place fits [`FAR_BETTER`] than the mean, detail so fine that half a sample's motion changes it may be more.
const UNLIKE_SHARE: f64 = 0.5;
const FAR_BETTER: f64 = 0.45;
const UNLIKE_DETAIL: f64 = 0.72;

/// Blocks that must be found.
const ENOUGH: usize = 2;

/// Whether the band shows a picture.
pub(super) fn is_found(
    judged: &Judged<'_>,
    band: &Band,
    columns: &Range<usize>,
    threshold: u8,
) -> bool {
    let places = PLACES.map(|sixteenth| columns.start + columns.len() * sixteenth / 16);
    let found = places.into_iter().filter(|&middle| {
        let block = Block {
            luma: &judged.now.luma,
            first: middle.saturating_sub(WIDTH / 2).max(columns.start),
            row: band.row + (band.lines - band.lines.min(ROWS)) / 2,
            rows: band.lines.min(ROWS),
        };
        [judged.earlier, judged.later]
            .into_iter()
            .any(|field| block.is_in(&field.luma, columns, threshold))
    });
    found.count() >= ENOUGH
}

struct Block<'a> {
    luma: &'a Plane,
    first: usize,
    row: usize,
    rows: usize,
}

impl Block<'_> {
    fn is_in(&self, other: &Plane, columns: &Range<usize>, threshold: u8) -> bool {
        let Some((row, first, share)) = self.best_place(other, columns) else {
            return false;
        };
        let allowed = if share < FAR_BETTER {
            UNLIKE_DETAIL
        } else {
            UNLIKE_SHARE
        };
        share < FOUND_SHARE && self.unlike(other, (row, first), threshold) < allowed
    }

    /// Row and first sample of the best place, and how well it fits over how well all do on average.
    fn best_place(&self, other: &Plane, columns: &Range<usize>) -> Option<(usize, usize, f64)> {
        let (mut best, mut sum, mut count) = ((u32::MAX, 0, 0), 0_u64, 0_u64);
        for down in -DOWN..=DOWN {
            let Some(row) = self.row.checked_add_signed(down) else {
                continue;
            };
            if row + self.rows > other.rows {
                continue;
            }
            for across in (-ACROSS..=ACROSS).step_by(ACROSS_STEP) {
                let Some(first) = self.first.checked_add_signed(across) else {
                    continue;
                };
                if first < columns.start || first + WIDTH > columns.end {
                    continue;
                }
                let difference = self.difference(other, row, first);
                best = best.min((difference, row, first));
                sum += u64::from(difference);
                count += 1;
            }
        }
        let (least, row, first) = best;
        if sum == 0 {
            return None;
        }
        // between the steps
        let (least, first) = [first.saturating_sub(1), first + 1]
            .into_iter()
            .filter(|&first| first >= columns.start && first + WIDTH <= columns.end)
            .map(|first| (self.difference(other, row, first), first))
            .fold((least, first), std::cmp::min);
        Some((row, first, f64::from(least) * count as f64 / sum as f64))
    }

    /// Share of the samples that differ by more than a threshold from another place.
    fn unlike(&self, other: &Plane, (row, first): (usize, usize), threshold: u8) -> f64 {
        let unlike = (0..self.rows).map(|line| {
            let own = &self.luma.row(self.row + line)[self.first..self.first + WIDTH];
            let there = &other.row(row + line)[first..first + WIDTH];
            let pairs = own.iter().zip(there);
            pairs.filter(|(a, b)| a.abs_diff(**b) > threshold).count()
        });
        unlike.sum::<usize>() as f64 / (self.rows * WIDTH) as f64
    }

    fn difference(&self, other: &Plane, row: usize, first: usize) -> u32 {
        (0..self.rows)
            .map(|line| {
                let own = &self.luma.row(self.row + line)[self.first..self.first + WIDTH];
                absolute_difference(own, &other.row(row + line)[first..first + WIDTH])
            })
            .sum()
    }
}
