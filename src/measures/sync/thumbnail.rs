//! A field shrunk across: means of sixteen samples, all rows, without the sides.
//!
//! In: luma. Out: sums small enough to compare whole fields with each other cheaply, wide enough that lines displaced by a
//! few samples still match.
//!
//! Does not know: what the comparison is for.

use std::array::from_fn;

use multiversion::multiversion;

use crate::fields::Plane;

/// Samples summed.
pub(super) const BLOCK: usize = 16;

/// Samples left out at either side: blanking with room for a shifted window. Narrow fields are taken whole.
pub(super) const SIDE: usize = 32;

/// Fewest columns and rows that say anything about a picture.
const SMALLEST: (usize, usize) = (10, 64);

/// Rows left out at the bottom: the head-switch zone.
pub(super) const BOTTOM_ROWS: usize = 8;

/// Parts that a thumbnail is divided into, across and down.
const TILES_ACROSS: usize = 5;
const TILES_DOWN: usize = 6;

/// All of them.
pub(super) const TILES: usize = TILES_ACROSS * TILES_DOWN;

/// Sums of [`BLOCK`] samples, row by row.
#[derive(Clone, Debug, Default)]
pub(super) struct Thumbnail {
    sums: Vec<u16>,
    columns: usize,
    rows: usize,
    variance: f64,
}

impl Thumbnail {
    /// Shrinks a field in place of what was there; too small a field leaves it blank.
    pub(super) fn shrink(&mut self, luma: &Plane) {
        let inner = luma.width.saturating_sub(2 * SIDE);
        self.columns = inner / BLOCK;
        self.rows = luma.rows.saturating_sub(BOTTOM_ROWS);
        if self.columns < SMALLEST.0 || self.rows < SMALLEST.1 {
            self.clear();
            return;
        }
        self.sums.resize(self.columns * self.rows, 0);
        let samples = SIDE..SIDE + self.columns * BLOCK;
        for (row, sums) in self.sums.chunks_exact_mut(self.columns).enumerate() {
            sum_blocks(&luma.row(row)[samples.clone()], sums);
        }
        self.variance = variance(&self.sums);
    }

    /// Makes it blank.
    pub(super) fn clear(&mut self) {
        self.sums.clear();
        (self.columns, self.rows, self.variance) = (0, 0, 0.0);
    }

    /// Whether it shows nothing.
    pub(super) fn is_blank(&self) -> bool {
        self.sums.is_empty()
    }

    pub(super) fn columns(&self) -> usize {
        self.columns
    }

    pub(super) fn rows(&self) -> impl ExactSizeIterator<Item = &[u16]> + Clone {
        self.sums.chunks_exact(self.columns.max(1))
    }

    /// Correlation with an earlier thumbnail when this one's content moved down by `lines` since; `None` where one is blank
    /// or without contrast, or their sizes differ.
    pub(super) fn likeness(&self, before: &Self, lines: i32) -> Option<f64> {
        let shift = lines.unsigned_abs() as usize * self.columns;
        if before.sums.len() != self.sums.len() || shift >= self.sums.len() {
            return None;
        }
        let (now, before) = match lines {
            0.. => (&self.sums[shift..], &before.sums[..]),
            _ => (&self.sums[..], &before.sums[shift..]),
        };
        let variance = self.variance();
        (variance > 0.0).then(|| 1.0 - mean_square(now, before) / (2.0 * variance))
    }

    /// Mean square difference from another thumbnail in each of [`TILES`] parts, row by row of them; `None` where one is blank or their
    /// sizes differ.
    pub(super) fn change_by_tile(&self, other: &Self) -> Option<[f32; TILES]> {
        let alike = !self.is_blank() && other.sums.len() == self.sums.len();
        alike.then(|| {
            let columns = self.columns;
            let bounds: [usize; TILES_ACROSS + 1] = from_fn(|tile| tile * columns / TILES_ACROSS);
            let down: [usize; TILES_DOWN + 1] =
                from_fn(|tile| tile * self.rows / TILES_DOWN * columns);
            let mut tiles = [0.0; TILES];
            for (tiles, rows) in tiles.chunks_exact_mut(TILES_ACROSS).zip(down.windows(2)) {
                let rows = rows[0]..rows[1];
                squares_by_column(&self.sums[rows.clone()], &other.sums[rows], &bounds, tiles);
            }
            tiles
        })
    }

    /// Correlation of each row with the next.
    pub(super) fn likeness_down(&self) -> Option<f64> {
        self.likeness_within(self.columns)
    }

