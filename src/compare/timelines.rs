//! Quantities of all passes over the tape, in few enough steps to draw.
//!
//! Does not know: how lines are drawn.

use crate::measures::{QuantityUnit, quantities};
use crate::record::{Band, Timeline};

use super::rows::{Statistic, statistic};
use super::shared::Shared;
use super::tally::{Sums, Tally};

/// Steps at most: about what a page of paper can show.
const MOST_STEPS: usize = 360;

/// One quantity of all passes.
#[derive(Clone, Debug)]
pub struct Course {
    /// Permanent name.
    pub id: &'static str,
    /// For a screen.
    pub label: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// Of each pass, over the seconds of the first: least, mean and greatest second of each step.
    pub lines: Vec<Timeline>,
}

/// Every quantity that at least two passes have.
pub(super) fn courses(tallies: &[Tally], shared: &Shared) -> Vec<Course> {
    let mut all = Vec::new();
    for (place, quantity) in quantities().enumerate() {
        let Some(statistic) = statistic(quantity) else {
            continue;
        };
        if quantity.unit == QuantityUnit::Switch {
            continue;
        }
        let lines: Vec<Timeline> = tallies
            .iter()
            .map(|tally| line(tally.seconds(place), shared, statistic))
            .collect();
        let drawn = lines.iter().filter(|line| line.range().is_some()).count();
        if drawn >= 2 {
            all.push(Course {
                id: quantity.id,
                label: quantity.label,
                unit: quantity.unit.symbol(),
                lines,
            });
        }
    }
    all
}

fn line(seconds: &[Sums], shared: &Shared, statistic: Statistic) -> Timeline {
    let step = seconds.len().div_ceil(MOST_STEPS).max(1);
    let value = |(sums, fields): (&Sums, &u32)| -> Option<f64> {
        let n = f64::from(sums.n);
        (*fields > 0 && sums.n > 0).then(|| match statistic {
            Statistic::Rms => (f64::from(sums.squares) / n).max(0.0).sqrt(),
            Statistic::Mean | Statistic::PerMinute => f64::from(sums.sum) / n,
        })
    };
    let values: Vec<Option<f64>> = seconds.iter().zip(&shared.of_second).map(value).collect();
    let steps = values.chunks(step).map(|chunk| {
        let known: Vec<f64> = chunk.iter().flatten().copied().collect();
        let mean = known.iter().sum::<f64>() / known.len() as f64;
        (!known.is_empty()).then(|| Band {
            min: known.iter().copied().fold(f64::INFINITY, f64::min),
            median: mean,
            max: known.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        })
    });
    Timeline {
        step_seconds: step as u64,
        steps: steps.collect(),
    }
}
