//! Sums over a line for motion across and down at once.
//!
//! The same fit as [`fit`](super::fit), with the slope from line to line beside the slope along the line.
//!
//! Does not know: what is solved with the sums.

use multiversion::multiversion;

use crate::measures::dsp::spline::{STRETCH, Tap};

use super::MAX_STRETCHES;
use super::fit::{LANES, STARTS, total};

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
        let mut taps = [None; MAX_STRETCHES];
        for (stretch, tap) in taps
            .iter_mut()
            .enumerate()
            .take(self.expected.len() / STRETCH)
        {
            if self.averaged[stretch] > 0.0 {
                *tap = Tap::stretch_at((stretch * STRETCH) as f32 + shift, self.width);
            }
        }
        gather(self, &taps, offset, 1.0 / (scale * scale), &mut sums);
        sums
    }
}

const SUMS: usize = 15;

#[expect(
    clippy::needless_range_loop,
    reason = "several arrays by the same lane: the compiler makes it wide"
)]
#[multiversion(targets("x86_64+avx2"))]
fn gather(
    look: &Gradients<'_>,
    taps: &[Option<Tap>; MAX_STRETCHES],
    offset: f32,
    per_square: f32,
    sums: &mut RowGradients,
) {
    let expected = look.expected.as_chunks::<STRETCH>().0;
    let slopes = look.slopes.as_chunks::<STRETCH>().0;
    let steps_down = look.steps_down.as_chunks::<STRETCH>().0;
    let pieces = expected.iter().zip(slopes).zip(steps_down);
    for ((((expected, slopes), steps_down), tap), sums) in pieces.zip(taps).zip(sums) {
        let Some(tap) = tap else { continue };
        let Some(from) = look.coefficients[tap.start..].first_chunk::<{ STRETCH + 3 }>() else {
            continue;
        };
        let [a, b, c, d] = tap.weights;
        let mut rests = [0.0_f32; STRETCH];
        let mut weights = [0.0_f32; STRETCH];
        for x in 0..STRETCH {
            let value = a * from[x] + b * from[x + 1] + c * from[x + 2] + d * from[x + 3];
            let rest = value - expected[x] - offset;
            let far = 1.0 + rest * rest * per_square;
            (rests[x], weights[x]) = (rest, 1.0 / (far * far));
        }
        // The lane outside, its samples inside: else the compiler goes through memory one sample at a time.
        let level = expected[STRETCH / 2];
        let mut wide = [[0.0_f32; LANES]; SUMS];
        for lane in 0..LANES {
            let mut sums = [0.0_f32; SUMS];
            for start in STARTS {
                let x = start + lane;
                let (weight, rest) = (weights[x], rests[x]);
                let (slope, down) = (slopes[x], steps_down[x]);
                let high = expected[x] - level;
                sums[0] += weight;
                sums[1] += weight * slope;
                sums[2] += weight * slope * slope;
                sums[3] += weight * rest;
                sums[4] += weight * slope * rest;
                sums[5] += weight * down;
                sums[6] += weight * down * down;
                sums[7] += weight * slope * down;
                sums[8] += weight * down * rest;
                sums[9] += weight * rest * rest;
                sums[10] += rest.abs();
                sums[11] += high;
                sums[12] += high * high;
                sums[13] += rest;
                sums[14] += rest * rest;
            }
            for k in 0..SUMS {
                wide[k][lane] = sums[k];
            }
        }
        let t = wide.map(total);
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
