//! Where rules hand in what happened: numbers events, labels them, says when they lie near a join, and passes them on.
//!
//! A closed event waits until a join within reach of its end would have been found, so that its note can say so.

use super::coverage::Coverage;
use super::event::{Change, Event, EventId, PassClock};
use super::programme::{JoinKind, Programme};
use super::said::Said;
use crate::fields::FieldPlace;
use crate::limits::{Kind, Numbers, Severity};

/// Most closed events that wait for a join to be found or ruled out; beyond, the oldest goes out at once.
const MOST_WAITING: usize = 64;

/// Closed events that wait.
#[derive(Debug)]
pub(super) struct Waiting {
    events: Vec<Event>,
    last_id: u32,
}

impl Waiting {
    pub(super) fn new() -> Self {
        Self {
            events: Vec::with_capacity(MOST_WAITING),
            last_id: 0,
        }
    }
}

/// The place to hand in at, for one field.
pub(super) struct Desk<'a> {
    pub(super) numbers: &'a Numbers,
    pub(super) clock: PassClock,
    pub(super) programme: &'a Programme,
    pub(super) waiting: &'a mut Waiting,
    pub(super) coverage: &'a mut Coverage,
    pub(super) said: &'a Said,
    pub(super) changes: &'a mut Vec<Change>,
}

impl Desk<'_> {
    /// A new event, numbered.
    pub(super) fn event(&mut self, kind: Kind, severity: Severity, start: FieldPlace) -> Event {
        self.waiting.last_id += 1;
        Event {
            id: EventId(self.waiting.last_id),
            kind,
            severity,
            standing: false,
            start,
            end: None,
            start_timecode: self.clock.label(start.frame()),
            end_timecode: None,
            worst: None,
            unit: "",
            limit: None,
            note: String::new(),
        }
    }

    /// Something that has no length, told by somebody else.
    pub(super) fn moment(&mut self, kind: Kind, place: FieldPlace, note: &str) {
        let mut event = self.event(kind, kind.noted_severity(), place);
        note.clone_into(&mut event.note);
        self.changes.push(Change::Opened(event.clone()));
        event.end = Some(place);
        event.end_timecode = Some(event.start_timecode);
        self.changes.push(Change::Closed(event));
    }

    pub(super) fn opened(&mut self, event: &Event) {
        let event = self.placed(event);
        self.changes.push(Change::Opened(event));
    }

    pub(super) fn worsened(&mut self, event: &Event) {
        let event = self.placed(event);
        self.changes.push(Change::Worsened(event));
    }

    pub(super) fn standing(&mut self, event: &Event) {
        let event = self.placed(event);
        self.changes.push(Change::Standing(event));
    }

    pub(super) fn closed(&mut self, event: Event) {
        if self.waiting.events.len() == MOST_WAITING {
            let oldest = self.waiting.events.remove(0);
            self.changes.push(Change::Closed(self.placed(&oldest)));
        }
        self.waiting.events.push(event);
    }

    /// Passes on the closed events that no join can come near any more.
    pub(super) fn pass_on(&mut self, now: FieldPlace) {
        let reach = self.numbers.join_s + self.numbers.start_s;
        let settled = |event: &Event| {
            event
                .end
                .is_none_or(|end| now.seconds.0 - end.seconds.0 > reach)
        };
        while let Some(at) = self.waiting.events.iter().position(settled) {
            let event = self.waiting.events.remove(at);
            self.changes.push(Change::Closed(self.placed(&event)));
        }
    }

    /// Passes on all closed events.
    pub(super) fn pass_on_all(&mut self) {
        let events = std::mem::take(&mut self.waiting.events);
        for event in &events {
            self.changes.push(Change::Closed(self.placed(event)));
        }
    }

    /// The event with the join that it lies near in its note; of one longer than that, whether it began or ended there. A standing condition is no fault of a join, and a
    /// missing picture is what joins are made of.
    fn placed(&self, event: &Event) -> Event {
        let mut event = event.clone();
        if let Some(note) = self.said.beside(&event) {
            event.note = note;
        }
        if event.standing || matches!(event.kind, Kind::Snow | Kind::Muted | Kind::NoSignal) {
            return event;
        }
        let near = |place| self.programme.join_near(place, self.numbers.join_s);
        let near_start = near(event.start);
        if let Some((after, kind)) = near_start.or_else(|| near(event.end?)) {
            let long = event
                .end
                .is_some_and(|end| (end.seconds - event.start.seconds).0 > self.numbers.join_s);
            let which = match (near_start.is_some(), long) {
                (true, true) => LONG_FROM,
                (true, false) => ", ",
                (false, true) => LONG_TO,
                (false, false) => ", ending ",
            };
            let sentence = event.note.trim_end_matches('.');
            event.note = format!("{sentence}{which}{}.", beside(after, kind));
        }
        event
    }
}

/// Whether the note of a closed event says that the whole of it lies at a start, a join or an end of a recording.
pub(crate) fn is_at_join(event: &Event) -> bool {
    let note = &event.note;
    let names_one = JOINS.iter().any(|(_, what)| note.contains(what));
    names_one && !note.contains(LONG_FROM) && !note.contains(LONG_TO)
}

/// Where recordings begin and end, as notes say it.
const JOINS: [(JoinKind, &str); 3] = [
    (JoinKind::Start, "the start of the recording"),
    (JoinKind::Join, "a join between recordings"),
    (JoinKind::End, "the end of the recording"),
];

/// Between the sentence of an event that is longer than a join's faults and the join that it began at.
const LONG_FROM: &str = ". It began ";

/// The same for the join that it ended at.
const LONG_TO: &str = ". It ended ";

/// `0.5 s after a join between recordings`.
fn beside(after: f64, kind: JoinKind) -> String {
    let named = JOINS.iter().find(|(known, _)| *known == kind);
    let what = named.map_or("", |(_, what)| what);
    match after {
        after if after.abs() < 0.05 => format!("at {what}"),
        after if after < 0.0 => format!("{:.1} s before {what}", -after),
        after => format!("{after:.1} s after {what}"),
    }
}
