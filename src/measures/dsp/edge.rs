//! Where a band-limited edge stands, to a small part of a sample.
//!
//! In: a profile of samples with the level before the edge taken off, and where to start looking. Out: the place of the
//! edge's 50 % point, its height, and what is needed to give the place a standard error.
//!
//! Model: `y(n) = A·Φ(u/w) + s·(uΦ(u/w) + (v²/w)·φ(u/w))`, `u = n − t`: a step of height A seen through a Gaussian of
//! width w, with a picture behind it that rises by s a sample; v is the part of w that comes after the picture was
//! blanked. Least squares for (t, A) is one inner product each with rows that depend only on the phase of the samples
//! against the edge, so the rows are tabulated by phase. The row for t is the matched Gaussian, made blind to the height:
//! its zero is the 50 % crossing of the profile smoothed by the edge's own width. The slope s comes from a third row that
//! is orthogonal to both, so that it can be used in full, in part or not at all: t moves by −[`Taps::lean`]·s/A.
//!
//! Does not know: fields, lines, units, or which side of the picture it looks at.

use multiversion::multiversion;

use super::edge_shape::Shape;
use super::fit::invert;
use super::normal::{density, integral};

/// Samples of the longest window.
pub const WINDOW: usize = 24;

/// Lags of the noise's autocorrelation that are followed: luma of 3 MHz at 13.5 MHz is uncorrelated beyond.
pub const LAGS: usize = 6;

/// Steps a sample is divided into. The rows are linear about the nearest step, 1/64 sample away at most.
const PHASES: usize = 32;

/// Widths a kernel can have, in samples; three of them and five samples of picture fill the window.
pub const WIDTHS: std::ops::RangeInclusive<f64> = 0.45..=3.0;

/// Samples of plateau behind the edge beyond three widths.
const PLATEAU: usize = 5;

/// Shift, in samples, from tables that are the nearest or nearly so.
const NEAREST_STEP: f32 = 0.75 / PHASES as f32;

/// Longest move in one step, in widths: beyond, the linear model says nothing.
const LONGEST_STEP: f32 = 1.2;

/// Steps before giving up.
const STEPS: usize = 8;

/// How much a cut-off window may add to the variance of the place before it stops being evidence.
const WORST_CUT: f64 = 9.0;

/// Correlation of neighbouring luma samples in natural pictures (common practice, no source).
const DETAIL_CORRELATION: f64 = 0.95;

/// 10-90 % rise of a Gaussian-smoothed step, in widths.
pub const RISE_PER_WIDTH: f64 = 2.563_103;

type Row = [f32; WINDOW];
type LagMatrix = [[f64; LAGS]; LAGS];

/// Numbers of samples that can be missing before an edge, none included.
pub const CUTS: usize = WINDOW / 2;

/// The tabulated rows for one phase, and for one number of samples missing before the edge.
#[derive(Clone, Debug)]
pub struct Taps {
    height: Row,
    shift: Row,
    slope: Row,
    width: Row,
    step: Row,
    ridge: Row,
    ramp: Row,
    /// Move of the place per unit of slope over height, if the slope is left out.
    pub lean: f32,
    /// Move of the place, times the height, per unit by which the level before the edge was taken too high.
    pub level_lean: f32,
    /// Variance of A·t by lag of the noise's autocovariance.
    shift_by_lag: [f32; LAGS],
    /// Variance of the slope by lag.
    slope_by_lag: [f32; LAGS],
    /// Samples less fitted parameters.
    freedom: f32,
    usable: bool,
}

/// An edge found in a profile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Place of the 50 % point, in samples from the profile's first, the slope left out.
    pub place: f32,
    /// Height of the step.
    pub height: f32,
    /// Rise of the picture behind it, per sample.
    pub slope: f32,
    /// Sums of products of the residual with itself, by lag.
    pub residual: [f32; LAGS],
    /// Mean square of the residual per degree of freedom.
    pub power: f32,
    /// By what share of itself the kernel is too narrow here.
    pub widening: f32,
    taps: u16,
}

