//! A field in a few hundred numbers, by which the same place on the tape is found again in another pass.
//!
//! Means of luma over a grid of 16 by 12 blocks in whole codes, and of both colour differences over 8 by 6 blocks in eighths of
//! a code (colour is weak in most pictures, and its relation between two chains is told from these means). The grid lies inside
//! the picture, away from blanking, from the bend at the top and from the head switch, by shares of the raster, so that
//! fields of different rasters give the same numbers. `None` for fields too small for it; no colour without colour planes.
//!
//! No quantity: it is stored beside the readings, for comparison only. Does not know: other passes.

use std::ops::Range;

use multiversion::multiversion;

use crate::fields::{Field, Plane};

use super::Measure;

/// Blocks of luma across and down.
pub const LUMA_GRID: (usize, usize) = (16, 12);

/// Blocks of colour across and down.
pub const CHROMA_GRID: (usize, usize) = (8, 6);

/// Blocks of luma.
pub const LUMA_CELLS: usize = LUMA_GRID.0 * LUMA_GRID.1;

/// Blocks of colour.
pub const CHROMA_CELLS: usize = CHROMA_GRID.0 * CHROMA_GRID.1;

/// Steps of a stored colour mean in a code.
pub const CHROMA_STEPS: i32 = 8;

/// Share of the width left out at either side: more than the blanking of a 720-sample line and a picture that waves in it.
const SIDE: (usize, usize) = (1, 32);

/// Share of the rows left out at the top: where the picture bends.
const TOP: (usize, usize) = (1, 24);

/// Share of the rows left out at the bottom: where the heads switch.
const BOTTOM: (usize, usize) = (1, 16);

/// A field in a few hundred numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fingerprint {
    /// Mean code of each block, rows one after the other.
    pub luma: [u8; LUMA_CELLS],
    /// Colour; `None` for mono.
    pub chroma: Option<ChromaMeans>,
}

/// Means of both colour differences from neutral (code 128), in steps of an eighth of a code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChromaMeans {
    /// Blue.
    pub cb: [i16; CHROMA_CELLS],
    /// Red.
    pub cr: [i16; CHROMA_CELLS],
}

/// Takes fingerprints.
#[derive(Clone, Copy, Debug, Default)]
pub struct Fingerprinter;

impl Measure for Fingerprinter {
    type Input<'a> = &'a Field;
    type Reading = Option<Fingerprint>;

    fn measure(&mut self, field: &Field) -> Option<Fingerprint> {
        let mut luma = [0; LUMA_CELLS];
        means::<LUMA_CELLS>(&field.luma, LUMA_GRID, |cell, sum, count| {
            luma[cell] = ((sum + count / 2) / count) as u8;
        })?;
        Some(Fingerprint {
            luma,
            chroma: chroma_of(field),
        })
    }
}

fn chroma_of(field: &Field) -> Option<ChromaMeans> {
    let of_plane = |plane: &Plane| {
        let mut cells = [0; CHROMA_CELLS];
        means::<CHROMA_CELLS>(plane, CHROMA_GRID, |cell, sum, count| {
            let (sum, count) = (i64::from(sum), i64::from(count));
            let steps = i64::from(CHROMA_STEPS) * (sum - 128 * count);
            cells[cell] = (2 * steps + count).div_euclid(2 * count) as i16;
        })?;
        Some(cells)
    };
    Some(ChromaMeans {
        cb: of_plane(&field.cb)?,
        cr: of_plane(&field.cr)?,
    })
}

/// Where block `at` of `blocks` lies in what is left of `length`.
fn block(within: &Range<usize>, at: usize, blocks: usize) -> Range<usize> {
    let place = |at: usize| within.start + at * within.len() / blocks;
    place(at)..place(at + 1)
}

/// Tells the sum and count of every block; `None` where a block would be empty.
fn means<const CELLS: usize>(
    plane: &Plane,
    (across, down): (usize, usize),
    mut tell: impl FnMut(usize, u32, u32),
) -> Option<()> {
    let share = |length: usize, (part, of): (usize, usize)| length * part / of;
    let side = share(plane.width, SIDE);
    let columns = side..plane.width - side;
    let rows = share(plane.rows, TOP)..plane.rows - share(plane.rows, BOTTOM);
    if columns.len() < across || rows.len() < down {
        return None;
    }
    for band in 0..down {
        let rows = block(&rows, band, down);
        let mut sums = [0_u32; LUMA_GRID.0];
        for row in rows.clone() {
            let row = plane.row(row);
            for (at, sum) in sums[..across].iter_mut().enumerate() {
                *sum += total(&row[block(&columns, at, across)]);
            }
        }
        for (at, sum) in sums[..across].iter().enumerate() {
            let count = rows.len() * block(&columns, at, across).len();
            tell(band * across + at, *sum, count as u32);
        }
    }
    Some(())
}

#[multiversion(targets("x86_64+avx2"))]
fn total(samples: &[u8]) -> u32 {
    samples.iter().map(|&sample| u32::from(sample)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::sketch::{field, plane, raster};

    #[test]
    fn blocks_are_means_of_their_place_and_rounded_to_the_nearest() {
        // a ramp of one code every four samples across: block k of 16 spans 42 or 43 samples from sample 22 on
        let mut drawn = field(
            0,
            raster(720, 240),
            plane(720, 240, |column, _| (column / 4) as u8),
        );
        drawn.cb = plane(360, 240, |_, row| if row < 120 { 100 } else { 150 });
        let print = Fingerprinter.measure(&drawn).expect("it is large enough");
        for (cell, &code) in print.luma.iter().enumerate() {
            let middle = 22.0 + 676.0 * ((cell % 16) as f64 + 0.5) / 16.0;
            let expected = (middle - 1.5) / 4.0;
            assert!(
                (f64::from(code) - expected).abs() <= 0.75,
                "{cell}: {code} {expected}"
            );
        }
        let chroma = print.chroma.expect("colour planes");
        assert_eq!(chroma.cb[0], -28 * 8);
        assert_eq!(chroma.cb[CHROMA_CELLS - 1], 22 * 8);
        assert_eq!(chroma.cr, [0; CHROMA_CELLS]);
    }

    #[test]
    fn a_raster_of_another_size_gives_the_same_numbers() {
        let at = |width: usize, rows: usize| {
            let code = move |column: usize, row: usize| {
                (40.0 + 150.0 * column as f64 / width as f64 + 30.0 * row as f64 / rows as f64)
                    .round() as u8
            };
            let drawn = field(0, raster(width, rows), plane(width, rows, code));
            Fingerprinter
                .measure(&drawn)
                .expect("it is large enough")
                .luma
        };
        for (one, other) in at(720, 288).iter().zip(at(640, 240)) {
            assert!(one.abs_diff(other) <= 1, "{one} {other}");
        }
    }

    #[test]
    fn fields_too_small_have_none_and_mono_has_no_colour() {
        let of = |width, rows| {
            Fingerprinter.measure(&field(0, raster(width, rows), plane(width, rows, |_, _| 9)))
        };
        assert_eq!(of(16, 8), None);
        let mut mono = field(0, raster(720, 240), plane(720, 240, |_, _| 90));
        (mono.cb, mono.cr) = (Plane::default(), Plane::default());
        let print = Fingerprinter.measure(&mono).expect("luma is enough");
        assert_eq!((print.chroma, print.luma[7]), (None, 90));
    }
}
