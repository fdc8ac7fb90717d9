//! Which stretches of a pass are programme: what was recorded on the tape.
//!
//! In: the state of every field. Out: [`Span`]s, the [`Phase`] of the newest field, and [`Turn`]s where a span begins or
//! ends. Both are known late and dated back: a picture must stay for a second before it is programme from its first
//! field on, and must be away for two before the programme is over at its last; for ten where there is no signal at all, for
//! then it is not the tape that shows nothing.
//!
//! Does not know: alarms, or what the picture shows.

use serde::{Deserialize, Serialize};

use crate::fields::FieldPlace;
use crate::limits::Numbers;
use crate::measures::sync::State as Signal;
use crate::timecode::FieldIndex;

/// A flicker of the other state up to this long does not count: one field misread amid snow is no picture.
const FLICKER_S: f64 = 0.2;

/// Most spans kept. Spans and the gaps between them last at least a second and two, so six hours hold 7200 at most;
/// beyond, the last span goes on through the gaps.
const MOST_SPANS: usize = 10_000;

/// Joins remembered; events ask for them within a few seconds.
const MOST_JOINS: usize = 8;

/// Why a stretch of programme ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WhyEnded {
    /// Noise without a picture followed.
    Snow,
    /// A flat inserted picture followed.
    Muted,
    /// The device reported no signal.
    NoSignal,
    /// The source went away or broke off first.
    SourceLost,
    /// The pass ended first.
    PassEnded,
}

impl WhyEnded {
    /// As files write it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Snow => "snow",
            Self::Muted => "muted",
            Self::NoSignal => "no_signal",
            Self::SourceLost => "source_lost",
            Self::PassEnded => "pass_ended",
        }
    }
}

/// A stretch of programme.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// First field.
    pub start: FieldPlace,
    /// Last field; `None` while it goes on.
    pub end: Option<FieldPlace>,
    /// Why it ended; `None` while it goes on.
    pub why_ended: Option<WhyEnded>,
}

impl Span {
    /// Whether a field lies in it.
    #[must_use]
    pub fn contains(&self, field: FieldIndex) -> bool {
        self.start.field <= field && self.end.is_none_or(|end| field <= end.field)
    }
}

/// What the newest field is to the programme.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// No programme.
    Outside,
    /// A picture, not for long enough to tell: programme if it stays.
    Starting,
    /// Programme.
    Inside,
    /// No picture, not for long enough to tell: programme if it comes back.
    Ending,
}

/// Where the programme turns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Turn {
    /// It began at this field.
    Started(FieldPlace),
    /// It ended with this field.
    Ended(FieldPlace),
    /// It ended with this field and nothing has followed for long.
    TapeEnded(FieldPlace),
}

/// What lies near a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum JoinKind {
    /// The first recording begins.
    Start,
    /// One recording gives way to another.
    Join,
    /// A recording ends.
    End,
}

#[derive(Clone, Copy, Debug)]
struct Join {
    seconds: f64,
    kind: JoinKind,
}

#[derive(Clone, Copy, Debug)]
enum Now {
    Outside,
    Starting {
        first: FieldPlace,
        blank_since: Option<f64>,
    },
    Inside {
        last: FieldPlace,
    },
    Ending(Ending),
}

/// The picture is away.
#[derive(Clone, Copy, Debug)]
struct Ending {
    /// Last field with a picture.
    last: FieldPlace,
    blank_since: f64,
    why: WhyEnded,
    /// It may be back.
    picture_since: Option<f64>,
}

/// Finds programme.
#[derive(Debug)]
pub struct Programme {
    start_s: f64,
    end_s: f64,
    signal_end_s: f64,
    tape_end_s: f64,
    now: Now,
    spans: Vec<Span>,
    tape_end_told: bool,
    joins: [Option<Join>; MOST_JOINS],
    next_join: usize,
}

