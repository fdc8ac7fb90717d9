//! Claims about whole frames, checked in ways that share nothing with how they are made.

use super::grain::Grain;
use super::*;
use crate::sources::POOL_FRAMES;
use crate::sources::StandardWish;
use crate::standard::{Parity, Standard};
use crate::units::{Decibels, Lines, Nanos, Samples};

const SILENT: Noise = Noise {
    luma: Decibels(f64::INFINITY),
    chroma: Decibels(f64::INFINITY),
};
const WALL: Segment = Segment {
    shows: Shows::Picture(Picture::Wall),
    noise: SILENT,
    ..Segment::GOOD
};
const NOTICE: Segment = Segment {
    shows: Shows::Picture(Picture::Notice),
    noise: SILENT,
    ..Segment::GOOD
};

fn lines_of(standard: Standard) -> Wishes {
    Wishes {
        standard: Some(StandardWish::Lines(standard)),
        ..Wishes::default()
    }
}

fn play(scene: &'static Scene, standard: Standard, frames: u64) -> Tape {
    let pace = Pace::Free {
        frames: Some(frames),
    };
    Tape::play(scene, &lines_of(standard), pace).expect("the wish can be met")
}

fn next(tape: &mut Tape) -> Option<Frame> {
    tape.next_frame().expect("a simulated tape does not fail")
}

/// A row of luma of the older (0) or newer (1) field of a frame with the top field older.
fn luma_row(frame: &Frame, field: usize, row: usize) -> Vec<f64> {
    let start = (2 * row + field) * LUMA_WIDTH;
    frame.data.bytes()[start..start + LUMA_WIDTH]
        .iter()
        .map(|&code| f64::from(code))
        .collect()
}

/// Samples that are compared: far enough inside for every displacement and for the interpolation's reach.
const INNER: std::ops::Range<usize> = 60..660;

/// Weights of the 24 samples from `x.floor() - 11` on that give a row's value at `x`: the whole band passes, under a Hann
/// window. (Cubic interpolation errs by 0.016 sample on the material below.)
fn weights_at(x: f64) -> [f64; 24] {
    let weights = std::array::from_fn(|tap| {
        let phase = std::f64::consts::PI * (x - x.floor() + 11.0 - tap as f64);
        let sinc = if phase == 0.0 {
            1.0
        } else {
            phase.sin() / phase
        };
        sinc * (0.5 + 0.5 * (phase / 12.0).cos())
    });
    let sum: f64 = weights.iter().sum();
    weights.map(|weight| weight / sum)
}

fn value_at(row: &[f64], x: f64) -> f64 {
    let first = x.floor() as usize - 11;
    weights_at(x)
        .iter()
        .zip(&row[first..])
        .map(|(weight, sample)| weight * sample)
        .sum()
}

/// The inner samples of a row moved to the right.
fn moved_right(row: &[f64], shift: f64) -> Vec<f64> {
    let weights = weights_at(-shift);
    let first = INNER.start.wrapping_add_signed((-shift).floor() as isize) - 11;
    let windows = row[first..].windows(24).take(INNER.len());
    windows
        .map(|window| {
            window
                .iter()
                .zip(&weights)
                .map(|(sample, weight)| sample * weight)
                .sum()
        })
        .collect()
}

/// How far `moved` lies to the right of `reference`, by least squares over the inner samples.
fn shift_between(reference: &[f64], moved: &[f64]) -> f64 {
    let moved = &moved[INNER];
    let cost = |shift: i32| -> f64 {
        let aside = &reference[INNER.start.wrapping_add_signed(-shift as isize)..];
        moved
            .iter()
            .zip(aside)
            .map(|(a, b)| (a - b) * (a - b))
            .sum()
    };
    let coarse = (-30..=30)
        .min_by(|&a, &b| cost(a).total_cmp(&cost(b)))
        .expect("there are candidates");
    (0..5).fold(f64::from(coarse), |shift, _| {
        let [before, here, after] =
            [-0.25, 0.0, 0.25].map(|step| moved_right(reference, shift + step));
        let (mut gradient_square, mut agreement) = (0.0, 0.0);
        for index in 0..INNER.len() {
            let gradient = 2.0 * (after[index] - before[index]);
            gradient_square += gradient * gradient;
            agreement += gradient * (moved[index] - here[index]);
        }
        shift + agreement / gradient_square
    })
}

