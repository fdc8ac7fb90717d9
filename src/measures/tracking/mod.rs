//! Tracking: whether the heads read the tracks as they should. A band of noise or streaks, the noise between fields, and a
//! head that gives less than the other.
//!
//! In: a field with those around it, what sync says, and where the picture is. Out: a [`Reading`]. Band and noise are of the field
//! [`TRACKING_DELAY`] fields before the newest; the heads are compared over the last second.
//!
//! Where a head leaves its track, the carrier falls under the demodulator's threshold, and noise and streaks lie across the whole
//! width of some lines. A row belongs to such a band when so many of its samples are unlike each of the lines above and
//! below and the same line a frame earlier and a frame later, over the whole width (`rows`). Fine detail that moves is unlike
//! them as well; `search` looks for it in the fields beside, and does not find noise.
//!
//! The noise between fields is what differs from the line above or from the frame before, whichever is less, in the quietest
//! quarter of small areas: still, moving and detailed parts of the picture do not count.
//!
//! The heads are compared (`heads`) by the noise between fields of either parity, and by the ratio of levels at the same places. The
//! picture is the same for both, and drops out.
//!
//! Absent without a steady picture, in the first fields, and in small fields; the heads are compared whatever is shown.
//!
//! Does not know: limits, where the player's knob stands.

use crate::fields::Neighbourhood;
use crate::units::Decibels;

use super::dropouts::Judged;
use super::sync::State;
use super::{Measure, levels};
use rows::Rows;

pub use heads::{HeadState, Heads};
pub use quantities::QUANTITIES;

mod heads;
mod quantities;
mod rows;
mod search;
#[cfg(test)]
mod tests;

/// Fields from one that has a band to the one that tells of it.
pub const TRACKING_DELAY: u64 = 2;

/// Fewest lines of a band: three of the frame's lines high is a scratch, and streaks on neighbouring lines happen.
pub const LEAST_LINES: usize = 6;

/// Rows above and below a band in which it has streaks already.
const RIM: usize = 4;

/// What the measure looks at.
#[derive(Clone, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// What sync says of it.
    pub state: State,
    /// Where the picture is.
    pub area: &'a levels::PictureArea,
}

/// Rows that mistracking has spoiled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// First row of the field.
    pub row: usize,
    /// Rows.
    pub lines: usize,
}

/// Tracking, of the field [`TRACKING_DELAY`] fields back.
#[derive(Clone, Copy, Debug, Default)]
pub struct Reading {
    /// Whether there could have been a band.
    pub judged: bool,
    /// The highest band.
    pub band: Option<Band>,
    /// Peak to peak of the picture over the rms of the noise between fields.
    pub noise: Option<Decibels>,
    /// How the heads compare; `None` before a second.
    pub heads: Option<Heads>,
}

impl Reading {
    /// Lines of the band, 0 without one; `None` where there could not have been one.
    #[must_use]
    pub fn band_lines(&self) -> Option<usize> {
        self.judged
            .then_some(self.band.map_or(0, |band| band.lines))
    }

    /// Rows that the band spoils, those about it included; none without.
    #[must_use]
    pub fn spoiled(&self) -> std::ops::Range<usize> {
        self.band.map_or(0..0, |band| {
            band.row.saturating_sub(RIM)..band.row + band.lines + RIM
        })
    }
}

/// The measure.
#[derive(Debug, Default)]
pub struct Tracking {
    /// Of the newest field and those before it, newest first.
    states: [Option<State>; TRACKING_DELAY as usize + 1],
    rows: Rows,
    heads: heads::Watch,
}

impl Measure for Tracking {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        self.states.rotate_right(1);
        self.states[0] = Some(input.state);
        let judged = Judged::of(input.around);
        match &judged {
            Some(judged) => self.rows.look(judged, input.area),
            None => self.rows.forget(),
        }
        let field = input.around.field;
        let heads = self.heads.follow(field, input.area, self.rows.rms());
        let steady = |state: &Option<State>| matches!(state, Some(State::Locked | State::Unstable));
        let Some(judged) = judged.filter(|_| self.states.iter().all(steady)) else {
            return Reading {
                heads,
                ..Reading::default()
            };
        };
        Reading {
            judged: true,
            band: self.rows.band(&judged),
            noise: self.rows.noise(judged.now.raster.range),
            heads,
        }
    }
}
