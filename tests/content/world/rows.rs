//! Takes out of errors what fields, lines and rows of the scene have in common, by least squares weighted by the bound.

use super::score::Seen;

/// Rounds of conjugate gradients: far more than the sum needs to settle to a hundredth of the noise.
const ROUNDS: usize = 400;
/// Rows of the scene beyond the field on either side.
const BEYOND: usize = 64;

/// One good line of a field: error = constant of the line + that of the scene's row, between two rows in proportion, + a straight
/// line of the field. All are fitted together: the levels of fields are only as sharp as the constants are known.
struct Point<'a> {
    field: &'a Seen,
    number: usize,
    row: usize,
    /// Lower of the two rows, and the share of the upper.
    scene: (usize, f64),
    error: f64,
    bound: f64,
}

/// Good lines with what is left of their errors, scaled up for the variance that the constants took along; a line with none where
/// too few are left to tell.
pub fn without_rows<'a>(
    fields: &[&'a Seen],
    errors: &[Vec<Option<f64>>],
) -> Vec<(&'a Seen, usize, Option<f64>)> {
    let rows = fields.first().map_or(0, |field| field.truth.len());
    let unknowns = first_level(rows) + 2 * fields.len();
    let mut points = Vec::new();
    let mut lines = Vec::new();
    for (number, (field, errors)) in fields.iter().zip(errors).enumerate() {
        for (row, error) in errors.iter().enumerate() {
            match error.filter(|_| field.is_good(row)) {
                Some(error) => points.push(Point {
                    scene: scene_row(field.scene_row[row], rows),
                    field,
                    number,
                    row,
                    error,
                    bound: field.bound[row],
                }),
                None => lines.push((*field, row, None)),
            }
        }
    }
    let left = residuals(&points, rows, unknowns);
    let free = points.len() as f64 - used(&points, rows, unknowns) as f64;
    let scale = (points.len() as f64 / free).sqrt();
    let told = free > 0.3 * points.len() as f64;
    for (point, left) in points.iter().zip(left) {
        lines.push((
            point.field,
            point.row,
            told.then_some(left * point.bound * scale),
        ));
    }
    lines
}

/// Unknowns are the constants of the lines, of the scene's rows, and level and slope of each field.
fn first_level(rows: usize) -> usize {
    rows + rows + 2 * BEYOND + 1
}

/// From −1 at the top to 1.
fn height(row: usize, rows: usize) -> f64 {
    2.0 * row as f64 / rows as f64 - 1.0
}

fn scene_row(place: f64, rows: usize) -> (usize, f64) {
    let place = (place + BEYOND as f64).clamp(0.0, (rows + 2 * BEYOND) as f64 - 1.0);
    (place as usize, place.fract())
}

/// Unknowns that some point says something of; levels and slopes are shared by lines, rows and fields, and count once.
fn used(points: &[Point], rows: usize, unknowns: usize) -> usize {
    let mut seen = vec![false; unknowns];
    for point in points {
        seen[point.row] = true;
        seen[rows + point.scene.0] = true;
        seen[rows + point.scene.0 + 1] |= point.scene.1 > 1e-6;
        let level = first_level(rows) + 2 * point.number;
        seen[level] = true;
        seen[level + 1] = true;
    }
    seen.iter().filter(|&&seen| seen).count().saturating_sub(4)
}

/// Errors over bounds less the least-squares constants, by conjugate gradients on the normal equations.
fn residuals(points: &[Point], rows: usize, unknowns: usize) -> Vec<f64> {
    let mut left: Vec<f64> = points
        .iter()
        .map(|point| point.error / point.bound)
        .collect();
    let mut gradient = spread(points, &left, rows, unknowns);
    let mut direction = gradient.clone();
    let mut size = square(&gradient);
    let floor = 1e-12 * size;
    for _ in 0..ROUNDS {
        if size <= floor {
            break;
        }
        let change: Vec<f64> = points
            .iter()
            .map(|point| gather(point, &direction, rows))
            .collect();
        let step = size / square(&change);
        for (left, change) in left.iter_mut().zip(&change) {
            *left -= step * change;
        }
        gradient = spread(points, &left, rows, unknowns);
        let before = std::mem::replace(&mut size, square(&gradient));
        for (direction, gradient) in direction.iter_mut().zip(&gradient) {
            *direction = gradient + size / before * *direction;
        }
    }
    left
}

fn square(values: &[f64]) -> f64 {
    values.iter().map(|value| value * value).sum()
}

fn gather(point: &Point, constants: &[f64], rows: usize) -> f64 {
    let (lower, share) = point.scene;
    let scene = &constants[rows + lower..];
    let field = &constants[first_level(rows) + 2 * point.number..];
    let sum = constants[point.row]
        + (1.0 - share) * scene[0]
        + share * scene[1]
        + field[0]
        + height(point.row, rows) * field[1];
    sum / point.bound
}

fn spread(points: &[Point], left: &[f64], rows: usize, unknowns: usize) -> Vec<f64> {
    let mut sums = vec![0.0; unknowns];
    for (point, left) in points.iter().zip(left) {
        let left = left / point.bound;
        let (lower, share) = point.scene;
        sums[point.row] += left;
        sums[rows + lower] += (1.0 - share) * left;
        sums[rows + lower + 1] += share * left;
        let level = first_level(rows) + 2 * point.number;
        sums[level] += left;
        sums[level + 1] += height(point.row, rows) * left;
    }
    sums
}
