//! What is kept, for how long, and what the screen is told of it.

use crate::alarms::script::{exactly, healthy};
use crate::limits::Kind;
use crate::measures::{
    Value, bars, chroma, detail, dropouts, flagging, head_switch, interference, levels,
    line_timing::{self, LineShift},
    noise, quantities, tear, tracking,
};
use crate::record::Row;
use crate::standard::Parity;
use crate::timecode::{Counting, FieldIndex, Timecode};
use crate::units::{Decibels, Estimate, Megahertz, Nanos};

use super::*;

pub(in crate::record) const KINDS: [Kind; 35] = [
    Kind::Wobble,
    Kind::Flagging,
    Kind::Tear,
    Kind::HeadSwitch,
    Kind::LockLost,
    Kind::Roll,
    Kind::Bounce,
    Kind::NoSignal,
    Kind::Snow,
    Kind::Muted,
    Kind::Repeated,
    Kind::PatchFrozen,
    Kind::Missing,
    Kind::BlackLow,
    Kind::BlackHigh,
    Kind::PeakHigh,
    Kind::Clipping,
    Kind::ColourLoss,
    Kind::Monochrome,
    Kind::Interference,
    Kind::ColourBars,
    Kind::DropoutBurst,
    Kind::Tracking,
    Kind::HeadFault,
    Kind::Worsening,
    Kind::RecordingStart,
    Kind::TapeEnd,
    Kind::FieldOrderChanged,
    Kind::StandardChanged,
    Kind::ControlChanged,
    Kind::SourceLost,
    Kind::Overrun,
    Kind::Reduced,
    Kind::NotStored,
    Kind::Mark,
];

pub(in crate::record) fn logged(
    id: u32,
    kind: Kind,
    severity: Severity,
    start: f64,
    end: Option<f64>,
) -> Logged {
    Logged {
        event: event(id, kind, severity, start, end),
        acknowledged: false,
    }
}

fn event(id: u32, kind: Kind, severity: Severity, start: f64, end: Option<f64>) -> Event {
    let zero = Timecode::zero(Counting::At25);
    Event {
        id: EventId(id),
        kind,
        severity,
        standing: false,
        start: place((start * 50.0) as u64),
        end: end.map(|end| place((end * 50.0) as u64)),
        start_timecode: zero,
        end_timecode: end.map(|_| zero),
        worst: None,
        unit: "",
        limit: None,
        note: String::new(),
    }
}

fn place(field: u64) -> FieldPlace {
    FieldPlace {
        field: FieldIndex(field),
        parity: if field.is_multiple_of(2) {
            Parity::Top
        } else {
            Parity::Bottom
        },
        seconds: Seconds(field as f64 / 50.0),
    }
}

pub(in crate::record) fn head() -> Head {
    Head {
        source: "tape:steady".into(),
        tape: None,
        recorded_to: None,
        standard: Some(Standard::Lines625),
        sample_rate: Some(Hertz(13.5e6)),
        range: CodeRange::Studio,
        clock: PassClock {
            start: Timecode::zero(Counting::At25),
        },
    }
}

fn readings(field: u64) -> Readings {
    let mut readings = Readings {
        fingerprint: None,
        place: place(field),
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
        sync: sync::Reading::default(),
    };
    readings.line_timing.basis = Basis::Edge;
    readings.line_timing.lines = LineTrace::blank(288);
    let shift = LineShift {
        displacement: Nanos(field as f64),
        sigma: Nanos(1.0),
    };
    readings.line_timing.lines.set(100, shift);
    readings.line_timing.error_rms = Some(Estimate::new(Nanos(20.0), Nanos(1.0), 280));
    readings
}

fn played(fields: u64) -> Live {
    let mut live = Live::new(head());
    for field in 0..fields {
        live.observe(&readings(field), &[]);
    }
    live
}

#[test]
fn the_last_traces_are_kept_oldest_first() {
    let live = played(30);
    let shifts: Vec<f64> = live
        .traces()
        .filter_map(|trace| trace.get(100))
        .map(|shift| shift.displacement.0)
        .collect();
    assert_eq!(shifts, [22.0, 23.0, 24.0, 25.0, 26.0, 27.0, 28.0, 29.0]);
}

#[test]
fn the_lines_of_the_last_seconds_are_kept_and_no_more() {
    let live = played(LINE_FIELDS as u64 + 60);
    let fields: Vec<u64> = live.lines().map(|(place, _)| place.field.0).collect();
    assert_eq!(fields.len(), LINE_FIELDS);
    assert_eq!(
        (fields[0], fields[LINE_FIELDS - 1]),
        (60, LINE_FIELDS as u64 + 59)
    );
    assert_eq!(live.lines.capacity(), LINE_FIELDS);
}

