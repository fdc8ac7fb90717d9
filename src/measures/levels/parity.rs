//! Level difference of the two fields, which the two heads wrote.
//!
//! In: the mean of one field after another. Out: the running median, over about a second, of top minus bottom. Each
//! single difference takes a field against the mean of its two neighbours, so that a fade drops out; the median drops
//! flashes and cuts.
//!
//! Does not know: codes or IRE; the unit is the caller's.

use crate::measures::dsp::running::RunningMedian;
use crate::standard::Parity;

/// Differences the median is taken over: about a second.
const KEPT: usize = 51;

/// Differences without which nothing is said.
const ENOUGH: usize = 9;

/// Standard error of a median over that of a mean, in normal noise: √(π/2).
const MEDIAN_SIGMA: f64 = 1.2533;

/// Half the spread between the quartiles over sigma, in normal noise.
const QUARTILE_SIGMA: f64 = 0.6745;

/// Single differences share fields with their neighbours: half of them count as evidence.
const DIFFERENCES_PER_EVIDENCE: f64 = 2.0;

/// Follows the difference.
#[derive(Debug, Default)]
pub(in crate::measures) struct ParityWatch {
    /// Mean of the last field and of the one before it, newest first.
    last: [Option<(Parity, f64)>; 2],
    differences: RunningMedian<KEPT>,
}

/// Top minus bottom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::measures) struct ParityDifference {
    pub(in crate::measures) value: f64,
    pub(in crate::measures) sigma: f64,
    pub(in crate::measures) fields: u32,
}

impl ParityWatch {
    /// Forgets everything: the source changed.
    pub(in crate::measures) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Breaks the chain of neighbours: a field without a level, or missing ones.
    pub(in crate::measures) fn interrupt(&mut self) {
        self.last = [None; 2];
    }

    /// Takes in the mean of the next field.
    pub(in crate::measures) fn follow(&mut self, parity: Parity, mean: f64) {
        if let [Some((middle_parity, middle)), Some((first_parity, first))] = self.last
            && first_parity == parity
            && middle_parity == parity.other()
        {
            let outer = f64::midpoint(first, mean);
            let top_minus_bottom = match parity {
                Parity::Top => outer - middle,
                Parity::Bottom => middle - outer,
            };
            self.differences.push(top_minus_bottom as f32);
        }
        self.last = [Some((parity, mean)), self.last[0]];
    }

    /// The difference by now; `None` before nine of them.
    pub(in crate::measures) fn difference(&self) -> Option<ParityDifference> {
        let kept = self.differences.len();
        if kept < ENOUGH {
            return None;
        }
        let quantile = |p| self.differences.quantile(p).map(f64::from);
        let spread = (quantile(0.75)? - quantile(0.25)?) / 2.0 / QUARTILE_SIGMA;
        Some(ParityDifference {
            value: quantile(0.5)?,
            sigma: MEDIAN_SIGMA * spread / (kept as f64 / DIFFERENCES_PER_EVIDENCE).sqrt(),
            fields: kept as u32,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(means: impl Iterator<Item = f64>) -> Option<ParityDifference> {
        let mut watch = ParityWatch::default();
        for (field, mean) in means.enumerate() {
            let parity = if field % 2 == 0 {
                Parity::Top
            } else {
                Parity::Bottom
            };
            watch.follow(parity, mean + if field % 2 == 0 { 1.5 } else { 0.0 });
        }
        watch.difference()
    }

    #[test]
    fn a_fade_and_a_cut_do_not_look_like_a_difference() {
        let scene = |field: u32| {
            if field < 20 {
                30.0 + f64::from(field)
            } else {
                90.0
            }
        };
        let found = after((0..60).map(scene)).expect("sixty fields are enough");
        assert!((found.value - 1.5).abs() < 1e-3, "{found:?}");
    }

    #[test]
    fn few_fields_say_nothing() {
        assert_eq!(after((0..10).map(f64::from)), None);
    }

    #[test]
    fn missing_fields_break_the_chain() {
        let mut watch = ParityWatch::default();
        for field in 0..100 {
            if field % 2 == 0 {
                watch.interrupt();
            }
            watch.follow(Parity::Top, 1.0);
        }
        assert_eq!(watch.difference(), None);
    }
}
