//! Readings written by hand, for tests.

use super::{Alarms, Change, Event, PassClock, WhyEnded};
use crate::fields::FieldPlace;
use crate::limits::Limits;
use crate::measures::{
    Readings, bars, chroma, detail, dropouts, flagging, head_switch, interference, levels,
    line_timing, noise, sync, tear, tracking,
};
use crate::standard::{Parity, Standard};
use crate::timecode::{Counting, FieldIndex, Timecode};
use crate::units::{Decibels, Estimate, Hertz, Ire, Nanos, Percent, Seconds, Unit};

/// Labels of a 525-line pass from zero.
pub(crate) fn clock() -> PassClock {
    PassClock {
        start: Timecode::zero(Counting::At30Drop),
    }
}

/// The place of a field of a 525-line pass without gaps in its clock.
pub(crate) fn place_at(field: u64) -> FieldPlace {
    FieldPlace {
        field: FieldIndex(field),
        parity: if field.is_multiple_of(2) {
            Parity::Top
        } else {
            Parity::Bottom
        },
        seconds: Seconds(field as f64 * Standard::Lines525.field_period().0),
    }
}

/// A field of a healthy pass: locked, 5 ns of wobble, black at 0 and peak at 100 IRE.
pub(crate) fn healthy(field: u64) -> Readings {
    Readings {
        place: place_at(field),
        line_timing: line_timing::Reading {
            basis: line_timing::Basis::Edge,
            sample_rate: Some(Hertz(13.5e6)),
            error_rms: exactly(Nanos(5.0)),
            ..line_timing::Reading::default()
        },
        flagging: flagging::Reading {
            offset: exactly(Nanos(10.0)),
            decay: None,
            bend: None,
        },
        head_switch: head_switch::Reading::default(),
        tear: tear::Reading { lines: Some(0) },
        levels: levels::Reading {
            black: exactly(Ire(0.0)),
            peak: exactly(Ire(100.0)),
            mean: exactly(Ire(40.0)),
            ..levels::Reading::default()
        },
        bars: bars::Reading::default(),
        interference: interference::Reading::default(),
        tracking: tracking::Reading::default(),
        dropouts: dropouts::Reading::default(),
        chroma: chroma::Reading {
            saturation_rms: exactly(Percent(15.0)),
            presence: Some(chroma::Presence::Colour),
            ..chroma::Reading::default()
        },
        noise: noise::Reading {
            luma: exactly(Decibels(46.0)),
            ..noise::Reading::default()
        },
        detail: detail::Reading::default(),
        sync: sync::Reading::default(),
        fingerprint: None,
    }
}

/// A field without a picture.
pub(crate) fn blank(field: u64, state: sync::State) -> Readings {
    Readings {
        fingerprint: None,
        place: place_at(field),
        line_timing: line_timing::Reading::default(),
        flagging: flagging::Reading::default(),
        head_switch: head_switch::Reading::default(),
        tear: tear::Reading::default(),
        levels: levels::Reading::default(),
        bars: bars::Reading::default(),
        interference: interference::Reading::default(),
        tracking: tracking::Reading::default(),
        dropouts: dropouts::Reading::default(),
        chroma: chroma::Reading::default(),
        noise: noise::Reading::default(),
        detail: detail::Reading::default(),
        sync: sync::Reading {
            state,
            ..sync::Reading::default()
        },
    }
}

/// A healthy field with this much wobble.
pub(crate) fn wobbling(field: u64, ns: f64) -> Readings {
    let mut readings = healthy(field);
    readings.line_timing.error_rms = exactly(Nanos(ns));
    readings
}

/// A value with a small standard error.
#[expect(clippy::unnecessary_wraps, reason = "it fills fields that are options")]
pub(crate) fn exactly<U: Unit>(value: U) -> Option<Estimate<U>> {
    Some(Estimate::new(value, U::of(0.1), 200))
}

/// An alarm stage being played to, and all that came out of it.
pub(crate) struct Played {
    pub(crate) alarms: Alarms,
    pub(crate) changes: Vec<Change>,
    pub(crate) next: u64,
}

impl Played {
    pub(crate) fn new() -> Self {
        Self {
            alarms: Alarms::new(&Limits::default(), clock()),
            changes: Vec::new(),
            next: 0,
        }
    }

    /// Plays fields made by `field` one after the other.
    pub(crate) fn play(mut self, fields: u64, field: impl Fn(u64) -> Readings) -> Self {
        for _ in 0..fields {
            self.alarms.observe(&field(self.next), &mut self.changes);
            self.next += 1;
        }
        self
    }

    /// Ends the pass.
    pub(crate) fn finish(mut self) -> Self {
        let last = place_at(self.next.saturating_sub(1));
        self.alarms
            .finish(last, WhyEnded::PassEnded, &mut self.changes);
        self
    }

    /// All closed events that a limit made.
    pub(crate) fn closed(&self) -> Vec<&Event> {
        self.changes
            .iter()
            .filter(|change| matches!(change, Change::Closed(_)))
            .map(Change::event)
            .filter(|event| {
                !matches!(
                    event.kind,
                    crate::limits::Kind::RecordingStart | crate::limits::Kind::TapeEnd
                )
            })
            .collect()
    }

    /// The one closed event that a limit made.
    pub(crate) fn only(&self) -> &Event {
        let closed = self.closed();
        assert_eq!(closed.len(), 1, "{closed:#?}");
        closed[0]
    }
}
