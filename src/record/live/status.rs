//! One word for the whole transfer, with its reason in five words.
//!
//! In: what is logged, and how much evidence there is. Out: a [`Status`]. A pure decision, so that a table can test it.
//!
//! Does not know: readings, limits, or how the word is shown.

use crate::limits::{Kind, Severity};
use crate::units::Seconds;

use super::Logged;

/// The word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Word {
    /// Nothing stands against the transfer.
    Good,
    /// Too little evidence to say.
    Unsure,
    /// Something to know about.
    Look,
    /// What is being recorded now will have to be recorded again.
    Stop,
}

impl Word {
    /// As shown.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Good => "GOOD",
            Self::Unsure => "UNSURE",
            Self::Look => "LOOK",
            Self::Stop => "STOP",
        }
    }
}

/// The word and why.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Status {
    /// The word.
    pub word: Word,
    /// At most five words.
    pub reason: &'static str,
}

/// What the decision rests on besides events.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ground {
    /// Newest field; `None` before the first.
    pub now: Option<Seconds>,
    /// Share of the last fields whose lines could be timed.
    pub timed_share: f64,
}

/// A pass younger than this has shown too little (common practice, no source).
pub const WARM_UP: Seconds = Seconds(2.0);

/// Under this share of timed fields, silence of the alarms says nothing.
const LEAST_TIMED_SHARE: f64 = 0.1;

/// How long an alarm that is over still counts as going on: a single lost field must be seen from across the room.
const LINGER: Seconds = Seconds(5.0);

/// The word for a situation: the gravest event decides, then the newest; without events the evidence does.
#[must_use]
pub(super) fn decide<'a>(ground: Ground, newest_first: impl Iterator<Item = &'a Logged>) -> Status {
    let mut gravest: Option<Status> = None;
    for logged in newest_first {
        let Some(status) = judge(logged, ground.now) else {
            continue;
        };
        if gravest.is_none_or(|so_far| status.word > so_far.word) {
            gravest = Some(status);
        }
    }
    gravest.unwrap_or_else(|| without_events(ground))
}

fn without_events(ground: Ground) -> Status {
    let (word, reason) = match ground.now {
        None => (Word::Unsure, "no picture has come yet"),
        Some(now) if now < WARM_UP => (Word::Unsure, "warming up, two seconds"),
        Some(_) if ground.timed_share < LEAST_TIMED_SHARE => {
            (Word::Unsure, "line timing cannot be read")
        }
        Some(_) => (Word::Good, "nothing wrong, lines steady"),
    };
    Status { word, reason }
}

fn judge(logged: &Logged, now: Option<Seconds>) -> Option<Status> {
    let event = &logged.event;
    let fresh = match (event.end, now) {
        (None, _) => true,
        (Some(end), Some(now)) => now - end.seconds < LINGER,
        (Some(_), None) => false,
    };
    let alarm = event.severity == Severity::Alarm;
    let word = match (alarm, event.end.is_none(), logged.acknowledged) {
        (true, _, false) if fresh && !event.standing && spoils(event.kind) => Word::Stop,
        (_, true, _) | (true, false, false) => Word::Look,
        _ => return None,
    };
    let over = event.end.is_some() && !fresh;
    let reason = if over {
        past(event.kind)
    } else {
        present(event.kind)
    };
    Some(Status { word, reason })
}

/// Whether an alarm of this kind means that the stretch has to be played again.
fn spoils(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::Wobble
            | Kind::Tear
            | Kind::LockLost
            | Kind::Roll
            | Kind::NoSignal
            | Kind::Snow
            | Kind::Muted
            | Kind::Repeated
            | Kind::PatchFrozen
            | Kind::Missing
            | Kind::Clipping
            | Kind::ColourLoss
            | Kind::DropoutBurst
            | Kind::Tracking
            | Kind::HeadFault
            | Kind::SourceLost
            | Kind::Overrun
    )
}

fn present(kind: Kind) -> &'static str {
    match kind {
        Kind::Wobble => "lines wobble",
        Kind::Flagging => "top of picture bends",
        Kind::Tear => "lines are torn sideways",
        Kind::HeadSwitch => "bottom jump has grown",
        Kind::LockLost => "picture has lost lock",
        Kind::Roll => "picture rolls",
        Kind::Bounce => "picture bounces up and down",
        Kind::NoSignal => "no signal at the input",
        Kind::Snow => "snow instead of picture",
        Kind::Muted => "flat picture put in",
        Kind::Repeated => "pictures are repeated",
        Kind::PatchFrozen => "parts stand still",
        Kind::Missing => "source loses fields",
        Kind::BlackLow => "black is too low",
        Kind::BlackHigh => "black is too high",
        Kind::PeakHigh => "peak is too high",
        Kind::Clipping => "levels are cut off",
        Kind::ColourLoss => "colour is gone",
        Kind::Monochrome => "no colour so far",
        Kind::Interference => "pattern over the picture",
        Kind::ColourBars => "colour bars are shown",
        Kind::DropoutBurst => "streaks of lost signal",
        Kind::Tracking => "band of noise: tracking",
        Kind::HeadFault => "head is weak: clean it",
        Kind::Worsening => "tape or head gets worse",
        Kind::SourceLost => "source went away",
        Kind::Overrun => "we lose fields: too slow",
        Kind::Reduced => "too slow: measuring less",
        Kind::NotStored => "pass is not being written",
        _ => "see the newest event",
    }
}

