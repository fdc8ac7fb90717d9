//! Sizes of the simulated raster and of the lines it is made from.
//!
//! Out: how many samples the buffers have, and which line of the frame each row of a field is.
//!
//! Does not know: what is drawn or how it is displaced.

use crate::standard::{Parity, Standard};

use super::super::format::FieldOrder;

/// Luma samples a row.
pub(super) const LUMA_WIDTH: usize = 720;
/// Samples a row of each colour difference.
pub(super) const CHROMA_WIDTH: usize = LUMA_WIDTH / 2;
/// Coarse chroma source samples under the raster, one every four luma samples: 3.375 MHz carries 0.5 MHz well.
pub(super) const CHROMA_COARSE: usize = LUMA_WIDTH / 4;
/// Luma source samples beside the raster: a line can be displaced by half a line period (432 samples) and a kernel.
pub(super) const LUMA_PAD: usize = 448;
/// Chroma source samples beside the raster.
pub(super) const CHROMA_PAD: usize = 120;
/// Luma source samples in all.
pub(super) const LUMA_SOURCE: usize = LUMA_WIDTH + 2 * LUMA_PAD;
/// Chroma source samples in all.
pub(super) const CHROMA_SOURCE: usize = CHROMA_COARSE + 2 * CHROMA_PAD;
/// Rows a field can have.
pub(super) const MAX_FIELD_ROWS: usize = 288;
/// Most lines of a frame.
pub(super) const MAX_LINES: usize = 625;

/// The raster of one capture, and where its rows lie among the lines of the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Raster {
    pub(super) standard: Standard,
    /// Rows of the frame.
    pub(super) rows: usize,
    /// Parity of the older field.
    pub(super) older: Parity,
}

impl Raster {
    /// Rows of a field.
    pub(super) fn field_rows(self) -> usize {
        self.rows / 2
    }

    /// Lines of the frame.
    pub(super) fn lines(self) -> usize {
        match self.standard {
            Standard::Lines525 => 525,
            Standard::Lines625 => 625,
        }
    }

    /// Luma samples of a whole line.
    pub(super) fn line_samples(self) -> usize {
        match self.standard {
            Standard::Lines525 => 858,
            Standard::Lines625 => 864,
        }
    }

    /// Luma samples from the line's sync to the raster's first sample (BT.601-5 Part A Appendix 1).
    pub(super) fn sync_to_raster(self) -> usize {
        match self.standard {
            Standard::Lines525 => 122,
            Standard::Lines625 => 132,
        }
    }

    /// Line of the frame, from 0, that is row 0 of the older or the newer field.
    ///
    /// 625: lines 23 and 336. 525, 480 rows, top field older (SMPTE RP 202): 23 and 286; bottom field older (DV
    /// family): 23 and 285; 486 rows: 21 and 283.
    pub(super) fn first_line(self, newer: bool) -> usize {
        let (older_line, newer_line) = match (self.standard, self.rows, self.older) {
            (Standard::Lines625, _, _) => (23, 336),
            (Standard::Lines525, 486, _) => (21, 283),
            (Standard::Lines525, _, Parity::Top) => (23, 286),
            (Standard::Lines525, _, Parity::Bottom) => (23, 285),
        };
        if newer {
            newer_line - 1
        } else {
            older_line - 1
        }
    }

    /// Line, from 0 and in fractions, at which the vertical sync pulse before the older or the newer field begins:
    /// 525: line 4 and half way through 266; 625: line 1 and half way through 313.
    pub(super) fn vertical_sync(self, newer: bool) -> f64 {
        match (self.standard, newer) {
            (Standard::Lines525, false) => 3.0,
            (Standard::Lines525, true) => 265.5,
            (Standard::Lines625, false) => 0.0,
            (Standard::Lines625, true) => 312.5,
        }
    }

    /// Parity of the older or the newer field.
    pub(super) fn parity(self, newer: bool) -> Parity {
        if newer {
            self.older.other()
        } else {
            self.older
        }
    }
}

/// The rows a standard is captured in unless asked otherwise.
pub(super) fn usual_rows(standard: Standard) -> usize {
    match standard {
        Standard::Lines525 => 480,
        Standard::Lines625 => 576,
    }
}

/// The order a standard's fields have unless a scene or the operator says otherwise.
pub(super) fn usual_order(rows: usize) -> FieldOrder {
    if rows == 486 {
        FieldOrder::Bottom
    } else {
        FieldOrder::Top
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_rows_are_the_last_lines_of_the_standards() {
        let last = |standard, rows, older, newer| {
            let raster = Raster {
                standard,
                rows,
                older,
            };
            raster.first_line(newer) + raster.field_rows()
        };
        // 625: 310 and 623; 525 RP 202: 262 and 525; DV family: 262 and 524; 486 rows: 263 and 525.
        assert_eq!(last(Standard::Lines625, 576, Parity::Top, false), 310);
        assert_eq!(last(Standard::Lines625, 576, Parity::Top, true), 623);
        assert_eq!(last(Standard::Lines525, 480, Parity::Top, false), 262);
        assert_eq!(last(Standard::Lines525, 480, Parity::Top, true), 525);
        assert_eq!(last(Standard::Lines525, 480, Parity::Bottom, true), 524);
        assert_eq!(last(Standard::Lines525, 486, Parity::Bottom, false), 263);
        assert_eq!(last(Standard::Lines525, 486, Parity::Bottom, true), 525);
    }
}
