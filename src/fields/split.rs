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

use crate::sources::{FieldOrder, Frame, PictureFormat, RowLayout};
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
mod tests {
    use std::time::{Duration, Instant};

    use proptest::prelude::*;

    use super::*;
    use crate::fields::NativeExtremes;
    use crate::sources::{ChromaGrid, ChromaSiting, FramePool, Packing, SampleFormat};
    use crate::standard::{RateTrust, Standard};
    use crate::units::CodeRange;

    fn format(width: usize, rows: usize, chroma: ChromaGrid) -> PictureFormat {
        PictureFormat {
            width,
            rows,
            samples: SampleFormat {
                packing: Packing::Planar,
                chroma,
                depth: 8,
            },
            padded_stride: None,
            range: CodeRange::Studio,
            standard: Some(Standard::Lines625),
            sample_rate: None,
            rate_trust: RateTrust::Known,
            field_order: Some(FieldOrder::Top),
            field_order_forced: false,
        }
    }

    fn packed(packing: Packing, width: usize, rows: usize) -> PictureFormat {
        let mut format = format(width, rows, ChromaGrid::Half);
        format.samples.packing = packing;
        format
    }

    /// A frame whose bytes are `byte(index)`.
    fn frame(format: &Arc<PictureFormat>, rows: RowLayout, byte: impl Fn(usize) -> u8) -> Frame {
        let buffer_rows = match rows {
            RowLayout::Single(parity) => rows_of(parity, format.rows),
            RowLayout::Woven | RowLayout::Sequential(_) => format.rows,
        };
        let mut pool = FramePool::new(1, format.buffer_bytes(buffer_rows));
        let mut vacant = pool.vacant().expect("a new pool has room");
        for (index, to) in vacant.bytes_mut().iter_mut().enumerate() {
            *to = byte(index);
        }
        Frame {
            format: Arc::clone(format),
            rows,
            data: vacant.fill(),
            gap: Gap::default(),
            device_time: None,
            arrived: Instant::now(),
            damaged: false,
            input: InputState::Unsaid,
        }
    }

    fn split(splitter: &mut Splitter, frame: &Frame) -> Vec<Field> {
        let mut fields = Vec::new();
        splitter.split(frame, &mut History::default(), |history| {
            let newest = history.neighbourhood().expect("a field was pushed").field;
            fields.push(newest.clone());
        });
        fields
    }

    /// Rows of both fields in turn, top first.
    fn weave(top: &Plane, bottom: &Plane) -> Vec<u8> {
        let mut samples = Vec::new();
        for row in 0..top.rows {
            samples.extend_from_slice(top.row(row));
            if row < bottom.rows {
                samples.extend_from_slice(bottom.row(row));
            }
        }
        samples
    }

    fn woven_planes(fields: &[Field]) -> Vec<u8> {
        let [top, bottom] = match fields[0].place.parity {
            Parity::Top => [&fields[0], &fields[1]],
            Parity::Bottom => [&fields[1], &fields[0]],
        };
        [
            weave(&top.luma, &bottom.luma),
            weave(&top.cb, &bottom.cb),
            weave(&top.cr, &bottom.cr),
        ]
        .concat()
    }

    fn any_grid() -> impl Strategy<Value = ChromaGrid> {
        prop_oneof![
            Just(ChromaGrid::Mono),
            Just(ChromaGrid::Quarter),
            Just(ChromaGrid::Half2x2(ChromaSiting::Centre)),
            Just(ChromaGrid::Half2x2(ChromaSiting::AlternateRows)),
            Just(ChromaGrid::Half),
            Just(ChromaGrid::Full),
        ]
    }

    fn any_order() -> impl Strategy<Value = FieldOrder> {
        prop_oneof![
            Just(FieldOrder::Top),
            Just(FieldOrder::Bottom),
            Just(FieldOrder::Progressive),
        ]
    }

