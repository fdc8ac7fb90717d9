//! Patterns laid over drawn pictures.

use std::f64::consts::TAU;

use crate::fields::Field;
use crate::measures::levels::Levels;
use crate::measures::line_timing::Border;
use crate::measures::sketch::{Camera, Screening, Sketcher, World, with_levels};
use crate::measures::sync::State;
use crate::measures::{Measure as _, levels::Input as LevelsInput};

use super::{Input, Interference, Reading};

/// The last reading of fields shown one after the other.
fn last_of(fields: impl IntoIterator<Item = Field>) -> Reading {
    let mut interference = Interference::default();
    let mut last = Reading::default();
    with_levels(fields, |around, levels| {
        last = interference.measure(Input {
            around,
            state: State::Locked,
            levels,
        });
    });
    last
}

/// A sine of some IRE from peak to peak, whose stripes slant.
fn laid_over(mut field: Field, ire: f64, mhz: f64) -> Field {
    let width = field.luma.width;
    for (at, sample) in field.luma.samples.iter_mut().enumerate() {
        let (row, column) = ((at / width) as f64, (at % width) as f64);
        let cycles = mhz / 13.5 * column + 0.37 * row;
        let codes = 0.5 * ire * 2.19 * (TAU * cycles).sin();
        *sample = (f64::from(*sample) + codes).round().clamp(1.0, 254.0) as u8;
    }
    field
}

/// Four seconds of a pan over a world.
fn pan(world: World, ire: f64, mhz: f64) -> impl Iterator<Item = Field> {
    let mut sketcher = Sketcher::new(7);
    (0..200).map(move |index| {
        let camera = Camera {
            x: 40.0 + 1.3 * index as f64,
            y: 200.0,
            gain: 0.8,
            lift: 10.0,
        };
        laid_over(sketcher.shot(index, &world, camera), ire, mhz)
    })
}

/// Within 12 % (texture in the same bins takes a little off) and a quarter of the distance between frequencies, over pictures full of detail and noise.
#[test]
fn a_pattern_is_found_over_moving_pictures() {
    let cases = [
        (4.0, 1.3, World::street(3)),
        (2.0, 2.63, World::street(8)),
        // where there is no plain ground, a pattern is as hard to measure as to see
        (10.0, 4.1, World::leaves(4)),
    ];
    for (ire, mhz, world) in cases {
        let read = last_of(pan(world, ire, mhz));
        let (pattern, frequency) = read
            .pattern
            .zip(read.frequency)
            .unwrap_or_else(|| panic!("{ire} IRE at {mhz} MHz: nothing stands out"));
        assert!(
            (pattern.value.0 / ire - 1.0).abs() < 0.12,
            "{ire}, {mhz}: {pattern:?}"
        );
        assert!(
            (frequency.value.0 - mhz).abs() < 0.014,
            "{mhz}: {frequency:?}"
        );
    }
}

#[test]
fn pictures_without_have_none() {
    for world in [World::street(3), World::street(9), World::leaves(4)] {
        let read = last_of(pan(world, 0.0, 1.0));
        assert!(read.pattern.is_none(), "{read:?}");
    }
}

/// A third of the picture is a fence.
#[test]
fn stripes_in_part_of_the_picture_are_none() {
    let fields = pan(World::street(5), 0.0, 1.0).map(|field| {
        let striped = laid_over(field.clone(), 30.0, 1.9);
        let width = field.luma.width;
        let mut field = field;
        for (at, sample) in field.luma.samples.iter_mut().enumerate() {
            if at % width > 2 * width / 3 {
                *sample = striped.luma.samples[at];
            }
        }
        field
    });
    let read = last_of(fields);
    assert!(read.pattern.is_none(), "{read:?}");
}

#[test]
fn what_was_seen_is_forgotten_where_there_is_no_picture() {
    let mut screening = Screening::new();
    let (mut levels, mut interference) = (Levels::default(), Interference::default());
    let mut look = |field: Field, state: State| {
        let around = screening.show(field);
        let levels = levels.measure(LevelsInput {
            around: &around,
            state,
            border: Border::Tape,
            bars: None,
        });
        interference.measure(Input {
            around: &around,
            state,
            levels: &levels,
        })
    };
    let mut fields = pan(World::street(3), 5.0, 2.0);
    for field in fields.by_ref().take(180) {
        look(field, State::Locked);
    }
    let field = fields.next().expect("there are two hundred");
    assert!(look(field.clone(), State::Locked).pattern.is_some());
    assert!(look(field.clone(), State::Snow).pattern.is_none());
    assert!(look(field, State::Locked).pattern.is_none());
}
