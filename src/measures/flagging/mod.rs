//! The bend at the top of the picture (flagging).
//!
//! In: the displacement of every line. Out: how far the first picture line stands from the settled picture, over how many
//! lines that dies away, and the curve it follows. Positive = late = to the right.
//!
//! A line-locked loop that met a step a few lines before the picture is still settling at the top, as a second-order
//! system does. Each pair of `shapes` is fitted to all picture lines, weighted by their variance, together with a level;
//! the best is taken. What is seen need not be the hook itself: fast loops are over it before the picture starts, and
//! show the overshoot of the other sign. The settled picture is what the curve comes to in the lower half of the field.
//!
//! Slow waves look like a bend. So what the lower part of the field waves by is in the standard error of the offset; a
//! bend that has not died away by the middle of the field, or that a smooth curve through the field explains better, is
//! a wave: then nothing is said. Nor where the first lines are not seen. A slant of the whole picture is not taken out:
//! from the top to the middle of the lower half it is in the offset. On the tests' independent loops (decays of 5 to 40 lines,
//! 2 to 20 samples) the offset errs by less than 5 % + 0.1 sample, with lines missing too.
//!
//! Does not know: which box or decoder the loop is in.

use crate::units::{Estimate, Lines, Nanos};

use super::dsp::fit::invert;
use super::dsp::robust;
use super::line_timing::MAX_ROWS;
use super::{Better, Group, Measure, Quantity, QuantityUnit, Value, line_timing};
use shapes::{DECAYS, KINDS};

pub use shapes::Shape;

mod shapes;
#[cfg(test)]
mod tests;

/// Rows within which the first line must be seen, and how many of the first ones.
const FIRST_SEEN: usize = 4;
const TOP: usize = 12;
const LEAST_TOP: usize = 6;

/// Lines that must be seen.
const LEAST_LINES: usize = 30;

/// Rows of which each is a cell of its own; further down a cell has [`COARSE`] rows, over which no shape changes much.
const FINE_ROWS: usize = 64;
const COARSE: usize = 4;
const MOST_CELLS: usize = FINE_ROWS + (MAX_ROWS - FINE_ROWS).div_ceil(COARSE);

/// Offset over its standard error from which a bend stands out: the peak of a wave is 1.4 times its rms, of several 3 times.
const SIGNIFICANT: f64 = 4.0;

/// Share of the field by which a bend must have died away: the rest says where the picture settles.
const SETTLED_BY: f64 = 0.5;

/// What a bend leaves unexplained over what a cubic through the field leaves, at most: where both come down to noise, a
/// bend is likelier.
const LEFT_OVER: f64 = 1.15;

/// A line's misfit, in standard deviations, beyond which it is left out of the second fit.
const WILD: f64 = 4.0;

/// What is said of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Displacement at the first picture line against the settled picture.
    pub offset: Option<Estimate<Nanos>>,
    /// 1/e length.
    pub decay: Option<Estimate<Lines>>,
    /// The curve, where a bend stands out.
    pub bend: Option<Bend>,
}

impl Reading {
    /// Where the fitted curve puts a row of the field; `None` where no bend stands out, and off the picture lines.
    #[must_use]
    pub fn at(&self, row: usize) -> Option<Nanos> {
        self.bend.as_ref()?.at(row)
    }
}

/// A curve fitted to the picture lines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bend {
    /// First picture line, where the shape starts.
    pub first_row: usize,
    /// Picture lines.
    pub rows: usize,
    /// What the bend comes to.
    pub level: Nanos,
    /// How it dies away.
    pub shape: Shape,
    /// How much of each of the shape's two.
    pub amounts: [Nanos; 2],
}

impl Bend {
    /// Displacement of a row of the field; `None` off the picture lines.
    #[must_use]
    pub fn at(&self, row: usize) -> Option<Nanos> {
        let lines = row.checked_sub(self.first_row)?;
        (lines < self.rows).then(|| self.level + self.alone(lines as f64))
    }

    /// The bend alone, so many lines from the first.
    fn alone(&self, lines: f64) -> Nanos {
        let [a, b] = self.shape.at(lines);
        self.amounts[0] * a + self.amounts[1] * b
    }
}

