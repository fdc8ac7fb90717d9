//! Intervals of what is made of many seconds, by resampling blocks of them, and verdicts on many rows at once.
//!
//! In: one tuple of sums a second. Out: [`Interval`]s. Neighbouring seconds are alike, so whole blocks of them are drawn (circular
//! block bootstrap: Politis and Romano, "A circular block-resampling procedure for stationary data", 1992). Its standard error
//! is used with Student's t on as many degrees of freedom as there are blocks less one, because few blocks make percentiles
//! too narrow. Rows that are judged together are held to Holm's step-down procedure ("A simple sequentially rejective
//! multiple test procedure", Scand. J. Statist. 6, 1979).
//!
//! Does not know: what the numbers stand for.

use rand::{Rng as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;
use serde::Serialize;

use super::student;

/// Resamples: the standard error is then known to 2 %.
const RESAMPLES: usize = 1000;

/// Chance that an interval misses.
pub(super) const ALPHA: f64 = 0.05;

/// Fewest blocks that tell anything of how blocks differ.
pub(super) const LEAST_BLOCKS: usize = 4;

/// Seconds over which likeness is looked for.
const MOST_LAG: usize = 600;

/// One seed for all: the same passes give the same intervals.
const SEED: u64 = 20;

/// An estimate with how far it may be off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Interval {
    /// The estimate.
    pub value: f64,
    /// Its standard error.
    pub error: f64,
    /// Independent pieces of evidence less one.
    pub freedom: f64,
    /// Lower end of 95 %.
    pub low: f64,
    /// Upper end of 95 %.
    pub high: f64,
}

impl Interval {
    /// An estimate with its standard error.
    #[must_use]
    pub fn new(value: f64, error: f64, freedom: f64) -> Self {
        let reach = error * student::quantile(1.0 - ALPHA / 2.0, freedom);
        Self {
            value,
            error,
            freedom,
            low: value - reach,
            high: value + reach,
        }
    }

    /// The same of a number that is larger by so much, which is certain.
    #[must_use]
    pub(super) fn plus(self, more: f64) -> Self {
        Self::new(self.value + more, self.error, self.freedom)
    }

    /// The same where the estimate may be off by about so much besides; what is certain by definition stays so.
    #[must_use]
    pub(super) fn with_doubt(self, off: f64) -> Self {
        if self.error <= 0.0 {
            return self;
        }
        Self::new(self.value, self.error.hypot(off), self.freedom)
    }

    /// Chance of an estimate this far from nothing where there is nothing.
    #[must_use]
    pub fn chance(&self) -> f64 {
        if self.error <= 0.0 {
            return if self.value == 0.0 { 1.0 } else { 0.0 };
        }
        2.0 * (1.0 - student::cumulative((self.value / self.error).abs(), self.freedom))
    }
}

/// Length of blocks for `seconds` numbers: as long as they stay alike, at least `memory`.
///
/// The reach of the autocorrelation is where it first falls into what chance makes of it (two standard errors).
#[must_use]
pub(super) fn block_length(numbers: &[f64], memory: usize) -> usize {
    let n = numbers.len();
    let mean = numbers.iter().sum::<f64>() / n.max(1) as f64;
    let product = |lag: usize| -> f64 {
        let pairs = numbers.iter().zip(&numbers[lag..]);
        pairs.map(|(a, b)| (a - mean) * (b - mean)).sum()
    };
    let variance = product(0);
    let chance = 2.0 / (n.max(1) as f64).sqrt();
    let mut reach = 1.0;
    if variance > 0.0 {
        for lag in 1..(n / 4).min(MOST_LAG) {
            let correlation = product(lag) / variance;
            if correlation < chance {
                break;
            }
            reach += 2.0 * correlation;
        }
    }
    // longer than seconds stay alike, so that little of it is cut at the ends of blocks
    let grown = (n as f64).cbrt().ceil();
    (reach * grown.max(1.0))
        .ceil()
        .clamp(1.0, (n / LEAST_BLOCKS).max(1) as f64)
        .max(memory as f64) as usize
}

/// The estimate that `statistic` makes of the sums of all seconds, and its interval; `None` where there are too few blocks, or
/// nothing can be made of the sums.
#[must_use]
pub(super) fn bootstrap<const K: usize>(
    seconds: &[[f64; K]],
    block: usize,
    statistic: impl Fn(&[f64; K]) -> Option<f64>,
) -> Option<Interval> {
    let n = seconds.len();
    let block = block.max(1);
    let blocks = n / block;
    if blocks < LEAST_BLOCKS {
        return None;
    }
    let sums = circular_sums(seconds, block);
    let mut whole = [0.0; K];
    for second in seconds {
        add(&mut whole, second);
    }
    let value = statistic(&whole)?;
    let mut random = Xoshiro256PlusPlus::seed_from_u64(SEED);
    let mut drawn = Vec::with_capacity(RESAMPLES);
    for _ in 0..RESAMPLES {
        let mut total = [0.0; K];
        for _ in 0..blocks {
            // the high bits of a 64-bit draw times n: even to one part in 2^32
            let at = ((u128::from(random.next_u64()) * n as u128) >> 64) as usize;
            add(&mut total, &sums[at]);
        }
        drawn.extend(statistic(&total));
    }
    if drawn.len() < RESAMPLES / 2 {
        return None;
    }
    let count = drawn.len() as f64;
    let mean = drawn.iter().sum::<f64>() / count;
    let variance = drawn
        .iter()
        .map(|one| (one - mean) * (one - mean))
        .sum::<f64>()
        / (count - 1.0);
    let freedom = blocks as f64 - 1.0;
    // blocks vary about their own mean, which costs one of them
    let error = (variance * blocks as f64 / freedom).sqrt();
    Some(Interval::new(value, error, freedom))
}

