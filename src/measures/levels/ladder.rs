//! How often each level occurs, finely, and the levels that shares of the area lie under.
//!
//! In: values in eighths of a code. Out: quantiles and areas. A quantile is exact where the level stands alone (a
//! synthetic bar reads its very code) and runs linearly between neighbouring steps where levels are dense, so its error
//! against sorting the values is under half a step, 1/16 code.
//!
//! Does not know: fields, IRE.

use super::low_pass::EIGHTHS;

/// Steps of the ladder: 0 to 255 7/8, and room to spare so that an index can be masked.
const STEPS: usize = 256 * EIGHTHS;

/// Counters a step has, so that equal values in a row do not wait for each other.
const WAYS: usize = 4;

/// Rounding of the values to a step, as a standard error in codes: 1/8 / √12.
const STEP_SIGMA: f64 = 0.036;

/// Values that count as one piece of evidence: neighbouring values overlap (correlation 0.4 in white noise), and tape
/// noise is wider than white.
const VALUES_PER_EVIDENCE: f64 = 2.0;

/// A count of levels.
#[derive(Debug)]
pub(super) struct Ladder {
    tally: Box<[[u32; WAYS]]>,
    /// Values at or under each step.
    up_to: Box<[u32]>,
    total: u32,
    sum: u64,
}

impl Default for Ladder {
    fn default() -> Self {
        Self {
            tally: vec![[0; WAYS]; STEPS].into_boxed_slice(),
            up_to: vec![0; STEPS].into_boxed_slice(),
            total: 0,
            sum: 0,
        }
    }
}

/// A level in codes, with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rung {
    pub(super) code: f64,
    pub(super) sigma: f64,
}

impl Ladder {
    /// Counts `values` in place of what was counted before.
    pub(super) fn count(&mut self, values: &[u16]) {
        self.tally.fill([0; WAYS]);
        let whole = values.chunks_exact(WAYS);
        for value in whole.remainder() {
            self.tally[usize::from(*value) % STEPS][0] += 1;
        }
        for chunk in whole {
            for (way, value) in chunk.iter().enumerate() {
                self.tally[usize::from(*value) % STEPS][way] += 1;
            }
        }
        self.add_up();
    }

    fn add_up(&mut self) {
        let (mut running, mut sum) = (0, 0);
        for (step, (ways, up_to)) in self.tally.iter().zip(self.up_to.iter_mut()).enumerate() {
            let here: u32 = ways.iter().sum();
            running += here;
            sum += u64::from(here) * step as u64;
            *up_to = running;
        }
        (self.total, self.sum) = (running, sum);
    }

    /// How many values were counted.
    pub(super) fn total(&self) -> u32 {
        self.total
    }

    /// Pieces of evidence independent of each other.
    pub(super) fn evidence(&self) -> f64 {
        (f64::from(self.total) / VALUES_PER_EVIDENCE).max(1.0)
    }

    /// Mean, in codes. Only of a ladder that has counted something.
    pub(super) fn mean(&self) -> f64 {
        self.sum as f64 / f64::from(self.total) / EIGHTHS as f64
    }

    /// The level a share `p` of the area lies under, in codes.
    pub(super) fn quantile(&self, p: f64) -> f64 {
        let wanted = p * f64::from(self.total);
        let step = self
            .up_to
            .partition_point(|up_to| f64::from(*up_to) < wanted)
            .min(STEPS - 1);
        let below = self.below(step);
        let here = self.up_to[step] - below;
        let place = (wanted - f64::from(below)) / f64::from(here.max(1)) - 0.5;
        let dense = if place < 0.0 {
            step > 0 && self.at(step - 1) > 0
        } else {
            self.at(step + 1) > 0
        };
        (step as f64 + if dense { place } else { 0.0 }) / EIGHTHS as f64
    }

    /// The same with its standard error: half the width of the levels within one standard error of the share.
    ///
    /// It bounds what random noise does to the quantile; the picture itself is no random draw.
    pub(super) fn rung(&self, p: f64) -> Rung {
        let share_sigma = (p * (1.0 - p) / self.evidence()).sqrt();
        let half = (self.quantile((p + share_sigma).min(1.0))
            - self.quantile((p - share_sigma).max(0.0)))
            / 2.0;
        Rung {
            code: self.quantile(p),
            sigma: half.hypot(STEP_SIGMA),
        }
    }

