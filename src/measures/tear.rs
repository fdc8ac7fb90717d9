//! (Interface; the method follows.)

use super::{Measure, Quantity, line_timing};

/// What is said of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Picture lines in runs of three or more displaced beyond the tear limit.
    pub lines: Option<u32>,
}

/// The measure.
#[derive(Debug, Default)]
pub struct Tear {}

impl Measure for Tear {
    type Input<'a> = &'a line_timing::Reading;
    type Reading = Reading;

    fn measure(&mut self, _timing: &line_timing::Reading) -> Reading {
        Reading::default()
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[];
