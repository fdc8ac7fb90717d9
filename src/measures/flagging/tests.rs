use super::*;
use crate::measures::line_timing::testing::reading_of;

const ONE: f64 = 1000.0 / 13.5;
const LINE_RATE: f64 = 15_734.264;

/// A hash of the row, −1 to 1, about 10 ns where it is used.
fn jitter(row: usize) -> f64 {
    10.0 * ((row * 7919 % 101) as f64 / 50.0 - 1.0)
}

fn look(shift: impl Fn(usize) -> Option<f64>) -> Reading {
    Flagging::default().measure(&reading_of(240, shift))
}

/// What a loop leaves of a step, by integrating its differential equation in steps of 1/64 line: e″ = −2ζω e′ − ω² e after a jump of
/// one, or e′ = −ω e for a loop of first order.
fn left_of_a_step(hertz: f64, damping: Option<f64>, lines: usize) -> Vec<f64> {
    const STEPS: usize = 64;
    let step = 1.0 / (LINE_RATE * STEPS as f64);
    let omega = std::f64::consts::TAU * hertz;
    // Error, and the loop's integral of it.
    let (mut error, mut integral) = (1.0, 0.0);
    let mut left = Vec::new();
    for _ in 0..lines {
        left.push(error);
        for _ in 0..STEPS {
            let slope = |error: f64, integral: f64| match damping {
                None => (-omega * error, 0.0),
                Some(zeta) => (
                    -2.0 * zeta * omega * error - omega * omega * integral,
                    error,
                ),
            };
            let (e1, i1) = slope(error, integral);
            let (e2, i2) = slope(error + 0.5 * step * e1, integral + 0.5 * step * i1);
            error += step * e2;
            integral += step * i2;
        }
    }
    left
}

struct Truth {
    offset: f64,
    decay: f64,
    /// Rms of what is left in the lower half of the field, over the offset.
    unsettled: f64,
    lines: Vec<f64>,
}

/// The picture lines of a loop that met a step `before` lines earlier, scaled so that the first stands off by `samples`.
fn settling(hertz: f64, damping: Option<f64>, before: usize, samples: f64) -> Truth {
    let rows = 232;
    let left = left_of_a_step(hertz, damping, before + 240);
    let lower: f64 = left[before + rows / 2..before + rows].iter().sum::<f64>() / (rows / 2) as f64;
    let scale = samples * ONE / (left[before] - lower);
    let lines: Vec<f64> = left[before..].iter().map(|e| scale * e).collect();
    let size = |row: usize| (lines[row] - scale * lower).abs();
    let limit = samples.abs() * ONE / std::f64::consts::E;
    let last = (0..rows).rev().find(|&row| size(row) > limit);
    let left: f64 = (rows / 2..rows).map(|row| size(row).powi(2)).sum();
    Truth {
        offset: samples * ONE,
        unsettled: (left / (rows / 2) as f64).sqrt() / (samples.abs() * ONE),
        decay: last.map_or(f64::INFINITY, |row| row as f64 + 0.5),
        lines,
    }
}

/// Loops whose visible bend dies away over 5 to 40 lines: of both orders, the second with every damping.
fn loops() -> impl Iterator<Item = (f64, Option<f64>, usize)> {
    let first = [63.0, 100.0, 200.0, 500.0].map(|hertz| (hertz, None));
    let second = [30.0, 45.0, 60.0, 80.0, 100.0, 150.0, 200.0, 300.0]
        .into_iter()
        .flat_map(|hertz| [0.5, 0.7, 1.0, 1.5, 2.0].map(|zeta| (hertz, Some(zeta))));
    let all: Vec<_> = first.into_iter().chain(second).collect();
    all.into_iter()
        .flat_map(|(hertz, zeta)| [17, 22, 27].map(|before| (hertz, zeta, before)))
}

