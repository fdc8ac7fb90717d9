//! Sync on drawn pictures.

use crate::fields::Field;
use crate::measures::Measure as _;
use crate::measures::sketch::{Camera, Screening, Sketcher, World};
use crate::sources::{Gap, InputState};

use super::{Reading, State, Sync};

/// Shows fields to the measure and keeps what it says.
struct Run {
    sketcher: Sketcher,
    screening: Screening,
    sync: Sync,
    next: u64,
}

impl Run {
    fn new() -> Self {
        Self {
            sketcher: Sketcher::new(5),
            screening: Screening::new(),
            sync: Sync::default(),
            next: 0,
        }
    }

    fn show(&mut self, field: Field) -> Reading {
        self.next = field.place.field.0 + 1;
        self.sync.measure(&self.screening.show(field))
    }

    fn shot(&mut self, world: &World, camera: Camera) -> Reading {
        let field = self.sketcher.shot(self.next, world, camera);
        self.show(field)
    }

    /// Shots with a moving camera; every reading.
    fn pan(&mut self, world: &World, fields: u32, camera: impl Fn(f64) -> Camera) -> Vec<Reading> {
        (0..fields)
            .map(|field| self.shot(world, camera(f64::from(field))))
            .collect()
    }
}

fn still(_: f64) -> Camera {
    Camera::default()
}

/// Nothing but a steady, live picture was seen.
fn assert_clean(readings: &[Reading]) {
    for (field, reading) in readings.iter().enumerate() {
        assert_eq!(reading.state, State::Locked, "field {field}");
        assert!(!reading.repeated, "field {field}");
    }
}

#[test]
fn a_still_scene_with_live_noise_is_clean_and_steady() {
    for noise in [0.7, 2.0, 5.0] {
        let mut run = Run::new();
        run.sketcher.noise = noise;
        let readings = run.pan(&World::street(1), 40, still);
        assert_clean(&readings);
        let last = readings.last().expect("forty readings");
        let shift = last.vertical_shift.expect("houses have edges");
        assert!(shift.value.abs().0 < 0.2, "{shift:?}");
        let jitter = last.vertical_jitter.expect("forty fields are enough");
        assert!(jitter.value.0 < 0.05, "{jitter:?}");
    }
}

#[test]
fn dark_foggy_and_textured_scenes_are_clean() {
    let dark = |_| Camera {
        gain: 0.04,
        ..Camera::default()
    };
    let fog = |_| Camera {
        gain: 0.1,
        lift: 110.0,
        ..Camera::default()
    };
    for noise in [0.7, 3.0, 6.0] {
        let mut run = Run::new();
        run.sketcher.noise = noise;
        assert_clean(&run.pan(&World::street(2), 20, dark));
        assert_clean(&run.pan(&World::street(2), 20, fog));
        assert_clean(&run.pan(&World::leaves(3), 20, still));
    }
}

#[test]
fn stopping_on_texture_without_plain_ground_is_no_repeat() {
    let mut run = Run::new();
    run.sketcher.noise = 0.8;
    let leaves = World::leaves(4);
    let moving = |field: f64| Camera {
        x: 100.0 + 9.0 * field,
        ..Camera::default()
    };
    let mut readings = run.pan(&leaves, 30, moving);
    readings.extend(run.pan(&leaves, 30, still));
    assert_clean(&readings);
}

#[test]
fn pans_tilts_shake_and_cuts_are_clean() {
    let mut run = Run::new();
    let street = World::street(6);
    let mut readings = run.pan(&street, 25, |field| Camera {
        x: 100.0 + 12.0 * field,
        ..Camera::default()
    });
    readings.extend(run.pan(&street, 40, |field| Camera {
        y: 100.0 + 0.08 * field * field,
        ..Camera::default()
    }));
    readings.extend(run.pan(&street, 40, |field| Camera {
        x: 150.0 + 8.0 * (field * 0.5).sin(),
        y: 200.0 + 5.0 * (field * 0.3).cos(),
        ..Camera::default()
    }));
    for cut in 0..8 {
        readings.extend(run.pan(&World::street(cut), 3, still));
    }
    assert_clean(&readings);
}

#[test]
fn a_tilt_is_reported_as_a_shift_of_the_picture_with_its_sign() {
    let mut run = Run::new();
    // The camera goes down by 3 frame lines a field: the picture goes up by 1.5 field lines.
    let readings = run.pan(&World::street(6), 20, |field| Camera {
        y: 100.0 + 3.0 * field,
        ..Camera::default()
    });
    for reading in &readings[1..] {
        let shift = reading.vertical_shift.expect("houses have edges");
        assert!((shift.value.0 + 1.5).abs() < 0.2, "{shift:?}");
    }
}

#[test]
fn a_fade_to_black_on_tape_is_not_muted() {
    for noise in [0.7, 2.0] {
        let mut run = Run::new();
        run.sketcher.noise = noise;
        assert_clean(&run.pan(&World::street(7), 60, |field| Camera {
            gain: (1.0 - field / 30.0).max(0.0),
            ..Camera::default()
        }));
    }
}

#[test]
fn snow_is_snow_from_the_third_field_and_not_after() {
    for sigma in [25.0, 45.0] {
        let mut run = Run::new();
        let street = World::street(8);
        assert_clean(&run.pan(&street, 10, still));
        let states: Vec<State> = (0..10)
            .map(|_| {
                let field = run.sketcher.snow(run.next, sigma);
                run.show(field).state
            })
            .collect();
        assert!(
            states[2..].iter().all(|state| *state == State::Snow),
            "{states:?}"
        );
        assert_eq!(run.shot(&street, Camera::default()).state, State::Locked);
    }
}

