//! The tables.

use std::collections::BTreeMap;

use crate::run::{Cell, Pictures, on_all};
use crate::world::camera::Motion;
use crate::world::jitter::Jitter;
use crate::world::render::{Noise, Sampling};
use crate::world::score::{Score, Seen, Unknown, wobble};

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

/// The score with what a pan takes away taken out, and with a straight line of each field taken out as well.
#[derive(Clone, Debug, Default)]
struct Trial {
    level: Score,
    line: Score,
    /// With what each row of the scene has in common taken out too, where the picture moves up or down.
    rows: Score,
}

impl Trial {
    fn of(run: &[Seen], motion: Motion) -> Self {
        let moves_rows = matches!(
            motion,
            Motion::VerticalPan(_) | Motion::HandHeld | Motion::Zoom(_)
        );
        let unknown = if moves_rows {
            Unknown::SceneRows
        } else {
            Unknown::Line
        };
        Self {
            level: Score::of(run, Unknown::Level),
            line: Score::of(run, Unknown::Line),
            rows: Score::of(run, unknown),
        }
    }

    fn merge(&mut self, other: &Self) {
        self.level.merge(&other.level);
        self.line.merge(&other.line);
        self.rows.merge(&other.rows);
    }
}

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
        "\nbound: good = rms error of good lines (sigma <= 0.1 sample); ratio = of those whose bound is < 0.05 sample, error over\n\
         Cramer-Rao bound; cov = share of those that are good. /line = with a straight line of each field taken out of the error,\n\
         for what is not told from a tilt; fine = good/line of those with a bound < 0.05. z = robust deviation of error/sigma (/line); bound = rms over good lines; lines = good\n\
         among all; cuts = scene cuts called without one"
    );
    println!(
        "{:<26} {:>4} {:>8} | target {:>7} {:>7} {:>7} | target {:>6} {:>6} | target {:>5} | {:>5} | {:>6} {:>5} {:>4}",
        "jitter, motion, rows",
        "dB",
        "noise",
        "good",
        "/line",
        "fine",
        "ratio",
        "/line",
        "cov",
        "z",
        "bound",
        "lines",
        "cuts"
    );
    let scores = on_all(&cells, |cell| trials(cell, pictures));
    let mut rows: Vec<(String, Vec<Trial>)> = Vec::new();
    let mut sums: Vec<(String, Vec<Trial>)> = Vec::new();
    let mut by_scene: BTreeMap<&str, Vec<Trial>> = BTreeMap::new();
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
    zones(&cells[0].noises, &rows);
}

/// Where in the field the errors are, at the first noise of the table.
fn zones(noises: &[Noise], rows: &[(String, Vec<Trial>)]) {
    println!(
        "\nzones: good/line at {} dB: the top 40 lines, where the picture flags; the middle; the last 7, where the heads switch",
        noises[0].decibels
    );
    for (name, trials) in rows {
        let zones = trials[0].line.zones;
        let figures = zones.map(|zone| format!("{:>7.4}", zone.value())).join(" ");
        println!("{name:<26} | {figures}");
    }
}

fn row_of<'a>(rows: &'a mut Vec<(String, Vec<Trial>)>, name: &str) -> &'a mut Vec<Trial> {
    let place = rows
        .iter()
        .position(|(known, _)| known == name)
        .unwrap_or_else(|| {
            rows.push((name.to_owned(), Vec::new()));
            rows.len() - 1
        });
    &mut rows[place].1
}

fn merge(into: &mut Vec<Trial>, trials: &[Trial]) {
    into.resize_with(trials.len(), Trial::default);
    for (sum, trial) in into.iter_mut().zip(trials) {
        sum.merge(trial);
    }
}

fn print_bound(name: &str, noise: Noise, trial: &Trial) {
    let (_, good, covered) = NOISES
        .into_iter()
        .find(|(decibels, ..)| *decibels == noise.decibels)
        .expect("the noises of the table are those with targets");
    let Trial { level, line, .. } = trial;
    println!(
        "{name:<26} {:>4} {:>8} | {good:>6.3} {:>7.4} {:>7.4} {:>7.4} | {OVER_BOUND:>6} {:>6.2} {:>6.2} | {covered:>6} {:>5.1} | {:>5.2} | {:>6.4} {:>5.1} {:>4}",
        noise.decibels,
        noise.colour(),
        level.good.value(),
        line.good.value(),
        line.fine.value(),
        level.over_bound.value(),
        line.over_bound.value(),
        level.fine_covered.percent(),
        line.honesty(),
        level.bound.value(),
        level.covered.percent(),
        level.cuts_invented,
    );
}

fn trials(cell: &Cell, pictures: &Pictures) -> Option<Vec<Trial>> {
    let runs = cell.run(pictures)?;
    Some(runs.iter().map(|run| Trial::of(run, cell.motion)).collect())
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
        "\nmotion: all jitter, 38 dB; columns as above. /rows (with ratio and z) = with a constant of each row of the scene taken out,\n\
         where the picture moves up or down: what line error a row was first seen under is not known. For object: lines = those it does not touch; fooled = good lines wrong by\n\
         > 0.1 sample (/line) among those it owns; crossed = error (/line) of good lines it crosses; cuts = missed+invented"
    );
    println!(
        "{:<30} | target {:>7} {:>7} {:>7} | target {:>5} | {:>5} {:>6} {:>5} | {:>12} {:>7} | {:>5}",
        "motion, scene",
        "good",
        "/line",
        "/rows",
        "lines",
        "cov",
        "ratio/",
        "z",
        "fooled",
        "crossed",
        "cuts"
    );
    let scores = on_all(&cells, |cell| trials(cell, pictures));
    let mut sums: Vec<(String, Vec<Trial>)> = Vec::new();
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

fn print_motion(motion: Motion, name: &str, trial: &Trial) {
    let (error, share) = target(motion);
    let Trial { level, line, rows } = trial;
    println!(
        "{name:<30} | {error:>6} {:>7.4} {:>7.4} {:>7.4} | {share:>6} {:>5.1} | {:>5.1} {:>6.2} {:>5.2} | {:>4} of {:>4} {:>7.3} | {:>2}+{:<2}",
        level.good.value(),
        line.good.value(),
        rows.good.value(),
        level.covered.percent(),
        level.fine_covered.percent(),
        rows.over_bound.value(),
        rows.honesty(),
        line.fooled.hits(),
        line.fooled.of(),
        line.crossed.value(),
        level.cuts_missed,
        level.cuts_invented,
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
