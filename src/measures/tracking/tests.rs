//! Bands of noise and what is none, and heads that differ, on drawn fields.

use super::*;
use crate::fields::Field;
use crate::measures::levels::{self, Levels};
use crate::measures::line_timing::Border;
use crate::measures::sketch::{Camera, Screening, Sketcher, World};

/// What is read of each field.
fn readings(fields: impl Iterator<Item = Field>) -> Vec<Reading> {
    let (mut screening, mut levels) = (Screening::new(), Levels::default());
    let mut tracking = Tracking::default();
    fields
        .map(|field| {
            let around = &screening.show(field);
            let levels = levels.measure(levels::Input {
                around,
                state: State::Locked,
                border: Border::Tape,
                bars: None,
            });
            tracking.measure(Input {
                around,
                state: State::Locked,
                area: &levels.area,
            })
        })
        .collect()
}

/// Noise of `sigma` codes in some rows.
fn spoil(sketcher: &mut Sketcher, field: &mut Field, rows: std::ops::Range<usize>, sigma: f64) {
    let width = field.luma.width;
    for sample in &mut field.luma.samples[rows.start * width..rows.end * width] {
        let code = f64::from(*sample) + sigma * sketcher.bell();
        *sample = code.clamp(1.0, 254.0) as u8;
    }
}

fn pan(index: u64, across: f64, down: f64) -> Camera {
    Camera {
        x: 300.0 + across * index as f64,
        y: 300.0 + down * index as f64,
        ..Camera::default()
    }
}

#[test]
fn bands_of_six_lines_and_more_are_found_in_still_and_moving_pictures() {
    for (lines, sigma, across) in [
        (6, 40.0, 0.0),
        (6, 30.0, 4.0),
        (20, 20.0, 0.0),
        (45, 30.0, 9.0),
    ] {
        let mut sketcher = Sketcher::new(2);
        let street = World::street(2);
        let fields = (0..20).map(|index| {
            let mut field = sketcher.shot(index, &street, pan(index, across, 0.0));
            spoil(&mut sketcher, &mut field, 90..90 + lines, sigma);
            field
        });
        for (index, reading) in readings(fields).iter().enumerate().skip(5) {
            let band = reading.band.unwrap_or(Band { row: 0, lines: 0 });
            assert!(
                band.row.abs_diff(90) <= 1 && band.lines.abs_diff(lines) <= 2,
                "{lines} lines of {sigma}: field {index} {band:?}"
            );
        }
    }
}

#[test]
fn less_than_six_lines_are_no_band() {
    let mut sketcher = Sketcher::new(3);
    let street = World::street(3);
    let fields = (0..15).map(|index| {
        let mut field = sketcher.shot(index, &street, pan(index, 1.0, 0.0));
        spoil(&mut sketcher, &mut field, 90..94, 40.0);
        field
    });
    for reading in readings(fields).iter().skip(5) {
        assert_eq!(reading.band_lines(), Some(0));
    }
}

#[test]
fn fine_detail_that_moves_is_no_band() {
    for (across, down) in [
        (0.0, 0.0),
        (3.0, 0.0),
        (9.5, 0.0),
        (-15.0, 1.0),
        (0.0, 3.3),
        (4.0, -2.5),
    ] {
        let mut sketcher = Sketcher::new(4);
        let world = if across > 0.0 {
            World::leaves(4)
        } else {
            World::street(4)
        };
        let fields = (0..15).map(|index| sketcher.shot(index, &world, pan(index, across, down)));
        for (index, reading) in readings(fields).iter().enumerate().skip(5) {
            assert_eq!(
                reading.band_lines(),
                Some(0),
                "{across} {down}: field {index}"
            );
        }
    }
}

