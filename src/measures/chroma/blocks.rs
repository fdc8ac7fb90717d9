//! Sums over small blocks of a colour plane.
//!
//! In: a plane and the grid of its picture. Out: by block, the sum of its samples and the squares of their differences from the
//! line below; over all, the products with the line below. A block is 16 luma samples by 4 field lines: 1.2 µs, the
//! finest that chroma of tape resolves.
//!
//! Does not know: which colour difference it is.

use multiversion::multiversion;

use crate::fields;

use super::ZERO_CODE;
use super::grid::Grid;

/// Widest picture that is summed, in colour samples; what lies further right is left out.
const WIDEST: usize = 1024;

/// Length along the line, in luma samples, over which noise of tape chroma hangs together: half a period of 0.5 MHz.
const NOISE_SAMPLES: usize = 13;

/// Share of blocks that are taken to show noise alone: those with the least difference from line to line.
const QUIET_SHARE: f64 = 0.25;

/// Sums of one block.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Block {
    /// Mean over the zero, in codes.
    pub(super) mean: f32,
    /// Mean square of the difference from the line below, in codes².
    rough: f32,
}

/// Sums over the picture, in codes².
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    count: u32,
    sum: i64,
    squares: i64,
    products: i64,
}

impl Sums {
    /// Samples.
    pub(super) fn count(&self) -> u32 {
        self.count
    }

    fn mean(&self) -> f64 {
        self.sum as f64 / f64::from(self.count.max(1))
    }

    /// Mean square of what neighbouring lines share.
    pub(super) fn shared_power(&self) -> f64 {
        self.products as f64 / f64::from(self.count.max(1))
    }

    /// The same about the mean: a cast is no colour.
    pub(super) fn variance(&self) -> f64 {
        self.shared_power() - self.mean() * self.mean()
    }

    /// Standard error of the shared power, by the noise: each product errs by `√2·s·n` and by `n²`.
    pub(super) fn power_sigma(&self, grid: &Grid) -> f64 {
        let all = self.squares as f64 / f64::from(self.count.max(1));
        let shared = self.shared_power().max(0.0);
        let noise = (all - shared).max(1.0 / 12.0); // of rounding, at least
        let together = (NOISE_SAMPLES / grid.across).max(1) as f64;
        let evidence = (f64::from(self.count) / together).max(1.0);
        ((2.0 * shared * noise + noise * noise) / evidence).sqrt()
    }
}

/// Blocks of one plane.
#[derive(Debug, Default)]
pub(super) struct Blocks {
    all: Vec<Block>,
    sums: Sums,
    lanes: Lanes,
    sorted: Vec<f32>,
}

/// Sums down a row of blocks, sample by sample.
#[derive(Debug)]
struct Lanes {
    sums: Box<[i16; WIDEST]>,
    rough: Box<[u32; WIDEST]>,
}

impl Default for Lanes {
    fn default() -> Self {
        Self {
            sums: Box::new([0; WIDEST]),
            rough: Box::new([0; WIDEST]),
        }
    }
}

impl Blocks {
    /// Sums up the picture on a plane.
    pub(super) fn take(&mut self, plane: &fields::Plane, grid: &Grid) {
        let (width, height) = grid.block;
        let across = grid.blocks_across().min(WIDEST / width);
        let columns = grid.columns.start..grid.columns.start + across * width;
        self.all.clear();
        self.all.reserve(across * grid.blocks_down());
        self.sums = Sums {
            count: (columns.len() * grid.blocks_down() * height) as u32,
            ..Sums::default()
        };
        let samples = f32::from((width * height) as u16);
        let mut rough_in_all = 0;
        for first in grid.rows.clone().step_by(height) {
            let (sums, rough) = (
                &mut self.lanes.sums[..columns.len()],
                &mut self.lanes.rough[..columns.len()],
            );
            sums.fill(0);
            rough.fill(0);
            for row in first..first + height {
                let (here, below) = (plane.row(row), plane.row(row + 1));
                let here = &here[columns.clone()];
                add_row(here, &below[columns.clone()], sums, rough);
                self.sums.squares += squares(here);
            }
            for (sums, rough) in sums.chunks_exact(width).zip(rough.chunks_exact(width)) {
                let sum: i32 = sums.iter().map(|&sum| i32::from(sum)).sum();
                let rough: u32 = rough.iter().sum();
                self.sums.sum += i64::from(sum);
                rough_in_all += i64::from(rough);
                self.all.push(Block {
                    mean: sum as f32 / samples,
                    rough: rough as f32 / samples,
                });
            }
        }
        // (a − b)² over all pairs of lines gives their products, for the squares below are those here but for both ends
        let end = |row: usize| squares(&plane.row(row)[columns.clone()]);
        let below = self.sums.squares - end(grid.rows.start) + end(grid.rows.end);
        self.sums.products = (self.sums.squares + below - rough_in_all) / 2;
    }

    /// Over the picture.
    pub(super) fn sums(&self) -> Sums {
        self.sums
    }

    /// By block, row after row.
    pub(super) fn blocks(&self) -> &[Block] {
        &self.all
    }

    /// Rms of the noise, in codes: of the blocks that differ least from line to line, which show no detail.
    pub(super) fn quiet_noise(&mut self) -> f64 {
        self.sorted.clear();
        self.sorted.extend(self.all.iter().map(|block| block.rough));
        if self.sorted.is_empty() {
            return 0.0;
        }
        let at = (self.sorted.len() as f64 * QUIET_SHARE) as usize;
        let (_, rough, _) = self.sorted.select_nth_unstable_by(at, f32::total_cmp);
        // the difference of two lines has twice the power of one
        f64::from(*rough / 2.0).sqrt()
    }
}

/// Adds a row to the sums of its samples, and the squares of its differences from the row below.
#[multiversion(targets("x86_64+avx2"))]
fn add_row(here: &[u8], below: &[u8], sums: &mut [i16], rough: &mut [u32]) {
    let samples = here.iter().zip(below);
    for ((&here, &below), (sum, rough)) in samples.zip(sums.iter_mut().zip(rough)) {
        *sum += i16::from(here) - ZERO_CODE;
        // 255² fits into 16 bit
        let apart = u16::from(here.abs_diff(below));
        *rough += u32::from(apart * apart);
    }
}

/// Sum of the squares of a row about the zero.
#[multiversion(targets("x86_64+avx2"))]
fn squares(row: &[u8]) -> i64 {
    let squares = row.iter().map(|&code| {
        let over = i32::from(i16::from(code) - ZERO_CODE);
        over * over
    });
    i64::from(squares.sum::<i32>())
}