impl Programme {
    /// No programme yet.
    #[must_use]
    pub fn new(numbers: &Numbers) -> Self {
        Self {
            start_s: numbers.start_s,
            end_s: numbers.end_s,
            signal_end_s: numbers.signal_end_s,
            tape_end_s: numbers.tape_end_s,
            now: Now::Outside,
            spans: Vec::with_capacity(64),
            tape_end_told: false,
            joins: [None; MOST_JOINS],
            next_join: 0,
        }
    }

    /// All stretches so far, in order.
    #[must_use]
    pub fn spans(&self) -> &[Span] {
        &self.spans
    }

    /// What the newest field is.
    #[must_use]
    pub fn phase(&self) -> Phase {
        match self.now {
            Now::Outside => Phase::Outside,
            Now::Starting { .. } => Phase::Starting,
            Now::Inside { .. } => Phase::Inside,
            Now::Ending(_) => Phase::Ending,
        }
    }

    /// Whether a field lies in a span.
    #[must_use]
    pub fn contains(&self, field: FieldIndex) -> bool {
        let after = self.spans.partition_point(|span| span.start.field <= field);
        after > 0 && self.spans[after - 1].contains(field)
    }

    /// Takes in the next field.
    pub fn observe(&mut self, place: FieldPlace, signal: Signal) -> Option<Turn> {
        let blank = why_blank(signal);
        match self.now {
            Now::Outside => self.outside(place, blank),
            Now::Starting { first, blank_since } => self.starting(place, blank, first, blank_since),
            Now::Inside { last } => {
                self.now = inside(place, blank, last);
                None
            }
            Now::Ending(ending) => self.ending(place, blank.is_some(), ending),
        }
    }

    /// The pass is over at `place`: a span in progress ends there, a picture that had no time to prove itself is one.
    pub fn finish(&mut self, place: FieldPlace, why: WhyEnded) -> Option<Turn> {
        let turn = match self.now {
            Now::Outside => return None,
            Now::Starting { first, .. } => {
                self.begin(first);
                Some(Turn::Started(first))
            }
            Now::Inside { .. } => None,
            Now::Ending(ending) => return Some(self.end(ending)),
        };
        self.close_span(place, why);
        self.now = Now::Outside;
        turn
    }

    /// The join nearest to a place within `reach` seconds: seconds from the join to the place, and what it is.
    pub(super) fn join_near(&self, place: FieldPlace, reach: f64) -> Option<(f64, JoinKind)> {
        self.joins
            .iter()
            .flatten()
            .map(|join| (place.seconds.0 - join.seconds, join.kind))
            .filter(|(after, _)| after.abs() <= reach)
            .min_by(|(a, _), (b, _)| a.abs().total_cmp(&b.abs()))
    }

    fn outside(&mut self, place: FieldPlace, blank: Option<WhyEnded>) -> Option<Turn> {
        if blank.is_none() {
            self.now = Now::Starting {
                first: place,
                blank_since: None,
            };
        }
        let end = self.spans.last()?.end?;
        let due = place.seconds.0 - end.seconds.0 > self.tape_end_s;
        if !due || self.tape_end_told || blank.is_none() {
            return None;
        }
        self.tape_end_told = true;
        Some(Turn::TapeEnded(end))
    }

    fn starting(
        &mut self,
        place: FieldPlace,
        blank: Option<WhyEnded>,
        first: FieldPlace,
        blank_since: Option<f64>,
    ) -> Option<Turn> {
        let now = place.seconds.0;
        if blank.is_some() {
            let since = blank_since.unwrap_or(now);
            self.now = if now - since < FLICKER_S {
                Now::Starting {
                    first,
                    blank_since: Some(since),
                }
            } else {
                Now::Outside
            };
            return None;
        }
        if now - first.seconds.0 < self.start_s {
            self.now = Now::Starting {
                first,
                blank_since: None,
            };
            return None;
        }
        self.begin(first);
        self.now = Now::Inside { last: place };
        Some(Turn::Started(first))
    }

