//! What tests of pass files share: a made-up list of quantities, fields and events.

use super::head::{PassHead, TapeSpeed};
use super::reader::Pass;
use super::row::Row;
use super::schema::Catalogue;
use super::store::Closing;
use super::writer::{PassSender, WhenFull, create_with};
use crate::alarms::{Event, EventId};
use crate::fields::FieldPlace;
use crate::limits::{Kind, Severity};
use crate::measures::{Better, Group, Quantity, QuantityUnit, Value, line_timing};
use crate::sources::{FieldOrder, SourceDescription};
use crate::standard::{BT601_LUMA_RATE, Parity, Standard};
use crate::timecode::{Counting, FieldIndex, FrameIndex, Timecode};
use crate::units::{CodeRange, Ire, Seconds};

/// A quantity that reads nothing.
pub(crate) const fn quantity(
    id: &'static str,
    unit: QuantityUnit,
    step: f64,
    words: &'static [&'static str],
) -> Quantity {
    Quantity {
        id,
        label: "made up",
        unit,
        better: Better::Low,
        group: Group::Steadiness,
        step,
        words,
        about: "Made up for tests.",
        read: |_| None,
    }
}

/// One quantity of each shape.
pub(crate) const CATALOGUE: [Quantity; 5] = [
    quantity("test.error_ns", QuantityUnit::Ns, 0.1, &[]),
    quantity("test.black_ire", QuantityUnit::Ire, 0.05, &[]),
    quantity(
        "test.state",
        QuantityUnit::Word,
        1.0,
        &["locked", "lost", "snow"],
    ),
    quantity("test.missing_fields", QuantityUnit::Count, 1.0, &[]),
    quantity("test.repeated", QuantityUnit::Switch, 1.0, &[]),
];

/// The list as pass files take it.
pub(crate) fn catalogue() -> Catalogue<5> {
    CATALOGUE.each_ref()
}

/// Where field `field` of a 525-line pass stands.
pub(crate) fn place(field: u64) -> FieldPlace {
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

/// A row with something of every shape; every seventh shows no error, every third no black.
pub(crate) fn row(field: u64) -> Row<5> {
    let number = |value, sigma| Some(Value::Number { value, sigma });
    Row {
        place: place(field),
        values: [
            number(field as f64 / 10.0, Some(0.25)).filter(|_| field % 7 != 6),
            number((150.0 - field as f64) / 20.0, None).filter(|_| field % 3 != 2),
            Some(Value::Word(["locked", "lost", "snow"][field as usize % 3])),
            Some(Value::Count(field % 2)),
            Some(Value::Count(0)),
        ],
    }
}

/// A tape of the film club, played through a made-up chain.
pub(crate) fn head(keep_lines: bool) -> PassHead {
    PassHead {
        program: "0.1.0".to_owned(),
        started_at: "2026-03-01T19:04:05+00:00".to_owned(),
        tape: Some("Ferry Street Film Club, reel \"Low tide\", side A".to_owned()),
        chain: Some("box B".to_owned()),
        player: None,
        pass_box: Some("box B".to_owned()),
        speed: Some(TapeSpeed::Lp),
        settings: vec![("sharpness".to_owned(), "off".to_owned())],
        source: SourceDescription {
            name: "tape:quiet".to_owned(),
            kind: "simulated tape".to_owned(),
            live: false,
            frames: Some(100),
            details: vec![("scene".to_owned(), "quiet".to_owned())],
            controls: vec![("Brightness".to_owned(), "128".to_owned())],
            remarks: vec!["Nothing to remark.".to_owned()],
        },
        standard: Some(Standard::Lines525),
        field_order: FieldOrder::Bottom,
        range: CodeRange::Studio,
        setup: Ire(7.5),
        field_period: Standard::Lines525.field_period(),
        sample_rate: Some(BT601_LUMA_RATE),
        start: Timecode::from_frame(FrameIndex(1790), Counting::At30Drop),
        limits: "[wobble]\nenter = 40.0\n".to_owned(),
        keep_lines,
    }
}

/// An event that began at a field and goes on.
pub(crate) fn event(id: u32, start: u64) -> Event {
    let start = place(start);
    Event {
        id: EventId(id),
        kind: Kind::Wobble,
        severity: Severity::Alarm,
        standing: false,
        start,
        end: None,
        start_timecode: head(false).clock().label(start.frame()),
        end_timecode: None,
        worst: Some(81.25),
        unit: "ns",
        limit: Some(40.0),
        note: "lines move, \"just visible\"".to_owned(),
    }
}

/// The same event, over at a field.
pub(crate) fn closed(event: Event, end: u64) -> Event {
    let end = place(end);
    Event {
        end: Some(end),
        end_timecode: Some(head(false).clock().label(end.frame())),
        ..event
    }
}

/// What a test pass ends with.
pub(crate) fn closing(fields: u64) -> Closing {
    Closing {
        found: Vec::new(),
        scanned: None,
        summary: format!("{{\"fields\": {fields}}}"),
        closed_at: "2026-03-01T19:05:00+00:00".to_owned(),
    }
}

/// A closed pass of so many fields, with whatever else is sent, opened again.
pub(crate) fn recorded(
    fields: u64,
    send_more: impl FnOnce(&mut PassSender<5>),
) -> (tempfile::TempDir, Pass<5>) {
    recorded_as(&head(false), fields, None, send_more)
}

/// The same with these lines in every field.
pub(crate) fn recorded_with_lines(
    fields: u64,
    timing: &line_timing::Reading,
) -> (tempfile::TempDir, Pass<5>) {
    recorded_as(&head(true), fields, Some(timing), |_| ())
}

fn recorded_as(
    head: &PassHead,
    fields: u64,
    timing: Option<&line_timing::Reading>,
    send_more: impl FnOnce(&mut PassSender<5>),
) -> (tempfile::TempDir, Pass<5>) {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("a.pass");
    let made = create_with(&path, head, &catalogue(), WhenFull::Wait, 1024);
    let (mut sender, writer) = made.expect("a new pass");
    for field in 0..fields {
        sender.field(&row(field), timing).expect("room");
    }
    send_more(&mut sender);
    sender.close(closing(fields)).expect("room");
    writer.run().expect("a closed pass");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    (scratch, pass)
}
