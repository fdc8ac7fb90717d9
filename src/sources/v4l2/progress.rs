//! Which fields are missing before a buffer, from its number, its parity and its time.
//!
//! The driver's number counts *frames*, lost ones included, and starts again after 2^32 (kernel documentation of
//! `v4l2_buffer.sequence`). Where each buffer holds one field, both fields of a frame share a number: a lost single
//! field shows only in parity and time.
//!
//! Some drivers number only what they delivered, and a lost frame shows in the clock alone. Until a driver has left a
//! number out, a buffer that comes late is therefore in doubt, and the next one settles it: after a mere delay it comes
//! early, after a loss it does not. Where numbers run backwards, or leap further ahead than time has passed, the clock is
//! asked at once.
//!
//! Does not know: how a buffer came here.

use std::time::Duration;

use crate::sources::Gap;
use crate::standard::Parity;

/// What a buffer holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Holds {
    /// Both fields of a frame.
    Frame,
    /// One field.
    Field(Parity),
}

impl Holds {
    /// Fields in the buffer.
    pub(super) fn fields(self) -> u64 {
        match self {
            Self::Frame => 2,
            Self::Field(_) => 1,
        }
    }
}

/// The driver's words about a buffer that place it in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Mark {
    /// The driver's frame number.
    pub(super) sequence: u32,
    /// What the buffer holds.
    pub(super) holds: Holds,
    /// Time on the device's clock, where it has one.
    pub(super) stamp: Option<Duration>,
}

/// How much later than its number says a buffer comes, in fields, before a loss is thought of: three quarters of a
/// frame. Stamps are taken in interrupts, late by a few milliseconds at most.
const DOUBT_FIELDS: f64 = 1.5;

/// How many more fields the numbers may tell of than the clock has time for: two seconds, since a busy machine stamps
/// late. Beyond, the driver has begun to count elsewhere.
const MOST_AHEAD_FIELDS: f64 = 120.0;

/// What is known when a buffer has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Found {
    /// Missing right before this buffer.
    pub(super) gap: Gap,
    /// Whether more may be missing before it; the next buffer settles that.
    pub(super) in_doubt: bool,
    /// What is missing before the *last* buffer after all, if that was in doubt.
    pub(super) settled: Option<Gap>,
}

/// Counts missing fields from one buffer to the next.
#[derive(Clone, Debug)]
pub(super) struct Progress {
    older: Parity,
    field_period: Option<Duration>,
    numbers_count_losses: bool,
    last: Option<Mark>,
    doubt: Option<Doubt>,
}

/// The last mark came late.
#[derive(Clone, Copy, Debug)]
struct Doubt {
    /// The mark before it.
    from: Mark,
    /// Fields from there to the last mark, by the numbers.
    fields: u64,
}

impl Progress {
    /// `older` is the field that comes first within a frame; without a field period the clock says nothing.
    pub(super) fn new(older: Parity, field_period: Option<Duration>) -> Self {
        Self {
            older,
            field_period,
            numbers_count_losses: false,
            last: None,
            doubt: None,
        }
    }

    /// What is missing between the last buffer and this one; nothing before the first.
    pub(super) fn find(&mut self, mark: Mark) -> Found {
        let Some(last) = self.last.replace(mark) else {
            return Found::default();
        };
        let doubt = self.doubt.take();
        let Some(fields) = self.step(last, mark) else {
            return Found {
                gap: self.timed_gap(last, mark),
                in_doubt: false,
                settled: doubt.map(|it| self.settle(it, last)),
            };
        };
        let settled = doubt.map(|it| {
            let fields = it.fields + fields;
            self.settle(Doubt { fields, ..it }, mark)
        });
        self.numbers_count_losses |= mark.sequence.wrapping_sub(last.sequence) > 1;
        let doubt = Doubt { from: last, fields };
        let in_doubt = !self.numbers_count_losses && self.delay(doubt, mark) > Some(DOUBT_FIELDS);
        self.doubt = in_doubt.then_some(doubt);
        Found {
            gap: Gap {
                lost_by_source: fields - last.holds.fields(),
                ..Gap::default()
            },
            in_doubt,
            settled,
        }
    }

    /// Settles a doubt when no further buffer comes: the delay was a loss.
    pub(super) fn settle_now(&mut self) -> Gap {
        let doubted = self.doubt.take().zip(self.last);
        doubted.map_or(Gap::default(), |(doubt, last)| self.settle(doubt, last))
    }

    /// What is missing beyond the numbers up to a mark. An even number of fields, or parity would have shown it.
    fn settle(&self, doubt: Doubt, mark: Mark) -> Gap {
        let delay = self.delay(doubt, mark).unwrap_or(0.0);
        timed(2 * (delay / 2.0).round().max(0.0) as u64)
    }

    /// How many fields later than the numbers say a mark comes, by the clock.
    fn delay(&self, doubt: Doubt, mark: Mark) -> Option<f64> {
        Some(self.elapsed_fields(doubt.from, mark)? - doubt.fields as f64)
    }

