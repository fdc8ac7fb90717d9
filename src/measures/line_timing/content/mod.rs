//! Line timing from the picture itself, for pictures without a blanking edge that tells.
//!
//! In: a field's luma and its picture columns. Out: [`ContentTrace`]: for each line its displacement against the scene as
//! it stood in the last fields, with its standard error. Unit: samples; positive = moved right.
//!
//! Each field is compared with a reference made of the last fields of its parity, each put straight by its own timing and
//! moved as the camera moved (`motion`, `reference`). Every line is fitted to it by robust least squares (`fit`), what
//! moves before the scene is left out, and lines that show too little say nothing (`doubt`).
//!
//! What it cannot see: an error that every field repeats, what is the same for all lines of a field (a camera pans), a
//! straight line down the field (a camera turns), and changes slower than about a second. A picture slanted alike
//! everywhere that moves down looks like one that moves across.
//!
//! Source of the bound it is tested against: Cramér–Rao, σ·√(1+1/K)/√Σg² for a reference averaged over K fields; of the
//! compositional fit: S. Baker and I. Matthews, "Lucas-Kanade 20 years on", IJCV 56(3), 2004.
//!
//! Does not know: edges, times, alarms.

mod again;
mod coarse;
mod doubt;
mod fit;
mod gradient;
mod memory;
mod motion;
mod reference;
#[cfg(test)]
mod tests;
mod warp;

use std::ops::Range;

use crate::fields::Plane;
use crate::measures::dsp::robust;
use crate::measures::dsp::spline::{Prefilter, STRETCH, nearest_code};
use crate::measures::hands::{Hands, Rows};
use crate::standard::Parity;

pub use super::side::Shift;
use super::{HEAD_SWITCH_ROWS, MAX_ROWS};
use again::{Elsewhere, Surroundings};
use coarse::{Foretold, Rough, Search};
use doubt::{Doubts, Verdict};
use fit::Look;
use memory::{Memory, Shot};
use motion::{MotionFinder, Noise};
use reference::{Composer, Made, Past, slopes};
use warp::Warp;

/// Rows of a block. The first of each is looked for over the whole reach, the others near the one above: as many as make
/// that no great part of the work, and few enough to share out.
const BLOCK_ROWS: usize = 24;

/// Stretches of a row at most: 768 samples.
const MAX_STRETCHES: usize = 24;
const MOST_SAMPLES: usize = MAX_STRETCHES * STRETCH;

/// Blur before the fit, in samples: noise of a value must not depend on where between samples it is taken.
const BLUR: f64 = 0.8;

/// Standard deviation of a normal distribution over its mean absolute deviation.
const SIGMA_PER_MEAN_DEVIATION: f32 = 1.2533;

/// Standard deviations at which a residual counts for a quarter.
const TAMING: f32 = 5.0;

/// Rounds of the fit at most.
const ROUNDS: usize = 4;

/// A fit is good when a round finds it off by less, in samples: what it is off by is taken into account, and what that
/// leaves goes with its square.
const SETTLED: f32 = 0.05;

/// Least part of a line's displacement by which its reference follows it, so that the reference goes to where the line
/// stands on the mean of the last third of a second and its own errors don't add up.
const LEAST_FOLLOWED: f32 = 0.1;

/// Weight of a stretch's samples, on average, below which it shows something else than before.
const CHANGED: f32 = 0.45;

/// Fewest rows and columns that are worth it.
const LEAST_ROWS: usize = 48;
const LEAST_COLUMNS: usize = 6 * STRETCH;

/// Variance beyond which a line is not used as it stands to put the reference straight, in samples².
const FIRM: f32 = 0.06;

/// What the picture of one field says of its lines.
#[derive(Debug, Default)]
pub struct ContentTrace {
    lines: Vec<Option<Shift>>,
    changes: Vec<Option<Change>>,
    averaged: f32,
    seen: f32,
    cut: bool,
    moves_down: bool,
}

