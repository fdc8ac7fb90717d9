//! Line-start timing: how far each line stands from where it should, read from the blanking edges.
//!
//! In: a field. Out: [`Reading`]: the displacement of every line that shows one, with its standard error, and what that
//! makes of the field. Unit ns by the source's sample rate; positive = picture late = moved right.
//!
//! The edge between blanking and picture is part of the signal, so it moves with the line. Each line's edge is found on
//! both sides to a small part of a sample ([`edge`](super::dsp::edge)), the sides are combined by information, and lines
//! that show nothing (dark picture, dropout, edge out of the raster) are left out, never guessed. Displacements are against
//! a reference place learned over the pass, so a constant offset means nothing.
//!
//! It gives nothing where the chain put the border there itself, where no border is in view, or where the raster has no
//! sample rate; [`Reading::why_none`] says which. It assumes one edge shape a side and a picture that is flat or evenly
//! sloped for a few samples behind the edge. Noise floor: within a few percent of the Cramér–Rao bound on flat picture
//! (Knapp & Carter 1976 for the matched filter's optimality; tests beside this file); a slope of 1 % a sample, which moves
//! a plain 50 % crossing by 0.1 sample, moves it by less than 0.03.
//!
//! Does not know: levels, alarms, or what a box was set to.

mod blend;
mod border;
pub mod content;
mod decompose;
mod drum;
mod own;
mod pair;
mod quantities;
mod rest;
mod side;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
mod wave;

use std::cmp::Ordering;

use crate::fields::{Field, FieldRaster, Neighbourhood, Plane};
use crate::standard::Parity;
use crate::units::{
    CodeRange, Estimate, Hertz, Lines, Nanos, Ratio, Samples, nanos_from_samples,
    samples_from_nanos,
};

use super::Measure;
use super::dsp::edge::RISE_PER_WIDTH;
use super::dsp::robust;
use super::hands::Hands;
use blend::{Blend, shared_motion};
use border::{BorderJudge, Evidence, picture_noise};
use content::ContentTiming;
use decompose::{Decomposer, Figure};
use drum::DrumProfile;
use pair::Pair;
pub use quantities::QUANTITIES;
use rest::Rest;
use side::{Follower, Hand, Line, Plateau, REACH, ROUNDING, Shift, Side};
pub use wave::{WAVE_BANDS, WaveSpectrum};

/// Most rows a field can have and still be timed: half a 625-line frame, blanking included.
pub const MAX_ROWS: usize = 313;

/// What the timing was read from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Basis {
    /// The blanking edges at either side.
    Edge,
    /// The picture itself.
    Content,
    /// Nothing.
    #[default]
    None,
}

/// What stands at the sides of the picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Border {
    /// A blanking edge that moves with the lines.
    Tape,
    /// A straight border put there by the chain: no evidence.
    Regenerated,
    /// Nothing: the picture reaches the sides.
    #[default]
    Absent,
}

/// What became of an error that every field repeats.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum StaticError {
    /// It is in the figures.
    Included,
    /// It was learned and taken out.
    Removed,
    /// It cannot be seen.
    #[default]
    Unknown,
}

/// The displacement of one line at mid-line, with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineShift {
    /// + = late = moved right.
    pub displacement: Nanos,
    /// The estimator's own standard error.
    pub sigma: Nanos,
}

/// The displacement of every line of a field that shows one.
#[derive(Clone, Debug)]
pub struct LineTrace {
    rows: usize,
    displacement_ns: [f32; MAX_ROWS],
    /// Infinite where the line shows nothing.
    sigma_ns: [f32; MAX_ROWS],
    /// Whether the whole line stands there, and not only an edge.
    whole: [bool; MAX_ROWS],
}

impl Default for LineTrace {
    fn default() -> Self {
        Self::blank(0)
    }
}

impl LineTrace {
    /// A trace of `rows` lines without evidence.
    ///
    /// # Panics
    /// When there are more than [`MAX_ROWS`].
    #[must_use]
    pub fn blank(rows: usize) -> Self {
        assert!(
            rows <= MAX_ROWS,
            "a field has at most {MAX_ROWS} rows, not {rows}"
        );
        Self {
            rows,
            displacement_ns: [0.0; MAX_ROWS],
            sigma_ns: [f32::INFINITY; MAX_ROWS],
            whole: [false; MAX_ROWS],
        }
    }

    /// Rows of the field, with or without evidence.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// What a row shows.
    #[must_use]
    pub fn get(&self, row: usize) -> Option<LineShift> {
        let sigma = *self.sigma_ns[..self.rows].get(row)?;
        sigma.is_finite().then(|| LineShift {
            displacement: Nanos(f64::from(self.displacement_ns[row])),
            sigma: Nanos(f64::from(sigma)),
        })
    }

    /// Records what a row shows.
    pub fn set(&mut self, row: usize, shift: LineShift) {
        self.displacement_ns[row] = shift.displacement.0 as f32;
        self.sigma_ns[row] = shift.sigma.0 as f32;
    }

    /// Records that the whole line of a row was seen to stand where it is said to.
    pub fn set_whole(&mut self, row: usize) {
        self.whole[row] = true;
    }

