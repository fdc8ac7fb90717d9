//! What brightness and contrast do to the picture, learned from the changes that somebody makes while it plays.
//!
//! In: how often each code occurs, field by field, and the controls as they stand. Out: the [`Effect`] of each control that was
//! moved alone in a picture that stayed the same. Nothing is set for it.
//!
//! Does not know: who moved a control.

use crate::record::effect::{Effect, Mapping, Spread};
use crate::sources::{ControlListing, ControlRole};

/// Fields of a look: half a second.
const LOOK_FIELDS: u32 = 25;

/// Fields from a change to the first that is believed to show it: all that may wait in the device and before the analysis, and
/// as many again, for the controls are read ten times a second.
const SETTLE_FIELDS: u32 = 60;

/// What a change must do to some code; less is not told from noise.
const LEAST_CODES: f64 = 2.0;

/// The two controls that are learned.
const ROLES: [ControlRole; 2] = [ControlRole::Brightness, ControlRole::Contrast];

/// What is known of the controls.
#[derive(Clone, Debug, Default)]
pub(super) struct Effects {
    known: [Option<Effect>; 2],
    values: [Option<i64>; 2],
    /// The last whole look at the picture as it is set.
    last: Option<Spread>,
    now: Spread,
    change: Option<Change>,
}

/// A control that has moved.
#[derive(Clone, Copy, Debug)]
struct Change {
    which: usize,
    from: i64,
    unsettled: u32,
}

impl Effects {
    /// What one unit of a control does, where it was seen.
    pub(super) fn of(&self, role: ControlRole) -> Option<Effect> {
        let which = ROLES.iter().position(|&it| it == role)?;
        self.known[which]
    }

    /// Takes the controls as they stand.
    pub(super) fn take(&mut self, controls: &[ControlListing]) {
        let values = ROLES.map(|role| {
            let mut controls = controls.iter();
            let control = controls.find(|control| control.role == Some(role));
            control.map(|control| control.setting)
        });
        if values == self.values {
            return;
        }
        let before = std::mem::replace(&mut self.values, values);
        let mut moved = (0..ROLES.len()).filter(|&at| before[at] != values[at]);
        let (first, second) = (moved.next(), moved.next());
        self.now.clear();
        self.change = match (first, second, self.change) {
            // It moves on: what was seen before it began to move still stands.
            (Some(at), None, Some(change)) if change.which == at => Some(Change {
                unsettled: SETTLE_FIELDS,
                ..change
            }),
            (Some(at), None, None) => {
                before[at]
                    .filter(|_| self.last.is_some())
                    .map(|from| Change {
                        which: at,
                        from,
                        unsettled: SETTLE_FIELDS,
                    })
            }
            _ => None,
        };
        if self.change.is_none() {
            self.last = None;
        }
    }

    /// Takes a field.
    pub(super) fn observe(&mut self, ladder: &[u32; 256]) {
        if let Some(change) = &mut self.change
            && change.unsettled > 0
        {
            change.unsettled -= 1;
            return;
        }
        self.now.add(ladder);
        if self.now.fields() < LOOK_FIELDS {
            return;
        }
        let now = std::mem::take(&mut self.now);
        if let Some(change) = self.change.take() {
            self.learn(change, &now);
        }
        self.last = Some(now);
    }

    fn learn(&mut self, change: Change, now: &Spread) {
        let Change { which, from, .. } = change;
        let (Some(before), Some(to)) = (&self.last, self.values[which]) else {
            return;
        };
        let Some(mapping) = Mapping::between(before, now) else {
            return; // another picture
        };
        let seen = [0.0, 255.0].map(|code| mapping.shift(code).abs());
        if seen.into_iter().any(|it| it >= LEAST_CODES) {
            self.known[which] = Effect::of(mapping, to.saturating_sub(from));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn controls(brightness: i64, contrast: i64) -> [ControlListing; 2] {
        [
            ControlListing::of_role(1, ControlRole::Brightness, brightness),
            ControlListing::of_role(2, ControlRole::Contrast, contrast),
        ]
    }

    fn play(effects: &mut Effects, fields: u32, set: (i64, i64), code: impl Fn(usize) -> usize) {
        effects.take(&controls(set.0, set.1));
        let mut ladder = [0; 256];
        for level in 20..200 {
            ladder[code(level)] += 10;
        }
        for _ in 0..fields {
            effects.observe(&ladder);
        }
    }

    #[test]
    fn what_a_control_does_is_learned_from_a_change_in_a_picture_that_stays() {
        let mut effects = Effects::default();
        play(&mut effects, 100, (128, 128), |level| level);
        assert_eq!(effects.of(ControlRole::Brightness), None);
        // Stepped twice, before the first is settled.
        play(&mut effects, 10, (132, 128), |level| level + 2);
        play(&mut effects, 100, (138, 128), |level| level + 5);
        let effect = effects.of(ControlRole::Brightness).expect("it was seen");
        assert!((effect.at(16.0) - 0.5).abs() < 0.05, "{effect:?}");
        assert_eq!(effects.of(ControlRole::Contrast), None);
    }

    #[test]
    fn a_change_beside_another_picture_or_of_both_at_once_teaches_nothing() {
        let mut effects = Effects::default();
        play(&mut effects, 100, (128, 128), |level| level);
        play(&mut effects, 100, (140, 128), |level| {
            if level < 150 { 30 } else { level }
        });
        play(&mut effects, 100, (160, 150), |level| level + 20);
        assert_eq!(effects.of(ControlRole::Brightness), None);
        assert_eq!(effects.of(ControlRole::Contrast), None);
    }
}
