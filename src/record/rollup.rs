//! The pass in steps of a second: least, middle and greatest value of each quantity.
//!
//! In: stored numbers, field by field. Out: a [`SecondRow`] for each second that is over, and the one under way. Six
//! hours are 21 600 of them: that is what opens at once.
//!
//! Of a word the least and greatest are the first and last code seen, and the middle one is the most frequent.
//!
//! Does not know: units, files or clocks (a second is what the rows' own times say).

/// What one second says of one quantity, as stored numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct StepStats {
    pub(super) min: i64,
    pub(super) median: i64,
    pub(super) max: i64,
    pub(super) n: u32,
}

/// One second of the pass.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SecondRow<const N: usize> {
    pub(super) second: i64,
    pub(super) fields: u32,
    pub(super) stats: [Option<StepStats>; N],
}

/// How the middle of a second is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Middle {
    /// Of numbers.
    Median,
    /// Of words.
    MostFrequent,
}

/// Collects the second under way.
#[derive(Debug)]
pub(super) struct Rollup<const N: usize> {
    second: i64,
    fields: u32,
    seen: [Vec<i64>; N],
    middles: [Middle; N],
}

/// Fields in a second, with room to spare: no allocation after the start.
const FIELDS_A_SECOND: usize = 64;

impl<const N: usize> Rollup<N> {
    pub(super) fn new(middles: [Middle; N]) -> Self {
        Self {
            second: 0,
            fields: 0,
            seen: std::array::from_fn(|_| Vec::with_capacity(FIELDS_A_SECOND)),
            middles,
        }
    }

    /// Adds a field; hands the second before it on when this one begins another.
    ///
    /// Time that runs backwards counts towards the second under way.
    pub(super) fn add(&mut self, second: i64, values: &[Option<i64>; N]) -> Option<SecondRow<N>> {
        let finished = (second > self.second).then(|| self.under_way()).flatten();
        if second > self.second {
            self.second = second;
            self.fields = 0;
            self.seen.iter_mut().for_each(Vec::clear);
        }
        self.fields += 1;
        for (seen, value) in self.seen.iter_mut().zip(values) {
            seen.extend(*value);
        }
        finished
    }

    /// The second under way so far; `None` before its first field.
    pub(super) fn under_way(&mut self) -> Option<SecondRow<N>> {
        if self.fields == 0 {
            return None;
        }
        let mut stats = [None; N];
        for ((stats, seen), middle) in stats.iter_mut().zip(&mut self.seen).zip(self.middles) {
            *stats = step_stats(seen, middle);
        }
        Some(SecondRow {
            second: self.second,
            fields: self.fields,
            stats,
        })
    }
}

fn step_stats(seen: &mut [i64], middle: Middle) -> Option<StepStats> {
    seen.sort_unstable();
    Some(StepStats {
        min: *seen.first()?,
        median: match middle {
            Middle::Median => median(seen),
            Middle::MostFrequent => most_frequent(seen)?,
        },
        max: *seen.last()?,
        n: seen.len() as u32,
    })
}

/// The middle of sorted numbers, or the mean of the middle two.
fn median(sorted: &[i64]) -> i64 {
    let (low, high) = (sorted[(sorted.len() - 1) / 2], sorted[sorted.len() / 2]);
    low.midpoint(high)
}

/// The one that occurs most in sorted codes; of several, the first of the list.
fn most_frequent(sorted: &[i64]) -> Option<i64> {
    sorted
        .chunk_by(|a, b| a == b)
        .rev()
        .max_by_key(|run| run.len())
        .map(|run| run[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one_second(middle: Middle, values: &[Option<i64>]) -> Option<StepStats> {
        let mut rollup = Rollup::new([middle]);
        for value in values {
            assert_eq!(rollup.add(0, &[*value]), None);
        }
        rollup.under_way()?.stats[0]
    }

    #[test]
    fn a_second_gives_least_middle_greatest_and_number() {
        let stats = one_second(Middle::Median, &[Some(9), None, Some(1), Some(3), Some(4)]);
        let expected = StepStats {
            min: 1,
            median: 3,
            max: 9,
            n: 4,
        };
        assert_eq!(stats, Some(expected));
    }

    #[test]
    fn absence_all_through_a_second_stays_absence() {
        assert_eq!(one_second(Middle::Median, &[None, None]), None);
    }

    #[test]
    fn extremes_do_not_overflow() {
        let stats = one_second(Middle::Median, &[Some(i64::MAX), Some(i64::MAX)]);
        assert_eq!(stats.map(|stats| stats.median), Some(i64::MAX));
    }

    #[test]
    fn the_middle_of_words_is_the_most_frequent() {
        let codes = [Some(0), Some(3), Some(1), Some(3)];
        let middle = |codes| one_second(Middle::MostFrequent, codes).map(|stats| stats.median);
        assert_eq!(middle(&codes), Some(3));
        assert_eq!(middle(&codes[..3]), Some(0), "a tie goes to the first");
    }

    #[test]
    fn a_second_is_handed_on_when_the_next_begins() {
        let mut rollup = Rollup::new([Middle::Median]);
        assert_eq!(rollup.under_way(), None);
        assert_eq!(rollup.add(5, &[Some(1)]), None);
        assert_eq!(rollup.add(4, &[Some(2)]), None, "time that runs backwards");
        let finished = rollup.add(7, &[Some(8)]).expect("second 5");
        assert_eq!((finished.second, finished.fields), (5, 2));
        assert_eq!(finished.stats[0].map(|stats| stats.n), Some(2));
        assert_eq!(rollup.under_way().map(|row| row.second), Some(7));
    }
}
