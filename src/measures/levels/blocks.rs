//! A field as the mean levels of blocks, in bands down the field: small enough to compare many fields, coarse enough that
//! noise and lines displaced by a few samples do not matter.
//!
//! In: low-passed values. Out: means and extremes of up to [`MOST_BANDS`] bands of [`ACROSS`] blocks.
//!
//! Does not know: IRE, or what the comparison is for.

use super::low_pass::EIGHTHS;

/// Blocks side by side in a band.
pub(super) const ACROSS: usize = 16;

/// Most bands: of eight lines in a field of 288.
pub(super) const MOST_BANDS: usize = 36;

/// Rows of low-passed values in a band, at least: eight lines.
const BAND_ROWS: usize = 4;

/// Narrowest row that is cut into blocks: two values each.
const LEAST_VALUES: usize = 2 * ACROSS;

/// Levels of one block, in codes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Block {
    pub(super) mean: f32,
    pub(super) low: f32,
    pub(super) high: f32,
}

/// The blocks of one field.
#[derive(Clone, Debug)]
pub(super) struct Blocks {
    bands: [[Block; ACROSS]; MOST_BANDS],
    count: usize,
}

impl Default for Blocks {
    fn default() -> Self {
        Self {
            bands: [[Block::default(); ACROSS]; MOST_BANDS],
            count: 0,
        }
    }
}

/// Sums a block is made of.
#[derive(Clone, Copy)]
struct Sums {
    sum: u32,
    low: u16,
    high: u16,
    count: u32,
}

impl Sums {
    const NONE: Self = Self {
        sum: 0,
        low: u16::MAX,
        high: 0,
        count: 0,
    };

    fn add(&mut self, values: &[u16]) {
        for value in values {
            self.sum += u32::from(*value);
            self.low = self.low.min(*value);
            self.high = self.high.max(*value);
        }
        self.count += values.len() as u32;
    }

    fn block(self) -> Block {
        let code = |eighths: f32| eighths / EIGHTHS as f32;
        Block {
            mean: code(self.sum as f32 / self.count.max(1) as f32),
            low: code(f32::from(self.low)),
            high: code(f32::from(self.high)),
        }
    }
}

impl Blocks {
    /// Takes rows of low-passed values in place of what was there; too small a field leaves none.
    pub(super) fn take(&mut self, values: &[u16], values_a_row: usize) {
        let rows = values.len().checked_div(values_a_row).unwrap_or(0);
        self.count = (rows / BAND_ROWS).min(MOST_BANDS);
        if values_a_row < LEAST_VALUES {
            self.count = 0;
        }
        for band in 0..self.count {
            let of_band = band * rows / self.count..(band + 1) * rows / self.count;
            let mut sums = [Sums::NONE; ACROSS];
            for row in of_band {
                let row = &values[row * values_a_row..(row + 1) * values_a_row];
                for (nth, sums) in sums.iter_mut().enumerate() {
                    let end = (nth + 1) * values_a_row / ACROSS;
                    sums.add(&row[nth * values_a_row / ACROSS..end]);
                }
            }
            self.bands[band] = sums.map(Sums::block);
        }
    }

    /// The bands, from the top.
    pub(super) fn bands(&self) -> &[[Block; ACROSS]] {
        &self.bands[..self.count]
    }

    /// Every block.
    pub(super) fn all(&self) -> impl Iterator<Item = &Block> + Clone {
        self.bands().iter().flatten()
    }

    /// How many bands there are.
    pub(super) fn count(&self) -> usize {
        self.count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_across_is_sixteen_steps_in_every_band() {
        let values: Vec<u16> = (0..160 * 120).map(|at| (at % 160 * 8) as u16).collect();
        let mut blocks = Blocks::default();
        blocks.take(&values, 160);
        assert_eq!(blocks.count(), 30);
        for band in blocks.bands() {
            for (nth, block) in band.iter().enumerate() {
                let first = nth as f32 * 10.0;
                assert_eq!((block.low, block.high), (first, first + 9.0));
                assert_eq!(block.mean, first + 4.5);
            }
        }
    }

    #[test]
    fn small_fields_have_no_blocks() {
        let mut blocks = Blocks::default();
        for (values, a_row) in [(0, 0), (100, 20), (30, 31)] {
            blocks.take(&vec![9; values], a_row);
            assert_eq!(blocks.count(), 0);
        }
    }
}
