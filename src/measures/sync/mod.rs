//! Stability of the stream of pictures: lock, jumps, losses, repeats, and pictures that are none.
//!
//! In: a field and those before it. Out: a [`Reading`]. What the device says of its input comes first; the rest is read
//! from the picture: flat inserts (`flat`), snow (`snow`), vertical moves (`vertical`, `bounce`, `bar`), repeats
//! (`repeat`, `patches`), losses that nobody tells of and pictures put in (`pace`). Each of those says what it rests on and where it errs.
//!
//! Fields too small to shrink (under 224 samples or 72 lines) are told apart by the device's word, gaps and exact repeats
//! alone.
//!
//! Does not know: line timing, levels, limits.

use crate::fields::{FieldRaster, Neighbourhood};
use crate::standard::Parity;
use crate::units::{Estimate, Lines, Millis, Percent};

use super::Measure;
use bar::find_bar;
use bounce::Bounce;
use pace::{Pace, THUMBNAILS};
use repeat::{RepeatWatch, Slip};
use state::{Glance, Sight, StateWatch};
use thumbnail::Thumbnail;
use vertical::Profiles;

pub use quantities::QUANTITIES;

mod bar;
mod bounce;
mod flat;
mod frozen;
mod motion;
mod pace;
mod patches;
mod quantities;
mod repeat;
mod snow;
mod state;
#[cfg(test)]
mod tests;
mod thumbnail;
mod vertical;

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
    /// Every word, in the order of the states.
    pub const WORDS: &[&str] = &["locked", "unstable", "lost", "snow", "muted", "no_signal"];

    /// Whether there is a tape's picture to measure.
    #[must_use]
    pub fn shows_a_picture(self) -> bool {
        matches!(self, Self::Locked | Self::Unstable | Self::Lost)
    }

    /// As printed.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS[self as usize]
    }
}

/// Stability of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// State.
    pub state: State,
    /// Vertical jump or roll against the field before, + = moved down.
    pub vertical_shift: Option<Estimate<Lines>>,
    /// Up-and-down bounce over the last second, rms.
    pub vertical_jitter: Option<Estimate<Lines>>,
    /// Fields lost before this one, by the source and by us.
    pub missing_fields: u64,
    /// Of those, the ones we were too slow for.
    pub missing_by_us: u64,
    /// Fields lost that only the picture tells of, and nothing else; seen [`UNNOTICED_DELAY`] fields after they were lost.
    pub unnoticed_losses: u64,
    /// Shows an earlier picture again.
    pub repeated: bool,
    /// Share of the picture that stands still with its noise while the rest lives; `None` where that cannot be told.
    pub frozen: Option<Percent>,
    /// Pictures lost minus inserted, as time; `None` without a field rate.
    pub slip: Option<Millis>,
}

/// Fields after a loss that only the picture tells of until it is told: the first field after it is so many fields back.
pub const UNNOTICED_DELAY: u64 = pace::DELAY as u64;

/// Rows a bar of vertical blanking must move between fields to be rolling.
const ROLL_LINES: usize = 1;

/// Correlation of two fields under which they show different pictures: hand-held cameras stay above 0.8, lines that slip
/// stay under 0.6.
const STRANGE: f64 = 0.6;

/// Correlation under which a field may begin another scene: live noise alone leaves 0.99.
const CHANGED: f64 = 0.95;

/// Strange fields in a row that one costly search for moved blocks speaks for.
const FIELDS_A_SEARCH: u32 = 5;

/// Sigma of the thumbnail, in codes, without which there is no picture to lose: noise alone leaves 2.
const LEAST_CONTRAST_CODES: f64 = 4.0;

/// The measure.
#[derive(Debug, Default)]
pub struct Sync {
    raster: Option<FieldRaster>,
    /// The newest field and those before, newest first.
    thumbnails: [Thumbnail; THUMBNAILS],
    pace: Pace,
    /// The newest field and the one before.
    profiles: [Profiles; 2],
    last_parity: Option<Parity>,
    last_bar: Option<usize>,
    bounce: Bounce,
    repeats: RepeatWatch,
    /// Repeated fields in a row.
    repeat_run: usize,
    strange_run: u32,
    /// Whether the blocks of the strange field last searched were found.
    is_moved: bool,
    slip: Slip,
    state: StateWatch,
}

impl Measure for Sync {
    type Input<'a> = &'a Neighbourhood<'a>;
    type Reading = Reading;