/// Where looking for an edge ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Found {
    /// At an edge.
    Edge(Edge),
    /// At no rise worth the name.
    Nothing,
    /// Beyond either end of the profile.
    Outside,
}

#[expect(
    clippy::large_enum_variant,
    reason = "a dozen of them, in place so that nothing is allocated"
)]
/// How residual products become an autocovariance.
#[derive(Clone, Copy, Debug)]
enum Unfolding {
    Unmade,
    /// The window is too short to tell the lags apart.
    Impossible,
    By(LagMatrix),
}

/// A matched kernel for edges of one width.
#[derive(Clone, Debug)]
pub struct Kernel {
    width: f64,
    smear: f64,
    before: usize,
    length: usize,
    detail_gain: f32,
    /// By cut, then phase; filled when first needed.
    taps: Vec<Option<Taps>>,
    /// By cut: what turns residual products by lag into the noise's autocovariance; filled when first needed.
    unfold: [Unfolding; CUTS],
    shape: Shape,
    /// What the model left over of the edge found last.
    rest: Row,
}

impl Kernel {
    /// A kernel for edges of `width`, of which `smear` came after blanking; both in samples.
    #[must_use]
    pub fn new(width: f64, smear: f64) -> Self {
        let mut kernel = Self {
            width: 0.0,
            smear: 0.0,
            before: 0,
            length: 0,
            detail_gain: 0.0,
            taps: vec![None; CUTS * PHASES],
            unfold: [Unfolding::Unmade; CUTS],
            shape: Shape::default(),
            rest: [0.0; WINDOW],
        };
        kernel.retune(width, smear);
        kernel
    }

    /// Forgets how edges differ from the model.
    pub fn forget_shape(&mut self) {
        self.shape = Shape::default();
        self.clear_tables();
    }

    /// Learns from the edge found last how edges differ from the model.
    pub fn learn(&mut self, edge: &Edge) {
        let phase = (usize::from(edge.taps) % PHASES) as f32 / PHASES as f32;
        self.shape
            .note(phase, Self::cut(edge), edge.height, &self.rest);
    }

    /// Ends a field of learning.
    pub fn blend_shape(&mut self) {
        self.shape.blend();
    }

    /// Makes what was learned part of the model.
    pub fn settle_shape(&mut self) {
        self.shape.settle();
        self.clear_tables();
    }

    /// The width it is made for.
    #[must_use]
    pub fn width(&self) -> f64 {
        self.width
    }

    /// Variance that picture detail gives the place of an edge of height 1, over the power it leaves in the residual.
    ///
    /// For detail whose neighbours are correlated as in natural pictures. Much of it passes for height and slope, so it
    /// moves the edge more than its residual tells.
    #[must_use]
    pub fn detail_gain(&self) -> f32 {
        self.detail_gain
    }

    /// Samples looked at before the edge.
    #[must_use]
    pub fn before(&self) -> usize {
        self.before
    }

    /// Makes it a kernel for another width; the tables are filled again when needed, in the same memory.
    pub fn retune(&mut self, width: f64, smear: f64) {
        let (old_width, old_before) = (self.width, self.before);
        self.width = width.clamp(*WIDTHS.start(), *WIDTHS.end());
        self.smear = smear.min(self.width);
        let reach = (3.0 * self.width).ceil() as usize;
        self.before = reach + 1;
        self.length = (self.before + reach + PLATEAU).min(WINDOW);
        if old_width > 0.0 {
            let earlier = self.before.cast_signed() - old_before.cast_signed();
            let width = self.width;
            self.shape.follow(earlier, self.before, |u| {
                integral(u / old_width) - integral(u / width)
            });
        }
        self.clear_tables();
    }

