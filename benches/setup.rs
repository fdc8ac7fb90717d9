//! What is said of the set-up on many spans of a minute: `cargo bench --bench setup -- [SPANS] [fromSPAN]`, 1000 from the first unless
//! told.
//!
//! Spans are drawn by chance: scenes, noise, fog, the ends of the scale, the sides, the fault. Printed are the share told right
//! where there is structural evidence, the most that is claimed where there is none, and how often a stated probability is
//! right, in steps of it.

#![expect(clippy::print_stdout, reason = "figures are what a bench is for")]

use rayon::prelude::*;

use trueline::measures::levels::setup::{Case, Reading};
use trueline::units::CodeRange;

use setup::Span;

#[path = "../tests/simulation/setup.rs"]
mod setup;

const SECONDS: f64 = 60.0;

/// Spans from one table to the next: all of them take hours.
const BETWEEN: usize = 50;

/// Steps of the stated probability.
const STEPS: [f64; 7] = [0.0, 0.5, 0.7, 0.8, 0.9, 0.98, 1.0];

fn main() {
    // `cargo test --benches` runs this too, with nothing to measure.
    let words: Vec<String> = std::env::args().skip(1).collect();
    if !words.iter().any(|word| word == "--bench") {
        return;
    }
    let count = words
        .iter()
        .find_map(|word| word.parse().ok())
        .unwrap_or(1000);
    let first: u64 = words
        .iter()
        .find_map(|word| word.strip_prefix("from")?.parse().ok())
        .unwrap_or(0);
    let numbers: Vec<u64> = (first..first + count).collect();
    let mut said: Vec<(Span, Reading)> = Vec::new();
    for some in numbers.chunks(BETWEEN) {
        let before = said.len();
        said.par_extend(some.par_iter().map(|&number| {
            let span = Span::drawn(number, SECONDS);
            let said = span.judged(CodeRange::Studio);
            (span, said)
        }));
        for (span, said) in &said[before..] {
            if said.case != Case::Unknown && said.case != span.truth() {
                println!("wrong: {} of {span:?}: {said:?}", said.case.word());
            }
        }
        println!("\nspans {first} to {}", first + said.len() as u64 - 1);
        print_outcomes(&said);
        print_calibration(&said);
    }
}

fn print_outcomes(said: &[(Span, Reading)]) {
    println!(
        "{:<10} {:>6} {:>8} {:>8} {:>8}",
        "truth", "spans", "right", "wrong", "unknown"
    );
    for truth in [Case::Correct, Case::Raised, Case::Crushed] {
        let of_truth: Vec<_> = said
            .iter()
            .filter(|(span, _)| span.truth() == truth)
            .collect();
        let count = |case: &dyn Fn(Case) -> bool| {
            of_truth.iter().filter(|(_, said)| case(said.case)).count()
        };
        let right = count(&|case| case == truth);
        let unknown = count(&|case| case == Case::Unknown);
        let wrong = of_truth.len() - right - unknown;
        let spans = of_truth.len();
        println!(
            "{:<10} {spans:>6} {right:>8} {wrong:>8} {unknown:>8}",
            truth.word()
        );
    }
    let stated = said.iter().filter(|(_, said)| said.case != Case::Unknown);
    let right = stated
        .clone()
        .filter(|(span, said)| said.case == span.truth())
        .count();
    println!(
        "stated and right: {right} of {} ({:.2} %)",
        stated.clone().count(),
        100.0 * right as f64 / stated.count().max(1) as f64
    );
    let unknown = said.iter().filter(|(_, said)| said.case == Case::Unknown);
    let most = unknown
        .map(|(_, said)| said.probability.0)
        .fold(0.0, f64::max);
    println!("most claimed where nothing is stated: {most:.3}");
    let doubts = said
        .iter()
        .filter(|(_, said)| said.range_doubt.is_some())
        .count();
    println!("ranges doubted (none is wrong): {doubts}");
}

/// How often the likeliest case is right, by the probability it is given, stated or not.
fn print_calibration(said: &[(Span, Reading)]) {
    println!(
        "{:<14} {:>6} {:>10} {:>10}",
        "stated", "spans", "mean", "right"
    );
    for step in STEPS.windows(2) {
        let inside: Vec<_> = said
            .iter()
            .filter(|(_, said)| (step[0]..step[1] + 1e-12).contains(&said.probability.0))
            .filter(|(_, said)| said.probability.0 < step[1] || step[1] >= 1.0)
            .collect();
        let spans = inside.len();
        let mean = inside
            .iter()
            .map(|(_, said)| said.probability.0)
            .sum::<f64>()
            / spans.max(1) as f64;
        let right = inside
            .iter()
            .filter(|(span, said)| said.likeliest == span.truth())
            .count();
        println!(
            "{:.2} to {:.2}   {spans:>6} {mean:>10.3} {:>10.3}",
            step[0],
            step[1],
            right as f64 / spans.max(1) as f64
        );
    }
}
