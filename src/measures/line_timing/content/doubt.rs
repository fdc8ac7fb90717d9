//! Which part of a line is to be believed, and how far.
//!
//! In: the sums of every line of a field. Out: for each line its displacement, or none, with a variance that its own
//! stretches bear out.
//!
//! Lines whose stretches stand in two places (`again`) say nothing. Three more things go wrong where a picture is more than a still
//! scene. *Something moves in front of it*: blocks of some lines
//! by some stretches that stand elsewhere than their lines are left out, and the lines are solved again. *Only what moves
//! is there to be seen*, before flat ground: lines whose evidence fills a small part of their width are believed where
//! lines of wide evidence next to them, or the whole field, stand where they do. *Noise is not as foretold* (coloured,
//! aliased picture, a motion not quite met): the variance is taken from how much the stretches of the lines around differ
//! (the sandwich estimator: P. J. Huber, "The behavior of maximum likelihood estimates under nonstandard conditions", 1967).
//!
//! Does not know: where the sums come from.

use std::ops::Range;

use crate::measures::dsp::robust;
use crate::measures::dsp::spline::STRETCH;

use super::MAX_STRETCHES;
use super::fit::{RowSums, Solution, Sums};

/// Lines of a block.
const BLOCK_LINES: usize = 12;

/// Stretches of a block.
const BLOCK_STRETCHES: usize = 2;

/// Displacement of a block against its lines, in samples, that is no motion of its own, and standard errors beside it.
const OWN_MOTION: f32 = 0.1;
const OWN_MOTION_SIGMAS: f32 = 4.5;

/// Rounds of leaving blocks out.
const ROUNDS: usize = 3;

/// Part of the width that the middle four fifths of a line's evidence must fill to be called wide.
const WIDE: f32 = 0.45;

/// Slopes in a stretch, over those that noise makes, that are evidence of where a line stands: noise varies by a third.
const NOISY: f32 = 1.7;

/// Lines on either side whose stretches tell the variance with a line's own.
const AROUND: usize = 3;

/// How many stretches the field's noise counts as beside them.
const FIELD_COUNTS: f32 = 8.0;

/// Share of a line's information that must be more than noise makes of it.
const LEAST_REAL: f32 = 0.3;

/// Median of χ² with one degree of freedom.
const MEDIAN_SQUARE: f32 = 0.455;

/// Lines on either side over which lines of narrow evidence are taken together.
const NARROW_REACH: usize = 8;

/// Lines from which on lines of wide evidence are too far away to say anything of one.
const FAR: usize = 24;

/// Share of the lines that are enough to tell where the camera points, where their evidence is wide.
const ENOUGH_WIDE: f32 = 0.12;

/// Variance up to which a line has a say in that, in samples².
const FIRM: f32 = 0.25;

/// Departure from the wide lines that is allowed at once, in samples.
const NARROW_ALLOWED: f32 = 0.12;

/// The same of one line for itself, beside the jitter of the field.
const NARROW_ALONE: f32 = 0.3;

/// One line: in, what was summed; out, where it stands.
#[derive(Clone, Copy, Debug)]
pub(super) struct Verdict {
    /// Displacement, in samples; the sums were made with it.
    pub at: f32,
    pub sums: RowSums,
    /// Noise in a sum of squared slopes of the reference, a sample.
    pub slope_noise: f32,
    /// Stretches left out, a bit each.
    pub out: u32,
    /// Some of it stands here, some there: it says nothing.
    pub divided: bool,
    pub solution: Option<Solution>,
    /// Of [`Self::shift`], noise of the reference included; infinite where nothing is said.
    pub variance: f32,
    /// Power of the noise where the line has slopes.
    pub power: f32,
    /// The evidence fills the width.
    pub wide: bool,
}

impl Default for Verdict {
    fn default() -> Self {
        Self {
            at: 0.0,
            sums: [Sums::default(); MAX_STRETCHES],
            slope_noise: 0.0,
            out: 0,
            divided: false,
            solution: None,
            variance: f32::INFINITY,
            power: 1.0,
            wide: false,
        }
    }
}

impl Verdict {
    /// Where the line stands.
    pub(super) fn shift(&self) -> Option<f32> {
        self.solution.map(|solution| self.at + solution.missing)
    }

