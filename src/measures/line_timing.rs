//! Line-start timing. (Interface; the method follows.)

use crate::fields::Neighbourhood;
use crate::standard::PRESUMED_RATE_SIGMA;
use crate::units::{Estimate, Hertz, Lines, Nanos, Ratio};

use super::{Better, Group, Measure, Quantity, QuantityUnit, Value};

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
    /// The straight line taken out, first to last picture line.
    pub slant: Option<Estimate<Nanos>>,
    /// The field's median position against its parity's running mean.
    pub field_shift: Option<Estimate<Nanos>>,
    /// Every line.
    pub lines: LineTrace,
}

/// The measure.
#[derive(Debug, Default)]
pub struct LineTiming {}

impl Measure for LineTiming {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, _input: Input<'_>) -> Reading {
        let _ = (PRESUMED_RATE_SIGMA, Lines(0.0));
        Reading::default()
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[Quantity {
    id: "line_timing.error_rms_ns",
    label: "line error",
    unit: QuantityUnit::Ns,
    better: Better::Low,
    group: Group::Steadiness,
    step: 0.1,
    words: &[],
    about: "x",
    read: |r| r.line_timing.error_rms.map(Value::from),
}];