    /// Whether both ends of a row's line say where it stands, or one does in a way that picture detail cannot imitate.
    #[must_use]
    pub fn is_whole(&self, row: usize) -> bool {
        self.whole[..self.rows].get(row).is_some_and(|&whole| whole)
    }

    /// The rows that show something, top to bottom.
    pub fn usable(&self) -> impl Iterator<Item = (usize, LineShift)> + '_ {
        (0..self.rows).filter_map(|row| Some((row, self.get(row)?)))
    }
}

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// Whether there is a picture at all (no snow, no flat insert).
    pub picture_shown: bool,
    /// First row of the head-switch zone as settled over the last fields, where known.
    pub head_switch_line: Option<usize>,
}

/// Line timing of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// What it was read from.
    pub basis: Basis,
    /// What stands at the sides.
    pub border: Border,
    /// What became of the error every field repeats.
    pub static_error: StaticError,
    /// Why `basis` is none, in a few words.
    pub why_none: Option<&'static str>,
    /// Sample rate, to give times in samples too.
    pub sample_rate: Option<Hertz>,
    /// Rows from the first to before this one are picture lines.
    pub picture_rows: std::ops::Range<usize>,
    /// Rows at the bottom that are black at both sides: masked by the chain, or a dark scene.
    pub masked_rows: usize,
    /// Share of picture lines with a usable timing.
    pub coverage: Option<Ratio>,
    /// Wobble: rms of the line error without the estimator's noise.
    pub error_rms: Option<Estimate<Nanos>>,
    /// 2.5-97.5 % spread of the shrunk profile.
    pub error_pp: Option<Estimate<Nanos>>,
    /// Rough part.
    pub jitter_rms: Option<Estimate<Nanos>>,
    /// Smooth part.
    pub waving_rms: Option<Estimate<Nanos>>,
    /// The same at the left side.
    pub left_rms: Option<Estimate<Nanos>>,
    /// The same at the right side.
    pub right_rms: Option<Estimate<Nanos>>,
    /// Of the difference of both sides.
    pub length_rms: Option<Estimate<Nanos>>,
    /// Period of the strongest wave, where one stands out.
    pub wave_period: Option<Estimate<Lines>>,
    /// Its amplitude, half of peak to peak.
    pub wave_amplitude: Option<Estimate<Nanos>>,
    /// Amplitudes of waves down the field by period.
    pub wave_spectrum: Option<WaveSpectrum>,
    /// How far the mean profiles of the two parities differ, rms: what repeats with the drum. Edge basis with the tape's own
    /// border only.
    pub drum_difference_rms: Option<Estimate<Nanos>>,
    /// The straight line taken out, first to last picture line.
    pub slant: Option<Estimate<Nanos>>,
    /// The field's median position against its parity's running mean.
    pub field_shift: Option<Estimate<Nanos>>,
    /// By content: how far the lines have moved since the field before of their parity, rms, noise and shift of the field apart.
    /// An error that hardly changes may be the scene's own: a thing that has just passed leaves one that fades.
    pub change_rms: Option<Nanos>,
    /// By content: the camera moves the picture down or up, grows or turns it, so that lines stand against what was made from
    /// others between which nothing was sampled.
    pub picture_moves_down: bool,
    /// Every line.
    pub lines: LineTrace,
}

impl Reading {
    /// Whether the picture alone tells, while its rows are made anew from others in each field.
    #[must_use]
    pub fn is_against_remade_rows(&self) -> bool {
        self.basis == Basis::Content && self.picture_moves_down
    }
}

/// Largest standard error of a line's displacement that is still of use.
pub const USABLE_SIGMA: Samples = Samples(0.25);

/// Rows at the bottom that are never picture lines: where the heads are switched.
pub const HEAD_SWITCH_ROWS: usize = 8;

/// Fewest rows and samples that are worth timing.
const LEAST_ROWS: usize = 64;
const LEAST_WIDTH: usize = 3 * REACH;

/// Rise that tape adds to any edge after it was blanked: 3 MHz of luma (common practice, no source), as a Gaussian.
const TAPE_WIDTH: Nanos = Nanos(44.0);

/// Highest code that can be blanking: black level of a picture lifted by a lot, with its set-up.
const HIGHEST_BLANKING: f32 = 56.0;

/// Share of rows that may be darker than blanking at the raster's end.
const MOST_BELOW_BLANKING: f32 = 0.1;

/// Noise power, in codes², below which a border is the same code throughout.
const CONSTANT: f32 = 0.01;

/// Level below which a border may be quiet because the scale ends there, at code 1 (BT.601-5: 0 is for sync): that of blanking under a black
/// whose set-up was removed is cut off. Then all lines must be on one sample phase, not the calmest alone.
const CUT_OFF_BELOW: f32 = 2.0;

/// Samples that the two ends of a line may be apart, and share of its displacement, to stand there as a whole.
const WHOLE_APART: f32 = 0.3;
const WHOLE_SHARE: f32 = 0.25;

/// Standard errors that an edge of a line that stands there as a whole is away from its usual place.
const CLEARLY: f32 = 5.0;

