//! Noise of known powers, common and not.

use std::array;
use std::f64::consts::TAU;

use super::*;
use crate::compare::chance::Chance;

const WIDTH: usize = 688;
const ROWS: usize = 60;

/// Noise of the tape: waves from 0.02 to 0.45 cycles a sample, and their phases.
const WAVES: usize = 60;
const FROM: f64 = 0.02;
const TO: f64 = 0.45;

/// Rms of the tape's noise and of each play's own, in codes.
#[derive(Clone, Copy)]
struct Case {
    tape: f64,
    own: [f64; 2],
}

/// What the second makes of a frequency.
fn gain(cycles: f64) -> f64 {
    1.1 * (TAU * cycles / 2.0).cos().powi(2)
}

/// So many waves between two frequencies in cycles a sample: frequency, size, phase.
fn waves(
    chance: &mut Chance,
    count: usize,
    [from, to]: [f64; 2],
    size: impl Fn(f64) -> f64,
) -> Vec<(f64, f64, f64)> {
    let wave = |_| {
        let cycles = from + (to - from) * chance.even();
        (cycles, size(cycles), TAU * chance.even())
    };
    (0..count).map(wave).collect()
}

/// A line of the first and of the second, now and before, and where the second stands.
type Lines = ([[Vec<u8>; 2]; 2], [f64; 2]);

fn found(case: Case, seed: u64) -> SharedNoise {
    let mut chance = Chance::of(seed);
    let mut comparer = NoiseComparer::new();
    for _ in 0..8 {
        comparer.begin_second();
        let lines: Vec<Lines> = (0..ROWS)
            .map(|row| {
                let displaced = [2.4 + 0.5 * chance.normal(), 2.4 + 0.5 * chance.normal()];
                let fields = displaced.map(|moved| {
                    let tape = waves(&mut chance, WAVES, [FROM, TO], |_| {
                        case.tape * (2.0 / WAVES as f64).sqrt()
                    });
                    // A third of the lines shows something else in the next field, falling with frequency as pictures do.
                    let count = if row % 3 == 1 { 12 } else { 0 };
                    let moving = waves(&mut chance, count, [0.01, 0.2], |cycles| 0.4 / cycles);
                    let mut line = |moved: f64, own: f64, gain: &dyn Fn(f64) -> f64| -> Vec<u8> {
                        let code = |x: f64| {
                            // Another third shows edges, which move from field to field by what lines wobble.
                            let edges = if row % 3 == 0 { 40.0 } else { 0.0 };
                            let all = tape.iter().chain(&moving);
                            let waves: f64 = all
                                .map(|(cycles, size, phase)| {
                                    gain(*cycles) * size * (TAU * cycles * x + phase).sin()
                                })
                                .sum();
                            let slope = 20.0 * (0.004 * x).sin();
                            110.0 + slope + edges * (0.4 * x).sin().signum() + waves
                        };
                        (0..WIDTH)
                            .map(|x| {
                                let value = code(x as f64 - moved) + own * chance.normal();
                                value.round().clamp(1.0, 254.0) as u8
                            })
                            .collect()
                    };
                    (
                        line(0.0, case.own[0], &|_| 1.0),
                        line(moved, case.own[1], &gain),
                    )
                });
                let [(a, c), (b, d)] = fields;
                ([[a, b], [c, d]], displaced)
            })
            .collect();
        comparer.add(lines.iter().map(|([first, second], displaced)| FourLines {
            first: [&first[0], &first[1]],
            second: [&second[0], &second[1]],
            displaced: *displaced,
        }));
    }
    let gains = array::from_fn(|bin| Some(gain(bin as f64 / LENGTH as f64)));
    let scales = Scales {
        gains: &gains,
        ire_a_code: [100.0 / 219.0; 2],
        sampled_megahertz: 13.5,
    };
    comparer.shared(scales).expect("eight seconds")
}

fn check(case: Case) {
    let told = found(case, 31);
    // Of white noise the band has so many of all bins; of the tape's, which is even from one end to the other, this part.
    let (bins, all) = (NOISY_BINS as f64, LENGTH as f64 / 2.0);
    let tape = case.tape.powi(2) * bins / LENGTH as f64 / (TO - FROM);
    let own = case.own.map(|own| (own * own + 1.0 / 12.0) * bins / all);
    let ire = |power: f64| power.sqrt() * 100.0 / 219.0;
    let near = |told: Option<Interval>, expected: f64, within: f64| {
        let told = told.expect("it is there");
        assert!(
            (told.value / expected - 1.0).abs() < within,
            "{told:?} {expected}"
        );
    };
    near(told.shared_ire, ire(tape), 0.04);
    near(told.first_own_ire, ire(own[0]), 0.05);
    near(told.second_own_ire, ire(own[1]), 0.05);
    near(
        told.shared_of_first_pct,
        100.0 * tape / (tape + own[0]),
        0.05,
    );
    assert!((told.from_megahertz - 1.05).abs() < 0.01 && (told.to_megahertz - 2.95).abs() < 0.01);
}

#[test]
fn common_noise_and_each_play_s_own_are_told_apart_through_softening_and_wobble() {
    check(Case {
        tape: 3.0,
        own: [1.0, 1.5],
    });
    check(Case {
        tape: 1.2,
        own: [2.0, 0.7],
    });
}

#[test]
fn of_plays_that_have_no_noise_in_common_none_is_said_to_be() {
    let told = found(
        Case {
            tape: 0.0,
            own: [1.5, 1.5],
        },
        37,
    );
    assert_eq!(told.shared_ire, None);
    let share = told.shared_of_first_pct.expect("told");
    // A thousand windows of some ten independent bins know it to a percent; four blocks of seconds make three of that.
    assert!(
        share.low < 0.0 && share.high > 0.0 && share.high < 6.0,
        "{share:?}"
    );
    assert!(told.first_own_ire.is_some());
}

#[test]
fn fields_in_which_much_more_differs_than_in_quiet_ones_are_left_out() {
    let field = |power: f64| {
        let mut sums = [power; SUMS];
        sums[0] = 1.0;
        sums
    };
    let mut comparer = NoiseComparer::new();
    comparer.fields = vec![
        (1, field(1.0)),
        (1, field(1.2)),
        (1, field(3.0)),
        (2, field(2.0)),
        (3, field(0.9)),
    ];
    let windows: Vec<f64> = comparer
        .quiet_seconds()
        .iter()
        .map(|sums| sums[0])
        .collect();
    assert_eq!(windows, [2.0, 1.0]);
}
