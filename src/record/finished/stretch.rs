//! Figures of a stretch of a pass, made of its seconds.
//!
//! Does not know: which stretch, or what is judged by them.

use crate::fields::FieldPlace;
use crate::measures::{Better, Quantity, QuantityUnit, Value, quantity};
use crate::record::reader::PerSecond;
use crate::record::statistics::{Figures, Worst};
use crate::record::verdict::Figured;

use super::middle;

/// What some seconds say of one quantity.
#[derive(Clone, Debug, Default)]
pub(super) struct Piece {
    /// Fields with a value.
    pub(super) n: u64,
    pub(super) median: Option<f64>,
    pub(super) worst: Option<f64>,
    /// The second it is in.
    pub(super) worst_second: Option<u64>,
    /// Its field, once it was looked for.
    pub(super) worst_place: Option<Worst>,
    /// Of words: fields by their place in the list.
    words: Vec<u64>,
}

impl Piece {
    /// Puts seconds together: the middle of the middles, the worst end. A word counts for all fields of the seconds in which it
    /// was the most frequent.
    pub(super) fn of(quantity: &Quantity, seconds: &[PerSecond]) -> Self {
        let mut piece = Self {
            n: seconds.iter().map(|second| u64::from(second.n)).sum(),
            words: vec![0; quantity.words.len()],
            ..Self::default()
        };
        for second in seconds {
            if let Value::Word(word) = second.median {
                let known = quantity.words.iter().position(|&known| known == word);
                if let Some(at) = known {
                    piece.words[at] += u64::from(second.n);
                }
            }
            for end in [second.min, second.max]
                .into_iter()
                .filter_map(Value::number)
            {
                piece.weigh(quantity.better, end, second.second);
            }
        }
        piece.median = weighted_median(seconds);
        piece
    }

    fn weigh(&mut self, better: Better, value: f64, second: u64) {
        let worse = self.worst.is_none_or(|worst| match better {
            Better::High => value < worst,
            Better::NearZero => value.abs() > worst.abs(),
            Better::Low | Better::Neither => value > worst,
        });
        if worse {
            (self.worst, self.worst_second) = (Some(value), Some(second));
        }
    }

    /// Puts figures that were counted field by field in the place of those of the seconds.
    pub(super) fn correct_by(&mut self, quantity: &Quantity, figures: &Figures) {
        match figures {
            Figures::Numbers { median, n, .. } => {
                self.median = *median;
                self.n = *n;
            }
            Figures::Words { counts, n } => {
                self.n = *n;
                for (fields, word) in self.words.iter_mut().zip(quantity.words) {
                    *fields = counts.get(*word).copied().unwrap_or(0);
                }
            }
        }
    }

    /// What can be said of the stretch; the 95 % of fields are not known from seconds.
    pub(super) fn figures(&self, quantity: &Quantity) -> Figures {
        if quantity.unit == QuantityUnit::Word {
            let said = quantity.words.iter().zip(&self.words);
            let said = said.filter(|&(_, &fields)| fields > 0);
            return Figures::Words {
                counts: said.map(|(&word, &n)| (word.to_owned(), n)).collect(),
                n: self.n,
            };
        }
        Figures::Numbers {
            median: self.median,
            p95: None,
            worst: self.worst,
            rms: None,
            n: self.n,
        }
    }
}

/// The middle of the seconds' middles, each as heavy as it has fields.
fn weighted_median(seconds: &[PerSecond]) -> Option<f64> {
    let weighed = seconds
        .iter()
        .filter_map(|second| Some((middle(second)?, second.n)));
    let mut weighed: Vec<(f64, u32)> = weighed.collect();
    weighed.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = weighed
        .iter()
        .map(|(_, n)| u64::from(*n))
        .sum::<u64>()
        .div_ceil(2);
    let mut seen = 0;
    weighed
        .into_iter()
        .find(|(_, n)| {
            seen += u64::from(*n);
            seen >= half
        })
        .map(|(value, _)| value)
}

/// Figures of every quantity over a stretch.
pub(super) struct Stretch {
    last: Option<FieldPlace>,
    pieces: Vec<Piece>,
}

impl Stretch {
    pub(super) fn new(last: Option<FieldPlace>) -> Self {
        Self {
            last,
            pieces: Vec::new(),
        }
    }

    /// Takes in the next quantity, in the order of columns.
    pub(super) fn push(&mut self, piece: Piece) {
        self.pieces.push(piece);
    }

    /// Programme fields: something is known of every one, the state of the signal at least.
    pub(super) fn fields(&self) -> u64 {
        self.pieces.iter().map(|piece| piece.n).max().unwrap_or(0)
    }

    fn piece(&self, id: &str) -> Option<(&'static Quantity, &Piece)> {
        let (at, quantity) = quantity(id)?;
        Some((quantity, self.pieces.get(at)?))
    }
}

impl Figured for Stretch {
    fn programme_fields(&self) -> u64 {
        self.fields()
    }

    fn lost_fields(&self) -> u64 {
        // Seconds keep no sums; what events cover tells of losses.
        0
    }

    fn last(&self) -> Option<FieldPlace> {
        self.last
    }

    fn measured(&self, id: &str) -> u64 {
        self.piece(id).map_or(0, |(_, piece)| piece.n)
    }

    fn said(&self, id: &str, word: &str) -> u64 {
        let Some((quantity, piece)) = self.piece(id) else {
            return 0;
        };
        let at = quantity.words.iter().position(|&known| known == word);
        at.and_then(|at| piece.words.get(at)).copied().unwrap_or(0)
    }

    fn median(&self, id: &str) -> Option<f64> {
        self.piece(id)?.1.median
    }

    fn worst(&self, id: &str) -> Option<Worst> {
        self.piece(id)?.1.worst_place
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn second(at: u64, n: u32, [min, median, max]: [f64; 3]) -> PerSecond {
        let number = |value| Value::Number { value, sigma: None };
        PerSecond {
            second: at,
            min: number(min),
            median: number(median),
            max: number(max),
            n,
        }
    }

    #[test]
    fn seconds_count_by_their_fields_and_the_worst_keeps_its_second() {
        let (_, error) = quantity("line_timing.error_rms_ns").expect("it is measured");
        let seconds = [
            second(3, 60, [1.0, 2.0, 3.0]),
            second(4, 10, [8.0, 9.0, 70.0]),
            second(5, 20, [4.0, 5.0, 6.0]),
        ];
        let piece = Piece::of(error, &seconds);
        assert_eq!((piece.n, piece.median), (90, Some(2.0)));
        assert_eq!((piece.worst, piece.worst_second), (Some(70.0), Some(4)));
        let (_, noise) = quantity("noise.luma_db").expect("it is measured");
        assert_eq!(Piece::of(noise, &seconds).worst, Some(1.0));
    }

    #[test]
    fn nothing_seen_is_absent() {
        let (_, error) = quantity("line_timing.error_rms_ns").expect("it is measured");
        let piece = Piece::of(error, &[]);
        assert_eq!((piece.n, piece.median, piece.worst), (0, None, None));
    }
}
