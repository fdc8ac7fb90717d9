//! Counting and comparing 8-bit codes, wide.
//!
//! In: rows of samples. Out: extremes, counts, sums of differences. Each function is compiled for several instruction
//! sets and the widest one the processor has is taken at run time.
//!
//! Does not know: where the rows come from.

use multiversion::multiversion;

/// The lowest and the highest code of a row; `(255, 0)` of an empty one.
#[multiversion(targets("x86_64+avx2"))]
#[must_use]
pub fn extremes(row: &[u8]) -> (u8, u8) {
    // Two passes: the compiler makes each wide, but not one over both.
    let lowest = row.iter().fold(u8::MAX, |lowest, code| lowest.min(*code));
    let highest = row.iter().fold(u8::MIN, |highest, code| highest.max(*code));
    (lowest, highest)
}

/// Samples an 8-bit counter can count, in whole vectors.
const COUNTED_AT_ONCE: usize = 224;

/// How often each of four codes occurs in a row.
#[multiversion(targets("x86_64+avx2"))]
#[must_use]
pub fn count_codes(row: &[u8], codes: [u8; 4]) -> [u32; 4] {
    let mut counts = [0; 4];
    // A counter of eight bits makes the loop wide.
    for stretch in row.chunks(COUNTED_AT_ONCE) {
        for (count, code) in counts.iter_mut().zip(codes) {
            let here = stretch
                .iter()
                .fold(0u8, |count, sample| count + u8::from(*sample == code));
            *count += u32::from(here);
        }
    }
    counts
}

/// The sum of absolute differences of two rows, sample by sample.
#[multiversion(targets("x86_64+avx2"))]
#[must_use]
pub fn absolute_difference(one: &[u8], other: &[u8]) -> u32 {
    one.iter()
        .zip(other)
        .map(|(a, b)| u32::from(a.abs_diff(*b)))
        .sum()
}

/// The largest absolute difference of two rows, sample by sample.
#[multiversion(targets("x86_64+avx2"))]
#[must_use]
pub fn largest_difference(one: &[u8], other: &[u8]) -> u8 {
    one.iter()
        .zip(other)
        .fold(0, |largest, (a, b)| largest.max(a.abs_diff(*b)))
}

/// The sum of absolute second differences `x[i] − 2·x[i+lag] + x[i+2·lag]` of a row.
#[multiversion(targets("x86_64+avx2"))]
#[must_use]
pub fn absolute_second_difference(row: &[u8], lag: usize) -> u32 {
    let (Some(middle), Some(late)) = (row.get(lag..), row.get(2 * lag..)) else {
        return 0;
    };
    row.iter()
        .zip(middle)
        .zip(late)
        .map(|((a, b), c)| {
            let second = i16::from(*a) - 2 * i16::from(*b) + i16::from(*c);
            u32::from(second.unsigned_abs())
        })
        .sum()
}

/// The sum of squared differences of two rows of signed numbers below 1024 in size, at most 512 of them.
#[multiversion(targets("x86_64+avx2"))]
#[must_use]
pub fn squared_difference(one: &[i16], other: &[i16]) -> i32 {
    one.iter()
        .zip(other)
        .map(|(a, b)| {
            let difference = i32::from(a - b);
            difference * difference
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn counts_are_those_of_a_plain_filter(row in prop::collection::vec(0u8..6, 0..9000)) {
            let counts = count_codes(&row, [0, 1, 2, 5]);
            for (count, code) in counts.into_iter().zip([0, 1, 2, 5]) {
                prop_assert_eq!(count as usize, row.iter().map(|sample| usize::from(*sample == code)).sum::<usize>());
            }
        }

        #[test]
        fn extremes_are_minimum_and_maximum(row in prop::collection::vec(any::<u8>(), 1..200)) {
            let (lowest, highest) = extremes(&row);
            prop_assert_eq!(Some(lowest), row.iter().min().copied());
            prop_assert_eq!(Some(highest), row.iter().max().copied());
        }
    }

    #[test]
    fn second_difference_of_a_ramp_is_zero() {
        let ramp: Vec<u8> = (0..200).collect();
        assert_eq!(absolute_second_difference(&ramp, 3), 0);
        assert_eq!(absolute_second_difference(&ramp[..4], 3), 0);
    }

    #[test]
    fn differences_add_up() {
        assert_eq!(absolute_difference(&[1, 5, 200], &[2, 1, 0]), 205);
        assert_eq!(largest_difference(&[1, 5, 200], &[2, 1, 0]), 200);
        assert_eq!(squared_difference(&[1, -5], &[2, 5]), 101);
    }
}
