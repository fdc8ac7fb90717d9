//! The picture as a waveform: for each place along the line, how often each level occurs.
//!
//! In: a field. Out: counts on a small grid, columns from left to right, levels from code 0 up, for a dashboard to draw.
//! Every fourth row and every second sample take part: 26 000 samples of a 720 × 288 field, plenty for a grid
//! this coarse. Raw luma of the whole raster, borders and all: what the border does is part of the sight.
//!
//! Does not know: who draws it, or IRE. It is no measure and has no quantity: it is traced only while it is shown.

use crate::fields::Field;

/// Places along the line.
pub const WAVEFORM_COLUMNS: usize = 96;

/// Levels: four codes each.
pub const WAVEFORM_LEVELS: usize = 64;

/// Rows from one that takes part to the next.
const ROW_STEP: usize = 4;

/// Samples from one that takes part to the next.
const SAMPLE_STEP: usize = 2;

/// Codes that share a level.
const CODES_A_LEVEL: u8 = 4;

/// Counts of levels along the line.
#[derive(Clone, Debug)]
pub struct Waveform {
    counts: Box<[[u16; WAVEFORM_LEVELS]; WAVEFORM_COLUMNS]>,
    /// Column of each sample that takes part.
    columns: Vec<u8>,
    width: usize,
}

impl Default for Waveform {
    fn default() -> Self {
        Self {
            counts: Box::new([[0; WAVEFORM_LEVELS]; WAVEFORM_COLUMNS]),
            columns: Vec::new(),
            width: 0,
        }
    }
}

impl Waveform {
    /// A blank one.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Traces a field in place of the one before.
    pub fn trace(&mut self, field: &Field) {
        self.counts.fill([0; WAVEFORM_LEVELS]);
        let luma = &field.luma;
        if luma.width == 0 {
            return;
        }
        self.plan(luma.width);
        for row in luma.samples.chunks_exact(luma.width).step_by(ROW_STEP) {
            let samples = row.iter().step_by(SAMPLE_STEP);
            for (code, column) in samples.zip(&self.columns) {
                let level = usize::from(code / CODES_A_LEVEL);
                let count = &mut self.counts[usize::from(*column)][level];
                *count = count.saturating_add(1);
            }
        }
    }

    /// How often each level occurs at a place along the line; level 0 holds codes 0 to 3.
    ///
    /// # Panics
    /// When `column` is not below [`WAVEFORM_COLUMNS`].
    #[must_use]
    pub fn column(&self, column: usize) -> &[u16; WAVEFORM_LEVELS] {
        &self.counts[column]
    }

    /// The largest count of all: what the brightest point of a drawing stands for. 0 of a blank one.
    #[must_use]
    pub fn largest(&self) -> u16 {
        self.counts.iter().flatten().copied().max().unwrap_or(0)
    }

    /// Assigns samples to columns, once a width.
    fn plan(&mut self, width: usize) {
        if self.width != width {
            self.width = width;
            self.columns.clear();
            let samples = (0..width).step_by(SAMPLE_STEP);
            self.columns
                .extend(samples.map(|sample| (sample * WAVEFORM_COLUMNS / width) as u8));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::sketch::{field, plane, raster};

    #[test]
    fn a_ramp_runs_up_from_left_to_right() {
        let mut waveform = Waveform::new();
        let ramp = plane(768, 288, |column, _| (column / 3) as u8);
        waveform.trace(&field(0, raster(768, 288), ramp));
        for column in 0..WAVEFORM_COLUMNS {
            let counts = waveform.column(column);
            // Eight samples a column, of which four take part, on 72 rows.
            assert_eq!(counts.iter().sum::<u16>(), 288, "column {column}");
            let level = column * 8 / 3 / 4;
            assert!(counts[level] > 0, "column {column}");
        }
        assert!(waveform.largest() > 0);
    }

    #[test]
    fn tracing_again_forgets_the_field_before() {
        let mut waveform = Waveform::new();
        for code in [16, 235] {
            waveform.trace(&field(0, raster(720, 288), plane(720, 288, |_, _| code)));
        }
        assert_eq!(waveform.column(50)[16 / 4], 0);
        assert!(waveform.column(50)[235 / 4] > 0);
    }

    #[test]
    fn any_size_is_traced() {
        for (width, rows) in [(0, 0), (1, 1), (3, 2), (5000, 7)] {
            let mut waveform = Waveform::new();
            waveform.trace(&field(
                0,
                raster(width, rows),
                plane(width, rows, |_, _| 90),
            ));
            assert_eq!(waveform.largest() > 0, width > 0);
        }
    }
}
