//! How late, and how low, chroma lies against luma.
//!
//! In: a field and the grid of its picture. Out: the displacement along the line in luma samples, and down the field in lines, where
//! enough coloured edges were seen over the last seconds. The siting of the colour samples is taken out.
//!
//! Along the line, every 32nd row is looked at, another one each field. Luma is averaged onto the places of the colour samples;
//! both are differenced in the same way. The same rows tell the response of chroma (`response`). Down the field, columns of blocks are looked at, every sixth a field.
//!
//! Does not know: time, or what a delay should be.

use std::ops::Range;

use crate::fields::{Field, Plane};

use super::grid::{Grid, siting};
use super::lag::{Found, Lags, MOST_LAG, Shape};
use super::response::{self, Response};

/// Rows from one that is looked at to the next.
const ROW_STEP: usize = 32;

/// Block columns from one that is looked at to the next.
const COLUMN_STEP: usize = 6;

/// Fields from one look at the response to the next.
const RESPONSE_STEP: usize = 25;

/// Along the line: 7 µs of 4:2:2. An edge of 12 codes is seen.
const ALONG: Shape = Shape {
    window: 48,
    lags: MOST_LAG,
    least_edge: 1_500.0,
    sited: 0.0,
};

/// Down the field. An edge of 12 codes is seen.
const DOWN: Shape = Shape {
    window: 24,
    lags: 6,
    least_edge: 300.0,
    sited: 0.0,
};

/// Places that a gradient reaches across, either way: chroma of tape is no sharper.
const REACH_ALONG: usize = 2;
const REACH_DOWN: usize = 1;

/// Widest path, in colour samples; what is longer is left out.
const LONGEST: usize = 1024;

/// Gathers both displacements.
#[derive(Debug)]
pub(super) struct Delay {
    along: Lags,
    down: Lags,
    response: Response,
    half: Option<response::Found>,
    turn: usize,
    levels: [Box<[f32; LONGEST]>; 3],
    gradients: [Box<[f32; LONGEST]>; 2],
}

impl Default for Delay {
    fn default() -> Self {
        let path = || Box::new([0.0; LONGEST]);
        Self {
            along: Lags::default(),
            down: Lags::default(),
            response: Response::default(),
            half: None,
            turn: 0,
            levels: [path(), path(), path()],
            gradients: [path(), path()],
        }
    }
}

/// Displacements of chroma: luma samples, and lines of the field; and how fine it is.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Displacement {
    pub(super) samples: Option<Found>,
    pub(super) lines: Option<Found>,
    /// Where chroma is 6 dB down, in cycles a luma sample.
    pub(super) half: Option<response::Found>,
}

impl Delay {
    /// Forgets the source before.
    pub(super) fn reset(&mut self) {
        self.along.reset();
        self.down.reset();
        self.response.reset();
        self.half = None;
    }

    /// Takes in one more field.
    pub(super) fn follow(&mut self, field: &Field, grid: &Grid) -> Displacement {
        self.turn += 1;
        self.along.fade();
        self.down.fade();
        self.response.fade();
        let (step_across, step_down) = (grid.across as f64, grid.down as f64);
        let (right, below) = siting(field);
        let along = Shape {
            sited: right / step_across,
            ..ALONG
        };
        // averaged rows stand for the place between them
        let down = Shape {
            sited: (below - (step_down - 1.0) / 2.0) / step_down,
            ..DOWN
        };
        let turn = self.turn;
        let rows = grid.rows.clone().skip(turn * 13 % ROW_STEP);
        for row in rows.step_by(ROW_STEP) {
            self.look_along(field, grid, row, along);
        }
        for column in (turn % COLUMN_STEP..grid.blocks_across()).step_by(COLUMN_STEP) {
            self.look_down(field, grid, column, down);
        }
        Displacement {
            samples: self.along.found().map(|found| scaled(found, step_across)),
            lines: self.down.found().map(|found| scaled(found, step_down)),
            half: self.half(step_across),
        }
    }

    /// Where chroma is 6 dB down, worked out anew now and then: it is the same for hours.
    fn half(&mut self, step_across: f64) -> Option<response::Found> {
        if self.turn % RESPONSE_STEP == 1 {
            self.half = self.response.found();
        }
        self.half.map(|half| response::Found {
            cycles: half.cycles / step_across,
            sigma: half.sigma / step_across,
            ..half
        })
    }