fn past(kind: Kind) -> &'static str {
    match kind {
        Kind::Wobble => "lines wobbled, now over",
        Kind::Tear => "lines were torn, over",
        Kind::LockLost | Kind::Roll => "lock was lost, back now",
        Kind::NoSignal | Kind::SourceLost => "signal was gone, back now",
        Kind::Snow | Kind::Muted => "picture was gone, back now",
        Kind::Repeated => "pictures were repeated",
        Kind::PatchFrozen => "parts stood still",
        Kind::Missing => "source lost fields",
        Kind::Overrun => "we lost fields: too slow",
        Kind::NotStored => "pass was not written, is",
        Kind::Clipping => "levels were cut off",
        Kind::ColourLoss => "colour was gone, back now",
        Kind::DropoutBurst => "signal had streaks, over",
        Kind::Tracking => "band of noise, now over",
        Kind::HeadFault => "head was weak, back now",
        _ => "alarm over, see events",
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::logged;
    use super::*;

    const PLAYING: Ground = Ground {
        now: Some(Seconds(100.0)),
        timed_share: 1.0,
    };

    fn check(ground: Ground, events: &[Logged], word: Word, reason: &str) {
        let status = decide(ground, events.iter());
        assert_eq!((status.word, status.reason), (word, reason), "{events:?}");
    }

    #[test]
    fn evidence_decides_while_nothing_is_logged() {
        let at = |now, timed_share| Ground { now, timed_share };
        check(PLAYING, &[], Word::Good, "nothing wrong, lines steady");
        check(at(None, 0.0), &[], Word::Unsure, "no picture has come yet");
        check(
            at(Some(Seconds(1.9)), 1.0),
            &[],
            Word::Unsure,
            "warming up, two seconds",
        );
        check(
            at(Some(Seconds(9.0)), 0.05),
            &[],
            Word::Unsure,
            "line timing cannot be read",
        );
    }

    #[test]
    fn an_open_alarm_that_spoils_stops_until_acknowledged_or_standing() {
        let mut wobble = logged(1, Kind::Wobble, Severity::Alarm, 50.0, None);
        check(
            PLAYING,
            std::slice::from_ref(&wobble),
            Word::Stop,
            "lines wobble",
        );
        wobble.acknowledged = true;
        check(
            PLAYING,
            std::slice::from_ref(&wobble),
            Word::Look,
            "lines wobble",
        );
        wobble.acknowledged = false;
        wobble.event.standing = true;
        check(PLAYING, &[wobble], Word::Look, "lines wobble");
    }

    #[test]
    fn a_single_lost_field_stops_for_five_seconds_and_is_remembered_until_acknowledged() {
        let mut lost = logged(1, Kind::Missing, Severity::Alarm, 96.0, Some(96.0));
        check(
            PLAYING,
            std::slice::from_ref(&lost),
            Word::Stop,
            "source loses fields",
        );
        lost = logged(1, Kind::Missing, Severity::Alarm, 90.0, Some(90.0));
        check(
            PLAYING,
            std::slice::from_ref(&lost),
            Word::Look,
            "source lost fields",
        );
        lost.acknowledged = true;
        check(PLAYING, &[lost], Word::Good, "nothing wrong, lines steady");
    }

    #[test]
    fn notices_ask_for_a_look_only_while_they_last() {
        let open = logged(1, Kind::BlackHigh, Severity::Notice, 90.0, None);
        check(PLAYING, &[open], Word::Look, "black is too high");
        let over = logged(1, Kind::BlackHigh, Severity::Notice, 90.0, Some(99.0));
        check(PLAYING, &[over], Word::Good, "nothing wrong, lines steady");
    }

    #[test]
    fn the_gravest_event_decides_over_a_newer_one() {
        let events = [
            logged(2, Kind::BlackHigh, Severity::Alarm, 99.0, None),
            logged(1, Kind::Tear, Severity::Alarm, 98.0, None),
        ];
        check(PLAYING, &events, Word::Stop, "lines are torn sideways");
    }

    #[test]
    fn a_known_fault_outweighs_missing_evidence() {
        let blind = Ground {
            timed_share: 0.0,
            ..PLAYING
        };
        let open = logged(1, Kind::Snow, Severity::Alarm, 99.0, None);
        check(blind, &[open], Word::Stop, "snow instead of picture");
    }

    #[test]
    fn reasons_have_five_words_at_most() {
        for kind in crate::record::live::tests::KINDS {
            for reason in [present(kind), past(kind)] {
                assert!(reason.split_whitespace().count() <= 5, "{reason}");
                // the large letters of the strip: 120 columns, and four or six a letter
                let columns: usize = reason
                    .chars()
                    .map(|c| if "mw".contains(c) { 6 } else { 4 })
                    .sum();
                assert!(columns <= 110, "'{reason}' is too long for large letters");
            }
        }
    }
}