/// Samples within which a line stands where it always does: an edge that stays cannot be told there from one that moves.
const AT_REST: f32 = 2.0 * WHOLE_APART;

/// Lines seen in both of two fields from which on their changes say something of the field.
const LEAST_FOLLOWED: usize = 24;

/// Share of a line's displacement that it must have moved by, seen by content, to be torn: lines are torn at once.
const CHANGED_SHARE: f32 = 0.5;

/// Samples by which an edge alone must stand further out to speak for its line: light or dark detail right beside it moves
/// it by up to a rise, no detail by two.
const WHOLE_ALONE: f32 = 2.0;

/// Fields between two searches for a side that is not seen.
const SEARCH_INTERVAL: u32 = 12;

/// Fields without a usable line, and with picture up to the raster's ends, after which a place is forgotten.
const FORGET_FIELDS: u32 = 25;

/// Fields of one parity over which its mean position runs: about a second.
const POSITION_FIELDS: f64 = 25.0;

/// Line timing over the fields of a pass.
#[derive(Debug)]
pub struct LineTiming {
    raster: Option<FieldRaster>,
    pair: Pair,
    judge: BorderJudge,
    decomposer: Decomposer,
    drum: DrumProfile,
    content: ContentTiming,
    /// The picture's columns as they are read; kept, for a scene is forgotten when they change.
    columns: std::ops::Range<usize>,
    blend: Blend,
    rest: Rest,
    scratch: Vec<f32>,
    blanking: f32,
    picture_noise: Option<f32>,
    since_search: u32,
    without_edge: u32,
    /// Fields in a row that show no edge at the left and at the right, where the other side's stays.
    without_side: [u32; 2],
    positions: [RunningMean; 2],
    /// By parity and row, where content last put the lines, in samples; not a number where it did not.
    earlier: [Vec<f32>; 2],
}

impl Default for LineTiming {
    fn default() -> Self {
        let side = |hand| Side::new(hand, 1.0, 0.6);
        Self {
            raster: None,
            pair: Pair::new(side(Hand::Left), side(Hand::Right)),
            judge: BorderJudge::default(),
            decomposer: Decomposer::new(),
            drum: DrumProfile::default(),
            content: ContentTiming::new(),
            columns: 0..0,
            blend: Blend::default(),
            rest: Rest::default(),
            scratch: Vec::with_capacity(MAX_ROWS * 16),
            blanking: 16.0,
            picture_noise: None,
            since_search: SEARCH_INTERVAL,
            without_edge: 0,
            without_side: [0; 2],
            positions: [RunningMean::default(); 2],
            earlier: [(); 2].map(|()| Vec::with_capacity(MAX_ROWS)),
        }
    }
}

impl Measure for LineTiming {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        let field = input.around.field;
        let raster = field.raster;
        let picture_rows = picture_rows(&raster, input.head_switch_line);
        let mut reading = Reading {
            picture_rows,
            sample_rate: raster.sample_rate,
            lines: LineTrace::blank(raster.rows.min(MAX_ROWS)),
            ..Reading::default()
        };
        if self.raster != Some(raster) {
            self.start(raster);
        }
        match refusal(&input, &raster) {
            Err(why) => reading.why_none = Some(why),
            Ok(rate) => self.time(input.around, rate, &mut reading),
        }
        reading
    }
}

