//! Both sides of the picture together: one displacement a line.
//!
//! In: what each side saw. Out: the displacement at mid-line, the mean of both sides by information, or one side where the
//! other shows nothing; and the difference of the sides (line length). What contradicts itself is left out. Where some
//! lines' sides disagree beyond their noise, the side that has more of its own carries the disagreement in its variance:
//! tape moves both alike, picture detail pulls at one.
//!
//! Does not know: times, and what the trace is used for.

use std::cmp::Ordering;

use crate::measures::dsp::robust;

use super::MAX_ROWS;
use super::own::OwnErrors;
use super::side::{Follower, Line, Shift, Side};

/// Displacement, in samples, up to which one side alone is believed against the lines right above.
const ALONE: f32 = 2.0;

/// Difference of the sides, in their standard deviations, beyond which they contradict each other.
const CONTRADICTION: f32 = 4.5;

/// Squared difference of the sides over its variance up to which it is put down to noise.
const USUAL_DIFFERENCE: f32 = 5.0;

/// Difference of the sides that no rounding of slopes explains, in samples.
const LEAST_CONTRADICTION: f32 = 0.4;

/// Spread of the sides' sum over that of their difference beyond which they move alike: for independent sides it is 1,
/// give or take 0.11 over 240 lines.
const TOGETHER: f32 = 1.35;

/// Lines on either side of a line that are asked with it whether the sides agree: detail at an edge spans some lines.
const AGREEMENT_REACH: usize = 6;

/// Squared differences over what noise makes of them from which the sides of some lines contradict each other: the mean
/// of 13 squares of normal values passes it once in ten thousand.
const DISAGREEMENT: f32 = 3.1;

/// Error of a side's place, in samples, that its variance does not know of: edges are not quite as modelled.
const MODEL_ERROR: f32 = 0.05;

/// Share of a disagreement that the side with the calmer place carries at the least: lines also differ in length.
const LEAST_BLAME: f32 = 0.1;

/// Departure from the lines around, in robust deviations of the field, beyond which one side alone is doubted.
const WILD_ALONE: f32 = 4.0;

/// Lines on either side that say where one side alone should stand.
const AROUND: usize = 8;

/// Lines that show both sides, needed to learn the line length.
const LEAST_LINES: usize = 12;

/// Spread of the line length, in samples, beyond which one of the sides is something in the picture.
const MOST_SPREAD: f32 = 4.0;

/// Fields over which the reference settles: ten seconds, so that a drift over minutes is followed.
const REFERENCE_FIELDS: f32 = 500.0;

/// Both sides' displacements, row by row.
#[derive(Debug)]
pub(super) struct Pair {
    pub left: Side,
    pub right: Side,
    middle: Vec<Option<Shift>>,
    /// By row: what picture detail may add to the variance at the left and the right side.
    detail: Vec<[f32; 2]>,
    own: OwnErrors,
    scratch: Vec<f32>,
    fields: f32,
    lengths: f32,
    moves_together: bool,
}

impl Pair {
    pub(super) fn new(left: Side, right: Side) -> Self {
        Self {
            left,
            right,
            middle: Vec::with_capacity(MAX_ROWS),
            detail: Vec::with_capacity(MAX_ROWS),
            own: OwnErrors::new(),
            scratch: Vec::with_capacity(MAX_ROWS),
            fields: 0.0,
            lengths: 0.0,
            moves_together: false,
        }
    }

    /// Forgets what was learned.
    pub(super) fn reset(&mut self) {
        self.fields = 0.0;
        self.lengths = 0.0;
        self.own.reset();
        self.middle.clear();
    }

    /// Learns anew how long lines are: a side was found.
    pub(super) fn begin_length(&mut self) {
        self.lengths = 0.0;
    }