    fn clear_tables(&mut self) {
        self.taps.fill(None);
        self.unfold = [Unfolding::Unmade; CUTS];
        self.detail_gain = self.gain_of_detail();
    }

    /// Looks for an edge from `start` on, in a profile with the level before the edge taken off.
    ///
    /// `least` is the least height worth following.
    pub fn locate(&mut self, profile: &[f32], start: f32, least: f32) -> Found {
        search(self, profile, start, least)
    }

    /// The tables an edge was read with.
    ///
    /// # Panics
    /// When the edge was not found by this kernel, or before it was retuned.
    #[must_use]
    pub fn taps(&self, edge: &Edge) -> &Taps {
        self.taps[usize::from(edge.taps)]
            .as_ref()
            .expect("an edge is only found with filled tables")
    }

    /// Samples that the raster's end cuts off the window an edge was read with: below [`CUTS`].
    #[must_use]
    pub fn cut(edge: &Edge) -> usize {
        usize::from(edge.taps) / PHASES
    }

    /// The noise's autocovariance from residual products by lag, averaged over edges of the same cut.
    ///
    /// `None` where the window is too short to tell the lags apart.
    pub fn autocovariance(&mut self, cut: usize, residual: &[f64; LAGS]) -> Option<[f64; LAGS]> {
        if matches!(self.unfold[cut], Unfolding::Unmade) {
            self.unfold[cut] = self
                .unfolding(cut)
                .map_or(Unfolding::Impossible, Unfolding::By);
        }
        let Unfolding::By(unfold) = self.unfold[cut] else {
            return None;
        };
        Some(unfold.map(|row| row.iter().zip(residual).map(|(a, b)| a * b).sum()))
    }

    /// Fills the tables for an edge near `place`: their index, the first sample and the place they are made for.
    #[expect(
        clippy::inline_always,
        reason = "only what is inlined there is compiled for its instructions"
    )]
    #[inline(always)]
    fn tune(&mut self, samples: usize, place: f32) -> Option<(usize, isize, f32)> {
        if !(place > 0.0 && place < samples as f32) {
            return None;
        }
        // The place is positive, so cutting off rounds.
        let steps = (place * PHASES as f32 + 0.5) as usize;
        let (whole, phase) = (steps / PHASES, steps % PHASES);
        let first = whole.cast_signed() - self.before.cast_signed();
        let cut = usize::try_from(-first).unwrap_or(0);
        if first + self.length.cast_signed() > samples.cast_signed() {
            return None;
        }
        let index = cut * PHASES + phase;
        if self.taps.get(index)?.is_none() {
            self.taps[index] = Some(self.tabulate(phase as f64 / PHASES as f64, cut));
        }
        let usable = self.taps[index].as_ref().is_some_and(|taps| taps.usable);
        usable.then_some((index, first, steps as f32 / PHASES as f32))
    }

    fn columns(&self, phase: f64, cut: usize) -> Columns {
        let (w, v) = (self.width, self.smear);
        let mut columns = Columns::default();
        let deviation = self.shape.deviation(phase);
        let present = deviation.iter().enumerate().take(self.length).skip(cut);
        for (i, deviation) in present {
            let u = i as f64 - self.before as f64 - phase;
            let (area, bell) = (integral(u / w), density(u / w));
            columns.step[i] = area + deviation;
            columns.ridge[i] = -bell / w;
            columns.ramp[i] = u * area + v * v / w * bell;
            columns.width[i] = -u / w * bell;
        }
        columns
    }

    fn tabulate(&self, phase: f64, cut: usize) -> Taps {
        let columns = self.columns(phase, cut);
        let solved = columns.solve();
        let whole = self.columns(phase, 0).solve();
        let usable = match (&solved, &whole) {
            (Some(solved), Some(whole)) => power(&solved.shift) < WORST_CUT * power(&whole.shift),
            _ => false,
        };
        let solved = solved.unwrap_or_default();
        Taps {
            height: narrow(&solved.height),
            shift: narrow(&solved.shift),
            slope: narrow(&solved.slope),
            width: narrow(&solved.width),
            step: narrow(&columns.step),
            ridge: narrow(&columns.ridge),
            ramp: narrow(&solved.ramp_left),
            lean: inner(&solved.shift, &columns.ramp) as f32,
            level_lean: solved.shift.iter().sum::<f64>() as f32,
            shift_by_lag: by_lag(&solved.shift),
            slope_by_lag: by_lag(&solved.slope),
            freedom: (self.length - 3 - cut) as f32,
            usable,
        }
    }

    fn gain_of_detail(&self) -> f32 {
        let n = self.length;
        let columns = self.columns(0.5, 0);
        let solved = columns.solve().unwrap_or_default();
        let lean = inner(&solved.shift, &columns.ramp);
        let sloped = combine(1.0, &solved.shift, -lean, &solved.slope);
        let projection = columns.projection(0..n);
        let detail = |i: usize, j: usize| {
            columns.step[i] * columns.step[j] * DETAIL_CORRELATION.powf(i.abs_diff(j) as f64)
        };
        let (mut moved, mut left) = (0.0, 0.0);
        for i in 0..n {
            for j in 0..n {
                moved += sloped[i] * detail(i, j) * sloped[j];
                // The trace of P·C·P is that of P·C, as P is a projection.
                left += projection[i][j] * detail(j, i);
            }
        }
        (moved / (left / (n - 3) as f64)) as f32
    }

    /// Inverse of what each lag of the noise's autocovariance leaves in the residual products.
    fn unfolding(&self, cut: usize) -> Option<LagMatrix> {
        let n = self.length;
        let projection = self.columns(0.5, cut).projection(cut..n);
        let mut leaves = [[0.0; LAGS]; LAGS];
        for (lag, column) in (0..LAGS).map(|lag| (lag, projected_lag(&projection, lag, n))) {
            for (k, row) in leaves.iter_mut().enumerate() {
                row[lag] = (0..n - k).map(|i| column[i][i + k]).sum();
            }
        }
        invert_general(&leaves)
    }
}

