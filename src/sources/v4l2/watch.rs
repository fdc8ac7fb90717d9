//! What a device says beside its frames: its input's status, the standard it finds, its controls.
//!
//! In: a [`Device`] to ask, now and then. Out: the [`InputState`] for frames, [`News`], and whether the signal has become one
//! of another standard, which takes opening the device again. Asking costs the capture a few register reads twice a second.
//!
//! Does not know: frames.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use rustix::io::Errno;

use super::node::{DeviceEvent, Node};
use super::signal::{SignalReader, words};
use super::standards;
use crate::sources::{ControlListing, ControlRole, ControlSetting, InputState, News, NewsKind};
use crate::standard::Standard;

/// How often the input's status is asked: soon enough to name the cause of a bad picture, and a slow bus is not
/// bothered with each frame.
const STATUS_PERIOD: Duration = Duration::from_millis(500);

/// Looks in a row that must find another standard before it is believed: a second and a half. A tape that just starts
/// or is damaged has decoders find anything for a moment.
const LOOKS_TO_BELIEVE: u32 = 3;

/// Looks from one question for controls to the next, where the driver does not tell of changes.
const LOOKS_A_CONTROL: u32 = 4;

/// News that may wait to be taken: all controls of a device at once.
const MOST_NEWS: usize = 64;

/// A device that can be asked while it streams.
pub(super) trait Device {
    /// Status bits of an input.
    fn status(&self, input: u32) -> Option<u32>;
    /// Bits of the standards the signal may have.
    fn detected(&self) -> Option<u64>;
    /// A control as it is now.
    fn control(&self, id: u32) -> Option<ControlListing>;
    /// Sets a control.
    fn set_control(&self, setting: ControlSetting) -> Result<(), Errno>;
    /// The oldest event not taken yet.
    fn event(&self) -> Option<DeviceEvent>;
}

impl Device for Node {
    fn status(&self, input: u32) -> Option<u32> {
        self.input(input).ok().map(|input| input.status)
    }

    fn detected(&self) -> Option<u64> {
        self.detect_standard().ok()
    }

    fn control(&self, id: u32) -> Option<ControlListing> {
        self.control_of(id)
    }

    fn set_control(&self, setting: ControlSetting) -> Result<(), Errno> {
        Node::set_control(self, setting)
    }

    fn event(&self) -> Option<DeviceEvent> {
        self.take_event()
    }
}

/// What is to be watched of a device.
#[derive(Debug, Default)]
pub(super) struct Watched {
    /// The input, where the device has any.
    pub(super) input: Option<u32>,
    /// It answers when asked which standard the signal has.
    pub(super) detects: bool,
    /// The standard in force.
    pub(super) lines: Option<Standard>,
    /// Another standard is to be followed: the operator named none.
    pub(super) follows: bool,
    /// Its controls.
    pub(super) controls: Vec<ControlListing>,
    /// It tells of changes of its controls by itself.
    pub(super) tells: bool,
}

/// Watches one device while it streams.
#[derive(Debug)]
pub(super) struct Watch {
    watched: Watched,
    reader: SignalReader,
    state: InputState,
    said: String,
    due: Option<Instant>,
    looks: u32,
    /// Another standard than the one in force, and how often in a row it was found.
    other: Option<(Standard, u32)>,
    /// The standard the operator was told of, though it is not followed.
    told: Option<Standard>,
    changed: Option<Standard>,
    news: VecDeque<News>,
}

impl Watch {
    pub(super) fn new(watched: Watched) -> Self {
        let mut watch = Self {
            reader: SignalReader::new(watched.detects),
            state: InputState::Unsaid,
            said: String::new(),
            due: None,
            looks: 0,
            other: None,
            told: None,
            changed: None,
            news: VecDeque::new(),
            watched,
        };
        for at in 0..watch.watched.controls.len() {
            if let Some(warning) = warning(&watch.watched.controls[at]) {
                watch.tell(NewsKind::Control, warning);
            }
        }
        watch
    }

    /// What the input showed when it was last asked.
    pub(super) fn state(&self) -> InputState {
        self.state
    }

    /// The standard the signal has changed to, once: the device must be opened again for it.
    pub(super) fn take_changed(&mut self) -> Option<Standard> {
        self.changed.take()
    }

    /// The controls as they were last read.
    pub(super) fn controls(&self) -> &[ControlListing] {
        &self.watched.controls
    }

    /// Sets a control; the driver tells others of it, not whom it was set by.
    pub(super) fn set_control(
        &mut self,
        device: &impl Device,
        setting: ControlSetting,
    ) -> Result<(), Errno> {
        device.set_control(setting)?;
        self.look_at_control(device, setting.id);
        // An automatic that was switched frees others or takes them over.
        self.look_at_levels(device);
        Ok(())
    }

