//! Stretches of a pass that are worth playing again, and why.
//!
//! In: events and spans of programme. Out: [`Again`]s in their order, apart from each other, each with its reasons in words.
//!
//! Listed is what another playing can mend: pictures that were lost on their way, and faults of tape and player that come and
//! go. What is there on most of the programme is how this chain plays this tape: a setting, the chain or a head to
//! clean, and the verdict's to tell. Levels, colour and patterns are settings and wiring too. What lies at a join between
//! recordings is in the recording.
//!
//! Does not know: the verdict, or how a stretch is shown.

use crate::alarms::{Event, is_at_join};
use crate::limits::{Kind, Severity};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

use super::ProgrammeSpan;

/// Seconds played before and after a fault. A player's servos need about two to lock (`join_s` of the limits), and one more
/// of good picture at each side is left to join the two playings at.
pub const PAD_SECONDS: f64 = 3.0;

/// Padded stretches nearer than this are one: winding, starting and locking for the second would take longer than playing on.
pub const NEAR_SECONDS: f64 = 10.0;

/// Share of the programme beyond which a fault of tape or player is no place but a state: on most of the programme it
/// would be there the next time too.
pub const THROUGHOUT_SHARE: f64 = 0.5;

/// A kind of event whose places are played again.
#[derive(Clone, Copy, Debug)]
pub struct Cause {
    /// Which.
    pub kind: Kind,
    /// Least severity of it.
    pub least: Severity,
    /// Pictures are gone, which nothing but another playing brings back: listed however much there is of it, at joins too.
    pub gone: bool,
    /// Why playing again can help.
    pub why: &'static str,
}

const fn gone(kind: Kind, why: &'static str) -> Cause {
    Cause {
        kind,
        least: Severity::Alarm,
        gone: true,
        why,
    }
}

const fn fault(kind: Kind, least: Severity, why: &'static str) -> Cause {
    Cause {
        kind,
        least,
        gone: false,
        why,
    }
}

/// Every such kind, the worst first: that is the reason named first, and its event is a stretch's worst.
pub const CAUSES: &[Cause] = &[
    gone(
        Kind::SourceLost,
        "nothing was captured: the device was away",
    ),
    gone(
        Kind::Overrun,
        "fields came and were dropped: a machine with less to do takes them",
    ),
    gone(
        Kind::Missing,
        "fields were lost on their way: seldom at the same place twice",
    ),
    gone(
        Kind::Repeated,
        "a picture stands where another was lost, as for missing ones",
    ),
    fault(
        Kind::NoSignal,
        Severity::Alarm,
        "a short break within programme: a plug or a pinched tape, not what was recorded",
    ),
    fault(
        Kind::Snow,
        Severity::Alarm,
        "a short break within programme: a head that clogged and came free, or slack tape",
    ),
    fault(
        Kind::Muted,
        Severity::Alarm,
        "the chain found no sync for a moment; with other tracking, or once locked, it may",
    ),
    fault(
        Kind::LockLost,
        Severity::Alarm,
        "servo or box lost the picture; tension and tracking differ at each playing",
    ),
    fault(
        Kind::HeadFault,
        Severity::Alarm,
        "a head took up dirt: cleaned, it plays the place whole",
    ),
    fault(
        Kind::Tear,
        Severity::Notice,
        "single torn fields too: the limits call each a place to play again",
    ),
    fault(
        Kind::Roll,
        Severity::Alarm,
        "vertical sync was missed; often found the next time",
    ),
    fault(
        Kind::Tracking,
        Severity::Alarm,
        "the heads ran beside their tracks: tracking can be set for the place",
    ),
    fault(
        Kind::DropoutBurst,
        Severity::Alarm,
        "dirt on tape or head: another playing, or a clean head, leaves fewer",
    ),
    fault(
        Kind::Wobble,
        Severity::Alarm,
        "tape tension or a slipping pinch roller for a while",
    ),
    fault(
        Kind::Flagging,
        Severity::Alarm,
        "tension at the heads differed for a while",
    ),
    fault(
        Kind::ColourLoss,
        Severity::Alarm,
        "a colour killer cut in where the signal was weak",
    ),
];