    /// Reads one line at both sides.
    pub(super) fn read(&mut self, row: &[u8], blanking: [f32; 2], follower: &mut Follower) {
        let guess = follower.guess();
        let left = self.left.read(row, blanking[0], guess);
        let right = self.right.read(row, blanking[1], guess);
        let near = |shift: &f32| (shift - guess).abs() <= ALONE;
        let seen = match (self.left.rough_shift(left), self.right.rough_shift(right)) {
            (Some(a), Some(b)) if (a - b).abs() <= ALONE => Some(0.5 * (a + b)),
            (Some(a), Some(b)) => Some(nearer(guess, a, b)).filter(near),
            (a, b) => a.or(b).filter(near),
        };
        follower.see(seen);
        self.left.keep(left);
        self.right.keep(right);
    }

    /// Makes one displacement a line, after both sides are finished.
    pub(super) fn combine(&mut self, parity: usize, rows: usize) {
        let length = self.learn_length(rows);
        self.doubt_sides(rows);
        self.blame_detail(rows, length);
        self.learn_own_errors(parity, rows, length);
        self.middle.clear();
        let mut follower = Follower::default();
        for row in 0..rows {
            let shift = self.middle_of(row, &follower, length);
            follower.see(shift.map(|shift| shift.value));
            self.middle.push(shift);
        }
        self.doubt_wild(rows);
        self.learn_reference();
    }

    /// The displacement of a row at mid-line.
    pub(super) fn middle(&self, row: usize) -> Option<Shift> {
        self.middle.get(row).copied().flatten()
    }

    /// Whether a row shows its edges, and none of them within `far` samples of a displacement: picture detail pulls an edge,
    /// but not that far.
    pub(super) fn refutes(&self, row: usize, displacement: f32, far: f32) -> bool {
        let off =
            |shift: Shift| (shift.value - displacement).abs() > far + 3.0 * shift.variance.sqrt();
        let sides = [self.left.shift(row), self.right.shift(row)];
        sides.iter().any(Option::is_some) && sides.into_iter().flatten().all(off)
    }

    /// The displacement that both sides agree the row has at the least, whatever it is worth: a torn line moves its two ends
    /// the same way, picture detail pulls one of them, or both inwards. Of a row with one edge in view, that edge's.
    pub(super) fn at_least(&self, row: usize) -> Option<Shift> {
        match (self.left.shift(row), self.right.shift(row)) {
            (Some(left), Some(right)) if left.value * right.value < 0.0 => None,
            (Some(left), Some(right)) if left.value.abs() < right.value.abs() => Some(left),
            (left, right) => right.or(left),
        }
    }

    /// The right side's displacement less the left side's: how much longer the line is.
    pub(super) fn length(&self, row: usize) -> Option<Shift> {
        let (left, right) = (self.left.shift(row)?, self.right.shift(row)?);
        self.middle(row)?;
        Some(Shift {
            value: right.value - left.value,
            variance: left.variance + right.variance,
        })
    }

    /// Lines of which one side at least shows no blanking because the picture reaches the raster's end.
    pub(super) fn cut_off_share(&self, rows: usize) -> f32 {
        let cut = |row: &usize| {
            let (left, right) = (self.left.line(*row), self.right.line(*row));
            matches!(left, Line::CutOff) && !matches!(right, Line::Edge(_))
                || matches!(right, Line::CutOff) && !matches!(left, Line::Edge(_))
        };
        (0..rows).filter(cut).count() as f32 / rows.max(1) as f32
    }

    /// Rows from the bottom that are as dark as blanking at both sides.
    pub(super) fn dark_rows_at_bottom(&self, rows: usize) -> usize {
        let dark = |side: &Side, row| matches!(side.line(row), Line::Dark);
        (0..rows)
            .rev()
            .take_while(|&row| dark(&self.left, row) && dark(&self.right, row))
            .count()
    }

    /// Where the reference stands in the raster, up to a constant.
    pub(super) fn absolute_reference(&self) -> f64 {
        let left = self.left.reference.map(f64::from);
        let right = self.right.reference.map(|place| -f64::from(place));
        match (left, right) {
            (Some(left), Some(right)) => 0.5 * (left + right),
            (left, right) => left.or(right).unwrap_or(0.0),
        }
    }

    /// The left side's displacement, with all that is known of its error.
    pub(super) fn left_shift(&self, row: usize) -> Option<Shift> {
        Some(self.left_of(row)?.corrected(self.own.at(row)[0]))
    }