    /// The oldest news.
    pub(super) fn take_news(&mut self) -> Option<News> {
        self.news.pop_front()
    }

    /// Adds news of somebody else.
    pub(super) fn tell(&mut self, kind: NewsKind, text: String) {
        if self.news.len() < MOST_NEWS {
            self.news.push_back(News { kind, text });
        }
    }

    /// Takes the events that wait at the device; it is asked for its status right after a change of its signal.
    pub(super) fn take_events(&mut self, device: &impl Device) {
        // A driver that always has one more must not hold up the capture.
        for _ in 0..MOST_NEWS {
            match device.event() {
                Some(DeviceEvent::Control(id)) => self.look_at_control(device, id),
                Some(DeviceEvent::Source) => self.due = None,
                Some(DeviceEvent::Other) => {}
                None => return,
            }
        }
    }

    /// Asks the device, if it is time.
    pub(super) fn look(&mut self, device: &impl Device, now: Instant) {
        if self.due.is_some_and(|due| now < due) {
            return;
        }
        self.due = Some(now + STATUS_PERIOD);
        self.look_at_input(device);
        self.look_at_standard(device);
        if !self.watched.tells && self.looks.is_multiple_of(LOOKS_A_CONTROL) {
            self.look_at_levels(device);
        }
        self.looks = self.looks.wrapping_add(1);
    }

    fn look_at_input(&mut self, device: &impl Device) {
        // A device that does not answer says so where frames are read; here the last word stands.
        let Some(status) = self.watched.input.and_then(|input| device.status(input)) else {
            return;
        };
        self.state = self.reader.read(status);
        let said = words(status, self.state);
        if said != self.said {
            self.said.clone_from(&said);
            self.tell(NewsKind::Input, said);
        }
    }

    fn look_at_standard(&mut self, device: &impl Device) {
        let Some(lines) = self.watched.lines.filter(|_| self.watched.detects) else {
            return;
        };
        let found = device.detected().and_then(standards::lines);
        let Some(found) = found.filter(|&found| found != lines) else {
            self.other = None;
            return;
        };
        let times = match self.other {
            Some((other, times)) if other == found => times + 1,
            _ => 1,
        };
        self.other = Some((found, times));
        if times < LOOKS_TO_BELIEVE {
            return;
        }
        if self.watched.follows {
            self.changed = Some(found);
        } else if self.told.replace(found) != Some(found) {
            let text = format!(
                "The device finds {} lines in the signal, but {} were asked for and are kept; `--standard auto` would follow.",
                found.word(),
                lines.word()
            );
            self.tell(NewsKind::Standard, text);
        }
    }

    /// Looks at all controls of the levels; what an automatic moves is kept without a word.
    fn look_at_levels(&mut self, device: &impl Device) {
        for at in 0..self.watched.controls.len() {
            let ControlListing { id, role, .. } = self.watched.controls[at];
            match role {
                Some(role) if role.is_moved() => {
                    if let Some(now) = device.control(id) {
                        self.watched.controls[at] = now;
                    }
                }
                Some(_) => self.look_at_control(device, id),
                None => {}
            }
        }
    }

    fn look_at_control(&mut self, device: &impl Device, id: u32) {
        let known = self.watched.controls.iter().position(|it| it.id == id);
        let Some((at, now)) = known.zip(device.control(id)) else {
            return;
        };
        let before = std::mem::replace(&mut self.watched.controls[at], now);
        let now = &self.watched.controls[at];
        if before.value == now.value {
            return;
        }
        let mut text = format!(
            "{} was changed from {} to {}.",
            now.name, before.value, now.value
        );
        if let Some(warning) = warning(now) {
            text.push(' ');
            text.push_str(&warning);
        }
        self.tell(NewsKind::Control, text);
    }
}

/// What the operator should know of a control's value.
pub(super) fn warning(control: &ControlListing) -> Option<String> {
    let ControlListing { name, value, .. } = control;
    match control.role? {
        ControlRole::AutoGain if value == "on" => Some(format!(
            "{name} is on: the device changes levels by itself, so they cannot be set and bright scenes pump; switch it off."
        )),
        ControlRole::Sharpness => {
            // Neutral is 0 where the scale has two sides, else what the driver starts with.
            let neutral = if control.minimum < 0 {
                0
            } else {
                control.default
            };
            let sharpened = value.parse::<i64>().is_ok_and(|value| value > neutral);
            sharpened.then(|| {
                format!(
                    "{name} is {value}, above the neutral {neutral}: edges get outlines that cannot be taken out again; \
                     lower it."
                )
            })
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests;
