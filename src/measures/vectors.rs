//! The picture's colours as a map: how often each mixture of the two colour differences occurs.
//!
//! In: a field. Out: counts on a small grid, blue to the right, red up, for a dashboard to draw. The axes are the composite ones,
//! so that angles are those of the subcarrier: the red axis is 1.41 times as long as on the plane of the codes (SMPTE 170M
//! Annex A with the factors of BT.601-5 §3.5.2). Every second row takes part, and every sample of it.
//!
//! Does not know: who draws it, or what the colours should be. It is no measure and has no quantity: it is traced only while it
//! is shown.

use crate::fields::Field;

use super::chroma::{ZERO_CODE, excursion_codes};

/// Cells across and down; the middle ones meet at the zero.
pub const VECTOR_CELLS: usize = 96;

/// Composite chroma at the edge of the map, as a share of white: 100 % colour reaches 0.632.
pub const VECTOR_REACH: f64 = 0.7;

/// Rows from one that takes part to the next.
const ROW_STEP: usize = 2;

/// U of a whole excursion of Cb, V of one of Cr, as shares of white (0.492111 · 0.886, 0.877283 · 0.701).
const U_OF_CB: f64 = 0.436_01;
const V_OF_CR: f64 = 0.614_98;

/// Counts of colours.
#[derive(Clone, Debug)]
pub struct Vectors {
    counts: Box<[[u16; VECTOR_CELLS]]>,
    /// Cells of the 256 codes of either colour difference; `u8::MAX` is beyond the map.
    across: [u8; 256],
    down: [u8; 256],
    excursion: f64,
}

impl Default for Vectors {
    fn default() -> Self {
        Self {
            counts: vec![[0; VECTOR_CELLS]; VECTOR_CELLS].into_boxed_slice(),
            across: [u8::MAX; 256],
            down: [u8::MAX; 256],
            excursion: 0.0,
        }
    }
}

impl Vectors {
    /// A blank one.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Traces a field in place of the one before.
    pub fn trace(&mut self, field: &Field) {
        self.counts.fill([0; VECTOR_CELLS]);
        let (cb, cr) = (&field.cb, &field.cr);
        if cb.width == 0 || (cb.width, cb.rows) != (cr.width, cr.rows) {
            return;
        }
        self.plan(excursion_codes(field.raster.range));
        for row in (0..cb.rows).step_by(ROW_STEP) {
            for (cb, cr) in cb.row(row).iter().zip(cr.row(row)) {
                let across = usize::from(self.across[usize::from(*cb)]);
                let down = usize::from(self.down[usize::from(*cr)]);
                if across < VECTOR_CELLS && down < VECTOR_CELLS {
                    let count = &mut self.counts[down][across];
                    *count = count.saturating_add(1);
                }
            }
        }
    }

    /// How often colours of a row of the map occur; row 0 is the uppermost, the reddest.
    ///
    /// # Panics
    /// When `row` is not below [`VECTOR_CELLS`].
    #[must_use]
    pub fn row(&self, row: usize) -> &[u16; VECTOR_CELLS] {
        &self.counts[row]
    }

    /// The largest count of all; 0 of a blank one.
    #[must_use]
    pub fn largest(&self) -> u16 {
        self.counts.iter().flatten().copied().max().unwrap_or(0)
    }

    /// Assigns codes to cells, once a range.
    #[expect(clippy::float_cmp, reason = "the same constant comes back unchanged")]
    fn plan(&mut self, excursion: f64) {
        if self.excursion == excursion {
            return;
        }
        self.excursion = excursion;
        for code in 0..256_usize {
            let share = (code as f64 - f64::from(ZERO_CODE)) / excursion;
            self.across[code] = cell(share * U_OF_CB);
            self.down[code] = cell(-share * V_OF_CR);
        }
    }
}

/// The cell of a composite axis.
fn cell(share_of_white: f64) -> u8 {
    let at = f64::midpoint(share_of_white / VECTOR_REACH, 1.0) * VECTOR_CELLS as f64;
    if (0.0..VECTOR_CELLS as f64).contains(&at) {
        at as u8
    } else {
        u8::MAX
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fields::Plane;
    use crate::measures::sketch::{field, plane, raster};

    fn traced(cb: u8, cr: u8) -> (usize, usize) {
        let mut shown = field(0, raster(720, 288), plane(720, 288, |_, _| 90));
        shown.cb.samples.fill(cb);
        shown.cr.samples.fill(cr);
        let mut vectors = Vectors::new();
        vectors.trace(&shown);
        let down = (0..VECTOR_CELLS).find(|row| vectors.row(*row).iter().any(|count| *count > 0));
        let down = down.expect("it is on the map");
        let across = vectors.row(down).iter().position(|count| *count > 0);
        (across.expect("it is on the map"), down)
    }

    #[test]
    fn grey_is_in_the_middle_and_the_primaries_lie_where_their_phase_is() {
        let middle = VECTOR_CELLS / 2;
        assert_eq!(traced(128, 128), (middle, middle));
        // 75 % codes and composite phases of SMPTE 170M Table A.3
        for (cb, cr, phase, ire) in [
            (44, 142, 167.08, 62.07),
            (156, 44, 283.46, 87.74),
            (72, 58, 240.71, 81.93),
            (184, 198, 60.71, 81.93),
            (100, 212, 103.46, 87.74),
            (212, 114, 347.08, 62.07),
        ] {
            let (across, down) = traced(cb, cr);
            // peak to peak of a set-up signal: 2 · 92.5 IRE to the white
            let size = ire / 185.0 / VECTOR_REACH * middle as f64;
            let (sin, cos) = f64::to_radians(phase).sin_cos();
            let (x, y) = (middle as f64 + size * cos, middle as f64 - size * sin);
            assert!(
                (across as f64 + 0.5 - x).abs() < 1.0,
                "{cb} {cr}: {across} {x}"
            );
            assert!((down as f64 + 0.5 - y).abs() < 1.0, "{cb} {cr}: {down} {y}");
        }
    }

    #[test]
    fn full_colour_is_on_the_map_and_mono_is_blank() {
        for (cb, cr) in [
            (240, 110),
            (16, 146),
            (90, 240),
            (166, 16),
            (202, 222),
            (54, 34),
        ] {
            traced(cb, cr);
        }
        let mut mono = field(0, raster(720, 288), plane(720, 288, |_, _| 90));
        (mono.cb, mono.cr) = (Plane::default(), Plane::default());
        let mut vectors = Vectors::new();
        vectors.trace(&mono);
        assert_eq!(vectors.largest(), 0);
    }
}