    /// Share of the area under `code`, 0 to 1.
    pub(super) fn share_below(&self, code: f64) -> f64 {
        let step = (code * EIGHTHS as f64).ceil().clamp(0.0, STEPS as f64) as usize;
        f64::from(self.below(step)) / f64::from(self.total.max(1))
    }

    /// Share of the area at exactly `code`, 0 to 1: where every sample that a value weighs has it.
    pub(super) fn share_at(&self, code: u8) -> f64 {
        f64::from(self.at(usize::from(code) * EIGHTHS)) / f64::from(self.total.max(1))
    }

    /// Share of the area over `code`, 0 to 1.
    pub(super) fn share_above(&self, code: f64) -> f64 {
        let step = (code * EIGHTHS as f64).floor().clamp(0.0, STEPS as f64) as usize;
        f64::from(self.total - self.below((step + 1).min(STEPS))) / f64::from(self.total.max(1))
    }

    /// How often each whole code occurs, a value going to the code it is nearest to.
    pub(super) fn whole_codes(&self) -> [u32; 256] {
        std::array::from_fn(|code| {
            let first = (code * EIGHTHS).saturating_sub(EIGHTHS / 2);
            self.below((code * EIGHTHS + EIGHTHS / 2).min(STEPS)) - self.below(first)
        })
    }

    /// Values under a step.
    fn below(&self, step: usize) -> u32 {
        step.checked_sub(1).map_or(0, |under| self.up_to[under])
    }

    /// Values at a step; none beyond the ladder.
    fn at(&self, step: usize) -> u32 {
        self.up_to.get(step).map_or(0, |up| up - self.below(step))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ladder_of(values: &[u16]) -> Ladder {
        let mut ladder = Ladder::default();
        ladder.count(values);
        ladder
    }

    #[test]
    fn a_single_level_reads_its_very_code() {
        let ladder = ladder_of(&[16 * 8; 1001]);
        for p in [0.005, 0.5, 0.995] {
            assert_eq!(ladder.quantile(p), 16.0);
        }
        assert_eq!(ladder.mean(), 16.0);
    }

    #[test]
    fn shares_count_what_is_strictly_beyond() {
        let ladder = ladder_of(&[39, 40, 41, 41]);
        assert_eq!(ladder.share_below(5.0), 0.25);
        assert_eq!(ladder.share_above(5.0), 0.5);
        assert_eq!(ladder.share_below(0.0), 0.0);
        assert_eq!(ladder.share_above(255.0), 0.0);
    }

    #[test]
    fn the_sigma_is_that_of_repeated_draws() {
        // 0.5th percentile of noise of 2 codes over 2000 independent values, drawn 200 times.
        use rand::{RngExt as _, SeedableRng as _};
        let mut random = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(7);
        let mut found = Vec::new();
        let mut claimed = 0.0;
        for _ in 0..200 {
            let values: Vec<u16> = (0..2000)
                .map(|_| {
                    let bell = (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
                    (800.0 + 16.0 * bell).round() as u16
                })
                .collect();
            let rung = ladder_of(&values).rung(0.005);
            found.push(rung.code);
            claimed += rung.sigma / 200.0;
        }
        let mean = found.iter().sum::<f64>() / 200.0;
        let spread = (found.iter().map(|f| (f - mean).powi(2)).sum::<f64>() / 199.0).sqrt();
        // Independent values are claimed √2 too wide, on purpose: see VALUES_PER_EVIDENCE.
        assert!(
            (1.0..2.0).contains(&(claimed / spread)),
            "{claimed} {spread}"
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn quantiles_are_those_of_sorting_within_a_tenth_of_a_code(
            mut values in prop::collection::vec(0u16..2041, 1..3000),
            p in 0.001f64..0.999,
        ) {
            let found = ladder_of(&values).quantile(p);
            values.sort_unstable();
            let place = ((p * values.len() as f64).ceil() as usize).clamp(1, values.len()) - 1;
            let sorted = f64::from(values[place]) / 8.0;
            prop_assert!((found - sorted).abs() <= 0.1, "{found} {sorted}");
        }

        #[test]
        fn whole_codes_lose_no_value(values in prop::collection::vec(0u16..2041, 0..500)) {
            prop_assert_eq!(ladder_of(&values).whole_codes().iter().sum::<u32>() as usize, values.len());
        }
    }
}
