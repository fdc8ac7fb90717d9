//! Rows of a buffer into planes of 8-bit samples.
//!
//! In: a frame's bytes and which rows to take ([`RowChoice`]). Out: luma and colour planes, unpacked and reduced to
//! 8 bit where the source has another form; for deeper samples also the ends of their own scale.
//!
//! Does not know: which field is older, or what the samples show.

use multiversion::multiversion;

use crate::sources::{ChromaGrid, Packing, PictureFormat, PlaneLayout};

use super::{Field, NativeExtremes, Plane};

/// Which rows of a buffer make up the field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct RowChoice {
    /// Rows of the whole buffer.
    pub(super) buffer_rows: usize,
    /// First row taken.
    pub(super) first: usize,
    /// Distance from a row taken to the next.
    pub(super) step: usize,
    /// Luma rows taken.
    pub(super) rows: usize,
}

impl RowChoice {
    /// The same choice among the rows of a colour plane. Colour of every second row belongs to the fields in turn,
    /// as the rows of luma do (standards of 4:2:0 interlaced coding: ISO/IEC 13818-2 §6.1.1.8).
    fn of_chroma(self, luma_rows: usize, chroma_rows: usize) -> Self {
        if luma_rows == chroma_rows {
            return self;
        }
        if self.step == 1 {
            // One field in a piece of the buffer, its colour in a like piece of the colour plane.
            let first = self.first.div_ceil(2);
            return Self {
                first,
                rows: self
                    .rows
                    .div_ceil(2)
                    .min(chroma_rows - first.min(chroma_rows)),
                ..self
            };
        }
        Self {
            rows: (chroma_rows - self.first.min(chroma_rows)).div_ceil(self.step),
            ..self
        }
    }

    /// Byte ranges of the rows taken, top to bottom.
    fn byte_rows<'a>(
        self,
        bytes: &'a [u8],
        layout: &PlaneLayout,
        row_bytes: usize,
    ) -> impl Iterator<Item = &'a [u8]> + use<'a> {
        let (offset, stride) = (layout.offset, layout.stride);
        (0..self.rows).map(move |row| {
            let start = offset + (self.first + row * self.step) * stride;
            &bytes[start..start + row_bytes]
        })
    }
}

/// Fills the planes of `field` from the chosen rows of `bytes`.
///
/// # Panics
/// When the buffer is smaller than its format says.
pub(super) fn take_rows(
    bytes: &[u8],
    format: &PictureFormat,
    choice: RowChoice,
    field: &mut Field,
) {
    field.native = None;
    match format.samples.packing {
        Packing::Planar => take_planar(bytes, format, choice, field),
        Packing::Yuyv => take_packed(bytes, format, choice, field, unpack_yuyv),
        Packing::Uyvy => take_packed(bytes, format, choice, field, unpack_uyvy),
        Packing::Yvyu => {
            take_packed(bytes, format, choice, field, |row, y, cb, cr| {
                unpack_yuyv(row, y, cr, cb);
            });
        }
        Packing::Vyuy => {
            take_packed(bytes, format, choice, field, |row, y, cb, cr| {
                unpack_uyvy(row, y, cr, cb);
            });
        }
    }
}

/// Makes `plane` this large; its samples are yet to be written.
fn resize(plane: &mut Plane, width: usize, rows: usize) {
    plane.width = width;
    plane.rows = rows;
    plane.samples.resize(width * rows, 0);
}

fn take_planar(bytes: &[u8], format: &PictureFormat, choice: RowChoice, field: &mut Field) {
    let layouts = format.planes(choice.buffer_rows);
    let mut extremes = NativeExtremes::default();
    let planes = [&mut field.luma, &mut field.cb, &mut field.cr];
    for (nth, (layout, plane)) in layouts.into_iter().zip(planes).enumerate() {
        let Some(layout) = layout else {
            resize(plane, 0, 0);
            continue;
        };
        let choice = choice.of_chroma(choice.buffer_rows, layout.rows);
        resize(plane, layout.width, choice.rows);
        if format.samples.sample_bytes() == 1 {
            copy_plane(bytes, &layout, choice, plane);
        } else {
            let ends = reduce_plane(bytes, &layout, choice, format.samples.depth, plane);
            if nth == 0 {
                extremes = ends;
            }
        }
    }
    field.native = (format.samples.depth > 8).then_some(extremes);
}

fn copy_plane(bytes: &[u8], layout: &PlaneLayout, choice: RowChoice, plane: &mut Plane) {
    let rows = choice.byte_rows(bytes, layout, layout.width);
    for (to, from) in plane.samples.chunks_exact_mut(layout.width).zip(rows) {
        to.copy_from_slice(from);
    }
}

