//! What levels and sync cost a field of 720 × 288 samples, on the kinds of field that cost differently.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use rand::{Rng as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

use trueline::fields::{Field, FieldPlace, FieldRaster, History, Plane};
use trueline::measures::Measure as _;
use trueline::measures::levels::{Input, Levels};
use trueline::measures::line_timing::Border;
use trueline::measures::sync::{State, Sync};
use trueline::measures::waveform::Waveform;
use trueline::sources::{Gap, InputState};
use trueline::standard::{BT601_LUMA_RATE, Parity, RateTrust, Standard};
use trueline::timecode::FieldIndex;
use trueline::units::{CodeRange, Seconds};

const WIDTH: usize = 720;
const ROWS: usize = 288;

/// Noise of about ±2 codes.
fn noise(random: &mut Xoshiro256PlusPlus) -> i32 {
    let bits = random.next_u32();
    let two_bits = |from: u32| ((bits >> from) & 3).cast_signed();
    two_bits(0) + two_bits(2) - 3
}

fn plane(width: usize, mut code: impl FnMut(usize, usize) -> i32) -> Plane {
    let at = |at: usize| (at % width, at / width);
    Plane {
        samples: (0..width * ROWS)
            .map(|nth| {
                let (column, row) = at(nth);
                code(column, row).clamp(1, 254) as u8
            })
            .collect(),
        width,
        rows: ROWS,
    }
}

/// A field of blocks and slopes between blanking, with noise; `gain` in hundredths.
fn shot(index: u64, gain: i32) -> Field {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(index);
    let luma = plane(WIDTH, |column, row| {
        let picture = ((column / 40 * 37 + row / 24 * 53) % 150 + column / 8) as u32;
        let picture = picture.cast_signed() * gain / 100;
        let shown = if (10..712).contains(&column) {
            picture
        } else {
            0
        };
        16 + shown + noise(&mut random)
    });
    let mut colour = || plane(WIDTH / 2, |_, _| 128 + noise(&mut random));
    Field {
        place: FieldPlace {
            field: FieldIndex(index),
            parity: if index.is_multiple_of(2) {
                Parity::Top
            } else {
                Parity::Bottom
            },
            seconds: Seconds(index as f64 * 0.02),
        },
        raster: FieldRaster {
            width: WIDTH,
            rows: ROWS,
            frame_rows: 2 * ROWS,
            sample_rate: Some(BT601_LUMA_RATE),
            rate_trust: RateTrust::Known,
            standard: Some(Standard::Lines625),
            range: CodeRange::Studio,
            progressive: false,
        },
        cb: colour(),
        cr: colour(),
        luma,
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

/// The last four of a run of live fields, with whatever `last` makes of the newest.
fn history(gain: i32, last: impl Fn(&mut Field)) -> History {
    let mut history = History::default();
    for index in 0..4 {
        let mut field = shot(index, gain);
        if index == 3 {
            last(&mut field);
        }
        history.push(field);
    }
    history
}

fn measures(bench: &mut Criterion) {
    let repeat = |field: &mut Field| {
        let earlier = shot(1, 100);
        (field.luma, field.cb, field.cr) = (earlier.luma, earlier.cb, earlier.cr);
    };
    let kinds = [
        ("lit", history(100, |_| ())),
        ("dark", history(4, |_| ())),
        ("repeat", history(100, repeat)),
    ];
    for (kind, history) in &kinds {
        let around = history.neighbourhood().expect("fields were pushed");
        let mut levels = Levels::default();
        bench.bench_function(&format!("levels/{kind}"), |bench| {
            bench.iter(|| {
                levels.measure(Input {
                    around: black_box(&around),
                    state: State::Locked,
                    border: Border::Tape,
                })
            });
        });
        let mut sync = Sync::default();
        bench.bench_function(&format!("sync/{kind}"), |bench| {
            bench.iter(|| sync.measure(black_box(&around)));
        });
    }
    let field = shot(0, 100);
    let mut waveform = Waveform::new();
    bench.bench_function("waveform", |bench| {
        bench.iter(|| waveform.trace(black_box(&field)));
    });
}

criterion_group!(benches, measures);
criterion_main!(benches);
