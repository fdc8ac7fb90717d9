//! What each side errs on its own, beyond what its variance says.
//!
//! In: both sides' displacements of every field. Out: by row, what to add to, or take from, the variance of either side.
//! Tape moves both sides alike, so their difference holds errors of reading alone: picture detail beside the edge that the
//! fit cannot tell from the edge. Detail stands still for some fields and spans some lines, so squares of the difference are
//! averaged over both and held against the variances; what both sides' displacements share with the difference tells whose
//! it is. The difference also holds the line's length: a straight line down the field, and the change of the displacement
//! while the line is written, are taken out first.
//!
//! Does not know: edges, times, or why a side errs.

use crate::measures::dsp::fit::invert;

use super::MAX_ROWS;
use super::side::Shift;

/// Fields that are not looked at: the width and shape of the edges are still being learned.
const SETTLING_FIELDS: u32 = 8;

/// Fields of one parity over which a row is averaged: half a second, for pictures that move.
const MEMORY_FIELDS: f64 = 12.0;

/// Rows on either side of a row that are asked with it.
const REACH: usize = 6;

/// Fewest rows, of those, that say anything.
const LEAST_ROWS: f64 = 5.0;

/// Fewest rows of a field that say anything.
const LEAST_LINES: f64 = 24.0;

/// Share of its variance that a side is left with at the least.
const LEAST_SHARE: f64 = 0.4;

/// Share of an error by which one side may be blamed more than the other: what tells them apart is never sure.
const MOST_BLAME: f64 = 0.8;

/// Largest error, as a variance in samples², that the lines around put on a line: what is beyond shows in its own residual, or
/// as a contradiction, and lines of no use say little of the others.
const MOST_ERROR: f64 = 0.03;

/// Standard errors from which a difference between the sides' errors is believed.
const TOLD: f64 = 2.0;

/// What a row has shown: means over the fields.
#[derive(Clone, Copy, Debug, Default)]
struct Row {
    /// Fields behind it, up to [`MEMORY_FIELDS`].
    fields: f64,
    sums: Sums,
}

/// Squares and products of the sides' difference and sum, each line by how much it says of an error that all have.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    rows: f64,
    weight: f64,
    difference: f64,
    foretold: f64,
    product: f64,
    foretold_product: f64,
    sum: f64,
}

/// A row's difference and sum, what varies between lines alone.
#[derive(Clone, Copy, Debug)]
struct Apart {
    row: usize,
    difference: f64,
    sum: f64,
    left: f64,
    right: f64,
}

/// What the sides err, over the fields of a pass.
#[derive(Debug)]
pub(super) struct OwnErrors {
    fields: u32,
    /// By parity and row.
    rows: [Vec<Row>; 2],
    apart: Vec<Apart>,
    by_row: Vec<[f32; 2]>,
}

impl OwnErrors {
    pub(super) fn new() -> Self {
        Self {
            fields: 0,
            rows: [(); 2].map(|()| Vec::with_capacity(MAX_ROWS)),
            apart: Vec::with_capacity(MAX_ROWS),
            by_row: Vec::with_capacity(MAX_ROWS),
        }
    }

    /// Forgets what was learned.
    pub(super) fn reset(&mut self) {
        self.fields = 0;
        self.rows.iter_mut().for_each(Vec::clear);
        self.by_row.clear();
    }

    /// Starts a field.
    pub(super) fn begin(&mut self) {
        self.apart.clear();
    }

    /// Takes a line that shows both sides.
    pub(super) fn see(&mut self, row: usize, left: Shift, right: Shift) {
        let (l, r) = (f64::from(left.value), f64::from(right.value));
        self.apart.push(Apart {
            row,
            difference: l - r,
            sum: l + r,
            left: f64::from(left.variance),
            right: f64::from(right.variance),
        });
    }

    /// Learns from the lines of a field, and makes up its mind about every row.
    pub(super) fn learn(&mut self, parity: usize, rows: usize) {
        self.fields = self.fields.saturating_add(1);
        if self.fields > SETTLING_FIELDS && self.apart.len() as f64 >= LEAST_LINES {
            self.take_out_length();
            self.average(parity, rows);
        }
        self.decide(parity, rows);
    }

    /// What the left and the right side err at a row beyond their variance; negative where that was too large.
    pub(super) fn at(&self, row: usize) -> [f32; 2] {
        self.by_row.get(row).copied().unwrap_or_default()
    }

    /// Takes from the differences a straight line and a share of how the displacement changes from line to line, and from
    /// the sums a straight line.
    fn take_out_length(&mut self) {
        let centre =
            self.apart.iter().map(|line| line.row as f64).sum::<f64>() / self.apart.len() as f64;
        let mut normal = [[0.0; 3]; 3];
        let (mut with_difference, mut with_sum) = ([0.0; 3], [0.0; 3]);
        for k in 0..self.apart.len() {
            let (line, columns) = (self.apart[k], self.columns(k, centre));
            let weight = 1.0 / (line.left + line.right);
            for (i, column) in columns.iter().enumerate() {
                with_difference[i] += weight * column * line.difference;
                with_sum[i] += weight * column * line.sum;
                for (cell, other) in normal[i].iter_mut().zip(columns) {
                    *cell += weight * column * other;
                }
            }
        }
        let mut straight = [[normal[0][0], normal[0][1]], [normal[1][0], normal[1][1]]];
        // Without any change from line to line there is none to take out.
        normal[2][2] += 1e-6 * normal[0][0] + f64::MIN_POSITIVE;
        if !invert(&mut normal) || !invert(&mut straight) {
            return;
        }
        let share = normal.map(|row| (0..3).map(|i| row[i] * with_difference[i]).sum::<f64>());
        let slant = straight.map(|row| (0..2).map(|i| row[i] * with_sum[i]).sum::<f64>());
        let mut before = None;
        for k in 0..self.apart.len() {
            // The sum of the line above as it was before the straight line was taken out of it.
            let columns = self.columns_after(k, centre, before);
            before = Some(self.apart[k].sum);
            let line = &mut self.apart[k];
            line.difference -= (0..3).map(|i| share[i] * columns[i]).sum::<f64>();
            line.sum -= slant[0] * columns[0] + slant[1] * columns[1];
        }
    }

