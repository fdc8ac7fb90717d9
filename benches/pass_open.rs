//! Six hours of a pass: how fast it is written, how large it is, and how soon it opens.

use std::hint::black_box;
use std::io::Write;
use std::path::Path;
use std::time::Instant;

use criterion::Criterion;
use trueline::fields::FieldPlace;
use trueline::measures::{QUANTITY_COUNT, Value, quantities};
use trueline::record::{Closing, Pass, PassHead, Row, WhenFull, create};
use trueline::sources::{FieldOrder, SourceDescription};
use trueline::standard::{BT601_LUMA_RATE, Parity, Standard};
use trueline::timecode::{Counting, FieldIndex, Timecode};
use trueline::units::{CodeRange, Ire, Seconds};

const SECONDS: u64 = 6 * 3600;

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
        place: FieldPlace {
            field: FieldIndex(field),
            parity: if field.is_multiple_of(2) {
                Parity::Top
            } else {
                Parity::Bottom
            },
            seconds: Seconds(field as f64 * Standard::Lines525.field_period().0),
        },
        values,
    }
}

fn record(path: &Path, fields: u64) {
    let (mut sender, writer) = create(path, &head(), WhenFull::Wait).expect("a new pass");
    let writing = std::thread::spawn(move || writer.run());
    for field in 0..fields {
        sender.field(&row(field), None).expect("a writer");
    }
    let closing = Closing {
        found: Vec::new(),
        scanned: None,
        summary: "{}".to_owned(),
        closed_at: "2026-03-02T01:04:05+00:00".to_owned(),
    };
    sender.close(closing).expect("a writer");
    writing.join().expect("no panic").expect("a closed pass");
}

fn main() {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("evening.pass");
    let fields = (SECONDS as f64 / Standard::Lines525.field_period().0) as u64;
    let began = Instant::now();
    record(&path, fields);
    let took = began.elapsed().as_secs_f64();
    let megabytes = std::fs::metadata(&path).expect("the pass").len() as f64 / 1e6;
    let _ = writeln!(
        std::io::stdout(),
        "six hours, {QUANTITY_COUNT} quantities: written in {took:.1} s ({:.0} fields/s), {:.1} MB an hour",
        fields as f64 / took,
        megabytes / 6.0,
    );
    let mut criterion = Criterion::default().sample_size(10).configure_from_args();
    criterion.bench_function("open six hours and read one gauge of it", |bencher| {
        bencher.iter(|| {
            let pass = Pass::open(&path).expect("the pass");
            black_box(pass.events().expect("events"));
            black_box(pass.last_place().expect("a place"));
            pass.seconds(0, 0..SECONDS + 1).expect("seconds").len()
        });
    });
    criterion.bench_function("open six hours and read every gauge of it", |bencher| {
        bencher.iter(|| {
            let pass = Pass::open(&path).expect("the pass");
            let seconds = |at| pass.seconds(at, 0..SECONDS + 1).expect("seconds").len();
            (0..QUANTITY_COUNT).map(seconds).sum::<usize>()
        });
    });
    criterion.final_summary();
}
