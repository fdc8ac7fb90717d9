//! Stability of the stream of pictures. (Interface; the method follows.)

use crate::fields::Neighbourhood;
use crate::units::{Estimate, Lines, Millis};

use super::{Measure, Quantity};

/// State of the picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum State {
    /// Steady.
    #[default]
    Locked,
    /// Shown, but not steady.
    Unstable,
    /// Rolling or torn beyond reading.
    Lost,
    /// Noise without a picture.
    Snow,
    /// A flat picture put in by the chain.
    Muted,
    /// The device says there is no signal.
    NoSignal,
}

impl State {
    /// Whether there is a tape's picture to measure.
    #[must_use]
    pub fn shows_a_picture(self) -> bool {
        matches!(self, Self::Locked | Self::Unstable | Self::Lost)
    }
}

/// Stability of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// State.
    pub state: State,
    /// Vertical jump or roll against the field before.
    pub vertical_shift: Option<Estimate<Lines>>,
    /// Up-and-down bounce over the last second, rms.
    pub vertical_jitter: Option<Estimate<Lines>>,
    /// Fields lost before this one, by the source and by us.
    pub missing_fields: u64,
    /// Of those, the ones we were too slow for.
    pub missing_by_us: u64,
    /// Shows an earlier picture again.
    pub repeated: bool,
    /// Pictures lost minus inserted, as time.
    pub slip: Option<Millis>,
}

/// The measure.
#[derive(Debug, Default)]
pub struct Sync {}

impl Measure for Sync {
    type Input<'a> = &'a Neighbourhood<'a>;
    type Reading = Reading;

    fn measure(&mut self, _around: &Neighbourhood<'_>) -> Reading {
        Reading::default()
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[];
