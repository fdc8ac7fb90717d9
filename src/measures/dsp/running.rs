//! Running statistics over the last `N` values, without allocation.
//!
//! In: values one by one. Out: the median of those kept. Does not know: what they are or when they came.

/// The median of the last `N` values.
#[derive(Clone, Debug)]
pub struct RunningMedian<const N: usize> {
    arrival: [f32; N],
    sorted: [f32; N],
    len: usize,
    oldest: usize,
}

impl<const N: usize> Default for RunningMedian<N> {
    fn default() -> Self {
        Self {
            arrival: [0.0; N],
            sorted: [0.0; N],
            len: 0,
            oldest: 0,
        }
    }
}

impl<const N: usize> RunningMedian<N> {
    /// Takes a value in; the oldest leaves when there are `N` already. Values that are not finite are passed over.
    pub fn push(&mut self, value: f32) {
        if !value.is_finite() {
            return;
        }
        if self.len == N {
            self.remove(self.arrival[self.oldest]);
        }
        self.arrival[self.oldest] = value;
        self.oldest = (self.oldest + 1) % N;
        let at = self.sorted[..self.len].partition_point(|kept| *kept < value);
        self.sorted.copy_within(at..self.len, at + 1);
        self.sorted[at] = value;
        self.len += 1;
    }

    /// How many values are kept.
    #[must_use]
    pub fn len(&self) -> usize {
        self.len
    }

    /// Whether nothing is kept.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The value a share `p` of those kept lies under; `None` before the first.
    #[must_use]
    pub fn quantile(&self, p: f64) -> Option<f32> {
        let last = self.len.checked_sub(1)?;
        let place = p.clamp(0.0, 1.0) * last as f64;
        let below = place.floor() as usize;
        let above = (below + 1).min(last);
        let part = (place - below as f64) as f32;
        Some(self.sorted[below] * (1.0 - part) + self.sorted[above] * part)
    }

    /// The median; `None` before the first value.
    #[must_use]
    pub fn median(&self) -> Option<f32> {
        self.quantile(0.5)
    }

    fn remove(&mut self, value: f32) {
        let at = self.sorted[..self.len].partition_point(|kept| *kept < value);
        self.sorted.copy_within(at + 1..self.len, at);
        self.len -= 1;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn nothing_has_no_median() {
        assert_eq!(RunningMedian::<5>::default().median(), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn it_is_the_median_of_the_last_values(values in prop::collection::vec(-9i8..9, 1..40)) {
            let mut running = RunningMedian::<7>::default();
            for value in &values {
                running.push(f32::from(*value));
            }
            let mut last: Vec<f32> = values.iter().rev().take(7).map(|v| f32::from(*v)).collect();
            last.sort_by(f32::total_cmp);
            let middle = f32::midpoint(last[(last.len() - 1) / 2], last[last.len() / 2]);
            prop_assert_eq!(running.median(), Some(middle));
        }
    }
}