#[test]
fn inserted_colours_are_muted_with_and_without_converter_noise() {
    for codes in [
        [16, 128, 128],
        [41, 240, 110],
        [126, 128, 128],
        [235, 128, 128],
    ] {
        for sigma in [0.0, 0.4] {
            let mut run = Run::new();
            run.pan(&World::street(9), 16, still);
            for nth in 0..8 {
                let field = run.sketcher.flat(run.next, codes, sigma);
                let reading = run.show(field);
                assert!(!reading.repeated);
                assert_eq!(
                    reading.state == State::Muted,
                    nth >= 2,
                    "{codes:?} {sigma} {nth}"
                );
            }
        }
    }
}

#[test]
fn writing_on_inserted_blue_is_still_muted() {
    let mut run = Run::new();
    let mut last = State::Locked;
    for _ in 0..4 {
        let mut field = run.sketcher.flat(run.next, [41, 240, 110], 0.3);
        for row in 40..70 {
            for letter in 0..6 {
                let at = row * 720 + 80 + 30 * letter;
                field.luma.samples[at..at + 12].fill(200);
            }
        }
        last = run.show(field).state;
    }
    assert_eq!(last, State::Muted);
}

#[test]
fn a_repeated_frame_is_seen_exact_within_a_code_and_with_converter_noise() {
    for (tape, converter) in [(2.0, 0.0), (2.0, 0.2), (1.0, 0.15), (4.0, 0.7)] {
        let mut run = Run::new();
        run.sketcher.noise = tape;
        let street = World::street(10);
        assert_clean(&run.pan(&street, 24, still));
        let frame = [2, 1].map(|back| {
            let before = run.screening.show_again(back);
            run.sketcher.again(26 - back as u64, &before, converter)
        });
        for field in frame {
            assert!(run.show(field).repeated, "{tape} {converter}");
        }
        let after = run.pan(&street, 6, still);
        assert_clean(&after);
        let slip = after
            .last()
            .and_then(|reading| reading.slip)
            .expect("625 lines");
        assert_eq!(slip.0, -40.0);
    }
}

#[test]
fn a_repeat_in_a_moving_scene_is_seen() {
    let mut run = Run::new();
    let moving = |field: f64| Camera {
        x: 100.0 + 4.0 * field,
        ..Camera::default()
    };
    let street = World::street(10);
    assert_clean(&run.pan(&street, 24, moving));
    let before = run.screening.show_again(2);
    let field = run.sketcher.again(24, &before, 0.3);
    assert!(run.show(field).repeated);
}

#[test]
fn a_synthetic_still_without_noise_is_no_repeat() {
    let mut run = Run::new();
    run.sketcher.noise = 0.0;
    assert_clean(&run.pan(&World::street(11), 30, still));
}

#[test]
fn missing_fields_are_counted_and_slip() {
    let mut run = Run::new();
    let street = World::street(12);
    run.pan(&street, 4, still);
    let mut field = run.sketcher.shot(8, &street, Camera::default());
    field.gap = Gap {
        lost_by_source: 3,
        lost_by_us: 1,
        timed: false,
    };
    let reading = run.show(field);
    assert_eq!((reading.missing_fields, reading.missing_by_us), (4, 1));
    assert_eq!(reading.slip.map(|slip| slip.0), Some(80.0));
    assert_eq!(reading.vertical_shift, None);
    assert_eq!(reading.state, State::Locked);
}

#[test]
fn the_device_says_no_signal() {
    let mut run = Run::new();
    let mut field = run.sketcher.flat(0, [16, 128, 128], 0.0);
    field.input = InputState::NoSignal;
    assert_eq!(run.show(field).state, State::NoSignal);
}

#[test]
fn a_vertical_jump_makes_it_unstable_for_half_a_second() {
    let mut run = Run::new();
    let street = World::street(13);
    assert_clean(&run.pan(&street, 20, still));
    let jumped = |_| Camera {
        y: 112.0,
        ..Camera::default()
    };
    let readings = run.pan(&street, 40, jumped);
    let shift = readings[0].vertical_shift.expect("houses have edges");
    assert!((shift.value.0 + 6.0).abs() < 0.3, "{shift:?}");
    assert!(
        readings[1..26]
            .iter()
            .all(|reading| reading.state == State::Unstable)
    );
    assert_eq!(readings[39].state, State::Locked);
}

#[test]
fn a_rolling_picture_is_lost() {
    let mut run = Run::new();
    let street = World::street(14);
    let mut last = State::Locked;
    for field in 0..60usize {
        let mut drawn = run.sketcher.shot(run.next, &street, Camera::default());
        roll(&mut drawn, field * 5);
        last = run.show(drawn).state;
    }
    assert_eq!(last, State::Lost);
}

/// Moves the picture down by `lines`, with a blanking bar of 24 lines between bottom and top.
fn roll(field: &mut Field, lines: usize) {
    let (width, rows) = (field.luma.width, field.luma.rows);
    let picture = field.luma.samples.clone();
    for row in 0..rows {
        let from = (row + (rows + 24) - lines % (rows + 24)) % (rows + 24);
        let target = &mut field.luma.samples[row * width..(row + 1) * width];
        if from < rows {
            target.copy_from_slice(&picture[from * width..(from + 1) * width]);
        } else {
            target.fill(16);
        }
    }
}
