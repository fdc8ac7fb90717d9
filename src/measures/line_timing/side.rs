//! One side of the picture: its blanking edge, line by line.
//!
//! In: the luma rows of a field. Out: for each line where the edge stands against the side's reference place, with the
//! variance of that; and what the border judge wants to know. Samples are counted from the outside inwards, so that both
//! sides are read by the same code; the sign is turned at the end.
//!
//! The width of the edge is learned from the picture, the blanking level is that of the whole field, and the noise and its
//! correlation come from what the fits leave over. The picture behind the edge may rise or fall: how much it usually does
//! (mean and spread over the field) decides how far each line's own slope is believed.
//!
//! Does not know: the other side, times, or what is made of the places.

use std::cmp::Ordering;

use multiversion::multiversion;

use crate::fields::Plane;
use crate::measures::dsp::edge::{CUTS, Edge, Found, Kernel, LAGS};
use crate::measures::dsp::robust;

use super::{HIGHEST_BLANKING, MAX_ROWS};

/// Samples looked at from the outside: 20 of blanking, 30 of displacement, and a window.
pub(super) const REACH: usize = 72;

/// Least height of an edge, in codes, that is worth reading: below, the level's own uncertainty rules.
const LEAST_HEIGHT: f32 = 6.0;

/// The same in standard deviations of the noise.
const LEAST_HEIGHT_SIGMAS: f32 = 5.0;

/// Uncertainty of the blanking level on one line, in codes: what clamping and hum leave.
const LEVEL_DOUBT: f32 = 0.15;

/// Undershoot before an edge, as a share of its height: what a sharp low-pass leaves (Gibbs 1899).
const RINGING: f32 = 0.09;

/// Sample from the outside that is picture, where there is any.
const BESIDE: usize = 32;

/// Residual, as a share of the height, beyond which what was found is no edge.
const WORST_RESIDUAL: f32 = 0.2;

/// Residual power over the field's median beyond which a line's variance grows with it: 2 % of noise-only lines.
const USUAL_RESIDUAL: f32 = 1.9;

/// Share of a field's noise in the running figure.
const NOISE_GAIN: f32 = 0.25;

/// Fields in which the width is learned fast.
const FAST_FIELDS: u32 = 10;

/// Fields after which the width has settled enough to learn the edge's shape beyond it.
const SHAPE_AFTER: u32 = 3;

/// Fields from one update of the shape to the next, at most: a few seconds.
const SHAPE_INTERVAL: u32 = 128;

/// Change of the width that makes new tables worth while.
const RETUNE_STEP: f64 = 0.005;

/// Lines needed to learn anything of a field.
const LEAST_LINES: usize = 12;

/// Fields that count as shown at most: ten seconds.
const MOST_SHOWN: f32 = 500.0;

/// Samples within which an edge must be found a second time: what stands in a picture goes with it.
const SAME_PLACE: f32 = 1.5;

/// Share of the rows that show an edge from which on once is enough.
const MANIFEST: f64 = 0.5;

/// Lines across which a displacement foretells the next one.
const MEMORY_LINES: usize = 8;

/// Lines of which one is the calmest: few enough to leave every part of a field its say.
const CALMEST_OF: usize = 8;

/// Which side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Hand {
    Left,
    Right,
}

/// What a line shows at this side.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) enum Line {
    /// Picture and blanking are alike.
    #[default]
    Dark,
    /// The picture reaches the raster's end.
    CutOff,
    /// Something that rises, but not like the edge.
    Unlike,
    /// The edge.
    Edge(Edge),
}

/// A displacement in samples with its variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// To the right.
    pub value: f32,
    /// Of the value, in samples².
    pub variance: f32,
}

impl Shift {
    /// The same with more doubt.
    pub(super) fn doubted(self, variance: f32) -> Self {
        Self {
            variance: self.variance + variance,
            ..self
        }
    }
}

impl Shift {
    /// The same with a variance that was found to be too small, or too large, by so much.
    pub(super) fn corrected(self, by: f32) -> Self {
        const LEAST_SHARE: f32 = 0.25;
        Self {
            variance: (self.variance + by).max(LEAST_SHARE * self.variance),
            ..self
        }
    }
}

/// The luma noise next to the edges.
#[derive(Clone, Copy, Debug)]
struct Noise {
    /// By lag, in codes².
    autocovariance: [f32; LAGS],
}

/// Variance that rounding to whole codes adds, in codes².
pub(super) const ROUNDING: f32 = 1.0 / 12.0;

