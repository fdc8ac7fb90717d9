//! The kernel's words for field layouts, pixel formats and code ranges, in ours.
//!
//! Numbers and rules: `enum v4l2_field` and "Field Order" of the kernel's V4L2 documentation.
//!
//! Does not know: any device.

use v4l::FourCC;
use v4l::v4l_sys::{
    v4l2_field_V4L2_FIELD_ALTERNATE, v4l2_field_V4L2_FIELD_BOTTOM,
    v4l2_field_V4L2_FIELD_INTERLACED, v4l2_field_V4L2_FIELD_INTERLACED_BT,
    v4l2_field_V4L2_FIELD_INTERLACED_TB, v4l2_field_V4L2_FIELD_NONE, v4l2_field_V4L2_FIELD_SEQ_BT,
    v4l2_field_V4L2_FIELD_SEQ_TB, v4l2_field_V4L2_FIELD_TOP,
    v4l2_quantization_V4L2_QUANTIZATION_FULL_RANGE,
};

use crate::sources::{ChromaGrid, FieldOrder, Packing, RowLayout, SampleFormat};
use crate::standard::{Parity, Standard};
use crate::units::CodeRange;

/// How the fields of a device lie in its buffers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum FieldLayout {
    /// One picture, no fields.
    Progressive,
    /// Rows of both in turn; the standard says which is older.
    Interlaced,
    /// Rows of both in turn, and this one is older.
    InterlacedWith(Parity),
    /// One whole, then the other; the first is older.
    Sequential(Parity),
    /// Each in its own buffer, in turn.
    Alternate,
    /// Only this one.
    Only(Parity),
}

impl FieldLayout {
    /// The layout of a `v4l2_field` number; `None` for numbers that are no answer (`ANY`) or that we do not know.
    pub(super) fn from_field(field: u32) -> Option<Self> {
        #[expect(non_upper_case_globals, reason = "names as the kernel has them")]
        Some(match field {
            v4l2_field_V4L2_FIELD_NONE => Self::Progressive,
            v4l2_field_V4L2_FIELD_TOP => Self::Only(Parity::Top),
            v4l2_field_V4L2_FIELD_BOTTOM => Self::Only(Parity::Bottom),
            v4l2_field_V4L2_FIELD_INTERLACED => Self::Interlaced,
            v4l2_field_V4L2_FIELD_SEQ_TB => Self::Sequential(Parity::Top),
            v4l2_field_V4L2_FIELD_SEQ_BT => Self::Sequential(Parity::Bottom),
            v4l2_field_V4L2_FIELD_ALTERNATE => Self::Alternate,
            v4l2_field_V4L2_FIELD_INTERLACED_TB => Self::InterlacedWith(Parity::Top),
            v4l2_field_V4L2_FIELD_INTERLACED_BT => Self::InterlacedWith(Parity::Bottom),
            _ => return None,
        })
    }

    /// Whether a buffer holds one field.
    pub(super) fn is_single(self) -> bool {
        matches!(self, Self::Alternate | Self::Only(_))
    }

    /// Which field is older, as far as the driver and the standard say.
    ///
    /// In plain `INTERLACED` it is the bottom field at M/NTSC, 525 lines, and the top field elsewhere ("Field Order",
    /// V4L2 documentation); alternate fields begin with the older one by the same rule.
    pub(super) fn order(self, standard: Option<Standard>) -> Option<FieldOrder> {
        match self {
            Self::Progressive => Some(FieldOrder::Progressive),
            Self::InterlacedWith(older) | Self::Sequential(older) => Some(order_of(older)),
            Self::Interlaced | Self::Alternate | Self::Only(_) => standard.map(|it| match it {
                Standard::Lines525 => FieldOrder::Bottom,
                Standard::Lines625 => FieldOrder::Top,
            }),
        }
    }

    /// How the rows of a buffer lie; `None` for alternate fields, where each buffer says so itself.
    pub(super) fn rows(self) -> Option<RowLayout> {
        match self {
            Self::Progressive | Self::Interlaced | Self::InterlacedWith(_) => {
                Some(RowLayout::Woven)
            }
            Self::Sequential(older) => Some(RowLayout::Sequential(older)),
            Self::Only(parity) => Some(RowLayout::Single(parity)),
            Self::Alternate => None,
        }
    }

    /// The kernel's word.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Progressive => "none",
            Self::Interlaced => "interlaced",
            Self::InterlacedWith(Parity::Top) => "interlaced_tb",
            Self::InterlacedWith(Parity::Bottom) => "interlaced_bt",
            Self::Sequential(Parity::Top) => "seq_tb",
            Self::Sequential(Parity::Bottom) => "seq_bt",
            Self::Alternate => "alternate",
            Self::Only(Parity::Top) => "top",
            Self::Only(Parity::Bottom) => "bottom",
        }
    }
}