    /// Fields from the beginning of the last buffer to that of this one by number and parity; `None` if the numbers
    /// run backwards or leap. A number given twice, as a driver on a busy machine may, leaves out nothing.
    fn step(&self, last: Mark, mark: Mark) -> Option<u64> {
        let fields = self.distance(last, mark)?.max(last.holds.fields());
        let elapsed = self.elapsed_fields(last, mark);
        let leaps = elapsed.is_some_and(|elapsed| fields as f64 - elapsed > MOST_AHEAD_FIELDS);
        (!leaps).then_some(fields)
    }

    /// Fields from the beginning of one buffer to that of another by number and parity; `None` if it runs backwards.
    fn distance(&self, last: Mark, mark: Mark) -> Option<u64> {
        // As a signed number: across the wrap it stays small, after a restart it is negative.
        let frames = i64::from(mark.sequence.wrapping_sub(last.sequence).cast_signed());
        u64::try_from(2 * frames + self.offset(mark.holds) - self.offset(last.holds)).ok()
    }

    /// The field's place within its frame.
    fn offset(&self, holds: Holds) -> i64 {
        match holds {
            Holds::Field(parity) if parity != self.older => 1,
            Holds::Field(_) | Holds::Frame => 0,
        }
    }

    /// Missing fields by the clock alone, rounded to the nearest number that parity allows.
    fn timed_gap(&self, last: Mark, mark: Mark) -> Gap {
        let Some(elapsed) = self.elapsed_fields(last, mark) else {
            return Gap::default();
        };
        // From beginning to beginning: even for the same parity, odd for the other.
        let odd = u64::from(last.holds != mark.holds);
        let distance = 2 * ((elapsed - odd as f64) / 2.0).round() as u64 + odd;
        timed(distance.saturating_sub(last.holds.fields()))
    }

    fn elapsed_fields(&self, last: Mark, mark: Mark) -> Option<f64> {
        let elapsed = mark.stamp?.checked_sub(last.stamp?)?;
        Some(elapsed.as_secs_f64() / self.field_period?.as_secs_f64())
    }
}

