//! Events out of readings: opened, worsened, standing, closed.
//!
//! In: [`crate::measures::Readings`], field by field. Out: [`Change`]s of [`Event`]s, and [`Programme`] spans.
//! One rule a row of the limits table; each has one event open at most.
//!
//! Does not know: measures (only quantities, and the signal's state), files, screens.

use crate::fields::FieldPlace;
use crate::limits::{Kind, Limits, Numbers};
use crate::measures::Readings;
use crate::timecode::FieldIndex;

pub use coverage::Coverage;
pub use event::{Change, Event, EventId, EventRecord, PassClock};
pub use log::{EventLog, MOST_LISTED, Unlisted};
pub use programme::{Phase, Programme, Span, Turn, WhyEnded};

use cuts::Cuts;
pub(crate) use desk::is_at_join;
use desk::{Desk, Waiting};
use rules::{Look, Rule};
use said::Said;

pub(crate) mod wording;

mod coverage;
mod cuts;
mod desk;
mod event;
mod log;
mod programme;
mod rules;
mod said;
mod settled;
mod slow;
mod window;

#[cfg(test)]
pub(crate) mod script;

/// An event in progress, and where it was worst so far.
#[derive(Clone, Copy, Debug)]
pub struct WorstSoFar<'a> {
    /// The event.
    pub event: &'a Event,
    /// The worst field of it.
    pub at: FieldPlace,
}

/// Watches readings for what crosses a limit.
#[derive(Debug)]
pub struct Alarms {
    rules: Vec<Rule>,
    programme: Programme,
    numbers: Numbers,
    clock: PassClock,
    cuts: Cuts,
    waiting: Waiting,
    coverage: Coverage,
    /// Conditions that somebody else tells of, going on.
    told: Vec<Event>,
    /// What the device says of its input.
    said: Said,
}

impl Alarms {
    /// Nothing observed yet.
    #[must_use]
    pub fn new(limits: &Limits, clock: PassClock) -> Self {
        Self {
            rules: limits
                .rows()
                .iter()
                .copied()
                .filter_map(Rule::new)
                .collect(),
            programme: Programme::new(&limits.numbers),
            numbers: limits.numbers,
            clock,
            cuts: Cuts::default(),
            waiting: Waiting::new(),
            coverage: Coverage::new(),
            told: Vec::new(),
            said: Said::default(),
        }
    }

    /// Takes in the next field; what became of events is appended to `changes`.
    pub fn observe(&mut self, readings: &Readings, changes: &mut Vec<Change>) {
        let place = readings.place;
        let turn = self.programme.observe(place, readings.sync.state);
        let phase = self.programme.phase();
        let look = Look {
            readings,
            cut: self.cuts.observe(readings),
            programme: phase != Phase::Outside,
            field_period: self.clock.field_period(),
        };
        let (rules, mut desk) = self.at_desk(changes);
        if let Some(turn) = turn {
            take_turn(turn, rules, &mut desk);
        }
        for at in 0..rules.len() {
            let (louder, rest) = rules.split_at_mut(at);
            if louder.iter().any(|louder| rest[0].yields_to(louder)) {
                rest[0].stand_back(&mut desk);
            } else {
                rest[0].observe(look, &mut desk);
            }
        }
        desk.pass_on(place);
        self.coverage.settle(phase);
    }

    /// What the device says of its input from a field on: events of the signal say it too.
    pub fn device_says(&mut self, from: FieldIndex, words: &str) {
        self.said.take(from, words);
    }

    /// Something that no reading shows: the source went away, the operator set a mark.
    pub fn note(&mut self, kind: Kind, place: FieldPlace, text: &str, changes: &mut Vec<Change>) {
        self.at_desk(changes).1.moment(kind, place, text);
    }

    /// A condition that no reading shows begins: the source is away. One of each kind goes on at a time.
    pub fn begin(&mut self, kind: Kind, place: FieldPlace, text: &str, changes: &mut Vec<Change>) {
        if self.told.iter().any(|event| event.kind == kind) {
            return;
        }
        let mut desk = self.at_desk(changes).1;
        let mut event = desk.event(kind, kind.noted_severity(), place);
        text.clone_into(&mut event.note);
        desk.opened(&event);
        self.told.push(event);
    }

    /// It is over: `place` is its last field.
    pub fn end(&mut self, kind: Kind, place: FieldPlace, text: &str, changes: &mut Vec<Change>) {
        let Some(at) = self.told.iter().position(|event| event.kind == kind) else {
            return;
        };
        let mut event = self.told.remove(at);
        text.clone_into(&mut event.note);
        self.close_told(event, place, changes);
    }

    fn close_told(&mut self, mut event: Event, place: FieldPlace, changes: &mut Vec<Change>) {
        event.end_timecode = Some(self.clock.label(place.frame()));
        event.end = Some(place);
        self.at_desk(changes).1.closed(event);
    }

    /// The pass is over: `place` is its last field, `why` says what ended it. Everything open is closed.
    pub fn finish(&mut self, place: FieldPlace, why: WhyEnded, changes: &mut Vec<Change>) {
        for event in std::mem::take(&mut self.told) {
            self.close_told(event, place, changes);
        }
        let turn = self.programme.finish(place, why);
        let (rules, mut desk) = self.at_desk(changes);
        if let Some(turn) = turn {
            take_turn(turn, rules, &mut desk);
        }
        for rule in rules {
            rule.close(&mut desk);
        }
        desk.pass_on_all();
        self.coverage.settle(match turn {
            Some(Turn::Ended(_)) => Phase::Outside,
            _ => Phase::Inside, // a picture to the end, or nothing that waits
        });
    }

    /// The programme found so far.
    #[must_use]
    pub fn programme(&self) -> &Programme {
        &self.programme
    }

    /// How much of the programme each kind covers.
    #[must_use]
    pub fn coverage(&self) -> &Coverage {
        &self.coverage
    }

    /// Events in progress, in the order of the limits table.
    pub fn open_events(&self) -> impl Iterator<Item = &Event> {
        self.rules.iter().filter_map(Rule::open_event)
    }

    /// The same, each with the field that was its worst so far.
    pub fn worst_so_far(&self) -> impl Iterator<Item = WorstSoFar<'_>> {
        self.rules.iter().filter_map(Rule::worst_so_far)
    }

    fn at_desk<'a>(&'a mut self, changes: &'a mut Vec<Change>) -> (&'a mut [Rule], Desk<'a>) {
        let desk = Desk {
            numbers: &self.numbers,
            clock: self.clock,
            programme: &self.programme,
            waiting: &mut self.waiting,
            coverage: &mut self.coverage,
            said: &self.said,
            changes,
        };
        (&mut self.rules, desk)
    }
}

fn take_turn(turn: Turn, rules: &mut [Rule], desk: &mut Desk<'_>) {
    match turn {
        Turn::Started(first) => {
            for rule in rules {
                rule.recording_started();
            }
            desk.moment(Kind::RecordingStart, first, "Recorded picture begins.");
        }
        Turn::Ended(_) => {
            for rule in rules {
                rule.programme_ended(desk);
            }
        }
        Turn::TapeEnded(last) => {
            let note = format!(
                "The recording ends; nothing has followed for {}.",
                wording::duration(desk.numbers.tape_end_s)
            );
            desk.moment(Kind::TapeEnd, last, &note);
        }
    }
}

#[cfg(test)]
mod tests;
