//! How real edges differ from the modelled one.
//!
//! In: what the model leaves over of each edge, by the phase of the samples against it. Out: the mean of that over many
//! edges, as a share of the edge's height, to be added to the model. Blanking is gated by other curves than an integrated
//! Gaussian and tape rings behind it: the same for every line, so it is neither noise nor picture, and a variance that took
//! it for either would be too large.
//!
//! Does not know: the model, or which edges are clean enough to learn from.

use super::edge::WINDOW;

/// Phases that are kept apart: the deviation changes over a sample or more.
const BINS: usize = 8;

/// Fewest edges, of the usual height, that say anything of a cell.
const LEAST_EDGES: f32 = 16.0;

/// Edges over which the mean runs: some ten seconds of fields whose phases are spread evenly.
const MEMORY_EDGES: f32 = 16_384.0;

type Cells = [[f32; WINDOW]; BINS];

const EMPTY: Cells = [[0.0; WINDOW]; BINS];

/// The mean deviation of edges from their model, by phase and sample of the window.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    /// Over the fields: deviation by height, and edges behind it.
    mean: Cells,
    edges: Cells,
    /// Of the field being read: height times residual, height squared, and edges.
    sum: Cells,
    squares: Cells,
    count: Cells,
    /// What the tables were made with.
    used: Cells,
}

impl Default for Shape {
    fn default() -> Self {
        Self {
            mean: EMPTY,
            edges: EMPTY,
            sum: EMPTY,
            squares: EMPTY,
            count: EMPTY,
            used: EMPTY,
        }
    }
}

impl Shape {
    /// Takes what the model left over of an edge whose first `cut` samples were missing.
    pub(super) fn note(&mut self, phase: f32, cut: usize, height: f32, rest: &[f32; WINDOW]) {
        let bin = ((phase * BINS as f32) as usize).min(BINS - 1);
        let square = height * height;
        let cells = self.sum[bin]
            .iter_mut()
            .zip(&mut self.squares[bin])
            .zip(&mut self.count[bin])
            .zip(rest)
            .skip(cut);
        for (((sum, squares), count), rest) in cells {
            *sum += height * rest;
            *squares += square;
            *count += 1.0;
        }
    }

    /// Makes what was noted since part of the mean.
    pub(super) fn blend(&mut self) {
        for bin in 0..BINS {
            for i in 0..WINDOW {
                let count = self.count[bin][i];
                if count > 0.0 {
                    let seen = self.used[bin][i] + self.sum[bin][i] / self.squares[bin][i];
                    let edges = self.edges[bin][i] + count;
                    self.mean[bin][i] += count / edges * (seen - self.mean[bin][i]);
                    self.edges[bin][i] = edges.min(MEMORY_EDGES);
                }
            }
        }
        self.sum = EMPTY;
        self.squares = EMPTY;
        self.count = EMPTY;
    }

    /// Puts the mean to use: [`Shape::deviation`] follows it from now on.
    pub(super) fn settle(&mut self) {
        for bin in 0..BINS {
            for i in 0..WINDOW {
                self.used[bin][i] = self.filled(bin, i);
            }
        }
    }

    /// The deviation at each sample of a window for a phase of 0 to 1, as a share of the height.
    pub(super) fn deviation(&self, phase: f64) -> [f64; WINDOW] {
        let place = phase * BINS as f64 - 0.5;
        let share = place - place.floor();
        let bin = place.floor() as isize;
        std::array::from_fn(|i| {
            let at = |bin| f64::from(self.used_at(bin, i));
            (1.0 - share) * at(bin) + share * at(bin + 1)
        })
    }

    /// Follows a change of the model: its window begins `earlier` samples sooner, and `change` of the distance from the edge
    /// in samples is what the new model lacks of the old one. `before` samples precede the edge in the new window.
    pub(super) fn follow(&mut self, earlier: isize, before: usize, change: impl Fn(f64) -> f64) {
        for cells in [&mut self.mean, &mut self.edges, &mut self.used] {
            for row in cells {
                *row = moved(row, earlier);
            }
        }
        self.sum = EMPTY;
        self.squares = EMPTY;
        self.count = EMPTY;
        for bin in 0..BINS {
            let phase = (bin as f64 + 0.5) / BINS as f64;
            for i in 0..WINDOW {
                let by = change(i as f64 - before as f64 - phase) as f32;
                self.mean[bin][i] += by;
                if self.used[bin][i] != 0.0 {
                    self.used[bin][i] += by;
                }
            }
        }
    }

    /// The cell at a phase that may lie in the sample before or after.
    fn used_at(&self, bin: isize, i: usize) -> f32 {
        neighbour(bin, i).map_or(0.0, |(bin, i)| self.used[bin][i])
    }

    /// The mean in a cell, or between the nearest ones that were seen, up to a sample away.
    fn filled(&self, bin: usize, i: usize) -> f32 {
        let seen = |step: isize| {
            let (bin, i) = neighbour(bin.cast_signed() + step, i)?;
            (self.edges[bin][i] >= LEAST_EDGES).then(|| self.mean[bin][i])
        };
        if let Some(own) = seen(0) {
            return own;
        }
        let reach = 1..=BINS.cast_signed();
        let find = |sign: isize| {
            reach
                .clone()
                .find_map(|step| Some((step as f32, seen(sign * step)?)))
        };
        match (find(-1), find(1)) {
            (Some((a, below)), Some((b, above))) => (b * below + a * above) / (a + b),
            _ => 0.0,
        }
    }
}

/// A later phase looks at the edge from nearer: one bin beyond the last is the first bin of the sample before.
fn neighbour(bin: isize, i: usize) -> Option<(usize, usize)> {
    let bins = BINS.cast_signed();
    let i = i.checked_add_signed(-bin.div_euclid(bins))?;
    (i < WINDOW).then(|| (bin.rem_euclid(bins).cast_unsigned(), i))
}

fn moved(row: &[f32; WINDOW], earlier: isize) -> [f32; WINDOW] {
    std::array::from_fn(|i| {
        i.checked_add_signed(-earlier)
            .and_then(|from| row.get(from))
            .copied()
            .unwrap_or(0.0)
    })
}
