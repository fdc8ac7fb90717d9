//! One line against what is expected of it: displacement and level, robustly, stretch by stretch.
//!
//! In: a row's spline coefficients, the expected samples and their slopes. Out: sums for each stretch of the weighted
//! least-squares fit of `y(x + d) = r(x) + (d − true)·r′(x) + offset`, linear in what is still missing; a few rounds bring
//! `d` to where nothing is missing.
//!
//! Does not know: other lines, or which stretches are to be believed.

use multiversion::multiversion;

use crate::measures::dsp::spline::{STRETCH, Shifted};

use super::MAX_STRETCHES;

/// Sums over the samples of a stretch, weighted.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sums {
    /// Weights: at most [`STRETCH`].
    pub weight: f32,
    /// Slopes.
    pub slope: f32,
    /// Their squares.
    pub slope_square: f32,
    /// Residuals.
    pub rest: f32,
    /// Slope times residual.
    pub slope_rest: f32,
    /// Absolute residuals, not weighted.
    pub distance: f32,
}

impl Sums {
    pub(super) fn add(&mut self, other: &Self) {
        self.weight += other.weight;
        self.slope += other.slope;
        self.slope_square += other.slope_square;
        self.rest += other.rest;
        self.slope_rest += other.slope_rest;
        self.distance += other.distance;
    }

    /// What a fit of displacement and level makes of the sums; `None` where they hold neither.
    pub(super) fn solve(&self) -> Option<Solution> {
        if self.weight < 1.0 {
            return None;
        }
        let information = self.slope_square - self.slope * self.slope / self.weight;
        if information <= 1e-3 {
            return None;
        }
        let error = (self.slope_rest - self.slope * self.rest / self.weight) / information;
        Some(Solution {
            missing: -error,
            offset: (self.rest - error * self.slope) / self.weight,
            information,
        })
    }
}

/// A solved fit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Solution {
    /// What the displacement lacks, in samples.
    pub missing: f32,
    /// Level beyond the expected, in codes, on top of the offset taken out.
    pub offset: f32,
    /// Σ of squared slopes about their mean: codes² a sample².
    pub information: f32,
}

/// Sums of all stretches of a row.
pub(super) type RowSums = [Sums; MAX_STRETCHES];

/// What one look at a line needs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look<'a> {
    /// The line's spline coefficients, with margins.
    pub coefficients: &'a [f32],
    /// Samples of the line.
    pub width: usize,
    /// The expected samples, a whole number of stretches.
    pub expected: &'a [f32],
    /// Their slopes.
    pub slopes: &'a [f32],
    /// Where nothing is expected, the stretch is passed over.
    pub averaged: &'a [f32],
}

impl Look<'_> {
    /// The sums with the line moved back by `shift`, `offset` taken off, and residuals beyond `scale` losing their weight.
    pub(super) fn sums(&self, shift: f32, offset: f32, scale: f32) -> RowSums {
        let mut sums = [Sums::default(); MAX_STRETCHES];
        let taps = Shifted::by(shift, self.width);
        gather(self, &taps, offset, 1.0 / (scale * scale), &mut sums);
        sums
    }
}

/// Sums of a stretch, sample by sample.
pub(super) type Wide = [f32; STRETCH];

/// The sum of a stretch: halves onto each other, as samples in a row would wait for one another.
#[inline(always)]
#[expect(
    clippy::inline_always,
    reason = "it must be made wide as its caller is"
)]
pub(super) fn total(wide: &Wide) -> f32 {
    let mut half = [0.0_f32; STRETCH / 2];
    for x in 0..STRETCH / 2 {
        half[x] = wide[x] + wide[x + STRETCH / 2];
    }
    let mut quarter = [0.0_f32; STRETCH / 4];
    for x in 0..STRETCH / 4 {
        quarter[x] = half[x] + half[x + STRETCH / 4];
    }
    let [a, b, c, d, e, f, g, h] = quarter;
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}

#[multiversion(targets("x86_64+avx2"))]
fn gather(look: &Look<'_>, taps: &Shifted, offset: f32, per_square: f32, sums: &mut RowSums) {
    let pieces = look
        .expected
        .as_chunks::<STRETCH>()
        .0
        .iter()
        .zip(look.slopes.as_chunks::<STRETCH>().0);
    let pieces = pieces.zip(look.averaged).zip(sums).enumerate();
    let [a, b, c, d] = taps.weights;
    for (stretch, (((expected, slopes), &averaged), sums)) in pieces {
        let Some(start) = taps.start(stretch).filter(|_| averaged > 0.0) else {
            continue;
        };
        let Some(from) = look.coefficients[start..].first_chunk::<{ STRETCH + 3 }>() else {
            continue;
        };
        // One loop over the samples that writes and none that sums: this is what compilers make wide.
        let mut wide = [[0.0_f32; STRETCH]; 6];
        for x in 0..STRETCH {
            let value = a * from[x] + b * from[x + 1] + c * from[x + 2] + d * from[x + 3];
            let rest = value - expected[x] - offset;
            let far = 1.0 + rest * rest * per_square;
            let weight = 1.0 / (far * far);
            let slope = slopes[x];
            wide[0][x] = weight;
            wide[1][x] = weight * slope;
            wide[2][x] = weight * slope * slope;
            wide[3][x] = weight * rest;
            wide[4][x] = weight * slope * rest;
            wide[5][x] = rest.abs();
        }
        let mut sum = [0.0_f32; 6];
        for k in 0..6 {
            sum[k] = total(&wide[k]);
        }
        let [weight, slope, slope_square, rest, slope_rest, distance] = sum;
        *sums = Sums {
            weight,
            slope,
            slope_square,
            rest,
            slope_rest,
            distance,
        };
    }
}
