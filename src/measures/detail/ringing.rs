//! Overshoot beside sharp edges.
//!
//! In: rows with a steep step in them. Out: how far the mean of many edges shoots beyond its two levels, in percent of the step.
//! Each edge is laid with its middle on the others', between samples by where it crosses half of its step, and scaled to a
//! step of one. An edge needs six samples of level ground on either side, ten samples off. A swing counts as far as rising and
//! falling edges have it on the same side: what rings does so after both, while a thin line beside an edge stands to the left of the one
//! and to the right of the other.
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
const LEAST_OVER_NOISE: f32 = 10.0;

/// Share of the step by which the ground may be uneven.
const UNEVEN: f32 = 0.12;

/// Edges of a direction over which the mean runs, and the fewest.
const EDGES: f32 = 600.0;
const LEAST: f32 = 30.0;

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

/// The mean of many edges of one direction.
#[derive(Clone, Debug)]
struct Profile {
    sums: [f32; BINS],
    squares: [f32; BINS],
    weights: [f32; BINS],
    edges: f32,
}

const NOTHING: Profile = Profile {
    sums: [0.0; BINS],
    squares: [0.0; BINS],
    weights: [0.0; BINS],
    edges: 0.0,
};

/// The mean of many edges, rising and falling.
#[derive(Clone, Debug)]
pub(super) struct Ringing {
    profiles: [Profile; 2],
}

impl Default for Ringing {
    fn default() -> Self {
        Self {
            profiles: [NOTHING; 2],
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
        let weight = (step.abs() / LEAST_STEP).min(3.0).powi(2);
        self.profiles[usize::from(step < 0.0)].add(crossing, weight, scaled);
    }

    /// The larger of the swings before and after; `None` before enough edges of either direction were seen.
    pub(super) fn overshoot(&self) -> Option<Overshoot> {
        if self.profiles.iter().any(|profile| profile.edges < LEAST) {
            return None;
        }
        let (mut most, mut sigma) = (0.0_f32, 0.0_f32);
        for bin in 1..BINS - 1 {
            let place = (bin as f32 + 0.5) / FINE as f32 - REACH as f32;
            if !(BESIDE.0..=BESIDE.1).contains(&place.abs()) {
                continue;
            }
            let [rising, falling] = self.profiles.each_ref().map(|profile| profile.at(bin));
            let (Some(rising), Some(falling)) = (rising, falling) else {
                continue;
            };
            let beyond = |mean: f32| if place > 0.0 { mean - 1.0 } else { -mean };
            most = most.max(beyond(rising.0).min(beyond(falling.0)));
            sigma = sigma.max(rising.1).max(falling.1);
        }
        Some(Overshoot {
            share: most.into(),
            sigma: sigma.into(),
            edges: self
                .profiles
                .iter()
                .map(|profile| profile.edges as u32)
                .sum(),
        })
    }
}

impl Profile {
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

    /// The mean of three bins together, for a swing is wider and chance is not, and its standard error.
    fn at(&self, bin: usize) -> Option<(f32, f32)> {
        let weighted = |values: &[f32; BINS]| {
            0.25 * values[bin - 1] + 0.5 * values[bin] + 0.25 * values[bin + 1]
        };
        let weight = weighted(&self.weights);
        if weight <= 0.0 {
            return None;
        }
        let mean = weighted(&self.sums) / weight;
        let variance = (weighted(&self.squares) / weight - mean * mean).max(0.0);
        // three bins have about one sample of each edge
        Some((mean, (variance / self.edges).sqrt()))
    }
}