    /// The same of the right side.
    pub(super) fn right_shift(&self, row: usize) -> Option<Shift> {
        Some(self.right_of(row)?.corrected(self.own.at(row)[1]))
    }

    fn middle_of(&self, row: usize, follower: &Follower, length: f32) -> Option<Shift> {
        match (self.left_shift(row), self.right_shift(row)) {
            (Some(left), Some(right)) => agreed(left, right, length, follower),
            (Some(one), None) => alone(one, follower, self.right.line(row), 1.0),
            (None, Some(one)) => alone(one, follower, self.left.line(row), -1.0),
            (None, None) => None,
        }
    }

    fn left_of(&self, row: usize) -> Option<Shift> {
        Some(self.left.shift(row)?.doubted(self.detail[row][0]))
    }

    fn right_of(&self, row: usize) -> Option<Shift> {
        Some(self.right.shift(row)?.doubted(self.detail[row][1]))
    }

    /// Holds the sides' difference against their variances.
    fn learn_own_errors(&mut self, parity: usize, rows: usize, length: f32) {
        self.own.begin();
        for row in 0..rows {
            if let (Some(left), Some(right)) = (self.left_of(row), self.right_of(row))
                && !contradict(left, right, length)
            {
                self.own.see(row, left, right);
            }
        }
        self.own.learn(parity, rows);
    }

    /// Makes the sides' references agree over lines that show both; returns the spread of the length without noise, as a
    /// variance.
    fn learn_length(&mut self, rows: usize) -> f32 {
        self.scratch.clear();
        let (mut noise, mut count) = (0.0, 0.0_f32);
        for row in 0..rows {
            if let (Some(left), Some(right)) = (self.left.shift(row), self.right.shift(row)) {
                self.scratch.push(left.value - right.value);
                noise += (left.variance + right.variance).min(1.0);
                count += 1.0;
            }
        }
        self.moves_together = false;
        if self.scratch.len() < LEAST_LINES {
            return 0.0;
        }
        let Some((difference, spread)) = robust::median_and_spread(&mut self.scratch) else {
            return 0.0;
        };
        self.lengths = (self.lengths + 1.0).min(REFERENCE_FIELDS);
        if spread < MOST_SPREAD {
            // Who has been seen for longer stays where it is.
            let step = difference / self.lengths;
            let (left, right) = (self.left.shown(), self.right.shown());
            let share = if left + right > 0.0 {
                right / (left + right)
            } else {
                0.5
            };
            self.left.rebase(share * step);
            self.right.rebase((share - 1.0) * step);
        }
        self.moves_together = self.sum_spread(rows) > TOGETHER * spread;
        (spread * spread - noise / count).max(0.0)
    }

    /// Spread of the sum of both sides' displacements, to hold against that of their difference.
    fn sum_spread(&mut self, rows: usize) -> f32 {
        self.scratch.clear();
        for row in 0..rows {
            if let (Some(left), Some(right)) = (self.left.shift(row), self.right.shift(row)) {
                self.scratch.push(left.value + right.value);
            }
        }
        robust::median_and_spread(&mut self.scratch).map_or(0.0, |(_, spread)| spread)
    }

    /// Whether both sides moved alike in this field by more than chance: the border is the tape's.
    pub(super) fn moves_together(&self) -> bool {
        self.moves_together
    }

    /// Adds to both sides' variance what their difference varies from line to line beyond it.
    ///
    /// A line's length changes smoothly from line to line; what changes abruptly is picture detail that pulls at one edge.
    fn doubt_sides(&mut self, rows: usize) {
        self.scratch.clear();
        let (mut noise, mut count) = (0.0, 0.0_f32);
        let difference = |row: usize| {
            let (left, right) = (self.left.shift(row)?, self.right.shift(row)?);
            Some((left.value - right.value, left.variance + right.variance))
        };
        for row in 2..rows {
            if let (Some(a), Some(b), Some(c)) =
                (difference(row - 2), difference(row - 1), difference(row))
            {
                self.scratch.push((a.0 - 2.0 * b.0 + c.0).abs());
                noise += (a.1 + 4.0 * b.1 + c.1).min(6.0);
                count += 1.0;
            }
        }
        if self.scratch.len() < LEAST_LINES {
            return;
        }
        let spread = robust::SIGMA_PER_MAD * robust::median(&mut self.scratch).unwrap_or(0.0);
        // Second differences of independent values vary six times as much as the values.
        let unexplained = (spread * spread - noise / count).max(0.0) / 6.0;
        self.left.doubt(0.5 * unexplained);
        self.right.doubt(0.5 * unexplained);
    }

