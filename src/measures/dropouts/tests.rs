//! Streaks and what is none, on drawn fields.

use super::*;
use crate::measures::levels::{self, Levels};
use crate::measures::line_timing::Border;
use crate::measures::sketch::{Camera, Screening, Sketcher, World};

/// What is found in each field that is judged, by its number.
fn found(fields: impl Iterator<Item = Field>) -> Vec<(u64, Vec<Streak>)> {
    let (mut screening, mut levels) = (Screening::new(), Levels::default());
    let mut dropouts = Dropouts::default();
    let mut all = Vec::new();
    for field in fields {
        let around = &screening.show(field);
        let levels = levels.measure(levels::Input {
            around,
            state: State::Locked,
            border: Border::Tape,
            bars: None,
        });
        let reading = dropouts.measure(Input {
            around,
            state: State::Locked,
            area: &levels.area,
            spoiled: 200..210,
        });
        if let Some(count) = reading.count {
            assert_eq!(count as usize, dropouts.found().len());
            let judged = around.field.place.field.0 - DROPOUT_DELAY;
            all.push((judged, dropouts.found().to_vec()));
        }
    }
    all
}

fn pan(index: u64, speed: f64) -> Camera {
    Camera {
        x: 100.0 + speed * index as f64,
        ..Camera::default()
    }
}

/// Replaces a fragment by a level.
fn strike(field: &mut Field, (row, sample, samples): (usize, usize, usize), code: u8) {
    let start = row * field.luma.width + sample;
    field.luma.samples[start..start + samples].fill(code);
}

#[test]
fn a_streak_is_found_where_it_is() {
    let mut sketcher = Sketcher::new(3);
    let street = World::street(3);
    let fields = (0..12).map(|index| {
        let mut field = sketcher.shot(index, &street, pan(index, 1.5));
        if index == 6 {
            strike(&mut field, (120, 300, 81), 254);
            strike(&mut field, (60, 100, 45), 2);
            strike(&mut field, (205, 100, 100), 254); // in the spoiled band
            strike(&mut field, (1, 100, 100), 254); // where data lines are
        }
        field
    });
    for (index, streaks) in found(fields) {
        if index != 6 {
            assert_eq!(streaks, [], "field {index}");
            continue;
        }
        let places: Vec<usize> = streaks.iter().map(|streak| streak.row).collect();
        assert_eq!(places, [60, 120], "{streaks:?}");
        let longest = streaks[1];
        assert!(longest.sample.abs_diff(300) <= 2, "{longest:?}");
        // 81 samples of 13.5 MHz are 6 µs
        assert!((longest.length.0 - 6.0).abs() < 0.3, "{longest:?}");
    }
}

#[test]
fn noise_in_place_of_the_picture_is_a_streak_too() {
    let mut sketcher = Sketcher::new(4);
    let street = World::street(4);
    let fields = (0..8).map(|index| {
        let mut field = sketcher.shot(index, &street, Camera::default());
        if index == 4 {
            for sample in 0..150 {
                let code = (110.0 + 90.0 * sketcher.bell()).clamp(1.0, 254.0) as u8;
                strike(&mut field, (140, 250 + sample, 1), code);
            }
        }
        field
    });
    let of_four = found(fields).into_iter().find(|(index, _)| *index == 4);
    let (_, streaks) = of_four.expect("it was judged");
    assert_eq!(streaks.len(), 1, "{streaks:?}");
    assert!(streaks[0].samples > 100, "{streaks:?}");
}

#[test]
fn fast_pans_tilts_and_cuts_are_no_streaks() {
    for (name, world) in [("street", World::street(5)), ("leaves", World::leaves(5))] {
        for (across, down) in [
            (0.0, 0.0),
            (9.0, 0.0),
            (-14.0, 1.0),
            (0.0, 3.0),
            (2.5, -5.0),
        ] {
            let mut sketcher = Sketcher::new(6);
            let fields = (0..30).map(|index| {
                let at = index % 15;
                let camera = Camera {
                    x: 400.0 + across * at as f64 + 150.0 * (index / 15) as f64,
                    y: 300.0 + down * at as f64,
                    ..Camera::default()
                };
                sketcher.shot(index, &world, camera)
            });
            for (index, streaks) in found(fields) {
                assert_eq!(streaks, [], "{name} {across} {down}: field {index}");
            }
        }
    }
}

#[test]
fn lines_that_are_displaced_are_no_streaks() {
    let mut sketcher = Sketcher::new(7);
    let street = World::street(7);
    let fields = (0..40).map(|index| {
        let mut field = sketcher.shot(index, &street, pan(index, 2.0));
        for row in (10..270).step_by(13) {
            let by = (18.0 * sketcher.bell()) as isize;
            let width = field.luma.width;
            let line = field.luma.row(row).to_vec();
            for sample in 0..width {
                let from = sample.saturating_add_signed(-by).min(width - 1);
                strike(&mut field, (row, sample, 1), line[from]);
            }
        }
        field
    });
    let wrong: usize = found(fields).iter().map(|(_, streaks)| streaks.len()).sum();
    assert_eq!(wrong, 0);
}

#[test]
fn thin_print_that_rolls_is_no_streak() {
    // Bars of one line of the field, 60 samples long, as in the strokes of small print, moving up by a line and a half a field.
    let mut sketcher = Sketcher::new(8);
    let street = World::street(8);
    let fields = (0..30_u64).map(|index| {
        let mut field = sketcher.shot(index, &street, Camera::default());
        for bar in 0..12_usize {
            let Some(row) = (40 + 17 * bar).checked_sub(3 * index as usize / 2) else {
                continue;
            };
            strike(&mut field, (row, 80 + 37 * bar, 60), 230);
        }
        field
    });
    let wrong: usize = found(fields).iter().map(|(_, streaks)| streaks.len()).sum();
    assert_eq!(wrong, 0);
}

#[test]
fn without_a_steady_picture_nothing_is_counted() {
    let mut sketcher = Sketcher::new(9);
    let street = World::street(9);
    let (mut screening, mut dropouts) = (Screening::new(), Dropouts::default());
    let area = levels::PictureArea {
        columns: 16..700,
        rows: 2..280,
    };
    for index in 0..12 {
        let state = if index == 7 {
            State::Lost
        } else {
            State::Locked
        };
        let around = &screening.show(sketcher.shot(index, &street, Camera::default()));
        let reading = dropouts.measure(Input {
            around,
            state,
            area: &area,
            spoiled: 0..0,
        });
        let judged = index >= 4 && !(7..10).contains(&index);
        assert_eq!(reading.count.is_some(), judged, "field {index}");
    }
}
