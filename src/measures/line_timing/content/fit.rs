//! One line against what is expected of it: displacement and level, robustly, stretch by stretch.
//!
//! In: a row's spline coefficients, the expected samples and their slopes. Out: sums for each stretch of the weighted
//! least-squares fit of `y(x + d) = r(x) + (d − true)·r′(x) + offset`, linear in what is still missing; a few rounds bring
//! `d` to where nothing is missing.
//!
//! Does not know: other lines, or which stretches are to be believed.

use multiversion::multiversion;

use crate::measures::dsp::spline::{STRETCH, Tap};

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
        let mut taps = [None; MAX_STRETCHES];
        let stretches = self.expected.len() / STRETCH;
        for (stretch, tap) in taps.iter_mut().enumerate().take(stretches) {
            if self.averaged[stretch] > 0.0 {
                *tap = Tap::stretch_at((stretch * STRETCH) as f32 + shift, self.width);
            }
        }
        gather(self, &taps, offset, 1.0 / (scale * scale), &mut sums);
        sums
    }
}

/// Samples worked on at once.
pub(super) const LANES: usize = 8;

/// Where in a stretch lanes begin.
pub(super) const STARTS: [usize; STRETCH / LANES] = [0, 8, 16, 24];

const SUMS: usize = 6;

/// The lanes' sum: halves onto each other, as eight in a row would wait for one another.
#[inline]
pub(super) fn total([a, b, c, d, e, f, g, h]: [f32; LANES]) -> f32 {
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}

#[expect(
    clippy::needless_range_loop,
    reason = "several arrays by the same lane: the compiler makes it wide"
)]
#[multiversion(targets("x86_64+avx2"))]
fn gather(
    look: &Look<'_>,
    taps: &[Option<Tap>; MAX_STRETCHES],
    offset: f32,
    per_square: f32,
    sums: &mut RowSums,
) {
    let pieces = look
        .expected
        .as_chunks::<STRETCH>()
        .0
        .iter()
        .zip(look.slopes.as_chunks::<STRETCH>().0);
    for (((expected, slopes), tap), sums) in pieces.zip(taps).zip(sums) {
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
        let mut wide = [[0.0_f32; LANES]; SUMS];
        for lane in 0..LANES {
            let mut sums = [0.0_f32; SUMS];
            for start in STARTS {
                let x = start + lane;
                let (weight, slope, rest) = (weights[x], slopes[x], rests[x]);
                sums[0] += weight;
                sums[1] += weight * slope;
                sums[2] += weight * slope * slope;
                sums[3] += weight * rest;
                sums[4] += weight * slope * rest;
                sums[5] += rest.abs();
            }
            for k in 0..SUMS {
                wide[k][lane] = sums[k];
            }
        }
        let [weight, slope, slope_square, rest, slope_rest, distance] = wide.map(total);
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