    /// Finds where the sides disagree over some lines, and which of them picture detail pulls at.
    ///
    /// Tape moves both sides alike, so the product of their displacements is what they share, and what each side has
    /// beyond it is its own: dark detail beside the edge, a slope that the model cannot follow.
    fn blame_detail(&mut self, rows: usize, length: f32) {
        self.detail.clear();
        let (mut window, mut next) = (Agreement::default(), 0);
        for row in 0..rows {
            while next < rows.min(row + AGREEMENT_REACH + 1) {
                window.add(self.left.shift(next), self.right.shift(next), length, 1.0);
                next += 1;
            }
            if let Some(gone) = row.checked_sub(AGREEMENT_REACH + 1) {
                window.add(self.left.shift(gone), self.right.shift(gone), length, -1.0);
            }
            self.detail.push(window.blame());
        }
    }

    /// Doubts lines of one side alone that stand far inwards of the lines around them.
    ///
    /// Dark detail beside an edge looks like an edge further in, never further out; and nothing confirms such a line.
    fn doubt_wild(&mut self, rows: usize) {
        self.scratch.clear();
        let values = self.middle.iter().flatten().map(|shift| shift.value);
        self.scratch.extend(values);
        if self.scratch.len() < LEAST_LINES {
            return;
        }
        self.scratch.clear();
        for pair in self.middle.windows(2) {
            if let [Some(a), Some(b)] = pair {
                self.scratch.push((a.value - b.value).abs());
            }
        }
        // The difference of two values deviates √2 times as much as each.
        let step = robust::median(&mut self.scratch).unwrap_or(0.0);
        let scatter = robust::SIGMA_PER_MAD * std::f32::consts::FRAC_1_SQRT_2 * step;
        for row in 0..rows {
            let (Some(shift), Some(inwards)) = (self.middle[row], self.inwards_alone(row)) else {
                continue;
            };
            let Some(around) = self.around(row) else {
                continue;
            };
            let departure = (shift.value - around) * inwards;
            if departure > WILD_ALONE * shift.variance.sqrt().hypot(scatter) {
                self.middle[row] = Some(shift.doubted(departure * departure));
            }
        }
    }

    /// Whether nothing confirms the edge of a row: the other side shows none.
    pub(super) fn is_alone(&self, row: usize) -> bool {
        self.inwards_alone(row).is_some()
    }

    /// The sign of a shift inwards where one side shows the edge and the other shows neither an edge nor that it was
    /// pushed out of the raster.
    fn inwards_alone(&self, row: usize) -> Option<f32> {
        let pushed_out = |other: Line, shift: f32| matches!(other, Line::CutOff) && shift > ALONE;
        match (self.left.shift(row), self.right.shift(row)) {
            (Some(left), None) if !pushed_out(self.right.line(row), left.value) => {
                Some(self.left.inwards(1.0))
            }
            (None, Some(right)) if !pushed_out(self.left.line(row), -right.value) => {
                Some(self.right.inwards(1.0))
            }
            _ => None,
        }
    }

    /// The median of the lines around a row.
    fn around(&mut self, row: usize) -> Option<f32> {
        let rows = row.saturating_sub(AROUND)..(row + AROUND + 1).min(self.middle.len());
        self.scratch.clear();
        let values = self.middle[rows].iter().flatten().map(|shift| shift.value);
        self.scratch.extend(values);
        robust::median(&mut self.scratch)
    }

