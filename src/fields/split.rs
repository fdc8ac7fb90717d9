//! Fields out of frames, older first.
//!
//! In: a [`Frame`] and the [`History`] to put its fields into. Out: one field (alternate layout) or two, each the
//! newest of the history when it is handed on. Buffers come from the history: after its first few fields nothing is
//! allocated.
//!
//! Which field is older: the operator's word, else the source's, else the picture's as soon as it shows it
//! ([`OrderDetector`]), until then the usual one of the raster. A picture that contradicts the source is reported
//! and not followed: fields handed on are never put in another order, and one verdict may be wrong. Alternate
//! layout has no question: each field comes by itself.
//!
//! Does not know: what is measured, or whether the source is live.

use std::fmt;
use std::sync::Arc;

use crate::sources::{ChromaGrid, FieldOrder, Frame, PictureFormat, RowLayout};
use crate::standard::Parity;
use crate::timecode::FieldIndex;

use super::clock::{Arrival, FieldClock, Placed};
use super::order::{Opinion, OrderDetector};
use super::planes::{RowChoice, take_rows};
use super::{Field, FieldPlace, FieldRaster, Gap, History, InputState, Plane};

/// The picture and what was said of it disagree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OrderNotice {
    /// The field the picture has shown it since.
    pub since: FieldIndex,
    /// The source's word, where it gave one.
    pub said: Option<FieldOrder>,
    /// What fields were taken for so far.
    pub taken: FieldOrder,
    /// What the picture shows.
    pub shown: FieldOrder,
    /// Whether the fields from the next frame on are handed on as shown.
    pub followed: bool,
}

impl fmt::Display for OrderNotice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (taken, _) = in_words(self.taken);
        let (shown, option) = in_words(self.shown);
        let since = self.since.0;
        if self.followed {
            write!(
                f,
                "the picture shows {shown} since field {since}; {taken} was taken while nothing said so, \
                 {shown} is from here on"
            )
        } else {
            write!(
                f,
                "the source says {taken}, the picture shows {shown} since field {since}; if the picture is right, \
                 give --field-order {option}"
            )
        }
    }
}

/// Makes fields of frames.
#[derive(Debug)]
pub struct Splitter {
    format: Option<Arc<PictureFormat>>,
    order: FieldOrder,
    clock: FieldClock,
    detector: OrderDetector,
    /// What was said of the order last, so that one finding is told once.
    told: Option<FieldOrder>,
    notice: Option<OrderNotice>,
}

impl Default for Splitter {
    fn default() -> Self {
        Self {
            format: None,
            order: FieldOrder::Top,
            clock: FieldClock::default(),
            detector: OrderDetector::default(),
            told: None,
            notice: None,
        }
    }
}

impl Splitter {
    /// A splitter at the start of a pass.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Puts the fields of a frame into `history`, older first, calling `each` when one is the newest.
    ///
    /// # Panics
    /// When the frame's buffer is smaller than its format says.
    pub fn split(&mut self, frame: &Frame, history: &mut History, mut each: impl FnMut(&History)) {
        self.take_format(frame, history);
        let older = self.order.first();
        let (parity, fields) = match frame.rows {
            RowLayout::Single(parity) => (parity, 1),
            RowLayout::Woven | RowLayout::Sequential(_) => (older, 2),
        };
        let placed = self.clock.place(&Arrival {
            parity,
            opens_frame: parity == older,
            fields,
            gap: frame.gap,
            device_time: frame.device_time,
            standard: frame.format.standard,
        });
        let first = self.field(frame, placed.first, placed.gap, history.spare());
        history.push(first);
        each(history);
        if fields == 1 {
            return;
        }
        let second = self.field(frame, placed.second(), Gap::default(), history.spare());
        history.push(second);
        each(history);
        self.ask_the_picture(frame, &placed, history);
    }

    /// What the fields are taken for at present.
    #[must_use]
    pub fn field_order(&self) -> FieldOrder {
        self.order
    }

    /// What the picture has shown of the order so far.
    #[must_use]
    pub fn detector(&self) -> &OrderDetector {
        &self.detector
    }

    /// A disagreement of picture and word that was not handed out yet.
    pub fn order_notice(&mut self) -> Option<OrderNotice> {
        self.notice.take()
    }

    /// Takes over the frame's format where it is not the one before's.
    fn take_format(&mut self, frame: &Frame, history: &mut History) {
        let format = &frame.format;
        let before = self.format.as_ref();
        if before.is_some_and(|before| Arc::ptr_eq(before, format)) {
            return;
        }
        let same_raster = before.is_some_and(|before| {
            (before.width, before.rows, before.standard)
                == (format.width, format.rows, format.standard)
        });
        if !same_raster {
            history.clear();
            self.detector.forget();
            self.told = None;
        }
        if let Some(said) = said_of(frame) {
            self.order = said;
        } else if !same_raster {
            self.order = usual_order(format);
        }
        self.format = Some(Arc::clone(format));
    }

