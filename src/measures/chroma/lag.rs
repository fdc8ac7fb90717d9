//! Where chroma stands against luma: how far the edges of one lie from those of the other.
//!
//! In: gradients of luma and of a colour difference along the same path, on the same places. Out: by window, the lag at which
//! they are most alike, whatever the sign, gathered in a histogram that forgets; its median is the displacement, for things in a
//! picture whose colour ends elsewhere than their light do so on either side.
//!
//! Likeness is the square of the normalised correlation, so that one strong edge counts as much as another; a window counts
//! where chroma has an edge at all and where luma explains most of it.
//!
//! Does not know: which way the path runs, or units.

use multiversion::multiversion;

/// Bins a sample of the path.
const BINS: f64 = 8.0;

/// Largest lag that is looked at, either way.
pub(super) const MOST_LAG: usize = 10;

/// Bins of the histogram.
const SIZE: usize = 2 * MOST_LAG * BINS as usize + 1;

/// Least likeness: luma explains 60 % of what chroma does.
const LEAST_LIKENESS: f32 = 0.6;

/// What a field leaves of the histogram: four seconds are remembered.
const MEMORY: f32 = 0.995;

/// Windows that must be remembered before anything is said.
const LEAST_WINDOWS: f64 = 60.0;

/// Windows that tell the same edge, at least: it goes on through neighbouring rows and fields.
const TOGETHER: f64 = 6.0;

/// A path's windows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    /// Places of a window.
    pub(super) window: usize,
    /// Lags looked at, either way.
    pub(super) lags: usize,
    /// Least sum of squares of the chroma gradient over a window.
    pub(super) least_edge: f32,
    /// Places that colour samples stand behind the luma they are compared with.
    pub(super) sited: f64,
}

/// The displacement, in places of the path, its standard error, and the windows it rests on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) places: f64,
    pub(super) sigma: f64,
    pub(super) windows: u32,
}

/// Gathers lags.
#[derive(Clone, Debug)]
pub(super) struct Lags {
    bins: Box<[f32; SIZE]>,
}

impl Default for Lags {
    fn default() -> Self {
        Self {
            bins: Box::new([0.0; SIZE]),
        }
    }
}

impl Lags {
    /// Forgets everything.
    pub(super) fn reset(&mut self) {
        self.bins.fill(0.0);
    }

    /// Another field begins.
    pub(super) fn fade(&mut self) {
        for bin in &mut self.bins[..] {
            *bin *= MEMORY;
        }
    }

    /// Looks at all windows of a path.
    pub(super) fn look(&mut self, chroma: &[f32], luma: &[f32], shape: Shape) {
        let Shape { window, lags, .. } = shape;
        let mut first = lags;
        while first + window + lags <= chroma.len().min(luma.len()) {
            let chroma = &chroma[first..first + window];
            let luma = &luma[first - lags..first + window + lags];
            if let Some(lag) = lag_of(chroma, luma, shape) {
                let lag = f64::from(lag) + shape.sited;
                let bin = ((lag + MOST_LAG as f64) * BINS).round() as usize;
                self.bins[bin.min(SIZE - 1)] += 1.0;
            }
            first += window;
        }
    }

    /// The displacement; `None` before enough edges were seen.
    pub(super) fn found(&self) -> Option<Found> {
        let windows: f64 = self.bins.iter().map(|&bin| f64::from(bin)).sum();
        if windows < LEAST_WINDOWS {
            return None;
        }
        let at = |share: f64| self.quantile(share * windows);
        let spread = (at(0.84) - at(0.16)) / 2.0;
        // a median errs 1.25 times as much as a mean; within a bin nothing is told apart
        let sigma = 1.25 * spread.max(0.5 / BINS) / (windows / TOGETHER).sqrt();
        Some(Found {
            places: at(0.5),
            sigma,
            windows: windows as u32,
        })
    }

    /// The lag under which so many windows lie.
    fn quantile(&self, wanted: f64) -> f64 {
        let mut below = 0.0;
        for (bin, &count) in self.bins.iter().enumerate() {
            let count = f64::from(count);
            if below + count >= wanted && count > 0.0 {
                let within = (wanted - below) / count - 0.5;
                return (bin as f64 + within) / BINS - MOST_LAG as f64;
            }
            below += count;
        }
        MOST_LAG as f64
    }
}

/// The lag at which a window of chroma is most like luma, + where chroma comes later; `None` where it is like none.
fn lag_of(chroma: &[f32], luma: &[f32], shape: Shape) -> Option<f32> {
    let edge = dot(chroma, chroma);
    if edge < shape.least_edge {
        return None;
    }
    let mut likeness = [0.0_f32; 2 * MOST_LAG + 1];
    let likeness = &mut likeness[..=2 * shape.lags];
    for (nth, alike) in likeness.iter_mut().enumerate() {
        // lag `nth − lags`: chroma at a place beside luma so many places before it
        let from = 2 * shape.lags - nth;
        let beside = &luma[from..from + chroma.len()];
        let both = dot(chroma, beside);
        *alike = both * both / (edge * dot(beside, beside).max(1.0));
    }
    let (best, most) = likeness
        .iter()
        .enumerate()
        .max_by(|(_, a), (_, b)| a.total_cmp(b))?;
    if *most < LEAST_LIKENESS || best == 0 || best + 1 == likeness.len() {
        return None;
    }
    let (before, after) = (likeness[best - 1], likeness[best + 1]);
    let bend = 2.0 * most - before - after;
    let part = if bend > 0.0 {
        ((after - before) / (2.0 * bend)).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    Some(best as f32 - shape.lags as f32 + part)
}

/// Lanes that are summed apart, so that sums need not wait for each other.
const LANES: usize = 8;

#[multiversion(targets("x86_64+avx2+fma"))]
pub(super) fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0_f32; LANES];
    let (a, a_rest) = a.as_chunks::<LANES>();
    let (b, b_rest) = b.as_chunks::<LANES>();
    for (a, b) in a.iter().zip(b) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    let rest: f32 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f32>() + rest
}
