//! Medians and quantiles that a few wild values do not move. The slices are reordered in place: nothing is allocated.
//!
//! Does not know: what the values stand for.

use multiversion::multiversion;

/// Standard deviation of a normal distribution over its median absolute deviation.
pub const SIGMA_PER_MAD: f32 = 1.4826;

/// The value below which a share of `values` lies, between neighbours by interpolation; `None` of an empty slice.
///
/// Values must be finite. Reorders `values`.
pub fn quantile(values: &mut [f32], share: f64) -> Option<f32> {
    let last = values.len().checked_sub(1)?;
    let place = share.clamp(0.0, 1.0) * last as f64;
    let index = place.floor() as usize;
    let fraction = (place - place.floor()) as f32;
    let (_, &mut at, above) = values.select_nth_unstable_by(index, f32::total_cmp);
    let next = above.iter().copied().min_by(f32::total_cmp).unwrap_or(at);
    Some(at + fraction * (next - at))
}

/// Up to this many values each is counted against all others, wide: half the time of setting them in order.
const FEW: usize = 24;

/// The middle value; `None` of an empty slice. Values must be finite; may reorder them.
pub fn median(values: &mut [f32]) -> Option<f32> {
    if values.len() > FEW {
        return quantile(values, 0.5);
    }
    let last = values.len().checked_sub(1)?;
    let mut few = [f32::INFINITY; FEW];
    few[..=last].copy_from_slice(values);
    let (at, next) = ranked(&few, last as u32 / 2);
    Some(if last % 2 == 0 {
        at
    } else {
        at + 0.5 * (next - at)
    })
}

/// The value that has `rank` others below it, and the next.
#[multiversion(targets("x86_64+avx2"))]
fn ranked(values: &[f32; FEW], rank: u32) -> (f32, f32) {
    for &at in values {
        let (mut below, mut up_to) = (0, 0);
        for &value in values {
            below += u32::from(value < at);
            up_to += u32::from(value <= at);
        }
        if (below..up_to).contains(&rank) {
            if rank + 1 < up_to {
                return (at, at);
            }
            let mut next = f32::INFINITY;
            for &value in values {
                let above = if value > at { value } else { f32::INFINITY };
                next = if above < next { above } else { next };
            }
            return (at, next);
        }
    }
    (f32::INFINITY, f32::INFINITY)
}

/// Standard deviation of a normal distribution that values differ by which are this far `apart` on the median, two by two.
#[must_use]
pub fn spread_of_steps(steps: &mut [f32]) -> Option<f32> {
    // A difference of two varies by √2 times as much as each.
    median(steps).map(|step| SIGMA_PER_MAD * std::f32::consts::FRAC_1_SQRT_2 * step)
}

/// The middle value and the standard deviation that the median absolute deviation stands for.
///
/// Overwrites `values` with their absolute deviations. `None` of an empty slice.
pub fn median_and_spread(values: &mut [f32]) -> Option<(f32, f32)> {
    let centre = median(values)?;
    for value in values.iter_mut() {
        *value = (*value - centre).abs();
    }
    Some((centre, SIGMA_PER_MAD * median(values)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn median_of_even_and_odd_counts() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(&mut []), None);
    }

    #[test]
    fn medians_of_few_and_of_many_are_the_same() {
        let values: Vec<f32> = (0..FEW as u32 * 2)
            .map(|i| (i.wrapping_mul(2_654_435_761).wrapping_mul(i) % 17) as f32 - 8.0)
            .collect();
        for count in 1..=values.len() {
            let sorted = quantile(&mut values[..count].to_vec(), 0.5);
            assert_eq!(median(&mut values[..count].to_vec()), sorted, "{count}");
        }
    }

    #[test]
    fn quantiles_reach_both_ends() {
        let mut values = [5.0, 1.0, 9.0, 3.0];
        assert_eq!(quantile(&mut values, 0.0), Some(1.0));
        assert_eq!(quantile(&mut values, 1.0), Some(9.0));
    }

    #[test]
    fn a_third_of_wild_values_moves_the_spread_little() {
        let mut values: Vec<f32> = (0..200).map(|i| (i as f32 / 200.0) - 0.5).collect();
        values.extend((0..60).map(|_| 1e6_f32));
        let (centre, spread) = median_and_spread(&mut values).expect("values are there");
        assert!(centre.abs() < 0.2 && spread < 1.0, "{centre} {spread}");
    }
}
