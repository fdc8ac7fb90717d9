//! Sums over a line for motion across and down at once.
//!
//! The same fit as [`fit`](super::fit), with the slope from line to line beside the slope along the line.
//!
//! Does not know: what is solved with the sums.

use multiversion::multiversion;

use crate::measures::dsp::spline::{STRETCH, Shifted};

use super::MAX_STRETCHES;
use super::fit::total;

/// Weighted sums over the samples of a stretch.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct GradientSums {
    pub weight: f32,
    slope: f32,
    slope_square: f32,
    rest: f32,
    slope_rest: f32,
    down: f32,
    down_square: f32,
    slope_down: f32,
    down_rest: f32,
    pub rest_square: f32,
    /// Absolute residuals, not weighted.
    pub distance: f32,
    /// Squares of the expected samples about their mean, not weighted.
    pub contrast: f32,
    /// Squares of the residuals about their mean, not weighted.
    pub left: f32,
}

impl GradientSums {
    pub(super) fn products(&self) -> [f64; 9] {
        [
            self.weight,
            self.slope,
            self.slope_square,
            self.rest,
            self.slope_rest,
            self.down,
            self.down_square,
            self.slope_down,
            self.down_rest,
        ]
        .map(f64::from)
    }
}

/// Sums of all stretches of a row.
pub(super) type RowGradients = [GradientSums; MAX_STRETCHES];

/// What is compared.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gradients<'a> {
    /// The line's spline coefficients, with margins.
    pub coefficients: &'a [f32],
    /// Samples of the line.
    pub width: usize,
    /// The expected samples.
    pub expected: &'a [f32],
    /// Their slopes along the line.
    pub slopes: &'a [f32],
    /// Their slopes from line to line.
    pub steps_down: &'a [f32],
    /// 0 where nothing is expected.
    pub averaged: &'a [f32],
}

impl Gradients<'_> {
    pub(super) fn sums(&self, shift: f32, offset: f32, scale: f32) -> RowGradients {
        let mut sums = [GradientSums::default(); MAX_STRETCHES];
        let taps = Shifted::by(shift, self.width);
        gather(self, &taps, offset, 1.0 / (scale * scale), &mut sums);
        sums
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn gather(
    look: &Gradients<'_>,
    taps: &Shifted,
    offset: f32,
    per_square: f32,
    sums: &mut RowGradients,
) {
    let expected = look.expected.as_chunks::<STRETCH>().0;
    let slopes = look.slopes.as_chunks::<STRETCH>().0;
    let steps_down = look.steps_down.as_chunks::<STRETCH>().0;
    let pieces = expected.iter().zip(slopes).zip(steps_down);
    let pieces = pieces.zip(look.averaged).zip(sums).enumerate();
    let [a, b, c, d] = taps.weights;
    for (stretch, ((((expected, slopes), steps_down), &averaged), sums)) in pieces {
        let Some(start) = taps.start(stretch).filter(|_| averaged > 0.0) else {
            continue;
        };
        let Some(from) = look.coefficients[start..].first_chunk::<{ STRETCH + 3 }>() else {
            continue;
        };
        let level = expected[STRETCH / 2];
        let mut wide = [[0.0_f32; STRETCH]; 15];
        for x in 0..STRETCH {
            let value = a * from[x] + b * from[x + 1] + c * from[x + 2] + d * from[x + 3];
            let rest = value - expected[x] - offset;
            let far = 1.0 + rest * rest * per_square;
            let weight = 1.0 / (far * far);
            let (slope, down) = (slopes[x], steps_down[x]);
            let high = expected[x] - level;
            let (by_slope, by_down) = (weight * slope, weight * down);
            wide[0][x] = weight;
            wide[1][x] = by_slope;
            wide[2][x] = by_slope * slope;
            wide[3][x] = weight * rest;
            wide[4][x] = by_slope * rest;
            wide[5][x] = by_down;
            wide[6][x] = by_down * down;
            wide[7][x] = by_slope * down;
            wide[8][x] = by_down * rest;
            wide[9][x] = weight * rest * rest;
            wide[10][x] = rest.abs();
            wide[11][x] = high;
            wide[12][x] = high * high;
            wide[13][x] = rest;
            wide[14][x] = rest * rest;
        }
        let mut t = [0.0_f32; 15];
        for k in 0..15 {
            t[k] = total(&wide[k]);
        }
        let about_mean = |square: f32, sum: f32| (square - sum * sum / STRETCH as f32).max(0.0);
        *sums = GradientSums {
            weight: t[0],
            slope: t[1],
            slope_square: t[2],
            rest: t[3],
            slope_rest: t[4],
            down: t[5],
            down_square: t[6],
            slope_down: t[7],
            down_rest: t[8],
            rest_square: t[9],
            distance: t[10],
            contrast: about_mean(t[12], t[11]),
            left: about_mean(t[14], t[13]),
        };
    }
}