    fn ending(&mut self, place: FieldPlace, blank: bool, mut ending: Ending) -> Option<Turn> {
        let now = place.seconds.0;
        let patience = match ending.why {
            WhyEnded::NoSignal => self.signal_end_s,
            _ => self.end_s,
        };
        if blank && now - ending.blank_since > patience {
            return Some(self.end(ending));
        }
        let since = ending.picture_since.unwrap_or(now);
        if blank || now - since < FLICKER_S {
            ending.picture_since = (!blank).then_some(since);
            self.now = Now::Ending(ending);
            return None;
        }
        // What comes back when the signal does is the same recording.
        if since - ending.blank_since > FLICKER_S && ending.why != WhyEnded::NoSignal {
            self.join(since, JoinKind::Join);
        }
        self.now = Now::Inside { last: place };
        None
    }

    fn begin(&mut self, first: FieldPlace) {
        let kind = if self.spans.is_empty() {
            JoinKind::Start
        } else {
            JoinKind::Join
        };
        self.join(first.seconds.0, kind);
        self.tape_end_told = false;
        if self.spans.len() < MOST_SPANS {
            self.spans.push(Span {
                start: first,
                end: None,
                why_ended: None,
            });
        } else if let Some(last) = self.spans.last_mut() {
            (last.end, last.why_ended) = (None, None);
        }
    }

    fn end(&mut self, ending: Ending) -> Turn {
        self.close_span(ending.last, ending.why);
        self.join(ending.last.seconds.0, JoinKind::End);
        self.now = Now::Outside;
        Turn::Ended(ending.last)
    }

    fn close_span(&mut self, last: FieldPlace, why: WhyEnded) {
        if let Some(span) = self.spans.last_mut() {
            span.end = Some(last);
            span.why_ended = Some(why);
        }
    }

    fn join(&mut self, seconds: f64, kind: JoinKind) {
        self.joins[self.next_join] = Some(Join { seconds, kind });
        self.next_join = (self.next_join + 1) % MOST_JOINS;
    }
}

fn inside(place: FieldPlace, blank: Option<WhyEnded>, last: FieldPlace) -> Now {
    match blank {
        None => Now::Inside { last: place },
        Some(why) => Now::Ending(Ending {
            last,
            blank_since: place.seconds.0,
            why,
            picture_since: None,
        }),
    }
}

