//! The response of filters that are known, and spectra beside those of `SciPy`.

use super::*;
use crate::compare::chance::Chance;

const WIDTH: usize = 720;
const ROWS: usize = 60;
const SAMPLED: f64 = 13.5;

/// Waves of a line whose power falls with frequency: frequency in cycles a sample, amplitude, phase.
type Waves = Vec<[f64; 3]>;

fn waves(chance: &mut Chance, contrast: f64) -> Waves {
    let wave = |_| {
        let cycles = 0.008 + 0.47 * chance.even();
        [
            cycles,
            contrast * 1.2 / (0.06 + cycles),
            TAU * chance.even(),
        ]
    };
    (0..40).map(wave).collect()
}

/// How a chain shows waves: with `gain` by cycles a sample, moved right, wider, and with noise.
struct Chain<'a> {
    gain: &'a dyn Fn(f64) -> f64,
    right: f64,
    wider: f64,
    noise: f64,
}

impl Chain<'_> {
    fn line(&self, waves: &Waves, chance: &mut Chance) -> Vec<u8> {
        let middle = 0.5 * (WIDTH - 1) as f64;
        let sample = |at: usize| {
            let x = (at as f64 - middle - self.right) / (1.0 + self.wider) + middle;
            let sum: f64 = waves
                .iter()
                .map(|[cycles, amplitude, phase]| {
                    (self.gain)(*cycles) * amplitude * (TAU * cycles * x + phase).sin()
                })
                .sum();
            (125.0 + sum + self.noise * chance.normal())
                .round()
                .clamp(1.0, 254.0) as u8
        };
        (0..WIDTH).map(sample).collect()
    }
}

fn played(first: &Chain<'_>, second: &Chain<'_>, wobble: f64, seconds: usize) -> Comparer {
    let mut chance = Chance::of(11);
    let mut comparer = Comparer::new();
    for _ in 0..seconds {
        comparer.begin_second();
        let lines: Vec<(Vec<u8>, Vec<u8>)> = (0..ROWS)
            .map(|row| {
                // Some lines show next to nothing.
                let waves = waves(&mut chance, if row % 3 == 0 { 0.05 } else { 1.0 });
                let right = second.right + wobble * chance.normal();
                let second = Chain { right, ..*second };
                let ours = first.line(&waves, &mut chance);
                (ours, second.line(&waves, &mut chance))
            })
            .collect();
        comparer.add(lines.iter().map(|(a, b)| (a.as_slice(), b.as_slice())));
    }
    comparer
}

const ALL_ALIKE: &dyn Fn(f64) -> f64 = &|_| 1.0;

const PLAIN: Chain<'static> = Chain {
    gain: ALL_ALIKE,
    right: 0.0,
    wider: 0.0,
    noise: 2.0,
};

#[test]
fn a_known_low_pass_is_read_through_noise_and_wobble() {
    // Two poles: half the power at 2.5 MHz.
    let cut = 2.5 / SAMPLED;
    let gain = |cycles: f64| 1.0 / (1.0 + (cycles / cut).powi(4)).sqrt();
    let soft = Chain {
        gain: &gain,
        ..PLAIN
    };
    let response = played(&PLAIN, &soft, 1.5, 12).response(SAMPLED).unwrap();
    let mut told = 0;
    for band in &response.bands {
        let level = |megahertz: f64| 20.0 * gain(megahertz / SAMPLED).log10();
        let expected = level(band.megahertz) - level(FREQUENCIES[0]);
        if band.coherence > 0.5 {
            told += 1;
            let found = band.decibels.expect("what is coherent is told");
            assert!(
                (found.value - expected).abs() < 0.25,
                "{} MHz: {found:?} for {expected}",
                band.megahertz
            );
        }
    }
    assert!(told >= 7, "{told}");
}

#[test]
fn a_picture_that_is_moved_and_wider_is_said_to_be() {
    let moved = Chain {
        right: 3.3,
        wider: 0.006,
        ..PLAIN
    };
    let response = played(&PLAIN, &moved, 0.4, 8).response(SAMPLED).unwrap();
    let right = response.right_samples.unwrap();
    assert!((right.value - 3.3).abs() < 0.1, "{right:?}");
    let wider = response.wider_percent.unwrap();
    assert!((wider.value - 0.6).abs() < 0.03, "{wider:?}");
}

#[test]
fn two_plays_of_one_chain_differ_in_nothing() {
    let response = played(&PLAIN, &PLAIN, 0.3, 12).response(SAMPLED).unwrap();
    for band in response.bands.iter().filter(|band| band.coherence > 0.5) {
        let found = band.decibels.unwrap();
        assert!(found.value.abs() < 0.2, "{} {found:?}", band.megahertz);
    }
    assert!(response.right_samples.unwrap().value.abs() < 0.1);
}

/// Welch-averaged spectra of one long record beside scipy.signal.coherence, csd and welch.
#[test]
fn coherence_and_response_are_those_of_scipy() {
    let text = include_str!("../../../fixtures/reference/coherence.json");
    let fixture: serde_json::Value = serde_json::from_str(text).expect("the fixture is JSON");
    let numbers = |name: &str| -> Vec<f64> {
        let list = fixture[name].as_array().expect("a list");
        list.iter().filter_map(serde_json::Value::as_f64).collect()
    };
    let codes = |name: &str| -> Vec<u8> { numbers(name).iter().map(|&code| code as u8).collect() };
    let pair = Comparer::new().transform(&codes("first"), &codes("second"));
    let (coherences, responses) = (numbers("coherence"), numbers("response"));
    assert_eq!((coherences.len(), responses.len()), (63, 63));
    for (at, (expected, response)) in coherences.iter().zip(&responses).enumerate() {
        let bin = at + 1;
        let cross: Complex<f64> = pair.cross.iter().map(|window| window[bin]).sum();
        let coherence = cross.norm_sqr() / (pair.first[bin] * pair.second[bin]);
        assert!(
            (coherence - expected).abs() < 1e-4,
            "{bin}: {coherence} {expected}"
        );
        let own = cross.norm() / pair.first[bin];
        assert!(
            (own / response - 1.0).abs() < 1e-3,
            "{bin}: {own} {response}"
        );
    }
}

#[test]
fn noise_alone_is_not_coherent_and_tells_no_response() {
    let mut chance = Chance::of(3);
    let mut comparer = Comparer::new();
    for _ in 0..8 {
        comparer.begin_second();
        let mut line = || -> Vec<u8> {
            let codes = (0..WIDTH).map(|_| (120.0 + 8.0 * chance.normal()) as u8);
            codes.collect()
        };
        let lines: Vec<_> = (0..ROWS).map(|_| (line(), line())).collect();
        comparer.add(lines.iter().map(|(a, b)| (a.as_slice(), b.as_slice())));
    }
    let response = comparer.response(SAMPLED).unwrap();
    for band in response.bands.iter().filter(|band| band.megahertz > 2.6) {
        assert!(band.coherence < 0.05, "{band:?}");
    }
}
