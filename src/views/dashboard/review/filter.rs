//! Which events are listed and jumped to.
//!
//! Does not know: how they are drawn.

use super::super::words;
use crate::alarms::Event;
use crate::limits::{Kind, Severity};

/// What is let through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Filter {
    All,
    Alarms,
    Only(Kind),
}

impl Filter {
    pub(super) fn lets(self, event: &Event) -> bool {
        match self {
            Self::All => true,
            Self::Alarms => event.severity == Severity::Alarm,
            Self::Only(kind) => event.kind == kind,
        }
    }

    /// What is let through, in a word: `event`, `alarm`, `wobble`.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::All => "event",
            Self::Alarms => "alarm",
            Self::Only(kind) => words::kind(kind),
        }
    }
}

/// What can be chosen, each with how many events it lets through: all, alarms, and every kind that happened.
pub(super) fn choices(events: &[Event]) -> Vec<(Filter, usize)> {
    let kinds = Kind::ALL.iter().map(|&kind| Filter::Only(kind));
    let count = |filter: Filter| events.iter().filter(|event| filter.lets(event)).count();
    [Filter::All, Filter::Alarms]
        .into_iter()
        .chain(kinds)
        .map(|filter| (filter, count(filter)))
        .filter(|&(filter, count)| filter == Filter::All || count > 0)
        .collect()
}