/// How far a line stands from where it stood on the mean of the last third of a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    /// Of the whole line.
    pub whole: Shift,
    /// Of its left and its right third, where they tell by themselves.
    pub thirds: [Option<Shift>; 2],
    /// The evidence fills the width of the picture: no single thing in it moved.
    pub wide: bool,
}

impl ContentTrace {
    /// Nothing of so many rows.
    fn clear(&mut self, rows: usize) {
        self.lines.clear();
        self.lines.resize(rows, None);
        self.changes.clear();
        self.changes.resize(rows, None);
        self.averaged = 0.0;
        self.seen = 0.0;
        self.cut = false;
        self.moves_down = false;
    }

    /// What a picture would say whose rows changed so.
    #[cfg(test)]
    pub(super) fn of(changes: Vec<Option<Change>>) -> Self {
        Self {
            lines: vec![None; changes.len()],
            changes,
            ..Self::default()
        }
    }

    /// Displacement of a row against the scene, in samples, with its variance; `None` where the line tells nothing.
    #[must_use]
    pub fn line(&self, row: usize) -> Option<Shift> {
        self.lines.get(row).copied().flatten()
    }

    /// Fields the reference is the mean of, typically; 0 while there is none.
    #[must_use]
    pub fn averaged(&self) -> f32 {
        self.averaged
    }

    /// How a row changed against the mean of the last fields.
    pub(super) fn change(&self, row: usize) -> Option<Change> {
        self.changes.get(row).copied().flatten()
    }

    /// What the rms of changes must be divided by to be that of the lines: the mean they are against is of few fields, and
    /// has a part of the lines' own error.
    pub(super) fn excess(&self) -> f64 {
        let part = f64::from((1.0 / (self.seen + 1.0)).max(LEAST_FOLLOWED));
        (1.0 + part / (2.0 - part)).sqrt()
    }

    /// The camera moves the picture down or up, or may: lines are made from others of an earlier field, by what lay between
    /// them.
    pub(super) fn moves_down(&self) -> bool {
        self.moves_down
    }

    /// Another scene began with this field.
    #[must_use]
    pub fn cut(&self) -> bool {
        self.cut
    }
}

/// One parity's memory.
#[derive(Debug, Default)]
struct Head {
    memory: Memory,
    /// By row: variance of the reference's own place.
    drift: Vec<f32>,
    /// By row: by how much the reference follows the last field.
    followed: Vec<f32>,
}

/// Line timing from the picture, over the fields of a pass.
#[derive(Debug)]
pub struct ContentTiming {
    heads: [Head; 2],
    size: (usize, usize),
    hands: Hands,
    filter: Prefilter,
    motion: MotionFinder,
    /// The last motion of either parity: what is foretold.
    foretold: Warp,
    doubts: Doubts,
    surroundings: Surroundings,
    elsewhere: Vec<Elsewhere>,
    verdicts: Vec<Verdict>,
    made_of: Vec<Made>,
    scratch: Vec<f32>,
    trace: ContentTrace,
}

impl Default for ContentTiming {
    fn default() -> Self {
        Self::new()
    }
}