#[test]
fn losses_and_repeats_are_added_up_and_the_slip_is_the_last_one_known() {
    let mut live = played(1);
    let mut lossy = readings(4);
    lossy.sync.missing_fields = 3;
    lossy.sync.missing_by_us = 1;
    lossy.sync.slip = Some(Millis(60.0));
    live.observe(&lossy, &[]);
    let mut repeating = readings(5);
    repeating.sync.repeated = true;
    live.observe(&repeating, &[]);
    let totals = live.totals();
    assert_eq!((totals.lost, totals.lost_by_us, totals.repeated), (3, 1, 1));
    assert_eq!(totals.slip, Some(Millis(60.0)));
}

#[test]
fn an_event_is_one_entry_from_opening_to_closing() {
    let mut live = played(200);
    let opened = event(7, Kind::Wobble, Severity::Alarm, 3.0, None);
    live.note_changes(&[Change::Opened(opened)]);
    assert_eq!(live.status().word, Word::Stop);
    assert!(live.pressing().is_some());
    let closed = event(7, Kind::Wobble, Severity::Alarm, 3.0, Some(3.5));
    live.note_changes(&[Change::Closed(closed)]);
    assert_eq!(live.events().len(), 1);
    assert!(live.pressing().is_none());
    assert_eq!(live.unacknowledged(), 1);
}

#[test]
fn what_was_acknowledged_rings_again_when_it_worsens() {
    let mut live = played(200);
    let alarm = event(1, Kind::Wobble, Severity::Alarm, 3.0, None);
    live.note_changes(&[Change::Opened(alarm.clone())]);
    live.acknowledge();
    assert_eq!((live.status().word, live.rings()), (Word::Look, 1));
    live.note_changes(&[Change::Standing(alarm.clone())]);
    assert_eq!((live.status().word, live.rings()), (Word::Look, 1));
    live.note_changes(&[Change::Worsened(alarm)]);
    assert_eq!((live.status().word, live.rings()), (Word::Stop, 2));
}

#[test]
fn a_full_log_forgets_the_oldest_event_that_is_over() {
    let mut live = played(1);
    let first = event(1, Kind::Wobble, Severity::Alarm, 0.0, None);
    live.note_changes(&[Change::Opened(first)]);
    for id in 2..=(EVENTS as u32 + 50) {
        let over = event(id, Kind::Missing, Severity::Alarm, 1.0, Some(1.0));
        live.note_changes(&[Change::Opened(over)]);
    }
    assert_eq!(live.events().len(), EVENTS);
    assert!(live.event(EventId(1)).is_some(), "an open event is kept");
    assert!(live.event(EventId(2)).is_none());
    assert!(live.event(EventId(EVENTS as u32 + 50)).is_some());
}

#[test]
fn without_timed_lines_for_two_seconds_the_word_is_unsure() {
    let mut live = played(300);
    assert_eq!(live.status().word, Word::Good);
    for field in 300..420 {
        let mut blind = readings(field);
        blind.line_timing.basis = Basis::None;
        live.observe(&blind, &[]);
    }
    assert_eq!(live.status().word, Word::Unsure);
}

#[test]
fn disk_time_left_needs_room_and_rate() {
    let mut health = Health {
        disk_free_bytes: Some(3_600_000),
        ..Health::default()
    };
    assert_eq!(health.disk_time_left(), None);
    health.bytes_per_second = Some(1000.0);
    assert_eq!(health.disk_time_left(), Some(Seconds(3600.0)));
    health.bytes_per_second = Some(0.0);
    assert_eq!(health.disk_time_left(), None);
}

#[test]
fn what_is_shown_of_one_quantity_is_what_the_pass_has_of_it() {
    let mut readings = healthy(7);
    readings.flagging.offset = exactly(Nanos(-40.0));
    readings.noise.luma_weighted = exactly(Decibels(41.5));
    readings.detail.bandwidth = exactly(Megahertz(2.9));
    let (values, row) = (shown_values(&readings), Row::from(&readings));
    for shown in Shown::ALL {
        let Some(id) = shown.quantity() else {
            continue;
        };
        let place = quantities().position(|quantity| quantity.id == id);
        let stored = row.values[place.expect("a quantity")].and_then(Value::number);
        assert!(stored.is_some(), "{id}");
        assert_eq!(
            values[shown as usize],
            stored.map(|value| value as f32),
            "{id}"
        );
    }
}