/// A picture line: lines from the first one, displacement, weight.
#[derive(Clone, Copy, Debug)]
struct Line {
    lines: usize,
    y: f64,
    weight: f64,
}

/// The lines of a cell together.
#[derive(Clone, Copy, Debug, Default)]
struct Cell {
    weight: f64,
    /// Mean displacement.
    y: f64,
}

/// A shape fitted.
#[derive(Clone, Copy, Debug)]
struct Fit {
    shape: Shape,
    /// Level, and both amounts.
    solved: [f64; 3],
    /// Both parts of the shape on average over the lower half of the field.
    settled: [f64; 2],
    offset: f64,
    offset_variance: f64,
    /// Weighted squares that it explains.
    explained: f64,
}

/// Both parts of a shape in every cell.
type Values = [[f64; 2]; MOST_CELLS];

/// The measure.
#[derive(Debug)]
pub struct Flagging {
    bank: Vec<(Shape, Values)>,
    refined: Values,
    lines: Vec<Line>,
    cells: Vec<Cell>,
    fits: Vec<Fit>,
    scratch: Vec<f32>,
}

impl Default for Flagging {
    fn default() -> Self {
        Self {
            bank: shapes::bank()
                .map(|shape| (shape, values_of(shape)))
                .collect(),
            refined: [[0.0; 2]; MOST_CELLS],
            lines: Vec::with_capacity(MAX_ROWS),
            cells: Vec::with_capacity(MOST_CELLS),
            fits: Vec::with_capacity(KINDS * DECAYS),
            scratch: Vec::with_capacity(MAX_ROWS),
        }
    }
}

impl Measure for Flagging {
    type Input<'a> = &'a line_timing::Reading;
    type Reading = Reading;

    fn measure(&mut self, timing: &line_timing::Reading) -> Reading {
        self.look(timing).unwrap_or_default()
    }
}

impl Flagging {
    fn look(&mut self, timing: &line_timing::Reading) -> Option<Reading> {
        let rows = timing.picture_rows.len().min(MAX_ROWS);
        self.gather(timing);
        let first = self.lines.first()?.lines;
        let top = self.lines.iter().filter(|line| line.lines < TOP).count();
        if first >= FIRST_SEEN || top < LEAST_TOP || self.lines.len() < LEAST_LINES {
            return None;
        }
        self.fill_cells(rows);
        let mut fit = self.best()?;
        let scatter = self.scatter(&fit);
        if self.drop_wild(&fit, scatter) {
            self.fill_cells(rows);
            fit = self.best()?;
        }
        let noise = fit.offset_variance * scatter.powi(2).max(1.0);
        let doubt = self.doubt(&fit, scatter) + self.waving(rows);
        let offset = Estimate::new(
            Nanos(fit.offset),
            Nanos((noise + doubt).sqrt()),
            self.lines.len() as u32,
        );
        if offset.value.0.abs() <= SIGNIFICANT * offset.sigma.0 {
            return Some(Reading {
                offset: Some(offset),
                ..Reading::default()
            });
        }
        self.bend(&fit, offset, timing.picture_rows.start, rows)
    }

    /// The reading of a field whose top is off by more than its standard error explains; `None` where it is a wave.
    fn bend(
        &self,
        fit: &Fit,
        offset: Estimate<Nanos>,
        first_row: usize,
        rows: usize,
    ) -> Option<Reading> {
        let [level, a, b] = fit.solved;
        let bend = Bend {
            first_row,
            rows,
            level: Nanos(level),
            shape: fit.shape,
            amounts: [Nanos(a), Nanos(b)],
        };
        let length = decay(&bend, fit.offset, a * fit.settled[0] + b * fit.settled[1]);
        let length =
            length.filter(|&length| length <= SETTLED_BY * rows as f64 && !self.is_smooth(fit))?;
        // The length is where the curve crosses a level that errs as the offset does.
        let share = (1.5 * offset.sigma.0 / offset.value.0.abs()).max(0.1);
        let decay = Estimate::new(Lines(length), Lines(length * share), offset.support);
        Some(Reading {
            offset: Some(offset),
            decay: Some(decay),
            bend: Some(bend),
        })
    }

