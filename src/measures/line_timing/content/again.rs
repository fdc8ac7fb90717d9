//! A second look at lines that stand apart from the others.
//!
//! In: where every line of a field was found. Out: for the few that stand apart, where what they show agrees that they
//! stand: where they were found, where the lines around them do, or nowhere.
//!
//! A displaced line takes all that it shows along. What moves in front of a scene takes along only itself, and where its
//! contrast is stronger than that of the scene the fit goes with it. So a line that stands apart is fitted once more from
//! where the others stand, and its stretches are asked one by one which of the two they show.
//!
//! Does not know: fields before, or how far what is said is to be believed.

use crate::measures::dsp::robust;
use crate::measures::dsp::spline::STRETCH;

use super::doubt::Verdict;
use super::fit::{Look, RowSums, Sums};
use super::{MAX_STRETCHES, SIGMA_PER_MEAN_DEVIATION, TAMING, settle};

/// Departure from the lines around that is worth a second look: in samples, and in spreads of a line against the next.
const APART: f32 = 0.75;
const SPREADS: f32 = 4.0;
/// The same in spreads of the field's lines about their wide surroundings.
const WANDERS: f32 = 3.0;

/// Rows between places where the surroundings are taken.
const STRIDE: usize = 12;

/// Rows that the near surroundings and the wide ones are the median of. Of the wide ones a thing that moves seldom fills
/// half.
const REACHES: [usize; 2] = [25, 121];

/// A stretch shows the one place rather than the other where it misses this many times less.
const CLEARLY: f32 = 1.6;

/// It misses at most this many times what stretches usually do, and what its slopes make of such a part of a sample: the
/// lines around foretell a place no better.
const FITS: f32 = 3.0;
const OFF_BY: f32 = 0.4;

/// What stretches miss by at least, in codes a sample: rounding.
const LEAST_MISS: f32 = 0.4;

/// Every so many lines are enough to tell what stretches usually miss by.
const SOME: usize = 4;

/// Stretches that must show the place of a line that stands apart from those next to it.
const LEAST_FOR: u32 = 4;

/// A line is divided where those against are at least one to so many for.
const DIVIDED: u32 = 3;

/// Where the near lines and the wide surroundings stand, for a line that is apart from them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Elsewhere {
    pub near: Option<f32>,
    pub wide: Option<f32>,
}

/// Looks for lines that stand apart; keeps its room.
#[derive(Debug, Default)]
pub(super) struct Surroundings {
    /// What stretches of the field miss by, usually, in codes a sample.
    pub usual_miss: f32,
    shifts: Vec<Option<f32>>,
    knots: [Vec<f32>; 2],
    scratch: Vec<f32>,
}

impl Surroundings {
    /// Fills `elsewhere` row by row; whether any line stands apart.
    pub(super) fn compare(&mut self, lines: &[Verdict], elsewhere: &mut Vec<Elsewhere>) -> bool {
        elsewhere.clear();
        elsewhere.resize(lines.len(), Elsewhere::default());
        self.shifts.clear();
        self.shifts.extend(lines.iter().map(Verdict::first_shift));
        self.scratch.clear();
        for pair in self.shifts.windows(2) {
            if let [Some(a), Some(b)] = pair {
                self.scratch.push((a - b).abs());
            }
        }
        let Some(spread) = robust::spread_of_steps(&mut self.scratch) else {
            return false;
        };
        let apart = APART.max(SPREADS * spread);
        self.scratch.clear();
        let some = lines.iter().step_by(SOME);
        self.scratch
            .extend(some.filter_map(|line| usual_miss(&line.sums)));
        self.usual_miss = robust::median(&mut self.scratch)
            .unwrap_or(0.0)
            .max(LEAST_MISS);
        for (knots, reach) in self.knots.iter_mut().zip(REACHES) {
            take_knots(&self.shifts, reach, knots, &mut self.scratch);
        }
        // Lines that wander stand apart from the field's middle without being led astray.
        self.scratch.clear();
        let seen = self.shifts.iter().enumerate();
        self.scratch
            .extend(seen.filter_map(|(row, shift)| Some((*shift)? - between(&self.knots[1], row))));
        let wander = robust::median_and_spread(&mut self.scratch).map_or(0.0, |(_, spread)| spread);
        let apart = [apart, apart.max(WANDERS * wander)];
        let mut any = false;
        for (row, elsewhere) in elsewhere.iter_mut().enumerate() {
            let Some(shift) = self.shifts[row] else {
                continue;
            };
            let mut levels = [None; 2];
            for ((level, knots), apart) in levels.iter_mut().zip(&self.knots).zip(apart) {
                *level = Some(between(knots, row)).filter(|level| (shift - level).abs() > apart);
            }
            let [near, wide] = levels;
            *elsewhere = Elsewhere { near, wide };
            any |= near.or(wide).is_some();
        }
        any
    }
}

