//! Which fields are missing before a buffer, from its number, its parity and its time.
//!
//! The driver's number counts *frames*, from 0, lost ones included, and starts again after 2^32 (kernel documentation
//! of `v4l2_buffer.sequence`). Where each buffer holds one field, both fields of a frame share a number: a lost single
//! field shows only in parity and time. Devices that list no video standard may number only what reached the computer;
//! there, and where a number runs backwards, the device's clock is asked instead.
//!
//! Does not know: how a buffer came here.

use std::time::Duration;

use crate::sources::Gap;
use crate::standard::{Parity, Standard};

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

/// Counts missing fields from one buffer to the next.
#[derive(Clone, Debug)]
pub(super) struct Progress {
    older: Parity,
    numbers_complete: bool,
    period: Option<Duration>,
    last: Option<Mark>,
}

impl Progress {
    /// `older` is the field that comes first within a frame; `numbers_complete` says whether lost frames are numbered
    /// too.
    pub(super) fn new(older: Parity, numbers_complete: bool, standard: Option<Standard>) -> Self {
        Self {
            older,
            numbers_complete,
            period: standard.map(|it| Duration::from_secs_f64(it.field_period().0)),
            last: None,
        }
    }

    /// What is missing between the last buffer and this one; nothing before the first.
    pub(super) fn gap_before(&mut self, mark: Mark) -> Gap {
        let Some(last) = self.last.replace(mark) else {
            return Gap::default();
        };
        let numbered = self.numbered_gap(last, mark);
        match numbered {
            Some(fields) if fields > 0 || self.numbers_complete => Gap {
                lost_by_source: fields,
                ..Gap::default()
            },
            _ => self.timed_gap(last, mark),
        }
    }

    /// Missing fields by the numbers; `None` when they run backwards.
    fn numbered_gap(&self, last: Mark, mark: Mark) -> Option<u64> {
        // As a signed distance: across the wrap it stays small, after a restart it is negative.
        let frames = i64::from(mark.sequence.wrapping_sub(last.sequence).cast_signed());
        let end_of_last = self.offset(last.holds) + last.holds.fields().cast_signed();
        let distance = 2 * frames + self.offset(mark.holds) - end_of_last;
        u64::try_from(distance).ok()
    }

    /// The field's place within its frame.
    fn offset(&self, holds: Holds) -> i64 {
        match holds {
            Holds::Field(parity) if parity != self.older => 1,
            Holds::Field(_) | Holds::Frame => 0,
        }
    }

    /// Missing fields by the clock, rounded to the nearest number that parity allows.
    fn timed_gap(&self, last: Mark, mark: Mark) -> Gap {
        let elapsed = mark
            .stamp
            .zip(last.stamp)
            .and_then(|(to, from)| to.checked_sub(from));
        let (Some(elapsed), Some(period)) = (elapsed, self.period) else {
            return Gap::default();
        };
        // From start to start: what the last buffer held, and what is missing. Same parity: an even number of fields.
        let odd = u64::from(last.holds != mark.holds);
        let fields = elapsed.as_secs_f64() / period.as_secs_f64();
        let distance = 2 * ((fields - odd as f64) / 2.0).round() as u64 + odd;
        let lost = distance.saturating_sub(last.holds.fields());
        Gap {
            lost_by_source: lost,
            lost_by_us: 0,
            timed: lost > 0,
        }
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

    fn field(sequence: u32, parity: Parity) -> Mark {
        Mark {
            sequence,
            holds: Holds::Field(parity),
            stamp: None,
        }
    }

    fn lost(progress: &mut Progress, marks: &[Mark]) -> Vec<u64> {
        marks
            .iter()
            .map(|&mark| progress.gap_before(mark).lost_by_source)
            .collect()
    }

    fn by_number(older: Parity) -> Progress {
        Progress::new(older, true, Some(Standard::Lines625))
    }

    #[test]
    fn a_lost_frame_is_two_fields_and_frames_in_turn_are_none() {
        let marks = [7, 8, 10, 13].map(frame);
        assert_eq!(lost(&mut by_number(Parity::Top), &marks), [0, 0, 2, 4]);
    }

    #[test]
    fn numbers_go_on_across_their_wrap() {
        let marks = [u32::MAX - 1, u32::MAX, 0, 2].map(frame);
        assert_eq!(lost(&mut by_number(Parity::Top), &marks), [0, 0, 0, 2]);
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
        assert_eq!(lost(&mut by_number(Top), &marks), [0, 0, 1, 0, 1, 4]);
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
        assert_eq!(lost(&mut by_number(Bottom), &marks), [0, 0, 0, 0]);
    }

    #[test]
    fn a_device_that_delivers_one_parity_misses_every_other_field() {
        let marks = [0, 1, 3].map(|n| field(n, Parity::Top));
        assert_eq!(lost(&mut by_number(Parity::Top), &marks), [0, 1, 3]);
    }

    #[test]
    fn numbers_that_start_again_leave_the_clock_to_tell() {
        let mut progress = by_number(Parity::Top);
        let at = |sequence, fields: u32| Mark {
            stamp: Some(FIELD * fields),
            ..frame(sequence)
        };
        progress.gap_before(at(1000, 0));
        let gap = progress.gap_before(at(0, 6));
        assert_eq!((gap.lost_by_source, gap.timed), (4, true));
    }

    #[test]
    fn numbers_of_delivered_frames_only_leave_the_clock_to_tell() {
        let mut progress = Progress::new(Parity::Top, false, Some(Standard::Lines625));
        let at = |sequence, millis| Mark {
            stamp: Some(Duration::from_millis(millis)),
            ..frame(sequence)
        };
        let fields: Vec<_> = [at(0, 0), at(1, 41), at(2, 79), at(3, 201), at(4, 259)]
            .map(|mark| progress.gap_before(mark))
            .into();
        assert_eq!(
            fields
                .iter()
                .map(|gap| gap.lost_by_source)
                .collect::<Vec<_>>(),
            [0, 0, 0, 4, 0]
        );
        assert!(fields[3].timed && !fields[4].timed);
    }

    #[test]
    fn a_clock_gap_keeps_parity() {
        let mut progress = Progress::new(Parity::Top, false, Some(Standard::Lines625));
        let at = |parity, millis| Mark {
            stamp: Some(Duration::from_millis(millis)),
            ..field(0, parity)
        };
        progress.gap_before(at(Parity::Bottom, 0));
        // Three field periods and a bit, but the same parity: a distance of two or four, and four is nearer.
        assert_eq!(
            progress.gap_before(at(Parity::Bottom, 63)).lost_by_source,
            3
        );
        // The other parity at once: nothing is missing.
        assert_eq!(progress.gap_before(at(Parity::Top, 90)).lost_by_source, 0);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn delivered_and_lost_fields_add_up_to_the_time_axis(
            start in any::<u32>(),
            kept in proptest::collection::vec(any::<bool>(), 2..200),
        ) {
            use Parity::{Bottom, Top};
            let mut progress = by_number(Top);
            let places: Vec<usize> = (0..kept.len()).filter(|&place| kept[place]).collect();
            let mut counted = 0;
            for &place in &places {
                let parity = if place % 2 == 0 { Top } else { Bottom };
                let number = start.wrapping_add(place as u32 / 2);
                counted += progress.gap_before(field(number, parity)).lost_by_source + 1;
            }
            let span = places.last().zip(places.first()).map_or(0, |(last, first)| last - first + 1);
            prop_assert_eq!(counted, span as u64);
        }
    }
}