/// What stands at one stretch against a kind of fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Reason {
    /// The worst of them: the longest of those of the largest size.
    pub worst: Event,
    /// How many there are.
    pub events: usize,
}

impl Reason {
    /// In words: the note of the worst, and how many others there are.
    #[must_use]
    pub fn words(&self) -> String {
        match self.events - 1 {
            0 => self.worst.note.clone(),
            1 => format!("{} (and once more)", self.worst.note),
            more => format!("{} (and {more} times more)", self.worst.note),
        }
    }
}

/// A stretch to play again.
#[derive(Clone, Debug, PartialEq)]
pub struct Again {
    /// First field, padding included.
    pub start: FieldIndex,
    /// Last field, padding included.
    pub end: FieldIndex,
    /// Why; the worst kind first, at least one.
    pub reasons: Vec<Reason>,
}

impl Again {
    /// The event that most asks for it.
    #[must_use]
    pub fn worst(&self) -> &Event {
        &self.reasons[0].worst
    }

    /// All reasons in words.
    #[must_use]
    pub fn why(&self) -> String {
        let words: Vec<String> = self.reasons.iter().map(Reason::words).collect();
        words.join(" ")
    }
}

/// The stretches of a pass that are worth playing again, in order; `last` is its last field.
#[must_use]
pub fn stretches(
    events: &[Event],
    programme: &[ProgrammeSpan],
    last: FieldIndex,
    field_period: Seconds,
) -> Vec<Again> {
    let in_fields = |seconds: f64| (seconds / field_period.0).ceil() as u64;
    let (pad, near) = (in_fields(PAD_SECONDS), in_fields(NEAR_SECONDS));
    let mut faults: Vec<Fault<'_>> = CAUSES
        .iter()
        .flat_map(|cause| faults_of(cause, events, programme, last))
        .collect();
    faults.sort_by_key(|fault| fault.first);
    let mut groups: Vec<Group<'_>> = Vec::new();
    for fault in faults {
        let first = fault.first.saturating_sub(pad);
        let end = fault.last.saturating_add(pad).min(last.0);
        match groups.last_mut() {
            Some(group) if first <= group.last.saturating_add(near) => {
                group.last = group.last.max(end);
                group.faults.push(fault);
            }
            _ => groups.push(Group {
                first,
                last: end,
                faults: vec![fault],
            }),
        }
    }
    groups.into_iter().map(Group::stretch).collect()
}

/// One event that asks for a playing, as far as it lies within programme.
struct Fault<'a> {
    event: &'a Event,
    first: u64,
    last: u64,
}

/// Faults that are played again in one go.
struct Group<'a> {
    first: u64,
    last: u64,
    faults: Vec<Fault<'a>>,
}

impl Group<'_> {
    fn stretch(self) -> Again {
        let reason = |cause: &Cause| {
            let of_kind = || {
                let faults = self.faults.iter().map(|fault| fault.event);
                faults.filter(|event| event.kind == cause.kind)
            };
            let worst = of_kind().max_by(|a, b| size(a).total_cmp(&size(b)))?;
            Some(Reason {
                worst: worst.clone(),
                events: of_kind().count(),
            })
        };
        Again {
            start: FieldIndex(self.first),
            end: FieldIndex(self.last),
            reasons: CAUSES.iter().filter_map(reason).collect(),
        }
    }
}

/// Orders events of one kind: by severity, then by their worst value, which all of them give in one unit.
fn size(event: &Event) -> f64 {
    let severity = match event.severity {
        Severity::Notice => 0.0,
        Severity::Alarm => 1e9, // beyond any value of any unit
    };
    severity + event.worst.map_or(0.0, f64::abs)
}