/// Worst and rms difference between the truth and what the pictures show, in samples, over textured rows.
fn truth_against_pictures(displaced: &'static Scene, straight: &'static Scene) -> (f64, f64) {
    let mut displaced = play(displaced, Standard::Lines525, 2);
    let mut straight = play(straight, Standard::Lines525, 2);
    let (mut worst, mut square, mut count): (f64, f64, f64) = (0.0, 0.0, 0.0);
    while let (Some(moved), Some(reference)) = (next(&mut displaced), next(&mut straight)) {
        for field in 0..2 {
            // Above the head switch, where a line can be sheared by a whole sample.
            for row in (0..231).step_by(7) {
                let before = luma_row(&reference, field, row);
                let texture: f64 = before
                    .windows(2)
                    .map(|pair| (pair[1] - pair[0]).powi(2))
                    .sum();
                if texture < 40_000.0 {
                    continue;
                }
                let seen = shift_between(&before, &luma_row(&moved, field, row));
                let told = displaced.truth()[field].lines[row] * 13.5e-3;
                worst = worst.max((seen - told).abs());
                square += (seen - told) * (seen - told);
                count += 1.0;
            }
        }
    }
    assert!(count > 40.0, "only {count} textured rows");
    (worst, (square / count).sqrt())
}

static NOTICE_STRAIGHT: Scene = Scene {
    tape: &[NOTICE],
    ..Scene::PLAIN
};

#[test]
fn the_truth_of_an_injected_profile_is_what_the_picture_shows() {
    static DISPLACED: Scene = Scene {
        tape: &[Segment {
            timing: Timing::Injected(&[
                Injection::White { rms: Nanos(90.0) },
                Injection::Sine {
                    amplitude: Nanos(300.0),
                    period: Lines(31.0),
                    travel: Lines(3.0),
                },
            ]),
            ..NOTICE
        }],
        ..Scene::PLAIN
    };
    let (worst, rms) = truth_against_pictures(&DISPLACED, &NOTICE_STRAIGHT);
    assert!(worst < 0.02 && rms < 0.007, "worst {worst}, rms {rms}");
}

#[test]
fn the_truth_of_a_played_tape_is_the_displacement_at_mid_line() {
    static PLAYED: Scene = Scene {
        tape: &[Segment {
            timing: Timing::Played(Transport::DOMESTIC),
            ..NOTICE
        }],
        ..Scene::PLAIN
    };
    let (worst, rms) = truth_against_pictures(&PLAYED, &NOTICE_STRAIGHT);
    // A sheared line's content is not spread evenly about the middle: a little of the shear remains.
    assert!(worst < 0.05 && rms < 0.015, "worst {worst}, rms {rms}");
}

/// Blanking at the left and right of a frame's middle row, by where it crosses the half of the light wall.
fn blanking_of(frame: &Frame) -> (f64, f64) {
    let row = luma_row(frame, 0, 100);
    let wall = row[300..420].iter().sum::<f64>() / 120.0;
    // Blanking goes on outside the raster; the interpolation needs a few samples of it.
    let padded: Vec<f64> = [&[16.0; 12], &row[..], &[16.0; 12]].concat();
    let light = |x: f64| value_at(&padded, x + 12.0) > f64::midpoint(wall, 16.0);
    let fine = |steps: std::ops::Range<i32>| steps.map(|step| f64::from(step) / 1000.0);
    let left = fine(0..40_000)
        .find(|&x| light(x))
        .expect("the wall begins");
    let right = fine(680_000..719_000)
        .rfind(|&x| light(x))
        .expect("the wall ends");
    (left, LUMA_WIDTH as f64 - right)
}