    /// Correlation of each sum with the next on its row.
    pub(super) fn likeness_across(&self) -> Option<f64> {
        self.likeness_within(1)
    }

    fn likeness_within(&self, distance: usize) -> Option<f64> {
        let variance = self.variance();
        let later = self.sums.get(distance..)?;
        (variance > 0.0).then(|| 1.0 - mean_square(&self.sums, later) / (2.0 * variance))
    }

    /// Variance of the sums.
    pub(super) fn variance(&self) -> f64 {
        self.variance
    }
}

/// Sums of sums, for a variance.
#[derive(Clone, Copy, Debug, Default)]
struct Moments {
    values: u64,
    squares: u64,
}

/// Moments of a stretch, in 32 bits: 4080² · 256 just fits, longer ones are split.
#[multiversion(targets("x86_64+avx2"))]
fn moments(sums: &[u16]) -> Moments {
    let mut all = Moments::default();
    for stretch in sums.chunks(256) {
        let (mut values, mut squares) = (0u32, 0u32);
        for value in stretch {
            let value = u32::from(*value);
            values += value;
            squares += value * value;
        }
        all.values += u64::from(values);
        all.squares += u64::from(squares);
    }
    all
}

fn variance(sums: &[u16]) -> f64 {
    let count = sums.len().max(1) as f64;
    let moments = moments(sums);
    let mean = moments.values as f64 / count;
    moments.squares as f64 / count - mean * mean
}

/// Squared differences of a short run of sums, in 32 bits: 4080² · 256 just fits, and a fifth of the widest picture has 204.
#[inline]
fn squares(one: &[u16], other: &[u16]) -> u32 {
    let differences = one
        .iter()
        .zip(other)
        .map(|(a, b)| u32::from(a.abs_diff(*b)));
    differences.map(|difference| difference * difference).sum()
}

/// Mean squared difference of two runs of sums.
#[multiversion(targets("x86_64+avx2"))]
fn mean_square(one: &[u16], other: &[u16]) -> f64 {
    let count = one.len().min(other.len());
    let mut total = 0u64;
    for (one, other) in one[..count].chunks(256).zip(other[..count].chunks(256)) {
        total += u64::from(squares(one, other));
    }
    total as f64 / count.max(1) as f64
}

/// Mean squared difference of rows between each two bounds of their columns.
#[multiversion(targets("x86_64+avx2"))]
fn squares_by_column(
    one: &[u16],
    other: &[u16],
    bounds: &[usize; TILES_ACROSS + 1],
    means: &mut [f32],
) {
    let columns = bounds[TILES_ACROSS];
    let mut totals = [0u64; TILES_ACROSS];
    let mut rows = 0;
    for (one, other) in one.chunks_exact(columns).zip(other.chunks_exact(columns)) {
        rows += 1;
        for (total, bounds) in totals.iter_mut().zip(bounds.windows(2)) {
            let part = bounds[0]..bounds[1];
            *total += u64::from(squares(&one[part.clone()], &other[part]));
        }
    }
    for ((mean, total), bounds) in means.iter_mut().zip(totals).zip(bounds.windows(2)) {
        let count = rows * (bounds[1] - bounds[0]);
        *mean = (total as f64 / count.max(1) as f64) as f32;
    }
}

/// Sums of each [`BLOCK`] samples.
#[multiversion(targets("x86_64+avx2"))]
fn sum_blocks(samples: &[u8], sums: &mut [u16]) {
    for (sum, block) in sums.iter_mut().zip(samples.chunks_exact(BLOCK)) {
        *sum = block.iter().map(|sample| u32::from(*sample)).sum::<u32>() as u16;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_those_of_sixteen_inner_samples() {
        let luma = Plane {
            samples: (0..720 * 100).map(|at| (at % 720 / 16) as u8).collect(),
            width: 720,
            rows: 100,
        };
        let mut thumbnail = Thumbnail::default();
        thumbnail.shrink(&luma);
        let expected: Vec<u16> = (2..43).map(|block| block * 16).collect();
        assert_eq!(thumbnail.rows().len(), 92);
        assert!(thumbnail.rows().all(|row| row == expected));
    }

    #[test]
    fn a_tiny_field_is_blank() {
        let mut thumbnail = Thumbnail::default();
        thumbnail.shrink(&Plane {
            samples: vec![9],
            width: 1,
            rows: 1,
        });
        assert!(thumbnail.is_blank());
    }
}
