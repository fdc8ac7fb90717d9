//! The picture as a waveform: for each place along the line, how often each level occurs.
//!
//! Does not know: who draws it.

use crate::fields::Field;

/// Places along the line.
pub const WAVEFORM_COLUMNS: usize = 96;

/// Levels: four codes each.
pub const WAVEFORM_LEVELS: usize = 64;

/// Every fourth row and every second sample take part: plenty for a grid this coarse.
const ROW_STEP: usize = 4;
const SAMPLE_STEP: usize = 2;

/// Counts of levels along the line.
#[derive(Clone, Debug)]
pub struct Waveform {
    counts: Box<[[u16; WAVEFORM_LEVELS]; WAVEFORM_COLUMNS]>,
}

impl Default for Waveform {
    fn default() -> Self {
        Self {
            counts: Box::new([[0; WAVEFORM_LEVELS]; WAVEFORM_COLUMNS]),
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
        for row in (0..luma.rows).step_by(ROW_STEP) {
            for (sample, code) in luma.row(row).iter().enumerate().step_by(SAMPLE_STEP) {
                let column = sample * WAVEFORM_COLUMNS / luma.width;
                let count = &mut self.counts[column][usize::from(code / 4)];
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

    /// The largest count of all; 0 of a blank one.
    #[must_use]
    pub fn largest(&self) -> u16 {
        self.counts.iter().flatten().copied().max().unwrap_or(0)
    }
}