#[test]
fn blanking_is_where_the_standards_put_it() {
    static STRAIGHT: Scene = Scene {
        tape: &[WALL],
        ..Scene::PLAIN
    };
    for standard in [Standard::Lines525, Standard::Lines625] {
        let mut tape = play(&STRAIGHT, standard, 1);
        let (left, right) = blanking_of(&next(&mut tape).expect("there is a frame"));
        let (want_left, want_right) = standard.nominal_margins();
        // Rounding moves a crossing between codes some thirty apart by up to 0.02 sample.
        assert!(
            (left - want_left.0).abs() < 0.025,
            "{standard:?}: left {left}"
        );
        assert!(
            (right - want_right.0).abs() < 0.025,
            "{standard:?}: right {right}"
        );
    }
}

#[test]
fn margins_of_a_scene_are_its_own() {
    static WIDE: Scene = Scene {
        margins: Some((Samples(16.25), Samples(11.5))),
        tape: &[WALL],
        ..Scene::PLAIN
    };
    let mut tape = play(&WIDE, Standard::Lines625, 1);
    let (left, right) = blanking_of(&next(&mut tape).expect("there is a frame"));
    assert!((left - 16.25).abs() < 0.025, "{left}");
    assert!((right - 11.5).abs() < 0.025, "{right}");
}

#[test]
fn a_regenerated_border_stays_straight_while_the_lines_move() {
    const JITTER: &[Segment] = &[Segment {
        timing: Timing::Injected(&[Injection::White { rms: Nanos(74.0) }]),
        ..WALL
    }];
    static BARE: Scene = Scene {
        tape: JITTER,
        ..Scene::PLAIN
    };
    static BOXED: Scene = Scene {
        tape: JITTER,
        chain: Chain {
            boxed: Some(BoxModel {
                sides: Sides::Border {
                    left: 9.0,
                    right: 9.0,
                },
                ..BoxModel::THROUGH
            }),
            ..Chain::BARE
        },
        ..Scene::PLAIN
    };
    let border = |jitter: &'static Scene| {
        let mut tape = play(jitter, Standard::Lines525, 1);
        let frame = next(&mut tape).expect("there is a frame");
        let edges: Vec<f64> = (20..220)
            .map(|row| luma_row(&frame, 0, row)[..16].iter().sum::<f64>() / 160.0)
            .collect();
        let mean = edges.iter().sum::<f64>() / 200.0;
        (edges
            .iter()
            .map(|edge| (edge - mean) * (edge - mean))
            .sum::<f64>()
            / 200.0)
            .sqrt()
    };
    assert!(border(&BARE) > 0.8, "{}", border(&BARE));
    assert!(border(&BOXED) < 0.02, "{}", border(&BOXED));
}

#[test]
fn noise_has_its_level_and_stays_in_the_band() {
    static NOISY: Scene = Scene {
        luma_band: crate::units::Hertz(3.0e6),
        tape: &[Segment {
            noise: Noise {
                luma: Decibels(36.0),
                chroma: Decibels(40.0),
            },
            ..WALL
        }],
        ..Scene::PLAIN
    };
    let mut tape = play(&NOISY, Standard::Lines525, 2);
    let (mut square, mut above, mut count) = (0.0, 0.0, 0.0);
    while let Some(frame) = next(&mut tape) {
        for row in 0..240 {
            let row = &luma_row(&frame, 0, row)[60..660];
            let mean = row.iter().sum::<f64>() / 600.0;
            square += row
                .iter()
                .map(|code| (code - mean) * (code - mean))
                .sum::<f64>();
            // Alternate signs pick what lies at the upper end, 6.75 MHz, where a tape has nothing: only rounding is left.
            let pairs = row.chunks_exact(2).map(|pair| pair[0] - pair[1]);
            above += pairs.sum::<f64>().powi(2);
            count += 600.0;
        }
    }
    let rms = (square / count - 1.0 / 12.0_f64).sqrt();
    let wanted = 219.0 / 10.0_f64.powf(36.0 / 20.0);
    assert!(
        (rms / wanted - 1.0).abs() < 0.03,
        "{rms} codes, not {wanted}"
    );
    let top = above / count;
    assert!(
        top < 0.15,
        "density {top} at 6.75 MHz, rounding alone is 0.083"
    );
}