    /// A byte that differs from its neighbours in every direction.
    fn scramble(index: usize) -> u8 {
        ((index as u32).wrapping_mul(2_654_435_761) >> 21) as u8
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn weaving_the_fields_of_a_woven_frame_gives_the_frame(
            (width, rows) in (1_usize..40, 2_usize..30), grid in any_grid(), order in any_order(),
        ) {
            let mut format = format(width, rows, grid);
            format.field_order = Some(order);
            let frame = frame(&Arc::new(format), RowLayout::Woven, scramble);
            let fields = split(&mut Splitter::new(), &frame);
            prop_assert_eq!(fields[0].place.parity, order.first());
            prop_assert_eq!(woven_planes(&fields), frame.data.bytes());
        }

        #[test]
        fn sequential_fields_are_the_buffer_s_pieces(
            (width, rows) in (1_usize..40, 2_usize..30), grid in any_grid(), bottom_first in any::<bool>(),
        ) {
            let first = if bottom_first { Parity::Bottom } else { Parity::Top };
            let format = Arc::new(format(width, rows, grid));
            let frame = frame(&format, RowLayout::Sequential(first), scramble);
            let fields = split(&mut Splitter::new(), &frame);
            prop_assert_eq!(fields[0].place.parity, first);
            let pieces = [
                [&fields[0].luma.samples[..], &fields[1].luma.samples].concat(),
                [&fields[0].cb.samples[..], &fields[1].cb.samples].concat(),
                [&fields[0].cr.samples[..], &fields[1].cr.samples].concat(),
            ];
            prop_assert_eq!(pieces.concat(), frame.data.bytes());
        }

        #[test]
        fn a_single_field_is_its_buffer(
            (width, rows) in (1_usize..40, 2_usize..30), grid in any_grid(), bottom in any::<bool>(),
        ) {
            let parity = if bottom { Parity::Bottom } else { Parity::Top };
            let format = Arc::new(format(width, rows, grid));
            let frame = frame(&format, RowLayout::Single(parity), scramble);
            let fields = split(&mut Splitter::new(), &frame);
            prop_assert_eq!(fields.len(), 1);
            let field = &fields[0];
            prop_assert_eq!(field.place.parity, parity);
            let planes = [&field.luma, &field.cb, &field.cr].map(|plane| plane.samples.as_slice());
            prop_assert_eq!(planes.concat(), frame.data.bytes());
        }

        #[test]
        fn packed_samples_come_apart_as_their_name_says(
            (width, rows) in (1_usize..80, 2_usize..12), padding in 0_usize..9,
        ) {
            for (packing, y, cb, cr) in [
                (Packing::Yuyv, 0, 1, 3),
                (Packing::Uyvy, 1, 0, 2),
                (Packing::Yvyu, 0, 3, 1),
                (Packing::Vyuy, 1, 2, 0),
            ] {
                let mut format = packed(packing, width, rows);
                let stride = 4 * width.div_ceil(2) + padding;
                format.padded_stride = (padding > 0).then_some(stride);
                let frame = frame(&Arc::new(format), RowLayout::Woven, scramble);
                let fields = split(&mut Splitter::new(), &frame);
                let lines: Vec<_> = frame.data.bytes().chunks(stride).collect();
                let expected = |offset: usize, step: usize, width: usize| -> Vec<u8> {
                    let row = |line: &&[u8]| -> Vec<u8> {
                        line.iter().skip(offset).step_by(step).copied().take(width).collect()
                    };
                    lines.iter().flat_map(row).collect()
                };
                let pairs = width.div_ceil(2);
                let planes = [expected(y, 2, width), expected(cb, 4, pairs), expected(cr, 4, pairs)];
                prop_assert_eq!(woven_planes(&fields), planes.concat());
            }
        }

        #[test]
        fn deeper_samples_are_rounded_and_their_ends_counted_before(
            depth in 9_u8..=16, (width, rows) in (1_usize..40, 2_usize..10), seed in any::<usize>(),
        ) {
            let mut format = format(width, rows, ChromaGrid::Mono);
            format.samples.depth = depth;
            let mask = (1_u32 << depth) - 1;
            let code = |sample: usize| {
                (((seed.wrapping_add(sample)) as u32).wrapping_mul(2_654_435_761) >> 13 & mask) as u16
            };
            let frame = frame(&Arc::new(format), RowLayout::Woven, |index| {
                code(index / 2).to_le_bytes()[index % 2]
            });
            let top = &split(&mut Splitter::new(), &frame)[0];
            let codes: Vec<u16> = (0..rows)
                .step_by(2)
                .flat_map(|row| (row * width..(row + 1) * width).map(code))
                .collect();
            let scale = f64::from(1_u32 << (depth - 8));
            for (&sample, &code) in top.luma.samples.iter().zip(&codes) {
                let exact = f64::from(code) / scale;
                prop_assert!((f64::from(sample) - exact).abs() <= 0.5 || sample == 255);
            }
            let (lowest, highest) = (codes.iter().min(), codes.iter().max());
            let count = |end| codes.iter().filter(|&code| Some(code) == end).count() as u32;
            prop_assert_eq!(top.native, Some(NativeExtremes {
                lowest: f64::from(*lowest.expect("there are rows")) / scale,
                at_lowest: count(lowest),
                highest: f64::from(*highest.expect("there are rows")) / scale,
                at_highest: count(highest),
            }));
        }

        #[test]
        fn whatever_is_lost_the_first_field_of_a_woven_frame_has_an_even_index(
            gaps in proptest::collection::vec((0_u64..5, 0_u64..5), 1..20)
        ) {
            let format = Arc::new(format(2, 2, ChromaGrid::Mono));
            let mut splitter = Splitter::new();
            let mut next = 0;
            for (lost_by_source, lost_by_us) in gaps {
                let mut frame = frame(&format, RowLayout::Woven, scramble);
                frame.gap = Gap { lost_by_source, lost_by_us, timed: false };
                let fields = split(&mut splitter, &frame);
                let [first, second] = [0, 1].map(|field: usize| fields[field].place.field.0);
                prop_assert!(first % 2 == 0 && second == first + 1);
                if next > 0 {
                    // what is said to be missing is what the numbers leave out
                    prop_assert_eq!(first, next + fields[0].gap.fields());
                }
                prop_assert_eq!(fields[1].gap, Gap::default());
                next = second + 1;
            }
        }
    }

