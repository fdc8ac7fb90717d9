//! Whether a field is a flat picture put in by the chain: blue, grey, black, whatever colour.
//!
//! In: a field. Out: yes or no. An inserted picture is flat to a code, in luma and colour, but for a converter's noise. A
//! fade to black on tape still carries tape noise, in colour most of all. A line of writing (an input's name) may stand
//! on an inserted colour, but not on inserted black, where a night scene cut off at black would look the same.
//!
//! Limit: a recorded black that the chain cuts off, of a tape without colour noise, cannot be told from inserted black.
//!
//! Does not know: the fields before.

use crate::fields::{Field, Plane};
use crate::measures::dsp::codes::extremes;

use super::patches::patch_rows;
use super::thumbnail::SIDE;

/// Codes a row of an inserted picture spans at most: 4 is eight sigma of half a code, a converter's noise.
const FLAT_SPAN: u8 = 4;

/// Share of rows that may hold writing, in percent.
const WRITTEN_ROWS_PERCENT: usize = 35;

/// Share of samples that may differ from the common code by more than one, in parts of ten thousand: half a code of noise
/// yields 27, the quietest tape black (50 dB, 0.7 code) 300.
const STRAY_SAMPLES: u32 = 30;

/// The same where there is writing on an inserted colour.
const WRITTEN_SAMPLES: u32 = 1000;

/// Codes over nominal black up to which a neutral field counts as black.
const BLACK_CODES: u8 = 10;

/// Codes from neutral up to which colour counts as none.
const NEUTRAL_CODES: u8 = 6;

/// Codes of no colour.
const NEUTRAL: u8 = 128;

/// Whether the field is an inserted flat picture.
pub(super) fn is_flat_insert(field: &Field) -> bool {
    let Some(luma) = FlatPlane::of(&field.luma) else {
        return false;
    };
    let mut colours = [NEUTRAL; 2];
    let mut stray = luma.stray;
    for (colour, plane) in colours.iter_mut().zip([&field.cb, &field.cr]) {
        if plane.width == 0 {
            continue;
        }
        let Some(flat) = FlatPlane::of(plane) else {
            return false;
        };
        *colour = flat.code;
        stray = stray.max(flat.stray);
    }
    let black = field.raster.range.black_and_peak().0.0 as u8;
    let neutral = colours.iter().all(|c| c.abs_diff(NEUTRAL) <= NEUTRAL_CODES);
    let is_black = neutral && luma.code <= black + BLACK_CODES;
    stray
        <= if is_black {
            STRAY_SAMPLES
        } else {
            WRITTEN_SAMPLES
        }
}

/// A plane that is mostly one code.
struct FlatPlane {
    /// The common code.
    code: u8,
    /// Samples elsewhere by more than one, in parts of ten thousand.
    stray: u32,
}

impl FlatPlane {
    /// `None` where it plainly is not flat, or too small to say.
    fn of(plane: &Plane) -> Option<Self> {
        let side = SIDE * plane.width / 720;
        let columns = side..plane.width - side;
        let rows = patch_rows(plane.rows);
        let total = rows.clone().count();
        if total == 0 || columns.is_empty() {
            return None;
        }
        let mut flat = 0;
        for (nth, row) in rows.clone().enumerate() {
            let (lowest, highest) = extremes(&plane.row(row)[columns.clone()]);
            flat += usize::from(highest - lowest <= FLAT_SPAN);
            if (nth + 1 - flat) * 100 > total * WRITTEN_ROWS_PERCENT {
                return None;
            }
        }
        let mut counts = [0u32; 256];
        for row in rows {
            for code in &plane.row(row)[columns.clone()] {
                counts[usize::from(*code)] += 1;
            }
        }
        Some(Self::from_counts(&counts))
    }

    fn from_counts(counts: &[u32; 256]) -> Self {
        let near = |code: usize| -> u32 {
            counts[code.saturating_sub(1)..=(code + 1).min(255)]
                .iter()
                .sum()
        };
        let code = (0..256).max_by_key(|code| near(*code)).unwrap_or(0);
        let total: u32 = counts.iter().sum();
        let stray = u64::from(total - near(code)) * 10_000 / u64::from(total.max(1));
        Self {
            code: code as u8,
            stray: stray as u32,
        }
    }
}
