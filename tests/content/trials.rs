//! The score, tried on estimators whose errors are known, and the pictures on their known figures.

use crate::world::camera::Motion;
use crate::world::dice::Dice;
use crate::world::jitter::Jitter;
use crate::world::picture::Picture;
use crate::world::render::{CleanField, Filter, Noise, Renderer, Run, Sampling, Scene, WIDTH};
use crate::world::score::{Said, Score, Seen, Unknown, wobble};

const ROWS: usize = 240;
const FIELDS: usize = 24;
const NOISE: Noise = Noise {
    decibels: 38.0,
    coloured: false,
};

fn run_of(picture: &str, motion: Motion, jitter: Jitter) -> Vec<CleanField> {
    let scene = |name: &str| Scene::new(&Picture::named(name).expect("it is a fixture"), ROWS);
    let (scene, after) = (scene(picture), scene("camera"));
    let mut renderer = Renderer::new(Run {
        rows: ROWS,
        motion,
        jitter,
        sampling: Sampling::Rows,
        seed: 1,
        fields: FIELDS,
    });
    (0..FIELDS).map(|_| renderer.next(&scene, &after)).collect()
}

/// What an estimator would say whose error is `factor` times the bound and which knows it.
fn told(run: &[CleanField], factor: f64) -> Vec<Seen> {
    const AVERAGED: f64 = 8.0;
    let mut dice = Dice::new(2);
    // A pan and a constant a line are nobody's fault.
    let constants: Vec<f64> = (0..2 * ROWS).map(|_| 3.0 * dice.normal()).collect();
    run.iter()
        .map(|field| {
            let pan = 5.0 * dice.normal();
            let lines = (0..ROWS).map(|row| {
                let sigma = factor
                    * ((NOISE.density() * (1.0 + 1.0 / AVERAGED)) / field.information[row]).sqrt();
                let constant = constants[2 * row + field.parity as usize];
                let value = field.displacement[row] + pan + constant + sigma * dice.normal();
                Some((value, sigma))
            });
            let said = Said {
                lines: lines.collect(),
                averaged: AVERAGED,
                cut: false,
            };
            Seen::new(field, said, NOISE.density())
        })
        .collect()
}

#[test]
fn an_estimator_at_the_bound_scores_one() {
    let run = run_of("coffee", Motion::Static, Jitter::All);
    for factor in [1.0, 1.5] {
        let score = Score::of(&told(&run, factor), Unknown::Level);
        let ratio = score.over_bound.value() / factor;
        assert!((ratio - 1.0).abs() < 0.03, "{factor} {ratio}");
        assert!((score.honesty() - 1.0).abs() < 0.05, "{}", score.honesty());
        assert!(score.fine_covered.percent() > 99.0);
    }
}

/// Each row of the scene came with a constant of its own, as where it was first seen under another line's error.
#[test]
fn constants_of_moving_rows_are_not_counted() {
    let run = run_of("coffee", Motion::VerticalPan(0.37), Jitter::White);
    let mut seen = told(&run, 1.0);
    let mut dice = Dice::new(4);
    let constants: Vec<f64> = (0..2 * ROWS).map(|_| dice.normal()).collect();
    for field in &mut seen {
        for (line, place) in field.said.lines.iter_mut().zip(&field.scene_row) {
            let (lower, share) = ((place + 60.0) as usize, place.rem_euclid(1.0));
            let constant = (1.0 - share) * constants[lower] + share * constants[lower + 1];
            line.as_mut().expect("every line is told").0 += constant;
        }
    }
    let plain = Score::of(&seen, Unknown::Line);
    assert!(plain.good.value() > 0.5, "{}", plain.good.value());
    let ratio = Score::of(&seen, Unknown::SceneRows).over_bound.value();
    assert!((ratio - 1.0).abs() < 0.1, "{ratio}");
}

#[test]
fn an_estimator_that_reports_zero_scores_the_jitter() {
    let run = run_of("coffee", Motion::Static, Jitter::White);
    let seen: Vec<Seen> = run
        .iter()
        .map(|field| {
            let said = Said {
                lines: vec![Some((0.0, 0.01)); ROWS],
                averaged: 8.0,
                cut: false,
            };
            Seen::new(field, said, NOISE.density())
        })
        .collect();
    let score = Score::of(&seen, Unknown::Level);
    assert!(
        (score.good.value() - 0.5).abs() < 0.02,
        "{}",
        score.good.value()
    );
    assert!(score.honesty() > 30.0);
    assert!(wobble(&seen).iter().all(|&wobble| wobble == 0.0));
}

