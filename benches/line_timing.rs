//! Time of line timing and what builds on it, for one field of 625 lines (288 rows of 720 samples).
//!
//! The field is drawn once, with edges of 300 ns, 38 dB of noise and a third of a sample of jitter, so that the rows look
//! at changing sample phases as on a tape.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

use trueline::fields::{Field, FieldPlace, FieldRaster, History, Plane};
use trueline::measures::Measure;
use trueline::measures::flagging::Flagging;
use trueline::measures::head_switch::HeadSwitch;
use trueline::measures::line_timing::{Input, LineTiming, Reading};
use trueline::measures::tear::{self, Tear};
use trueline::sources::{Gap, InputState};
use trueline::standard::{Parity, RateTrust, Standard};
use trueline::timecode::FieldIndex;
use trueline::units::{CodeRange, Hertz, Seconds};

const WIDTH: usize = 720;
const ROWS: usize = 288;

/// A number of about normal distribution: the sum of twelve even ones.
fn normal(dice: &mut Xoshiro256PlusPlus) -> f64 {
    (0..12)
        .map(|_| (dice.next_u64() >> 11) as f64 / (1_u64 << 53) as f64)
        .sum::<f64>()
        - 6.0
}

fn luma() -> Plane {
    let mut dice = Xoshiro256PlusPlus::seed_from_u64(625);
    let gate = |u: f64| 1.0 / (1.0 + (-1.1 * u).exp());
    let mut samples = Vec::with_capacity(WIDTH * ROWS);
    for row in 0..ROWS {
        let shift = 0.3 * normal(&mut dice);
        for n in 0..WIDTH {
            let x = n as f64 - 9.75 - shift;
            let picture = 100.0 + 20.0 * (x / 90.0 + row as f64 / 50.0).sin();
            let y = 16.0 + picture * gate(x) * gate(701.0 - x) + 2.8 * normal(&mut dice);
            samples.push(y.round().clamp(0.0, 255.0) as u8);
        }
    }
    Plane {
        samples,
        width: WIDTH,
        rows: ROWS,
    }
}

fn field() -> Field {
    Field {
        place: FieldPlace {
            field: FieldIndex(0),
            parity: Parity::Top,
            seconds: Seconds(0.0),
        },
        raster: FieldRaster {
            width: WIDTH,
            rows: ROWS,
            frame_rows: 2 * ROWS,
            sample_rate: Some(Hertz(13.5e6)),
            rate_trust: RateTrust::Known,
            standard: Some(Standard::Lines625),
            range: CodeRange::Studio,
            progressive: false,
        },
        luma: luma(),
        cb: Plane::default(),
        cr: Plane::default(),
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::default(),
    }
}

fn timed(measure: &mut LineTiming, history: &History) -> Reading {
    let around = history.neighbourhood().expect("a field was pushed");
    measure.measure(Input {
        around: &around,
        picture_shown: true,
        head_switch_line: None,
    })
}

fn one_field(criterion: &mut Criterion) {
    let mut history = History::default();
    history.push(field());
    let mut measure = LineTiming::default();
    for _ in 0..30 {
        let _ = timed(&mut measure, &history);
    }
    let reading = timed(&mut measure, &history);
    assert!(
        reading.error_rms.is_some(),
        "the bench must measure something: {:?}",
        reading.why_none
    );
    let mut group = criterion.benchmark_group("one field of 625 lines");
    group.bench_function("line timing", |b| {
        b.iter(|| black_box(timed(&mut measure, &history)));
    });
    let mut flagging = Flagging::default();
    group.bench_function("flagging", |b| {
        b.iter(|| flagging.measure(black_box(&reading)));
    });
    let mut head_switch = HeadSwitch::default();
    group.bench_function("head switch", |b| {
        b.iter(|| head_switch.measure(black_box(&reading)));
    });
    let mut tear = Tear::default();
    let bend = flagging.measure(&reading);
    group.bench_function("tear", |b| {
        b.iter(|| {
            tear.measure(tear::Input {
                timing: black_box(&reading),
                flagging: &bend,
            })
        });
    });
    group.finish();
}

criterion_group!(benches, one_field);
criterion_main!(benches);