#[test]
fn a_seed_gives_the_same_frames_and_another_seed_others() {
    let frames = |seed| {
        let wishes = Wishes {
            seed: Some(seed),
            ..Wishes::default()
        };
        let pace = Pace::Free { frames: Some(2) };
        let mut tape = Tape::open("dropouts", &wishes, pace).expect("there is such a scene");
        next(&mut tape);
        let frame = next(&mut tape).expect("there are two frames");
        (frame.data.bytes().to_vec(), tape.truth()[1].lines.clone())
    };
    let first = frames(5);
    assert_eq!(first, frames(5));
    assert_ne!(first.0, frames(6).0);
}

/// Changes whenever a scene, a picture or the simulation does; it must not change from one machine to the next.
const BARE_PLAYER_SEED_1: u64 = 0xF89F_4171_93AC_B097;

#[test]
fn frames_are_the_same_on_every_machine() {
    let pace = Pace::Free { frames: Some(3) };
    let mut tape =
        Tape::open("bare-player", &Wishes::default(), pace).expect("there is such a scene");
    let mut hash: u64 = 0xCBF2_9CE4_8422_2325;
    let mut add = |byte: u8| hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
    while let Some(frame) = next(&mut tape) {
        frame.data.bytes().iter().copied().for_each(&mut add);
        let lines = tape.truth().iter().flat_map(|field| &field.lines);
        lines.flat_map(|line| line.to_le_bytes()).for_each(&mut add);
    }
    assert_eq!(hash, BARE_PLAYER_SEED_1, "{hash:#x}");
}

#[test]
fn the_fields_are_seen_at_their_own_moments() {
    const PANNING: Camera = Camera {
        pan: 180.0,
        centre: (512.0, 720.0),
        ..Camera::STILL
    };
    static CHART: Scene = Scene {
        tape: &[Segment {
            shows: Shows::Picture(Picture::Notice),
            camera: Camera {
                centre: (512.0, 400.0),
                ..PANNING
            },
            noise: SILENT,
            ..Segment::GOOD
        }],
        ..Scene::PLAIN
    };
    let mut tape = play(&CHART, Standard::Lines525, 2);
    let first = next(&mut tape).expect("there are two frames");
    let second = next(&mut tape).expect("there are two frames");
    // A frame later, 180 samples a second have moved the picture left by 6.006 samples; the fields of one frame lie half of
    // that apart, so the newer field of the first is half way.
    let row = 100;
    let whole = shift_between(&luma_row(&first, 0, row), &luma_row(&second, 0, row));
    assert!((whole + 6.006).abs() < 0.05, "{whole}");
    let view = |newer| {
        tape.player
            .field_plan(newer, None)
            .view
            .row(0.0, 0.0, 1.0)
            .x
    };
    assert!((view(true) - view(false) - 3.003).abs() < 1e-9);
}

#[test]
fn losses_are_told_or_only_seen_as_the_scene_says() {
    static LOSSES: Scene = Scene {
        tape: &[WALL],
        chain: Chain {
            faults: &[
                Fault {
                    at: 0.1,
                    every: None,
                    frames: 2,
                    kind: FaultKind::Lost,
                },
                Fault {
                    at: 0.3,
                    every: None,
                    frames: 1,
                    kind: FaultKind::LostSilently,
                },
            ],
            ..Chain::BARE
        },
        ..Scene::PLAIN
    };
    let mut tape = play(&LOSSES, Standard::Lines625, 10);
    let mut told = Vec::new();
    while let Some(frame) = next(&mut tape) {
        let older = &tape.truth()[0];
        let silently = older
            .events
            .iter()
            .any(|event| matches!(event, TruthEvent::MissingSilently { fields: 2 }));
        let millis = frame.device_time.map_or(0, |time| time.as_millis());
        told.push((older.field.0, frame.gap.lost_by_source, silently, millis));
    }
    // At 25 frames a second 0.1 s is rounded to frame 3 of the tape, 0.3 s to frame 8: the sixth that is delivered.
    let expected = [
        (0, 0, false, 0),
        (2, 0, false, 40),
        (4, 0, false, 80),
        (10, 4, false, 200),
        (12, 0, false, 240),
        (14, 0, false, 280),
        (16, 0, true, 320),
        (18, 0, false, 360),
    ];
    assert_eq!(told, expected);
}