    /// One field of a frame, in a buffer that has come back, if one has.
    fn field(&self, frame: &Frame, place: FieldPlace, gap: Gap, spare: Option<Field>) -> Field {
        let raster = self.raster(&frame.format, place.parity);
        let mut field = spare.unwrap_or_else(|| blank(place, raster));
        field.place = place;
        field.raster = raster;
        field.chroma = frame.format.samples.chroma;
        field.gap = gap;
        field.damaged = frame.damaged;
        field.input = frame.input;
        let rows = choose(frame.rows, place.parity, frame.format.rows);
        take_rows(frame.data.bytes(), &frame.format, rows, &mut field);
        field
    }

    fn raster(&self, format: &PictureFormat, parity: Parity) -> FieldRaster {
        FieldRaster {
            width: format.width,
            rows: rows_of(parity, format.rows),
            frame_rows: format.rows,
            sample_rate: format.sample_rate,
            rate_trust: format.rate_trust,
            standard: format.standard,
            range: format.range,
            progressive: self.order == FieldOrder::Progressive,
        }
    }

    /// Lets the picture speak of the order, and acts on a verdict.
    fn ask_the_picture(&mut self, frame: &Frame, placed: &Placed, history: &History) {
        if frame.format.field_order_forced {
            return;
        }
        if placed.gap.fields() > 0 {
            return; // the frame before is further off than the detector assumes
        }
        self.detector.watch(placed.first.field, history);
        let said = said_of(frame);
        let Opinion::Says(shown) = self.detector.opinion_of(self.order) else {
            return;
        };
        // Film on an interlaced tape is progressive for as long as it runs; the tape is not.
        let film = shown == FieldOrder::Progressive
            && (said.is_some() || self.detector.has_shown_interlace());
        if film || self.told == Some(shown) {
            return;
        }
        self.told = Some(shown);
        let followed = said.is_none();
        self.notice = Some(OrderNotice {
            since: self.detector.since(),
            said,
            taken: self.order,
            shown,
            followed,
        });
        if followed {
            self.order = shown;
        }
    }
}

/// The order a raster usually has where neither source nor picture say it.
///
/// 486 rows begin with the half line of field 2, so the bottom field is the older (SMPTE 170M line numbers). 480 rows
/// are cut from them in two ways with opposite order (SMPTE RP 202 against the DV family): files that say nothing are
/// taken for the first; devices say theirs. 576 rows begin with field 1.
fn usual_order(format: &PictureFormat) -> FieldOrder {
    if format.rows == 486 {
        FieldOrder::Bottom
    } else {
        FieldOrder::Top
    }
}

/// What was said of the order of this frame's fields; a sequential buffer says it by its layout.
fn said_of(frame: &Frame) -> Option<FieldOrder> {
    match frame.rows {
        RowLayout::Sequential(first) if !frame.format.field_order_forced => Some(match first {
            Parity::Top => FieldOrder::Top,
            Parity::Bottom => FieldOrder::Bottom,
        }),
        _ => frame.format.field_order,
    }
}

/// `top field first`, as a sentence has it, and the option that says it.
fn in_words(order: FieldOrder) -> (&'static str, &'static str) {
    match order {
        FieldOrder::Top => ("top field first", "top"),
        FieldOrder::Bottom => ("bottom field first", "bottom"),
        FieldOrder::Progressive => ("progressive frames", "progressive"),
    }
}

/// A field without samples.
fn blank(place: FieldPlace, raster: FieldRaster) -> Field {
    Field {
        place,
        raster,
        luma: Plane::default(),
        cb: Plane::default(),
        cr: Plane::default(),
        chroma: ChromaGrid::Mono,
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

/// Rows of a field of a frame.
fn rows_of(parity: Parity, frame_rows: usize) -> usize {
    match parity {
        Parity::Top => frame_rows.div_ceil(2),
        Parity::Bottom => frame_rows / 2,
    }
}

/// Where the rows of a parity lie in a frame's buffer.
fn choose(layout: RowLayout, parity: Parity, frame_rows: usize) -> RowChoice {
    let rows = rows_of(parity, frame_rows);
    match layout {
        RowLayout::Woven => RowChoice {
            buffer_rows: frame_rows,
            first: usize::from(parity == Parity::Bottom),
            step: 2,
            rows,
        },
        RowLayout::Sequential(first) => RowChoice {
            buffer_rows: frame_rows,
            first: if parity == first {
                0
            } else {
                rows_of(first, frame_rows)
            },
            step: 1,
            rows,
        },
        RowLayout::Single(_) => RowChoice {
            buffer_rows: rows,
            first: 0,
            step: 1,
            rows,
        },
    }
}

#[cfg(test)]
mod tests;