    fn measure(&mut self, around: &Neighbourhood<'_>) -> Reading {
        let field = around.field;
        if self.raster != Some(field.raster) {
            self.forget();
            self.raster = Some(field.raster);
        }
        let missing_fields = field.gap.fields();
        if missing_fields > 0 {
            self.interrupt();
        }
        self.shrink(around);
        let flat = flat::is_flat_insert(field);
        let shift = self.vertical_shift(field.place.parity).filter(|_| !flat);
        self.bounce.follow(shift);
        let sight = self.sight(around, flat);
        if self.is_unlike(shift, CHANGED) {
            self.repeats.note_cut();
        }
        let is_strange = sight == Sight::Picture && self.is_unlike(shift, STRANGE);
        let glance = Glance {
            input: field.input,
            sight,
            jumped: self.bounce.jumped(),
            rolling: self.is_rolling(),
            estranged: self.follow_strangeness(around, is_strange),
        };
        let state = self.state.follow(glance);
        let repeated = self.repeats.follow(around, flat) && state.shows_a_picture();
        let frozen = if state.shows_a_picture() && !repeated {
            self.repeats.frozen(around)
        } else {
            None
        };
        let pace = self.pace(repeated);
        Reading {
            state,
            vertical_shift: shift.filter(|_| state.shows_a_picture()),
            vertical_jitter: self.bounce.jitter().filter(|_| state.shows_a_picture()),
            missing_fields,
            missing_by_us: field.gap.lost_by_us,
            unnoticed_losses: pace.lost,
            repeated,
            frozen,
            slip: field.raster.standard.map(|standard| {
                let period = standard.field_period();
                let missing = missing_fields + pace.lost;
                self.slip.follow(missing, pace.inserted, period)
            }),
        }
    }
}

impl Sync {
    /// Forgets what was learned of the source before; the room, and the slip of the pass, are kept.
    fn forget(&mut self) {
        self.interrupt();
        self.thumbnails.iter_mut().for_each(Thumbnail::clear);
        self.repeats = RepeatWatch::default();
        self.repeat_run = 0;
        self.strange_run = 0;
        self.state = StateWatch::default();
    }

    /// Breaks with the field before: something is missing between.
    fn interrupt(&mut self) {
        self.last_parity = None;
        self.last_bar = None;
        self.bounce = Bounce::default();
        self.pace.interrupt();
    }

    fn shrink(&mut self, around: &Neighbourhood<'_>) {
        self.thumbnails.rotate_right(1);
        self.thumbnails[0].shrink(&around.field.luma);
        self.profiles.swap(0, 1);
        self.profiles[0].take(&self.thumbnails[0]);
    }

    /// What the pace of the picture says of losses and of repeats that have just ended.
    fn pace(&mut self, repeated: bool) -> Steps {
        self.pace.follow(&self.thumbnails);
        if repeated {
            self.pace.note_repeat();
            self.repeat_run += 1;
            return Steps::default();
        }
        let run = std::mem::take(&mut self.repeat_run);
        let inserted = run > 0 && self.pace.was_inserted(run) == Some(true);
        Steps {
            lost: 2 * self.pace.lost_unnoticed(),
            inserted: if inserted { run as u32 } else { 0 },
        }
    }

    fn vertical_shift(&mut self, parity: Parity) -> Option<Estimate<Lines>> {
        let before = self.last_parity.replace(parity)?;
        let offset = vertical::interlace_offset(before, parity);
        let [now, earlier, ..] = &self.thumbnails;
        self.profiles[0]
            .shift_since(&self.profiles[1])
            .filter(|rows| vertical::is_borne_out(now, earlier, *rows))
            .map(|rows| Estimate {
                value: rows.value - offset,
                ..rows
            })
    }

    fn sight(&self, around: &Neighbourhood<'_>, flat: bool) -> Sight {
        let [now, _, same_parity, ..] = &self.thumbnails;
        if flat {
            Sight::Flat
        } else if snow::is_snow(&around.field.luma, now, same_parity) {
            Sight::Snow
        } else {
            Sight::Picture
        }
    }

    /// Whether the two fields before are both less like this one than `limit`, and no shift makes it good.
    fn is_unlike(&self, shift: Option<Estimate<Lines>>, limit: f64) -> bool {
        let [now, before, same_parity, ..] = &self.thumbnails;
        let contrast = LEAST_CONTRAST_CODES * thumbnail::BLOCK as f64;
        let unlike = |earlier| now.likeness(earlier, 0).is_some_and(|found| found < limit);
        shift.is_none()
            && now.variance() > contrast * contrast
            && unlike(before)
            && unlike(same_parity)
    }

    /// Whether a strange field is one whose blocks are not to be found either.
    fn follow_strangeness(&mut self, around: &Neighbourhood<'_>, is_strange: bool) -> bool {
        if !is_strange {
            self.strange_run = 0;
            return false;
        }
        if self.strange_run.is_multiple_of(FIELDS_A_SEARCH) {
            self.is_moved = is_moved(around);
        }
        self.strange_run = self.strange_run.saturating_add(1);
        !self.is_moved
    }

    fn is_rolling(&mut self) -> bool {
        let black = self
            .raster
            .map_or(0.0, |raster| raster.range.black_and_peak().0.0);
        let bar = find_bar(&self.thumbnails[0], black as u16);
        let before = std::mem::replace(&mut self.last_bar, bar);
        matches!((bar, before), (Some(now), Some(before)) if now.abs_diff(before) > ROLL_LINES)
    }
}

/// Fields too few and too many.
#[derive(Clone, Copy, Debug, Default)]
struct Steps {
    /// Lost without anybody telling.
    lost: u64,
    /// Put in between, right before the newest field.
    inserted: u32,
}

/// Whether the blocks of the picture are found elsewhere in the field before it of its parity: a pan over fine leaves is strange
/// to the thumbnails, but it is no cut.
fn is_moved(around: &Neighbourhood<'_>) -> bool {
    around
        .same_parity()
        .is_some_and(|earlier| motion::movement(&around.field.luma, &earlier.luma).is_some())
}