/// A gap by the clock.
fn timed(fields: u64) -> Gap {
    Gap {
        lost_by_source: fields,
        lost_by_us: 0,
        timed: fields > 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const FIELD: Duration = Duration::from_millis(20);

    fn frame(sequence: u32) -> Mark {
        Mark {
            sequence,
            holds: Holds::Frame,
            stamp: None,
        }
    }

    fn frame_at(sequence: u32, millis: u64) -> Mark {
        Mark {
            stamp: Some(Duration::from_millis(millis)),
            ..frame(sequence)
        }
    }

    fn field(sequence: u32, parity: Parity) -> Mark {
        Mark {
            sequence,
            holds: Holds::Field(parity),
            stamp: None,
        }
    }

    fn progress(older: Parity) -> Progress {
        Progress::new(older, Some(FIELD))
    }

    fn lost(progress: &mut Progress, marks: &[Mark]) -> Vec<u64> {
        let found = marks.iter().map(|&mark| progress.find(mark));
        found.map(|it| it.gap.lost_by_source).collect()
    }

    #[test]
    fn a_lost_frame_is_two_fields_and_frames_in_turn_are_none() {
        let marks = [7, 8, 10, 13].map(frame);
        assert_eq!(lost(&mut progress(Parity::Top), &marks), [0, 0, 2, 4]);
    }

    #[test]
    fn numbers_go_on_across_their_wrap() {
        let marks = [u32::MAX - 1, u32::MAX, 0, 2].map(frame);
        assert_eq!(lost(&mut progress(Parity::Top), &marks), [0, 0, 0, 2]);
    }

    #[test]
    fn alternate_fields_share_a_number_and_a_lost_one_shows_in_parity() {
        use Parity::{Bottom, Top};
        let marks = [
            field(4, Top),
            field(4, Bottom),
            field(5, Bottom), // 5 top is missing
            field(6, Top),
            field(7, Top),    // 6 bottom is missing
            field(9, Bottom), // 7 bottom, both of 8 and 9 top are missing
        ];
        assert_eq!(lost(&mut progress(Top), &marks), [0, 0, 1, 0, 1, 4]);
    }

    #[test]
    fn alternate_fields_begin_a_frame_with_the_older_parity() {
        use Parity::{Bottom, Top};
        let marks = [
            field(0, Bottom),
            field(0, Top),
            field(1, Bottom),
            field(1, Top),
        ];
        assert_eq!(lost(&mut progress(Bottom), &marks), [0, 0, 0, 0]);
    }

    #[test]
    fn a_device_that_delivers_one_parity_misses_every_other_field() {
        let marks = [0, 1, 3].map(|n| field(n, Parity::Top));
        assert_eq!(lost(&mut progress(Parity::Top), &marks), [0, 1, 3]);
    }

    #[test]
    fn numbers_that_start_again_leave_the_clock_to_tell() {
        let mut progress = progress(Parity::Top);
        progress.find(frame_at(1000, 0));
        assert_eq!(progress.find(frame_at(0, 121)).gap, timed(4));
    }

    #[test]
    fn numbers_that_leap_leave_the_clock_to_tell() {
        let mut progress = progress(Parity::Top);
        progress.find(frame_at(1000, 0));
        assert_eq!(progress.find(frame_at(5_000_000, 40)).gap, Gap::default());
        assert_eq!(progress.find(frame_at(5_000_001, 80)).gap, Gap::default());
        // As far ahead as a late stamp may be, the numbers are believed.
        assert_eq!(
            progress.find(frame_at(5_000_061, 160)).gap.lost_by_source,
            118
        );
    }

    #[test]
    fn a_number_given_twice_leaves_out_nothing() {
        let marks = [4, 5, 5, 6, 8].map(frame);
        assert_eq!(lost(&mut progress(Parity::Top), &marks), [0, 0, 0, 0, 2]);
    }

    #[test]
    fn without_any_numbers_the_clock_finds_what_is_missing() {
        let mut progress = progress(Parity::Top);
        let found = [0, 40, 80, 200, 240].map(|millis| progress.find(frame_at(0, millis)));
        assert_eq!(
            found.map(|it| it.in_doubt),
            [false, false, false, true, false]
        );
        assert_eq!(found[4].settled, Some(timed(4)));
    }

    #[test]
    fn a_clock_gap_keeps_parity() {
        let mut progress = progress(Parity::Top);
        let at = |number, parity, millis| Mark {
            stamp: Some(Duration::from_millis(millis)),
            ..field(number, parity)
        };
        progress.find(at(9, Parity::Bottom, 0));
        // Three field periods and a bit, but the same parity: a distance of two or four, and four is nearer.
        assert_eq!(progress.find(at(0, Parity::Bottom, 63)).gap, timed(3));
    }

    /// Frames at these times, numbered in turn: which were in doubt, and what was settled.
    fn settle(millis: &[u64]) -> (Vec<bool>, Vec<Option<u64>>) {
        let mut progress = progress(Parity::Top);
        let numbered = (0..).zip(millis);
        let found = numbered.map(|(number, &millis)| progress.find(frame_at(number, millis)));
        found
            .map(|it| (it.in_doubt, it.settled.map(|gap| gap.lost_by_source)))
            .unzip()
    }

    #[test]
    fn a_frame_lost_without_a_number_is_found_by_the_clock_one_frame_later() {
        let (doubted, settled) = settle(&[0, 40, 81, 239, 281, 320]);
        assert_eq!(doubted, [false, false, false, true, false, false]);
        assert_eq!(settled, [None, None, None, None, Some(6), None]);
    }

    #[test]
    fn a_delay_that_the_next_frame_makes_up_for_is_no_loss() {
        let (doubted, settled) = settle(&[0, 40, 115, 121, 160]);
        assert_eq!(doubted, [false, false, true, false, false]);
        assert_eq!(settled, [None, None, None, Some(0), None]);
    }

    #[test]
    fn jitter_of_half_a_frame_raises_no_doubt() {
        let (doubted, _) = settle(&[0, 55, 80, 120, 178, 200]);
        assert!(!doubted.contains(&true), "{doubted:?}");
    }

    #[test]
    fn a_driver_that_once_left_a_number_out_is_believed_from_then_on() {
        let mut progress = progress(Parity::Top);
        progress.find(frame_at(0, 0));
        assert_eq!(progress.find(frame_at(2, 80)).gap.lost_by_source, 2);
        assert!(!progress.find(frame_at(3, 400)).in_doubt);
    }

    #[test]
    fn a_doubt_that_nothing_settles_was_a_loss() {
        let mut progress = progress(Parity::Top);
        progress.find(frame_at(0, 0));
        assert!(progress.find(frame_at(1, 122)).in_doubt);
        assert_eq!(progress.settle_now(), timed(4));
        assert_eq!(progress.settle_now(), Gap::default(), "settled once");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn delivered_and_lost_fields_add_up_to_the_time_axis(
            start in any::<u32>(),
            kept in proptest::collection::vec(any::<bool>(), 2..200),
        ) {
            use Parity::{Bottom, Top};
            let mut progress = progress(Top);
            let places: Vec<usize> = (0..kept.len()).filter(|&place| kept[place]).collect();
            let mut counted = 0;
            for &place in &places {
                let parity = if place % 2 == 0 { Top } else { Bottom };
                let number = start.wrapping_add(place as u32 / 2);
                counted += progress.find(field(number, parity)).gap.lost_by_source + 1;
            }
            let span = places.last().zip(places.first()).map_or(0, |(last, first)| last - first + 1);
            prop_assert_eq!(counted, span as u64);
        }
    }
}
