//! The device's controls of the levels: as found, as they are, and as the operator wants them.
//!
//! In: what was read of the device, and steps of the operator. Out: settings to make, numbered, so that what is wanted
//! stands until the device's answer to it has come.
//!
//! Does not know: how a control is set, or drawn.

use crate::sources::{ControlAccess, ControlListing, ControlRole, ControlSetting};

/// What was last read of a device's controls.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ControlState {
    /// All controls; empty where there are none.
    pub controls: Vec<ControlListing>,
    /// Why the last setting was refused.
    pub trouble: Option<String>,
    /// Number of the last order that was tried.
    pub tried: u64,
}

/// A setting to make.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Order {
    /// Its number; they grow.
    pub number: u64,
    /// What is wanted.
    pub setting: ControlSetting,
}

/// Controls of the levels.
#[derive(Clone, Debug, Default)]
pub struct ControlBoard {
    found: Vec<ControlListing>,
    now: Vec<ControlListing>,
    wanted: Vec<Order>,
    trouble: Option<String>,
    number: u64,
}

/// One control as it stands.
#[derive(Clone, Copy, Debug)]
pub struct Standing<'a> {
    /// As read last.
    pub control: &'a ControlListing,
    /// Its value in words when it was found.
    pub found: Option<&'a str>,
    /// A value on its way to the device.
    pub wanted: Option<i64>,
}

impl ControlBoard {
    /// Takes what was read; whether anything changed. What is read first is what was found.
    pub fn take(&mut self, state: &ControlState) -> bool {
        let mut levels: Vec<ControlListing> = state
            .controls
            .iter()
            .filter(|control| control.role.is_some())
            .cloned()
            .collect();
        levels.sort_by_key(|control| control.role);
        let orders = self.wanted.len();
        self.wanted.retain(|order| order.number > state.tried);
        let changed =
            levels != self.now || self.trouble != state.trouble || self.wanted.len() != orders;
        if self.found.is_empty() {
            self.found.clone_from(&levels);
        }
        self.now = levels;
        self.trouble.clone_from(&state.trouble);
        changed
    }