    fn look_along(&mut self, field: &Field, grid: &Grid, row: usize, shape: Shape) {
        let columns = short(&grid.columns);
        let luma_row = field.luma.row((row * grid.down).min(field.luma.rows - 1));
        let [luma, chroma, below] = &mut self.levels;
        let luma = &mut luma[..columns.len()];
        on_colour_samples(luma_row, &columns, grid.across, luma);
        let [luma_gradient, chroma_gradient] = &mut self.gradients;
        let luma_gradient = gradient(luma, REACH_ALONG, luma_gradient);
        for plane in [&field.cb, &field.cr] {
            let chroma = &mut chroma[..columns.len()];
            let below = &mut below[..columns.len()];
            let next = (row + 1).min(plane.rows - 1);
            for (levels, row) in [(&mut *chroma, row), (&mut *below, next)] {
                for (level, code) in levels.iter_mut().zip(&plane.row(row)[columns.clone()]) {
                    *level = f32::from(*code);
                }
            }
            self.response.look(chroma, below, luma);
            let chroma = gradient(chroma, REACH_ALONG, chroma_gradient);
            self.along.look(chroma, luma_gradient, shape);
        }
    }

    fn look_down(&mut self, field: &Field, grid: &Grid, column: usize, shape: Shape) {
        let rows = short(&grid.rows);
        let first = grid.columns.start + column * grid.block.0;
        let colour = first..first + grid.block.0;
        let light = first * grid.across..(first + grid.block.0) * grid.across;
        let [luma, chroma, _] = &mut self.levels;
        let luma = &mut luma[..rows.len()];
        for (level, row) in luma.iter_mut().zip(rows.clone()) {
            let pair = row * grid.down..(row + 1) * grid.down;
            let sum: f32 = pair.map(|row| mean(&field.luma, row, &light)).sum();
            *level = sum / grid.down as f32;
        }
        let [luma_gradient, chroma_gradient] = &mut self.gradients;
        let luma_gradient = gradient(luma, REACH_DOWN, luma_gradient);
        for plane in [&field.cb, &field.cr] {
            let chroma = &mut chroma[..rows.len()];
            for (level, row) in chroma.iter_mut().zip(rows.clone()) {
                *level = mean(plane, row, &colour);
            }
            let chroma = gradient(chroma, REACH_DOWN, chroma_gradient);
            self.down.look(chroma, luma_gradient, shape);
        }
    }
}

fn short(range: &Range<usize>) -> Range<usize> {
    range.start..range.end.min(range.start + LONGEST)
}

fn scaled(found: Found, step: f64) -> Found {
    Found {
        places: found.places * step,
        sigma: found.sigma * step,
        ..found
    }
}

/// Mean of some samples of a row; rows and samples beyond the plane are those at its edge.
fn mean(plane: &Plane, row: usize, columns: &Range<usize>) -> f32 {
    let row = plane.row(row.min(plane.rows - 1));
    let samples = &row[columns.start..columns.end.min(row.len())];
    let sum: u32 = samples.iter().map(|&code| u32::from(code)).sum();
    sum as f32 / samples.len().max(1) as f32
}

/// Luma about each colour sample, weighted by a triangle that ends at the colour samples beside it.
fn on_colour_samples(luma: &[u8], columns: &Range<usize>, across: usize, out: &mut [f32]) {
    let at = |place: usize| f32::from(luma[place.min(luma.len() - 1)]);
    for (level, column) in out.iter_mut().zip(columns.clone()) {
        let here = column * across;
        *level = across as f32 * at(here);
        for apart in 1..across {
            let weight = (across - apart) as f32;
            *level += weight * (at(here.saturating_sub(apart)) + at(here + apart));
        }
        *level /= (across * across) as f32;
    }
}

/// Differences of levels `reach` to either side; as many as have both.
fn gradient<'a>(levels: &[f32], reach: usize, out: &'a mut [f32; LONGEST]) -> &'a [f32] {
    let count = levels.len().saturating_sub(2 * reach);
    let pairs = levels.iter().zip(levels.iter().skip(2 * reach));
    for (difference, (before, after)) in out.iter_mut().zip(pairs) {
        *difference = after - before;
    }
    &out[..count]
}