#[test]
fn repeats_are_bit_exact_or_converted_afresh() {
    static REPEATS: Scene = Scene {
        tape: &[Segment {
            noise: Noise {
                luma: Decibels(40.0),
                chroma: Decibels(40.0),
            },
            ..WALL
        }],
        chain: Chain {
            faults: &[
                Fault {
                    at: 0.08,
                    every: None,
                    frames: 1,
                    kind: FaultKind::Repeated,
                },
                Fault {
                    at: 0.16,
                    every: None,
                    frames: 1,
                    kind: FaultKind::RepeatedAfresh,
                },
                Fault {
                    at: 0.24,
                    every: None,
                    frames: 1,
                    kind: FaultKind::Inserted,
                },
            ],
            ..Chain::BARE
        },
        ..Scene::PLAIN
    };
    let mut tape = play(&REPEATS, Standard::Lines625, 8);
    let mut before: Option<Frame> = None;
    let mut told = Vec::new();
    while let Some(frame) = next(&mut tape) {
        let largest = before.as_ref().map_or(255, |before| {
            let codes = frame.data.bytes().iter().zip(before.data.bytes());
            codes.map(|(a, b)| a.abs_diff(*b)).max().unwrap_or(0)
        });
        let repeated = tape.truth()[0].events.contains(&TruthEvent::Repeated);
        told.push((largest.min(2), repeated));
        before = Some(frame);
    }
    let (fresh, exact, converted) = ((2, false), (0, true), (1, true));
    assert_eq!(
        told,
        [fresh, fresh, exact, fresh, converted, fresh, exact, fresh]
    );
}

#[test]
fn a_picture_that_finds_no_buffer_is_counted_as_lost_by_us() {
    static PLAIN_WALL: Scene = Scene {
        tape: &[WALL],
        ..Scene::PLAIN
    };
    let mut tape = play(&PLAIN_WALL, Standard::Lines525, 1000);
    let held: Vec<Frame> = std::iter::from_fn(|| tape.show_next(false)).collect();
    assert_eq!(held.len(), POOL_FRAMES + 1);
    tape.pass_over(
        1,
        Gap {
            lost_by_us: 2,
            ..Gap::default()
        },
    );
    drop(held);
    let frame = next(&mut tape).expect("there is room again");
    assert_eq!(frame.gap.lost_by_us, 2);
    let field = tape.truth()[0].field.0;
    assert_eq!(field, 2 * (POOL_FRAMES as u64 + 2));
}

#[test]
fn what_the_device_says_of_its_input_follows_the_scene() {
    static LOOSE: Scene = Scene {
        tape: &[
            Segment {
                seconds: 0.04,
                ..WALL
            },
            Segment {
                seconds: 0.04,
                shows: Shows::NoSignal,
                ..WALL
            },
            Segment {
                seconds: 0.04,
                shows: Shows::Snow,
                ..WALL
            },
        ],
        ..Scene::PLAIN
    };
    let mut tape = play(&LOOSE, Standard::Lines625, 3);
    let said: Vec<InputState> = std::iter::from_fn(|| next(&mut tape))
        .map(|frame| frame.input)
        .collect();
    let expected = [
        InputState::Locked,
        InputState::NoSignal,
        InputState::Unlocked,
    ];
    assert_eq!(said, expected);
}