impl Noise {
    fn sigma(&self) -> f32 {
        self.autocovariance[0].sqrt()
    }
}

/// One side of the picture, over the fields of a pass.
#[derive(Debug)]
pub(super) struct Side {
    hand: Hand,
    /// Place of the undisplaced edge from the outside, in samples; `None` until one was seen.
    pub reference: Option<f32>,
    kernel: Kernel,
    smear: f64,
    width: f64,
    fields: u32,
    /// When the tables follow what was learned of the edge's shape.
    shape_due: u32,
    /// Power up to which a residual is not picture.
    clean_power: f32,
    /// By parity: the two heads differ.
    noise: [Option<Noise>; 2],
    /// The last known of either, for telling an edge from noise.
    noise_sigma: f32,
    /// The blanking level over the last fields.
    level: Option<f32>,
    /// Fields that showed the edge on many lines since it was found.
    shown: f32,
    /// Where an edge was last found that must be found there once more.
    candidate: Option<f32>,
    lines: Vec<Line>,
    shifts: Vec<Option<Shift>>,
    slopes: Vec<Option<Shift>>,
    scratch: Vec<f32>,
}

/// Blanking level and what varies in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plateau {
    pub level: f32,
    pub variance: f32,
    pub samples: usize,
}

impl Plateau {
    /// The one of more samples; of as many, their mean.
    pub(super) fn better(self, other: Self) -> Self {
        match self.samples.cmp(&other.samples) {
            Ordering::Greater => self,
            Ordering::Less => other,
            Ordering::Equal => Self {
                level: 0.5 * (self.level + other.level),
                variance: 0.5 * (self.variance + other.variance),
                samples: self.samples,
            },
        }
    }
}

impl Side {
    pub(super) fn new(hand: Hand, width: f64, smear: f64) -> Self {
        Self {
            hand,
            reference: None,
            kernel: Kernel::new(width, smear),
            smear,
            width,
            fields: 0,
            shape_due: SHAPE_AFTER + 1,
            clean_power: 0.0,
            noise: [None; 2],
            noise_sigma: 1.0,
            level: None,
            shown: 0.0,
            candidate: None,
            lines: Vec::with_capacity(MAX_ROWS),
            shifts: Vec::with_capacity(MAX_ROWS),
            slopes: Vec::with_capacity(MAX_ROWS),
            scratch: Vec::with_capacity(MAX_ROWS * 4),
        }
    }

    /// Forgets what was learned, for a source with edges of another width.
    pub(super) fn reset(&mut self, width: f64, smear: f64) {
        self.width = width;
        self.smear = smear;
        self.kernel.retune(width, smear);
        self.kernel.forget_shape();
        self.fields = 0;
        self.shape_due = SHAPE_AFTER + 1;
        self.clean_power = 0.0;
        self.noise = [None; 2];
        self.noise_sigma = 1.0;
        self.lines.clear();
        self.shifts.clear();
        self.forget_place();
    }

    /// Forgets where the edge stands.
    pub(super) fn forget_place(&mut self) {
        self.reference = None;
        self.candidate = None;
        self.level = None;
        self.shown = 0.0;
    }

    /// Fields that showed the edge since it was found, up to some.
    pub(super) fn shown(&self) -> f32 {
        self.shown
    }

    /// Lines on which the picture reaches the raster's end.
    pub(super) fn cut_off(&self) -> usize {
        let cut_off = |line: &&Line| matches!(line, Line::CutOff);
        self.lines.iter().filter(cut_off).count()
    }

    /// The level of the samples that are blanking in nearly every line; `None` where the raster shows too few, or what stands there
    /// is too light.
    pub(super) fn plateau(&mut self, luma: &Plane) -> Option<Plateau> {
        const MOST_COLUMNS: usize = 4;
        let reference = self.reference?;
        let clear = (reference - 3.0 * self.kernel.width() as f32).floor();
        if clear < 0.0 {
            return None;
        }
        let last = clear as usize;
        let columns = last.saturating_sub(MOST_COLUMNS - 1)..=last;
        let mut counts = [0_u32; 256];
        for row in luma.samples.chunks_exact(luma.width) {
            for column in columns.clone() {
                counts[usize::from(row[self.hand.index(column, row.len())])] += 1;
            }
        }
        let plateau = trimmed_plateau(&counts).filter(|found| found.level <= HIGHEST_BLANKING)?;
        let level = self
            .level
            .map_or(plateau.level, |old| settle(old, plateau.level));
        self.level = Some(level);
        Some(Plateau { level, ..plateau })
    }

