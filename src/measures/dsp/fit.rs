//! Weighted straight lines, the excess variance of scattered values with known errors, small linear systems.
//!
//! Does not know: what the values stand for.

/// A value at a place with its own variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Where.
    pub x: f64,
    /// What was measured.
    pub y: f64,
    /// Variance of the measurement.
    pub variance: f64,
}

/// A weighted straight line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StraightLine {
    /// Weighted mean place.
    pub centre: f64,
    /// Value there.
    pub level: f64,
    /// Rise per unit of x.
    pub slope: f64,
    /// Variance of the slope if the weights are right.
    pub slope_variance: f64,
}

impl StraightLine {
    /// Value at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.level + self.slope * (x - self.centre)
    }
}

/// The straight line through `points`, each weighted by 1/(its variance + `excess`); `None` of fewer than three.
#[must_use]
pub fn straight_line(points: &[Point], excess: f64) -> Option<StraightLine> {
    if points.len() < 3 {
        return None;
    }
    // Sums about the first and the middle point keep what cancels small.
    let (origin, offset) = (points[points.len() / 2].x, points[0].y);
    let [mut sum, mut x1, mut y1, mut xx, mut xy] = [0.0; 5];
    for point in points {
        let weight = 1.0 / (point.variance + excess);
        let (x, y) = (point.x - origin, point.y - offset);
        sum += weight;
        x1 += weight * x;
        y1 += weight * y;
        xx += weight * x * x;
        xy += weight * x * y;
    }
    let (mean_x, mean_y) = (x1 / sum, y1 / sum);
    let (xx, xy) = (xx - mean_x * x1, xy - mean_x * y1);
    let (centre, level) = (origin + mean_x, offset + mean_y);
    (xx > 0.0).then(|| StraightLine {
        centre,
        level,
        slope: xy / xx,
        slope_variance: 1.0 / xx,
    })
}

/// Variance beyond the points' own about a straight line, and that line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Excess {
    /// τ² ≥ 0 with Σ rᵢ²/(σᵢ²+τ²) = n − 2.
    pub variance: f64,
    /// The line fitted with the same weights.
    pub line: StraightLine,
}

/// Steps towards τ²: each about doubles the digits that are right, from one or two on.
const STEPS: usize = 12;

/// Relative misfit at which τ² is found.
const FOUND: f64 = 1e-6;

/// The τ² ≥ 0 with Σ rᵢ²/(σᵢ²+τ²) = n − 2 (Paule and Mandel 1982); `None` of fewer than three points.
///
/// Newton's method on the reciprocal of the sum, which is a straight line in τ² where all variances are alike.
#[must_use]
pub fn excess_variance(points: &[Point]) -> Option<Excess> {
    let wanted = points.len() as f64 - 2.0;
    let powers = points.iter().map(|point| point.y * point.y);
    let mut variance = f64::EPSILON * powers.sum::<f64>().max(1e-300);
    for step in 0..STEPS {
        let line = straight_line(points, variance)?;
        let (misfit, slope) = misfit(points, &line, variance);
        if step == 0 && misfit <= wanted {
            return Some(Excess {
                variance: 0.0,
                line,
            });
        }
        if (misfit / wanted - 1.0).abs() < FOUND {
            return Some(Excess { variance, line });
        }
        variance = (variance + misfit * (misfit - wanted) / (wanted * slope)).max(0.0);
    }
    straight_line(points, variance).map(|line| Excess { variance, line })
}

/// Σ r²/(σ²+τ²) and how fast it falls with τ².
fn misfit(points: &[Point], line: &StraightLine, excess: f64) -> (f64, f64) {
    points.iter().fold((0.0, 0.0), |(sum, slope), point| {
        let weight = 1.0 / (point.variance + excess);
        let part = weight * (point.y - line.at(point.x)).powi(2);
        (sum + part, slope + weight * part)
    })
}

/// Inverts a symmetric positive definite matrix in place; `false` when it is singular for practical purposes.
pub fn invert<const N: usize>(matrix: &mut [[f64; N]; N]) -> bool {
    let scale = (0..N).fold(0.0, |most: f64, i| most.max(matrix[i][i].abs()));
    for pivot in 0..N {
        let p = matrix[pivot][pivot];
        if p.abs() <= 1e-13 * scale || !p.is_finite() {
            return false;
        }
        matrix[pivot][pivot] = 1.0;
        for cell in &mut matrix[pivot] {
            *cell /= p;
        }
        let row_of_pivot = matrix[pivot];
        for row in (0..N).filter(|&row| row != pivot) {
            let factor = matrix[row][pivot];
            matrix[row][pivot] = 0.0;
            for (cell, above) in matrix[row].iter_mut().zip(row_of_pivot) {
                *cell -= factor * above;
            }
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_times_matrix_is_one() {
        let matrix = [[4.0, 1.0, 0.5], [1.0, 3.0, 0.2], [0.5, 0.2, 2.0]];
        let mut inverse = matrix;
        assert!(invert(&mut inverse));
        for (i, row) in matrix.iter().enumerate() {
            let mut product = [0.0; 3];
            for (factor, other) in row.iter().zip(inverse) {
                for (sum, cell) in product.iter_mut().zip(other) {
                    *sum += factor * cell;
                }
            }
            for (j, cell) in product.iter().enumerate() {
                assert!((cell - f64::from(u8::from(i == j))).abs() < 1e-12);
            }
        }
        assert!(!invert(&mut [[1.0, 1.0], [1.0, 1.0]]));
    }

    #[test]
    fn points_on_a_line_have_no_excess() {
        let points: Vec<Point> = (0..50)
            .map(|i| Point {
                x: f64::from(i),
                y: 2.0 + 0.1 * f64::from(i),
                variance: 0.01,
            })
            .collect();
        let excess = excess_variance(&points).expect("fifty points");
        assert_eq!(excess.variance, 0.0);
        assert!((excess.line.slope - 0.1).abs() < 1e-12);
    }

    #[test]
    fn excess_without_measuring_noise_is_the_sample_variance() {
        let points: Vec<Point> = (0..100_i32)
            .map(|i| Point {
                x: f64::from(i),
                y: if i % 2 == 0 { 1.0 } else { -1.0 },
                variance: 1e-12,
            })
            .collect();
        let excess = excess_variance(&points).expect("a hundred points");
        assert!((excess.variance - 100.0 / 98.0).abs() < 1e-3, "{excess:?}");
    }

    #[test]
    fn excess_solves_its_equation() {
        let points: Vec<Point> = (0..80_i32)
            .map(|i| Point {
                x: f64::from(i),
                y: f64::from((i * 37) % 11) - 5.0,
                variance: 0.5 + f64::from(i % 7),
            })
            .collect();
        let excess = excess_variance(&points).expect("eighty points");
        let (found, _) = misfit(&points, &excess.line, excess.variance);
        assert!((found - 78.0).abs() < 1e-3, "{found}");
    }
}