/// [`Kernel::locate`] with the widest vector instructions there are: this is where a field's time goes.
#[multiversion(targets("x86_64+avx2"))]
fn search(kernel: &mut Kernel, profile: &[f32], start: f32, least: f32) -> Found {
    let longest = LONGEST_STEP * kernel.width as f32;
    let mut place = start;
    for step in 0..STEPS {
        let Some((index, first, at)) = kernel.tune(profile.len(), place) else {
            return Found::Outside;
        };
        let Some(taps) = &kernel.taps[index] else {
            return Found::Outside;
        };
        let mut cut_off = [0.0; WINDOW];
        let window = window_of(profile, first, kernel.length, &mut cut_off);
        let height = dot(&taps.height, window);
        if height < least {
            return Found::Nothing;
        }
        let wanted = dot(&taps.shift, window) / height;
        let shift = wanted.clamp(-longest, longest);
        place = at + shift;
        let settled = shift.abs() <= NEAREST_STEP;
        if settled || step + 1 == STEPS {
            if shift.abs() > 2.0 * NEAREST_STEP {
                return Found::Nothing;
            }
            let (mut edge, rest) = finish(taps, window, height, shift, kernel.length);
            kernel.rest = rest;
            edge.place = place;
            edge.power = edge.residual[0] / taps.freedom;
            edge.taps = index as u16;
            return Found::Edge(edge);
        }
    }
    Found::Nothing
}

impl Taps {
    /// Variance of height times place for noise of this autocovariance.
    #[must_use]
    pub fn shift_variance(&self, noise: &[f32; LAGS]) -> f32 {
        variance(&self.shift_by_lag, noise)
    }

    /// Variance of the slope.
    #[must_use]
    pub fn slope_variance(&self, noise: &[f32; LAGS]) -> f32 {
        variance(&self.slope_by_lag, noise)
    }
}

