//! The minutes of a pass, each judged by the rules of the whole pass.
//!
//! In: the seconds of every quantity, one quantity after the other. Out: a [`Minute`] each. What an alarm covers is counted in
//! fields: a second whose values lie all on one side of a limit tells by itself, of others the fields are read.
//!
//! Does not know: how a minute is shown.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::alarms::{Event, Span};
use crate::fields::FieldPlace;
use crate::limits::{Kind, Limit, Limits, Side, Test};
use crate::measures::{Quantity, Value};
use crate::record::error::RecordError;
use crate::record::head::PassHead;
use crate::record::reader::{Pass, PerSecond};
use crate::record::verdict::{Grounds, Groups, Verdict, judge_on};
use crate::timecode::{FieldIndex, Timecode};
use crate::units::Seconds;

use super::axis::Axis;
use super::stretch::{Piece, Stretch};

/// Length of a minute, in seconds.
pub const MINUTE: u64 = 60;

/// Seconds whose fields are read at most, in all: an hour of fields takes about a second. Beyond, the share of fields over a limit
/// is estimated from the second's least, middle and greatest value.
pub(super) const MOST_READ: usize = 3_600;

/// The same for who waits: about a tenth of a second.
pub(super) const FEW_READ: usize = 400;

/// One minute of a pass.
#[derive(Clone, Debug, PartialEq)]
pub struct Minute {
    /// Label of its first frame.
    pub start: Timecode,
    /// The words; `None` where no programme is in it.
    pub judged: Option<MinuteWords>,
}

/// How a minute is judged.
#[derive(Clone, Debug, PartialEq)]
pub struct MinuteWords {
    /// The word for the minute.
    pub verdict: Verdict,
    /// The word for each group.
    pub groups: Groups,
    /// What happened in it, in the order of kinds.
    pub kinds: Vec<Kind>,
}

/// Collects what minutes are judged by.
pub(super) struct Tally<'a> {
    limits: &'a Limits,
    events: &'a [Event],
    period: f64,
    minutes: Vec<Collected>,
    /// Seconds whose fields may still be read.
    readable: usize,
}

/// What is known of one minute.
struct Collected {
    spans: Vec<Span>,
    stretch: Stretch,
    programme_fields: f64,
    covered: BTreeMap<Kind, f64>,
}

impl<'a> Tally<'a> {
    pub(super) fn new(
        axis: &Axis<'_>,
        limits: &'a Limits,
        events: &'a [Event],
        readable: usize,
    ) -> Self {
        let count = axis.seconds().div_ceil(MINUTE);
        let mut tally = Self {
            limits,
            events,
            period: axis.period,
            minutes: (0..count)
                .map(|number| Collected::new(number, axis))
                .collect(),
            readable,
        };
        tally.cover_by_length();
        tally
    }

    /// Takes in the next quantity, in the order of columns.
    pub(super) fn take(
        &mut self,
        pass: &Pass,
        place: usize,
        quantity: &Quantity,
        seconds: &[PerSecond],
    ) -> Result<(), RecordError> {
        let mut rest = seconds;
        for (number, minute) in (0..).zip(&mut self.minutes) {
            let end = rest.partition_point(|second| second.second < (number + 1) * MINUTE);
            let (own, later) = rest.split_at(end);
            minute.stretch.push(minute.piece(quantity, own));
            rest = later;
        }
        let limits = self.limits;
        for limit in limits
            .rows()
            .iter()
            .filter(|row| row.quantity == quantity.id)
        {
            if is_told_by_fields(limit) {
                self.cover_by_fields(pass, place, limit, seconds)?;
            }
        }
        Ok(())
    }

    /// Programme fields that were bad in all minutes, by kind.
    pub(super) fn covered_in_all(&self) -> BTreeMap<Kind, u64> {
        let mut all = BTreeMap::new();
        for (&kind, fields) in self.minutes.iter().flat_map(|minute| &minute.covered) {
            *all.entry(kind).or_insert(0.0) += fields;
        }
        all.into_iter()
            .map(|(kind, fields)| (kind, fields.round() as u64))
            .collect()
    }

    /// Judges every minute.
    pub(super) fn judge(self, axis: &Axis<'_>, head: &PassHead) -> Vec<Minute> {
        let mut of_minute: Vec<Vec<Event>> = vec![Vec::new(); self.minutes.len()];
        for event in self.events {
            for number in minutes_of(event, axis.last, self.minutes.len()) {
                of_minute[number].push(event.clone());
            }
        }
        let minutes = (0..).zip(self.minutes).zip(of_minute);
        minutes
            .map(|((number, minute), events)| {
                let field = (number * MINUTE) as f64 / self.period;
                Minute {
                    start: head.clock().label(FieldIndex(field.ceil() as u64).frame()),
                    judged: minute.judge(&events, self.limits, head),
                }
            })
            .collect()
    }