impl ContentTiming {
    /// Knows nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self {
            heads: [Head::default(), Head::default()],
            size: (0, 0),
            hands: Hands::One,
            filter: Prefilter::new(BLUR),
            motion: MotionFinder::new(),
            foretold: Warp::default(),
            doubts: Doubts::default(),
            surroundings: Surroundings::default(),
            elsewhere: Vec::with_capacity(MAX_ROWS),
            verdicts: Vec::with_capacity(MAX_ROWS),
            made_of: Vec::with_capacity(MAX_ROWS),
            scratch: Vec::with_capacity(MAX_ROWS),
            trace: ContentTrace::default(),
        }
    }

    /// Shares the rows of a field out between `hands` from now on; what is said does not depend on it.
    pub fn set_hands(&mut self, hands: Hands) {
        self.hands = hands;
    }

    /// Forgets the scene.
    pub fn forget(&mut self) {
        for head in &mut self.heads {
            head.memory.clear();
        }
        self.foretold = Warp::default();
    }

    /// Leaves a field out: it says nothing, and what was before is too old to go by.
    pub fn rest(&mut self) {
        self.forget();
        self.trace.clear(0);
    }

    /// Whether nothing is known of the scene in this parity.
    #[must_use]
    pub fn has_rested(&self, parity: Parity) -> bool {
        let head = &self.heads[usize::from(parity == Parity::Bottom)];
        head.memory.newest().is_none()
    }

    /// What the last field said.
    #[must_use]
    pub fn trace(&self) -> &ContentTrace {
        &self.trace
    }

    /// Times one field; `columns` are those of the picture, without any border.
    ///
    /// Says nothing of the first field of a scene in each parity, or of pictures too small to tell.
    pub fn time(&mut self, luma: &Plane, parity: Parity, columns: Range<usize>) -> &ContentTrace {
        let width = columns.len();
        self.trace.clear(luma.rows);
        let fits = luma.rows >= LEAST_ROWS
            && luma.rows <= MAX_ROWS
            && (LEAST_COLUMNS..(MAX_STRETCHES + 1) * STRETCH).contains(&width)
            && columns.end <= luma.width;
        if self.size != (width, luma.rows) {
            self.forget();
            self.size = (width, luma.rows);
        }
        if fits {
            self.compare(luma, usize::from(parity == Parity::Bottom), &columns);
        }
        &self.trace
    }

    fn compare(&mut self, luma: &Plane, head: usize, columns: &Range<usize>) {
        let mut shot = self.heads[head]
            .memory
            .shoot(luma, columns, &self.filter, self.hands);
        let noise = super::border::picture_noise(luma, 0.0, &mut self.scratch).unwrap_or(1.0);
        let Some(last) = self.heads[head].memory.newest() else {
            self.begin_scene(shot, head);
            return;
        };
        let mut motion = self.motion.find(
            &shot,
            last,
            &self.foretold,
            Noise {
                power: noise.max(super::side::ROUNDING),
                kept: f64::from(self.filter.value_noise()),
            },
            self.hands,
        );
        if motion.cut {
            self.heads[head].memory.clear();
            self.trace.cut = true;
            self.begin_scene(shot, head);
            return;
        }
        let moves_down = motion.warp.moves_down();
        self.trace.moves_down = moves_down || motion.unsure;
        if moves_down {
            self.heads[head].memory.forget_moves();
        }
        self.fit_lines(&shot, head, &motion.warp);
        let lean =
            motion.warp.lean_of_turn(shot.frame(), pixel_aspect(luma)) - motion.warp.across[2];
        let stretches = shot.stretches();
        let verdicts = &mut self.verdicts;
        let middle = f64::from(self.doubts.judge(verdicts, stretches, lean as f32));
        motion.warp.across[0] += middle;
        motion.warp.across[2] += lean;
        self.report(&mut shot, head, [middle, lean]);
        self.foretold = motion.warp;
        let Head {
            memory, followed, ..
        } = &mut self.heads[head];
        memory.follow(followed, &motion.warp);
        memory.keep(shot, &motion.warp);
    }

    fn begin_scene(&mut self, shot: Shot, head: usize) {
        let drift = &mut self.heads[head].drift;
        drift.clear();
        drift.resize(shot.rows(), 0.0);
        self.foretold = Warp::default();
        self.heads[head].memory.keep(shot, &Warp::default());
    }

    /// Every line against what is expected of it.
    fn fit_lines(&mut self, shot: &Shot, head: usize, warp: &Warp) {
        let Self {
            heads,
            filter,
            verdicts,
            made_of,
            surroundings,
            elsewhere,
            ..
        } = self;
        let fitter = Fitter {
            past: Past::of_all(heads[head].memory.shots(), warp),
            shot,
            slope_over_value: filter.slope_noise() / filter.value_noise(),
        };
        verdicts.clear();
        verdicts.resize(shot.rows(), Verdict::default());
        made_of.clear();
        made_of.resize(shot.rows(), Made::default());
        self.hands.share(
            shot.rows(),
            BLOCK_ROWS,
            Rows::new(verdicts, 1),
            Rows::new(made_of, 1),
            &|first, verdicts, made_of| fitter.fit(first, verdicts, made_of),
        );
        if surroundings.compare(verdicts, elsewhere) {
            self.hands.share(
                shot.rows(),
                BLOCK_ROWS,
                Rows::new(verdicts, 1),
                Rows::new(elsewhere, 1),
                &|first, verdicts, elsewhere| {
                    fitter.fit_again(first, verdicts, elsewhere, surroundings.usual_miss);
                },
            );
        }
        self.scratch.clear();
        self.scratch.extend(
            made_of
                .iter()
                .map(Made::fields)
                .filter(|&fields| fields > 0.0),
        );
        self.trace.averaged = robust::median(&mut self.scratch).unwrap_or(0.0);
        self.scratch.clear();
        self.scratch.extend(made_of.iter().map(|made| made.seen));
        self.trace.seen = robust::median(&mut self.scratch).unwrap_or(0.0);
    }

    /// Writes the trace, and into the shot what later fields need of this one.
    fn report(&mut self, shot: &mut Shot, head: usize, straight: [f64; 2]) {
        let half = 0.5 * shot.rows() as f64;
        let Head {
            drift, followed, ..
        } = &mut self.heads[head];
        followed.clear();
        followed.resize(shot.rows(), 0.0);
        for (row, line) in self.verdicts.iter().enumerate() {
            shot.changed[row] = changed(line);
            let camera = straight[0] + straight[1] * (row as f64 / half - 1.0);
            let made = &self.made_of[row];
            let gain = 2.0 / (made.fields() + 1.0);
            shot.moved[row] = made.moved;
            shot.seen[row] = made.seen;
            let (Some(shift), true) = (line.shift(), line.variance.is_finite()) else {
                drift[row] = 0.04;
                shot.place[row] = camera as f32;
                continue;
            };
            let error = shift - camera as f32;
            let variance = line.variance + drift[row];
            self.trace.lines[row] = Some(Shift {
                value: error + made.moved,
                variance,
            });
            let seen = made.seen + 1.0;
            let part = (1.0 / (seen + 1.0)).max(LEAST_FOLLOWED);
            let third = shot.width() / STRETCH / 3;
            let thirds = [0..third, 2 * third..3 * third].map(|third| {
                let (value, own) = line.part(&third)?;
                Some(Shift {
                    value: value - camera as f32,
                    variance: own + drift[row],
                })
            });
            self.trace.changes[row] = Some(Change {
                whole: Shift {
                    value: error,
                    variance,
                },
                thirds,
                wide: line.wide,
            });
            drift[row] = (1.0 - part).powi(2) * drift[row] + gain * gain * line.variance;
            // This field leaves a part of its displacement in: the reference goes to where the line stands on the mean.
            let left = error * part;
            followed[row] = left;
            shot.place[row] = shift - left;
            shot.moved[row] = made.moved + left;
            shot.seen[row] = seen;
        }
        leave_out_torn(shot, &self.trace.changes, &mut self.scratch);
        for (step, sound) in followed.iter_mut().zip(&shot.sound) {
            *step *= f32::from(u8::from(*sound));
        }
        steady_weak_lines(shot, &self.verdicts);
        // Places are against the scene; the camera's part is in the warp.
        for (row, place) in shot.place.iter_mut().enumerate() {
            *place -= (straight[0] + straight[1] * (row as f64 / half - 1.0)) as f32;
        }
    }
}