/// Share of its white-noise value below which a variance is not believed: lags estimated from data can cancel too well.
const LEAST_COLOURED_SHARE: f32 = 0.25;

fn variance(by_lag: &[f32; LAGS], noise: &[f32; LAGS]) -> f32 {
    let sum: f32 = by_lag.iter().zip(noise).map(|(a, b)| a * b).sum();
    sum.max(LEAST_COLOURED_SHARE * by_lag[0] * noise[0])
}

#[derive(Clone, Default)]
struct Columns {
    step: [f64; WINDOW],
    ridge: [f64; WINDOW],
    ramp: [f64; WINDOW],
    width: [f64; WINDOW],
}

#[derive(Clone, Default)]
struct Solved {
    height: [f64; WINDOW],
    shift: [f64; WINDOW],
    slope: [f64; WINDOW],
    width: [f64; WINDOW],
    ramp_left: [f64; WINDOW],
}

impl Columns {
    fn solve(&self) -> Option<Solved> {
        let mut normal = [
            [
                inner(&self.step, &self.step),
                inner(&self.step, &self.ridge),
            ],
            [
                inner(&self.ridge, &self.step),
                inner(&self.ridge, &self.ridge),
            ],
        ];
        if !invert(&mut normal) {
            return None;
        }
        let row = |k: usize| combine(normal[k][0], &self.step, normal[k][1], &self.ridge);
        let (height, shift) = (row(0), row(1));
        let left = |column: &[f64; WINDOW]| {
            let fitted = combine(
                inner(&height, column),
                &self.step,
                inner(&shift, column),
                &self.ridge,
            );
            combine(1.0, column, -1.0, &fitted)
        };
        let ramp_left = left(&self.ramp);
        let slope = scale(&ramp_left, power(&ramp_left));
        let width_left = left(&self.width);
        let width_left = combine(1.0, &width_left, -inner(&slope, &width_left), &ramp_left);
        let width = scale(&width_left, power(&width_left));
        Some(Solved {
            height,
            shift,
            slope,
            width,
            ramp_left,
        })
    }

    /// I − H for the three fitted columns.
    fn projection(&self, present: std::ops::Range<usize>) -> [[f64; WINDOW]; WINDOW] {
        let solved = self.solve().unwrap_or_default();
        let mut projection = [[0.0; WINDOW]; WINDOW];
        for i in present.clone() {
            for j in present.clone() {
                let fitted = self.step[i] * solved.height[j]
                    + self.ridge[i] * solved.shift[j]
                    + solved.ramp_left[i] * solved.slope[j];
                projection[i][j] = f64::from(u8::from(i == j)) - fitted;
            }
        }
        projection
    }
}

/// P·R·P for noise that is correlated at this lag alone.
fn projected_lag(
    projection: &[[f64; WINDOW]; WINDOW],
    lag: usize,
    n: usize,
) -> [[f64; WINDOW]; WINDOW] {
    let mut shifted = [[0.0; WINDOW]; WINDOW];
    for i in 0..n {
        for j in 0..n {
            let after = if j + lag < n {
                projection[i][j + lag]
            } else {
                0.0
            };
            let before = if lag > 0 && j >= lag {
                projection[i][j - lag]
            } else {
                0.0
            };
            shifted[i][j] = after + before;
        }
    }
    let mut product = [[0.0; WINDOW]; WINDOW];
    for i in 0..n {
        for j in 0..n {
            product[i][j] = (0..n).map(|k| shifted[i][k] * projection[k][j]).sum();
        }
    }
    product
}

