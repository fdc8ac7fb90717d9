//! Penalised second-difference smoother (Whittaker; Eilers, "A perfect smoother", Anal. Chem. 2003).
//!
//! In: values and weights on an even grid, weight 0 for gaps. Out: the curve z that minimises
//! Σ wᵢ(yᵢ − zᵢ)² + λ Σ (zᵢ₋₁ − 2zᵢ + zᵢ₊₁)². Gaps are crossed by a straight line.
//!
//! Does not know: what the grid is.

use std::f64::consts::TAU;

/// Room for the factors of the five-diagonal system; made once, used for every curve.
#[derive(Clone, Debug, Default)]
pub struct Smoother {
    stiffness: f64,
    diagonal: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
}

/// The λ that passes half of the amplitude of a sine of `period` samples where all weights are 1.
#[must_use]
pub fn stiffness_of_half_period(period: f64) -> f64 {
    1.0 / (2.0 - 2.0 * (TAU / period).cos()).powi(2)
}

/// Of white noise, the shares of variance that the smooth curve keeps and that the rest keeps, weights being 1.
#[must_use]
pub fn white_noise_shares(stiffness: f64) -> (f64, f64) {
    const STEPS: u32 = 4096;
    let (smooth, rough) = (0..STEPS).fold((0.0, 0.0), |(smooth, rough), step| {
        let turn = TAU * (f64::from(step) + 0.5) / f64::from(STEPS);
        let kept = 1.0 / (1.0 + stiffness * (2.0 - 2.0 * turn.cos()).powi(2));
        (smooth + kept * kept, rough + (1.0 - kept).powi(2))
    });
    (smooth / f64::from(STEPS), rough / f64::from(STEPS))
}

impl Smoother {
    /// A smoother for up to `longest` values with the given λ.
    #[must_use]
    pub fn new(longest: usize, stiffness: f64) -> Self {
        Self {
            stiffness,
            diagonal: Vec::with_capacity(longest),
            first: Vec::with_capacity(longest),
            second: Vec::with_capacity(longest),
        }
    }

    /// Writes the smooth curve of `values` to `curve`; `false` if fewer than three values have weight.
    ///
    /// # Panics
    /// When the three slices differ in length.
    pub fn smooth(&mut self, values: &[f64], weights: &[f64], curve: &mut [f64]) -> bool {
        assert_eq!(values.len(), weights.len());
        assert_eq!(values.len(), curve.len());
        if weights.iter().filter(|&&weight| weight > 0.0).count() < 3 {
            return false;
        }
        self.factor(weights);
        self.solve(values, weights, curve);
        true
    }

    /// `LDLᵀ` of `W + λDᵀD`, where D takes second differences.
    fn factor(&mut self, weights: &[f64]) {
        let n = weights.len();
        let bands = [&mut self.diagonal, &mut self.first, &mut self.second];
        for band in bands {
            band.clear();
            band.resize(n, 0.0);
        }
        for (i, weight) in weights.iter().enumerate() {
            let (main, next, after) = penalty_row(i, n);
            let mut d = weight + self.stiffness * main;
            let mut e = self.stiffness * next;
            if i >= 1 {
                d -= self.first[i - 1].powi(2) * self.diagonal[i - 1];
                e -= self.first[i - 1] * self.second[i - 1] * self.diagonal[i - 1];
            }
            if i >= 2 {
                d -= self.second[i - 2].powi(2) * self.diagonal[i - 2];
            }
            self.diagonal[i] = d;
            self.first[i] = e / d;
            self.second[i] = self.stiffness * after / d;
        }
    }

    fn solve(&self, values: &[f64], weights: &[f64], curve: &mut [f64]) {
        let n = values.len();
        for i in 0..n {
            let mut v = weights[i] * values[i];
            if i >= 1 {
                v -= self.first[i - 1] * curve[i - 1];
            }
            if i >= 2 {
                v -= self.second[i - 2] * curve[i - 2];
            }
            curve[i] = v;
        }
        for i in (0..n).rev() {
            let mut v = curve[i] / self.diagonal[i];
            if i + 1 < n {
                v -= self.first[i] * curve[i + 1];
            }
            if i + 2 < n {
                v -= self.second[i] * curve[i + 2];
            }
            curve[i] = v;
        }
    }
}