/// Fits lines to what is expected of them.
struct Fitter<'a> {
    past: Past<'a>,
    shot: &'a Shot,
    /// Noise of a slope over that of a value.
    slope_over_value: f32,
}

impl Fitter<'_> {
    /// The rows of one block, from the `first` on.
    fn fit(&self, first: usize, verdicts: &mut [Verdict], made_of: &mut [Made]) {
        let mut expected = Expected::new(self.shot.stretches());
        let mut foretold = Foretold::default();
        for ((row, verdict), made) in (first..).zip(verdicts).zip(made_of) {
            *made = expected.make(&self.past, row);
            let Some(rough) = expected.search(self.shot, row, made.known(), &foretold) else {
                continue;
            };
            foretold.follow(&rough);
            let look = expected.look(self.shot, row, &made.averaged);
            settle(&look, rough.shift + rough.part, rough.scale, verdict);
            // Of the noise that is left over, the reference has one part to K of the field's own.
            let scale = usual_scale(&verdict.sums).unwrap_or(rough.scale);
            verdict.slope_noise = self.slope_over_value * scale * scale / (made.fields() + 1.0);
        }
    }

    /// Those rows of a block that stand apart, once more.
    fn fit_again(
        &self,
        first: usize,
        verdicts: &mut [Verdict],
        elsewhere: &mut [Elsewhere],
        usual_miss: f32,
    ) {
        let mut expected = Expected::new(self.shot.stretches());
        for ((row, verdict), elsewhere) in (first..).zip(verdicts).zip(elsewhere) {
            if *elsewhere == Elsewhere::default() {
                continue;
            }
            let made = expected.make(&self.past, row);
            let look = expected.look(self.shot, row, &made.averaged);
            let slope_noise = verdict.slope_noise;
            again::decide(&look, usual_miss, verdict, *elsewhere);
            verdict.slope_noise = slope_noise;
        }
    }
}

