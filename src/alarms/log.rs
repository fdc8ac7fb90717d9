//! The events of a pass in memory, as they stand now.
//!
//! In: [`Change`]s. Out: events in the order they opened. Bounded: a pass with more events than anybody will read keeps
//! counting them, by kind, without listing them.
//!
//! Does not know: where else events are kept.

use super::event::{Change, Event};
use crate::limits::Kind;

/// Most events listed: at about 300 bytes, 3 MB. One a second for almost three hours.
pub const MOST_LISTED: usize = 10_000;

/// Events of one kind that found no room in the list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unlisted {
    /// What.
    pub kind: Kind,
    /// How many.
    pub events: u64,
    /// How many fields they covered in all.
    pub fields: u64,
}

/// The events of a pass.
#[derive(Clone, Debug, Default)]
pub struct EventLog {
    events: Vec<Event>,
    unlisted: Vec<Unlisted>,
}

impl EventLog {
    /// Nothing happened yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes in what became of an event.
    pub fn apply(&mut self, change: &Change) {
        let event = change.event();
        let at = self.events.binary_search_by_key(&event.id, |kept| kept.id);
        match at {
            Ok(at) => self.events[at].clone_from(event),
            Err(at) if self.events.len() < MOST_LISTED => self.events.insert(at, event.clone()),
            Err(_) if matches!(change, Change::Closed(_)) => self.count(event),
            Err(_) => {}
        }
    }

    /// The listed events, in the order they opened.
    #[must_use]
    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// What found no room in the list, by kind.
    #[must_use]
    pub fn unlisted(&self) -> &[Unlisted] {
        &self.unlisted
    }

    /// Events that have not closed.
    pub fn open(&self) -> impl Iterator<Item = &Event> {
        self.events.iter().filter(|event| event.end.is_none())
    }

    fn count(&mut self, event: &Event) {
        let fields = event
            .end
            .map_or(0, |end| end.field.0 + 1 - event.start.field.0);
        let of_kind = self
            .unlisted
            .iter_mut()
            .find(|unlisted| unlisted.kind == event.kind);
        match of_kind {
            Some(unlisted) => {
                unlisted.events += 1;
                unlisted.fields += fields;
            }
            None => self.unlisted.push(Unlisted {
                kind: event.kind,
                events: 1,
                fields,
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{Played, healthy};
    use crate::measures::Readings;

    fn skipping(field: u64) -> Readings {
        let mut readings = healthy(field);
        readings.sync.missing_fields = 1;
        readings
    }

    #[test]
    fn the_list_is_bounded_and_what_does_not_fit_is_counted() {
        let mut log = EventLog::new();
        let played = Played::new().play(1, skipping).play(200, healthy);
        let of_kind = |kind| {
            let changes = played.changes.iter();
            changes.filter(move |change| change.event().kind == kind)
        };
        for id in 0..MOST_LISTED as u32 + 5 {
            for change in of_kind(Kind::Missing) {
                let mut change = change.clone();
                match &mut change {
                    Change::Opened(event)
                    | Change::Worsened(event)
                    | Change::Standing(event)
                    | Change::Closed(event) => event.id.0 = id,
                }
                log.apply(&change);
            }
        }
        assert_eq!(log.events().len(), MOST_LISTED);
        assert_eq!(log.open().count(), 0);
        let unlisted = Unlisted {
            kind: Kind::Missing,
            events: 5,
            fields: 5,
        };
        assert_eq!(log.unlisted(), [unlisted]);
    }
}