/// Samples of two bytes onto the 8-bit scale, rounded; the ends of the scale are those before rounding.
fn reduce_plane(
    bytes: &[u8],
    layout: &PlaneLayout,
    choice: RowChoice,
    depth: u8,
    plane: &mut Plane,
) -> NativeExtremes {
    let shift = u32::from(depth - 8);
    let (mut lowest, mut at_lowest) = (u16::MAX, 0);
    let (mut highest, mut at_highest) = (0, 0);
    let rows = choice.byte_rows(bytes, layout, 2 * layout.width);
    for (to, from) in plane.samples.chunks_exact_mut(layout.width).zip(rows) {
        let (low, high) = reduce_row(from, to, shift);
        // A row is looked at twice only where it reaches the ends seen so far.
        if low <= lowest {
            let before = if low < lowest { 0 } else { at_lowest };
            (lowest, at_lowest) = (low, before + count_equal(from, low));
        }
        if high >= highest {
            let before = if high > highest { 0 } else { at_highest };
            (highest, at_highest) = (high, before + count_equal(from, high));
        }
    }
    let on_8_bit = |code: u16| f64::from(code) / f64::from(1_u32 << shift);
    NativeExtremes {
        lowest: on_8_bit(lowest),
        at_lowest,
        highest: on_8_bit(highest),
        at_highest,
    }
}

fn words(row: &[u8]) -> impl Iterator<Item = u16> + '_ {
    row.chunks_exact(2)
        .map(|pair| u16::from_le_bytes([pair[0], pair[1]]))
}

/// Rounds a row to 8 bit; its lowest and highest code.
#[multiversion(targets("x86_64+avx2"))]
fn reduce_row(from: &[u8], to: &mut [u8], shift: u32) -> (u16, u16) {
    let half = (1_u16 << shift) >> 1;
    let (mut low, mut high) = (u16::MAX, 0);
    for (code, to) in words(from).zip(to) {
        low = low.min(code);
        high = high.max(code);
        *to = (code.saturating_add(half) >> shift).min(255) as u8;
    }
    (low, high)
}

#[multiversion(targets("x86_64+avx2"))]
fn count_equal(row: &[u8], code: u16) -> u32 {
    words(row).map(|word| u32::from(word == code)).sum()
}

fn take_packed(
    bytes: &[u8],
    format: &PictureFormat,
    choice: RowChoice,
    field: &mut Field,
    unpack: impl Fn(&[u8], &mut [u8], &mut [u8], &mut [u8]),
) {
    debug_assert_eq!(format.samples.chroma, ChromaGrid::Half);
    let width = format.width;
    let pairs = width.div_ceil(2);
    let layout = PlaneLayout {
        offset: 0,
        stride: format.padded_stride.unwrap_or(4 * pairs),
        width,
        rows: choice.buffer_rows,
    };
    resize(&mut field.luma, width, choice.rows);
    resize(&mut field.cb, pairs, choice.rows);
    resize(&mut field.cr, pairs, choice.rows);
    let luma = field.luma.samples.chunks_exact_mut(width);
    let cb = field.cb.samples.chunks_exact_mut(pairs);
    let cr = field.cr.samples.chunks_exact_mut(pairs);
    let rows = choice.byte_rows(bytes, &layout, 4 * pairs);
    for (((from, y), cb), cr) in rows.zip(luma).zip(cb).zip(cr) {
        unpack(from, y, cb, cr);
    }
}

/// Y Cb Y Cr; in a row of odd width the last second Y stands for nothing.
#[multiversion(targets("x86_64+avx2", "x86_64+ssse3"))]
fn unpack_yuyv(row: &[u8], y: &mut [u8], cb: &mut [u8], cr: &mut [u8]) {
    for (pair, y) in row.chunks_exact(2).zip(y) {
        *y = pair[0];
    }
    for ((quad, cb), cr) in row.chunks_exact(4).zip(cb).zip(cr) {
        *cb = quad[1];
        *cr = quad[3];
    }
}

/// Cb Y Cr Y.
#[multiversion(targets("x86_64+avx2", "x86_64+ssse3"))]
fn unpack_uyvy(row: &[u8], y: &mut [u8], cb: &mut [u8], cr: &mut [u8]) {
    for (pair, y) in row.chunks_exact(2).zip(y) {
        *y = pair[1];
    }
    for ((quad, cb), cr) in row.chunks_exact(4).zip(cb).zip(cr) {
        *cb = quad[0];
        *cr = quad[2];
    }
}
