//! How the samples of a frame lie in memory.

use serde::{Deserialize, Serialize};

use crate::standard::{Parity, RateTrust, Standard};
use crate::units::{CodeRange, Hertz};

/// Which field of a frame is the older one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FieldOrder {
    /// The top field.
    Top,
    /// The bottom field.
    Bottom,
    /// Neither: both were taken at once, or the source deinterlaced.
    Progressive,
}

impl FieldOrder {
    /// The older field; a progressive frame is read top first.
    #[must_use]
    pub fn first(self) -> Parity {
        match self {
            Self::Top | Self::Progressive => Parity::Top,
            Self::Bottom => Parity::Bottom,
        }
    }
}

/// How often colour is sampled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ChromaGrid {
    /// No colour at all.
    Mono,
    /// Every fourth sample of each row.
    Quarter,
    /// Every second sample of every second row.
    Half2x2(ChromaSiting),
    /// Every second sample of each row.
    Half,
    /// Every sample.
    Full,
}

/// Where 4:2:0 colour samples sit; the word is the source's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ChromaSiting {
    /// Between four luma samples.
    Centre,
    /// On the luma column, between rows.
    Left,
    /// On the luma column, interlaced with Cb and Cr on alternate rows of a field.
    AlternateRows,
    /// Not said.
    Unsaid,
}

/// How luma and colour share the bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Packing {
    /// Y, then Cb, then Cr, each a whole plane.
    Planar,
    /// Y Cb Y Cr.
    Yuyv,
    /// Cb Y Cr Y.
    Uyvy,
    /// Y Cr Y Cb.
    Yvyu,
    /// Cr Y Cb Y.
    Vyuy,
}

/// One kind of samples: grid, packing and depth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SampleFormat {
    /// How luma and colour share the bytes.
    pub packing: Packing,
    /// How often colour is sampled.
    pub chroma: ChromaGrid,
    /// Bits a sample, 8 to 16; beyond 8 a sample is two bytes, low byte first, in the low bits.
    pub depth: u8,
}

impl SampleFormat {
    /// Bytes of one sample of one plane.
    #[must_use]
    pub fn sample_bytes(self) -> usize {
        if self.depth > 8 { 2 } else { 1 }
    }
}

/// Where one plane lies in a buffer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlaneLayout {
    /// First byte.
    pub offset: usize,
    /// Bytes from a row to the next.
    pub stride: usize,
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub rows: usize,
}

/// How to read a frame's bytes, and what they show.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PictureFormat {
    /// Luma samples a row.
    pub width: usize,
    /// Rows of the frame (both fields), whatever one buffer holds.
    pub rows: usize,
    /// How the samples lie.
    pub samples: SampleFormat,
    /// Bytes from a row of luma (or of packed samples) to the next, where a device pads rows.
    pub padded_stride: Option<usize>,
    /// Black and peak codes.
    pub range: CodeRange,
    /// Scanning standard; `None` for rasters of neither.
    pub standard: Option<Standard>,
    /// Luma sample rate; `None` where a raster has no usual one.
    pub sample_rate: Option<Hertz>,
    /// How sure the rate is.
    pub rate_trust: RateTrust,
    /// Field order by the source's word or the operator's; `None` where neither said.
    pub field_order: Option<FieldOrder>,
    /// Whether the operator said the field order: then the picture is not asked.
    pub field_order_forced: bool,
}

impl PictureFormat {
    /// Samples a row and rows a frame of each colour plane; `None` for mono.
    #[must_use]
    pub fn chroma_size(&self) -> Option<(usize, usize)> {
        let (width, rows) = (self.width, self.rows);
        match self.samples.chroma {
            ChromaGrid::Mono => None,
            ChromaGrid::Quarter => Some((width.div_ceil(4), rows)),
            ChromaGrid::Half2x2(_) => Some((width.div_ceil(2), rows.div_ceil(2))),
            ChromaGrid::Half => Some((width.div_ceil(2), rows)),
            ChromaGrid::Full => Some((width, rows)),
        }
    }

    /// The three planes of a planar buffer that holds `rows` rows (a frame's, or one field's).
    ///
    /// Cb and Cr are `None` for mono. Not for packed formats.
    #[must_use]
    pub fn planes(&self, rows: usize) -> [Option<PlaneLayout>; 3] {
        let bytes = self.samples.sample_bytes();
        let luma = PlaneLayout {
            offset: 0,
            stride: self.padded_stride.unwrap_or(self.width * bytes),
            width: self.width,
            rows,
        };
        let Some((width, whole_rows)) = self.chroma_size() else {
            return [Some(luma), None, None];
        };
        let chroma_rows = if whole_rows == self.rows {
            rows
        } else {
            rows.div_ceil(2)
        };
        let first = PlaneLayout {
            offset: luma.stride * rows,
            stride: (luma.stride * width)
                .checked_div(self.width)
                .unwrap_or(0)
                .max(width * bytes),
            width,
            rows: chroma_rows,
        };
        let second = PlaneLayout {
            offset: first.offset + first.stride * chroma_rows,
            ..first
        };
        [Some(luma), Some(first), Some(second)]
    }

    /// Bytes of a buffer that holds `rows` rows.
    #[must_use]
    pub fn buffer_bytes(&self, rows: usize) -> usize {
        match self.samples.packing {
            Packing::Planar => self
                .planes(rows)
                .iter()
                .flatten()
                .map(|plane| plane.stride * plane.rows)
                .sum(),
            Packing::Yuyv | Packing::Uyvy | Packing::Yvyu | Packing::Vyuy => {
                self.padded_stride.unwrap_or(self.width.div_ceil(2) * 4) * rows
            }
        }
    }
}
