//! Medians and quantiles that a few wild values do not move. The slices are reordered in place: nothing is allocated.
//!
//! Does not know: what the values stand for.

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

/// The middle value; `None` of an empty slice. Reorders `values`.
pub fn median(values: &mut [f32]) -> Option<f32> {
    quantile(values, 0.5)
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