/// The events of a cause that are to be played again.
fn faults_of<'a>(
    cause: &Cause,
    events: &'a [Event],
    programme: &[ProgrammeSpan],
    last: FieldIndex,
) -> Vec<Fault<'a>> {
    let wanted = |event: &&Event| {
        event.kind == cause.kind
            && event.severity >= cause.least
            && (cause.gone || !is_at_join(event))
    };
    let mut faults = Vec::new();
    let mut covered = 0;
    let mut length = 0;
    for span in programme {
        // What was lost right behind its last field ended it.
        let end = span.end.unwrap_or(last).0;
        let reach = end + u64::from(cause.gone);
        let mut counted_to = span.start.0;
        length += (end + 1).saturating_sub(span.start.0);
        for event in events.iter().filter(wanted) {
            let event_end = event.end.map_or(last, |end| end.field).0;
            let (from, to) = (event.start.field.0.max(span.start.0), event_end.min(reach));
            if from > to {
                continue;
            }
            // Events of one kind may overlap where several limits make them.
            covered += (to + 1).saturating_sub(from.max(counted_to));
            counted_to = counted_to.max(to + 1);
            faults.push(Fault {
                event,
                first: from,
                last: to,
            });
        }
    }
    let throughout = covered as f64 > THROUGHOUT_SHARE * length as f64;
    if throughout && !cause.gone {
        faults.clear();
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::WhyEnded;
    use crate::alarms::script::place_at;
    use crate::record::testing;
    use crate::standard::Standard;

    fn event(id: u32, kind: Kind, fields: (u64, u64)) -> Event {
        Event {
            kind,
            start: place_at(fields.0),
            end: Some(place_at(fields.1)),
            note: format!("{kind} at {}.", fields.0),
            ..testing::event(id, fields.0)
        }
    }

    fn span(start: u64, end: u64) -> ProgrammeSpan {
        ProgrammeSpan {
            start: FieldIndex(start),
            end: Some(FieldIndex(end)),
            why_ended: Some(WhyEnded::Snow),
        }
    }

    /// What is found in ten minutes of 525 lines with these events: first and last field, and the reasons.
    fn found(events: &[Event], programme: &[ProgrammeSpan]) -> Vec<(u64, u64, String)> {
        let period = Standard::Lines525.field_period();
        stretches(events, programme, FieldIndex(35_999), period)
            .iter()
            .map(|again| (again.start.0, again.end.0, again.why()))
            .collect()
    }

    /// 3 s of fields of 1001/60000 s, rounded up.
    const PAD: u64 = 180;

    #[test]
    fn a_fault_is_padded_and_the_pass_has_ends() {
        let events = [
            event(1, Kind::Tear, (100, 120)),
            event(2, Kind::Tear, (20_000, 20_010)),
            event(3, Kind::Tear, (35_990, 35_995)),
        ];
        let stretches = found(&events, &[span(50, 35_999)]);
        let bounds: Vec<(u64, u64)> = stretches.iter().map(|it| (it.0, it.1)).collect();
        assert_eq!(
            bounds,
            [
                (0, 120 + PAD),
                (20_000 - PAD, 20_010 + PAD),
                (35_990 - PAD, 35_999)
            ]
        );
    }

    #[test]
    fn near_ones_are_one_stretch_whose_worst_reason_comes_first() {
        let mut deep = event(3, Kind::Tear, (1_300, 1_301));
        deep.worst = Some(-400.0);
        let events = [
            event(1, Kind::Tear, (1_000, 1_001)),
            event(2, Kind::Missing, (1_600, 1_600)),
            deep,
            // 10 s are 600 fields, between the padded ones
            event(4, Kind::Tear, (1_600 + 2 * PAD + 602, 2_600)),
        ];
        let stretches = found(&events, &[span(0, 35_999)]);
        assert_eq!(stretches.len(), 2, "{stretches:?}");
        assert_eq!(
            stretches[0].2,
            "missing at 1600. tear at 1300. (and once more)"
        );
    }

    #[test]
    fn what_lies_outside_of_programme_is_cut_off_or_left_out() {
        let programme = [span(1_000, 4_999), span(8_000, 12_000)];
        let events = [
            event(1, Kind::Snow, (5_000, 7_999)),
            event(2, Kind::Tracking, (4_900, 8_100)),
        ];
        let stretches = found(&events, &programme);
        let bounds: Vec<(u64, u64)> = stretches.iter().map(|it| (it.0, it.1)).collect();
        assert_eq!(
            bounds,
            [(4_900 - PAD, 4_999 + PAD), (8_000 - PAD, 8_100 + PAD)]
        );
        assert!(stretches.iter().all(|it| it.2 == "tracking at 4900."));
    }

    #[test]
    fn a_source_that_was_lost_ends_programme_and_is_played_again() {
        let lost = event(1, Kind::SourceLost, (5_000, 5_000));
        let stretches = found(&[lost], &[span(0, 4_999), span(6_000, 12_000)]);
        assert_eq!(stretches.len(), 1, "{stretches:?}");
        assert_eq!((stretches[0].0, stretches[0].1), (5_000 - PAD, 5_000 + PAD));
    }

    #[test]
    fn what_is_there_throughout_is_no_place() {
        let programme = [span(0, 35_999)];
        let wobble = |fields| event(1, Kind::Wobble, fields);
        assert_eq!(found(&[wobble((0, 20_000))], &programme), []);
        assert_eq!(
            found(&[wobble((0, 12_000)), wobble((20_000, 30_000))], &programme),
            []
        );
        assert_eq!(found(&[wobble((9_000, 20_000))], &programme).len(), 1);
        // Fields that are gone are gone wherever they are.
        assert_eq!(
            found(&[event(1, Kind::Missing, (0, 30_000))], &programme).len(),
            1
        );
    }

    #[test]
    fn settings_and_notices_and_what_joins_do_are_not_played_again() {
        let mut single = event(1, Kind::Tear, (5_000, 5_000));
        single.severity = Severity::Notice;
        let mut at_join = event(2, Kind::LockLost, (9_000, 9_010));
        at_join.note =
            "The picture lost lock for 0.2 s, 0.1 s after a join between recordings.".into();
        let mut grey = event(3, Kind::ColourLoss, (15_000, 15_010));
        grey.severity = Severity::Notice;
        let others = [
            Kind::Clipping,
            Kind::BlackLow,
            Kind::Interference,
            Kind::Mark,
            Kind::RecordingStart,
        ]
        .map(|kind| event(4, kind, (20_000, 20_100)));
        let mut events = vec![single, at_join, grey];
        events.extend(others);
        let stretches = found(&events, &[span(0, 35_999)]);
        assert_eq!(stretches.len(), 1, "{stretches:?}");
        assert_eq!(stretches[0].2, "tear at 5000.");
    }

    #[test]
    fn an_event_that_goes_on_is_played_to_the_end() {
        let mut open = event(1, Kind::DropoutBurst, (30_000, 30_000));
        open.end = None;
        let stretches = found(
            &[open],
            &[ProgrammeSpan {
                start: FieldIndex(0),
                end: None,
                why_ended: None,
            }],
        );
        assert_eq!((stretches[0].0, stretches[0].1), (30_000 - PAD, 35_999));
    }

    #[test]
    fn each_kind_is_named_once_with_its_reason() {
        for (at, cause) in CAUSES.iter().enumerate() {
            assert!(cause.why.len() > 20, "{:?}", cause.kind);
            let twice = CAUSES[..at].iter().any(|other| other.kind == cause.kind);
            assert!(!twice, "{:?}", cause.kind);
        }
    }
}