/// Medians of `reach` rows around every [`STRIDE`]th.
fn take_knots(shifts: &[Option<f32>], reach: usize, knots: &mut Vec<f32>, scratch: &mut Vec<f32>) {
    let mut last = 0.0;
    knots.clear();
    for centre in (0..shifts.len() + STRIDE).step_by(STRIDE) {
        let start = centre
            .saturating_sub(reach / 2)
            .min(shifts.len().saturating_sub(reach));
        let around = &shifts[start..(start + reach).min(shifts.len())];
        scratch.clear();
        scratch.extend(around.iter().flatten());
        last = robust::median(scratch).unwrap_or(last);
        knots.push(last);
    }
}

fn between(knots: &[f32], row: usize) -> f32 {
    let (knot, beyond) = (row / STRIDE, row % STRIDE);
    let share = beyond as f32 / STRIDE as f32;
    knots[knot] * (1.0 - share) + knots[knot + 1] * share
}

/// What the stretches of a line say of two places.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Votes {
    here: u32,
    there: u32,
    /// Those that show something else than is expected here, whatever they show there.
    against: u32,
}

impl Votes {
    fn of(here: &RowSums, there: &RowSums, usual: f32) -> Self {
        let mut votes = Self::default();
        for (here, there) in here.iter().zip(there) {
            if here.weight <= 0.0 || there.weight <= 0.0 {
                continue;
            }
            let most = most_missed(here.slope_square.max(there.slope_square), usual);
            let [here, there] = [here, there].map(|sums| sums.distance / STRETCH as f32);
            let shows = |one: f32, other: f32| one < most && other > CLEARLY * one;
            votes.here += u32::from(shows(here, there));
            votes.there += u32::from(shows(there, here));
            votes.against += u32::from(here > most || shows(there, here));
        }
        votes
    }

    fn are_divided(self) -> bool {
        self.against * DIVIDED >= self.here && self.against > 0
    }
}

/// What a stretch of such slopes misses by, at most, where it shows what is expected of it, in codes a sample.
fn most_missed(slope_square: f32, usual: f32) -> f32 {
    FITS * usual + OFF_BY * (slope_square / STRETCH as f32).sqrt()
}

/// What a stretch misses by, on the median of those known, in codes a sample.
pub(super) fn usual_miss(sums: &RowSums) -> Option<f32> {
    let mut misses = [0.0; MAX_STRETCHES];
    let mut count = 0;
    for sums in sums.iter().filter(|sums| sums.weight > 0.0) {
        misses[count] = sums.distance / STRETCH as f32;
        count += 1;
    }
    robust::median(&mut misses[..count])
}

/// Decides about a line that stands apart, where stretches of the field usually miss by `usual`.
pub(super) fn decide(look: &Look<'_>, usual: f32, line: &mut Verdict, elsewhere: Elsewhere) {
    let scale = SIGMA_PER_MEAN_DEVIATION * usual;
    for (level, is_near) in [(elsewhere.near, true), (elsewhere.wide, false)] {
        let Some(level) = level else { continue };
        let mut other = Verdict::default();
        settle(look, level, scale, &mut other);
        // Where the fit runs away to where the line was found, it is asked about the place itself.
        let settled = (other.at - level).abs() < 0.5 * (line.at - level).abs();
        if !settled {
            other.sums = held(look, level, scale);
        }
        let votes = Votes::of(&line.sums, &other.sums, usual);
        if settled && votes.there > votes.here && votes.there > 1 {
            keep_those_that_show(&mut other.sums, usual);
            *line = other;
            continue;
        }
        line.divided |= votes.are_divided() || is_near && votes.here < LEAST_FOR;
    }
}

/// Takes stretches out that show something else than is expected: their slopes pull anywhere.
fn keep_those_that_show(line: &mut RowSums, usual: f32) {
    for sums in line.iter_mut().filter(|sums| sums.weight > 0.0) {
        if sums.distance / STRETCH as f32 > most_missed(sums.slope_square, usual) {
            *sums = Sums::default();
        }
    }
}

/// The sums with the line held at `place`, its level apart.
fn held(look: &Look<'_>, place: f32, scale: f32) -> RowSums {
    let mut all = Sums::default();
    for sums in &look.sums(place, 0.0, TAMING * scale) {
        all.add(sums);
    }
    let offset = all.rest / all.weight.max(1.0);
    look.sums(place, offset, TAMING * scale)
}