    /// Where a part of the line stands by itself, and the variance of that.
    pub(super) fn part(&self, stretches: &Range<usize>) -> Option<(f32, f32)> {
        let mut sums = Sums::default();
        for (_, own) in self.kept().filter(|(nth, _)| stretches.contains(nth)) {
            sums.add(own);
        }
        let solution = sums.solve()?;
        let real = solution.information - self.slope_noise * sums.weight;
        let tells = self.variance.is_finite() && real > LEAST_REAL * solution.information;
        let variance = self.power * solution.information / (real * real);
        tells.then_some((self.at + solution.missing, variance))
    }

    fn kept(&self) -> impl Iterator<Item = (usize, &Sums)> {
        let out = self.out;
        self.sums
            .iter()
            .enumerate()
            .filter(move |(nth, sums)| sums.weight > 0.0 && out >> nth & 1 == 0)
    }

    /// Where the line was found, all its stretches taken together.
    pub(super) fn first_shift(&self) -> Option<f32> {
        let mut all = Sums::default();
        for sums in &self.sums {
            all.add(sums);
        }
        all.solve().map(|solution| self.at + solution.missing)
    }

    fn solve(&mut self) {
        let mut all = Sums::default();
        for (_, sums) in self.kept() {
            all.add(sums);
        }
        self.solution = all.solve().filter(|_| !self.divided);
    }

    /// What a stretch still pulls by once the line is solved, and its information.
    fn pull(&self, sums: &Sums) -> Option<(f32, f32)> {
        let solution = self.solution?;
        let error = -solution.missing;
        let pull = sums.slope_rest - error * sums.slope_square - solution.offset * sums.slope;
        Some((pull, sums.slope_square))
    }

    /// Whether the middle four fifths of the evidence fill enough of the width.
    fn is_wide(&self, stretches: usize) -> bool {
        let real =
            |sums: &Sums| (sums.slope_square - NOISY * self.slope_noise * sums.weight).max(0.0);
        let total: f32 = self.kept().map(|(_, sums)| real(sums)).sum();
        let (mut sum, mut first, mut last) = (0.0, 0, 0);
        for (nth, sums) in self.kept() {
            if sum < 0.1 * total {
                first = nth;
            }
            if sum < 0.9 * total {
                last = nth;
            }
            sum += real(sums);
        }
        (last - first + 1) as f32 >= WIDE * stretches as f32
    }
}

/// The lines of one field, judged together; keeps its room.
#[derive(Debug, Default)]
pub(super) struct Doubts {
    pulls: Vec<f32>,
    narrow: Vec<bool>,
    levels: Vec<Option<Level>>,
    differing: Vec<Disagreement>,
}

/// Where the lines around a line stand.
#[derive(Clone, Copy, Debug)]
struct Level {
    value: f32,
    variance: f32,
}

impl Doubts {
    /// Solves and judges all lines.
    ///
    /// Returns where the lines stand on the whole, `lean` to the bottom apart: what the camera's pan makes.
    pub(super) fn judge(&mut self, lines: &mut [Verdict], stretches: usize, lean: f32) -> f32 {
        for line in lines.iter_mut() {
            line.out = 0;
            line.solve();
        }
        let mut noise = self.noise(lines);
        for _ in 0..ROUNDS {
            if !leave_out_blocks(lines, stretches, noise) {
                break;
            }
            noise = self.noise(lines);
        }
        spread(lines, noise, &mut self.differing);
        for line in lines.iter_mut() {
            line.wide = line.is_wide(stretches);
        }
        let common = self.common(lines, lean);
        let half = 0.5 * lines.len() as f32;
        let camera = |row: usize| common + lean * (row as f32 / half - 1.0);
        self.doubt_narrow(lines, camera);
        common
    }