    /// Finds the edge in every line.
    pub(super) fn read(&mut self, row: &[u8], blanking: f32, guess: f32) -> Line {
        let Some(reference) = self.reference else {
            return Line::Dark;
        };
        let mut profile = [0.0; REACH];
        self.hand.profile(row, blanking, &mut profile);
        let noise = self.noise_sigma;
        let least = LEAST_HEIGHT.max(LEAST_HEIGHT_SIGMAS * noise);
        let start = reference + self.hand.turned(guess);
        let mut line = self.try_from(&profile, start, least, noise);
        if !matches!(line, Line::Edge(_)) {
            line = match scan(&profile, least) {
                Scan::Rise(place) => match self.try_from(&profile, place, least, noise) {
                    // Out of reach at the inner end: not an edge that was pushed out of the raster.
                    Line::CutOff if place > self.kernel.before() as f32 => Line::Unlike,
                    line => line,
                },
                Scan::CutOff => Line::CutOff,
                Scan::Dark => Line::Dark,
            };
        }
        if let Line::Edge(edge) = &line
            && edge.power <= self.clean_power
        {
            self.kernel.learn(edge);
        }
        line
    }

    fn try_from(&mut self, profile: &[f32; REACH], start: f32, least: f32, noise: f32) -> Line {
        match self.kernel.locate(profile, start, least) {
            Found::Edge(edge) => {
                let rms = edge.power.sqrt();
                if rms < WORST_RESIDUAL * edge.height + 2.0 * noise {
                    Line::Edge(edge)
                } else {
                    Line::Unlike
                }
            }
            Found::Nothing => Line::Dark,
            Found::Outside => Line::CutOff,
        }
    }

    /// The displacement an edge stands for, the slope left out; for following lines, not for measuring.
    pub(super) fn rough_shift(&self, line: Line) -> Option<f32> {
        match line {
            Line::Edge(edge) => Some(self.hand.turned(edge.place - self.reference?)),
            _ => None,
        }
    }

    /// Starts a field, with new tables if the width has moved enough.
    pub(super) fn begin(&mut self) {
        if (self.width / self.kernel.width() - 1.0).abs() > RETUNE_STEP {
            self.kernel.retune(self.width, self.smear);
            self.width = self.kernel.width();
            // What a kernel of the wrong width left over was not noise.
            self.noise = [None; 2];
        }
        if self.fields >= self.shape_due {
            self.shape_due = self.fields + (self.fields - SHAPE_AFTER).min(SHAPE_INTERVAL);
            self.kernel.settle_shape();
            self.noise = [None; 2];
        }
        self.lines.clear();
        self.shifts.clear();
    }

    pub(super) fn keep(&mut self, line: Line) {
        self.lines.push(line);
    }

    pub(super) fn line(&self, row: usize) -> Line {
        self.lines.get(row).copied().unwrap_or_default()
    }

    /// The displacement of a row once the field is finished.
    pub(super) fn shift(&self, row: usize) -> Option<Shift> {
        self.shifts.get(row).copied().flatten()
    }

