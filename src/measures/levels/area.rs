//! Where the picture is within the raster: the rectangle levels are read in.
//!
//! In: fields. Out: a [`PictureArea`] without blanking at the sides, half lines at the top and the head-switch zone at
//! the bottom. A side column belongs to the picture once it was bright where the columns further in are bright, on most rows
//! of several fields in a row; it stays picture until ten seconds of fields with a bright picture beside it have shown none,
//! so a dark scene does not change the area.
//!
//! Masks within it are found by `mask`.
//!
//! Does not know: levels. Blanking wider than [`SIDE_COLUMNS`] is taken for picture.

use crate::fields::{FieldRaster, Plane};
use crate::standard::Standard;

/// Columns at each side that may be blanking: more than twice the widest nominal margin (625 lines: 9.75 samples) plus
/// what a shifted capture window adds.
const SIDE_COLUMNS: usize = 48;

/// The innermost of these, which are taken for picture whatever they show.
const INNER_COLUMNS: usize = 8;

/// Rows averaged before a column is judged, against noise.
const ROWS_AT_ONCE: usize = 4;

/// Places down the field where columns are judged.
const PLACES: usize = 16;

/// Codes over the blanking level that make a column bright: four sigma of 5-code noise over [`ROWS_AT_ONCE`] rows.
const BRIGHT_CODES: u16 = 10;

/// Share of the bright places where a picture column must be bright too, in eighths: the rest may be displaced lines.
const MOST_EIGHTHS: u16 = 6;

/// Bright places needed to judge columns at all.
const ENOUGH_PLACES: u16 = 4;

/// Fields in a row that must show a column to be picture: the first fields of snow or of a flat insert, which reach across the
/// blanking, are over by then.
const CONFIRMING_FIELDS: u16 = 4;

/// Fields, of those bright further in, that a column stays picture after it was last seen so: ten seconds of 50 Hz.
const REMEMBERED_FIELDS: u16 = 500;

/// Columns left out inside the first picture column: the blanking edge's rise (up to 4 samples) and moving lines.
const GUARD_COLUMNS: usize = 6;

/// Columns left out while nothing bright was seen yet: the widest nominal margin and the guard.
const UNSEEN_COLUMNS: usize = 16;

/// Rows at the top that may be half lines.
const TOP_ROWS: usize = 2;

/// Rows at the bottom that the head switch spoils.
const BOTTOM_ROWS: usize = 8;

/// Narrowest and lowest field whose borders are left out; a smaller one is read whole.
const SMALLEST: (usize, usize) = (4 * SIDE_COLUMNS, 48);

/// A rectangle of a field, in samples and lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PictureArea {
    /// Samples of a line.
    pub columns: std::ops::Range<usize>,
    /// Lines of the field.
    pub rows: std::ops::Range<usize>,
}

impl PictureArea {
    /// The area of a raster before anything was seen of it.
    fn presumed(raster: &FieldRaster) -> Self {
        if raster.width < SMALLEST.0 || raster.rows < SMALLEST.1 {
            return Self {
                columns: 0..raster.width,
                rows: 0..raster.rows,
            };
        }
        Self {
            columns: UNSEEN_COLUMNS..raster.width - UNSEEN_COLUMNS,
            rows: TOP_ROWS..raster.rows - BOTTOM_ROWS,
        }
    }
}

/// One side of the picture, columns counted from outside.
#[derive(Debug)]
struct Side {
    /// Fields in a row that a column was seen to be picture by now.
    run: [u16; SIDE_COLUMNS],
    /// Telling fields since a column was last seen to be picture; `u16::MAX` is never.
    since_seen: [u16; SIDE_COLUMNS],
}

impl Default for Side {
    fn default() -> Self {
        Self {
            run: [0; SIDE_COLUMNS],
            since_seen: [u16::MAX; SIDE_COLUMNS],
        }
    }
}