    /// The picture lines, weighted by their own variance and what lines scatter by from one to the next.
    fn gather(&mut self, timing: &line_timing::Reading) {
        let picture = timing.picture_rows.clone();
        let start = picture.start;
        self.lines.clear();
        self.lines.extend(picture.filter_map(|row| {
            let line = timing.lines.get(row)?;
            Some(Line {
                lines: row - start,
                y: line.displacement.0,
                weight: line.sigma.0.powi(2),
            })
        }));
        self.scratch.clear();
        let steps = self.lines.windows(2);
        let steps = steps.map(|pair| (pair[1].y - pair[0].y).abs() as f32);
        self.scratch.extend(steps);
        let step = robust::SIGMA_PER_MAD * robust::median(&mut self.scratch).unwrap_or(0.0);
        let scatter = 0.5 * f64::from(step * step);
        for line in &mut self.lines {
            line.weight = 1.0 / (line.weight.max(scatter) + f64::MIN_POSITIVE);
        }
    }

    fn fill_cells(&mut self, rows: usize) {
        self.cells.clear();
        self.cells.resize(cell_of(rows - 1) + 1, Cell::default());
        for line in &self.lines {
            let cell = &mut self.cells[cell_of(line.lines)];
            cell.weight += line.weight;
            cell.y += line.weight * line.y;
        }
        for cell in self.cells.iter_mut().filter(|cell| cell.weight > 0.0) {
            cell.y /= cell.weight;
        }
    }

    /// Fits every shape of the bank, and of each kind the one between the best decays; the best of all.
    fn best(&mut self) -> Option<Fit> {
        self.fits.clear();
        for (shape, values) in &self.bank {
            self.fits.push(fit(*shape, values, &self.cells)?);
        }
        let mut best: Option<(Fit, usize, f64)> = None;
        for kind in 0..KINDS {
            let own = &self.fits[kind * DECAYS..(kind + 1) * DECAYS];
            let explained = |place: usize| own[place].explained;
            let at = (0..DECAYS).max_by(|&a, &b| explained(a).total_cmp(&explained(b)))?;
            let mut found = (own[at], kind, at as f64);
            if (1..DECAYS - 1).contains(&at) {
                let around = [explained(at - 1), explained(at), explained(at + 1)];
                let place = at as f64 + vertex(around);
                found = better(found, (self.between(kind, place)?, kind, place));
            }
            best = Some(best.map_or(found, |best| better(best, found)));
        }
        let (fit, kind, place) = best?;
        self.nearby(fit, kind, place)
    }

    /// The best decay close by: at the vertex of what a fit explains there, if that is more.
    fn nearby(&mut self, fit: Fit, kind: usize, place: f64) -> Option<Fit> {
        const STEP: f64 = 0.2;
        let shorter = self.between(kind, place - STEP)?.explained;
        let longer = self.between(kind, place + STEP)?.explained;
        let place = place + STEP * vertex([shorter, fit.explained, longer]);
        let close = self.between(kind, place)?;
        Some(better((fit, kind, place), (close, kind, place)).0)
    }

    /// A shape between two decays of the bank, fitted.
    fn between(&mut self, kind: usize, place: f64) -> Option<Fit> {
        let shape = shapes::shape(kind, place);
        fill_values(shape, &mut self.refined[..self.cells.len()]);
        fit(shape, &self.refined, &self.cells)
    }

    /// Scatter of the lines about the fit over what was expected.
    fn scatter(&mut self, fit: &Fit) -> f64 {
        self.scratch.clear();
        let misses = self.lines.iter().map(|line| fit.miss(line).abs() as f32);
        self.scratch.extend(misses);
        let usual = robust::median(&mut self.scratch).unwrap_or(0.0);
        f64::from(robust::SIGMA_PER_MAD * usual)
    }

