//! A texture with detail at every scale, the raw material of all pictures.
//!
//! In: random numbers. Out: a tile of values about 0, rms 1, that repeats without a seam. Built as a pyramid: each octave
//! is the one before, twice as large and smoothed, plus fresh values of a lower amplitude.
//!
//! Does not know: what it will look like in a picture.

use super::random::Dice;

/// Width and height of the tile.
const SIZE: usize = 1024;
/// Amplitude of each octave against the coarser one: the 1/f fall-off that natural pictures have.
const FALL_OFF: f64 = 0.62;

/// The tile.
#[derive(Debug)]
pub(super) struct Grain {
    values: Vec<f32>,
}

impl Grain {
    pub(super) fn new(dice: &mut Dice) -> Self {
        let mut size = 4;
        let mut amplitude = 1.0;
        let mut values: Vec<f32> = (0..size * size).map(|_| dice.normal() as f32).collect();
        while size < SIZE {
            values = doubled(&values, size);
            size *= 2;
            amplitude *= FALL_OFF;
            for value in &mut values {
                // Uniform values are cheaper than normal ones and sums of octaves hide the difference; √12 makes rms 1.
                *value += (amplitude * 3.464 * (dice.unit() - 0.5)) as f32;
            }
        }
        normalise(&mut values);
        Self { values }
    }

    /// The value at a whole place.
    pub(super) fn at(&self, x: i32, y: i32) -> f32 {
        let (x, y) = (x as usize & (SIZE - 1), y as usize & (SIZE - 1));
        self.values[y * SIZE + x]
    }

    /// The value between places, for textures drawn larger than the tile.
    pub(super) fn smooth(&self, x: f32, y: f32) -> f32 {
        let (left, top) = (x.floor(), y.floor());
        let (across, down) = (x - left, y - top);
        let (left, top) = (left as i32, top as i32);
        let row = |y: i32| {
            let (a, b) = (self.at(left, y), self.at(left + 1, y));
            a + (b - a) * across
        };
        let (upper, lower) = (row(top), row(top + 1));
        upper + (lower - upper) * down
    }
}

/// Twice as wide and high, each new value a mix of its four nearest (weights 9, 3, 3, 1).
fn doubled(values: &[f32], size: usize) -> Vec<f32> {
    let near = |index: usize| {
        let other = if index.is_multiple_of(2) { size - 1 } else { 1 };
        (index / 2, (index / 2 + other) % size)
    };
    let mut larger = Vec::with_capacity(4 * size * size);
    for y in 0..2 * size {
        let (own, beside) = near(y);
        for x in 0..2 * size {
            let (column, next) = near(x);
            let mix =
                |row: usize| 0.75 * values[row * size + column] + 0.25 * values[row * size + next];
            larger.push(0.75 * mix(own) + 0.25 * mix(beside));
        }
    }
    larger
}

fn normalise(values: &mut [f32]) {
    let count = values.len() as f64;
    let mean = values.iter().map(|&v| f64::from(v)).sum::<f64>() / count;
    let square = values
        .iter()
        .map(|&v| f64::from(v) * f64::from(v))
        .sum::<f64>()
        / count;
    let scale = 1.0 / (square - mean * mean).sqrt();
    for value in values {
        *value = ((f64::from(*value) - mean) * scale) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::tape::random::Stream;

    #[test]
    fn the_tile_has_no_seam() {
        let grain = Grain::new(&mut Dice::new(1, Stream::Pictures));
        let step = |x: i32| {
            (0..1024)
                .map(|y| (grain.at(x + 1, y) - grain.at(x, y)).abs())
                .sum::<f32>()
        };
        let inside = (100..140).map(step).sum::<f32>() / 40.0;
        assert!(step(1023) < 1.4 * inside, "{} {inside}", step(1023));
    }
}
