//! Time of line timing and what builds on it, for one field of 625 lines (288 rows of 720 samples).
//!
//! The field is drawn once, with edges of 300 ns, 38 dB of noise and a third of a sample of jitter, so that the rows look
//! at changing sample phases as on a tape. Timing from the picture takes fields that differ: some of one scene are drawn
//! without blanking, and go round. It is timed on one core and on two, and told in times real time as well.

#![expect(clippy::print_stdout, reason = "figures are what a bench is for")]

use std::f64::consts::TAU;
use std::hint::black_box;
use std::time::Instant;

use criterion::{Criterion, criterion_group, criterion_main};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

use trueline::fields::{Field, FieldPlace, FieldRaster, History, Plane};
use trueline::measures::Measure;
use trueline::measures::flagging::Flagging;
use trueline::measures::hands::Hands;
use trueline::measures::head_switch::HeadSwitch;
use trueline::measures::line_timing::content::ContentTiming;
use trueline::measures::line_timing::{Input, LineTiming, Reading};
use trueline::measures::tear::{self, Tear};
use trueline::sources::{ChromaGrid, Gap, InputState};
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
        chroma: ChromaGrid::Half,
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

/// Fields of one scene without blanking that go round: the memory of a parity has room for half as many.
const FIELDS: usize = 24;

/// Fields timed for the figure in times real time: some seconds.
const TIMED: usize = 400;

/// Fields a second of 625-line video.
const FIELD_RATE: f64 = 50.0;

fn scene(nth: usize) -> (Plane, Parity) {
    let mut dice = Xoshiro256PlusPlus::seed_from_u64(525 + nth as u64);
    let bottom = nth % 2 == 1;
    let mut samples = Vec::with_capacity(WIDTH * ROWS);
    for row in 0..ROWS {
        let shift = 0.3 * normal(&mut dice);
        let y = (2 * row + usize::from(bottom)) as f64;
        for n in 0..WIDTH {
            let x = n as f64 - shift;
            let wave = |across: f64, down: f64| (TAU * (across * x + down * y)).sin();
            let picture = 30.0 * wave(0.011, 0.004)
                + 20.0 * wave(0.037, -0.021)
                + 12.0 * wave(0.093, 0.013)
                + 25.0 * (4.0 * wave(0.007, 0.003)).tanh();
            let value = 120.0 + picture + 2.8 * normal(&mut dice);
            samples.push(value.round().clamp(0.0, 255.0) as u8);
        }
    }
    let plane = Plane {
        samples,
        width: WIDTH,
        rows: ROWS,
    };
    (plane, if bottom { Parity::Bottom } else { Parity::Top })
}

fn from_the_picture(criterion: &mut Criterion) {
    let fields: Vec<(Plane, Parity)> = (0..FIELDS).map(scene).collect();
    rayon::ThreadPoolBuilder::new()
        .num_threads(2)
        .use_current_thread()
        .build_global()
        .expect("a second thread can be started");
    let mut group = criterion.benchmark_group("one field of 625 lines");
    for (name, hands) in [
        ("from the picture, one core", Hands::One),
        ("from the picture, two cores", Hands::Pool),
    ] {
        let mut timing = ContentTiming::new();
        timing.set_hands(hands);
        let mut next = 0;
        let mut one = || {
            let (plane, parity) = &fields[next % FIELDS];
            next += 1;
            let trace = timing.time(plane, *parity, 0..WIDTH);
            (0..ROWS).filter(|&row| trace.line(row).is_some()).count()
        };
        for _ in 0..FIELDS {
            one();
        }
        let start = Instant::now();
        let lines: usize = (0..TIMED).map(|_| one()).sum();
        let seconds = start.elapsed().as_secs_f64();
        assert!(
            lines > TIMED * ROWS * 9 / 10,
            "the bench must measure something: {lines} lines"
        );
        println!(
            "{name}: {:.1} x real time",
            TIMED as f64 / FIELD_RATE / seconds
        );
        group.bench_function(name, |b| b.iter(|| black_box(one())));
    }
    group.finish();
}

criterion_group!(benches, one_field, from_the_picture);
criterion_main!(benches);
