//! Numbers as whole multiples of a quantity's step.
//!
//! In: values in a quantity's unit. Out: `i64`s that `SQLite` stores in one to eight bytes, and the values back, without
//! the noise that a product with 0.1 would leave: a step that divides one is undone by a division.
//!
//! Does not know: which quantity.

/// Sigmas are stored ten times finer than their values: one that is a fraction of the step must not become nothing.
const SIGMA_FRACTION: f64 = 10.0;

/// Most decimals ever printed: a step below this is printed as if it were this.
const MOST_DECIMALS: u8 = 9;

/// How a number is stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Scale {
    step: f64,
    /// Steps in one unit, where that is a whole number.
    steps_in_one: Option<f64>,
}

impl Scale {
    /// Whole multiples of `step`.
    pub(crate) fn of_step(step: f64) -> Self {
        let inverse = (1.0 / step).round();
        let exact = inverse >= 1.0 && (inverse * step - 1.0).abs() < 1e-9;
        Self {
            step,
            steps_in_one: exact.then_some(inverse),
        }
    }

    /// The scale of sigmas of values stored so.
    pub(crate) fn for_sigma(self) -> Self {
        match self.steps_in_one {
            Some(steps) => Self {
                step: 1.0 / (steps * SIGMA_FRACTION),
                steps_in_one: Some(steps * SIGMA_FRACTION),
            },
            None => Self::of_step(self.step / SIGMA_FRACTION),
        }
    }

    /// The step.
    pub(crate) fn step(self) -> f64 {
        self.step
    }

    /// The nearest number of steps; what is beyond `i64` becomes its end, what is not finite is absent.
    pub(crate) fn to_steps(self, value: f64) -> Option<i64> {
        let steps = match self.steps_in_one {
            Some(in_one) => value * in_one,
            None => value / self.step,
        };
        value.is_finite().then(|| steps.round() as i64)
    }

    /// The same for a sigma: one that is not zero never becomes zero.
    pub(crate) fn to_steps_from_one(self, sigma: f64) -> Option<i64> {
        let least = i64::from(sigma > 0.0);
        Some(self.to_steps(sigma)?.max(least))
    }

    /// The value of a number of steps.
    pub(crate) fn value_of(self, steps: i64) -> f64 {
        match self.steps_in_one {
            Some(in_one) => steps as f64 / in_one,
            None => steps as f64 * self.step,
        }
    }

    /// Decimals that show every step and no more.
    pub(crate) fn decimals(self) -> usize {
        (0..MOST_DECIMALS)
            .find(|&decimals| {
                let shifted = self.step * 10_f64.powi(decimals.into());
                shifted >= 0.5 && (shifted - shifted.round()).abs() < 1e-6
            })
            .unwrap_or(MOST_DECIMALS)
            .into()
    }

    /// An SQL expression for the value in a column of steps.
    pub(crate) fn sql(self, column: &str) -> String {
        match self.steps_in_one {
            Some(1.0) => column.to_owned(),
            Some(in_one) => format!("{column} / {in_one:.1}"),
            None => format!("{column} * {:?}", self.step),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn decimals_show_every_step_and_no_more() {
        let check =
            |step, expected| assert_eq!(Scale::of_step(step).decimals(), expected, "{step}");
        check(1.0, 0);
        check(5.0, 0);
        check(0.5, 1);
        check(0.1, 1);
        check(0.25, 2);
        check(0.05, 2);
        check(0.001, 3);
        check(0.000_1, 4);
    }

    #[test]
    fn tenths_come_back_without_noise() {
        let scale = Scale::of_step(0.1);
        assert_eq!(scale.value_of(3), 0.3);
        assert_eq!(scale.for_sigma().value_of(7), 0.07);
    }

    #[test]
    fn a_small_sigma_does_not_become_nothing() {
        let scale = Scale::of_step(0.1).for_sigma();
        assert_eq!(scale.to_steps_from_one(1e-9), Some(1));
        assert_eq!(scale.to_steps_from_one(0.0), Some(0));
        assert_eq!(scale.to_steps_from_one(f64::NAN), None);
    }

    #[test]
    fn extremes_end_at_the_ends_and_do_not_wrap() {
        let scale = Scale::of_step(0.01);
        assert_eq!(scale.to_steps(f64::MAX), Some(i64::MAX));
        assert_eq!(scale.to_steps(-1e300), Some(i64::MIN));
        assert_eq!(scale.to_steps(f64::INFINITY), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn values_come_back_within_half_a_step(value in -1e9_f64..1e9, step in prop::sample::select(
            vec![1.0, 0.5, 0.25, 0.1, 0.05, 0.01, 0.001, 0.3, 2.0],
        )) {
            let scale = Scale::of_step(step);
            let back = scale.value_of(scale.to_steps(value).expect("finite"));
            prop_assert!((back - value).abs() <= step / 2.0 + 1e-6, "{value} {back}");
        }
    }
}