    /// The median of the lines of wide evidence, or of all where those are few.
    fn common(&mut self, lines: &[Verdict], lean: f32) -> f32 {
        let half = 0.5 * lines.len() as f32;
        let mut collect = |only_wide: bool| {
            self.pulls.clear();
            let seen = lines.iter().enumerate();
            self.pulls.extend(seen.filter_map(|(row, line)| {
                let firm = line.variance < FIRM && (line.wide || !only_wide);
                let camera = lean * (row as f32 / half - 1.0);
                firm.then_some(line.shift()? - camera)
            }));
            self.pulls.len()
        };
        if (collect(true) as f32) < ENOUGH_WIDE * lines.len() as f32 {
            collect(false);
        }
        robust::median(&mut self.pulls).unwrap_or(0.0)
    }

    /// Power of the noise where pictures have slopes, from the usual pull of a stretch.
    fn noise(&mut self, lines: &[Verdict]) -> f32 {
        self.pulls.clear();
        for line in lines {
            for (_, sums) in line
                .kept()
                .filter(|(_, sums)| sums.slope_square > STRETCH as f32)
            {
                if let Some((pull, information)) = line.pull(sums) {
                    self.pulls.push(pull * pull / information);
                }
            }
        }
        robust::median(&mut self.pulls).map_or(1.0, |median| (median / MEDIAN_SQUARE).max(0.02))
    }

    /// Takes back lines of narrow evidence that stand elsewhere than their neighbours and the field.
    fn doubt_narrow(&mut self, lines: &mut [Verdict], camera: impl Fn(usize) -> f32) {
        self.narrow.clear();
        self.narrow.extend(lines.iter().map(|line| !line.wide));
        if !self.narrow.contains(&true) {
            return;
        }
        let (jitter, wander) = self.restlessness(lines);
        self.levels.clear();
        for row in 0..lines.len() {
            let level = self.level(lines, row, self.narrow[row]);
            self.levels.push(level);
        }
        for row in 0..lines.len() {
            if !self.narrow[row] {
                continue;
            }
            let Some(own) = self.levels[row] else {
                continue;
            };
            let beside = self.beside(lines.len(), row, wander);
            let wanted = beside.unwrap_or(Level {
                value: camera(row),
                variance: 0.0,
            });
            let allowed = NARROW_ALLOWED + 3.0 * (own.variance + wanted.variance).sqrt();
            let line = &lines[row];
            let alone = NARROW_ALONE + 4.0 * (jitter + line.variance + wanted.variance).sqrt();
            let wild = line
                .shift()
                .is_some_and(|shift| (shift - wanted.value).abs() > alone);
            if wild || (own.value - wanted.value).abs() > allowed {
                lines[row].variance = f32::INFINITY;
            }
        }
    }

    /// Variance of lines of wide evidence from one to the next, and that by which they wander a line, jitter apart.
    fn restlessness(&mut self, lines: &[Verdict]) -> (f32, f32) {
        const APART: usize = 6;
        let mut step = |apart: usize| {
            self.pulls.clear();
            for row in apart..lines.len() {
                let (a, b) = (&lines[row - apart], &lines[row]);
                if self.narrow[row] || self.narrow[row - apart] {
                    continue;
                }
                if let (Some(a), Some(b)) = (a.shift(), b.shift()) {
                    self.pulls.push((a - b).abs());
                }
            }
            let spread = robust::spread_of_steps(&mut self.pulls).unwrap_or(0.0);
            spread * spread
        };
        let (near, far) = (step(1), step(APART));
        (near, (2.0 * (far - near) / (APART - 1) as f32).max(0.0))
    }

    /// Middle of the lines of one kind around a row: what moves in front of some of them must not carry it along.
    fn level(&mut self, lines: &[Verdict], row: usize, narrow: bool) -> Option<Level> {
        let rows = row.saturating_sub(NARROW_REACH)..(row + NARROW_REACH + 1).min(lines.len());
        self.pulls.clear();
        let mut own = 0.0;
        for other in rows {
            let line = &lines[other];
            if self.narrow[other] != narrow || line.variance > 1.0 {
                continue;
            }
            if let Some(shift) = line.shift() {
                self.pulls.push(shift);
                own += line.variance + 0.01;
            }
        }
        let count = self.pulls.len() as f32;
        let (value, spread) = robust::median_and_spread(&mut self.pulls)?;
        Some(Level {
            value,
            // A median varies by half as much again as a mean.
            variance: 1.57 * (spread * spread + own / count) / count,
        })
    }

