//! From what single fields look like to the state of the stream.
//!
//! In: a [`Glance`] a field. Out: a [`State`] that holds still: a picture is given up only after several fields say
//! so, and taken back at the first one that shows it.
//!
//! Does not know: samples.

use crate::sources::InputState;

use super::State;

/// What one field looks like.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Glance {
    /// What the device says.
    pub(super) input: InputState,
    /// What there is to see.
    pub(super) sight: Sight,
    /// The picture jumped in the field before, or a bar of vertical blanking moves through it.
    pub(super) slipping: bool,
}

/// What there is to see in a field.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Sight {
    /// A picture, or at least nothing that is surely none.
    #[default]
    Picture,
    /// An inserted flat picture.
    Flat,
    /// Noise alone.
    Snow,
}

/// Fields in a row before snow or a flat picture is one: cuts, flashes and single black fields are shorter.
const GIVE_UP_FIELDS: u32 = 3;

/// Fields that a jump makes unstable: half a second.
const UNSETTLED_FIELDS: u32 = 25;

/// Signs of rolling that make a picture lost, each worth [`LOST_PER_SIGN`], one running out every field.
const LOST_LEVEL: u32 = 24;

/// Fields that one sign of rolling is remembered.
const LOST_PER_SIGN: u32 = 8;

/// Fields a lost picture must stand to be found again, at most.
const LOST_MOST: u32 = 40;

/// Follows the state.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct StateWatch {
    flat_run: u32,
    snow_run: u32,
    unsettled: u32,
    lost: u32,
}

impl StateWatch {
    /// The state after one more field.
    pub(super) fn follow(&mut self, glance: Glance) -> State {
        self.flat_run = if glance.sight == Sight::Flat {
            self.flat_run + 1
        } else {
            0
        };
        self.snow_run = if glance.sight == Sight::Snow {
            self.snow_run + 1
        } else {
            0
        };
        self.lost = self.lost.saturating_sub(1);
        self.unsettled = self.unsettled.saturating_sub(1);
        if glance.slipping {
            self.unsettled = UNSETTLED_FIELDS;
            self.lost = (self.lost + LOST_PER_SIGN + 1).min(LOST_MOST);
        }
        self.state(glance.input)
    }

    fn state(&self, input: InputState) -> State {
        let flat = self.flat_run >= GIVE_UP_FIELDS;
        match input {
            InputState::NoSignal => State::NoSignal,
            // A device that is not locked and shows a flat picture shows its own.
            InputState::Unlocked if flat => State::NoSignal,
            _ if flat => State::Muted,
            _ if self.snow_run >= GIVE_UP_FIELDS => State::Snow,
            _ if self.lost >= LOST_LEVEL => State::Lost,
            InputState::Unlocked => State::Unstable,
            _ if self.unsettled > 0 => State::Unstable,
            _ => State::Locked,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn states(glances: &[Glance]) -> Vec<State> {
        let mut watch = StateWatch::default();
        glances.iter().map(|glance| watch.follow(*glance)).collect()
    }

    #[test]
    fn a_single_flat_field_is_not_muted_and_three_are() {
        let flat = Glance {
            sight: Sight::Flat,
            ..Glance::default()
        };
        let found = states(&[flat, flat, flat, Glance::default()]);
        assert_eq!(
            found,
            [State::Locked, State::Locked, State::Muted, State::Locked]
        );
    }

    #[test]
    fn the_device_knows_best_about_no_signal() {
        let none = Glance {
            input: InputState::NoSignal,
            ..Glance::default()
        };
        assert_eq!(states(&[none]), [State::NoSignal]);
        let unlocked = Glance {
            input: InputState::Unlocked,
            ..Glance::default()
        };
        assert_eq!(states(&[unlocked]), [State::Unstable]);
    }

    #[test]
    fn one_jump_unsettles_for_half_a_second_and_many_lose_the_picture() {
        let jump = Glance {
            slipping: true,
            ..Glance::default()
        };
        let mut glances = vec![jump];
        glances.extend([Glance::default(); 25]);
        let found = states(&glances);
        assert_eq!(found[0], State::Unstable);
        assert_eq!(found[24], State::Unstable);
        assert_eq!(found[25], State::Locked);
        assert_eq!(states(&[jump; 4])[3], State::Lost);
    }
}
