//! Fields out of frames: order, parity, place on the time axis, and planes of 8-bit samples.
//!
//! In: [`crate::sources::Frame`]s in whatever layout a source has. Out: [`Field`]s, older first, each with its [`FieldPlace`];
//! [`History`] keeps the last few for measures that look back. Field buffers are reused.
//!
//! Does not know: what is measured, or whether the source is live.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::sources::{ChromaGrid, Gap, InputState};
use crate::standard::{Parity, RateTrust, Standard};
use crate::timecode::{FieldIndex, FrameIndex};
use crate::units::{CodeRange, Hertz, Seconds};

pub use order::{Opinion, OrderDetector};
pub use split::{OrderNotice, Splitter};

mod clock;
mod order;
mod planes;
mod split;

/// Where a field stands in the pass.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FieldPlace {
    /// From 0, counting fields the source lost.
    pub field: FieldIndex,
    /// Which rows of the frame.
    pub parity: Parity,
    /// Device time since the first field where there is one, else field / field rate.
    pub seconds: Seconds,
}

impl FieldPlace {
    /// The frame this field belongs to.
    #[must_use]
    pub fn frame(self) -> FrameIndex {
        self.field.frame()
    }
}

/// What the samples of a field stand for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FieldRaster {
    /// Luma samples a line.
    pub width: usize,
    /// Lines.
    pub rows: usize,
    /// Rows of the frame the field is half of.
    pub frame_rows: usize,
    /// Luma sample rate, where one makes sense.
    pub sample_rate: Option<Hertz>,
    /// How sure the rate is.
    pub rate_trust: RateTrust,
    /// Scanning standard; `None` for rasters of neither.
    pub standard: Option<Standard>,
    /// Black and peak codes.
    pub range: CodeRange,
    /// Both fields of a frame show one moment: deinterlaced, or never interlaced.
    pub progressive: bool,
}

/// A plane of 8-bit samples, rows one after the other without padding.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Plane {
    /// `width · rows` samples.
    pub samples: Vec<u8>,
    /// Samples a row; 0 for an absent plane.
    pub width: usize,
    /// Rows.
    pub rows: usize,
}

impl Plane {
    /// One row.
    ///
    /// # Panics
    /// When `row` is not below `rows`.
    #[must_use]
    pub fn row(&self, row: usize) -> &[u8] {
        &self.samples[row * self.width..(row + 1) * self.width]
    }
}

/// Samples at the ends of a deeper source's scale, counted before the reduction to 8 bit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NativeExtremes {
    /// Lowest code of the field, on the 8-bit scale with its fraction.
    pub lowest: f64,
    /// Samples at exactly that code.
    pub at_lowest: u32,
    /// Highest code of the field, on the 8-bit scale with its fraction.
    pub highest: f64,
    /// Samples at exactly that code.
    pub at_highest: u32,
}

/// One field of a picture.
#[derive(Clone, Debug)]
pub struct Field {
    /// Where it stands.
    pub place: FieldPlace,
    /// What its samples stand for.
    pub raster: FieldRaster,
    /// Luma, `raster.width` by `raster.rows`.
    pub luma: Plane,
    /// Blue colour difference; empty for mono.
    pub cb: Plane,
    /// Red colour difference; empty for mono.
    pub cr: Plane,
    /// How often colour is sampled, and where within the luma.
    pub chroma: ChromaGrid,
    /// Ends of the native scale, for sources deeper than 8 bit.
    pub native: Option<NativeExtremes>,
    /// What is missing before this field.
    pub gap: Gap,
    /// The device said the data may be corrupt.
    pub damaged: bool,
    /// What the device says of its input.
    pub input: InputState,
}

/// Fields the longest-looking measure wants: this one and four before, so one of its parity with one to either side.
pub const HISTORY_FIELDS: usize = 5;

/// The last few fields, newest first, over buffers that go round.
#[derive(Debug, Default)]
pub struct History {
    kept: VecDeque<Field>,
    spare: Vec<Field>,
}

impl History {
    /// A buffer for the next field, if one has come back.
    pub fn spare(&mut self) -> Option<Field> {
        self.spare.pop()
    }

    /// Makes `field` the newest; the oldest beyond [`HISTORY_FIELDS`] becomes spare.
    pub fn push(&mut self, field: Field) {
        if self.kept.len() == HISTORY_FIELDS {
            self.spare.extend(self.kept.pop_back());
        }
        self.kept.push_front(field);
    }

    /// Forgets all fields (the source changed), keeping their buffers.
    pub fn clear(&mut self) {
        self.spare.extend(self.kept.drain(..));
    }

    /// The newest field and those before it; `None` before the first.
    #[must_use]
    pub fn neighbourhood(&self) -> Option<Neighbourhood<'_>> {
        self.kept.front().map(|field| Neighbourhood {
            field,
            history: self,
        })
    }
}

/// A field and those right before it.
#[derive(Clone, Copy, Debug)]
pub struct Neighbourhood<'a> {
    /// The newest field.
    pub field: &'a Field,
    history: &'a History,
}

impl<'a> Neighbourhood<'a> {
    /// The field `back` places before in what was delivered, whatever was lost between; 1 is the one before.
    #[must_use]
    pub fn before(&self, back: usize) -> Option<&'a Field> {
        self.history.kept.get(back)
    }

    /// The newest earlier field of the same parity.
    #[must_use]
    pub fn same_parity(&self) -> Option<&'a Field> {
        let parity = self.field.place.parity;
        self.history
            .kept
            .iter()
            .skip(1)
            .find(|field| field.place.parity == parity)
    }
}