fn order_of(older: Parity) -> FieldOrder {
    match older {
        Parity::Top => FieldOrder::Top,
        Parity::Bottom => FieldOrder::Bottom,
    }
}

/// Pixel formats read here, best first: any of them is the same samples in another order.
pub(super) const READABLE: [([u8; 4], Packing); 4] = [
    (*b"YUYV", Packing::Yuyv),
    (*b"UYVY", Packing::Uyvy),
    (*b"YVYU", Packing::Yvyu),
    (*b"VYUY", Packing::Vyuy),
];

/// The code of a pixel format.
pub(super) fn code(name: [u8; 4]) -> u32 {
    FourCC::new(&name).into()
}

/// A pixel format's code as its four letters.
pub(super) fn letters(code: u32) -> String {
    let bytes = code.to_le_bytes();
    // The topmost bit marks big-endian variants; the letters are those of the base format.
    let ascii = [bytes[0], bytes[1], bytes[2], bytes[3] & 0x7f];
    String::from_utf8_lossy(&ascii).trim_end().to_owned()
}

/// How a pixel format's samples lie; `None` where we cannot read it.
pub(super) fn samples(pixel_format: u32) -> Option<SampleFormat> {
    READABLE
        .iter()
        .find(|it| code(it.0) == pixel_format)
        .map(|&(_, packing)| SampleFormat {
            packing,
            chroma: ChromaGrid::Half,
            depth: 8,
        })
}

/// The code range of a `v4l2_quantization` number; the default of component video is the studio range.
pub(super) fn range(quantization: u32) -> CodeRange {
    if quantization == v4l2_quantization_V4L2_QUANTIZATION_FULL_RANGE {
        CodeRange::Full
    } else {
        CodeRange::Studio
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(
        number: u32,
        word: &str,
        rows: Option<RowLayout>,
        at_525: FieldOrder,
        at_625: FieldOrder,
    ) {
        // numbers of `enum v4l2_field`, "Field Order" of the V4L2 documentation
        let layout = FieldLayout::from_field(number).expect("a number the kernel defines");
        assert_eq!(layout.word(), word);
        assert_eq!(layout.rows(), rows, "{word}");
        assert_eq!(
            layout.order(Some(Standard::Lines525)),
            Some(at_525),
            "{word}"
        );
        assert_eq!(
            layout.order(Some(Standard::Lines625)),
            Some(at_625),
            "{word}"
        );
    }

    #[test]
    fn field_numbers_read_as_the_kernel_documents_them() {
        use FieldOrder::{Bottom, Progressive, Top};
        use RowLayout::{Sequential, Single, Woven};
        check(1, "none", Some(Woven), Progressive, Progressive);
        check(2, "top", Some(Single(Parity::Top)), Bottom, Top);
        check(3, "bottom", Some(Single(Parity::Bottom)), Bottom, Top);
        check(4, "interlaced", Some(Woven), Bottom, Top);
        check(5, "seq_tb", Some(Sequential(Parity::Top)), Top, Top);
        check(
            6,
            "seq_bt",
            Some(Sequential(Parity::Bottom)),
            Bottom,
            Bottom,
        );
        check(7, "alternate", None, Bottom, Top);
        check(8, "interlaced_tb", Some(Woven), Top, Top);
        check(9, "interlaced_bt", Some(Woven), Bottom, Bottom);
    }

    #[test]
    fn any_and_numbers_unknown_are_no_layout() {
        for number in [0, 10, 77] {
            assert_eq!(FieldLayout::from_field(number), None);
        }
    }

    #[test]
    fn without_a_standard_plain_interlaced_does_not_say_its_order() {
        assert_eq!(FieldLayout::Interlaced.order(None), None);
        assert_eq!(
            FieldLayout::Sequential(Parity::Bottom).order(None),
            Some(FieldOrder::Bottom)
        );
    }

    #[test]
    fn packed_formats_are_told_apart_and_others_refused() {
        for (name, packing) in READABLE {
            let found = samples(code(name)).expect("readable");
            assert_eq!(found.packing, packing);
            assert_eq!(letters(code(name)).as_bytes(), name);
        }
        assert_eq!(samples(code(*b"MJPG")), None);
        assert_eq!(letters(code(*b"Y16 ") | 1 << 31), "Y16");
    }

    #[test]
    fn only_stated_full_range_is_full() {
        // default 0, full 1, limited 2 (videodev2.h, `enum v4l2_quantization`)
        let read = [0, 1, 2, 9].map(range);
        assert_eq!(
            read,
            [
                CodeRange::Studio,
                CodeRange::Full,
                CodeRange::Studio,
                CodeRange::Studio
            ]
        );
    }
}
