//! The tables.

use std::collections::BTreeMap;

use crate::run::{Cell, Pictures, on_all};
use crate::world::camera::Motion;
use crate::world::jitter::Jitter;
use crate::world::render::{Noise, Sampling};
use crate::world::score::{Score, wobble};

/// The scenes that figures are compared on.
pub(crate) const REFERENCE: [&str; 6] = [
    "astronaut",
    "camera",
    "coffee",
    "motorcycle_left",
    "rocket",
    "diagonal",
];

const PAN: Motion = Motion::Pan(1.7);

const MOTIONS: [Motion; 9] = [
    Motion::Static,
    PAN,
    Motion::Object,
    Motion::VerticalPan(0.5),
    Motion::VerticalPan(1.0),
    Motion::VerticalPan(0.37),
    Motion::HandHeld,
    Motion::Zoom(0.005),
    Motion::Cut,
];

/// Noise in dB with the targets there: error of good lines in samples, share of fine lines covered in percent.
const NOISES: [(f64, f64, f64); 3] = [
    (46.0, 0.008, 90.0),
    (38.0, 0.015, 88.0),
    (30.0, 0.030, 80.0),
];
const OVER_BOUND: f64 = 1.25;

pub(crate) fn print(words: &[String]) {
    let pictures = Pictures::read(&REFERENCE);
    bound(&pictures, words);
    motion(&pictures, words);
    steady(&pictures, words);
}

fn noise(decibels: f64, coloured: bool) -> Noise {
    Noise { decibels, coloured }
}

fn asked(table: &str, words: &[String], cells: impl Iterator<Item = Cell>) -> Vec<Cell> {
    cells
        .filter(|cell| cell.is_asked_for(table, words))
        .map(|mut cell| {
            cell.keep_noises(words);
            cell
        })
        .collect()
}

/// Error over the bound, static and panned, each jitter at each noise.
fn bound(pictures: &Pictures, words: &[String]) {
    let noises: Vec<Noise> = [false, true]
        .iter()
        .flat_map(|&coloured| NOISES.map(|(decibels, ..)| noise(decibels, coloured)))
        .collect();
    let mut cells = Vec::new();
    for rows in [240, 288] {
        for motion in [Motion::Static, PAN] {
            for jitter in Jitter::REFERENCE {
                for picture in REFERENCE {
                    let cell = Cell {
                        picture,
                        motion,
                        jitter,
                        sampling: Sampling::Rows,
                        rows,
                        noises: noises.clone(),
                    };
                    // The other raster is tried with one jitter.
                    if rows == 240 || jitter == Jitter::All {
                        cells.push(cell);
                    }
                }
            }
        }
    }
    let cells = asked("bound", words, cells.into_iter());
    if cells.is_empty() {
        return;
    }
    println!(
        "\nbound: error of good lines (sigma <= 0.1), its ratio to the Cramer-Rao bound and share covered of lines whose bound is\n\
         < 0.05 sample, robust deviation of error/sigma; rms over scenes"
    );
    println!(
        "{:<26} {:>4} {:>8} | {:>7} {:>6} | {:>5} {:>5} | {:>5} {:>4} | {:>5} | {:>6} {:>5} | {:>4}",
        "jitter, motion, rows",
        "dB",
        "noise",
        "good",
        "target",
        "ratio",
        "tgt",
        "cov",
        "tgt",
        "z",
        "bound",
        "lines",
        "cuts"
    );
    let scores = on_all(&cells, |cell| scores(cell, pictures));
    let mut rows: Vec<(String, Vec<Score>)> = Vec::new();
    let mut sums: Vec<(String, Vec<Score>)> = Vec::new();
    let mut by_scene: BTreeMap<&str, Vec<Score>> = BTreeMap::new();
    for (cell, scores) in cells.iter().zip(scores) {
        let Some(scores) = scores else { continue };
        let name = format!(
            "{} {} {}",
            cell.jitter.name(),
            cell.motion.name(),
            cell.rows
        );
        merge(row_of(&mut rows, &name), &scores);
        merge(row_of(&mut sums, &format!("~ all {}", cell.rows)), &scores);
        merge(by_scene.entry(cell.picture).or_default(), &scores);
    }
    let scenes = by_scene
        .into_iter()
        .map(|(name, scores)| (name.to_owned(), scores));
    rows.extend(scenes);
    rows.extend(sums);
    for (name, scores) in &rows {
        for (noise, score) in cells[0].noises.iter().zip(scores) {
            print_bound(name, *noise, score);
        }
    }
}

fn row_of<'a>(rows: &'a mut Vec<(String, Vec<Score>)>, name: &str) -> &'a mut Vec<Score> {
    let place = rows
        .iter()
        .position(|(known, _)| known == name)
        .unwrap_or_else(|| {
            rows.push((name.to_owned(), Vec::new()));
            rows.len() - 1
        });
    &mut rows[place].1
}

fn merge(into: &mut Vec<Score>, scores: &[Score]) {
    into.resize_with(scores.len(), Score::default);
    for (sum, score) in into.iter_mut().zip(scores) {
        sum.merge(score);
    }
}

fn print_bound(name: &str, noise: Noise, score: &Score) {
    let (_, good, covered) = NOISES
        .into_iter()
        .find(|(decibels, ..)| *decibels == noise.decibels)
        .expect("the noises of the table are those with targets");
    println!(
        "{name:<26} {:>4} {:>8} | {:>7.4} {good:>6.3} | {:>5.2} {OVER_BOUND:>5} | {:>5.1} {covered:>4} | {:>5.2} | {:>6.4} {:>5.1} | {:>4}",
        noise.decibels,
        noise.colour(),
        score.good.value(),
        score.over_bound.value(),
        score.fine_covered.percent(),
        score.honesty(),
        score.bound.value(),
        score.covered.percent(),
        score.cuts_invented,
    );
}

