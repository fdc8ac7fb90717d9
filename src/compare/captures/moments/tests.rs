//! Fields whose difference and place are known, and moments chosen among known ones.

use std::f64::consts::TAU;

use super::*;
use crate::fields::{FieldPlace, FieldRaster};
use crate::measures::sketch;
use crate::standard::{Parity, Standard};
use crate::timecode::{Counting, FieldIndex, Timecode};
use crate::units::Seconds;

const WIDTH: usize = 720;
const ROWS: usize = 240;

/// A field whose codes are those of a place (samples, rows).
fn field(number: u64, luma: impl Fn(f64, f64) -> f64, colour: impl Fn(f64, f64) -> f64) -> Field {
    let plane = |width: usize, value: &dyn Fn(f64, f64) -> f64| {
        let step = (WIDTH / width) as f64;
        let sample = |at: usize| value((at % width) as f64 * step, (at / width) as f64);
        Plane {
            samples: (0..width * ROWS)
                .map(|at| sample(at).round().clamp(0.0, 255.0) as u8)
                .collect(),
            width,
            rows: ROWS,
        }
    };
    let grey = plane(WIDTH / 2, &|_, _| 128.0);
    test_field(
        number,
        plane(WIDTH, &luma),
        [plane(WIDTH / 2, &colour), grey],
    )
}

/// A field of 525 lines with these planes.
pub(in crate::compare) fn test_field(number: u64, luma: Plane, [cb, cr]: [Plane; 2]) -> Field {
    let raster = FieldRaster {
        sample_rate: None,
        standard: Some(Standard::Lines525),
        ..sketch::raster(luma.width, luma.rows)
    };
    Field {
        place: FieldPlace {
            field: FieldIndex(number),
            parity: Parity::Top,
            seconds: Seconds(0.0),
        },
        cb,
        cr,
        ..sketch::field(number, raster, luma)
    }
}

/// Waves of 0.3 and of 3 MHz.
fn waves(x: f64, y: f64) -> f64 {
    let wave = |cycles: f64, size: f64| size * (TAU * cycles * x + 0.2 * y).sin();
    120.0 + wave(0.022, 40.0) + wave(0.22, 20.0)
}

fn colours(x: f64, y: f64) -> f64 {
    128.0 + 40.0 * (TAU * 0.02 * x + 0.1 * y).cos()
}

fn clocks() -> [PassClock; 2] {
    let start = Timecode::zero(Counting::usual(Standard::Lines525));
    [PassClock { start }; 2]
}

fn at(still: &Still, column: usize, row: usize) -> [u8; 3] {
    let at = 3 * (row * still.size.0 + column);
    [0, 1, 2].map(|nth| still.samples[at + nth])
}

#[test]
fn a_picture_that_lies_elsewhere_is_laid_upon_the_first_to_a_fraction_of_a_sample() {
    let lie = Lie {
        right: 2.3,
        wider: 0.004,
        down: 2,
    };
    let moved = |of: fn(f64, f64) -> f64| {
        move |x: f64, y: f64| {
            let middle = 0.5 * WIDTH as f64;
            // Sample x of the first is at x + right + wider·(x − middle) here.
            let own = (x - lie.right + lie.wider * middle) / (1.0 + lie.wider);
            of(own, y - 2.0)
        }
    };
    let (first, second) = (
        field(8, waves, colours),
        field(54, moved(waves), moved(colours)),
    );
    let mut gallery = Gallery::default();
    gallery.keep(&first, &second);
    let laid = gallery.moments(lie, &clocks());
    let [laid] = laid.as_slice() else {
        panic!("{} moments", laid.len())
    };
    // Rounding to codes on both sides is 0.41 codes rms, 0.19 IRE; the sinc adds a little.
    assert!(laid.difference_rms_ire < 0.3, "{}", laid.difference_rms_ire);
    let beside = gallery.moments(Lie::default(), &clocks());
    assert!(
        beside[0].difference_rms_ire > 5.0,
        "{}",
        beside[0].difference_rms_ire
    );
    for (row, column) in [(30, 100), (120, 360), (200, 600)] {
        for (nth, grey) in at(&laid.stills.difference, column, row).iter().enumerate() {
            // ×4 of roundings on either side and what is taken from the nearest sample of colour
            assert!(grey.abs_diff(128) <= 10, "{nth} at {column} {row}: {grey}");
        }
    }
    assert_eq!((laid.first_field, laid.second_field), (8, 54));
    assert_eq!(laid.first_timecode, "00:00:00;04");
    assert_eq!(laid.second_timecode, "00:00:00;27");
    assert_eq!(laid.stills.aspect, (4, 3));
}

#[test]
fn a_split_has_one_half_of_each_and_a_difference_is_amplified_about_grey() {
    let first = field(0, |_, _| 100.0, |_, _| 128.0);
    let second = field(0, |_, _| 106.0, |_, _| 120.0);
    let stills = stills(&first, &second, Lie::default());
    let luma = |code: f64| ((code - 16.0) * 255.0 / 219.0).round() as u8;
    let colour = |codes: f64| 128.0 + codes * 127.5 / 112.0;
    let [row, left, right] = [100, 10, 700];
    assert_eq!(at(&stills.first, right, row)[0], luma(100.0));
    assert_eq!(at(&stills.second, left, row)[0], luma(106.0));
    assert_eq!(at(&stills.split, left, row)[0], luma(100.0));
    assert_eq!(at(&stills.split, right, row)[0], luma(106.0));
    assert_eq!(at(&stills.split, WIDTH / 2, 0), [255, 128, 128]);
    let difference = at(&stills.difference, left, row);
    assert_eq!(
        difference[0],
        (128.0 + 4.0 * 6.0 * 255.0 / 219.0_f64).round() as u8
    );
    assert_eq!(
        difference[1],
        (4.0 * (colour(-8.0) - 128.0) + 128.0).round() as u8
    );
    assert_eq!(difference[2], 128);
}

#[test]
fn each_rule_chooses_its_own_moment() {
    let one = |place: usize, mean: f64, detail: f64, difference: f64| Candidate {
        place,
        mean,
        detail,
        difference,
    };
    let candidates = [
        one(0, 50.0, 9.0, 1.0),
        one(1, 1.0, 0.1, 0.1), // black
        one(2, 12.0, 6.0, 2.0),
        one(3, 40.0, 5.0, 1.0),
        one(4, 45.0, 4.0, 7.0),
        one(5, 60.0, 3.0, 1.0),
    ];
    let chosen = |of: &[Candidate]| {
        let places = chosen(of).into_iter();
        places
            .map(|(why, one)| (why, one.place))
            .collect::<Vec<(Why, usize)>>()
    };
    assert_eq!(
        chosen(&candidates),
        [
            (Why::UsualDetail, 3),
            (Why::Darkest, 2),
            (Why::DiffersMost, 4)
        ]
    );
    assert_eq!(chosen(&candidates[2..3]), [(Why::UsualDetail, 2)]);
    assert_eq!(chosen(&[]), []);
}

#[test]
fn no_more_is_held_than_may_be_and_what_is_held_is_spread_over_all() {
    let mut gallery = Gallery {
        // Room for five moments: 345 600 bytes a field.
        most_held: 5 * 2 * 345_600,
        ..Gallery::default()
    };
    for number in 0..23 {
        let one = field(number, |_, _| 100.0, |_, _| 128.0);
        gallery.keep(&one, &one);
    }
    let kept = gallery.kept.iter();
    let kept: Vec<u64> = kept.map(|[one, _]| one.place.field.0).collect();
    assert_eq!(kept, [0, 8, 16]);
}
