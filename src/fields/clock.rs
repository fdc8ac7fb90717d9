//! Where fields stand on the time axis.
//!
//! In: each frame's gap, parity and device time. Out: [`FieldPlace`]s: an index that counts what is missing and a
//! time in seconds. The first field of a frame always has an even index, so a timecode labels both.
//!
//! Does not know: pictures.

use std::time::Duration;

use crate::sources::Gap;
use crate::standard::{Parity, Standard};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

use super::FieldPlace;

/// Time of a field where neither standard nor clock tells it yet: half a frame at 60 a second, the shortest usual
/// one, so that times never run backwards.
const SHORTEST_FIELD: Seconds = Seconds(1.0 / 120.0);

/// How far the time between frames may be off twice the standard's field period and still be that standard's: half
/// way to the next usual rate (50 against 59.94).
const SAME_PERIOD: f64 = 0.09;

/// Counts fields and reads their time.
#[derive(Debug, Default)]
pub(super) struct FieldClock {
    /// Index of the next field if nothing is missing.
    next: u64,
    started: bool,
    origin: Option<Duration>,
    /// Index and device time of the frame before.
    before: Option<(u64, Duration)>,
    field_period: Option<Seconds>,
}

/// Where one frame's fields stand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Placed {
    /// Of the frame's first field.
    pub(super) first: FieldPlace,
    /// What is missing before it, one more where parity shows a loss that nobody counted.
    pub(super) gap: Gap,
    field_period: Seconds,
}

impl Placed {
    /// The place of the other field of a whole frame.
    pub(super) fn second(&self) -> FieldPlace {
        FieldPlace {
            field: FieldIndex(self.first.field.0 + 1),
            parity: self.first.parity.other(),
            seconds: self.first.seconds + self.field_period,
        }
    }
}

/// What comes next.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arrival {
    /// Parity of its first (or only) field.
    pub(super) parity: Parity,
    /// Whether that is the first field of its frame.
    pub(super) opens_frame: bool,
    /// Fields that come with it: one or two.
    pub(super) fields: u64,
    pub(super) gap: Gap,
    pub(super) device_time: Option<Duration>,
    pub(super) standard: Option<Standard>,
}

impl FieldClock {
    /// Places what arrived.
    pub(super) fn place(&mut self, arrival: &Arrival) -> Placed {
        let mut gap = arrival.gap;
        let mut index = self.next + gap.fields();
        if index.is_multiple_of(2) != arrival.opens_frame {
            index += 1;
            // Before the first field nothing was lost: the stream began in the middle of a frame.
            gap.lost_by_source += u64::from(self.started);
        }
        self.started = true;
        self.next = index + arrival.fields;
        self.learn_period(index, arrival.device_time);
        let field_period = self.period(arrival.standard);
        let seconds = match arrival.device_time {
            Some(now) => {
                let origin = *self.origin.get_or_insert(now);
                Seconds(now.saturating_sub(origin).as_secs_f64())
            }
            None => field_period * index as f64,
        };
        Placed {
            first: FieldPlace {
                field: FieldIndex(index),
                parity: arrival.parity,
                seconds,
            },
            gap,
            field_period,
        }
    }

    /// The time of one field from the clock, over the fields since the last reading.
    fn learn_period(&mut self, index: u64, now: Option<Duration>) {
        if let (Some((index_before, before)), Some(now)) = (self.before, now)
            && index > index_before
            && now > before
        {
            let fields = (index - index_before) as f64;
            self.field_period = Some(Seconds((now - before).as_secs_f64() / fields));
        }
        self.before = now.map(|now| (index, now));
    }

    /// The standard's field period, unless the clock shows quite another.
    fn period(&self, standard: Option<Standard>) -> Seconds {
        let usual = standard.map(Standard::field_period);
        match (usual, self.field_period) {
            (Some(usual), Some(seen)) if (seen / usual - 1.0).abs() > SAME_PERIOD => seen,
            (Some(usual), _) => usual,
            (None, seen) => seen.unwrap_or(SHORTEST_FIELD),
        }
    }
}