    /// Where the nearest lines of wide evidence above and below say a row should stand.
    fn beside(&self, rows: usize, row: usize, wander: f32) -> Option<Level> {
        let at = |other: usize, distance: usize| {
            let level = self.levels[other].filter(|_| !self.narrow[other])?;
            Some(Level {
                variance: level.variance + wander * distance as f32,
                ..level
            })
        };
        let above = (1..=FAR).find_map(|away| at(row.checked_sub(away)?, away));
        let below = (1..=FAR).find_map(|away| at(Some(row + away).filter(|&r| r < rows)?, away));
        match (above, below) {
            (Some(a), Some(b)) => {
                let (wa, wb) = (1.0 / (a.variance + 1e-4), 1.0 / (b.variance + 1e-4));
                Some(Level {
                    value: (wa * a.value + wb * b.value) / (wa + wb),
                    variance: 1.0 / (wa + wb),
                })
            }
            (a, b) => a.or(b),
        }
    }
}

/// Leaves out blocks that stand elsewhere than their lines; whether there were any.
fn leave_out_blocks(lines: &mut [Verdict], stretches: usize, noise: f32) -> bool {
    let mut any = false;
    for block in lines.chunks_mut(BLOCK_LINES) {
        for first in (0..stretches).step_by(BLOCK_STRETCHES) {
            let here = first..(first + BLOCK_STRETCHES).min(stretches);
            let mut bits = 0_u32;
            let (mut pull, mut square, mut information) = (0.0, 0.0, 0.0);
            for nth in here {
                bits |= 1 << nth;
                for line in block.iter().filter(|line| line.out >> nth & 1 == 0) {
                    if let Some((own, weight)) = line.pull(&line.sums[nth]) {
                        pull += own;
                        square += own * own;
                        information += weight;
                    }
                }
            }
            if information <= 0.0 {
                continue;
            }
            let motion = pull / information;
            let variance = (square / information).max(noise) / information;
            if motion.abs() > OWN_MOTION + OWN_MOTION_SIGMAS * variance.sqrt() {
                for line in block.iter_mut() {
                    line.out |= bits;
                }
                any = true;
            }
        }
        if any {
            for line in block.iter_mut() {
                line.solve();
            }
        }
    }
    any
}

/// How much the stretches of a line differ once it is solved.
#[derive(Clone, Copy, Debug, Default)]
struct Disagreement {
    square: f32,
    information: f32,
    /// As how many stretches of the same information they count.
    effective: f32,
}

impl Disagreement {
    fn of(line: &Verdict) -> Self {
        let (mut square, mut information, mut squares) = (0.0, 0.0, 0.0);
        for (_, sums) in line.kept() {
            if let Some((pull, weight)) = line.pull(sums) {
                square += pull * pull;
                information += weight;
                squares += weight * weight;
            }
        }
        if squares <= 0.0 {
            return Self::default();
        }
        let effective = information * information / squares;
        Self {
            // The fit has taken out one pull of as many as there are.
            square: square * effective / (effective - 1.0).max(0.5),
            information,
            effective,
        }
    }
}

/// Gives every line its variance.
fn spread(lines: &mut [Verdict], noise: f32, differing: &mut Vec<Disagreement>) {
    differing.clear();
    differing.extend(lines.iter().map(Disagreement::of));
    for row in 0..lines.len() {
        let rows = row.saturating_sub(AROUND)..(row + AROUND + 1).min(lines.len());
        let (mut square, mut information, mut count) = (0.0, 0.0, 0.0);
        for line in &differing[rows] {
            square += line.square;
            information += line.information;
            count += line.effective;
        }
        let line = &mut lines[row];
        let Some(solution) = line.solution else {
            line.variance = f32::INFINITY;
            continue;
        };
        let around = if information > 0.0 {
            square / information
        } else {
            noise
        };
        let power = (FIELD_COUNTS * noise + count * around) / (FIELD_COUNTS + count);
        line.power = power;
        let weight: f32 = line.kept().map(|(_, sums)| sums.weight).sum();
        let real = solution.information - line.slope_noise * weight;
        line.variance = if real > LEAST_REAL * solution.information {
            power * solution.information / (real * real)
        } else {
            f32::INFINITY
        };
    }
}
