//! A few cells of the bench's tables against their targets.

use trueline::measures::line_timing::content::ContentTiming;

use crate::world::camera::Motion;
use crate::world::dice::Dice;
use crate::world::jitter::Jitter;
use crate::world::picture::Picture;
use crate::world::render::{Filter, Noise, Renderer, Run, Sampling, Scene, WIDTH};
use crate::world::score::{Said, Score, Seen, Unknown, wobble};

const ROWS: usize = 240;
const FIELDS: usize = 24;
const PAN: Motion = Motion::Pan(1.7);
const NOISE: Noise = Noise {
    decibels: 38.0,
    coloured: false,
};

fn timed(picture: &str, motion: Motion, jitter: Jitter) -> Vec<Seen> {
    let scene = |name: &str| Scene::new(&Picture::named(name).expect("it is a fixture"), ROWS);
    let (scene, after) = (scene(picture), scene("coffee"));
    let mut renderer = Renderer::new(Run {
        rows: ROWS,
        motion,
        jitter,
        sampling: Sampling::Rows,
        seed: 38,
        fields: FIELDS,
    });
    let (mut dice, mut filter) = (Dice::new(7), Filter::for_noise());
    let mut timing = ContentTiming::new();
    (0..FIELDS)
        .map(|_| {
            let field = renderer.next(&scene, &after);
            let luma = field.noisy(NOISE, &mut dice, &mut filter);
            let trace = timing.time(&luma, field.parity, 0..WIDTH);
            let lines = (0..ROWS).map(|row| {
                let shift = trace.line(row)?;
                Some((f64::from(shift.value), f64::from(shift.variance).sqrt()))
            });
            let said = Said {
                lines: lines.collect(),
                averaged: f64::from(trace.averaged()),
                cut: trace.cut(),
            };
            Seen::new(&field, said, NOISE.density())
        })
        .collect()
}

/// A straight line of each field is not scored: a tilt of the camera looks the same in the lines.
fn score(picture: &str, motion: Motion) -> Score {
    Score::of(&timed(picture, motion, Jitter::All), Unknown::Line)
}

#[test]
fn still_and_panned_pictures_are_timed_to_the_bound() {
    for (picture, motion) in [("coffee", Motion::Static), ("camera", PAN)] {
        let score = score(picture, motion);
        let (ratio, covered) = (score.over_bound.value(), score.fine_covered.percent());
        assert!(ratio <= 1.25, "{picture} {ratio}");
        assert!(covered >= 88.0, "{picture} {covered} %");
        assert!(
            score.fine.value() <= 0.016,
            "{picture} {}",
            score.fine.value()
        );
        assert!(
            (0.7..1.3).contains(&score.honesty()),
            "{picture} {}",
            score.honesty()
        );
        assert_eq!(score.cuts_invented, 0);
    }
}

#[test]
fn lines_beside_a_moving_object_are_timed_and_its_own_are_dropped() {
    let score = score("coffee", Motion::Object);
    assert!(score.good.value() <= 0.05, "{}", score.good.value());
    assert!(
        score.covered.percent() >= 60.0,
        "{} %",
        score.covered.percent()
    );
    assert!(
        score.fooled.percent() < 2.0,
        "{} of {}",
        score.fooled.hits(),
        score.fooled.of()
    );
}

#[test]
fn a_cut_is_called_and_the_new_scene_is_timed() {
    let score = score("camera", Motion::Cut);
    assert_eq!((score.cuts_missed, score.cuts_invented), (0, 0));
    assert!(
        score.over_bound.value() <= 1.25,
        "{}",
        score.over_bound.value()
    );
    assert!(
        score.fine_covered.percent() >= 88.0,
        "{} %",
        score.fine_covered.percent()
    );
}

#[test]
fn no_motion_of_the_camera_is_taken_for_wobble() {
    for motion in [PAN, Motion::VerticalPan(0.5), Motion::HandHeld] {
        let said = wobble(&timed("coffee", motion, Jitter::None));
        let most = said.iter().copied().fold(0.0, f64::max);
        assert!(most < 0.3, "{} {most}", motion.name());
    }
}