/// Inverse of a general matrix, by way of the normal equations.
fn invert_general(matrix: &LagMatrix) -> Option<LagMatrix> {
    let mut normal = [[0.0; LAGS]; LAGS];
    for (i, row) in normal.iter_mut().enumerate() {
        for (j, cell) in row.iter_mut().enumerate() {
            *cell = matrix.iter().map(|m| m[i] * m[j]).sum();
        }
    }
    if !invert(&mut normal) {
        return None;
    }
    let mut inverse = [[0.0; LAGS]; LAGS];
    for (i, row) in inverse.iter_mut().enumerate() {
        for (j, cell) in row.iter_mut().enumerate() {
            *cell = (0..LAGS).map(|k| normal[i][k] * matrix[j][k]).sum();
        }
    }
    Some(inverse)
}

fn inner(a: &[f64; WINDOW], b: &[f64; WINDOW]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn power(a: &[f64; WINDOW]) -> f64 {
    inner(a, a)
}

fn combine(p: f64, a: &[f64; WINDOW], q: f64, b: &[f64; WINDOW]) -> [f64; WINDOW] {
    std::array::from_fn(|i| p * a[i] + q * b[i])
}

/// `a` divided by `by`, or nothing where there is nothing.
fn scale(a: &[f64; WINDOW], by: f64) -> [f64; WINDOW] {
    if by > 1e-12 {
        a.map(|x| x / by)
    } else {
        [0.0; WINDOW]
    }
}

fn narrow(a: &[f64; WINDOW]) -> Row {
    a.map(|x| x as f32)
}

fn by_lag(row: &[f64; WINDOW]) -> [f32; LAGS] {
    std::array::from_fn(|lag| {
        let products: f64 = (0..WINDOW - lag).map(|i| row[i] * row[i + lag]).sum();
        (if lag == 0 { products } else { 2.0 * products }) as f32
    })
}

#[expect(
    clippy::inline_always,
    reason = "only what is inlined there is compiled for its instructions"
)]
#[inline(always)]
fn window_of<'a>(profile: &'a [f32], first: isize, length: usize, cut_off: &'a mut Row) -> &'a Row {
    let from = usize::try_from(first).unwrap_or(0);
    let missing = usize::try_from(-first).unwrap_or(0).min(length);
    if let Some(whole) = profile[from..].first_chunk().filter(|_| missing == 0) {
        return whole;
    }
    cut_off[missing..length].copy_from_slice(&profile[from..from + length - missing]);
    cut_off
}

/// Inner product in eight lanes, which the compiler turns into vector instructions.
#[expect(
    clippy::inline_always,
    reason = "only what is inlined there is compiled for its instructions"
)]
#[inline(always)]
fn dot(a: &Row, b: &Row) -> f32 {
    let mut lanes = [0.0_f32; 8];
    for (a, b) in a.chunks_exact(8).zip(b.chunks_exact(8)) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *lane += a * b;
        }
    }
    let (low, high) = lanes.split_at(4);
    let mut half = [0.0_f32; 4];
    for ((sum, a), b) in half.iter_mut().zip(low).zip(high) {
        *sum = a + b;
    }
    (half[0] + half[2]) + (half[1] + half[3])
}

#[expect(
    clippy::inline_always,
    reason = "only what is inlined there is compiled for its instructions"
)]
#[inline(always)]
fn finish(taps: &Taps, window: &Row, height: f32, shift: f32, length: usize) -> (Edge, Row) {
    let slope = dot(&taps.slope, window);
    let widening = dot(&taps.width, window) / height;
    let moved = height * shift;
    let mut rest: Row = [0.0; WINDOW];
    for i in 0..WINDOW {
        rest[i] = window[i] - height * taps.step[i] - moved * taps.ridge[i] - slope * taps.ramp[i];
    }
    rest[length..].fill(0.0);
    let edge = Edge {
        place: 0.0,
        height,
        slope,
        residual: residual_products(&rest),
        power: 0.0,
        widening,
        taps: 0,
    };
    (edge, rest)
}