    /// Of every few lines the displacement that the picture beside the edge disturbs least.
    pub(super) fn calmest(&self) -> impl Iterator<Item = Shift> + '_ {
        self.shifts.chunks(CALMEST_OF).filter_map(|lines| {
            let shifts = lines.iter().flatten().copied();
            shifts.min_by(|a, b| a.variance.total_cmp(&b.variance))
        })
    }

    /// Lines that show the edge.
    pub(super) fn edges(&self) -> impl Iterator<Item = (usize, Edge)> + '_ {
        self.lines
            .iter()
            .enumerate()
            .filter_map(|(row, line)| match line {
                Line::Edge(edge) => Some((row, *edge)),
                _ => None,
            })
    }

    /// Makes displacements of the edges, once all lines of the field were read.
    pub(super) fn finish(&mut self, parity: usize, quiet: f32) {
        if 3 * self.edges().count() >= self.lines.len() {
            self.shown = (self.shown + 1.0).min(MOST_SHOWN);
        }
        let usual = self.learn_noise(parity);
        if usual.is_none() {
            // Noise that hid every edge would be believed for ever.
            self.noise_sigma = self.noise_sigma.min(quiet.sqrt());
        }
        self.shifts.clear();
        self.shifts.resize(self.lines.len(), None);
        let (Some(noise), Some(reference)) = (self.noise[parity], self.reference) else {
            return;
        };
        let usual = usual.unwrap_or(noise.autocovariance[0]);
        let slopes = self.usual_slope(&noise, usual);
        self.note_slopes(&noise);
        let mut around = Around::default();
        for slope in self.slopes.iter().take(AROUND) {
            around.add(*slope);
        }
        for row in 0..self.lines.len() {
            around.add(self.slopes.get(row + AROUND).copied().flatten());
            if let Some(gone) = row.checked_sub(AROUND + 1) {
                around.take(self.slopes[gone]);
            }
            if let (Line::Edge(edge), Some(slope)) = (self.lines[row], self.slopes[row]) {
                let detail = detail_power(edge.power, usual, quiet.min(usual));
                let shift = self.corrected(&edge, slope, &noise, slopes.near(&around), detail);
                self.shifts[row] = Some(Shift {
                    value: self.hand.turned(shift.value - reference),
                    ..shift
                });
            }
        }
        self.kernel.blend_shape();
        self.clean_power = if self.fields > SHAPE_AFTER {
            2.0 * usual
        } else {
            0.0
        };
        self.learn_width(usual);
    }

    /// Calls what stands `by` samples to the right of the old reference undisplaced.
    pub(super) fn rebase(&mut self, by: f32) {
        if let Some(reference) = &mut self.reference {
            *reference += self.hand.turned(by);
            for shift in self.shifts.iter_mut().flatten() {
                shift.value -= by;
            }
        }
    }

    /// How far inwards a displacement to the right is at this side.
    pub(super) fn inwards(&self, shift: f32) -> f32 {
        self.hand.turned(shift)
    }

    /// Takes back the displacements of a side that is no evidence.
    pub(super) fn leave_out(&mut self) {
        self.shifts.fill(None);
    }

    /// Adds a variance to every displacement.
    pub(super) fn doubt(&mut self, variance: f32) {
        for shift in self.shifts.iter_mut().flatten() {
            shift.variance += variance;
        }
    }

    /// Each line's slope over height, with its variance by noise.
    fn note_slopes(&mut self, noise: &Noise) {
        self.slopes.clear();
        for line in &self.lines {
            self.slopes.push(match line {
                Line::Edge(edge) => Some(Shift {
                    value: edge.slope / edge.height,
                    variance: self.kernel.taps(edge).slope_variance(&noise.autocovariance)
                        / edge.height.powi(2),
                }),
                _ => None,
            });
        }
    }

    /// The place of an edge with as much of its slope taken into account as the slope deserves.
    fn corrected(
        &self,
        edge: &Edge,
        own: Shift,
        noise: &Noise,
        usual: Trend,
        detail: f32,
    ) -> Shift {
        let taps = self.kernel.taps(edge);
        let per_height = 1.0 / edge.height.powi(2);
        let (slope, slope_doubt) = usual.believed(own.value, own.variance);
        let level_doubt = (LEVEL_DOUBT * taps.level_lean / edge.height).powi(2);
        let by_detail = self.kernel.detail_gain() * detail * per_height;
        let plain = taps.shift_variance(&noise.autocovariance) * per_height;
        Shift {
            value: edge.place - taps.lean * slope,
            variance: plain + taps.lean.powi(2) * slope_doubt + level_doubt + by_detail,
        }
    }

    /// What lines of ordinary residual leave over becomes the running noise; returns the usual power of a residual.
    fn learn_noise(&mut self, parity: usize) -> Option<f32> {
        let mut powers = std::mem::take(&mut self.scratch);
        powers.clear();
        powers.extend(self.edges().map(|(_, edge)| edge.power));
        let count = powers.len();
        let median = robust::median(&mut powers).filter(|_| count >= LEAST_LINES);
        self.scratch = powers;
        let median = median?;
        let mut sums = [[0.0; LAGS]; CUTS];
        let mut lines = [0_usize; CUTS];
        for (_, edge) in self.edges().filter(|(_, edge)| edge.power <= 2.0 * median) {
            let cut = Kernel::cut(&edge);
            lines[cut] += 1;
            for (sum, product) in sums[cut].iter_mut().zip(edge.residual) {
                *sum += f64::from(product);
            }
        }
        if let Some(field) = self.unfold(&sums, &lines) {
            self.blend_noise(parity, field);
        }
        Some(median.max(ROUNDING))
    }

    /// The autocovariance behind residual products summed by cut.
    fn unfold(&mut self, sums: &[[f64; LAGS]; CUTS], lines: &[usize; CUTS]) -> Option<[f32; LAGS]> {
        let (mut total, mut weight) = ([0.0; LAGS], 0.0);
        for (cut, (sum, &count)) in sums.iter().zip(lines).enumerate() {
            if count < LEAST_LINES {
                continue;
            }
            let share = count as f64;
            let mean = sum.map(|sum| sum / share);
            let Some(found) = self.kernel.autocovariance(cut, &mean) else {
                continue;
            };
            for (total, found) in total.iter_mut().zip(found) {
                *total += share * found;
            }
            weight += share;
        }
        (weight > 0.0).then(|| total.map(|sum| (sum / weight) as f32))
    }

    fn blend_noise(&mut self, parity: usize, field: [f32; LAGS]) {
        let mut autocovariance = self.noise[parity].map_or(field, |old| {
            std::array::from_fn(|k| {
                old.autocovariance[k] + NOISE_GAIN * (field[k] - old.autocovariance[k])
            })
        });
        if autocovariance[0] < ROUNDING {
            autocovariance = [0.0; LAGS];
            autocovariance[0] = ROUNDING;
        }
        let noise = Noise { autocovariance };
        self.noise_sigma = noise.sigma();
        self.noise[parity] = Some(noise);
    }

    /// How the picture usually rises behind the edge, without what noise adds.
    fn usual_slope(&mut self, noise: &Noise, usual: f32) -> Trend {
        let mut values = std::mem::take(&mut self.scratch);
        values.clear();
        values.extend(self.edges().map(|(_, edge)| edge.height));
        let enough = values.len() >= LEAST_LINES;
        let trend = robust::median(&mut values)
            .filter(|_| enough)
            .map(|strong| {
                let chosen = || self.edges().filter(|(_, edge)| edge.height >= strong);
                let slopes = chosen().map(|(_, edge)| edge.slope / edge.height);
                let own = chosen().map(|(_, edge)| {
                    let excess = (edge.power / usual / USUAL_RESIDUAL).max(1.0);
                    excess
                        * self
                            .kernel
                            .taps(&edge)
                            .slope_variance(&noise.autocovariance)
                        / edge.height.powi(2)
                });
                Trend::of(slopes, own, &mut values)
            });
        self.scratch = values;
        trend.unwrap_or_default()
    }

    /// Moves the width by what strong, clean edges say; the tables follow with the next field.
    fn learn_width(&mut self, usual: f32) {
        let least = 12.0 * usual.sqrt();
        let mut widenings = std::mem::take(&mut self.scratch);
        widenings.clear();
        let clean = |edge: &Edge| edge.height > least && edge.power < 2.0 * USUAL_RESIDUAL * usual;
        widenings.extend(
            self.edges()
                .filter(|(_, edge)| clean(edge))
                .map(|(_, edge)| edge.widening),
        );
        let count = widenings.len();
        let wider = robust::median(&mut widenings);
        self.scratch = widenings;
        let Some(wider) = wider.filter(|_| count >= LEAST_LINES) else {
            return;
        };
        self.fields = self.fields.saturating_add(1);
        let gain = if self.fields <= FAST_FIELDS {
            0.6
        } else {
            0.02
        };
        let target = self.kernel.width() * (1.0 + f64::from(wider.clamp(-0.2, 0.2)));
        self.width += gain * (target - self.width);
    }

    /// Looks for the edge; its place is taken where it was found before, some fields ago, or at once where it is manifest and the other
    /// side's is not `known` either.
    pub(super) fn acquire(&mut self, luma: &Plane, blanking: f32, noise: f32, known: bool) {
        let found = self.find(luma, blanking, noise);
        let before = self.candidate.take();
        let Some((place, manifest)) = found else {
            return;
        };
        if manifest && !known || before.is_some_and(|before| (before - place).abs() < SAME_PLACE) {
            self.forget_place();
            self.reference = Some(place);
        } else {
            self.candidate = Some(place);
        }
    }

    /// The median of the edge's place as scanned over the rows of a field, and whether it is manifest.
    ///
    /// `None` unless a fair share of the rows rises at about the same place, and no more of them are light up to the raster's end.
    fn find(&mut self, luma: &Plane, blanking: f32, noise: f32) -> Option<(f32, bool)> {
        const LEAST_SHARE: f64 = 0.15;
        const WIDEST_SPREAD: f32 = 8.0;
        const LEAST_INSIDE: f32 = 1.0;
        let hand = self.hand;
        let least = (2.0 * LEAST_HEIGHT).max(LEAST_HEIGHT_SIGMAS * noise);
        self.scratch.clear();
        let mut pushed_out = 0_usize;
        let mut profile = [0.0; REACH];
        for row in luma.samples.chunks_exact(luma.width) {
            hand.profile(row, blanking, &mut profile);
            match scan(&profile, least) {
                Scan::Rise(place) => self.scratch.push(place),
                Scan::CutOff => pushed_out += 1,
                Scan::Dark => {}
            }
        }
        let found = self.scratch.len();
        let low = robust::quantile(&mut self.scratch, 0.25)?;
        let high = robust::quantile(&mut self.scratch, 0.75)?;
        // Edges out of the raster stand further out than all others.
        let rank = (0.5 * (found + pushed_out) as f64 - pushed_out as f64) / found as f64;
        let middle = robust::quantile(&mut self.scratch, rank.max(0.0))?;
        let share = found as f64 / luma.rows as f64;
        let stands = share >= LEAST_SHARE && pushed_out <= found && middle >= LEAST_INSIDE;
        (stands && high - low <= WIDEST_SPREAD).then_some((middle, share >= MANIFEST))
    }

    /// Level of the outermost sample over the rows, and its spread.
    pub(super) fn outermost(&mut self, luma: &Plane) -> Option<(f32, f32)> {
        self.collect_at(luma, 0);
        robust::median_and_spread(&mut self.scratch)
    }

    fn median_at(&mut self, luma: &Plane, outside: usize) -> Option<f32> {
        self.collect_at(luma, outside);
        robust::median(&mut self.scratch)
    }

    fn collect_at(&mut self, luma: &Plane, outside: usize) {
        let hand = self.hand;
        self.scratch.clear();
        let samples = luma.samples.chunks_exact(luma.width);
        self.scratch
            .extend(samples.map(|row| f32::from(row[hand.index(outside, row.len())])));
    }

    /// Share of rows whose outermost sample lies clearly below a level that is said to be blanking.
    pub(super) fn share_below(&mut self, luma: &Plane, level: f32, noise: f32) -> f32 {
        let hand = self.hand;
        let inside = self.median_at(luma, BESIDE).unwrap_or(level);
        let clearly = LEAST_HEIGHT
            .max(3.0 * noise)
            .max(RINGING * (inside - level));
        let below = luma
            .samples
            .chunks_exact(luma.width)
            .filter(|row| f32::from(row[hand.index(0, row.len())]) < level - clearly)
            .count();
        below as f32 / luma.rows.max(1) as f32
    }

    /// Variance of a place by white noise of variance 1, typical of the field's edges.
    pub(super) fn place_variance_by_white_noise(&mut self) -> Option<f32> {
        let mut values = std::mem::take(&mut self.scratch);
        values.clear();
        let mut white = [0.0; LAGS];
        white[0] = 1.0;
        values.extend(self.edges().map(|(_, edge)| {
            self.kernel.taps(&edge).shift_variance(&white) / (edge.height * edge.height)
        }));
        let median = robust::median(&mut values);
        self.scratch = values;
        median
    }

    /// Median place against the reference, and the spread from one line to the next as a variance of one line.
    pub(super) fn scatter(&mut self) -> Option<(f32, f32)> {
        self.scratch.clear();
        self.scratch
            .extend(self.shifts.iter().flatten().map(|shift| shift.value));
        if self.scratch.len() < LEAST_LINES {
            return None;
        }
        let middle = robust::median(&mut self.scratch)?;
        self.scratch.clear();
        for pair in self.shifts.windows(2) {
            if let [Some(a), Some(b)] = pair {
                self.scratch.push((a.value - b.value).abs());
            }
        }
        let step = robust::SIGMA_PER_MAD * robust::median(&mut self.scratch)?;
        Some((middle, 0.5 * step * step))
    }
}