    /// Kinds whose fields no threshold tells: of what is counted, the number of fields at the start; of others, as long as the
    /// events are.
    fn cover_by_length(&mut self) {
        for event in self.events {
            let mut rows = self
                .limits
                .rows()
                .iter()
                .filter(|row| row.kind == event.kind);
            let counted = |row: &Limit| row.threshold().is_some_and(|t| t.side == Side::Counted);
            if rows.clone().any(counted) {
                let at = (event.start.seconds.0 / MINUTE as f64) as usize;
                if let Some(minute) = self
                    .minutes
                    .get_mut(at)
                    .filter(|minute| minute.has_programme())
                {
                    *minute.covered.entry(event.kind).or_default() += event.worst.unwrap_or(1.0);
                }
            } else if !rows.any(is_told_by_fields) {
                for (number, minute) in (0..).zip(&mut self.minutes) {
                    let fields = minute.overlap(number, event, self.period);
                    if fields > 0.0 {
                        *minute.covered.entry(event.kind).or_default() += fields;
                    }
                }
            }
        }
    }

    fn cover_by_fields(
        &mut self,
        pass: &Pass,
        place: usize,
        limit: &Limit,
        seconds: &[PerSecond],
    ) -> Result<(), RecordError> {
        let mut over = vec![0.0; self.minutes.len()];
        let events = self.events.iter().filter(|event| event.kind == limit.kind);
        for event in events {
            let first = event.start.seconds.0 as u64;
            let end = event.end.map_or(u64::MAX, |end| end.seconds.0 as u64);
            let from = seconds.partition_point(|second| second.second < first);
            for second in seconds[from..]
                .iter()
                .take_while(|second| second.second <= end)
            {
                let fields = fields_of(event, second.second, self.period);
                let wanted = (fields.end.0.saturating_sub(fields.start.0)) as f64;
                let at = (second.second / MINUTE) as usize;
                let share = match share_over(limit, second) {
                    share if share <= 0.0 || share >= 1.0 || self.readable == 0 => share,
                    _ => {
                        self.readable -= 1;
                        let values = pass.values(place, fields)?;
                        let bad = values.iter().filter(|(_, value)| is_over(limit, *value));
                        bad.count() as f64 / wanted.max(1.0)
                    }
                };
                if let Some(over) = over.get_mut(at) {
                    *over += share * wanted.min(f64::from(second.n));
                }
            }
        }
        for (minute, over) in self.minutes.iter_mut().zip(over) {
            if over > 0.0 && minute.has_programme() {
                // two limits of one kind do not cover a field twice
                let covered = minute.covered.entry(limit.kind).or_default();
                *covered = covered.max(over);
            }
        }
        Ok(())
    }
}

impl Collected {
    fn new(number: u64, axis: &Axis<'_>) -> Self {
        let (from, to) = ((number * MINUTE) as f64, ((number + 1) * MINUTE) as f64);
        let mut spans = Vec::new();
        let mut seconds = 0.0;
        for span in axis.spans {
            let Some((start, end)) = axis.ends_of(span) else {
                continue;
            };
            let within = end.min(to) - start.max(from);
            if within <= 0.0 {
                continue;
            }
            seconds += within;
            let at = |wanted: f64| FieldPlace {
                field: FieldIndex(
                    span.start.field.0 + ((wanted - start) / axis.period).round() as u64,
                ),
                parity: span.start.parity,
                seconds: Seconds(wanted),
            };
            spans.push(Span {
                start: at(start.max(from)),
                end: Some(at((end.min(to) - axis.period).max(start))),
                why_ended: None,
            });
        }
        Self {
            stretch: Stretch::new(spans.last().and_then(|span| span.end)),
            spans,
            programme_fields: seconds / axis.period,
            covered: BTreeMap::new(),
        }
    }

    fn has_programme(&self) -> bool {
        self.programme_fields >= 1.0
    }

    /// The minute's seconds of a quantity, as far as they are programme: no more fields than that has.
    fn piece(&self, quantity: &Quantity, seconds: &[PerSecond]) -> Piece {
        let mut piece = Piece::of(quantity, seconds);
        piece.n = piece.n.min(self.programme_fields.round() as u64);
        piece
    }

    /// Fields of an event that lie in the minute's programme.
    fn overlap(&self, number: u64, event: &Event, period: f64) -> f64 {
        let minute = ((number * MINUTE) as f64, ((number + 1) * MINUTE) as f64);
        let end = event
            .end
            .map_or(f64::INFINITY, |end| end.seconds.0 + period);
        let spans = self.spans.iter().filter_map(|span| {
            let from = span
                .start
                .seconds
                .0
                .max(minute.0)
                .max(event.start.seconds.0);
            let to = (span.end?.seconds.0 + period).min(minute.1).min(end);
            Some((to - from).max(0.0))
        });
        spans.sum::<f64>() / period
    }

    fn judge(&self, events: &[Event], limits: &Limits, head: &PassHead) -> Option<MinuteWords> {
        if !self.has_programme() {
            return None;
        }
        let covered = |kind| {
            self.covered
                .get(&kind)
                .map_or(0, |fields| fields.round() as u64)
        };
        let judgement = judge_on(Grounds {
            figures: &self.stretch,
            spans: &self.spans,
            events,
            unlisted: &[],
            covered: &covered,
            limits,
            clock: head.clock(),
            sample_rate: head.sample_rate,
        });
        let happened = |kind: &&Kind| events.iter().any(|event| event.kind == **kind);
        Some(MinuteWords {
            verdict: judgement.verdict,
            groups: judgement.groups,
            kinds: Kind::ALL.iter().filter(happened).copied().collect(),
        })
    }
}