fn circular_sums<const K: usize>(seconds: &[[f64; K]], block: usize) -> Vec<[f64; K]> {
    let n = seconds.len();
    let mut sum = [0.0; K];
    for at in 0..block {
        add(&mut sum, &seconds[at % n]);
    }
    let mut sums = Vec::with_capacity(n);
    for at in 0..n {
        sums.push(sum);
        add(&mut sum, &seconds[(at + block) % n]);
        for (sum, gone) in sum.iter_mut().zip(&seconds[at]) {
            *sum -= gone;
        }
    }
    sums
}

fn add<const K: usize>(sum: &mut [f64; K], second: &[f64; K]) {
    for (sum, one) in sum.iter_mut().zip(second) {
        *sum += one;
    }
}

/// Which of many rows differ from nothing, by their chances, with at most [`ALPHA`] of any one wrongly among them; each with
/// its chance after adjustment.
#[must_use]
pub(super) fn holm(chances: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..chances.len()).collect();
    order.sort_by(|&a, &b| chances[a].total_cmp(&chances[b]));
    let mut adjusted = vec![1.0; chances.len()];
    let mut least = 0.0_f64;
    for (place, &row) in order.iter().enumerate() {
        let factor = (chances.len() - place) as f64;
        least = least.max((factor * chances[row]).min(1.0));
        adjusted[row] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    /// What scipy and statsmodels make of the same numbers (`scripts/reference-numbers`).
    #[derive(Deserialize)]
    struct Reference {
        seconds: Vec<[f64; 2]>,
        cases: Vec<Case>,
        holm: Holm,
    }

    #[derive(Deserialize)]
    struct Case {
        block: usize,
        mean_difference: [f64; 2],
        log_ratio: [f64; 2],
    }

    #[derive(Deserialize)]
    struct Holm {
        chances: Vec<f64>,
        adjusted: Vec<f64>,
    }

    fn reference() -> Reference {
        let text = include_str!("../../fixtures/reference/comparison.json");
        serde_json::from_str(text).expect("the file of scripts/reference-numbers")
    }

    #[test]
    fn standard_errors_are_those_of_scipy() {
        let reference = reference();
        let n = reference.seconds.len() as f64;
        for case in &reference.cases {
            let blocks = (reference.seconds.len() / case.block) as f64;
            let wider = (blocks / (blocks - 1.0)).sqrt();
            let length = blocks * case.block as f64;
            let difference = bootstrap(&reference.seconds, case.block, |[a, b]| {
                Some((b - a) / length)
            })
            .expect("blocks");
            let ratio = bootstrap(&reference.seconds, case.block, |[a, b]| Some((b / a).ln()))
                .expect("blocks");
            // the value is of all seconds, which are a few more than the blocks of a resample
            let value = difference.value * length / n;
            for (found, error, [expected, expected_error]) in [
                (value, difference.error, case.mean_difference),
                (ratio.value, ratio.error, case.log_ratio),
            ] {
                assert!((found - expected).abs() < 1e-9, "{found} {expected}");
                // 1000 resamples know a standard error to 2.2 %: three times that
                let off = error / (expected_error * wider) - 1.0;
                assert!(
                    off.abs() < 0.07,
                    "block {}: {error} {expected_error}",
                    case.block
                );
            }
        }
    }

    #[test]
    fn chances_are_adjusted_as_statsmodels_does() {
        let Holm { chances, adjusted } = reference().holm;
        for (found, expected) in holm(&chances).iter().zip(adjusted) {
            assert!((found - expected).abs() < 1e-12, "{found} {expected}");
        }
    }

    #[test]
    fn blocks_are_as_long_as_seconds_stay_alike() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(4);
        let mut next = move || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
        let white: Vec<f64> = (0..1000).map(|_| next()).collect();
        let mut last = 0.0;
        let slow: Vec<f64> = white
            .iter()
            .map(|one| {
                last = 0.95 * last + one;
                last
            })
            .collect();
        assert!(block_length(&white, 1) <= 15, "{}", block_length(&white, 1));
        assert!(block_length(&slow, 1) >= 100, "{}", block_length(&slow, 1));
        assert_eq!(
            block_length(&[1.0; 8], 120),
            120,
            "as long as a quantity remembers"
        );
        assert!(bootstrap(&[[1.0]; 8], 120, |[sum]| Some(*sum)).is_none());
    }

    #[test]
    fn intervals_of_nothing_miss_as_seldom_as_they_say() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(5);
        let mut next = move || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
        let trials = 400;
        let missed = (0..trials)
            .filter(|_| {
                let mut last = 0.0;
                let seconds: Vec<[f64; 1]> = (0..60)
                    .map(|_| {
                        last = 0.5 * last + next();
                        [last]
                    })
                    .collect();
                let plain: Vec<f64> = seconds.iter().map(|[one]| *one).collect();
                let found = bootstrap(&seconds, block_length(&plain, 1), |[sum]| Some(sum / 60.0));
                found.is_some_and(|found| found.chance() < ALPHA)
            })
            .count();
        // 5 % of 400 is 20; three standard deviations are 13; short series of slow numbers miss somewhat more often
        assert!(missed <= 40, "{missed} of {trials}");
    }
}