/// Why a field cannot be timed at all, or the rate that turns samples into time.
fn refusal(input: &Input<'_>, raster: &FieldRaster) -> Result<Hertz, &'static str> {
    if !input.picture_shown {
        return Err("no picture");
    }
    if raster.progressive {
        return Err("deinterlaced or progressive: lines were mixed");
    }
    if raster.rows > MAX_ROWS {
        return Err("more rows than a field has");
    }
    if raster.rows < LEAST_ROWS || raster.width < LEAST_WIDTH {
        return Err("picture too small");
    }
    if raster.standard.is_none() {
        return Err("scaled: not a raster of 525 or 625 lines");
    }
    if input.around.field.luma.samples.len() != raster.width * raster.rows {
        return Err("damaged field");
    }
    raster.sample_rate.ok_or("sample rate unknown")
}

/// The rows that are picture: no half line at the top, no head-switch zone at the bottom.
fn picture_rows(raster: &FieldRaster, head_switch_line: Option<usize>) -> std::ops::Range<usize> {
    // Line 23 of 625 and line 283 of 525 show half a picture line (BT.470-6 Table 1-2; SMPTE 170M Table 3 note 1);
    // rasters of 480 rows begin below.
    let first = usize::from(raster.frame_rows != 480).min(raster.rows);
    let last = raster.rows.saturating_sub(HEAD_SWITCH_ROWS);
    first
        ..head_switch_line
            .map_or(last, |line| line.min(last))
            .max(first)
}

impl LineTiming {
    /// Shares the rows of a field out between `hands`; what is measured does not depend on it.
    pub fn set_hands(&mut self, hands: Hands) {
        self.content.set_hands(hands);
    }

    /// Forgets everything but memory: another source, or another raster.
    fn start(&mut self, raster: FieldRaster) {
        self.raster = Some(raster);
        self.judge = BorderJudge::default();
        self.since_search = SEARCH_INTERVAL;
        self.without_edge = 0;
        self.without_side = [0; 2];
        self.positions = [RunningMean::default(); 2];
        self.drum.reset();
        self.content.forget();
        self.rest = Rest::default();
        self.columns = 0..0;
        self.blend.reset();
        self.blanking = match raster.range {
            CodeRange::Studio => 16.0,
            CodeRange::Full => 0.0,
        };
        if let (Some(standard), Some(rate)) = (raster.standard, raster.sample_rate) {
            let rise = standard.blanking_rise_samples(rate).0 / RISE_PER_WIDTH;
            let smear = samples_from_nanos(TAPE_WIDTH, rate).0;
            self.pair.left.reset(rise.hypot(smear), smear);
            self.pair.right.reset(rise.hypot(smear), smear);
            self.pair.reset();
        }
    }

    fn time(&mut self, around: &Neighbourhood<'_>, rate: Hertz, reading: &mut Reading) {
        let field = around.field;
        let luma = &field.luma;
        let parity = usize::from(field.place.parity == Parity::Bottom);
        self.search_if_due(luma);
        self.settle_columns(luma.width);
        let reads = self.rest.reads();
        if reads {
            self.read_picture(around);
        } else {
            self.content.rest();
        }
        let edges = self.read_edges(luma, parity, reading);
        let rows = reading.picture_rows.clone();
        let called = edges.is_err() || self.leaves_open(rows.clone());
        if called && !reads {
            self.read_picture(around);
        }
        self.rest.see(called);
        let enough = decompose::LEAST_COVERAGE * rows.len() as f64;
        let by_edge = edges.map_or(0, |()| self.usable_edges(rows.clone()));
        let by_picture = self.usable_changes(rows);
        let edges_tell = by_edge as f64 >= enough || by_edge > by_picture;
        if self.edges_refute_picture(parity, luma.rows) || edges_tell {
            self.read_both(luma.rows, parity);
            reading.basis = Basis::Edge;
            reading.static_error = StaticError::Included;
            reading.masked_rows = self.pair.dark_rows_at_bottom(luma.rows);
            self.without_edge = 0;
        } else if by_picture > 0 {
            let picture = self.content.trace();
            self.blend.picture_alone(parity, luma.rows, picture);
            reading.basis = Basis::Content;
            reading.picture_moves_down = picture.moves_down();
            reading.static_error = if self.blend.knows_constant(parity) {
                StaticError::Included
            } else {
                StaticError::Unknown
            };
        } else {
            self.earlier[parity].clear();
            reading.why_none = Some(edges.err().unwrap_or("picture too dark or too plain"));
            return;
        }
        let usable = self.trace(field, rate, parity, reading);
        if reading.basis == Basis::Content {
            let change = self.follow_changes(parity, reading.picture_rows.clone());
            reading.change_rms = change.map(|change| nanos_from_samples(change, rate));
        } else {
            self.earlier[parity].clear();
        }
        let coverage = usable as f64 / reading.picture_rows.len().max(1) as f64;
        reading.coverage = Some(Ratio(coverage));
        self.fill(rate, parity, reading);
    }

    /// Times the lines by the picture; after a rest, against the last field of the same parity.
    fn read_picture(&mut self, around: &Neighbourhood<'_>) {
        let parity = around.field.place.parity;
        if self.content.has_rested(parity)
            && let Some(last) = around.same_parity()
            && last.raster == around.field.raster
        {
            self.content.time(&last.luma, parity, self.columns.clone());
        }
        self.content
            .time(&around.field.luma, parity, self.columns.clone());
    }

    /// Whether edges that are evidence leave something open that the picture can tell.
    fn leaves_open(&self, rows: std::ops::Range<usize>) -> bool {
        let told = |row| self.pair.middle(row).filter(usable_shift);
        let seen = |row| told(row).or_else(|| self.pair.at_least(row));
        self.judge.suspects()
            || rest::fall_short(rows.clone(), told)
            || rest::stands_off(rows, seen)
    }

    /// The columns that are picture, a little inside the border; as they were unless the border has moved.
    fn settle_columns(&mut self, width: usize) {
        /// Columns between the middle of an edge and what is read as picture.
        const INSIDE: f32 = 8.0;
        /// Columns by which the border may move before the scene is read anew.
        const MOVED: usize = 10;
        let inner = |side: &Side| side.reference.map_or(INSIDE, |place| place + INSIDE) as usize;
        let left = inner(&self.pair.left).min(width / 3);
        let right = width - inner(&self.pair.right).min(width / 3);
        let moved = self
            .columns
            .start
            .abs_diff(left)
            .max(self.columns.end.abs_diff(right));
        if moved > MOVED {
            self.columns = left..right;
        }
    }

    /// Reads the blanking edges; why they are no evidence, where they are not.
    fn read_edges(
        &mut self,
        luma: &Plane,
        parity: usize,
        reading: &mut Reading,
    ) -> Result<(), &'static str> {
        if self.pair.left.reference.is_none() && self.pair.right.reference.is_none() {
            return Err("no blanking edge in view");
        }
        let plateaux = self.read_lines(luma, parity);
        self.judge_border(luma, plateaux);
        self.combine_sides(parity, luma.rows);
        reading.border = if self.judge.regenerated() {
            Border::Regenerated
        } else {
            Border::Tape
        };
        if self.judge.regenerated() {
            return Err("border put there by the chain");
        }
        if self.judge.doubtful() {
            return Err("border may be the chain's: still looking");
        }
        if self.usable_edges(0..luma.rows) == 0 {
            return Err(self.report_no_edge(luma.rows, reading));
        }
        Ok(())
    }

    /// Lines among `rows` whose edges tell.
    fn usable_edges(&self, rows: std::ops::Range<usize>) -> usize {
        rows.filter(|&row| {
            self.pair
                .middle(row)
                .is_some_and(|shift| usable_shift(&shift))
        })
        .count()
    }

    /// Lines among `rows` whose picture tells.
    fn usable_changes(&self, rows: std::ops::Range<usize>) -> usize {
        let picture = self.content.trace();
        rows.filter(|&row| {
            picture
                .change(row)
                .is_some_and(|change| usable_shift(&change.whole))
        })
        .count()
    }

    /// Whether the edges, few as they may be, stand against what the picture says as a whole, or lately did.
    fn edges_refute_picture(&mut self, parity: usize, rows: usize) -> bool {
        if self.judge.regenerated() || self.judge.doubtful() {
            return false;
        }
        let pair = &self.pair;
        let edge = |row| pair.middle(row).filter(usable_shift);
        self.blend
            .is_refuted(parity, rows, edge, self.content.trace())
    }

    /// Edges that are evidence, with what the picture adds.
    fn read_both(&mut self, rows: usize, parity: usize) {
        let Self {
            pair,
            blend,
            content,
            ..
        } = self;
        let edge = |row| pair.middle(row).filter(usable_shift);
        let refuted = |row, value| pair.refutes(row, value, WHOLE_ALONE);
        let alone = |row| pair.is_alone(row);
        blend.both(parity, rows, edge, refuted, alone, content.trace());
    }

    /// Looks for the edges of a side that has none, every now and then.
    fn search_if_due(&mut self, luma: &Plane) {
        let missing = [&self.pair.left, &self.pair.right]
            .iter()
            .any(|side| side.reference.is_none());
        self.since_search += 1;
        if !missing || self.since_search < SEARCH_INTERVAL {
            return;
        }
        self.since_search = 0;
        let (Some(left), Some(right)) = (
            self.pair.left.outermost(luma),
            self.pair.right.outermost(luma),
        ) else {
            return;
        };
        let known = [&self.pair.left, &self.pair.right]
            .iter()
            .any(|side| side.reference.is_some());
        let (darker, spread) = match left.0.total_cmp(&right.0) {
            Ordering::Less => left,
            Ordering::Greater => right,
            Ordering::Equal => (left.0, left.1.min(right.1)),
        };
        let blanking = if known { self.blanking } else { darker };
        if blanking > HIGHEST_BLANKING {
            return;
        }
        // Detail passes for noise in the picture, and a raised edge in the border: the smaller is nearer.
        let noise = picture_noise(luma, blanking, &mut self.scratch)
            .map_or(spread, |power| power.sqrt().min(spread));
        let mut found = false;
        for side in [&mut self.pair.left, &mut self.pair.right] {
            if side.reference.is_none()
                && side.share_below(luma, blanking, noise) <= MOST_BELOW_BLANKING
            {
                side.acquire(luma, blanking, noise, known);
                found |= side.reference.is_some();
            }
        }
        if !known {
            self.blanking = blanking;
            self.pair.reset();
        } else if found {
            self.pair.begin_length();
        }
    }

    /// Finds both edges of every line; returns what blanking looks like at each side.
    fn read_lines(&mut self, luma: &Plane, parity: usize) -> [Option<Plateau>; 2] {
        let left = self.pair.left.plateau(luma);
        let right = self.pair.right.plateau(luma);
        let best = match (left, right) {
            (Some(a), Some(b)) => Some(a.better(b)),
            (a, b) => a.or(b),
        };
        if let Some(plateau) = best {
            self.blanking = plateau.level;
        }
        let level = |own: Option<Plateau>| own.map_or(self.blanking, |plateau| plateau.level);
        let levels = [level(left), level(right)];
        self.pair.left.begin();
        self.pair.right.begin();
        let mut follower = Follower::default();
        for row in luma.samples.chunks_exact(luma.width) {
            self.pair.read(row, levels, &mut follower);
        }
        self.picture_noise = picture_noise(luma, self.blanking, &mut self.scratch);
        let border_noise = best.map_or(0.0, |plateau| plateau.variance);
        let quiet = self
            .picture_noise
            .map_or(f32::INFINITY, |noise| noise.max(border_noise).max(ROUNDING));
        self.pair.left.finish(parity, quiet);
        self.pair.right.finish(parity, quiet);
        self.drop_a_side_that_is_none(luma.rows);
        [left.or(best), right.or(best)]
    }

    /// Forgets the edge of a side where the picture has reached the raster's end for a while, with the lines where they always are: it
    /// was no edge but something that stood there in the picture.
    fn drop_a_side_that_is_none(&mut self, rows: usize) {
        let Pair { left, right, .. } = &self.pair;
        let none = |own: &Side, other: &Side| {
            let stays = |row: &usize| {
                other
                    .shift(*row)
                    .is_some_and(|shift| shift.value.abs() < AT_REST)
            };
            own.reference.is_some()
                && 2 * own.cut_off() > rows
                && 2 * (0..rows).filter(stays).count() > rows
        };
        let none = [none(left, right), none(right, left)];
        for (hand, side) in [&mut self.pair.left, &mut self.pair.right]
            .into_iter()
            .enumerate()
        {
            let fields = &mut self.without_side[hand];
            *fields = if none[hand] { *fields + 1 } else { 0 };
            if *fields > FORGET_FIELDS {
                *fields = 0;
                side.forget_place();
                side.leave_out();
            }
        }
    }

    fn judge_border(&mut self, luma: &Plane, plateaux: [Option<Plateau>; 2]) {
        let (picture_noise, moves_together) = (self.picture_noise, self.pair.moves_together());
        let picture = self.content.trace();
        let scratch = &mut self.scratch;
        let mut evidence = |side: &mut Side, plateau: Option<Plateau>| {
            if 3 * side.edges().count() < luma.rows {
                return None;
            }
            let border_noise = plateau
                .filter(|plateau| plateau.variance < CONSTANT || has_darker(luma, plateau.level))
                .map(|plateau| plateau.variance);
            let (place, place_variance) = side.scatter()?;
            scratch.clear();
            scratch.extend((0..luma.rows).filter_map(|row| Some(side.shift(row)?.value)));
            let (_, spread) = robust::median_and_spread(scratch)?;
            scratch.clear();
            scratch.extend(side.calmest().map(|shift| shift.value));
            let calm_spread = plateau
                .filter(|plateau| plateau.level >= CUT_OFF_BELOW)
                .and_then(|_| robust::median_and_spread(scratch))
                .map_or(spread, |(_, calm)| calm.min(spread));
            Some(Evidence {
                border_noise,
                picture_noise,
                moves_together,
                place_variance,
                spread,
                calm_spread,
                place,
                variance_by_white_noise: side.place_variance_by_white_noise()?,
                shared_motion: shared_motion(luma.rows, |row| side.shift(row), picture),
            })
        };
        let left = evidence(&mut self.pair.left, plateaux[0]);
        let right = evidence(&mut self.pair.right, plateaux[1]);
        self.judge.see([left, right]);
    }

    /// Makes one displacement a line of the sides that are evidence.
    fn combine_sides(&mut self, parity: usize, rows: usize) {
        if !self.judge.regenerated() {
            let [left, right] = self.judge.regenerated_sides();
            if left {
                self.pair.left.leave_out();
            }
            if right {
                self.pair.right.leave_out();
            }
        }
        self.pair.combine(parity, rows);
    }

    /// Writes the usable lines to the reading's trace; returns how many picture lines are among them.
    fn trace(&self, field: &Field, rate: Hertz, parity: usize, reading: &mut Reading) -> usize {
        let doubt = field.raster.rate_trust.sigma();
        let one = nanos_from_samples(Samples(1.0), rate);
        let mut usable = 0;
        for row in 0..field.luma.rows {
            let Some(shift) = self.blend.line(row).filter(usable_shift) else {
                continue;
            };
            let value = f64::from(shift.value);
            let sigma = f64::from(shift.variance).sqrt().hypot(doubt * value);
            reading.lines.set(
                row,
                LineShift {
                    displacement: one * value,
                    sigma: one * sigma,
                },
            );
            let whole = match reading.basis {
                Basis::Edge => {
                    self.is_whole(row, shift.value) && !self.stands_still(row, shift.value)
                }
                Basis::Content | Basis::None => {
                    self.is_wide(row) && self.has_moved(row, parity, shift.value)
                }
            };
            if whole {
                reading.lines.set_whole(row);
            }
            usable += usize::from(reading.picture_rows.contains(&row));
        }
        usable
    }

    /// Whether the line is seen to stand there as a whole: two of its left edge, its right edge and its picture say so, and neither
    /// edge stays where it always is; or one edge shows it and the other's left the raster that way; or there is one side only, and its
    /// edge stands further out. One side by itself must stand off by more than picture detail can move it.
    fn is_whole(&self, row: usize, middle: f32) -> bool {
        let Pair { left, right, .. } = &self.pair;
        let allowed = WHOLE_APART + WHOLE_SHARE * middle.abs();
        let alike = |a: Shift, b: f32, variance: f32| {
            (a.value - b).abs() < allowed + 3.0 * (a.variance + variance).sqrt()
        };
        // One that could not tell the line's place from the usual says nothing: within its error it agrees with all.
        let at_rest = middle.abs() < AT_REST;
        // Dark detail beside both edges pulls them alike and makes them doubtful; the edges of a torn line are sharp.
        let tells = |one: &Shift| at_rest || CLEARLY * one.variance.sqrt() < middle.abs();
        let stays = |one: Shift| !at_rest && tells(&one) && one.value.abs() < WHOLE_APART;
        let agree = |a: Option<Shift>, b: Option<Shift>| {
            a.filter(tells).zip(b.filter(tells)).is_some_and(|(a, b)| {
                alike(a, b.value, b.variance) && alike(a, middle, 0.0) && alike(b, middle, 0.0)
            })
        };
        let picture = self.firm_change(row);
        match (left.shift(row), right.shift(row)) {
            (None, None) => false,
            // Content that changes can take one edge with it, and says the same as that edge then.
            (Some(a), Some(b)) if stays(a) || stays(b) => false,
            (a, b) if agree(a, b) || agree(a, picture) || agree(b, picture) => true,
            (Some(_), Some(_)) => false,
            _ if middle.abs() < WHOLE_ALONE => false,
            (Some(_), None) => {
                let pushed_out = matches!(right.line(row), Line::CutOff);
                middle < 0.0 || right.reference.is_some() && pushed_out
            }
            (None, Some(_)) => {
                let pushed_out = matches!(left.line(row), Line::CutOff);
                middle > 0.0 || left.reference.is_some() && pushed_out
            }
        }
    }

    /// Whether the picture says that a line whose edges stand elsewhere is where it always is: print beside both edges.
    ///
    /// Not asked near the bottom, where the switched heads displace lines by the same step in every field.
    fn stands_still(&self, row: usize, middle: f32) -> bool {
        const ASKED_ABOVE: usize = 24;
        const LEAST: f32 = 0.5;
        let rows = self.raster.map_or(0, |raster| raster.rows);
        row + ASKED_ABOVE < rows
            && middle.abs() > LEAST
            && self
                .firm_change(row)
                .is_some_and(|change| change.value.abs() < 0.3 * middle.abs())
    }

    /// How far the picture shows the line move, where it says so firmly and over most of its width.
    fn firm_change(&self, row: usize) -> Option<Shift> {
        const FIRM: f32 = 0.02;
        let change = self.content.trace().change(row)?;
        (change.wide && change.whole.variance < FIRM).then_some(change.whole)
    }

    /// Whether the picture shows the line move over most of its width.
    fn is_wide(&self, row: usize) -> bool {
        let change = self.content.trace().change(row);
        change.is_some_and(|change| change.wide)
    }

    /// Whether most of where a line stands is what it moved by since the field before of its parity; no where it was not seen there.
    fn has_moved(&self, row: usize, parity: usize, value: f32) -> bool {
        let before = self.earlier[parity].get(row);
        before.is_some_and(|before| (value - before).abs() >= CHANGED_SHARE * value.abs())
    }

    /// How far lines have moved since the field before of their parity, rms, noise and shift of the field apart; and takes them for
    /// the next.
    fn follow_changes(&mut self, parity: usize, rows: std::ops::Range<usize>) -> Option<Samples> {
        let earlier = &mut self.earlier[parity];
        let lines = || {
            let usable = |row| self.blend.line(row).filter(usable_shift);
            rows.clone()
                .filter_map(move |row| Some((row, usable(row)?)))
        };
        self.scratch.clear();
        let mut noise = 0.0;
        for (row, line) in lines() {
            if let Some(before) = earlier.get(row).filter(|before| before.is_finite()) {
                self.scratch.push(line.value - before);
                noise += 2.0 * line.variance;
            }
        }
        let enough = self.scratch.len() >= LEAST_FOLLOWED;
        let (count, square) = (self.scratch.len() as f32, |off: f32| off * off);
        let power = enough.then(|| {
            let sum: f32 = self.scratch.iter().sum();
            let all: f32 = self.scratch.iter().map(|&change| square(change)).sum();
            (all / count - square(sum / count) - noise / count).max(0.0)
        });
        earlier.clear();
        earlier.resize(MAX_ROWS, f32::NAN);
        for (row, line) in lines() {
            earlier[row] = line.value;
        }
        power.map(|power| Samples(f64::from(power.sqrt())))
    }

    fn report_no_edge(&mut self, rows: usize, reading: &mut Reading) -> &'static str {
        let cut_off = self.pair.cut_off_share(rows) > 0.5;
        if cut_off {
            reading.border = Border::Absent;
            self.without_edge += 1;
            if self.without_edge > FORGET_FIELDS {
                self.pair.left.forget_place();
                self.pair.right.forget_place();
                self.since_search = 0;
            }
            "no blanking edge in view"
        } else {
            "picture too dark at its sides"
        }
    }

    /// What the displacements make of the field.
    fn fill(&mut self, rate: Hertz, parity: usize, reading: &mut Reading) {
        let rows = reading.picture_rows.clone();
        let doubt = self.raster.map_or(0.0, |raster| raster.rate_trust.sigma());
        let one = nanos_from_samples(Samples(1.0), rate).0;
        let nanos = |figure: Figure, lines: u32| {
            let value = figure.value * one;
            Estimate::new(
                Nanos(value),
                Nanos((figure.sigma * one).hypot(doubt * value)),
                lines,
            )
        };
        let by_edge = reading.basis == Basis::Edge;
        // Changes are against a mean that has a part of them in it.
        let excess = if reading.static_error == StaticError::Unknown {
            self.content.trace().excess()
        } else {
            1.0
        };
        let one = one / excess;
        let Self {
            pair,
            decomposer,
            drum,
            blend,
            content,
            ..
        } = self;
        if let Some(figures) = decomposer.figures(rows.clone(), |row| wide(blend.line(row))) {
            let lines = figures.lines;
            reading.error_rms = Some(nanos(figures.error_rms, lines));
            reading.error_pp = Some(nanos(figures.error_pp, lines));
            reading.jitter_rms = Some(nanos(figures.jitter_rms, lines));
            reading.waving_rms = Some(nanos(figures.waving_rms, lines));
            reading.slant = Some(nanos(figures.slant, lines));
            if let Some(waves) = figures.waves {
                let strongest = waves.strongest;
                reading.wave_period = strongest.map(|wave| {
                    let period = wave.period;
                    Estimate::new(Lines(period.value), Lines(period.sigma), lines)
                });
                reading.wave_amplitude = strongest.map(|wave| nanos(wave.amplitude, lines));
                let amplitudes_ns = waves.amplitudes.map(|samples| samples * one as f32);
                reading.wave_spectrum = Some(WaveSpectrum::new(amplitudes_ns));
            }
            if by_edge && reading.border == Border::Tape {
                let residual = |row| decomposer.residual(&rows, row);
                reading.drum_difference_rms = drum
                    .see(parity, rows.clone(), residual)
                    .map(|(figure, rows)| nanos(figure, rows));
            }
        }
        let mut rms = |shift: &dyn Fn(usize) -> Option<Shift>| {
            decomposer
                .rms(rows.clone(), |row| wide(shift(row)))
                .map(|(figure, lines)| nanos(figure, lines))
        };
        if !by_edge {
            let third = |row: usize, nth: usize| content.trace().change(row)?.thirds[nth];
            let length = |row| Some(longer(third(row, 0)?, third(row, 1)?));
            reading.left_rms = rms(&|row| third(row, 0));
            reading.right_rms = rms(&|row| third(row, 1));
            reading.length_rms = rms(&length);
            return;
        }
        reading.left_rms = rms(&|row| pair.left_shift(row));
        reading.right_rms = rms(&|row| pair.right_shift(row));
        reading.length_rms = rms(&|row| pair.length(row));
        reading.field_shift = self
            .field_shift(rows, parity)
            .map(|(figure, lines)| nanos(figure, lines));
    }

    /// The field's median position against the running mean of its parity.
    fn field_shift(
        &mut self,
        rows: std::ops::Range<usize>,
        parity: usize,
    ) -> Option<(Figure, u32)> {
        let shifts = || {
            rows.clone()
                .filter_map(|row| self.pair.middle(row).filter(usable_shift))
        };
        self.scratch.clear();
        self.scratch.extend(shifts().map(|shift| shift.value));
        let noise: f64 = shifts().map(|shift| f64::from(shift.variance)).sum();
        let n = self.scratch.len() as f64;
        if n < decompose::LEAST_COVERAGE * rows.len() as f64 {
            return None;
        }
        let median = f64::from(robust::median(&mut self.scratch)?);
        let places = self.pair.absolute_reference() + median;
        let mean = self.positions[parity].see(places);
        // The median of n normal values varies π/2 times as much as their mean.
        let sigma = (std::f64::consts::FRAC_PI_2 * noise).sqrt() / n;
        mean.map(|mean| {
            (
                Figure {
                    value: places - mean,
                    sigma,
                },
                n as u32,
            )
        })
    }
}

