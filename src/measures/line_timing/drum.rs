//! What repeats with every turn of the drum: the mean profile of each parity over the last seconds.
//!
//! In: residuals of the lines by row, field by field. Out: how far the profiles of the two parities differ, rms. Two heads
//! share the drum; one turn is two fields, so an error locked to the drum stands still in each parity and differs between
//! them, while what is not locked to it averages out. In a series of one value a field it would lie exactly at the highest
//! frequency such a series has: it can only be read from the profiles.
//!
//! What both parities share is not in it: that may as well be the slant of a static error.
//!
//! Does not know: units of the residuals, or which head is which.

use std::ops::Range;

use super::MAX_ROWS;
use super::decompose::{Figure, root_figure};
use crate::measures::dsp::fit::{Point, excess_variance};

/// Fields of a parity that a profile runs over: four seconds of 625, a little less of 525.
const MEMORY: f32 = 100.0;

/// Fields of a parity from which a row's mean counts: a second of 625.
const LEAST_FIELDS: f32 = 25.0;

/// Share of rows that must have one in both parities.
const LEAST_ROWS: f64 = 0.3;

/// Fields between two looks at the difference: it changes over seconds.
const INTERVAL: u32 = 8;

/// Independent values in what the means have not settled of: wobble moves lines together, and a single wave has two.
const INDEPENDENT: f64 = 2.0;

/// A running mean and its uncertainty.
#[derive(Clone, Copy, Debug, Default)]
struct RowMean {
    fields: f32,
    mean: f32,
    variance: f32,
    /// Sum of the squared weights of the fields in the mean.
    squared_weights: f32,
}

impl RowMean {
    fn see(&mut self, value: f32) {
        self.fields = (self.fields + 1.0).min(MEMORY);
        let share = self.fields.recip();
        let miss = value - self.mean;
        self.mean += share * miss;
        self.variance = (1.0 - share) * (self.variance + share * miss * miss);
        self.squared_weights = (1.0 - share).powi(2) * self.squared_weights + share * share;
    }

    /// The mean and its variance from how the fields scatter about it; `None` of too few.
    fn settled(&self) -> Option<(f64, f64)> {
        let scatter = self.variance / (1.0 - self.squared_weights);
        (self.fields >= LEAST_FIELDS).then(|| {
            let variance = f64::from(scatter * self.squared_weights);
            (f64::from(self.mean), variance)
        })
    }
}

/// The profiles.
#[derive(Debug)]
pub(super) struct DrumProfile {
    parities: [Vec<RowMean>; 2],
    points: Vec<Point>,
    since: u32,
    difference: Option<(Figure, u32)>,
}

impl Default for DrumProfile {
    fn default() -> Self {
        let rows = || vec![RowMean::default(); MAX_ROWS];
        Self {
            parities: [rows(), rows()],
            points: Vec::with_capacity(MAX_ROWS),
            since: 0,
            difference: None,
        }
    }
}

impl DrumProfile {
    /// Forgets all fields.
    pub(super) fn reset(&mut self) {
        for parity in &mut self.parities {
            parity.fill(RowMean::default());
        }
        self.since = 0;
        self.difference = None;
    }

    /// Takes a field's residuals; gives the rms of the difference of the two profiles without what has not settled, and
    /// the rows it rests on.
    pub(super) fn see(
        &mut self,
        parity: usize,
        rows: Range<usize>,
        residual: impl Fn(usize) -> Option<f64>,
    ) -> Option<(Figure, u32)> {
        for row in rows.clone() {
            if let Some(value) = residual(row) {
                self.parities[parity][row].see(value as f32);
            }
        }
        self.since += 1;
        if self.since >= INTERVAL {
            self.since = 0;
            self.difference = self.compare(rows);
        }
        self.difference
    }

    fn compare(&mut self, rows: Range<usize>) -> Option<(Figure, u32)> {
        let [top, bottom] = &self.parities;
        self.points.clear();
        self.points.extend(rows.clone().filter_map(|row| {
            let (above, below) = (top[row].settled()?, bottom[row].settled()?);
            Some(Point {
                x: row as f64,
                y: above.0 - below.0,
                variance: above.1 + below.1 + f64::MIN_POSITIVE,
            })
        }));
        let n = self.points.len() as f64;
        if n < LEAST_ROWS * rows.len() as f64 {
            return None;
        }
        let excess = excess_variance(&self.points)?;
        let unsettled = self.points.iter().map(|point| point.variance).sum::<f64>() / n;
        let error = (4.0 * excess.variance * unsettled + 2.0 * unsettled * unsettled) / INDEPENDENT;
        Some((root_figure(excess.variance, error), n as u32))
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::super::tests::Dice;
    use super::*;

    const ROWS: Range<usize> = 1..232;

    /// The difference after 150 fields of either parity, whose lines stand where `locked` says for that parity, plus a wave
    /// of its own phase in every field, plus noise.
    fn difference(
        locked: impl Fn(usize, usize) -> f64,
        wave: f64,
        seen: impl Fn(usize) -> bool,
    ) -> Option<(Figure, u32)> {
        let mut dice = Dice::new(21);
        let mut profile = DrumProfile::default();
        let mut found = None;
        for field in 0..300 {
            let phase = 2.0 * dice.normal();
            let noise: Vec<f64> = (0..240).map(|_| 0.05 * dice.normal()).collect();
            found = profile.see(field % 2, ROWS, |row| {
                let turn = TAU * row as f64 / 60.0 + phase;
                seen(row).then(|| locked(field % 2, row) + wave * turn.sin() + noise[row])
            });
        }
        found
    }

    #[test]
    fn an_error_that_alternates_with_the_heads_is_found_under_a_wave_that_does_not() {
        let locked = |parity: usize, row: usize| {
            let sign = if parity == 0 { 0.5 } else { -0.5 };
            sign * (TAU * row as f64 / 77.0).sin()
        };
        // the difference is a wave of amplitude 1 over three whole periods
        for wave in [0.0, 1.0] {
            let (figure, rows) = difference(locked, wave, |_| true).expect("five seconds");
            assert_eq!(rows, 231);
            assert!(
                (figure.value - 0.5_f64.sqrt()).abs() < 0.05 + 2.0 * figure.sigma,
                "{wave} {figure:?}"
            );
            assert!(figure.sigma < 0.15, "{figure:?}");
        }
    }

    #[test]
    fn what_both_heads_share_and_what_is_locked_to_neither_are_no_difference() {
        let shared = |_: usize, row: usize| (row as f64 / 20.0).sin();
        for wave in [0.0, 1.0] {
            let (figure, _) = difference(shared, wave, |_| true).expect("five seconds");
            assert!(
                figure.value < 2.5 * figure.sigma + 1e-6,
                "{wave} {figure:?}"
            );
        }
    }

    #[test]
    fn too_few_rows_or_too_few_fields_say_nothing() {
        assert!(difference(|_, _| 0.0, 0.0, |row| row < 60).is_none());
        let mut profile = DrumProfile::default();
        for field in 0..40 {
            assert!(profile.see(field % 2, ROWS, |_| Some(0.0)).is_none());
        }
    }

    #[test]
    fn the_mean_forgets() {
        let mut mean = RowMean::default();
        (0..500).for_each(|_| mean.see(10.0));
        (0..500).for_each(|_| mean.see(-2.0));
        assert!((mean.mean + 2.0).abs() < 0.2, "{mean:?}");
    }
}
