//! Delays, responses and hues that are known: of waves made here, and of a simulated tape.

use std::f64::consts::{PI, TAU};

use super::*;
use crate::compare::chance::Chance;
use crate::fields::{Field, History, Splitter};
use crate::sources::tape::{BoxModel, Chain, Noise, Pace, Scene, Segment, Tape, find};
use crate::sources::{Source as _, Wishes};
use crate::units::{Decibels, Nanos};

const WIDTH: usize = 360;
const ROWS: usize = 60;
const RATE: Hertz = Hertz(6.75e6);

/// Waves of both colour differences: cycles a sample, amplitude and phase of each.
type Waves = Vec<([f64; 2], [f64; 2], f64)>;

fn waves(chance: &mut Chance, contrast: f64) -> Waves {
    let wave = |_| {
        let cycles = 0.004 + 0.2 * chance.even();
        let size = contrast * 0.5 / (0.02 + cycles);
        // Both differences have their own, so colours go round in no one sense.
        (
            [cycles, size * chance.normal()],
            [TAU * chance.even(), TAU * chance.even()],
            size * chance.normal(),
        )
    };
    (0..24).map(wave).collect()
}

/// What a chain makes of colour.
#[derive(Clone, Copy)]
struct Play<'a> {
    /// By cycles a sample.
    gain: &'a dyn Fn(f64) -> f64,
    /// Samples of colour to the right, of which luma tells `luma`.
    right: f64,
    luma: f64,
    hue_degrees: f64,
    noise: f64,
}

const PLAIN: Play<'static> = Play {
    gain: &|_| 1.0,
    right: 0.0,
    luma: 0.0,
    hue_degrees: 0.0,
    noise: 1.0,
};

impl Play<'_> {
    fn rows(&self, waves: &Waves, wobble: f64, chance: &mut Chance) -> [Vec<u8>; 2] {
        let (sin, cos) = self.hue_degrees.to_radians().sin_cos();
        let mut rows = [Vec::with_capacity(WIDTH), Vec::with_capacity(WIDTH)];
        for at in 0..WIDTH {
            let x = at as f64 - self.right - wobble;
            let (mut blue, mut red) = (0.0, 0.0);
            for ([cycles, size], [phase, other], red_size) in waves {
                let gain = (self.gain)(*cycles);
                blue += gain * size * (TAU * cycles * x + phase).sin();
                red += gain * red_size * (TAU * cycles * x + other).sin();
            }
            let turned = [cos * blue - sin * red, sin * blue + cos * red];
            for (row, value) in rows.iter_mut().zip(turned) {
                let code = 128.0 + value + self.noise * chance.normal();
                row.push(code.round().clamp(1.0, 254.0) as u8);
            }
        }
        rows
    }
}

fn played(first: &Play<'_>, second: &Play<'_>, contrast: f64) -> ChromaComparer {
    let mut chance = Chance::of(17);
    let mut comparer = ChromaComparer::new();
    for _ in 0..10 {
        comparer.begin_second();
        let lines: Vec<_> = (0..ROWS)
            .map(|row| {
                let shown = if row % 3 == 0 { 0.05 } else { 1.0 };
                let waves = waves(&mut chance, shown * contrast);
                let wobble = 0.7 * chance.normal();
                let ours = first.rows(&waves, 0.0, &mut chance);
                (ours, second.rows(&waves, wobble, &mut chance), wobble)
            })
            .collect();
        comparer.add(lines.iter().map(|(ours, theirs, wobble)| PairOfRows {
            first: [&ours[0], &ours[1]],
            second: [&theirs[0], &theirs[1]],
            displaced: wobble + second.luma,
        }));
    }
    comparer
}

fn check_bands(found: &ChromaResponse, gain: impl Fn(f64) -> f64, least: usize) {
    let level = |megahertz: f64| 20.0 * gain(megahertz).log10();
    let mut told = 0;
    for band in found.bands.iter().filter(|band| band.coherence > COHERENT) {
        let value = band.decibels.expect("what is coherent is told").value;
        let expected = level(band.megahertz) - level(FREQUENCIES[0]);
        assert!(
            (value - expected).abs() < 0.2,
            "{} MHz: {value} for {expected}",
            band.megahertz
        );
        told += 1;
    }
    assert!(told >= least, "{told} of {:?}", found.bands);
}

#[test]
fn a_known_low_pass_delay_and_hue_are_read_through_noise_and_wobble() {
    let cut = 0.4 / 6.75;
    let gain = |cycles: f64| 1.0 / (1.0 + (cycles / cut).powi(2)).sqrt();
    let soft = Play {
        gain: &gain,
        right: 1.3,
        luma: 0.5,
        hue_degrees: 25.0,
        noise: 1.5,
    };
    let found = played(&PLAIN, &soft, 1.0).response(RATE).expect("enough");
    check_bands(&found, |megahertz| gain(megahertz / 6.75), 8);
    let late = found.late_ns.expect("told");
    let expected = 0.8 * 1e9 / RATE.0;
    assert!((late.value - expected).abs() < 1.5, "{late:?} {expected}");
    assert!(late.high - late.low < 3.0, "{late:?}");
    // One pole beside what it is at 0.15 MHz: by 3 dB where (f/0.4)² is 2·(1 + (0.15/0.4)²) − 1.
    let low: f64 = 0.15 / 0.4;
    for (fall, power) in found.falls.iter().zip([10_f64.powf(0.3), 10_f64.powf(0.6)]) {
        let expected = 0.4 * (power * (1.0 + low * low) - 1.0).sqrt();
        let at = fall.megahertz.expect("it falls");
        assert!((at.value - expected).abs() < 0.03, "{fall:?} {expected}");
        assert!(
            at.low < at.value && at.value < at.high && at.high - at.low < 0.1,
            "{at:?}"
        );
        assert_eq!(fall.at_least_megahertz, None);
    }
}