impl Side {
    fn learn(&mut self, sums: &[[u16; SIDE_COLUMNS]; PLACES], bright: u16) {
        let mut lit = [0u16; SIDE_COLUMNS];
        let mut places = 0;
        for sums in sums.iter().filter(|sums| inner_is_bright(sums, bright)) {
            places += 1;
            for (lit, sum) in lit.iter_mut().zip(sums) {
                *lit += u16::from(*sum > bright);
            }
        }
        if places < ENOUGH_PLACES {
            return;
        }
        for ((run, since), lit) in self.run.iter_mut().zip(&mut self.since_seen).zip(lit) {
            let is_picture = lit * 8 >= places * MOST_EIGHTHS;
            *run = if is_picture { run.saturating_add(1) } else { 0 };
            *since = if *run >= CONFIRMING_FIELDS {
                0
            } else {
                since.saturating_add(1)
            };
        }
    }

    /// Columns to leave out.
    fn margin(&self) -> usize {
        let seen = |since: &u16| *since < REMEMBERED_FIELDS;
        match self.since_seen.iter().position(seen) {
            None => UNSEEN_COLUMNS,
            Some(0) => 0,
            Some(first) => first + GUARD_COLUMNS,
        }
    }
}

impl Side {
    /// Columns outside the first of the picture, if that was seen: blanking, with the edge of the picture.
    fn blanking(&self) -> usize {
        let seen = |since: &u16| *since < REMEMBERED_FIELDS;
        self.since_seen.iter().position(seen).unwrap_or(0)
    }
}

fn inner_is_bright(sums: &[u16; SIDE_COLUMNS], bright: u16) -> bool {
    let inner = &sums[SIDE_COLUMNS - INNER_COLUMNS..];
    inner.iter().filter(|sum| **sum > bright).count() * 2 > INNER_COLUMNS
}

/// Finds the picture area, field by field.
#[derive(Debug, Default)]
pub(super) struct AreaFinder {
    left: Side,
    right: Side,
}

impl AreaFinder {
    /// Forgets what was seen: the source changed.
    pub(super) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Columns of blanking at the left and the right, as far as light beside them has shown.
    pub(super) fn blanking(&self) -> [usize; 2] {
        [self.left.blanking(), self.right.blanking()]
    }

    /// The area, after a look at one more field.
    pub(super) fn find(&mut self, luma: &Plane, raster: &FieldRaster) -> PictureArea {
        let presumed = PictureArea::presumed(raster);
        if presumed.columns.start == 0 {
            return presumed;
        }
        let (black, _) = raster.range.black_and_peak();
        let bright = (black.0 as u16 + BRIGHT_CODES) * ROWS_AT_ONCE as u16;
        let (left, right) = side_sums(luma, &presumed.rows);
        self.left.learn(&left, bright);
        self.right.learn(&right, bright);
        PictureArea {
            columns: self.left.margin()..raster.width - self.right.margin(),
            rows: top_row(raster)..presumed.rows.end,
        }
    }
}

/// The first row that is no half line: 525-line rasters of 480 rows begin below them (SMPTE 170M: lines 23 and 286).
fn top_row(raster: &FieldRaster) -> usize {
    match (raster.standard, raster.frame_rows) {
        (Some(Standard::Lines525), 480) => 0,
        _ => TOP_ROWS,
    }
}

type SideSums = [[u16; SIDE_COLUMNS]; PLACES];

/// Sums of a few rows at places down the field, of the left and the right columns, both counted from outside.
fn side_sums(luma: &Plane, rows: &std::ops::Range<usize>) -> (SideSums, SideSums) {
    let mut left = [[0; SIDE_COLUMNS]; PLACES];
    let mut right = [[0; SIDE_COLUMNS]; PLACES];
    let step = (rows.len() - ROWS_AT_ONCE) / (PLACES - 1);
    for place in 0..PLACES {
        let first = rows.start + place * step;
        for row in (first..first + ROWS_AT_ONCE).map(|row| luma.row(row)) {
            for (sum, sample) in left[place].iter_mut().zip(row) {
                *sum += u16::from(*sample);
            }
            for (sum, sample) in right[place].iter_mut().zip(row.iter().rev()) {
                *sum += u16::from(*sample);
            }
        }
    }
    (left, right)
}