    /// The controls, in the order an operator sets them.
    #[must_use]
    pub fn standing(&self) -> impl ExactSizeIterator<Item = Standing<'_>> {
        self.now.iter().map(|control| Standing {
            control,
            found: self.found(control.id).map(|found| found.value.as_str()),
            wanted: self.wanted(control.id),
        })
    }

    /// Why the last setting was refused.
    #[must_use]
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    /// The order that moves a control by so many steps; `None` where it cannot be moved (further).
    #[must_use]
    pub fn step(&mut self, id: u32, steps: i64) -> Option<Order> {
        let control = self.now.iter().find(|control| control.id == id)?;
        if control.access == ControlAccess::Held {
            return None;
        }
        let from = self.wanted(id).unwrap_or(control.setting);
        let to = from
            .saturating_add(steps.saturating_mul(control.step))
            .clamp(control.minimum, control.maximum);
        (to != from).then(|| self.order(ControlSetting { id, value: to }))
    }

    /// The orders that bring everything back as it was found. An automatic that has to go off goes first, for it holds
    /// others; one that has to go on goes last. What an automatic moves is left to it where it was on and stays on.
    #[must_use]
    pub fn restore(&mut self) -> Vec<Order> {
        let role = |control: &ControlListing| control.role;
        let goes_off = self.now.iter().any(|now| {
            role(now).is_some_and(ControlRole::is_automatic)
                && now.setting != 0
                && self.found(now.id).is_some_and(|found| found.setting == 0)
        });
        let mut settings: Vec<(u8, ControlSetting)> = Vec::new();
        for now in &self.now {
            let Some(found) = self.found(now.id) else {
                continue;
            };
            let out_of_reach = match now.access {
                ControlAccess::Held => true,
                ControlAccess::Idle => !goes_off,
                ControlAccess::Free => false,
            };
            let standing = self.wanted(now.id).unwrap_or(now.setting);
            if out_of_reach || standing == found.setting {
                continue;
            }
            let turn = match role(now) {
                Some(role) if role.is_automatic() && found.setting == 0 => 0,
                Some(role) if role.is_automatic() => 2,
                _ => 1,
            };
            let (id, value) = (now.id, found.setting);
            settings.push((turn, ControlSetting { id, value }));
        }
        settings.sort_by_key(|(turn, _)| *turn);
        settings
            .into_iter()
            .map(|(_, setting)| self.order(setting))
            .collect()
    }

    /// What is not as it was found, in words; what an automatic moved is not meant.
    #[must_use]
    pub fn changed(&self) -> Vec<String> {
        let changed = self.standing().filter_map(|it| {
            let found = it.found.filter(|&found| found != it.control.value)?;
            let moved = it.control.access == ControlAccess::Idle
                && it.control.role.is_some_and(ControlRole::is_moved);
            let said = || format!("{} {} (found {found})", it.control.name, it.control.value);
            (!moved).then(said)
        });
        changed.collect()
    }

    fn order(&mut self, setting: ControlSetting) -> Order {
        self.number += 1;
        let order = Order {
            number: self.number,
            setting,
        };
        self.wanted.retain(|known| known.setting.id != setting.id);
        self.wanted.push(order);
        order
    }

    fn found(&self, id: u32) -> Option<&ControlListing> {
        self.found.iter().find(|control| control.id == id)
    }

    fn wanted(&self, id: u32) -> Option<i64> {
        let order = self.wanted.iter().find(|order| order.setting.id == id)?;
        Some(order.setting.value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AUTO: u32 = 1;
    const GAIN: u32 = 2;
    const BRIGHTNESS: u32 = 3;

    fn control(id: u32, role: ControlRole, setting: i64) -> ControlListing {
        let switch = role.is_automatic();
        ControlListing {
            id,
            name: format!("{role:?}"),
            value: match (switch, setting) {
                (true, 0) => "off".to_owned(),
                (true, _) => "on".to_owned(),
                (false, setting) => setting.to_string(),
            },
            setting,
            minimum: 0,
            maximum: if switch { 1 } else { 255 },
            default: 0,
            step: if switch { 1 } else { 5 },
            role: Some(role),
            access: ControlAccess::Free,
        }
    }

    /// What a device with such values says.
    fn read(auto: i64, gain: i64, brightness: i64) -> ControlState {
        let mut gain = control(GAIN, ControlRole::Gain, gain);
        if auto == 1 {
            gain.access = ControlAccess::Idle;
        }
        let mut nameless = control(9, ControlRole::Hue, 1);
        nameless.role = None;
        ControlState {
            controls: vec![
                control(BRIGHTNESS, ControlRole::Brightness, brightness),
                nameless,
                gain,
                control(AUTO, ControlRole::AutoGain, auto),
            ],
            trouble: None,
            tried: 0,
        }
    }

    fn board(auto: i64, gain: i64, brightness: i64) -> ControlBoard {
        let mut board = ControlBoard::default();
        board.take(&read(auto, gain, brightness));
        board
    }

    fn settings(orders: &[Order]) -> Vec<(u32, i64)> {
        orders
            .iter()
            .map(|it| (it.setting.id, it.setting.value))
            .collect()
    }

    #[test]
    fn only_levels_are_on_it_in_the_order_of_setting() {
        let board = board(0, 20, 128);
        let ids: Vec<u32> = board.standing().map(|it| it.control.id).collect();
        assert_eq!(ids, [AUTO, GAIN, BRIGHTNESS]);
    }

    #[test]
    fn steps_add_up_before_the_device_has_answered_and_end_at_the_bounds() {
        let mut board = board(0, 20, 245);
        let first = board.step(BRIGHTNESS, 1).expect("there is room");
        let second = board.step(BRIGHTNESS, 1).expect("there is room");
        assert_eq!(
            settings(&[first, second]),
            [(BRIGHTNESS, 250), (BRIGHTNESS, 255)]
        );
        assert_eq!(board.step(BRIGHTNESS, 1), None, "it is at its largest");
        // The answer to the first leaves the second standing.
        let mut answer = read(0, 20, 250);
        answer.tried = first.number;
        board.take(&answer);
        assert_eq!(board.standing().last().and_then(|it| it.wanted), Some(255));
        answer.tried = second.number;
        board.take(&answer);
        assert_eq!(board.standing().last().and_then(|it| it.wanted), None);
        assert_eq!(
            board.step(BRIGHTNESS, -10).map(|it| it.setting.value),
            Some(200)
        );
    }

    #[test]
    fn what_somebody_else_holds_is_not_stepped() {
        let mut board = ControlBoard::default();
        let mut state = read(0, 20, 128);
        state.controls[0].access = ControlAccess::Held;
        board.take(&state);
        assert_eq!(board.step(BRIGHTNESS, 1), None);
        assert_eq!(board.step(77, 1), None, "there is no such control");
    }

    #[test]
    fn restoring_switches_an_automatic_off_first() {
        let mut board = board(0, 20, 128);
        board.take(&read(1, 90, 100));
        let orders = board.restore();
        assert_eq!(
            settings(&orders),
            [(AUTO, 0), (GAIN, 20), (BRIGHTNESS, 128)]
        );
    }

    #[test]
    fn restoring_switches_an_automatic_on_last() {
        let mut board = board(1, 20, 128);
        board.take(&read(0, 90, 128));
        assert_eq!(settings(&board.restore()), [(GAIN, 20), (AUTO, 1)]);
    }

    #[test]
    fn what_an_automatic_moved_is_neither_restored_nor_called_changed() {
        let mut board = board(1, 20, 128);
        board.take(&read(1, 90, 128));
        assert_eq!(board.restore(), []);
        assert_eq!(board.changed(), Vec::<String>::new());
    }

    #[test]
    fn what_is_left_changed_is_said_with_what_was_found() {
        let mut board = board(0, 20, 128);
        board.take(&read(0, 20, 140));
        assert_eq!(board.changed(), ["Brightness 140 (found 128)"]);
        board.take(&read(0, 20, 128));
        assert_eq!(board.changed(), Vec::<String>::new());
    }
}