    /// Moves both references towards the field's median.
    fn learn_reference(&mut self) {
        self.scratch.clear();
        self.scratch
            .extend(self.middle.iter().flatten().map(|shift| shift.value));
        if self.scratch.len() < LEAST_LINES {
            return;
        }
        let Some(median) = robust::median(&mut self.scratch) else {
            return;
        };
        self.fields = (self.fields + 1.0).min(REFERENCE_FIELDS);
        let step = median / self.fields;
        self.left.rebase(step);
        self.right.rebase(step);
        for shift in self.middle.iter_mut().flatten() {
            shift.value -= step;
        }
    }
}

/// The one of two that is nearer to what was expected; their mean where neither is.
fn nearer(expected: f32, a: f32, b: f32) -> f32 {
    let (from_a, from_b) = ((a - expected).abs(), (b - expected).abs());
    match from_a.total_cmp(&from_b) {
        Ordering::Less => a,
        Ordering::Greater => b,
        Ordering::Equal => 0.5 * (a + b),
    }
}

/// Sums over lines that show both sides.
#[derive(Clone, Copy, Debug, Default)]
struct Agreement {
    lines: f64,
    difference: f64,
    foretold: f64,
    left_over_right: f64,
}

impl Agreement {
    /// Adds a line, or takes it away again with a `sign` of −1.
    fn add(&mut self, left: Option<Shift>, right: Option<Shift>, length: f32, sign: f64) {
        let (Some(left), Some(right)) = (left, right) else {
            return;
        };
        let (l, r) = (f64::from(left.value), f64::from(right.value));
        self.lines += sign;
        self.difference += sign * (l - r).powi(2);
        self.foretold += sign
            * f64::from(left.variance + right.variance + length + 2.0 * MODEL_ERROR * MODEL_ERROR);
        self.left_over_right += sign * (l * l - r * r);
    }

    /// What detail adds to the variance of the left and the right side.
    fn blame(&self) -> [f32; 2] {
        let excess = self.difference - self.foretold;
        if self.lines < 1.0 || self.difference < f64::from(DISAGREEMENT) * self.foretold {
            return [0.0; 2];
        }
        let least = f64::from(LEAST_BLAME);
        let left = (0.5 + 0.5 * self.left_over_right / self.difference).clamp(least, 1.0 - least);
        let mean = excess / self.lines;
        [(left * mean) as f32, ((1.0 - left) * mean) as f32]
    }
}

/// Whether two witnesses, of which the line's length sets no more than so much apart, cannot both be right.
pub(super) fn contradict(left: Shift, right: Shift, length: f32) -> bool {
    let allowed = CONTRADICTION * (left.variance + right.variance + length).sqrt();
    (left.value - right.value).abs() > allowed + LEAST_CONTRADICTION
}

/// Both sides' mean by information; the believable one of two that contradict each other, or none.
fn agreed(left: Shift, right: Shift, length: f32, follower: &Follower) -> Option<Shift> {
    let difference = (left.value - right.value).abs();
    if contradict(left, right, length) {
        let expected = follower.recent()?;
        let (from_left, from_right) = (left.value - expected, right.value - expected);
        let believed = if from_left.abs() < from_right.abs() {
            left
        } else {
            right
        };
        return ((believed.value - expected).abs() <= ALONE).then_some(believed);
    }
    let (a, b) = (1.0 / left.variance, 1.0 / right.variance);
    let variance = 1.0 / (a + b);
    // Two sides that differ by more than their own noise: a longer line, or detail that pulls at one of them.
    let doubt =
        (difference * difference / (left.variance + right.variance) / USUAL_DIFFERENCE).max(1.0);
    Some(Shift {
        value: (a * left.value + b * right.value) * variance,
        variance: variance * doubt,
    })
}

/// One side without the other: believed near the lines above, or when the other side was pushed out of the raster.
///
/// `outwards` is the sign of a shift that takes the other side's edge out of sight.
fn alone(one: Shift, follower: &Follower, other: Line, outwards: f32) -> Option<Shift> {
    let expected = follower.recent().unwrap_or(0.0);
    let near = (one.value - expected).abs() <= ALONE;
    let pushed_out = matches!(other, Line::CutOff) && one.value * outwards > ALONE;
    (near || pushed_out).then_some(one)
}
