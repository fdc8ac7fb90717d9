//! What else may stand outside of everything beside it: a line that is displaced, and detail that moves.
//!
//! In: a run of samples that do, and the fields. Out: whether it is one of these instead of a streak. Each is asked of runs
//! only, which are few, so they may cost more than a sample's share.
//!
//! Does not know: how runs are found.

use std::ops::Range;

use super::Judged;
use super::scan::Run;
use crate::fields::{Field, Plane};
use crate::measures::dsp::codes::absolute_difference;
use crate::standard::Parity;

/// Samples that are taken together when whole lines are compared.
const TOGETHER: usize = 4;

/// Displacements that are tried, in such steps: 7 µs to either side, beyond what torn lines are thrown aside by.
const FURTHEST: usize = 24;

/// Difference in codes from which a place counts no more: a few strong edges must not decide alone.
const ENOUGH: u16 = 24;

/// A line is displaced where moving it back lessens its difference from its neighbours to this share.
const DISPLACED_SHARE: f64 = 0.6;

/// Most streaks on one line.
const MOST_STREAKS: usize = 2;

/// Mean difference in codes, under which lines are alike anyway.
const ALIKE: f64 = 1.5;

/// Samples before a run that are compared with it, and of the run itself at most.
const BEFORE: usize = 8;
const COMPARED: usize = 96;

/// How far detail is looked for in the fields a frame away: a pan over the width of the picture in 22 frames, and fast titles.
const REACH_ACROSS: isize = 40;
const REACH_DOWN: isize = 6;

/// A run is found elsewhere where a line differs from it by less than this share of how it stands out here, and itself stands out
/// by the rest of it there.
const FOUND_SHARE: f64 = 0.4;

/// Of print that rolls only a part is found in the next field, where it falls between two lines; half of it is enough.
const ROLLING_SHARE: f64 = 0.55;

/// How far print is looked for in the next field: lines of the field up and down, samples to the side.
const ROLL_DOWN: isize = 4;
const ROLL_ACROSS: isize = 3;

/// The picture about a run: rows to either side, samples to either side.
const ABOUT_ROWS: usize = 4;
const ABOUT_SAMPLES: usize = 64;

/// The picture about a run moves if it fits so much better where the run was found than where it stood.
const MOVES_SHARE: f64 = 0.7;

/// Mean difference in codes, under which there is nothing about a run that could be seen to move.
const LEAST_ABOUT: f64 = 3.0;

/// Longest run that a displaced edge is thought to make, in samples: lines are seldom thrown aside further.
const LONGEST_EDGE: usize = 72;

/// What is left of the difference about a run when a displaced edge is moved back.
const EDGE_SHARE: f64 = 0.3;

/// Most values of a line with [`TOGETHER`] samples each.
const MOST_VALUES: usize = 512;

/// Room for comparing.
#[derive(Debug)]
pub(super) struct Doubt {
    line: [u16; MOST_VALUES],
    beside: [u16; MOST_VALUES],
    below: [u16; MOST_VALUES],
    /// Values that runs hide.
    hidden: [bool; MOST_VALUES],
}

impl Default for Doubt {
    fn default() -> Self {
        Self {
            line: [0; MOST_VALUES],
            beside: [0; MOST_VALUES],
            below: [0; MOST_VALUES],
            hidden: [false; MOST_VALUES],
        }
    }
}

impl Doubt {
    /// Whether the line fits the mean of those above and below better when it is moved sideways. A slanted edge leaves the line above
    /// to one side and the line below to the other; their mean stands still.
    pub(super) fn is_displaced(
        &mut self,
        field: &Field,
        (row, columns): (usize, &Range<usize>),
        runs: &[Run],
    ) -> bool {
        let count = coarse(&field.luma, row, columns, &mut self.line);
        coarse(&field.luma, row - 1, columns, &mut self.beside);
        coarse(&field.luma, row + 1, columns, &mut self.below);
        for (above, below) in self.beside.iter_mut().zip(&self.below) {
            *above = u16::midpoint(*above, *below);
        }
        self.hidden.fill(false);
        // Streaks are no part of the line. But no line has many of them; what comes in many pieces is detail.
        if runs.len() <= MOST_STREAKS {
            for run in runs {
                let first = (run.first - columns.start) / TOGETHER;
                let last = (run.first + run.samples - columns.start) / TOGETHER;
                self.hidden[first.min(count)..(last + 1).min(count)].fill(true);
            }
        }
        fits_moved(
            &self.line[..count],
            &self.hidden[..count],
            &self.beside[..count],
        )
    }
}

