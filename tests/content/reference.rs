//! Displacements of lines beside those that numpy finds by least squares on the exactly interpolated reference.

use serde_json::Value;

use trueline::fields::Plane;
use trueline::measures::line_timing::content::ContentTiming;
use trueline::standard::Parity;

const ROWS: usize = 240;

fn numbers(fixture: &Value, name: &str) -> Vec<f64> {
    let list = fixture[name].as_array().expect("a list");
    list.iter().filter_map(Value::as_f64).collect()
}

fn codes(hex: &Value) -> Vec<u8> {
    let digits = hex.as_str().expect("hex digits").as_bytes();
    let digit = |byte: u8| char::from(byte).to_digit(16).expect("a hex digit") as u8;
    digits
        .chunks_exact(2)
        .map(|pair| 16 * digit(pair[0]) + digit(pair[1]))
        .collect()
}

/// A field of the fixture's lines, over and over.
fn field(lines: &Value) -> Plane {
    let lines = lines.as_array().expect("a list");
    let samples: Vec<u8> = (0..ROWS)
        .flat_map(|row| codes(&lines[row % lines.len()]))
        .collect();
    Plane {
        width: samples.len() / ROWS,
        samples,
        rows: ROWS,
    }
}

/// Least squares is at the bound; an estimator that pays a tenth of its variance for being robust differs from it by a third of
/// the standard error, and lines at the picture's sides show a little less to one that does not wrap around.
#[test]
fn displacements_are_those_of_least_squares_in_numpy() {
    const MOST_APART: f64 = 0.5;
    let text = include_str!("../../fixtures/reference/registration.json");
    let fixture: Value = serde_json::from_str(text).expect("the fixture is JSON");
    let (reference, moved) = (field(&fixture["references"]), field(&fixture["lines"]));
    let expected = numbers(&fixture, "least_squares");
    let sigmas = numbers(&fixture, "sigma");
    let columns = 0..reference.width;
    let mut timing = ContentTiming::new();
    timing.time(&reference, Parity::Top, columns.clone());
    timing.time(&reference, Parity::Bottom, columns.clone());
    let trace = timing.time(&moved, Parity::Top, columns);
    let errors: Vec<(f64, f64)> = (0..ROWS)
        .filter_map(|row| {
            let line = row % expected.len();
            let ours = f64::from(trace.line(row)?.value);
            Some((ours - expected[line], sigmas[line]))
        })
        .collect();
    assert!(errors.len() > ROWS * 9 / 10, "{} lines", errors.len());
    let mean = errors.iter().map(|(error, _)| error).sum::<f64>() / errors.len() as f64;
    let squares: f64 = errors
        .iter()
        .map(|(error, sigma)| ((error - mean) / sigma).powi(2))
        .sum();
    let apart = (squares / errors.len() as f64).sqrt();
    assert!(apart < MOST_APART, "{apart} standard errors apart");
}