/// Whether the field has codes below blanking: without, the chain may have cut off the border's noise at its lowest code.
fn has_darker(luma: &Plane, level: f32) -> bool {
    const ROW_STRIDE: usize = 4;
    let rows = luma.samples.chunks_exact(luma.width).step_by(ROW_STRIDE);
    rows.filter_map(|row| row.iter().min())
        .any(|&lowest| f32::from(lowest) < level - 1.0)
}

#[expect(
    clippy::trivially_copy_pass_by_ref,
    reason = "the shape `Option::filter` asks for"
)]
fn usable_shift(shift: &Shift) -> bool {
    f64::from(shift.variance) <= USABLE_SIGMA.0 * USABLE_SIGMA.0
}

/// By how much the right side stands further right than the left one.
fn longer(left: Shift, right: Shift) -> Shift {
    Shift {
        value: right.value - left.value,
        variance: left.variance + right.variance,
    }
}

fn wide(shift: Option<Shift>) -> Option<(f64, f64)> {
    shift
        .filter(usable_shift)
        .map(|shift| (f64::from(shift.value), f64::from(shift.variance)))
}

/// A mean over the last fields that starts with the first.
#[derive(Clone, Copy, Debug, Default)]
struct RunningMean {
    mean: f64,
    fields: f64,
}

impl RunningMean {
    /// The mean before `value`, which then becomes part of it; `None` at first.
    fn see(&mut self, value: f64) -> Option<f64> {
        let before = (self.fields > 0.0).then_some(self.mean);
        self.fields = (self.fields + 1.0).min(POSITION_FIELDS);
        self.mean += (value - self.mean) / self.fields;
        before
    }
}
