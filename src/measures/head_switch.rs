//! (Interface; the method follows.)

use crate::units::{Estimate, Nanos};

use super::{Measure, Quantity, line_timing};

/// What is said of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Row where the bottom jumps.
    pub line: Option<u32>,
    /// Size of the jump.
    pub step: Option<Estimate<Nanos>>,
    /// Spoiled rows from the bottom; 0 when masked.
    pub lines: Option<u32>,
}

/// The measure.
#[derive(Debug, Default)]
pub struct HeadSwitch {}

impl Measure for HeadSwitch {
    type Input<'a> = &'a line_timing::Reading;
    type Reading = Reading;

    fn measure(&mut self, _timing: &line_timing::Reading) -> Reading {
        Reading::default()
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[];

impl HeadSwitch {
    /// Running median of the switch row over the last fields: what lies below is no picture line.
    #[must_use]
    pub fn settled_line(&self) -> Option<usize> {
        None
    }
}