fn scores(cell: &Cell, pictures: &Pictures) -> Option<Vec<Score>> {
    let runs = cell.run(pictures)?;
    let bent = cell.motion.bends_the_picture();
    Some(runs.iter().map(|run| Score::of(run, bent)).collect())
}

/// Each scene with each motion, all jitter, 38 dB.
fn motion(pictures: &Pictures, words: &[String]) {
    let cells = asked(
        "motion",
        words,
        motion_cells(Jitter::All, &[noise(38.0, false)]),
    );
    if cells.is_empty() {
        return;
    }
    println!(
        "\nmotion: all jitter, 38 dB. good = error of good lines; lines = share of all (for object: of untouched) lines that are\n\
         good; cov = of those whose bound is < 0.05; fooled = good lines the object owns wrong by > 0.1, of those it owns;\n\
         cuts = missed+invented"
    );
    println!(
        "{:<28} | {:>7} {:>6} | {:>5} {:>4} | {:>5} | {:>5} | {:>5} | {:>11} {:>7} | {:>5}",
        "motion, scene",
        "good",
        "target",
        "lines",
        "tgt",
        "cov",
        "ratio",
        "z",
        "fooled",
        "crossed",
        "cuts"
    );
    let scores = on_all(&cells, |cell| scores(cell, pictures));
    let mut sums: Vec<(String, Vec<Score>)> = Vec::new();
    for (cell, scores) in cells.iter().zip(scores) {
        let Some(scores) = scores else { continue };
        let motion = motion_name(cell);
        print_motion(
            cell.motion,
            &format!("{motion} {}", cell.picture),
            &scores[0],
        );
        merge(row_of(&mut sums, &motion), &scores);
    }
    for cell in &cells {
        let motion = motion_name(cell);
        if let Some(place) = sums.iter().position(|(name, _)| *name == motion) {
            let (name, scores) = sums.remove(place);
            print_motion(cell.motion, &format!("~ all {name}"), &scores[0]);
        }
    }
}

fn motion_cells(jitter: Jitter, noises: &[Noise]) -> impl Iterator<Item = Cell> {
    let kinds = MOTIONS
        .into_iter()
        .map(|motion| (motion, Sampling::Rows))
        .chain(
            MOTIONS
                .into_iter()
                .filter(|motion| {
                    matches!(
                        motion,
                        Motion::VerticalPan(_) | Motion::HandHeld | Motion::Zoom(_)
                    )
                })
                .map(|motion| (motion, Sampling::Pairs)),
        );
    kinds.flat_map(move |(motion, sampling)| {
        REFERENCE.map(|picture| Cell {
            picture,
            motion,
            jitter,
            sampling,
            rows: 240,
            noises: noises.to_vec(),
        })
    })
}

fn motion_name(cell: &Cell) -> String {
    let pairs = if cell.sampling == Sampling::Pairs {
        "/pairs"
    } else {
        ""
    };
    format!("{}{pairs}", cell.motion.name())
}

/// Target error in samples and share of lines in percent.
fn target(motion: Motion) -> (f64, f64) {
    match motion {
        Motion::Static | Motion::Pan(_) | Motion::Cut => (0.015, 88.0),
        Motion::Object => (0.05, 60.0),
        Motion::VerticalPan(_) | Motion::HandHeld | Motion::Zoom(_) => (0.06, 60.0),
    }
}

fn print_motion(motion: Motion, name: &str, score: &Score) {
    let (error, share) = target(motion);
    println!(
        "{name:<28} | {:>7.4} {error:>6} | {:>5.1} {share:>4} | {:>5.1} | {:>5.2} | {:>5.2} | {:>4} of {:>4} {:>7.3} | {:>2}+{:<2}",
        score.good.value(),
        score.covered.percent(),
        score.fine_covered.percent(),
        score.over_bound.value(),
        score.honesty(),
        score.fooled.hits(),
        score.fooled.of(),
        score.crossed.value(),
        score.cuts_missed,
        score.cuts_invented,
    );
}

/// What is said of wobble where there is none, by motion.
fn steady(pictures: &Pictures, words: &[String]) {
    const MOST: f64 = 0.3;
    let noises = NOISES.map(|(decibels, ..)| noise(decibels, false));
    let cells = asked("steady", words, motion_cells(Jitter::None, &noises));
    if cells.is_empty() {
        return;
    }
    println!(
        "\nsteady: no jitter; wobble said to be there (samples, noise taken out), largest of a field / rms over fields (fields that say"
    );
    println!("anything of 20); target: < {MOST}");
    let columns: Vec<String> = cells[0]
        .noises
        .iter()
        .map(|noise| format!("{:>17} dB", noise.decibels))
        .collect();
    println!("{:<28} | {}", "motion, scene", columns.join(" | "));
    let runs = on_all(&cells, |cell| {
        let runs = cell.run(pictures)?;
        Some(runs.iter().map(|run| wobble(run)).collect::<Vec<_>>())
    });
    for (cell, runs) in cells.iter().zip(runs) {
        let Some(runs) = runs else { continue };
        let figures: Vec<String> = runs.iter().map(|wobble| said_of(wobble)).collect();
        println!(
            "{:<28} | {}",
            format!("{} {}", motion_name(cell), cell.picture),
            figures.join(" | ")
        );
    }
}

fn said_of(wobble: &[f64]) -> String {
    let largest = wobble.iter().copied().fold(0.0, f64::max);
    let squares: f64 = wobble.iter().map(|value| value * value).sum();
    let rms = (squares / wobble.len() as f64).sqrt();
    format!("{largest:>6.3} / {rms:>5.3} ({:>2})", wobble.len())
}
