//! Where the colour samples of a field lie in its luma.
//!
//! In: a field, and the picture area in luma samples. Out: the same area on the colour planes, and where a colour sample stands
//! between luma samples. A colour row of a 4:2:0 frame stands midway between two luma rows of the frame, or, coded as interlaced, a
//! quarter of a field line below the first of its two luma rows in the top field and three quarters in the bottom field
//! (ISO/IEC 13818-2 §6.1.1.8). On the rows of a field both come to the same.
//!
//! Does not know: what the samples show.

use std::ops::Range;

use crate::fields::Field;
use crate::measures::levels::PictureArea;
use crate::sources::{ChromaGrid, ChromaSiting};
use crate::standard::Parity;

/// Luma samples across a block.
const BLOCK_SAMPLES: usize = 16;

/// Luma lines down a block.
const BLOCK_LINES: usize = 4;

/// Luma samples at each side of the picture in which the border still smears into the colour: about 0.6 µs, the rise of the
/// narrowest chroma there is on tape.
const SMEAR_SAMPLES: usize = 8;

/// Least blocks across and down that tell anything.
const LEAST_BLOCKS: (usize, usize) = (2, 3);

/// The picture on the colour planes of a field.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::measures) struct Grid {
    /// Luma samples from one colour sample to the next.
    pub(in crate::measures) across: usize,
    /// Luma lines of the field from one colour row to the next.
    pub(in crate::measures) down: usize,
    /// Colour samples of a row that are picture.
    pub(in crate::measures) columns: Range<usize>,
    /// Colour rows that are picture.
    pub(in crate::measures) rows: Range<usize>,
    /// Colour samples across a block, and rows down it.
    pub(in crate::measures) block: (usize, usize),
}

impl Grid {
    /// `None` without colour planes, or with next to no picture on them.
    pub(in crate::measures) fn of(field: &Field, area: &PictureArea) -> Option<Self> {
        let (cb, cr) = (&field.cb, &field.cr);
        if cb.width == 0 || (cb.width, cb.rows) != (cr.width, cr.rows) || cb.rows < 2 {
            return None;
        }
        let ratio = |luma: usize, chroma: usize| ((2 * luma + chroma) / (2 * chroma)).max(1);
        let across = ratio(field.luma.width, cb.width);
        let down = ratio(field.luma.rows, cb.rows);
        let block = ((BLOCK_SAMPLES / across).max(1), (BLOCK_LINES / down).max(1));
        let first = (area.columns.start + SMEAR_SAMPLES).div_ceil(across);
        let end = (area.columns.end.saturating_sub(SMEAR_SAMPLES) / across).min(cb.width);
        let top = area.rows.start.div_ceil(down);
        // the last row is only multiplied with
        let bottom = (area.rows.end / down).min(cb.rows);
        let blocks_across = end.saturating_sub(first) / block.0;
        let blocks_down = bottom.saturating_sub(top + 1) / block.1;
        (blocks_across >= LEAST_BLOCKS.0 && blocks_down >= LEAST_BLOCKS.1).then(|| Self {
            across,
            down,
            columns: first..first + blocks_across * block.0,
            rows: top..top + blocks_down * block.1,
            block,
        })
    }

    /// Blocks across.
    pub(in crate::measures) fn blocks_across(&self) -> usize {
        self.columns.len() / self.block.0
    }

    /// Blocks down.
    pub(in crate::measures) fn blocks_down(&self) -> usize {
        self.rows.len() / self.block.1
    }
}

/// Where colour sample (0, 0) of a field stands, in luma samples and field lines from luma sample (0, 0).
pub(in crate::measures) fn siting(field: &Field) -> (f64, f64) {
    let ChromaGrid::Half2x2(siting) = field.chroma else {
        // 4:2:2 and 4:1:1 are co-sited with the first of their luma samples (BT.601-5 Part A Table 2 item 3)
        return (0.0, 0.0);
    };
    let across = match siting {
        ChromaSiting::Centre => 0.5,
        ChromaSiting::Left | ChromaSiting::AlternateRows | ChromaSiting::Unsaid => 0.0,
    };
    let down = match (siting, field.place.parity) {
        // on the first row of the pair, Cb and Cr in turn: half a line either side of the mean of both
        (ChromaSiting::AlternateRows, _) => 0.5,
        (_, Parity::Top) => 0.25,
        (_, Parity::Bottom) => 0.75,
    };
    (across, down)
}