    fn places(
        splitter: &mut Splitter,
        format: &Arc<PictureFormat>,
        rows: &[RowLayout],
    ) -> Vec<u64> {
        rows.iter()
            .flat_map(|&rows| split(splitter, &frame(format, rows, scramble)))
            .map(|field| field.place.field.0)
            .collect()
    }

    #[test]
    fn a_single_field_lost_shows_in_parity() {
        let [top, bottom] = [Parity::Top, Parity::Bottom].map(RowLayout::Single);
        let format = Arc::new(format(2, 4, ChromaGrid::Mono));
        let mut splitter = Splitter::new();
        let stream = [top, bottom, top, top, bottom, bottom];
        assert_eq!(places(&mut splitter, &format, &stream), [0, 1, 2, 4, 5, 7]);
        let next = split(&mut splitter, &frame(&format, bottom, scramble));
        assert_eq!(next[0].gap.lost_by_source, 1);
    }

    #[test]
    fn a_stream_that_begins_with_the_younger_field_lost_nothing() {
        let [top, bottom] = [Parity::Top, Parity::Bottom].map(RowLayout::Single);
        let format = Arc::new(format(2, 4, ChromaGrid::Mono));
        let mut splitter = Splitter::new();
        let first = split(&mut splitter, &frame(&format, bottom, scramble));
        assert_eq!((first[0].place.field.0, first[0].gap), (1, Gap::default()));
        assert_eq!(places(&mut splitter, &format, &[top, bottom]), [2, 3]);
    }

    #[test]
    fn fields_without_a_clock_stand_at_the_field_rate() {
        let mut format = format(2, 2, ChromaGrid::Mono);
        format.standard = Some(Standard::Lines525);
        let format = Arc::new(format);
        let mut splitter = Splitter::new();
        let _ = split(&mut splitter, &frame(&format, RowLayout::Woven, scramble));
        let mut late = frame(&format, RowLayout::Woven, scramble);
        late.gap.lost_by_source = 60_000 - 2;
        let fields = split(&mut splitter, &late);
        // SMPTE 170M cl. 11.3: 60 000 fields take 1001 s
        assert!((fields[0].place.seconds.0 - 1001.0).abs() < 1e-9);
        assert!((fields[1].place.seconds.0 - 1001.0 - 1.001 / 60.0).abs() < 1e-9);
    }