#[test]
fn a_noisy_tape_is_no_band_and_its_noise_is_told() {
    let street = World::street(5);
    let mut told = Vec::new();
    for noise in [1.5, 3.0, 6.0, 12.0] {
        let mut sketcher = Sketcher::new(5);
        sketcher.noise = noise;
        let fields = (0..15).map(|index| sketcher.shot(index, &street, pan(index, 1.0, 0.0)));
        let readings = readings(fields);
        for reading in readings.iter().skip(6) {
            assert_eq!(reading.band_lines(), Some(0), "noise of {noise}");
        }
        told.push(readings[14].noise.expect("it was judged").0);
    }
    // 20·log10(219/noise); rounding to codes adds to the least, and the quietest quarter lies a little under
    for (found, wanted) in told.iter().zip([43.3, 37.3, 31.2, 25.2]) {
        assert!((found - wanted).abs() < 1.0, "{told:?}");
    }
}

/// How the heads compare after some seconds of a pan, when `change` is done to the bottom fields.
fn heads_of(fields: u64, mut change: impl FnMut(&mut Sketcher, Camera) -> Camera) -> Heads {
    let mut sketcher = Sketcher::new(6);
    let street = World::street(6);
    let fields = (0..fields).map(|index| {
        let camera = pan(index, 1.0, 0.0);
        sketcher.noise = 2.0;
        let camera = if index % 2 == 1 {
            change(&mut sketcher, camera)
        } else {
            camera
        };
        sketcher.shot(index, &street, camera)
    });
    let last = readings(fields).last().and_then(|reading| reading.heads);
    last.expect("heads are compared after a second")
}

#[test]
fn heads_that_are_alike_are_told_so() {
    let heads = heads_of(90, |_, camera| camera);
    assert_eq!(heads.state, HeadState::Alike);
    let noise = heads.noise.expect("compared").value.0;
    assert!(noise.abs() < 0.3, "{heads:?}");
}

#[test]
fn two_decibels_more_noise_are_a_weak_head() {
    let heads = heads_of(90, |sketcher, camera| {
        sketcher.noise = 2.0 * 10.0_f64.powf(2.0 / 20.0);
        camera
    });
    assert_eq!(heads.state, HeadState::BottomWeak);
    let noise = heads.noise.expect("compared").value.0;
    assert!((noise + 2.0).abs() < 0.3, "{heads:?}");
}

#[test]
fn three_decibels_less_level_are_a_weak_head() {
    let heads = heads_of(90, |_, camera| Camera {
        gain: camera.gain * 10.0_f64.powf(-3.0 / 20.0),
        ..camera
    });
    assert_eq!(heads.state, HeadState::BottomWeak);
    let level = heads.level.expect("compared").value.0;
    assert!((level - 3.0).abs() < 0.3, "{heads:?}");
}

#[test]
fn a_head_that_gives_noise_alone_is_clogged() {
    let mut sketcher = Sketcher::new(7);
    let street = World::street(7);
    let fields = (0..60).map(|index| {
        if index % 2 == 0 {
            sketcher.snow(index, 50.0)
        } else {
            sketcher.shot(index, &street, pan(index, 1.0, 0.0))
        }
    });
    let heads = readings(fields).last().and_then(|reading| reading.heads);
    assert_eq!(heads.map(|heads| heads.state), Some(HeadState::TopClogged));
}

#[test]
fn snow_in_all_fields_and_stripes_one_line_high_are_no_weak_head() {
    let mut sketcher = Sketcher::new(8);
    let snow = (0..60).map(|index| sketcher.snow(index, 50.0));
    let heads = readings(snow).last().and_then(|reading| reading.heads);
    assert_eq!(heads.map(|heads| heads.state), Some(HeadState::Alike));
    let mut sketcher = Sketcher::new(8);
    let street = World::street(8);
    let striped = (0..60).map(|index| {
        let mut field = sketcher.shot(index, &street, Camera::default());
        let width = field.luma.width;
        // a third of the picture: white in the top fields, dark in the bottom ones
        let code = if index % 2 == 0 { 200 } else { 40 };
        field.luma.samples[100 * width..190 * width].fill(code);
        field
    });
    let heads = readings(striped).last().and_then(|reading| reading.heads);
    assert_eq!(heads.map(|heads| heads.state), Some(HeadState::Alike));
}