/// Whether the fields of a limit's events can be told from the values of its quantity alone.
fn is_told_by_fields(limit: &Limit) -> bool {
    match limit.test {
        Test::Words(_) => true,
        Test::Number(threshold) => {
            matches!(threshold.side, Side::Above | Side::Below | Side::Outside)
        }
    }
}

/// Whether a value keeps an event of a limit that [`is_told_by_fields`] going: until it is back inside, a field counts as bad.
fn is_over(limit: &Limit, value: Value) -> bool {
    match (limit.test, value) {
        (Test::Words(words), Value::Word(word)) => words.contains(&word),
        (Test::Number(threshold), value) => value
            .number()
            .is_some_and(|value| threshold.badness(value, 0.0) > threshold.leave_badness()),
        (Test::Words(_), _) => false,
    }
}

/// The share of a second's fields that keep an event going: exact where it is none or all, else as if values were spread evenly from least to
/// middle and from middle to greatest.
fn share_over(limit: &Limit, second: &PerSecond) -> f64 {
    let ends = [second.min, second.median, second.max];
    let Test::Number(threshold) = limit.test else {
        let [first, middle, last] = ends.map(|word| is_over(limit, word));
        return match (first && middle && last, middle, first || last) {
            (true, ..) => 1.0,
            (_, true, _) => 0.75,
            (.., true) => 0.25,
            // a word between the first and the last of the list may have been said in a few fields
            _ if second.min == second.max => 0.0,
            _ => 0.01,
        };
    };
    let badness = ends.map(|end| end.number().map(|value| threshold.badness(value, 0.0)));
    let [Some(first), Some(middle), Some(last)] = badness else {
        return 0.0;
    };
    let (mut low, high) = (first.min(middle).min(last), first.max(middle).max(last));
    if threshold.side == Side::Outside && signs_differ(second) {
        low = 0.0;
    }
    let leave = threshold.leave_badness();
    if high <= leave {
        0.0
    } else if low > leave {
        1.0
    } else if middle <= leave {
        0.5 * (high - leave) / (high - middle)
    } else {
        0.5 + 0.5 * (middle - leave) / (middle - low)
    }
}

fn signs_differ(second: &PerSecond) -> bool {
    let ends = second.min.number().zip(second.max.number());
    ends.is_some_and(|(min, max)| min < 0.0 && max > 0.0)
}

/// Fields of an event that lie in a second, counted from the event's start.
fn fields_of(event: &Event, second: u64, period: f64) -> Range<FieldIndex> {
    let field = |seconds: f64| {
        let after = ((seconds - event.start.seconds.0) / period)
            .round()
            .max(0.0);
        event.start.field.0.saturating_add(after as u64)
    };
    let end = event
        .end
        .map_or(u64::MAX, |end| end.field.0.saturating_add(1));
    FieldIndex(field(second as f64))..FieldIndex(field(second as f64 + 1.0).min(end))
}

/// Numbers of the minutes that an event reaches into.
fn minutes_of(event: &Event, last: Option<FieldPlace>, count: usize) -> Range<usize> {
    let minute = |place: FieldPlace| (place.seconds.0 / MINUTE as f64) as usize;
    let end = event.end.or(last).map_or(0, |end| minute(end) + 1);
    minute(event.start).min(count)..end.min(count)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::Kind;

    fn second([min, median, max]: [f64; 3]) -> PerSecond {
        let number = |value| Value::Number { value, sigma: None };
        PerSecond {
            second: 0,
            min: number(min),
            median: number(median),
            max: number(max),
            n: 60,
        }
    }

    fn check(kind: Kind, ends: [f64; 3], expected: f64) {
        let limits = Limits::default();
        let limit = limits.of_kind(kind).expect("a row");
        let share = share_over(limit, &second(ends));
        assert!((share - expected).abs() < 1e-9, "{ends:?}: {share}");
    }

    #[test]
    fn a_second_on_one_side_of_its_limit_tells_by_itself() {
        // an event goes on beyond 25.9 ns of wobble, 148 ns of flagging either way, black under -1.5 IRE
        check(Kind::Wobble, [1.0, 5.0, 25.9], 0.0);
        check(Kind::Wobble, [26.0, 50.0, 90.0], 1.0);
        check(Kind::Wobble, [5.9, 15.9, 35.9], 0.25);
        check(Kind::Wobble, [15.9, 35.9, 90.0], 0.75);
        check(Kind::Flagging, [-900.0, -700.0, -500.0], 1.0);
        check(
            Kind::Flagging,
            [-900.0, -700.0, 500.0],
            0.5 + 0.5 * 552.0 / 700.0,
        );
        check(Kind::BlackLow, [-1.5, 0.0, 2.0], 0.0);
        check(Kind::BlackLow, [-9.0, -5.0, -4.0], 1.0);
    }
}