fn check_all(seen: impl Fn(usize) -> bool) {
    let mut checked = 0;
    for (hertz, zeta, before) in loops() {
        for samples in [-20.0, -6.0, -2.0, 2.0, 6.0, 20.0] {
            let truth = settling(hertz, zeta, before, samples);
            if !(5.0..=40.0).contains(&truth.decay) {
                continue;
            }
            let what = format!("{hertz} Hz, damping {zeta:?}, {before} lines, {samples} samples");
            let found = look(|row| seen(row).then(|| 25.0 + jitter(row) + truth.lines[row]));
            if truth.unsettled > 0.1 && found.offset.is_none() {
                continue; // swings through the whole field: that may be a wave
            }
            let offset = found.offset.expect(&what);
            let tolerance = 0.05 * truth.offset.abs() + 0.1 * ONE;
            let error = offset.value.0 - truth.offset;
            assert!(error.abs() < tolerance, "{what}: {error} {found:?}");
            let decay = found.decay.expect(&what).value.0;
            assert!(
                (decay - truth.decay).abs() < 0.15 * truth.decay + 1.5,
                "{what}: {} {found:?}",
                truth.decay
            );
            checked += 1;
        }
    }
    assert!(checked > 300, "{checked}");
}

#[test]
fn the_bend_of_every_loop_is_measured() {
    check_all(|_| true);
}

#[test]
fn missing_lines_are_allowed() {
    check_all(|row| row % 3 != 1);
}

#[test]
fn the_curve_follows_the_lines() {
    let truth = settling(60.0, Some(1.0), 17, 8.0);
    let found = look(|row| Some(25.0 + jitter(row) + truth.lines[row]));
    for row in [0, 1, 5, 20, 60, 150, 231] {
        let at = found.at(row).expect("a bend stands out").0;
        let error = at - 25.0 - truth.lines[row];
        assert!(error.abs() < 10.0, "{row}: {error}");
    }
    assert_eq!(found.at(232), None, "no picture line");
}

#[test]
fn a_hook_above_a_slant_is_measured_against_the_lower_half() {
    let hook = |row: f64| 400.0 * (-row / 12.0).exp();
    let found = look(|row| Some(jitter(row) + 0.25 * row as f64 + hook(row as f64)));
    let offset = found.offset.expect("the top is seen").value.0;
    let expected = 400.0 - 0.25 * 0.75 * 232.0;
    assert!((offset - expected).abs() < 35.0, "{found:?}");
}

#[test]
fn a_straight_top_is_zero_within_its_error() {
    let found = look(|row| Some(jitter(row)));
    let offset = found.offset.expect("the top is seen");
    assert!(offset.value.0.abs() < 3.0 * offset.sigma.0, "{found:?}");
    assert!(found.decay.is_none() && found.at(0).is_none());
}

#[test]
fn a_wave_is_no_bend() {
    for period in [10.0, 24.0, 48.0, 90.0, 131.0, 262.5, 525.0] {
        for phase in 0..24 {
            let turn = std::f64::consts::TAU / 24.0 * f64::from(phase);
            let wave =
                |row: usize| 150.0 * (std::f64::consts::TAU * row as f64 / period + turn).sin();
            let found = look(|row| Some(jitter(row) + wave(row)));
            assert!(found.decay.is_none(), "{period} {phase} {found:?}");
            if let Some(offset) = found.offset {
                let most = SIGNIFICANT * offset.sigma.0;
                assert!(offset.value.0.abs() <= most, "{period} {phase} {found:?}");
            }
        }
    }
}

#[test]
fn a_tear_is_left_out() {
    let found = look(|row| {
        let torn = if (50..58).contains(&row) { 900.0 } else { 0.0 };
        Some(jitter(row) + torn + 200.0 * (-(row as f64) / 10.0).exp())
    });
    let offset = found.offset.expect("the top is seen").value.0;
    assert!((offset - 200.0).abs() < 20.0, "{found:?}");
}

#[test]
fn an_unseen_top_says_nothing() {
    assert!(look(|row| (row > 6).then(|| jitter(row))).offset.is_none());
    assert!(look(|_| None).offset.is_none());
}

#[test]
fn offsets_are_those_of_a_fit_made_elsewhere() {
    let text = include_str!("../../../fixtures/reference/settling.json");
    let reference: serde_json::Value = serde_json::from_str(text).expect("the file is in order");
    let cases = reference["cases"].as_array().expect("a list of cases");
    assert!(!cases.is_empty());
    for case in cases {
        let values = case["values"].as_array().expect("a value a line");
        let found = look(|row| Some(values.get(row)?.as_f64()? * ONE));
        let offset = found.offset.expect("the top is seen").value.0 / ONE;
        let expected = case["offset"].as_f64().expect("a number");
        let error = offset - expected;
        assert!(
            error.abs() < 0.05 * expected.abs() + 0.1,
            "{}: {error} {found:?}",
            case["name"]
        );
    }
}