/// What one row should show, with its slopes.
struct Expected {
    composer: Composer,
    values: [f32; MOST_SAMPLES],
    slopes: [f32; MOST_SAMPLES],
    samples: usize,
}

impl Expected {
    fn new(stretches: usize) -> Self {
        Self {
            composer: Composer::new(),
            values: [0.0; MOST_SAMPLES],
            slopes: [0.0; MOST_SAMPLES],
            samples: stretches * STRETCH,
        }
    }

    fn make(&mut self, past: &Past<'_>, row: usize) -> Made {
        let values = &mut self.values[..self.samples];
        self.composer.compose(past, row, values)
    }

    /// Where the row stands to a sample.
    fn search(&self, shot: &Shot, row: usize, known: u32, foretold: &Foretold) -> Option<Rough> {
        let mut codes = [0; MOST_SAMPLES];
        let codes = &mut codes[..self.samples];
        to_codes(&self.values[..self.samples], codes);
        let search = Search {
            padded: shot.padded_codes(row),
            expected: codes,
            known,
        };
        search.run(foretold)
    }

    fn look<'a>(&'a mut self, shot: &'a Shot, row: usize, averaged: &'a [f32]) -> Look<'a> {
        let values = &self.values[..self.samples];
        let slope_row = &mut self.slopes[..self.samples];
        slopes(values, slope_row);
        Look {
            coefficients: shot.row(row),
            width: shot.width(),
            expected: values,
            slopes: slope_row,
            averaged,
        }
    }
}

/// Width of a sample over the distance of two lines of the frame, of a picture of four by three.
fn pixel_aspect(luma: &Plane) -> f64 {
    4.0 / 3.0 * (2 * luma.rows) as f64 / luma.width as f64
}

