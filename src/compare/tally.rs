//! Second by second sums of every quantity of one pass, over the fields that all passes have.
//!
//! Does not know: other passes.

use crate::measures::{QUANTITY_COUNT, Value, quantities};
use crate::record::{Pass, RecordError};

use super::align::Piece;
use super::shared::{Shared, each_row};

/// Sums over the fields of one second.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Sums {
    pub(super) sum: f32,
    pub(super) squares: f32,
    pub(super) n: u32,
}

/// Sums by quantity and second.
#[derive(Debug)]
pub(super) struct Tally {
    seconds: usize,
    sums: Vec<Sums>,
    /// Of words: fields by quantity and word.
    words: Vec<Vec<u64>>,
    vocabularies: Vec<&'static [&'static str]>,
}

impl Tally {
    /// Reads the rows of a pass.
    pub(super) fn of(pass: &Pass, pieces: &[Piece], shared: &Shared) -> Result<Self, RecordError> {
        let seconds = shared.of_second.len();
        let mut tally = Self {
            seconds,
            vocabularies: quantities().map(|quantity| quantity.words).collect(),
            sums: vec![Sums::default(); seconds * QUANTITY_COUNT],
            words: quantities()
                .map(|quantity| vec![0; quantity.words.len()])
                .collect(),
        };
        each_row(pass, pieces, shared, |second, row| {
            for (place, value) in row.values.iter().enumerate() {
                if let Some(value) = value {
                    tally.take(place, second, *value);
                }
            }
        })?;
        Ok(tally)
    }

    fn take(&mut self, place: usize, second: usize, value: Value) {
        match (value, value.number()) {
            (Value::Word(word), _) => {
                let mut words = self.vocabularies[place].iter();
                if let Some(at) = words.position(|known| *known == word) {
                    self.words[place][at] += 1;
                }
            }
            (_, Some(number)) => {
                let sums = &mut self.sums[place * self.seconds + second];
                sums.sum += number as f32;
                sums.squares += (number * number) as f32;
                sums.n += 1;
            }
            (_, None) => {}
        }
    }

    /// The seconds of a quantity.
    pub(super) fn seconds(&self, place: usize) -> &[Sums] {
        &self.sums[place * self.seconds..(place + 1) * self.seconds]
    }

    /// How often each word of a quantity was said.
    pub(super) fn words(&self, place: usize) -> &[u64] {
        &self.words[place]
    }
}