    /// One, the row, and how much the displacement changes from the line above to the line below.
    fn columns(&self, k: usize, centre: f64) -> [f64; 3] {
        let above = k.checked_sub(1).map(|above| self.apart[above].sum);
        self.columns_after(k, centre, above)
    }

    fn columns_after(&self, k: usize, centre: f64, above: Option<f64>) -> [f64; 3] {
        let line = self.apart[k];
        let adjacent = |other: &Apart| other.row.abs_diff(line.row) == 1;
        let below = self.apart.get(k + 1).filter(|below| adjacent(below));
        let is_above = k > 0 && adjacent(&self.apart[k - 1]);
        let change = match (above.filter(|_| is_above), below) {
            (Some(above), Some(below)) => 0.25 * (below.sum - above),
            _ => 0.0,
        };
        [1.0, line.row as f64 - centre, change]
    }

    fn average(&mut self, parity: usize, rows: usize) {
        let means = &mut self.rows[parity];
        means.resize(rows.min(MAX_ROWS), Row::default());
        let lines = self.apart.len() as f64;
        // Three parameters were fitted.
        let freedom = lines / (lines - 3.0);
        for line in &self.apart {
            let Some(row) = means.get_mut(line.row) else {
                continue;
            };
            row.fields = (row.fields + 1.0).min(MEMORY_FIELDS);
            let gain = 1.0 / row.fields;
            let settle = |old: &mut f64, new: f64| *old += gain * (new - *old);
            // The square of a normal value is uncertain by √2 of its variance.
            let weight = (line.left + line.right).powi(-2);
            row.sums.rows = 1.0;
            settle(&mut row.sums.weight, weight);
            settle(
                &mut row.sums.difference,
                weight * freedom * line.difference.powi(2),
            );
            settle(&mut row.sums.foretold, weight * (line.left + line.right));
            settle(&mut row.sums.product, weight * line.difference * line.sum);
            settle(
                &mut row.sums.foretold_product,
                weight * (line.left - line.right),
            );
            settle(&mut row.sums.sum, weight * line.sum * line.sum);
        }
    }

    fn decide(&mut self, parity: usize, rows: usize) {
        self.by_row.clear();
        let means = &self.rows[parity];
        let mut all = Sums::default();
        for row in means {
            all.add(&row.sums, 1.0);
        }
        let everywhere = all.own_errors().filter(|_| all.rows >= LEAST_LINES);
        let (mut window, mut next) = (Sums::default(), 0);
        for row in 0..rows {
            while next < means.len().min(row + REACH + 1) {
                window.add(&means[next].sums, 1.0);
                next += 1;
            }
            if let Some(gone) = row.checked_sub(REACH + 1).and_then(|gone| means.get(gone)) {
                window.add(&gone.sums, -1.0);
            }
            let here = window.own_errors().filter(|_| window.rows >= LEAST_ROWS);
            self.by_row.push(
                here.or(everywhere)
                    .map_or([0.0; 2], |own| own.map(|own| own as f32)),
            );
        }
    }
}

impl Sums {
    fn add(&mut self, other: &Self, sign: f64) {
        self.rows += sign * other.rows;
        self.weight += sign * other.weight;
        self.difference += sign * other.difference;
        self.foretold += sign * other.foretold;
        self.product += sign * other.product;
        self.foretold_product += sign * other.foretold_product;
        self.sum += sign * other.sum;
    }

    /// The mean error of the left and the right side beyond their variances.
    fn own_errors(&self) -> Option<[f64; 2]> {
        if self.rows < 0.5 || self.weight <= 0.0 || self.foretold <= 0.0 {
            return None;
        }
        let excess = (self.difference - self.foretold).max((LEAST_SHARE - 1.0) * self.foretold);
        // Of what was foretold too much, each side foretold its share.
        let lopsided = if excess < 0.0 {
            excess * self.foretold_product / self.foretold
        } else {
            self.left_over_right()
                .clamp(-MOST_BLAME * excess, MOST_BLAME * excess)
        };
        Some(
            [excess + lopsided, excess - lopsided]
                .map(|sum| (0.5 * sum / self.weight).min(MOST_ERROR)),
        )
    }

    /// What the left side errs more than the right side beyond their variances, as far as it can be told.
    fn left_over_right(&self) -> f64 {
        let found = self.product - self.foretold_product;
        // The product of what the tape does and what a side errs is nought only on average.
        let chance = self.difference * self.sum / self.rows;
        found * (1.0 - TOLD * TOLD * chance / (found * found + f64::MIN_POSITIVE)).max(0.0)
    }
}