/// The line's displacement to where another round no longer moves it.
fn settle(look: &Look<'_>, start: f32, scale: f32, verdict: &mut Verdict) {
    let (mut shift, mut offset, mut scale) = (start, 0.0, scale.max(0.5));
    for _ in 0..ROUNDS {
        verdict.at = shift;
        verdict.sums = look.sums(shift, offset, TAMING * scale);
        let mut all = fit::Sums::default();
        for sums in &verdict.sums {
            all.add(sums);
        }
        let Some(solution) = all.solve() else {
            break;
        };
        let step = solution.missing.clamp(-1.0, 1.0);
        if step.abs() < SETTLED && solution.offset.abs() < 0.1 {
            break;
        }
        shift += step;
        offset += solution.offset;
        scale = usual_scale(&verdict.sums).unwrap_or(scale).max(0.5);
    }
}

/// Standard deviation of a sample in the stretches that fit as most do.
fn usual_scale(sums: &fit::RowSums) -> Option<f32> {
    again::usual_miss(sums).map(|miss| SIGMA_PER_MEAN_DEVIATION * miss)
}

/// The stretches, a bit each, that show something else than was expected.
fn changed(line: &Verdict) -> u32 {
    let mut bits = line.out;
    for (nth, sums) in line.sums.iter().enumerate() {
        if sums.weight > 0.0 && sums.weight < CHANGED * STRETCH as f32 {
            bits |= 1 << nth;
        }
    }
    bits
}

/// Marks lines that stand far from those around them: torn, or struck by a dropout. They are no reference for later fields.
fn leave_out_torn(shot: &mut Shot, changes: &[Option<Change>], scratch: &mut Vec<f32>) {
    /// Lines on either side that say where a line should stand.
    const AROUND: usize = 8;
    /// Departure, in samples and in spreads of the field, that is a tear.
    const FAR: f32 = 2.0;
    const SPREADS: f32 = 4.0;
    let apart = |row: usize, scratch: &mut Vec<f32>| {
        let own = changes[row]?.whole.value;
        let rows = row.saturating_sub(AROUND)..(row + AROUND + 1).min(changes.len());
        scratch.clear();
        scratch.extend(
            changes[rows]
                .iter()
                .flatten()
                .map(|change| change.whole.value),
        );
        Some(own - robust::median(scratch)?)
    };
    // Jitter tells by how neighbours differ.
    scratch.clear();
    for pair in changes.windows(2) {
        if let [Some(a), Some(b)] = pair {
            scratch.push((a.whole.value - b.whole.value).abs());
        }
    }
    let spread = robust::spread_of_steps(scratch).unwrap_or(0.0);
    let most = FAR.max(SPREADS * spread);
    // Where the heads are switched lines stand apart in every field.
    for row in 0..changes.len().saturating_sub(HEAD_SWITCH_ROWS) {
        if apart(row, scratch).is_some_and(|apart| apart.abs() > most) {
            shot.sound[row] = false;
        }
    }
}

/// Gives lines that say little the place of those around them, to put the reference straight by.
fn steady_weak_lines(shot: &mut Shot, lines: &[Verdict]) {
    const REACH: usize = 10;
    for row in 0..shot.rows() {
        if lines[row].variance <= FIRM {
            continue;
        }
        let rows = row.saturating_sub(REACH)..(row + REACH + 1).min(shot.rows());
        let (mut sum, mut weight) = (0.0, 0.0);
        for other in rows {
            let variance = lines[other].variance;
            if variance <= FIRM {
                let own = 1.0 / (variance + 0.01);
                sum += own * shot.place[other];
                weight += own;
            }
        }
        if weight > 0.0 {
            let around = sum / weight;
            let own = lines[row].variance;
            let share = if own.is_finite() {
                FIRM / (FIRM + own)
            } else {
                0.0
            };
            shot.place[row] = around + share * (shot.place[row] - around);
        }
    }
}

#[multiversion::multiversion(targets("x86_64+avx2"))]
fn to_codes(values: &[f32], codes: &mut [u8]) {
    for (code, value) in codes.iter_mut().zip(values) {
        *code = nearest_code(*value);
    }
}