    #[test]
    fn fields_with_a_clock_stand_at_its_time_since_the_first() {
        let format = Arc::new(format(2, 2, ChromaGrid::Mono));
        let mut splitter = Splitter::new();
        let mut seconds = Vec::new();
        for millis in [5000, 5041, 5079] {
            let mut frame = frame(&format, RowLayout::Woven, scramble);
            frame.device_time = Some(Duration::from_millis(millis));
            seconds.extend(
                split(&mut splitter, &frame)
                    .iter()
                    .map(|f| f.place.seconds.0),
            );
        }
        let expected = [0.0, 0.02, 0.041, 0.061, 0.079, 0.099];
        for (found, expected) in seconds.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-9, "{seconds:?}");
        }
    }

    #[test]
    fn a_clock_quite_unlike_the_standard_s_places_second_fields_half_way() {
        let mut format = format(2, 3, ChromaGrid::Mono);
        format.standard = None;
        let format = Arc::new(format);
        let mut splitter = Splitter::new();
        let mut seconds = Vec::new();
        for frame_index in 0..3 {
            let mut frame = frame(&format, RowLayout::Woven, scramble);
            frame.device_time = Some(Duration::from_millis(20 * frame_index));
            seconds.extend(
                split(&mut splitter, &frame)
                    .iter()
                    .map(|f| f.place.seconds.0),
            );
        }
        assert!(seconds.is_sorted(), "{seconds:?}");
        assert!((seconds[5] - 0.05).abs() < 1e-9, "{seconds:?}");
    }

    #[test]
    fn the_operator_s_order_goes_before_a_sequential_buffer_s() {
        let mut format = format(2, 4, ChromaGrid::Mono);
        format.field_order = Some(FieldOrder::Bottom);
        format.field_order_forced = true;
        let frame = frame(
            &Arc::new(format),
            RowLayout::Sequential(Parity::Top),
            scramble,
        );
        let fields = split(&mut Splitter::new(), &frame);
        assert_eq!(fields[0].place.parity, Parity::Bottom);
        // the rows are still where the layout says
        assert_eq!(fields[1].luma.samples, frame.data.bytes()[..4]);
    }

    #[test]
    fn a_source_that_says_nothing_is_taken_in_the_usual_order_of_its_raster() {
        for (rows, usual) in [
            (576, FieldOrder::Top),
            (480, FieldOrder::Top),
            (486, FieldOrder::Bottom),
        ] {
            let mut format = format(1, rows, ChromaGrid::Mono);
            format.field_order = None;
            let mut splitter = Splitter::new();
            let _ = split(
                &mut splitter,
                &frame(&Arc::new(format), RowLayout::Woven, scramble),
            );
            assert_eq!(splitter.field_order(), usual, "{rows}");
        }
    }

    #[test]
    fn another_raster_clears_the_history_and_another_order_does_not() {
        let first = format(4, 6, ChromaGrid::Half);
        let turned = PictureFormat {
            field_order: Some(FieldOrder::Bottom),
            ..first.clone()
        };
        let larger = format(6, 8, ChromaGrid::Mono);
        let mut splitter = Splitter::new();
        let mut history = History::default();
        let mut seen = Vec::new();
        for format in [first, turned, larger] {
            let frame = frame(&Arc::new(format), RowLayout::Woven, scramble);
            splitter.split(&frame, &mut history, |history| {
                let around = history.neighbourhood().expect("a field was pushed");
                let rows = around.field.luma.rows + around.field.cb.rows;
                seen.push((around.field.place.parity, rows, around.before(1).is_some()));
            });
        }
        let [top, bottom] = [Parity::Top, Parity::Bottom];
        assert_eq!(
            seen,
            [
                (top, 6, false),
                (bottom, 6, true),
                (bottom, 6, true),
                (top, 6, true),
                (top, 4, false),
                (bottom, 4, true),
            ]
        );
    }

    #[test]
    fn what_a_device_says_of_a_frame_goes_with_its_fields() {
        let format = Arc::new(format(2, 2, ChromaGrid::Mono));
        let mut splitter = Splitter::new();
        let mut frame = frame(&format, RowLayout::Woven, scramble);
        frame.damaged = true;
        frame.input = InputState::Unlocked;
        for field in split(&mut splitter, &frame) {
            assert!(field.damaged && field.input == InputState::Unlocked);
        }
    }
}
