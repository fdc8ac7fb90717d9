//! Whether there is colour, was, or never has been.
//!
//! In: a [`Glance`] a field. Out: [`Presence`]. Colour that a decoder or player cuts off (the colour killer) goes with its noise:
//! the planes stand still at the zero, which no grey scene of a tape does. So a field whose colour and whose noise are both
//! gone has lost its colour; a field without colour but with the usual noise may show something grey, and is called so only
//! after [`GREY_FIELDS`]. Sources without noise (films made by computer, strong noise reduction) leave only the second way.
//!
//! A recording ends, as far as this is concerned, where there was no picture for [`GAP_FIELDS`].
//!
//! Does not know: samples, limits.

use crate::measures::sync::State;

/// What there is of colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Presence {
    /// Colour.
    Colour,
    /// Nothing coloured for so long that it is told, in a recording that had colour; its noise is still there.
    Grey,
    /// Colour was seen in this recording, and is gone with its noise.
    Lost,
    /// No colour since the recording began.
    Mono,
}

impl Presence {
    /// All, as they are stored.
    pub const WORDS: &[&str] = &["colour", "grey", "lost", "mono"];

    /// As printed.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Colour => "colour",
            Self::Grey => "grey",
            Self::Lost => "lost",
            Self::Mono => "mono",
        }
    }
}

/// What one field shows of colour.
#[derive(Clone, Copy, Debug)]
pub(super) struct Glance {
    /// Spread of the colour differences over the picture, in percent, noise taken out, and its standard error.
    pub(super) colour: f64,
    pub(super) sigma: f64,
    /// Noise of the colour planes, in codes.
    pub(super) noise_codes: f64,
    /// Spread of luma: a black picture shows no colour either.
    pub(super) spread_ire: f64,
}

/// Spread that is colour, in percent: 2.2 codes. The fog and the night of a dull tape have 3 or more.
const COLOURED_PCT: f64 = 2.0;

/// Spread under which there is none, in percent: half a code, what rounding and a decoder's hum make.
const COLOURLESS_PCT: f64 = 0.8;

/// A spread of fewer of its standard errors is none.
const TOLD_FROM_NOTHING: f64 = 4.0;

/// Coloured fields in balance before a recording counts as one in colour: half a second.
const SEEN_FIELDS: u32 = 25;

/// Colourless fields before they are told, where the noise went with the colour: no single field of a splice.
const LOST_FIELDS: u32 = 4;

/// Colourless fields before they are told, with noise: 20 s of 50 Hz. Titles and snow scenes are shorter.
const GREY_FIELDS: u32 = 1_000;

/// Fields of picture before one without any colour is called monochrome: 10 s of 50 Hz.
const MONO_FIELDS: u32 = 500;

/// Fields without a picture that end a recording: two seconds of 50 Hz.
const GAP_FIELDS: u32 = 100;

/// Least spread of luma that shows there is a picture which could be coloured.
const LIT_IRE: f64 = 10.0;

/// Noise that must have been there for its end to tell anything, in codes: more than what rounding leaves of a flat colour.
const TELLING_NOISE: f64 = 0.45;

/// Share of the usual noise under which it is gone.
const GONE_SHARE: f64 = 0.4;

/// Share that a new field has in the usual noise: a second's worth.
const NOISE_MEMORY: f64 = 0.02;

/// Follows colour over the fields.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Watch {
    coloured: u32,
    seen: bool,
    /// Of coloured fields.
    usual_noise: Option<f64>,
    colourless: u32,
    /// Of those, in a row, the ones without noise too.
    silent: u32,
    unseen: u32,
    gap: u32,
}

impl Watch {
    /// A field that shows no picture.
    pub(super) fn no_picture(&mut self, state: State) {
        self.silent = 0;
        // a picture that rolls is still that recording's
        if state != State::Lost {
            self.gap += 1;
        }
        if self.gap >= GAP_FIELDS {
            *self = Self {
                gap: GAP_FIELDS,
                ..Self::default()
            };
        }
    }

    /// A field with a picture; `None` while it is not known.
    pub(super) fn follow(&mut self, glance: Glance) -> Option<Presence> {
        self.gap = 0;
        if glance.colour >= COLOURED_PCT && glance.colour > TOLD_FROM_NOTHING * glance.sigma {
            self.see(glance.noise_codes);
        } else if glance.colour < COLOURLESS_PCT || glance.colour < TOLD_FROM_NOTHING * glance.sigma
        {
            self.miss(glance);
        }
        self.presence()
    }

