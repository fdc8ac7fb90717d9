//! Overshoot beside sharp edges.
//!
//! In: rows with a steep step in them. Out: how far the mean of many edges shoots beyond its two levels, in percent of the step.
//! Each edge is laid with its middle on the others', between samples by where it crosses half of its step, and scaled to a
//! step of one; rising and falling ones count alike. An edge needs six samples of level ground on either side, ten samples off.
//!
//! Does not know: whether the chain or the camera sharpened.

/// Samples on either side of the middle.
const REACH: usize = 17;

/// Samples from the middle at which the levels are read.
const LEVEL: (usize, usize) = (10, 16);

/// Samples from the middle within which a swing belongs to the edge: down to 0.7 MHz.
const BESIDE: (f32, f32) = (1.5, 9.0);

/// Bins a sample.
const FINE: usize = 2;

const BINS: usize = 2 * REACH * FINE;

/// Least step, in codes, and in rms of the noise.
const LEAST_STEP: f32 = 24.0;
const LEAST_OVER_NOISE: f32 = 8.0;

/// Share of the step by which the ground may be uneven.
const UNEVEN: f32 = 0.12;

/// Edges over which the mean runs, and the fewest.
const EDGES: f32 = 600.0;
const LEAST: f32 = 60.0;

/// Share of the scale's end at which an edge may be cut off: no swing would be seen there.
const LOWEST: u8 = 4;
const HIGHEST: u8 = 250;

/// Overshoot as a share of the step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Overshoot {
    pub(super) share: f64,
    pub(super) sigma: f64,
    pub(super) edges: u32,
}

/// The mean of many edges.
#[derive(Clone, Debug)]
pub(super) struct Ringing {
    sums: [f32; BINS],
    squares: [f32; BINS],
    weights: [f32; BINS],
    edges: f32,
}

impl Default for Ringing {
    fn default() -> Self {
        Self {
            sums: [0.0; BINS],
            squares: [0.0; BINS],
            weights: [0.0; BINS],
            edges: 0.0,
        }
    }
}

fn mean(samples: &[u8]) -> f32 {
    let sum: u32 = samples.iter().map(|&code| u32::from(code)).sum();
    sum as f32 / samples.len() as f32
}

fn uneven(samples: &[u8]) -> f32 {
    let low = samples.iter().min().copied().unwrap_or(0);
    let high = samples.iter().max().copied().unwrap_or(0);
    f32::from(high - low)
}

impl Ringing {
    /// Takes in the steepest edge between two columns of a row, if it stands alone.
    pub(super) fn take(&mut self, row: &[u8], columns: std::ops::Range<usize>, noise: f32) {
        let within = columns.start.max(REACH)..columns.end.min(row.len().saturating_sub(REACH + 1));
        let steepest = within
            .clone()
            .max_by_key(|&at| row[at - 1].abs_diff(row[at + 1]));
        let Some(middle) = steepest else { return };
        let edge = &row[middle - REACH..=middle + REACH];
        let before = &edge[REACH - LEVEL.1..=REACH - LEVEL.0];
        let after = &edge[REACH + LEVEL.0..=REACH + LEVEL.1];
        let (low, high) = (mean(before), mean(after));
        let step = high - low;
        let ground = uneven(before).max(uneven(after));
        // noise of seven samples reaches over 2.7 times its rms
        let lone = ground < UNEVEN * step.abs() + 2.7 * noise;
        let whole = edge.iter().all(|code| (LOWEST..=HIGHEST).contains(code));
        if step.abs() < LEAST_STEP.max(LEAST_OVER_NOISE * noise) || !lone || !whole {
            return;
        }
        let scaled = |at: usize| (f32::from(edge[at]) - low) / step;
        // the crossing next to the steepest place
        let crossing = (REACH - 3..REACH + 3).find(|&at| scaled(at) < 0.5 && scaled(at + 1) >= 0.5);
        let Some(at) = crossing else { return };
        let crossing = at as f32 + (0.5 - scaled(at)) / (scaled(at + 1) - scaled(at));
        self.add(crossing, (step.abs() / LEAST_STEP).min(3.0).powi(2), scaled);
    }

    fn add(&mut self, crossing: f32, weight: f32, scaled: impl Fn(usize) -> f32) {
        let left = 1.0 - 1.0 / EDGES;
        self.edges = left * self.edges + 1.0;
        for values in [&mut self.sums, &mut self.squares, &mut self.weights] {
            for value in values {
                *value *= left;
            }
        }
        for at in 0..=2 * REACH {
            let place = (at as f32 - crossing + REACH as f32) * FINE as f32;
            if place >= 0.0 && (place as usize) < BINS {
                let (bin, value) = (place as usize, scaled(at));
                self.sums[bin] += weight * value;
                self.squares[bin] += weight * value * value;
                self.weights[bin] += weight;
            }
        }
    }

    /// The larger of the swings before and after; `None` before enough edges were seen.
    pub(super) fn overshoot(&self) -> Option<Overshoot> {
        if self.edges < LEAST {
            return None;
        }
        let (mut most, mut sigma) = (0.0_f32, 0.0_f32);
        for bin in 0..BINS {
            let place = (bin as f32 + 0.5) / FINE as f32 - REACH as f32;
            if !(BESIDE.0..=BESIDE.1).contains(&place.abs()) || self.weights[bin] <= 0.0 {
                continue;
            }
            let mean = self.sums[bin] / self.weights[bin];
            let variance = (self.squares[bin] / self.weights[bin] - mean * mean).max(0.0);
            let beyond = if place > 0.0 { mean - 1.0 } else { -mean };
            most = most.max(beyond);
            // a bin has the samples of one edge in two
            sigma = sigma.max((variance * FINE as f32 / self.edges).sqrt());
        }
        Some(Overshoot {
            share: most.into(),
            sigma: sigma.into(),
            edges: self.edges as u32,
        })
    }
}