/// Why there is no picture to see; `None` where there is one.
fn why_blank(signal: Signal) -> Option<WhyEnded> {
    match signal {
        Signal::Locked | Signal::Unstable | Signal::Lost => None,
        Signal::Snow => Some(WhyEnded::Snow),
        Signal::Muted => Some(WhyEnded::Muted),
        Signal::NoSignal => Some(WhyEnded::NoSignal),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::place_at;

    /// Plays stretches of so many fields each; fields as (start, end, why) of every span, and the turns.
    fn play(script: &[(u64, Signal)]) -> (Programme, Vec<Turn>) {
        let mut programme = Programme::new(&Numbers::default());
        let mut turns = Vec::new();
        let mut field = 0;
        for &(fields, signal) in script {
            for _ in 0..fields {
                turns.extend(programme.observe(place_at(field), signal));
                field += 1;
            }
        }
        (programme, turns)
    }

    fn spans(script: &[(u64, Signal)]) -> Vec<(u64, Option<u64>)> {
        let (programme, _) = play(script);
        programme
            .spans()
            .iter()
            .map(|span| (span.start.field.0, span.end.map(|end| end.field.0)))
            .collect()
    }

    #[test]
    fn a_span_begins_with_the_first_field_of_a_picture_that_stays() {
        assert_eq!(
            spans(&[(100, Signal::Snow), (61, Signal::Locked)]),
            [(100, None)]
        );
        assert_eq!(
            spans(&[
                (100, Signal::Snow),
                (59, Signal::Locked),
                (30, Signal::Snow)
            ]),
            []
        );
    }

    #[test]
    fn a_span_ends_with_the_last_field_before_the_blank_and_says_why() {
        let script = [(200, Signal::Locked), (130, Signal::Muted)];
        assert_eq!(spans(&script), [(0, Some(199))]);
        let (programme, turns) = play(&script);
        assert_eq!(programme.spans()[0].why_ended, Some(WhyEnded::Muted));
        assert_eq!(
            turns,
            [Turn::Started(place_at(0)), Turn::Ended(place_at(199))]
        );
    }

    #[test]
    fn a_gap_shorter_than_two_seconds_is_a_fault_in_the_programme() {
        let script = [
            (200, Signal::Locked),
            (110, Signal::Snow),
            (200, Signal::Locked),
        ];
        assert_eq!(spans(&script), [(0, None)]);
        let (programme, _) = play(&script);
        let near = programme
            .join_near(place_at(320), 2.0)
            .expect("the gap is a join");
        assert_eq!(near.1, JoinKind::Join);
        assert!((near.0 - 10.0 * 1.001 / 60.0).abs() < 1e-9, "{near:?}");
        assert_eq!(programme.join_near(place_at(480), 2.0), None);
    }

    #[test]
    fn no_signal_for_less_than_ten_seconds_is_no_end_and_no_join() {
        let script = [
            (200, Signal::Locked),
            (500, Signal::NoSignal),
            (200, Signal::Locked),
        ];
        let (programme, _) = play(&script);
        assert_eq!(spans(&script), [(0, None)]);
        assert_eq!(programme.join_near(place_at(710), 2.0), None);
        assert_eq!(
            spans(&[(200, Signal::Locked), (620, Signal::NoSignal)]),
            [(0, Some(199))]
        );
    }

    #[test]
    fn one_field_misread_amid_snow_does_not_hold_the_programme_open() {
        let mut script = vec![(200, Signal::Locked)];
        for _ in 0..10 {
            script.extend([(20, Signal::Snow), (1, Signal::Unstable)]);
        }
        assert_eq!(spans(&script), [(0, Some(199))]);
    }

    #[test]
    fn a_picture_that_has_lost_lock_is_still_programme() {
        assert_eq!(
            spans(&[(200, Signal::Locked), (900, Signal::Lost)]),
            [(0, None)]
        );
    }

    #[test]
    fn the_tape_is_at_its_end_when_nothing_follows_for_long() {
        let (_, turns) = play(&[(200, Signal::Locked), (1500, Signal::NoSignal)]);
        assert_eq!(turns.last(), Some(&Turn::TapeEnded(place_at(199))));
        let ends = turns
            .iter()
            .filter(|turn| matches!(turn, Turn::TapeEnded(_)));
        assert_eq!(ends.count(), 1);
    }

    #[test]
    fn the_end_of_a_pass_ends_a_span_and_spares_a_short_picture() {
        let (mut programme, _) = play(&[(30, Signal::Locked)]);
        assert_eq!(
            programme.finish(place_at(29), WhyEnded::PassEnded),
            Some(Turn::Started(place_at(0)))
        );
        let span = programme.spans()[0];
        assert_eq!(
            (span.end, span.why_ended),
            (Some(place_at(29)), Some(WhyEnded::PassEnded))
        );
        let (mut programme, _) = play(&[(200, Signal::Locked), (60, Signal::Snow)]);
        assert_eq!(
            programme.finish(place_at(259), WhyEnded::SourceLost),
            Some(Turn::Ended(place_at(199)))
        );
    }

    #[test]
    fn spans_are_bounded_and_contain_what_lies_in_them() {
        let (mut programme, _) = play(&[]);
        for field in 0..(MOST_SPANS as u64 + 3) * 300 {
            let signal = if field % 300 < 150 {
                Signal::Locked
            } else {
                Signal::Snow
            };
            programme.observe(place_at(field), signal);
        }
        assert_eq!(programme.spans().len(), MOST_SPANS);
        assert!(programme.contains(FieldIndex(449)));
        assert!(!programme.contains(FieldIndex(450)));
        assert!(!programme.contains(FieldIndex(299)));
    }
}
