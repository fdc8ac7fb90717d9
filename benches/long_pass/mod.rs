//! Hours of a made-up pass: every quantity measured in every field, with a sigma.

use std::path::Path;

use trueline::alarms::{Event, EventId};
use trueline::fields::FieldPlace;
use trueline::limits::{Kind, Severity};
use trueline::measures::fingerprint::Fingerprint;
use trueline::measures::{QUANTITY_COUNT, Value, quantities};
use trueline::record::{Closing, PassHead, ProgrammeSpan, Row, WhenFull, create};
use trueline::sources::{FieldOrder, SourceDescription};
use trueline::standard::{BT601_LUMA_RATE, Parity, Standard};
use trueline::timecode::{Counting, FieldIndex, Timecode};
use trueline::units::{CodeRange, Ire, Seconds};

/// An evening.
pub(crate) const SIX_HOURS: u64 = 6 * 3600;

fn head() -> PassHead {
    PassHead {
        program: env!("CARGO_PKG_VERSION").to_owned(),
        started_at: "2026-03-01T19:04:05+00:00".to_owned(),
        tape: Some("Ferry Street Film Club, long evening".to_owned()),
        chain: None,
        player: None,
        pass_box: None,
        speed: None,
        settings: Vec::new(),
        source: SourceDescription {
            name: "tape".to_owned(),
            kind: "simulated tape".to_owned(),
            live: false,
            frames: None,
            details: Vec::new(),
            controls: Vec::new(),
            remarks: Vec::new(),
        },
        standard: Some(Standard::Lines525),
        field_order: FieldOrder::Bottom,
        range: CodeRange::Studio,
        setup: Ire(7.5),
        field_period: Standard::Lines525.field_period(),
        sample_rate: Some(BT601_LUMA_RATE),
        start: Timecode::zero(Counting::At30Drop),
        limits: String::new(),
        keep_lines: false,
    }
}

/// Fields of so many seconds.
pub(crate) fn fields(seconds: u64) -> u64 {
    (seconds as f64 / Standard::Lines525.field_period().0) as u64
}

fn place(field: u64) -> FieldPlace {
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

/// A wobble of a second.
fn event(id: u32, start: u64) -> Event {
    let (start, end) = (place(start), place(start + 59));
    let label = |place: FieldPlace| head().clock().label(place.frame());
    Event {
        id: EventId(id),
        kind: Kind::Wobble,
        severity: Severity::Alarm,
        standing: false,
        start,
        end: Some(end),
        start_timecode: label(start),
        end_timecode: Some(label(end)),
        worst: Some(81.25),
        unit: "ns",
        limit: Some(37.0),
        note: "Line starts wobbled for 1.0 s.".to_owned(),
    }
}

/// Every quantity measured, with a sigma, some hundreds of steps large.
fn row(field: u64) -> Row {
    let mut values = [None; QUANTITY_COUNT];
    for (at, (value, quantity)) in (0_u64..).zip(values.iter_mut().zip(quantities())) {
        let noise = (field * 80 + at).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 54;
        *value = Some(match quantity.words.first() {
            Some(word) => Value::Word(word),
            None => Value::Number {
                value: noise as f64 * quantity.step,
                sigma: Some(noise as f64 * quantity.step * 0.02),
            },
        });
    }
    Row {
        place: place(field),
        values,
    }
}

/// Records so many seconds, with events spread evenly over them and the fingerprint of every field.
pub(crate) fn record(
    path: &Path,
    seconds: u64,
    events: u32,
    print: impl Fn(u64) -> Option<Fingerprint>,
) {
    let fields = fields(seconds);
    let (mut sender, writer) = create(path, &head(), WhenFull::Wait).expect("a new pass");
    let writing = std::thread::spawn(move || writer.run());
    for field in 0..fields {
        sender
            .printed_field(&row(field), None, print(field).as_ref())
            .expect("a writer");
    }
    for id in 0..events {
        let start = u64::from(id) * fields / u64::from(events);
        sender.event(&event(id + 1, start)).expect("a writer");
    }
    let programme = ProgrammeSpan {
        start: FieldIndex(0),
        end: Some(FieldIndex(fields - 1)),
        why_ended: None,
    };
    sender.programme(&[programme]).expect("a writer");
    let closing = Closing {
        found: Vec::new(),
        scanned: None,
        summary: "{}".to_owned(),
        closed_at: "2026-03-02T01:04:05+00:00".to_owned(),
    };
    sender.close(closing).expect("a writer");
    writing.join().expect("no panic").expect("a closed pass");
}