/// Whether the run is an edge that stands elsewhere than in the lines above and below, moved back it fits them. A streak takes
/// itself along.
pub(super) fn is_edge(field: &Field, (row, columns): (usize, &Range<usize>), run: &Run) -> bool {
    if run.samples > LONGEST_EDGE {
        return false;
    }
    let wide = run.samples + BEFORE;
    let window = run.first.saturating_sub(wide).max(columns.start)
        ..(run.first + run.samples + wide).min(columns.end);
    let line = field.luma.row(row);
    let (above, below) = (field.luma.row(row - 1), field.luma.row(row + 1));
    let difference = |shift: isize| {
        let (mut sum, mut count) = (0_u32, 0_usize);
        for at in window.clone() {
            let moved = at.saturating_add_signed(shift);
            if columns.contains(&moved) {
                let beside = u8::midpoint(above[at], below[at]);
                sum += u32::from(line[moved].abs_diff(beside));
                count += 1;
            }
        }
        (2 * count >= window.len()).then(|| f64::from(sum) / count as f64)
    };
    let limit = difference(0).map_or(0.0, |unmoved| EDGE_SHARE * unmoved);
    let furthest = wide.cast_signed();
    (-furthest..=furthest)
        .filter_map(difference)
        .any(|moved| moved < limit)
}

/// Whether the run is found, at another place, in a field beside.
pub(super) fn is_moved(
    judged: &Judged<'_>,
    (row, columns): (usize, &Range<usize>),
    run: &Run,
) -> bool {
    let patch = Patch::about(judged.now, (row, columns), run);
    let limits = patch.limits(FOUND_SHARE);
    [judged.earlier, judged.later]
        .into_iter()
        .any(|field| patch.is_in(&field.luma, columns, limits))
}

/// Whether the run is found in the next or the last field, and the picture about it moves there too: print that rolls up the
/// picture. The speck that spoils a line often spoils the next track as well, a line or so off; but the picture about it stays.
pub(super) fn is_rolling(
    judged: &Judged<'_>,
    (row, columns): (usize, &Range<usize>),
    run: &Run,
) -> bool {
    let patch = Patch::about(judged.now, (row, columns), run);
    let limits = patch.limits(ROLLING_SHARE);
    let about = About {
        luma: patch.luma,
        row,
        columns: patch
            .columns
            .start
            .saturating_sub(ABOUT_SAMPLES)
            .max(columns.start)
            ..(patch.columns.end + ABOUT_SAMPLES).min(columns.end),
    };
    // Row r of a top field lies between rows r − 1 and r of a bottom field, one of a bottom field between r and r + 1.
    let still = match judged.now.place.parity {
        Parity::Top => [-1, 0],
        Parity::Bottom => [0, 1],
    };
    judged.beside.into_iter().any(|field| {
        let stays = about.difference(&field.luma, &still);
        let Some(stays) = stays.filter(|&stays| stays > LEAST_ABOUT) else {
            return false;
        };
        (-ROLL_DOWN..=ROLL_DOWN).any(|down| {
            let moves = || about.difference(&field.luma, &[down]);
            patch.is_at(&field.luma, columns, (down, ROLL_ACROSS), limits)
                && moves().is_some_and(|moves| moves < MOVES_SHARE * stays)
        })
    })
}

/// The picture about a row, the row itself left out.
struct About<'a> {
    luma: &'a Plane,
    row: usize,
    columns: Range<usize>,
}

impl About<'_> {
    /// Mean difference in codes from another field, so many rows down; of several, from their mean.
    fn difference(&self, other: &Plane, down: &[isize]) -> Option<f64> {
        let (mut sum, mut count) = (0_u32, 0_usize);
        for at in self.row.saturating_sub(ABOUT_ROWS)..=self.row + ABOUT_ROWS {
            let rows = down.iter().map(|&down| at.checked_add_signed(down));
            let inside = at < self.luma.rows
                && rows
                    .clone()
                    .all(|row| row.is_some_and(|row| row < other.rows));
            if at == self.row || !inside {
                continue;
            }
            let line = self.luma.row(at);
            for column in self.columns.clone() {
                let there: u32 = rows
                    .clone()
                    .flatten()
                    .map(|row| u32::from(other.row(row)[column]))
                    .sum();
                sum += u32::from(line[column]).abs_diff(there / down.len() as u32);
            }
            count += self.columns.len();
        }
        (count > 0).then(|| f64::from(sum) / count as f64)
    }
}

