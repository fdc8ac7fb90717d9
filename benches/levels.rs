//! What levels, chroma, colour bars, noise, detail, tracking, dropouts and sync cost a field of 720 × 288 samples, on the kinds of field
//! that cost differently.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use rand::{Rng as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

use trueline::fields::{Field, FieldPlace, FieldRaster, History, Neighbourhood, Plane};
use trueline::measures::Measure as _;
use trueline::measures::bars::{self, Bars};
use trueline::measures::chroma::{self, Chroma};
use trueline::measures::detail::{self, Detail};
use trueline::measures::dropouts::{self, Dropouts};
use trueline::measures::interference::{self, Interference};
use trueline::measures::levels::{self, Input, Levels};
use trueline::measures::line_timing::Border;
use trueline::measures::noise::{self, Noise};
use trueline::measures::sync::{State, Sync};
use trueline::measures::tracking::{self, Tracking};
use trueline::measures::vectors::Vectors;
use trueline::measures::waveform::Waveform;
use trueline::sources::{ChromaGrid, Gap, InputState};
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
        chroma: ChromaGrid::Half,
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

/// The last five of a run of live fields, with whatever `last` makes of the newest.
fn history(gain: i32, last: impl Fn(&mut Field)) -> History {
    let mut history = History::default();
    for index in 0..5 {
        let mut field = shot(index, gain);
        if index == 4 {
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
                    bars: None,
                })
            });
        });
        let state = State::Locked;
        let mut chroma = Chroma::default();
        let of_levels = levels.measure(Input {
            around: &around,
            state,
            border: Border::Tape,
            bars: None,
        });
        bench.bench_function(&format!("chroma/{kind}"), |bench| {
            bench.iter(|| {
                chroma.measure(chroma::Input {
                    around: black_box(&around),
                    state,
                    levels: &of_levels,
                })
            });
        });
        let mut bars = Bars;
        bench.bench_function(&format!("bars/{kind}"), |bench| {
            bench.iter(|| {
                bars.measure(bars::Input {
                    around: black_box(&around),
                    state,
                })
            });
        });
        condition(bench, kind, &around, &of_levels);
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

/// What is told of tape, heads, noise and detail.
fn condition(
    bench: &mut Criterion,
    kind: &str,
    around: &Neighbourhood<'_>,
    of_levels: &levels::Reading,
) {
    let state = State::Locked;
    let mut interference = Interference::default();
    bench.bench_function(&format!("interference/{kind}"), |bench| {
        bench.iter(|| {
            interference.measure(interference::Input {
                around: black_box(around),
                state,
                levels: of_levels,
            })
        });
    });
    let mut tracking = Tracking::default();
    let area = &of_levels.area;
    bench.bench_function(&format!("tracking/{kind}"), |bench| {
        bench.iter(|| {
            tracking.measure(tracking::Input {
                around: black_box(around),
                state,
                area,
            })
        });
    });
    let mut dropouts = Dropouts::default();
    bench.bench_function(&format!("dropouts/{kind}"), |bench| {
        bench.iter(|| {
            dropouts.measure(dropouts::Input {
                around: black_box(around),
                state,
                area,
                spoiled: 0..0,
            })
        });
    });
    let noise_input = noise::Input {
        around,
        state,
        repeated: false,
        levels: of_levels,
    };
    let mut noise = Noise::default();
    bench.bench_function(&format!("noise/{kind}"), |bench| {
        bench.iter(|| noise.measure(black_box(noise_input)));
    });
    let of_noise = noise.measure(noise_input);
    let mut detail = Detail::default();
    bench.bench_function(&format!("detail/{kind}"), |bench| {
        bench.iter(|| {
            detail.measure(detail::Input {
                field: black_box(around.field),
                state,
                repeated: false,
                levels: of_levels,
                noise: &of_noise,
            })
        });
    });
}

/// Colour bars, which are read to the end; other pictures are done with after a few rows.
fn colour_bars(bench: &mut Criterion) {
    const BARS: [[u8; 3]; 8] = [
        [180, 128, 128],
        [162, 44, 142],
        [131, 156, 44],
        [112, 72, 58],
        [84, 184, 198],
        [65, 100, 212],
        [35, 212, 114],
        [16, 128, 128],
    ];
    let drawn = history(100, |field| {
        let part = |part: usize, width: usize| {
            plane(width, |column, _| i32::from(BARS[column * 8 / width][part]))
        };
        field.luma = part(0, WIDTH);
        (field.cb, field.cr) = (part(1, WIDTH / 2), part(2, WIDTH / 2));
    });
    let around = drawn.neighbourhood().expect("fields were pushed");
    let state = State::Locked;
    let mut bars = Bars;
    bench.bench_function("bars/bars", |bench| {
        bench.iter(|| {
            bars.measure(bars::Input {
                around: black_box(&around),
                state,
            })
        });
    });
    let field = shot(0, 100);
    let mut vectors = Vectors::new();
    bench.bench_function("vectors", |bench| {
        bench.iter(|| vectors.trace(black_box(&field)));
    });
}

criterion_group!(benches, measures, colour_bars);
criterion_main!(benches);
