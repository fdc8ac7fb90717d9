//! Black that is no picture at the top and the bottom: a letterbox, or rows that a box or a device has blanked.
//!
//! In: rows of low-passed values. Out: the rows between the masks. A mask is flat and dark over its whole width, ends at the same
//! row with light beside it on [`CONFIRMING`] fields, and has shown nothing else since; the first fields that show something
//! in it take it back. So a mask is found over time, and a dark ceiling, which has no straight end, is none.
//!
//! Does not know: IRE, time.

use std::ops::Range;

use super::low_pass::EIGHTHS;

/// Share of the height that a mask may take at either side: a picture of 2.39 in 4:3 leaves 22 %.
const MOST_SHARE: f64 = 0.27;

/// Fewest rows of values (two lines each): one may be a half line.
const LEAST_ROWS: usize = 2;

/// Highest and lowest value of a flat row may differ by so much, in eighths: noise of 5 codes leaves 7.
const FLAT: u16 = 8 * EIGHTHS as u16;

/// A row is dark up to this, in codes over black: set-up left in, and some.
const DARK_CODES: u16 = 26;

/// Codes over the mask's own level that are light.
const LIGHT: u16 = 20 * EIGHTHS as u16;

/// Rows beside the mask that may hold its edge before there is light.
const EDGE_ROWS: usize = 2;

/// Fields that must show the edge.
const CONFIRMING: u32 = 50;

/// Fields in a row with something else in it that end a mask.
const ENDING: u32 = 4;

/// One side.
#[derive(Clone, Copy, Debug, Default)]
struct Side {
    rows: usize,
    seen: u32,
    broken: u32,
}

/// Finds the masks.
#[derive(Debug, Default)]
pub(super) struct MaskFinder {
    top: Side,
    bottom: Side,
}

impl MaskFinder {
    /// Forgets what was seen: the source changed.
    pub(super) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Rows of values without the masks, after a look at one more field.
    pub(super) fn find(&mut self, values: &[u16], values_a_row: usize, black: f64) -> Range<usize> {
        let rows = values.len().checked_div(values_a_row).unwrap_or(0);
        let most = (MOST_SHARE * rows as f64) as usize;
        let row = |at: usize| &values[at * values_a_row..(at + 1) * values_a_row];
        let dark = (black as u16 + DARK_CODES) * EIGHTHS as u16;
        let top = self.top.learn((0..rows).map(row), most, dark);
        let bottom = self.bottom.learn((0..rows).rev().map(row), most, dark);
        top..rows - bottom
    }
}

impl Side {
    /// Rows to leave out at this side; `rows` come from outside in.
    fn learn<'a>(
        &mut self,
        mut rows: impl Iterator<Item = &'a [u16]>,
        most: usize,
        dark: u16,
    ) -> usize {
        let mut flat = 0;
        let mut level = 0;
        let mut beside = None;
        for row in rows.by_ref() {
            let Some(mean) = flat_level(row, dark).filter(|_| flat <= most) else {
                beside = Some(row);
                break;
            };
            level = mean;
            flat += 1;
        }
        let ends_in_light = beside
            .into_iter()
            .chain(rows.take(EDGE_ROWS))
            .any(|row| is_light(row, level));
        if (LEAST_ROWS..=most).contains(&flat) && ends_in_light {
            self.see(flat);
        }
        self.broken = if flat < self.rows { self.broken + 1 } else { 0 };
        if self.broken >= ENDING {
            *self = Self::default();
        }
        // The row beside a mask holds its edge.
        if self.seen >= CONFIRMING {
            self.rows + 1
        } else {
            0
        }
    }

    fn see(&mut self, flat: usize) {
        if self.seen == 0 {
            self.rows = flat;
        }
        if flat.abs_diff(self.rows) <= 1 {
            self.rows = self.rows.min(flat);
            self.seen = self.seen.saturating_add(1);
        } else if self.seen < CONFIRMING {
            self.seen = 0;
        }
    }
}

/// Mean of a row that is dark and the same all over.
fn flat_level(row: &[u16], dark: u16) -> Option<u16> {
    let (low, high) = row.iter().fold((u16::MAX, 0), |(low, high), value| {
        (low.min(*value), high.max(*value))
    });
    (high <= dark && high - low.min(high) <= FLAT).then_some(u16::midpoint(low, high))
}

/// Whether most of a row is well over a mask's level.
fn is_light(row: &[u16], level: u16) -> bool {
    row.iter().filter(|value| **value > level + LIGHT).count() * 2 > row.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    const A_ROW: usize = 100;
    const ROWS: usize = 120;

    /// Rows kept after `fields` fields whose rows have the levels that `level` gives, by field, row and column.
    fn kept(fields: usize, level: impl Fn(usize, usize, usize) -> u16) -> Range<usize> {
        let mut finder = MaskFinder::default();
        let mut rows = 0..0;
        for field in 0..fields {
            let values: Vec<u16> = (0..ROWS * A_ROW)
                .map(|at| 8 * level(field, at / A_ROW, at % A_ROW))
                .collect();
            rows = finder.find(&values, A_ROW, 16.0);
        }
        rows
    }

    fn letterbox(row: usize, picture: u16) -> u16 {
        if (15..105).contains(&row) {
            picture
        } else {
            18
        }
    }

    #[test]
    fn a_letterbox_is_found_after_a_second_and_not_before() {
        assert_eq!(kept(49, |_, row, _| letterbox(row, 120)), 0..ROWS);
        assert_eq!(kept(60, |_, row, _| letterbox(row, 120)), 16..104);
    }

    #[test]
    fn a_dark_scene_keeps_it() {
        let rows = kept(200, |field, row, _| {
            letterbox(row, if field < 60 { 120 } else { 18 })
        });
        assert_eq!(rows, 16..104);
    }

    #[test]
    fn something_shown_in_it_ends_it() {
        let rows = kept(70, |field, row, column| match (field, row, column) {
            (60.., 5, 10..30) => 90,
            _ => letterbox(row, 120),
        });
        assert_eq!(rows, 0..104);
    }

    #[test]
    fn a_dark_sky_without_a_straight_end_is_picture() {
        let rows = kept(
            200,
            |_, row, column| {
                if row < 20 + column / 5 { 18 } else { 120 }
            },
        );
        assert_eq!(rows, 0..ROWS);
    }

    #[test]
    fn a_dark_picture_is_picture() {
        assert_eq!(kept(200, |_, _, _| 18), 0..ROWS);
    }
}