/// Sums of some samples each.
fn coarse(luma: &Plane, row: usize, columns: &Range<usize>, out: &mut [u16]) -> usize {
    let line = &luma.row(row)[columns.clone()];
    let mut count = 0;
    for (value, samples) in out.iter_mut().zip(line.chunks_exact(TOGETHER)) {
        *value = samples.iter().map(|&code| u16::from(code)).sum();
        count += 1;
    }
    count
}

fn fits_moved(line: &[u16], hidden: &[bool], beside: &[u16]) -> bool {
    let inner = FURTHEST..line.len().saturating_sub(FURTHEST);
    if inner.len() < 2 * FURTHEST {
        return false;
    }
    let most = ENOUGH * TOGETHER as u16;
    let still = &beside[inner.clone()];
    // Mean over what is not hidden; nothing where too little is left.
    let difference = |shift: usize| {
        let from = inner.start + shift - FURTHEST;
        let moved = line[from..].iter().zip(&hidden[from..]);
        let (sum, count) = moved
            .zip(still)
            .filter(|((_, hidden), _)| !**hidden)
            .fold((0_u32, 0_u32), |(sum, count), ((a, _), b)| {
                (sum + u32::from(a.abs_diff(*b).min(most)), count + 1)
            });
        (count as usize >= FURTHEST).then(|| f64::from(sum) / f64::from(count))
    };
    let Some(unmoved) = difference(FURTHEST) else {
        return false;
    };
    if unmoved < ALIKE * TOGETHER as f64 {
        return false;
    }
    let limit = DISPLACED_SHARE * unmoved;
    (0..=2 * FURTHEST)
        .filter(|&shift| shift != FURTHEST)
        .filter_map(difference)
        .any(|moved| moved < limit)
}

/// A stretch of a row, with the rows above and below.
struct Patch<'a> {
    luma: &'a Plane,
    row: usize,
    columns: Range<usize>,
}

impl<'a> Patch<'a> {
    /// A run with a little of what is before and behind it.
    fn about(field: &'a Field, (row, columns): (usize, &Range<usize>), run: &Run) -> Self {
        let from = run.first.saturating_sub(BEFORE).max(columns.start);
        let to = (run.first + run.samples.min(COMPARED) + BEFORE).min(columns.end);
        Self {
            luma: &field.luma,
            row,
            columns: from..to,
        }
    }

    /// What a line may differ from it by, and what it must stand out by, to be the same: shares of how it stands out itself.
    fn limits(&self, share: f64) -> (u32, u32) {
        let out = f64::from(self.standing_out());
        ((share * out) as u32, ((1.0 - share) * out) as u32)
    }

    fn line(&self, row: usize) -> &[u8] {
        &self.luma.row(row)[self.columns.clone()]
    }

    /// How far the row stands off those beside it, in sum.
    fn standing_out(&self) -> u32 {
        let line = self.line(self.row);
        let above = absolute_difference(line, self.line(self.row - 1));
        above.min(absolute_difference(line, self.line(self.row + 1)))
    }

    /// Whether a line that differs from it by `most` at most, and itself stands out by `least` at least, is in another field.
    fn is_in(&self, other: &Plane, columns: &Range<usize>, limits: (u32, u32)) -> bool {
        (-REACH_DOWN..=REACH_DOWN)
            .any(|down| self.is_at(other, columns, (down, REACH_ACROSS), limits))
    }

    /// The same on one row, so many further down, and as far as `reach` to either side.
    fn is_at(
        &self,
        other: &Plane,
        columns: &Range<usize>,
        (down, reach): (isize, isize),
        (most, least): (u32, u32),
    ) -> bool {
        let line = self.line(self.row);
        let row = self.row.checked_add_signed(down);
        let Some(row) = row.filter(|&row| row > 0 && row + 1 < other.rows) else {
            return false;
        };
        let [above, middle, below] = [row - 1, row, row + 1].map(|row| other.row(row));
        for across in -reach..=reach {
            let Some(from) = self.columns.start.checked_add_signed(across) else {
                continue;
            };
            let place = from..from + self.columns.len();
            if from < columns.start || place.end > columns.end {
                continue;
            }
            let there = &middle[place.clone()];
            if absolute_difference(line, there) > most {
                continue;
            }
            let from_above = absolute_difference(there, &above[place.clone()]);
            let from_below = absolute_difference(there, &below[place]);
            if from_above.min(from_below) >= least {
                return true;
            }
        }
        false
    }
}
