//! What the device says of its input, for the notes of events of the signal.
//!
//! Does not know: devices.

use std::collections::VecDeque;

use super::event::Event;
use crate::limits::Kind;
use crate::timecode::FieldIndex;

/// Changes kept: more than an event waits for its end on a device that says something new twice a second.
const KEPT: usize = 64;

/// A device is asked twice a second, so its word may come so many fields after what it is about.
const LATE_FIELDS: u64 = 35;

/// What a device says where nothing is wrong; beside a fault it goes without saying.
const WELL: &str = "signal locked";

/// The words of a device as they came.
#[derive(Debug, Default)]
pub(super) struct Said {
    words: VecDeque<(FieldIndex, String)>,
}

impl Said {
    /// Takes what it says from a field on; nothing where it says nothing any more.
    pub(super) fn take(&mut self, from: FieldIndex, words: &str) {
        if self.words.len() == KEPT {
            self.words.pop_front();
        }
        self.words.push_back((from, words.to_owned()));
    }

    /// The note of an event with what the device said meanwhile.
    pub(super) fn beside(&self, event: &Event) -> Option<String> {
        if !is_of_the_signal(event.kind) {
            return None;
        }
        let until = event.end.map(|end| end.field.0 + LATE_FIELDS);
        let before = self
            .words
            .partition_point(|(from, _)| *from <= event.start.field);
        let during = self.words.iter().skip(before.saturating_sub(1));
        let during = during.take_while(|(from, _)| until.is_none_or(|until| from.0 <= until));
        let mut said: Vec<&str> = Vec::new();
        for (_, words) in during {
            if !words.is_empty() && !said.contains(&words.as_str()) {
                said.push(words);
            }
        }
        if said.len() > 1 {
            said.retain(|&words| words != WELL);
        }
        let verb = if event.end.is_some() { "said" } else { "says" };
        let sentence = event.note.trim_end_matches('.');
        (!said.is_empty())
            .then(|| format!("{sentence}; the device {verb}: {}.", said.join(", then ")))
    }
}

/// Kinds that a device may have a word on; of a device that is away there is none.
fn is_of_the_signal(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::LockLost
            | Kind::Roll
            | Kind::Bounce
            | Kind::NoSignal
            | Kind::Snow
            | Kind::Muted
            | Kind::ColourLoss
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::EventId;
    use crate::alarms::script::{clock, place_at};
    use crate::limits::Severity;

    fn event(kind: Kind, end: Option<u64>) -> Event {
        Event {
            id: EventId(1),
            kind,
            severity: Severity::Alarm,
            standing: false,
            start: place_at(200),
            end: end.map(place_at),
            start_timecode: clock().label(place_at(200).frame()),
            end_timecode: None,
            worst: None,
            unit: "",
            limit: None,
            note: "The picture was lost.".to_owned(),
        }
    }

    fn said(words: &[(u64, &str)]) -> Said {
        let mut said = Said::default();
        for &(from, words) in words {
            said.take(FieldIndex(from), words);
        }
        said
    }

    #[test]
    fn a_fault_that_the_device_tells_is_in_the_note_though_it_comes_late() {
        let said = said(&[(0, WELL), (220, "no horizontal lock"), (400, WELL)]);
        let note = |kind, end| said.beside(&event(kind, end));
        assert_eq!(
            note(Kind::LockLost, Some(210)).as_deref(),
            Some("The picture was lost; the device said: no horizontal lock.")
        );
        assert_eq!(
            note(Kind::LockLost, None).as_deref(),
            Some("The picture was lost; the device says: no horizontal lock.")
        );
        assert_eq!(note(Kind::Wobble, Some(210)), None, "none of its business");
    }

    #[test]
    fn a_device_that_sees_nothing_wrong_says_so_and_a_silent_one_nothing() {
        let well = said(&[(0, WELL)]).beside(&event(Kind::Snow, Some(300)));
        assert_eq!(
            well.as_deref(),
            Some("The picture was lost; the device said: signal locked.")
        );
        assert_eq!(said(&[]).beside(&event(Kind::Snow, Some(300))), None);
        assert_eq!(said(&[(0, "")]).beside(&event(Kind::Snow, None)), None);
    }

    #[test]
    fn what_was_said_long_before_or_after_is_of_no_account() {
        let said = said(&[(0, "no signal"), (100, WELL), (900, "no carrier")]);
        let note = said.beside(&event(Kind::Muted, Some(300)));
        assert_eq!(
            note.as_deref(),
            Some("The picture was lost; the device said: signal locked.")
        );
    }
}