#[expect(
    clippy::inline_always,
    reason = "only what is inlined there is compiled for its instructions"
)]
#[inline(always)]
fn residual_products(rest: &Row) -> [f32; LAGS] {
    // A loop and not `from_fn`, whose closure would be compiled for the plainest processor.
    let mut padded = [0.0; WINDOW + 8];
    padded[..WINDOW].copy_from_slice(rest);
    let mut products = [0.0; LAGS];
    for (lag, product) in products.iter_mut().enumerate() {
        let mut later = [0.0; WINDOW];
        later.copy_from_slice(&padded[lag..lag + WINDOW]);
        *product = dot(rest, &later);
    }
    products
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An edge of another shape than the kernel's: half a cosine wave from level to level, evaluated exactly.
    fn raised_cosine(place: f64, rise_10_90: f64, samples: usize) -> Vec<f32> {
        let total = rise_10_90 / 0.5903;
        (0..samples)
            .map(|n| {
                let u = ((n as f64 - place) / total + 0.5).clamp(0.0, 1.0);
                (0.5 - 0.5 * (std::f64::consts::PI * u).cos()) as f32
            })
            .collect()
    }

    fn place_of(profile: &[f32], start: f32, width: f64) -> f32 {
        match Kernel::new(width, 0.0).locate(profile, start, 0.05) {
            Found::Edge(edge) => edge.place,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn edges_of_another_shape_are_found_alike_at_every_phase() {
        for rise in [1.9, 2.7, 4.0, 5.7] {
            let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
            for step in 0..40 {
                let place = 14.0 + f64::from(step) / 40.0;
                let found = place_of(&raised_cosine(place, rise, 48), 15.0, rise / RISE_PER_WIDTH);
                least = least.min(f64::from(found) - place);
                most = most.max(f64::from(found) - place);
            }
            // The offset is the same for every line; what changes with the phase would look like jitter.
            assert!(most - least < 0.007, "{rise}: {least} to {most}");
            assert!(
                least.abs().max(most.abs()) < 0.013,
                "{rise}: {least} to {most}"
            );
        }
    }

    #[test]
    fn the_edge_of_smpte_244m_table_4_is_found_where_it_is() {
        // SMPTE 244M Table 4: a 140 ns sync edge at 4 fsc, 10 bit; its 50 % point lies 0.366 sample after 0A4h.
        let codes = [0x0F0, 0x0E9, 0x0A4, 0x044, 0x011, 0x010];
        let mut falling = vec![0x0F0; 12];
        falling.extend(codes);
        falling.extend([0x010; 12]);
        let before = falling
            .iter()
            .position(|&code| code == 0x0A4)
            .expect("it is in the table");
        let profile: Vec<f32> = falling.iter().map(|&code| 240.0 - code as f32).collect();
        let width = 140e-9 * 14.318_18e6 / RISE_PER_WIDTH;
        let found = place_of(&profile, before as f32, width) - before as f32;
        assert!((found - 0.366).abs() < 0.005, "{found}");
    }

    #[test]
    fn a_ramp_behind_the_edge_is_read_and_its_lean_foretold() {
        let (width, place, slope) = (1.2, 12.3, 0.01);
        let profile: Vec<f32> = (0..40)
            .map(|n| {
                let u = f64::from(n) - place;
                ((1.0 + slope * u) * integral(u / width) + slope * width * density(u / width))
                    as f32
            })
            .collect();
        let mut kernel = Kernel::new(width, width);
        let Found::Edge(edge) = kernel.locate(&profile, 12.0, 0.1) else {
            panic!("no edge");
        };
        let ratio = edge.slope / edge.height;
        let corrected = edge.place - kernel.taps(&edge).lean * slope as f32;
        assert!(
            (edge.place - place as f32).abs() > 0.03,
            "the ramp moves the plain reading"
        );
        assert!((corrected - place as f32).abs() < 0.003, "{corrected}");
        assert!((f64::from(ratio) - slope).abs() < 0.001, "{ratio}");
    }

    #[test]
    fn an_edge_cut_off_by_the_raster_is_no_evidence() {
        let profile = raised_cosine(0.2, 4.0, 40);
        let mut kernel = Kernel::new(1.6, 0.0);
        assert_eq!(kernel.locate(&profile, -0.5, 0.05), Found::Outside);
    }

    #[test]
    fn a_flat_profile_has_no_edge() {
        let mut kernel = Kernel::new(1.0, 0.0);
        assert_eq!(kernel.locate(&[0.0; 40], 12.0, 0.05), Found::Nothing);
        assert_eq!(kernel.locate(&[0.0; 3], 1.0, 0.05), Found::Outside);
        assert_eq!(kernel.locate(&[], 1.0, 0.05), Found::Outside);
    }

    #[test]
    fn a_kernel_too_narrow_says_so() {
        let profile = raised_cosine(14.4, 3.0, 40);
        let mut kernel = Kernel::new(3.0 / RISE_PER_WIDTH / 1.15, 0.0);
        let Found::Edge(edge) = kernel.locate(&profile, 14.0, 0.05) else {
            panic!("no edge");
        };
        assert!(edge.widening > 0.05, "{}", edge.widening);
    }

    /// Half-cosine edges at many phases, the shape learned from each.
    fn learned(kernel: &mut Kernel, rise: f64) -> Vec<Edge> {
        let edges = (0..200).map(|step| {
            let profile = raised_cosine(14.0 + f64::from(step) / 37.0, rise, 48);
            let Found::Edge(edge) = kernel.locate(&profile, 15.0, 0.05) else {
                panic!("no edge");
            };
            kernel.learn(&edge);
            edge
        });
        let edges = edges.collect();
        kernel.blend_shape();
        edges
    }

    #[test]
    fn what_edges_have_in_common_beyond_the_model_is_learned() {
        let rise = 4.0;
        let mut kernel = Kernel::new(rise / RISE_PER_WIDTH, 0.0);
        let before = learned(&mut kernel, rise);
        kernel.settle_shape();
        let after = learned(&mut kernel, rise);
        for (before, after) in before.iter().zip(&after) {
            assert!(
                (before.place - after.place).abs() < 0.005,
                "{before:?} {after:?}"
            );
        }
        let power = |edges: &[Edge]| edges.iter().map(|edge| f64::from(edge.power)).sum::<f64>();
        assert!(
            power(&after) < 0.1 * power(&before),
            "{} {}",
            power(&after),
            power(&before)
        );
    }

    #[test]
    fn a_learned_shape_survives_a_change_of_the_width() {
        let rise = 4.0;
        let mut kernel = Kernel::new(rise / RISE_PER_WIDTH, 0.0);
        let plain = learned(&mut kernel, rise)[0].power;
        kernel.settle_shape();
        kernel.retune(1.1 * rise / RISE_PER_WIDTH, 0.0);
        let after = learned(&mut kernel, rise);
        assert!(
            after.iter().all(|edge| edge.power < 0.3 * plain),
            "{plain} {after:?}"
        );
    }

    #[test]
    fn correlated_noise_is_unfolded_from_residuals() {
        // Moving average of two: autocovariance 1, 1/2, 0 …
        let mut kernel = Kernel::new(1.2, 0.6);
        let projection = kernel.columns(0.5, 0).projection(0..kernel.length);
        let truth = [1.0, 0.5, 0.0, 0.0, 0.0, 0.0];
        let mut residual = [0.0; LAGS];
        for (lag, r) in truth.iter().enumerate() {
            let left = projected_lag(&projection, lag, kernel.length);
            for (k, sum) in residual.iter_mut().enumerate() {
                *sum += r * (0..kernel.length - k).map(|i| left[i][i + k]).sum::<f64>();
            }
        }
        let found = kernel
            .autocovariance(0, &residual)
            .expect("a whole window tells six lags apart");
        for (found, expected) in found.iter().zip(truth) {
            assert!((found - expected).abs() < 1e-6, "{found} {expected}");
        }
    }
}