/// Row `i` of `DᵀD` for `n` values: the diagonal and the two elements right of it.
fn penalty_row(i: usize, n: usize) -> (f64, f64, f64) {
    let difference_at = |centre: usize| centre >= 1 && centre + 1 < n;
    let share = |centre: usize, product: f64| {
        if difference_at(centre) { product } else { 0.0 }
    };
    let before = if i >= 1 { share(i - 1, 1.0) } else { 0.0 };
    let main = before + share(i, 4.0) + share(i + 1, 1.0);
    let next = share(i, -2.0) + share(i + 1, -2.0);
    let after = share(i + 1, 1.0);
    (main, next, after)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn smooth(values: &[f64], weights: &[f64]) -> Vec<f64> {
        let mut curve = vec![0.0; values.len()];
        let mut smoother = Smoother::new(values.len(), stiffness_of_half_period(20.0));
        assert!(smoother.smooth(values, weights, &mut curve));
        curve
    }

    #[test]
    fn a_straight_line_passes_unchanged_and_crosses_gaps() {
        let line: Vec<f64> = (0..60).map(|i| 3.0 - 0.2 * f64::from(i)).collect();
        let weights: Vec<f64> = (0..60)
            .map(|i| if (20..40).contains(&i) { 0.0 } else { 1.0 })
            .collect();
        for (a, b) in smooth(&line, &weights).iter().zip(&line) {
            assert!((a - b).abs() < 1e-8, "{a} {b}");
        }
    }

    #[test]
    fn a_wave_of_twenty_lines_is_halved() {
        let wave: Vec<f64> = (0..400)
            .map(|i| (TAU * f64::from(i) / 20.0).sin())
            .collect();
        let curve = smooth(&wave, &[1.0; 400]);
        for i in 100..300 {
            assert!((curve[i] - 0.5 * wave[i]).abs() < 1e-6, "{i}");
        }
    }

    #[test]
    fn shares_of_white_noise_leave_room_for_their_product() {
        let (smooth, rough) = white_noise_shares(stiffness_of_half_period(20.0));
        assert!(smooth > 0.05 && smooth < 0.15, "{smooth}");
        assert!(rough > 0.80 && rough < 0.95, "{rough}");
        assert!(smooth + rough < 1.0);
    }

    #[test]
    fn two_values_are_not_smoothed() {
        let mut smoother = Smoother::new(4, 1.0);
        assert!(!smoother.smooth(&[1.0; 4], &[1.0, 1.0, 0.0, 0.0], &mut [0.0; 4]));
    }

    /// Both solve the same five-diagonal system; a condition number of about 10⁵ leaves ten digits and more.
    #[test]
    fn the_curve_is_that_of_a_sparse_solve_in_scipy() {
        let text = include_str!("../../../fixtures/reference/smoothing.json");
        let fixture: serde_json::Value = serde_json::from_str(text).expect("the fixture is JSON");
        let numbers = |name: &str| -> Vec<f64> {
            let list = fixture[name].as_array().expect("a list");
            list.iter().filter_map(serde_json::Value::as_f64).collect()
        };
        let [values, weights, expected] = ["values", "weights", "curve"].map(numbers);
        let stiffness = fixture["stiffness"].as_f64().expect("a number");
        assert!((stiffness / stiffness_of_half_period(20.0) - 1.0).abs() < 1e-12);
        let mut curve = vec![0.0; values.len()];
        assert!(Smoother::new(values.len(), stiffness).smooth(&values, &weights, &mut curve));
        for (row, (ours, theirs)) in curve.iter().zip(&expected).enumerate() {
            assert!((ours - theirs).abs() < 1e-9, "row {row}: {ours} {theirs}");
        }
    }
}