#[test]
fn wishes_that_cannot_be_met_are_refused_with_a_reason() {
    let refused = |scene: &str, wishes: Wishes| {
        let error = Tape::open(scene, &wishes, Pace::RealTime).expect_err("it cannot be met");
        (error.kind(), error.to_string())
    };
    let (kind, message) = refused("no-such-scene", Wishes::default());
    assert_eq!(kind, SourceErrorKind::Missing);
    assert!(
        message.contains("no-such-scene") && message.contains("evening"),
        "{message}"
    );
    let progressive = Wishes {
        field_order: Some(FieldOrder::Progressive),
        ..Wishes::default()
    };
    assert_eq!(
        refused("clean", progressive).0,
        SourceErrorKind::Unsupported
    );
    let small = Wishes {
        raster: Some((360, 240)),
        ..Wishes::default()
    };
    let (kind, message) = refused("clean", small);
    assert_eq!(kind, SourceErrorKind::Unsupported);
    assert!(message.contains("360x240"), "{message}");
}

#[test]
fn rasters_and_field_orders_are_as_wished() {
    let open = |wishes: Wishes| {
        Tape::open("edges", &wishes, Pace::Free { frames: Some(1) }).expect("the wish can be met")
    };
    let tape = open(Wishes {
        raster: Some((720, 486)),
        ..Wishes::default()
    });
    assert_eq!(tape.format().rows, 486);
    assert_eq!(tape.format().field_order, Some(FieldOrder::Bottom));
    assert_eq!(tape.truth()[0].parity, Parity::Bottom);
    let tape = open(Wishes {
        standard: Some(StandardWish::Lines(Standard::Lines625)),
        field_order: Some(FieldOrder::Bottom),
        ..Wishes::default()
    });
    assert_eq!(tape.format().rows, 576);
    assert!(tape.format().field_order_forced);
    assert_eq!(tape.truth()[0].parity, Parity::Bottom);
}

#[test]
fn every_scene_plays_through_all_its_segments() {
    for (name, about) in scenes() {
        let scene = find(name).expect("the list is the catalogue");
        assert!(!about.is_empty() && !scene.tape.is_empty(), "{name}");
        let (raster, _) = raster_for(scene, &Wishes::default()).expect("its own standard fits");
        let mut player = Player::new(scene, raster, 1);
        let mut seen = std::collections::BTreeSet::new();
        for _ in 0..player.scene_frames() {
            player.cue();
            player.advance();
            let place = scene
                .tape
                .iter()
                .position(|segment| std::ptr::eq(segment, player.segment()));
            seen.insert(place);
        }
        assert_eq!(seen.len(), scene.tape.len(), "{name}");
    }
}

#[test]
fn scene_names_are_unique() {
    let mut names: Vec<&str> = scenes().map(|(name, _)| name).collect();
    let count = names.len();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), count);
    assert!(names.contains(&DEFAULT_SCENE));
}

#[test]
fn every_picture_has_texture_from_edge_to_edge() {
    let grain = Grain::new(&mut Dice::new(1, Stream::Pictures));
    for picture in [
        Picture::Harbour,
        Picture::Street,
        Picture::Park,
        Picture::Hall,
        Picture::Notice,
        Picture::Night,
        Picture::Fog,
        Picture::Chart,
    ] {
        let canvas = picture.draw(1, &grain);
        let mut column = [0.0; 500];
        for x in [155.0, 868.0] {
            let path = canvas::Path {
                x,
                y: 140.0,
                step_x: 0.0,
                step_y: 1.0,
            };
            canvas.luma_line(path, (0.0, 1.0), &mut column);
            let (low, high) = column
                .iter()
                .fold((1.0_f32, 0.0_f32), |(low, high), &level| {
                    (low.min(level), high.max(level))
                });
            assert!(
                low > -0.02 && high < 1.1 && high - low > 0.05,
                "{picture:?}: {low} to {high}"
            );
        }
    }
}