    fn see(&mut self, noise: f64) {
        self.coloured = (self.coloured + 1).min(SEEN_FIELDS);
        self.seen |= self.coloured == SEEN_FIELDS;
        (self.colourless, self.silent) = (0, 0);
        let usual = self.usual_noise.get_or_insert(noise);
        *usual += NOISE_MEMORY * (noise - *usual);
    }

    fn miss(&mut self, glance: Glance) {
        self.coloured = self.coloured.saturating_sub(1);
        if glance.spread_ire < LIT_IRE {
            self.silent = 0;
            return;
        }
        if !self.seen {
            self.unseen = self.unseen.saturating_add(1);
            return;
        }
        self.colourless = self.colourless.saturating_add(1);
        let silent = self
            .usual_noise
            .is_some_and(|usual| usual >= TELLING_NOISE && glance.noise_codes < GONE_SHARE * usual);
        self.silent = if silent {
            self.silent.saturating_add(1)
        } else {
            0
        };
    }

    fn presence(&self) -> Option<Presence> {
        match self {
            Self { seen: true, .. } if self.silent >= LOST_FIELDS => Some(Presence::Lost),
            Self { seen: true, .. } if self.colourless >= GREY_FIELDS => Some(Presence::Grey),
            Self { seen: true, .. } => Some(Presence::Colour),
            Self { seen: false, .. } if self.unseen >= MONO_FIELDS => Some(Presence::Mono),
            Self { .. } => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COLOURED: Glance = Glance {
        colour: 15.0,
        sigma: 0.1,
        noise_codes: 1.2,
        spread_ire: 60.0,
    };
    const GREY: Glance = Glance {
        colour: 0.2,
        ..COLOURED
    };
    const KILLED: Glance = Glance {
        noise_codes: 0.0,
        ..GREY
    };

    fn last_of(runs: &[(Glance, u32)]) -> Option<Presence> {
        let mut watch = Watch::default();
        let mut last = None;
        for (glance, fields) in runs {
            for _ in 0..*fields {
                last = watch.follow(*glance);
            }
        }
        last
    }

    #[test]
    fn colour_that_goes_with_its_noise_is_lost_at_once() {
        let lost = last_of(&[(COLOURED, 50), (KILLED, LOST_FIELDS)]);
        assert_eq!(lost, Some(Presence::Lost));
        let back = last_of(&[(COLOURED, 50), (KILLED, 90), (COLOURED, 1)]);
        assert_eq!(back, Some(Presence::Colour));
    }

    #[test]
    fn a_grey_scene_keeps_its_noise_and_is_told_only_after_long() {
        let title = last_of(&[(COLOURED, 50), (GREY, GREY_FIELDS - 1)]);
        assert_eq!(title, Some(Presence::Colour));
        let film = last_of(&[(COLOURED, 50), (GREY, GREY_FIELDS)]);
        assert_eq!(film, Some(Presence::Grey));
    }

    #[test]
    fn a_source_without_noise_loses_nothing_by_a_grey_picture() {
        let clean = Glance {
            noise_codes: 0.1,
            ..COLOURED
        };
        let title = last_of(&[(clean, 50), (KILLED, 200)]);
        assert_eq!(title, Some(Presence::Colour));
    }

    #[test]
    fn nothing_is_lost_that_was_never_there() {
        assert_eq!(last_of(&[(KILLED, MONO_FIELDS - 1)]), None);
        assert_eq!(last_of(&[(KILLED, MONO_FIELDS)]), Some(Presence::Mono));
        assert_eq!(last_of(&[(GREY, MONO_FIELDS)]), Some(Presence::Mono));
    }

    #[test]
    fn black_shows_neither_colour_nor_its_loss() {
        let black = Glance {
            spread_ire: 1.0,
            ..KILLED
        };
        let faded = last_of(&[(COLOURED, 50), (black, 5_000)]);
        assert_eq!(faded, Some(Presence::Colour));
        assert_eq!(last_of(&[(black, 5_000)]), None);
    }

    #[test]
    fn another_recording_must_show_its_own_colour() {
        let mut watch = Watch::default();
        for _ in 0..50 {
            watch.follow(COLOURED);
        }
        for _ in 0..GAP_FIELDS {
            watch.no_picture(State::Snow);
        }
        assert_eq!(watch.follow(KILLED), None);
    }
}
