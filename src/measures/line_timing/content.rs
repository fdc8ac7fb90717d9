//! Line timing from the picture itself: the interface only, which says nothing of any line.
//!
//! In: the luma of one field. Out: [`ContentTrace`], a displacement with its variance for every line that shows one.
//!
//! Does not know: anything yet.

use std::ops::Range;

use crate::fields::Plane;
use crate::standard::Parity;

/// A displacement in samples with its variance; + = right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// Samples.
    pub value: f32,
    /// Square samples.
    pub variance: f32,
}

/// What the picture says of each line of a field.
#[derive(Clone, Debug, Default)]
pub struct ContentTrace {
    lines: Vec<Option<Shift>>,
}

impl ContentTrace {
    /// What a row shows.
    #[must_use]
    pub fn line(&self, row: usize) -> Option<Shift> {
        self.lines.get(row).copied().flatten()
    }

    /// Fields the reference is averaged over; 0 = none yet.
    #[must_use]
    pub fn averaged(&self) -> f32 {
        0.0
    }

    /// Whether another scene began.
    #[must_use]
    pub fn cut(&self) -> bool {
        false
    }
}

/// Times the lines of a field by its picture.
#[derive(Debug, Default)]
pub struct ContentTiming {
    trace: ContentTrace,
}

impl ContentTiming {
    /// Knows no scene yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Times one field.
    pub fn time(
        &mut self,
        _luma: &Plane,
        _parity: Parity,
        _columns: Range<usize>,
    ) -> &ContentTrace {
        &self.trace
    }
}