    /// Leaves out lines that the fit misses by far: tears. Whether there were any.
    fn drop_wild(&mut self, fit: &Fit, scatter: f64) -> bool {
        let before = self.lines.len();
        let most = WILD * scatter.max(1.0);
        self.lines.retain(|line| fit.miss(line).abs() <= most);
        self.lines.len() < before
    }

    /// Variance of the offset among shapes that fit about as well.
    fn doubt(&self, best: &Fit, scatter: f64) -> f64 {
        let scale = 2.0 * scatter.powi(2).max(1.0);
        let (weight, sum) = self.fits.iter().fold((1.0, 0.0), |(weight, sum), fit| {
            let own = ((fit.explained - best.explained) / scale).exp();
            let apart = fit.offset - best.offset;
            (weight + own, sum + own * apart * apart)
        });
        sum / weight
    }

    /// Variance of what the lower part of the field waves by, from means of a few lines: a wave may do the same to the top.
    fn waving(&self, rows: usize) -> f64 {
        const BLOCK: usize = 10;
        let (mut sum, mut squares, mut blocks) = (0.0, 0.0, 0.0);
        for start in (rows * 2 / 5..rows).step_by(BLOCK) {
            let from = self.lines.partition_point(|line| line.lines < start);
            let block = self.lines[from..].iter();
            let block = block.take_while(|line| line.lines < start + BLOCK);
            let (count, total) = block.fold((0.0, 0.0), |(count, total), line| {
                (count + 1.0, total + line.y)
            });
            if count > 3.0 {
                let mean: f64 = total / count;
                sum += mean;
                squares += mean * mean;
                blocks += 1.0;
            }
        }
        if blocks < 3.0 {
            return 0.0;
        }
        (squares / blocks - (sum / blocks).powi(2)).max(0.0)
    }

    /// Whether a cubic through the whole field explains the lines better than the bend.
    fn is_smooth(&self, bend: &Fit) -> bool {
        let half = middle_of(self.cells.len() - 1) / 2.0;
        let mut normal = [[0.0; 4]; 4];
        let mut right = [0.0; 4];
        for (at, cell) in self.cells.iter().enumerate() {
            let x = middle_of(at) / half - 1.0;
            let powers = [1.0, x, x * x, x * x * x];
            for ((row, sum), power) in normal.iter_mut().zip(&mut right).zip(powers) {
                *sum += cell.weight * power * cell.y;
                for (cell_sum, other) in row.iter_mut().zip(powers) {
                    *cell_sum += cell.weight * power * other;
                }
            }
        }
        if !invert(&mut normal) {
            return false;
        }
        let solved = normal.iter().map(|row| dot(row, &right));
        let explained: f64 = solved.zip(right).map(|(a, b)| a * b).sum();
        let all: f64 = self
            .lines
            .iter()
            .map(|line| line.weight * line.y * line.y)
            .sum();
        all - bend.explained > LEFT_OVER * (all - explained)
    }
}

impl Fit {
    /// How far a line is from the fit, in its standard deviations.
    fn miss(&self, line: &Line) -> f64 {
        let [a, b] = self.shape.at(line.lines as f64);
        let [level, by_a, by_b] = self.solved;
        line.weight.sqrt() * (line.y - level - by_a * a - by_b * b)
    }
}

/// Least squares of a level and both amounts of a shape; `None` where the cells do not tell them apart.
fn fit(shape: Shape, values: &Values, cells: &[Cell]) -> Option<Fit> {
    let [
        mut w,
        mut wa,
        mut wb,
        mut aa,
        mut ab,
        mut bb,
        mut y,
        mut ay,
        mut by,
    ] = [0.0; 9];
    for (cell, &[a, b]) in cells.iter().zip(values) {
        let (own_a, own_b) = (cell.weight * a, cell.weight * b);
        w += cell.weight;
        wa += own_a;
        wb += own_b;
        aa += own_a * a;
        ab += own_a * b;
        bb += own_b * b;
        y += cell.weight * cell.y;
        ay += own_a * cell.y;
        by += own_b * cell.y;
    }
    let mut normal = [[w, wa, wb], [wa, aa, ab], [wb, ab, bb]];
    let right = [y, ay, by];
    if !invert(&mut normal) {
        return None;
    }
    let solved = normal.map(|row| dot(&row, &right));
    let lower = &values[cell_of(middle_of(cells.len() - 1) as usize / 2)..cells.len()];
    let mean = |part: usize| lower.iter().map(|pair| pair[part]).sum::<f64>() / lower.len() as f64;
    let settled = [mean(0), mean(1)];
    let (a, b) = (values[0][0] - settled[0], values[0][1] - settled[1]);
    Some(Fit {
        shape,
        solved,
        settled,
        offset: solved[1] * a + solved[2] * b,
        offset_variance: a * a * normal[1][1] + 2.0 * a * b * normal[1][2] + b * b * normal[2][2],
        explained: dot(&solved, &right),
    })
}