#[test]
fn a_chain_that_leaves_colour_alone_is_said_to_and_no_fall_is_made_up() {
    let found = played(&PLAIN, &PLAIN, 1.0).response(RATE).expect("enough");
    check_bands(&found, |_| 1.0, 8);
    let late = found.late_ns.expect("told");
    assert!(late.value.abs() < 3.0, "{late:?}");
    for fall in &found.falls {
        assert_eq!(fall.megahertz, None);
        assert!(fall.at_least_megahertz > Some(0.8), "{fall:?}");
    }
}

#[test]
fn colours_turned_to_their_opposites_are_not_taken_for_late() {
    let turned = Play {
        hue_degrees: 170.0,
        ..PLAIN
    };
    let late = played(&PLAIN, &turned, 1.0).response(RATE).expect("enough");
    let late = late.late_ns.expect("told");
    assert!(late.value.abs() < 5.0, "{late:?}");
}

#[test]
fn of_grey_pictures_nothing_is_said() {
    assert!(played(&PLAIN, &PLAIN, 0.0).response(RATE).is_none());
}

/// One play of the simulated tape "clean" without its noise.
struct Deck {
    tape: Tape,
    splitter: Splitter,
    history: History,
}

impl Deck {
    fn of(band: f64, late: f64) -> Self {
        let clean = find("clean").expect("the catalogue has it");
        let tape = clean.tape.iter().map(|segment| Segment {
            noise: Noise {
                luma: Decibels(f64::INFINITY),
                chroma: Decibels(f64::INFINITY),
            },
            ..*segment
        });
        let scene: &'static Scene = Box::leak(Box::new(Scene {
            name: "colour",
            chroma_band: Hertz(band),
            tape: Box::leak(tape.collect::<Vec<Segment>>().into_boxed_slice()),
            chain: Chain {
                boxed: Some(BoxModel {
                    chroma_late: Nanos(late),
                    ..BoxModel::THROUGH
                }),
                ..clean.chain
            },
            ..*clean
        }));
        let pace = Pace::Free { frames: None };
        Self {
            tape: Tape::play(scene, &Wishes::default(), pace).expect("no wishes"),
            splitter: Splitter::new(),
            history: History::default(),
        }
    }

    /// The first field of the next frame, with noise of this play.
    fn next(&mut self, chance: &mut Chance) -> Field {
        let frame = self.tape.next_frame().expect("it plays");
        let frame = frame.expect("it is long enough");
        let mut first = None;
        self.splitter.split(&frame, &mut self.history, |history| {
            let around = history.neighbourhood().expect("a field");
            first.get_or_insert_with(|| around.field.clone());
        });
        let mut field = first.expect("a frame has fields");
        for plane in [&mut field.cb, &mut field.cr] {
            for sample in &mut plane.samples {
                *sample = (f64::from(*sample) + chance.normal()).round() as u8;
            }
        }
        field
    }
}

/// What the kernel of the simulated tape makes of a frequency of colour, as its description has it: a sinc under a Kaiser
/// window of twelve taps at 3.375 MHz.
fn kernel_gain(band: f64, megahertz: f64) -> f64 {
    let bessel = |x: f64| {
        let terms = (1..40).scan(1.0, |term, k| {
            *term *= (x / (2.0 * f64::from(k))).powi(2);
            Some(*term)
        });
        1.0 + terms.sum::<f64>()
    };
    let tap = |x: f64| {
        let inside = 1.0 - (x / 6.0).powi(2);
        if inside <= 0.0 {
            return 0.0;
        }
        let turn = TAU * band / 3.375e6 * x;
        let sinc = if turn.abs() < 1e-9 {
            1.0
        } else {
            turn.sin() / turn
        };
        sinc * bessel(5.0 * inside.sqrt())
    };
    let at = |megahertz: f64| -> f64 {
        // Finely, as a continuous kernel.
        (-600..=600)
            .map(|step| {
                let x = f64::from(step) / 100.0;
                tap(x) * (2.0 * PI * megahertz / 3.375 * x).cos()
            })
            .sum()
    };
    at(megahertz) / at(0.0)
}

#[test]
fn the_simulated_chain_s_colour_is_recovered() {
    let mut chance = Chance::of(23);
    let cases = [(0.32e6, 120.0), (0.45e6, -85.0), (0.38e6, 700.0)];
    let mut plain = Deck::of(0.5e6, 0.0);
    let mut chains = cases.map(|(band, late)| Deck::of(band, late));
    let mut comparers = cases.map(|_| ChromaComparer::new());
    for frame in 0..180 {
        // Fields close in time show much the same: six a second are enough.
        let ours = plain.next(&mut chance);
        for (chain, comparer) in chains.iter_mut().zip(&mut comparers) {
            let theirs = chain.next(&mut chance);
            if frame % 30 == 0 {
                comparer.begin_second();
            }
            if frame % 5 == 0 {
                let rows = (24..ours.cb.rows - 14).map(|row| PairOfRows {
                    first: [ours.cb.row(row), ours.cr.row(row)],
                    second: [theirs.cb.row(row), theirs.cr.row(row)],
                    displaced: 0.0,
                });
                comparer.add(rows);
            }
        }
    }
    for ((band, expected), comparer) in cases.into_iter().zip(&comparers) {
        let found = comparer.response(RATE).expect("six seconds");
        let late = found.late_ns.expect("told");
        assert!((late.value - expected).abs() < 15.0, "{late:?} {expected}");
        let gain = |megahertz: f64| kernel_gain(band, megahertz) / kernel_gain(0.5e6, megahertz);
        check_bands(&found, gain, 4);
    }
}
