//! How soon the alarm tells of wobble that begins in a steady shot: `cargo bench --bench onset -- [WORD…]`.
//!
//! Every picture, border, wobble and standard, from a camera on a tripod and one that pans. A case counts where at least three
//! tenths of the lines tell; misses are printed. Words pick cases.

#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "figures are what a bench is for"
)]

use rayon::prelude::*;

use trueline::sources::tape::Picture;
use trueline::standard::Standard;

use onset::{CAMERAS, Case, SIDES, SOON, WOBBLES};

#[path = "../tests/simulation/onset.rs"]
mod onset;

const PICTURES: [Picture; 9] = [
    Picture::Harbour,
    Picture::Street,
    Picture::Park,
    Picture::Hall,
    Picture::Notice,
    Picture::Meadow,
    Picture::Night,
    Picture::Fog,
    Picture::Wall,
];

fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for picture in PICTURES {
        for standard in [Standard::Lines525, Standard::Lines625] {
            for camera in CAMERAS {
                for sides in SIDES {
                    cases.extend(WOBBLES.map(|wobble| Case {
                        picture,
                        standard,
                        camera,
                        sides,
                        wobble,
                    }));
                }
            }
        }
    }
    cases
}

fn main() {
    // `cargo test --benches` runs this too, with nothing to measure.
    let words: Vec<String> = std::env::args().skip(1).collect();
    if !words.iter().any(|word| word == "--bench") {
        return;
    }
    let words: Vec<&String> = words
        .iter()
        .filter(|word| !word.starts_with("--"))
        .collect();
    let mut cases = cases();
    cases.retain(|case| {
        let name = case.to_string();
        words.iter().all(|word| name.contains(word.as_str()))
    });
    // On all processors; outcomes in order.
    let outcomes: Vec<_> = cases
        .into_par_iter()
        .map(|case| {
            let outcome = case.play();
            eprintln!("{case}: {:?}", outcome.in_time());
            (case, outcome)
        })
        .collect();
    for (basis, _) in SIDES {
        let of_basis = outcomes.iter().filter(|(case, _)| case.sides.0 == basis);
        let mut counts = [0, 0, 0];
        for (_, outcome) in of_basis {
            counts[match outcome.in_time() {
                Some(true) => 0,
                Some(false) => 1,
                None => 2,
            }] += 1;
        }
        let [soon, late, unseen] = counts;
        println!(
            "{basis:<12} told within {SOON} fields: {soon:>3}; later or not: {late:>3}; too few lines tell: {unseen:>3}"
        );
    }
    for (case, outcome) in outcomes
        .iter()
        .filter(|(_, outcome)| outcome.in_time() == Some(false))
    {
        let coverage = 100.0 * outcome.coverage;
        match outcome.after {
            Some(0) => println!("{case}: rang before it began"),
            Some(fields) => println!("{case}: after {fields} fields, {coverage:.0} % of lines"),
            None => println!("{case}: not told, {coverage:.0} % of lines"),
        }
    }
}