#[test]
fn silence_covers_nothing_and_misses_the_cut() {
    let run = run_of("coffee", Motion::Cut, Jitter::White);
    let seen: Vec<Seen> = run
        .iter()
        .map(|field| {
            let said = Said {
                lines: vec![None; ROWS],
                ..Said::default()
            };
            Seen::new(field, said, NOISE.density())
        })
        .collect();
    let score = Score::of(&seen, Unknown::Level);
    assert_eq!(score.fine_covered.hits(), 0);
    assert!(score.fine_covered.of() > 1000);
    assert_eq!((score.cuts_missed, score.cuts_invented), (1, 0));
}

/// Least squares of one row against a finely shifted copy of itself: the rendered displacement is the stated one.
#[test]
fn lines_stand_where_the_truth_says() {
    let still = run_of("coffee", Motion::Static, Jitter::None);
    let moved = run_of("coffee", Motion::Static, Jitter::White);
    let rows = (20..220)
        .step_by(8)
        .filter(|&row| moved[0].displacement[row].abs() < 0.6);
    for row in rows {
        let line = |run: &[CleanField]| run[0].samples[row * WIDTH..(row + 1) * WIDTH].to_vec();
        let (reference, line) = (line(&still), line(&moved));
        let shift = moved[0].displacement[row];
        // To first and second order in the shift: s(x − d) = s − d s′ + d² s″/2 with derivatives by central differences
        // of a signal below a quarter of the sampling rate, so within a few percent of d.
        let mut sums = (0.0, 0.0);
        for (n, &sample) in line.iter().enumerate().take(WIDTH - 40).skip(40) {
            let at = |n: usize| f64::from(reference[n]);
            let slope = (8.0 * (at(n + 1) - at(n - 1)) - (at(n + 2) - at(n - 2))) / 12.0;
            let bend = at(n + 1) - 2.0 * at(n) + at(n - 1);
            let change = f64::from(sample) - at(n) - 0.5 * shift * shift * bend;
            sums.0 -= slope * change;
            sums.1 += slope * slope;
        }
        let found = sums.0 / sums.1;
        assert!(
            (found - shift).abs() < 0.02 + 0.05 * shift.abs(),
            "row {row}: {found} for {shift}"
        );
    }
}

#[test]
fn noise_has_the_power_it_says_white_or_coloured() {
    let run = run_of("coffee", Motion::Static, Jitter::None);
    let (mut dice, mut filter) = (Dice::new(3), Filter::for_noise());
    for coloured in [false, true] {
        let noise = Noise {
            decibels: 30.0,
            coloured,
        };
        let plane = run[0].noisy(noise, &mut dice, &mut filter);
        let unclipped = run[0]
            .samples
            .iter()
            .zip(&plane.samples)
            .filter(|(clean, _)| (40.0..215.0).contains(*clean));
        let (mut squares, mut count) = (0.0, 0.0);
        for (clean, code) in unclipped {
            squares += (f64::from(*code) - f64::from(*clean)).powi(2);
            count += 1.0;
        }
        let ratio = squares / count / (noise.deviation().powi(2) + 1.0 / 12.0);
        assert!((ratio - 1.0).abs() < 0.02, "{coloured} {ratio}");
    }
}

#[test]
fn the_camera_moves_the_picture_as_it_says() {
    let still = run_of("coffee", Motion::Static, Jitter::None);
    let panned = run_of("coffee", Motion::Pan(2.0), Jitter::None);
    let lowered = run_of("coffee", Motion::VerticalPan(1.0), Jitter::None);
    let difference = |a: &[f32], b: &[f32]| {
        let squares: f32 = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum();
        (squares / a.len() as f32).sqrt()
    };
    for row in (40..200).step_by(10) {
        let part = |run: &[CleanField], row: usize, from: usize| {
            run[4].samples[row * WIDTH + from..row * WIDTH + from + 600].to_vec()
        };
        let here = part(&still, row, 50);
        assert!(difference(&here, &part(&panned, row, 58)) < 0.3);
        assert!(difference(&here, &part(&lowered, row + 4, 50)) < 0.3);
    }
}
