//! Student's t distribution.
//!
//! By the incomplete beta function, as a continued fraction (Abramowitz and Stegun 26.5.8, 26.7.1; evaluated by Lentz's method).
//!
//! Does not know: what is tested.

/// Terms of the continued fraction: far more than it ever takes to settle for the arguments here.
const MOST_TERMS: u32 = 500;

/// Chance that t with so much freedom is below `t`.
#[must_use]
pub(super) fn cumulative(t: f64, freedom: f64) -> f64 {
    if !t.is_finite() {
        return if t > 0.0 { 1.0 } else { 0.0 };
    }
    let x = freedom / (freedom + t * t);
    let tail = 0.5 * incomplete_beta(x, freedom / 2.0, 0.5);
    if t > 0.0 { 1.0 - tail } else { tail }
}

/// The t that is not reached with chance `p`.
#[must_use]
pub(super) fn quantile(p: f64, freedom: f64) -> f64 {
    let (mut low, mut high) = (-1.0, 1.0);
    while cumulative(low, freedom) > p {
        low *= 2.0;
    }
    while cumulative(high, freedom) < p {
        high *= 2.0;
    }
    // halving 80 times leaves less than a rounding
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if cumulative(middle, freedom) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    // the fraction settles fast on this side of the mean only
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(1.0 - x, b, a);
    }
    let log =
        libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b) + a * x.ln() + b * (1.0 - x).ln();
    let guard = |value: f64| if value.abs() < 1e-300 { 1e-300 } else { value };
    let mut c = 1.0;
    let mut d = 1.0 / guard(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    for term in 1..MOST_TERMS {
        let m = f64::from(term);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / guard(1.0 + even * d);
        c = guard(1.0 + even / c);
        fraction *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / guard(1.0 + odd * d);
        c = guard(1.0 + odd / c);
        fraction *= d * c;
        if (d * c - 1.0).abs() < 1e-14 {
            break;
        }
    }
    (log.exp() * fraction / a).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{ContinuousCDF as _, StudentsT};

    use super::*;

    #[test]
    fn chances_and_quantiles_are_those_of_statrs() {
        for freedom in [1.0, 2.5, 3.0, 7.0, 30.0, 400.0] {
            let other = StudentsT::new(0.0, 1.0, freedom).expect("a distribution");
            for t in [-12.0, -2.0, -0.1, 0.0, 0.7, 3.0, 40.0] {
                assert!(
                    (cumulative(t, freedom) - other.cdf(t)).abs() < 1e-9,
                    "{freedom} {t}"
                );
            }
            for p in [0.001, 0.025, 0.5, 0.975, 0.9995] {
                let t = quantile(p, freedom);
                assert!((cumulative(t, freedom) - p).abs() < 1e-12, "{freedom} {p}");
            }
        }
        // tables of the t distribution: 97.5 % at 3 and 10 degrees of freedom
        assert!((quantile(0.975, 3.0) - 3.1824).abs() < 1e-3);
        assert!((quantile(0.975, 10.0) - 2.2281).abs() < 1e-3);
    }
}
