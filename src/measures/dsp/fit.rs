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
    let (mut sum, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0);
    for point in points {
        let weight = 1.0 / (point.variance + excess);
        sum += weight;
        sum_x += weight * point.x;
        sum_y += weight * point.y;
    }
    let (centre, level) = (sum_x / sum, sum_y / sum);
    let (mut xx, mut xy) = (0.0, 0.0);
    for point in points {
        let weight = 1.0 / (point.variance + excess);
        xx += weight * (point.x - centre).powi(2);
        xy += weight * (point.x - centre) * (point.y - level);
    }
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

/// Halvings of the bracket of τ²: 2⁻⁴⁰ of it is below any noise.
const HALVINGS: usize = 40;

/// The τ² ≥ 0 with Σ rᵢ²/(σᵢ²+τ²) = n − 2 (Paule and Mandel 1982); `None` of fewer than three points.
#[must_use]
pub fn excess_variance(points: &[Point]) -> Option<Excess> {
    let wanted = points.len() as f64 - 2.0;
    let at = |variance: f64| {
        straight_line(points, variance)
            .map(|line| (Excess { variance, line }, misfit(points, line, variance)))
    };
    let floor = f64::EPSILON * points.iter().map(|p| p.y * p.y).sum::<f64>().max(1e-300);
    let (mut best, lowest) = at(floor)?;
    if lowest <= wanted {
        best.variance = 0.0;
        return Some(best);
    }
    let flat = straight_line(points, 1e30)?;
    let mut high = points
        .iter()
        .map(|p| (p.y - flat.at(p.x)).powi(2))
        .sum::<f64>()
        / wanted
        + floor;
    let mut low = 0.0;
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        let (excess, found) = at(middle)?;
        best = excess;
        if (found / wanted - 1.0).abs() < 1e-7 {
            break;
        }
        if found > wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(best)
}

fn misfit(points: &[Point], line: StraightLine, excess: f64) -> f64 {
    points
        .iter()
        .map(|point| (point.y - line.at(point.x)).powi(2) / (point.variance + excess))
        .sum()
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
            for j in 0..3 {
                let product: f64 = (0..3).map(|k| row[k] * inverse[k][j]).sum();
                assert!((product - f64::from(u8::from(i == j))).abs() < 1e-12);
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
        let found = misfit(&points, excess.line, excess.variance);
        assert!((found - 78.0).abs() < 1e-3, "{found}");
    }
}
