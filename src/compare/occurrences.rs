//! Events of all passes on the axis of the first: what is in every play, and what in one.
//!
//! In: the events of every pass and where its fields lie. Out: [`Occurrence`]s. Events of a kind are the same one where they touch on the
//! tape, give or take half a second: what begins an event is told some fields sooner or later in another play.
//!
//! Does not know: what causes an event.

use serde::Serialize;

use crate::alarms::{Event, PassClock};
use crate::limits::{Kind, Severity};
use crate::timecode::FrameIndex;
use crate::units::Seconds;

use super::align::Piece;
use super::shared::Shared;

/// Fields by which the same event may begin or end apart: half a second.
const APART: i64 = 30;

/// Something that happened in one pass or several.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Occurrence {
    /// What.
    pub kind: Kind,
    /// How loud at worst.
    pub severity: Severity,
    /// Where it begins in the first pass.
    pub start_timecode: String,
    /// The same in seconds.
    pub start_seconds: f64,
    /// From the first start to the last end.
    pub duration_seconds: f64,
    /// Places of the passes that have it.
    pub passes: Vec<usize>,
    /// It is in all of them: on the tape, or of what they have in common.
    pub in_all: bool,
}

/// An event on the axis of the first pass.
struct Placed {
    kind: Kind,
    severity: Severity,
    start: i64,
    end: i64,
    pass: usize,
}

/// Matches events; the number that lie outside of what all passes share is told beside.
pub(super) fn occurrences(
    events: &[Vec<Event>],
    pieces: &[Vec<Piece>],
    shared: &Shared,
    clock: PassClock,
    period: Seconds,
) -> (Vec<Occurrence>, usize) {
    let (mut placed, mut outside) = (Vec::new(), 0);
    for (pass, (events, pieces)) in events.iter().zip(pieces).enumerate() {
        for event in events.iter().filter(|event| !event.kind.is_moment()) {
            match place(event, pieces, shared) {
                Some((start, end)) => placed.push(Placed {
                    kind: event.kind,
                    severity: event.severity,
                    start,
                    end,
                    pass,
                }),
                None => outside += 1,
            }
        }
    }
    placed.sort_by_key(|one| (one.kind, one.start));
    let mut found: Vec<(Placed, Vec<usize>)> = Vec::new();
    for one in placed {
        match found.last_mut() {
            Some((last, passes)) if last.kind == one.kind && one.start <= last.end + APART => {
                last.end = last.end.max(one.end);
                last.severity = last.severity.max(one.severity);
                if !passes.contains(&one.pass) {
                    passes.push(one.pass);
                }
            }
            _ => {
                let passes = vec![one.pass];
                found.push((one, passes));
            }
        }
    }
    found.sort_by_key(|(one, _)| one.start);
    let all = events.len();
    let found = found.into_iter().map(|(one, mut passes)| {
        passes.sort_unstable();
        Occurrence {
            kind: one.kind,
            severity: one.severity,
            start_timecode: clock
                .label(FrameIndex(one.start.max(0).unsigned_abs() / 2))
                .to_string(),
            start_seconds: one.start as f64 * period.0,
            duration_seconds: (one.end - one.start + 1) as f64 * period.0,
            in_all: passes.len() == all,
            passes,
        }
    });
    (found.collect(), outside)
}

/// First and last field on the axis of the first pass, as far as all passes have them.
fn place(event: &Event, pieces: &[Piece], shared: &Shared) -> Option<(i64, i64)> {
    let start = event.start.field.0 as i64;
    let end = event.end.map_or(start, |end| end.field.0 as i64).max(start);
    let mut found: Option<(i64, i64)> = None;
    for piece in pieces {
        let (first, last) = (
            piece.fields.start.max(start),
            (piece.fields.end - 1).min(end),
        );
        if first > last {
            continue;
        }
        let (first, last) = (first + piece.offset, last + piece.offset);
        if (first..=last).any(|field| shared.has(field)) {
            found = Some(found.map_or((first, last), |known| {
                (known.0.min(first), known.1.max(last))
            }));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::EventId;
    use crate::fields::FieldPlace;
    use crate::standard::{Parity, Standard};
    use crate::timecode::{Counting, FieldIndex, Timecode};

    fn event(kind: Kind, fields: (u64, u64)) -> Event {
        let place = |field| FieldPlace {
            field: FieldIndex(field),
            parity: Parity::Top,
            seconds: Seconds(field as f64 * 0.02),
        };
        Event {
            id: EventId(1),
            kind,
            severity: Severity::Alarm,
            standing: false,
            start: place(fields.0),
            end: Some(place(fields.1)),
            start_timecode: Timecode::zero(Counting::At25),
            end_timecode: None,
            worst: None,
            unit: "",
            limit: None,
            note: String::new(),
        }
    }

    #[test]
    fn an_event_of_every_play_is_told_from_one_of_a_single_play() {
        let whole = vec![Piece {
            fields: 0..5_000,
            offset: 0,
        }];
        let later = vec![Piece {
            fields: 0..3_000,
            offset: 1_000,
        }];
        let pieces = [whole, later];
        let period = Standard::Lines625.field_period();
        let shared = Shared::of(5_000, &pieces[1..], period);
        let events = [
            vec![
                event(Kind::Tear, (2_000, 2_010)),
                event(Kind::Wobble, (1_500, 1_600)),
                event(Kind::Tear, (10, 20)),
            ],
            vec![
                event(Kind::Tear, (1_020, 1_030)),
                event(Kind::Mark, (1_000, 1_000)),
                event(Kind::Wobble, (2_500, 2_600)),
            ],
        ];
        let clock = PassClock {
            start: Timecode::zero(Counting::At25),
        };
        let (found, outside) = occurrences(&events, &pieces, &shared, clock, period);
        assert_eq!(outside, 1, "the tear at field 10 is in one pass alone");
        let said: Vec<_> = found
            .iter()
            .map(|one| (one.kind, one.start_seconds, one.passes.clone(), one.in_all))
            .collect();
        assert_eq!(
            said,
            [
                (Kind::Wobble, 30.0, vec![0], false),
                (Kind::Tear, 40.0, vec![0, 1], true),
                (Kind::Wobble, 70.0, vec![1], false),
            ]
        );
        assert_eq!(found[1].duration_seconds, 31.0 * 0.02);
    }
}
