//! A scripted pass through alarms and statistics, for tests.

use super::{Row, Statistics};
use crate::alarms::EventLog;
use crate::alarms::script::Played;
use crate::limits::Limits;
use crate::measures::Readings;

/// So many fields, each made by a function of its index.
pub(crate) type Stretch<'a> = (u64, &'a dyn Fn(u64) -> Readings);

/// All that a verdict and a summary are made of.
pub(crate) struct PlayedPass {
    pub(crate) played: Played,
    pub(crate) statistics: Statistics,
    pub(crate) log: EventLog,
    pub(crate) limits: Limits,
}

/// Plays stretches to their end, after which the pass is over.
pub(crate) fn pass_of(stretches: &[Stretch<'_>]) -> PlayedPass {
    let limits = Limits::default();
    let mut played = Played::new();
    let mut statistics = Statistics::new(&limits.numbers);
    for (fields, field) in stretches {
        for _ in 0..*fields {
            let row = Row::from(&field(played.next));
            played = played.play(1, field);
            statistics.observe(&row, played.alarms.programme());
        }
    }
    let played = played.finish();
    statistics.finish(played.alarms.programme());
    let mut log = EventLog::new();
    for change in &played.changes {
        log.apply(change);
    }
    PlayedPass {
        played,
        statistics,
        log,
        limits,
    }
}