impl Hand {
    fn index(self, outside: usize, width: usize) -> usize {
        match self {
            Self::Left => outside,
            Self::Right => width - 1 - outside,
        }
    }

    /// A shift to the right as a shift inwards, and back.
    fn turned(self, shift: f32) -> f32 {
        match self {
            Self::Left => shift,
            Self::Right => -shift,
        }
    }

    /// The samples from the outside inwards, blanking taken off.
    fn profile(self, row: &[u8], blanking: f32, profile: &mut [f32; REACH]) {
        match self {
            Self::Left => {
                if let Some(samples) = row.first_chunk() {
                    above_blanking(samples, blanking, profile);
                }
            }
            Self::Right => {
                if let Some(samples) = row.last_chunk() {
                    above_blanking(samples, blanking, profile);
                    profile.reverse();
                }
            }
        }
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn above_blanking(samples: &[u8; REACH], blanking: f32, profile: &mut [f32; REACH]) {
    for (slot, &sample) in profile.iter_mut().zip(samples) {
        *slot = f32::from(sample) - blanking;
    }
}

/// Lines on either side of a line whose slopes are looked at with its own.
const AROUND: usize = 4;

/// Sums of the slopes around a line, moved on line by line; wide, so that what was added can be taken away.
#[derive(Clone, Copy, Debug, Default)]
struct Around {
    lines: usize,
    sum: f64,
    noise: f64,
}

impl Around {
    fn add(&mut self, slope: Option<Shift>) {
        if let Some(slope) = slope {
            self.lines += 1;
            self.sum += f64::from(slope.value);
            self.noise += f64::from(slope.variance);
        }
    }

    fn take(&mut self, slope: Option<Shift>) {
        if let Some(slope) = slope {
            self.lines -= 1;
            self.sum -= f64::from(slope.value);
            self.noise -= f64::from(slope.variance);
        }
    }
}

/// Slope of the picture over the edge's height: mean and spread over the lines of a field.
#[derive(Clone, Copy, Debug)]
struct Trend {
    mean: f32,
    variance: f32,
    mean_variance: f32,
}

impl Default for Trend {
    /// Nothing known: each line for itself.
    fn default() -> Self {
        Self {
            mean: 0.0,
            variance: 1.0,
            mean_variance: 0.0,
        }
    }
}

impl Trend {
    fn of(
        read: impl Iterator<Item = f32>,
        noise: impl Iterator<Item = f32>,
        values: &mut Vec<f32>,
    ) -> Self {
        values.clear();
        values.extend(read);
        let count = values.len() as f32;
        let Some((mean, spread)) = robust::median_and_spread(values) else {
            return Self::default();
        };
        values.clear();
        values.extend(noise);
        let by_noise = robust::median(values).unwrap_or(0.0);
        // A variance from the median deviation of n normal values is off by 2.3/√n of itself: what noise explains so is
        // not held against the picture, or flat pictures would pay for a slope that is not there.
        let explained = by_noise * (1.0 + 2.3 / count.sqrt());
        Self {
            mean,
            variance: if spread * spread > explained {
                spread * spread - by_noise
            } else {
                0.0
            },
            // The median of n normal values varies π/2 times as much as their mean.
            mean_variance: std::f32::consts::FRAC_PI_2 * spread * spread / count,
        }
    }

    /// The trend around a row: that of the field, unless the lines around it clearly tell of another.
    fn near(self, around: &Around) -> Self {
        let count = around.lines as f32;
        if around.lines < AROUND {
            return self;
        }
        let (mean, variance) = (
            around.sum as f32 / count,
            around.noise as f32 / (count * count),
        );
        let local = surprise(
            mean - self.mean,
            variance + self.variance / count + self.mean_variance,
        );
        Self {
            mean: self.mean + local * (mean - self.mean),
            variance: self.variance,
            mean_variance: local * local * variance + (1.0 - local).powi(2) * self.mean_variance,
        }
    }

    /// The slope to go by where a line reads this one, and its variance.
    fn believed(&self, read: f32, noise: f32) -> (f32, f32) {
        let expected = self.variance + noise + f32::MIN_POSITIVE;
        let own = (self.variance / expected).max(surprise(read - self.mean, expected));
        let value = self.mean + own * (read - self.mean);
        (
            value,
            own * noise + (1.0 - own).powi(2) * self.mean_variance,
        )
    }
}

/// How much of a departure from the expected is believed: none within 3.5 standard deviations, nearly all far beyond.
fn surprise(departure: f32, variance: f32) -> f32 {
    const BELIEVED: f32 = 3.5 * 3.5;
    let square = departure * departure;
    if square > BELIEVED * variance {
        1.0 - BELIEVED * variance / square
    } else {
        0.0
    }
}

enum Scan {
    Rise(f32),
    CutOff,
    Dark,
}

/// Looks for the first lasting rise from the outside.
fn scan(profile: &[f32; REACH], least: f32) -> Scan {
    const LASTING: usize = 3;
    const PICTURE: usize = 6;
    let lasts = |window: &[f32]| window.iter().all(|&sample| sample > least);
    let Some(first) = profile.windows(LASTING).position(lasts) else {
        return Scan::Dark;
    };
    if first == 0 {
        return Scan::CutOff;
    }
    let inside = &profile[(first + LASTING).min(REACH - PICTURE)..];
    let height = inside[..PICTURE.min(inside.len())].iter().sum::<f32>() / PICTURE as f32;
    let half = 0.5 * height.max(least);
    let above = profile[first.saturating_sub(1)..]
        .iter()
        .position(|&sample| sample >= half)
        .map_or(first, |after| first - 1 + after);
    let (low, high) = (profile[above.saturating_sub(1)], profile[above]);
    let back = if high > low {
        ((high - half) / (high - low)).clamp(0.0, 1.0)
    } else {
        0.5
    };
    Scan::Rise(above as f32 - back)
}

/// Power of picture detail in a line's residual: what the field usually has beyond the noise, or more where the line's
/// own residual is beyond what noise makes of it.
fn detail_power(power: f32, usual: f32, quiet: f32) -> f32 {
    /// Error of a field's noise power, as a share of it.
    const NOISE_DOUBT: f32 = 0.15;
    let field = usual - (1.0 + NOISE_DOUBT) * quiet;
    let own = power - USUAL_RESIDUAL * usual;
    field.max(own).max(0.0)
}

/// A running level that follows a jump at once.
fn settle(old: f32, new: f32) -> f32 {
    const JUMP: f32 = 1.0;
    const GAIN: f32 = 0.25;
    if (new - old).abs() > JUMP {
        new
    } else {
        old + GAIN * (new - old)
    }
}

/// Mean and variance of samples, counted by code, about the most common level of their darker half: where lines wander,
/// some show their edge there and not blanking.
fn trimmed_plateau(counts: &[u32; 256]) -> Option<Plateau> {
    const LEAST_SAMPLES: u32 = 40;
    let total: u32 = counts.iter().sum();
    if total < LEAST_SAMPLES {
        return None;
    }
    let peak = most_common(counts, code_at(counts, total / 2));
    let below: u32 = counts[..=peak].iter().sum();
    let centre = peak as f32;
    // Of normal values below their mean, half are nearer than a MAD; half of those on the peak's own code count.
    let spread = robust::SIGMA_PER_MAD * (centre - code_at(counts, below / 2) as f32);
    let first = about(counts, centre, (3.0 * spread).max(2.0))?;
    about(counts, first.level, (3.0 * first.variance.sqrt()).max(2.0))
}

/// Mean and variance of the samples up to a distance from a level.
fn about(counts: &[u32; 256], level: f32, reach: f32) -> Option<Plateau> {
    let (mut sum, mut squares, mut samples) = (0.0_f32, 0.0_f32, 0_u32);
    for (code, &count) in counts.iter().enumerate() {
        let away = code as f32 - level;
        if away.abs() <= reach {
            sum += away * count as f32;
            squares += away * away * count as f32;
            samples += count;
        }
    }
    let mean = sum / samples as f32;
    (samples > 0).then_some(Plateau {
        level: level + mean,
        variance: (squares / samples as f32 - mean * mean).max(0.0),
        samples: samples as usize,
    })
}

/// The code up to `last` with the most samples on it and beside it.
fn most_common(counts: &[u32; 256], last: usize) -> usize {
    const BESIDE: usize = 2;
    let near = |code: usize| {
        let codes = code.saturating_sub(BESIDE)..(code + BESIDE + 1).min(counts.len());
        counts[codes].iter().sum::<u32>() + counts[code]
    };
    (0..=last).max_by_key(|&code| near(code)).unwrap_or(last)
}

/// The code of the sample that comes after `before` others in rising order.
fn code_at(counts: &[u32; 256], before: u32) -> usize {
    let mut below = 0;
    let code = counts.iter().position(|&count| {
        below += count;
        below > before
    });
    code.unwrap_or(0)
}

/// Foretells the displacement of a line from those right above it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Follower {
    last: f32,
    age: usize,
    started: bool,
}

impl Follower {
    pub(super) fn guess(&self) -> f32 {
        if self.started && self.age <= MEMORY_LINES {
            self.last
        } else {
            0.0
        }
    }

    /// Where the lines right above stood, if they are near enough to say.
    pub(super) fn recent(&self) -> Option<f32> {
        (self.started && self.age <= MEMORY_LINES).then_some(self.last)
    }

    /// Takes what a line showed.
    pub(super) fn see(&mut self, shift: Option<f32>) {
        match shift {
            Some(shift) => {
                *self = Self {
                    last: shift,
                    age: 0,
                    started: true,
                }
            }
            None => self.age += 1,
        }
    }
}
