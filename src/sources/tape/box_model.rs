//! What a pass-through box (time-base corrector, or a recorder used as one) does to the signal.
//!
//! In: the displaced, noisy lines of a field. Out: the lines as the box hands them on. A box may leave a share of the
//! time error, add a little of its own, put a straight border of its own around the picture, crop, soften, reduce noise
//! within the line and over time, and get the levels wrong.
//!
//! Does not know: tape, transport, capture device.

use crate::units::{Hertz, Ire, Lines, Nanos};

use super::layout::{LUMA_WIDTH, MAX_FIELD_ROWS};

/// Settings and habits of a box.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoxModel {
    /// Share of the time error that is left: 0 is perfect.
    pub residual: f64,
    /// White jitter of its own.
    pub own_jitter: Nanos,
    /// What it does at the sides of the picture.
    pub sides: Sides,
    /// Luma bandwidth, where narrower than the tape's.
    pub soften: Option<Hertz>,
    /// Detail weaker than this many codes is taken for noise and removed.
    pub coring: Option<f64>,
    /// Share of each new picture in what is shown, where the picture does not move.
    pub temporal_share: Option<f64>,
    /// Contrast.
    pub gain: f64,
    /// Added to all levels.
    pub lift: Ire,
    /// Colour saturation.
    pub saturation: f64,
    /// How much later colour comes than luma.
    pub chroma_late: Nanos,
    /// How many lines of the field colour lies lower than luma.
    pub chroma_low: Lines,
    /// Share of the colour that is left in luma on its subcarrier.
    pub subcarrier: f64,
    /// What its supply lays over the picture: from peak to peak, at a frequency.
    pub pattern: Option<(Ire, Hertz)>,
    /// What the mains lay over picture and blanking: from peak to peak, at a frequency.
    pub hum: Option<(Ire, Hertz)>,
}

/// The sides of the picture after a box.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sides {
    /// The tape's own blanking.
    Tape,
    /// Black inserted outside a fixed window: its edges stay straight whatever the lines do.
    Border {
        /// Samples at the left.
        left: f64,
        /// Samples at the right.
        right: f64,
    },
    /// The picture is shown larger, so that its sides lie this many samples outside.
    Crop(f64),
}

impl BoxModel {
    /// Hands on what it gets.
    pub const THROUGH: Self = Self {
        residual: 1.0,
        own_jitter: Nanos(0.0),
        sides: Sides::Tape,
        soften: None,
        coring: None,
        temporal_share: None,
        gain: 1.0,
        lift: Ire(0.0),
        saturation: 1.0,
        chroma_late: Nanos(0.0),
        chroma_low: Lines(0.0),
        subcarrier: 0.0,
        pattern: None,
        hum: None,
    };
}

/// Half length of the average that separates detail from the rest.
const CORING_REACH: usize = 2;
/// A change of more codes than this counts as motion: well above the noise of a playable tape.
const MOTION_CODES: f32 = 14.0;

/// The memory of a box between fields.
#[derive(Debug)]
pub(super) struct BoxMemory {
    shown: Vec<[f32; LUMA_WIDTH]>,
    filled: [bool; 2],
    smoothed: [f32; LUMA_WIDTH],
}

impl BoxMemory {
    pub(super) fn new(model: &BoxModel) -> Self {
        let rows = if model.temporal_share.is_some() {
            2 * MAX_FIELD_ROWS
        } else {
            0
        };
        Self {
            shown: vec![[0.0; LUMA_WIDTH]; rows],
            filled: [false; 2],
            smoothed: [0.0; LUMA_WIDTH],
        }
    }

    /// Passes one line of luma through the box's noise reduction.
    pub(super) fn clean(
        &mut self,
        model: &BoxModel,
        newer: bool,
        row: usize,
        line: &mut [f32; LUMA_WIDTH],
    ) {
        if let Some(threshold) = model.coring {
            self.core(threshold as f32, line);
        }
        if let Some(share) = model.temporal_share {
            let shown = &mut self.shown[usize::from(newer) * MAX_FIELD_ROWS + row];
            if self.filled[usize::from(newer)] {
                average(shown, share as f32, line);
            }
            *shown = *line;
        }
    }

    /// Tells that all rows of a field went through.
    pub(super) fn field_done(&mut self, newer: bool) {
        self.filled[usize::from(newer)] = true;
    }

    fn core(&mut self, threshold: f32, line: &mut [f32; LUMA_WIDTH]) {
        const SPAN: usize = 2 * CORING_REACH + 1;
        self.smoothed = *line;
        let middle = &mut self.smoothed[CORING_REACH..LUMA_WIDTH - CORING_REACH];
        for (smooth, window) in middle.iter_mut().zip(line.windows(SPAN)) {
            *smooth = window.iter().sum::<f32>() / SPAN as f32;
        }
        for (sample, smooth) in line.iter_mut().zip(&self.smoothed) {
            let detail = *sample - smooth;
            let kept = (detail.abs() - threshold).max(0.0);
            *sample = smooth + kept.copysign(detail);
        }
    }
}

fn average(shown: &[f32; LUMA_WIDTH], share: f32, line: &mut [f32; LUMA_WIDTH]) {
    for (sample, shown) in line.iter_mut().zip(shown) {
        let change = *sample - shown;
        let weight = if change.abs() < MOTION_CODES {
            share
        } else {
            1.0
        };
        *sample = shown + weight * change;
    }
}
