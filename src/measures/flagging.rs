//! (Interface; the method follows.)

use crate::units::{Estimate, Lines, Nanos};

use super::{Measure, Quantity, line_timing};

/// What is said of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Displacement at the first picture line against the settled picture.
    pub offset: Option<Estimate<Nanos>>,
    /// 1/e length.
    pub decay: Option<Estimate<Lines>>,
}

/// The measure.
#[derive(Debug, Default)]
pub struct Flagging {}

impl Measure for Flagging {
    type Input<'a> = &'a line_timing::Reading;
    type Reading = Reading;

    fn measure(&mut self, _timing: &line_timing::Reading) -> Reading {
        Reading::default()
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[];