/// Of two fits, each of a kind at a place, the one that explains more.
fn better(one: (Fit, usize, f64), other: (Fit, usize, f64)) -> (Fit, usize, f64) {
    if other.0.explained > one.0.explained {
        other
    } else {
        one
    }
}

fn dot<const N: usize>(one: &[f64; N], other: &[f64; N]) -> f64 {
    one.iter().zip(other).map(|(a, b)| a * b).sum()
}

/// Where the parabola through three values is highest, against the middle one.
fn vertex([left, middle, right]: [f64; 3]) -> f64 {
    let bend = left - 2.0 * middle + right;
    if bend < 0.0 {
        (0.5 * (left - right) / bend).clamp(-1.0, 1.0)
    } else {
        0.0
    }
}

fn values_of(shape: Shape) -> Values {
    let mut values = [[0.0; 2]; MOST_CELLS];
    fill_values(shape, &mut values);
    values
}

fn fill_values(shape: Shape, values: &mut [[f64; 2]]) {
    for (cell, value) in values.iter_mut().enumerate() {
        *value = shape.at(middle_of(cell));
    }
}

/// Row from which on a bend stays below 1/e of the offset; `None` where it never does.
fn decay(bend: &Bend, offset: f64, settled: f64) -> Option<f64> {
    let limit = offset.abs() / std::f64::consts::E;
    let size = |row: usize| (bend.alone(row as f64).0 - settled).abs();
    let last = (0..bend.rows).rev().find(|&row| size(row) > limit)?;
    let (above, below) = (size(last), size(last + 1));
    (last + 1 < bend.rows).then(|| last as f64 + (above - limit) / (above - below))
}

/// The cell that a line lies in.
fn cell_of(lines: usize) -> usize {
    if lines < FINE_ROWS {
        lines
    } else {
        FINE_ROWS + (lines - FINE_ROWS) / COARSE
    }
}

/// The middle of a cell, in lines.
fn middle_of(cell: usize) -> f64 {
    match cell.checked_sub(FINE_ROWS) {
        None => cell as f64,
        Some(coarse) => (FINE_ROWS + coarse * COARSE) as f64 + (COARSE - 1) as f64 / 2.0,
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "flagging.offset_ns",
        label: "flagging",
        unit: QuantityUnit::Ns,
        better: Better::NearZero,
        group: Group::Steadiness,
        step: 1.0,
        words: &[],
        about: "How far the first picture line stands from where the picture settles; positive = bent to the right. Left over \
                from the step at the head switch when tape tension or stretch differs between recording and playing, while the \
                decoder or box is still catching up. Try: tension adjustment, another player, a box or decoder that locks \
                faster or forgets at the head switch. Absent where the first lines show no timing, and where a slow wave \
                through the whole field hides it.",
        read: |r| r.flagging.offset.map(Value::from),
    },
    Quantity {
        id: "flagging.decay_lines",
        label: "flagging length",
        unit: QuantityUnit::Lines,
        better: Better::Low,
        group: Group::Steadiness,
        step: 0.1,
        words: &[],
        about: "Field lines after which the bend at the top stays below 1/e (37 %) of its first value: how slowly the decoder \
                or box catches up. Absent when no bend stands out.",
        read: |r| r.flagging.decay.map(Value::from),
    },
];
