//! A small pass with something in every table, for others to tamper with.

use std::path::Path;

use trueline::alarms::{Change, Event, EventId, WhyEnded};
use trueline::fields::{History, Splitter};
use trueline::limits::{Kind, Limits, Severity};
use trueline::measures::Suite;
use trueline::record::{Closing, HandedOn, Keeper, PassHead, ProgrammeSpan, Row, WhenFull, create};
use trueline::sources::tape::{Pace, Tape};
use trueline::sources::{FieldOrder, Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::timecode::{Counting, FieldIndex, Timecode};
use trueline::units::{CodeRange, Ire};

/// Frames of the pass.
const FRAMES: u64 = 8;

/// The bytes of the pass.
pub(crate) fn base_pass() -> Vec<u8> {
    let scratch = tempfile::tempdir().expect("a directory");
    let path = scratch.path().join("base.pass");
    record(&path);
    std::fs::read(path).expect("what was written")
}

fn record(path: &Path) {
    let wishes = Wishes {
        standard: Some(StandardWish::Lines(Standard::Lines525)),
        ..Wishes::default()
    };
    let frames = Some(FRAMES);
    let mut tape = Tape::open("jitter", &wishes, Pace::Free { frames }).expect("the scene exists");
    let head = head(&tape);
    let clock = head.clock();
    let (mut sender, writer) = create(path, &head, WhenFull::Wait).expect("a new pass");
    let writing = std::thread::spawn(move || writer.run());
    let (mut splitter, mut history) = (Splitter::new(), History::default());
    let (mut suite, mut keeper) = (Suite::new(), Keeper::default());
    let mut number = 0;
    while let Some(frame) = tape.next_frame().expect("a simulated tape does not fail") {
        splitter.split(&frame, &mut history, |history| {
            let around = history.neighbourhood().expect("a field is the newest");
            let readings = suite.measure(&around);
            let (row, place) = (Row::from(&readings), around.field.place);
            let print = readings.fingerprint.as_ref();
            sender
                .printed_field(&row, Some(&readings.line_timing), print)
                .expect("a writer");
            if place.field.0 % 5 != 2 {
                return;
            }
            number += 1;
            let label = clock.label(place.frame());
            let event = Event {
                id: EventId(number),
                kind: [Kind::Wobble, Kind::Mark, Kind::BlackLow][number as usize % 3],
                severity: Severity::Alarm,
                standing: false,
                start: place,
                end: Some(place),
                start_timecode: label,
                end_timecode: Some(label),
                worst: Some(81.25),
                unit: "ns",
                limit: Some(37.0),
                note: "Line starts wobble.".to_owned(),
            };
            let changes = [Change::Opened(event.clone()), Change::Closed(event)];
            keeper.observe(&around, &readings, &changes, std::iter::empty());
            for change in &changes {
                sender.event(change.event()).expect("a writer");
            }
            while let Some(exhibit) = keeper.take() {
                sender.exhibit(exhibit).expect("a writer");
            }
        });
    }
    let span = |start, end, why_ended| ProgrammeSpan {
        start: FieldIndex(start),
        end,
        why_ended,
    };
    let why = Some(WhyEnded::Snow);
    let spans = [span(0, Some(FieldIndex(6)), why), span(8, None, None)];
    sender.programme(&spans).expect("a writer");
    for (start, tee_frame) in [(4, Some(3)), (8, None)] {
        let start = FieldIndex(start);
        sender
            .handed_on(HandedOn { start, tee_frame })
            .expect("a writer");
    }
    let closing = Closing {
        found: vec![("frame intervals".to_owned(), "even".to_owned())],
        scanned: None,
        summary: r#"{"fields":16,"covered_fields":{"wobble":3},"quantities":{},"sections":[]}"#
            .to_owned(),
        closed_at: "2026-03-01T19:05:00+00:00".to_owned(),
    };
    sender.close(closing).expect("a writer");
    writing.join().expect("no panic").expect("a closed pass");
}

fn head(tape: &Tape) -> PassHead {
    PassHead {
        program: env!("CARGO_PKG_VERSION").to_owned(),
        started_at: "2026-03-01T19:04:05+00:00".to_owned(),
        tape: Some("Ferry Street Film Club, \"Low tide\"".to_owned()),
        chain: Some("box B".to_owned()),
        player: None,
        pass_box: None,
        speed: None,
        settings: vec![("sharpness".to_owned(), "off".to_owned())],
        source: tape.description().clone(),
        standard: Some(Standard::Lines525),
        field_order: FieldOrder::Bottom,
        range: CodeRange::Studio,
        setup: Ire(7.5),
        field_period: Standard::Lines525.field_period(),
        sample_rate: tape.format().sample_rate,
        start: Timecode::zero(Counting::At30Drop),
        limits: Limits::default().to_toml(),
        keep_lines: true,
    }
}
