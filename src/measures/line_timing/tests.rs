//! Fields with exactly known edges, written without any of the estimator's code.

use statrs::function::erf::erf;

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

use super::*;
use crate::fields::{FieldPlace, History, Plane};
use crate::sources::{Gap, InputState};
use crate::standard::Standard;
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// Normal numbers of a fixed seed.
pub(super) struct Dice(Xoshiro256PlusPlus);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Self(Xoshiro256PlusPlus::seed_from_u64(seed))
    }

    fn even(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    pub(super) fn normal(&mut self) -> f64 {
        (-2.0 * self.even().ln()).sqrt() * (std::f64::consts::TAU * self.even()).cos()
    }
}

/// How a field is drawn.
#[derive(Clone)]
pub(super) struct Scene {
    pub standard: Standard,
    pub width: usize,
    pub rate: Hertz,
    pub margins: (f64, f64),
    /// 10-90 % rise of the edge in ns.
    pub rise: f64,
    pub blanking: f64,
    /// Picture level over blanking at a row and a distance from its left end.
    pub picture: fn(row: usize, x: f64) -> f64,
    /// Standard deviation of the noise in codes.
    pub noise: f64,
    /// Gaussian width of the noise's correlation, in samples.
    pub colour: f64,
    /// Half a cosine instead of an integrated Gaussian.
    pub cosine: bool,
    /// Blanking is clean and stays where it is.
    pub regenerated: bool,
}

impl Scene {
    pub(super) fn new(standard: Standard) -> Self {
        let margins = standard.nominal_margins();
        Self {
            standard,
            width: 720,
            rate: Hertz(13.5e6),
            margins: (margins.0.0, margins.1.0),
            rise: standard.blanking_rise().0,
            blanking: 16.0,
            picture: |_, _| 110.0,
            noise: 1.0,
            colour: 0.0,
            cosine: false,
            regenerated: false,
        }
    }

    fn rows(&self) -> usize {
        match self.standard {
            Standard::Lines525 => 240,
            Standard::Lines625 => 288,
        }
    }

    fn gate(&self, u: f64) -> f64 {
        let rise = self.rise * self.rate.0 / 1e9;
        if self.cosine {
            let phase = (u * 0.5903 / rise + 0.5).clamp(0.0, 1.0);
            0.5 - 0.5 * (std::f64::consts::PI * phase).cos()
        } else {
            0.5 + 0.5 * erf(u / (rise / 2.5631) / std::f64::consts::SQRT_2)
        }
    }

    fn row(&self, row: usize, shift: f64, dice: &mut Dice, out: &mut Vec<u8>) {
        let span = self.width as f64 - 1.0 - self.margins.0 - self.margins.1;
        let noise = coloured(self.width, self.colour, dice);
        for (n, noise) in noise.iter().enumerate() {
            let x = n as f64 - self.margins.0 - shift;
            let fixed = if self.regenerated { x + shift } else { x };
            let gate = self.gate(fixed) * self.gate(span - fixed);
            let picture = (self.picture)(row, x);
            let noise = self.noise * noise;
            let y = if self.regenerated {
                self.blanking + (picture + noise) * gate
            } else {
                self.blanking + picture * gate + noise
            };
            out.push(y.round().clamp(0.0, 255.0) as u8);
        }
    }

    pub(super) fn draw(&self, index: u64, shifts: &[f64], dice: &mut Dice) -> Field {
        let rows = self.rows();
        let mut samples = Vec::with_capacity(rows * self.width);
        for (row, shift) in shifts.iter().enumerate() {
            self.row(row, *shift, dice, &mut samples);
        }
        let parity = if index.is_multiple_of(2) {
            Parity::Top
        } else {
            Parity::Bottom
        };
        field_of(
            Plane {
                samples,
                width: self.width,
                rows,
            },
            index,
            parity,
            Some(self.rate),
            self.standard,
        )
    }
}

/// White noise of variance 1, or smoothed by a Gaussian and brought back to variance 1.
fn coloured(n: usize, width: f64, dice: &mut Dice) -> Vec<f64> {
    const REACH: usize = 8;
    let white: Vec<f64> = (0..n + 2 * REACH).map(|_| dice.normal()).collect();
    if width == 0.0 {
        return white[REACH..REACH + n].to_vec();
    }
    let taps: Vec<f64> = (0..=2 * REACH)
        .map(|i| (-0.5 * ((i as f64 - REACH as f64) / width).powi(2)).exp())
        .collect();
    let norm = taps.iter().map(|t| t * t).sum::<f64>().sqrt();
    (0..n)
        .map(|i| {
            taps.iter()
                .zip(&white[i..])
                .map(|(t, w)| t * w)
                .sum::<f64>()
                / norm
        })
        .collect()
}

fn field_of(
    luma: Plane,
    index: u64,
    parity: Parity,
    rate: Option<Hertz>,
    standard: Standard,
) -> Field {
    Field {
        place: FieldPlace {
            field: FieldIndex(index),
            parity,
            seconds: Seconds(index as f64 / 50.0),
        },
        raster: FieldRaster {
            width: luma.width,
            rows: luma.rows,
            frame_rows: luma.rows * 2,
            sample_rate: rate,
            rate_trust: RateTrust::Known,
            standard: Some(standard),
            range: CodeRange::Studio,
            progressive: false,
        },
        luma,
        cb: Plane::default(),
        cr: Plane::default(),
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::default(),
    }
}

fn reading_of(measure: &mut LineTiming, field: Field) -> Reading {
    let mut history = History::default();
    history.push(field);
    let around = history.neighbourhood().expect("a field was pushed");
    measure.measure(Input {
        around: &around,
        picture_shown: true,
        head_switch_line: None,
    })
}

/// What came out of a run of fields, in samples.
#[derive(Debug, Default)]
struct Outcome {
    /// rms of the error of a line's displacement, the mean taken off.
    rms: f64,
    /// Robust spread of error over reported sigma.
    honesty: f64,
    coverage: f64,
    /// Measured over true rms about a straight line, over the fields.
    wobble_ns: f64,
    true_wobble_ns: f64,
}

struct Run {
    scene: Scene,
    fields: u64,
    warm_up: u64,
    seed: u64,
}

impl Run {
    fn new(scene: Scene) -> Self {
        Self {
            scene,
            fields: 22,
            warm_up: 10,
            seed: 71,
        }
    }

    fn go(&self, mut shift: impl FnMut(usize, &mut Dice) -> f64) -> Outcome {
        let mut dice = Dice::new(self.seed);
        let mut measure = LineTiming::default();
        let one = 1e9 / self.scene.rate.0;
        let (mut errors, mut ratios) = (Vec::new(), Vec::new());
        let (mut measured, mut truth, mut coverage) = (0.0, 0.0, 0.0);
        for index in 0..self.fields {
            let shifts: Vec<f64> = (0..self.scene.rows())
                .map(|row| shift(row, &mut dice))
                .collect();
            let reading = reading_of(&mut measure, self.scene.draw(index, &shifts, &mut dice));
            if index < self.warm_up {
                continue;
            }
            for (row, line) in reading
                .lines
                .usable()
                .filter(|(row, _)| reading.picture_rows.contains(row))
            {
                let error = line.displacement.0 / one - shifts[row];
                errors.push(error);
                ratios.push((error, line.sigma.0 / one));
            }
            coverage += reading.coverage.map_or(0.0, |share| share.0);
            measured += reading.error_rms.map_or(0.0, |rms| rms.value.0).powi(2);
            truth += (detrended_rms(&shifts[reading.picture_rows.clone()]) * one).powi(2);
        }
        let fields = (self.fields - self.warm_up) as f64;
        let mean = errors.iter().sum::<f64>() / errors.len().max(1) as f64;
        let rms = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>()
            / errors.len().max(1) as f64)
            .sqrt();
        let mut z: Vec<f32> = ratios
            .iter()
            .map(|(error, sigma)| ((error - mean) / sigma) as f32)
            .collect();
        Outcome {
            rms,
            honesty: robust::median_and_spread(&mut z).map_or(0.0, |(_, spread)| f64::from(spread)),
            coverage: coverage / fields,
            wobble_ns: (measured / fields).sqrt(),
            true_wobble_ns: (truth / fields).sqrt(),
        }
    }
}

fn detrended_rms(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let centre = (n - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / n;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (i, value) in values.iter().enumerate() {
        xx += (i as f64 - centre).powi(2);
        xy += (i as f64 - centre) * (value - mean);
    }
    let rest = values
        .iter()
        .enumerate()
        .map(|(i, v)| v - mean - xy / xx * (i as f64 - centre));
    (rest.map(|r| r * r).sum::<f64>() / (n - 2.0)).sqrt()
}

/// Cramér–Rao bound of the place of one edge, its height unknown and the level before it known, on the samples present
/// from the raster's end to `inside` samples behind the edge; standard deviation in samples.
fn bound(width: f64, margin: f64, inside: f64, noise: f64, height: f64) -> f64 {
    let (mut tt, mut ta, mut aa) = (0.0, 0.0, 0.0);
    let mut n = 0.0;
    while n <= margin + inside {
        let u = (n - margin) / width;
        let slope = (-0.5 * u * u).exp() / (2.0 * std::f64::consts::PI).sqrt() / width;
        let area = 0.5 + 0.5 * erf(u / std::f64::consts::SQRT_2);
        tt += slope * slope;
        ta += slope * area;
        aa += area * area;
        n += 1.0;
    }
    let variance = (noise * noise + 1.0 / 12.0) / (height * height);
    (variance / (tt - ta * ta / aa)).sqrt()
}

/// Samples behind the edge that the bound is given: as many as a window with this width holds, and a few more.
const BOUND_INSIDE: f64 = 12.0;

fn noise_of_snr(db: f64) -> f64 {
    219.0 / 10_f64.powf(db / 20.0)
}

fn bounds(scene: &Scene, height: f64) -> (f64, f64) {
    let width = scene.rise * scene.rate.0 / 1e9 / 2.5631;
    let side = |margin| bound(width, margin, BOUND_INSIDE, scene.noise, height);
    (side(scene.margins.0), side(scene.margins.1))
}

#[test]
#[expect(clippy::print_stderr, reason = "the figures are the point")]
fn error_of_a_line_is_within_a_quarter_of_the_bound() {
    let cases = [
        (Standard::Lines625, (9.75, 8.25), 300.0, 1.15),
        (Standard::Lines525, (2.20, 4.25), 140.0, 1.25),
        (Standard::Lines525, (2.20, 4.25), 190.0, 1.25),
        (Standard::Lines525, (10.0, 10.0), 190.0, 1.15),
        (Standard::Lines625, (12.0, 16.0), 420.0, 1.15),
        (Standard::Lines625, (18.0, 0.0), 300.0, 1.15),
        (Standard::Lines525, (0.0, 9.0), 190.0, 1.15),
    ];
    for (standard, margins, rise, allowed) in cases {
        for db in [30.0, 35.0, 40.0, 45.0, 50.0] {
            let scene = Scene {
                margins,
                rise,
                noise: noise_of_snr(db),
                ..Scene::new(standard)
            };
            let outcome = Run::new(scene.clone()).go(|_, dice| 0.3 * dice.normal());
            let (left, right) = bounds(&scene, 110.0);
            let information =
                |margin: f64, bound: f64| if margin > 1.0 { bound.powi(-2) } else { 0.0 };
            let both = (information(margins.0, left) + information(margins.1, right)).powf(-0.5);
            let ratio = outcome.rms / both;
            eprintln!(
                "{margins:?} {rise} ns {db} dB: rms {:.4} bound {both:.4} ratio {ratio:.3} honesty {:.2} coverage {:.2}",
                outcome.rms, outcome.honesty, outcome.coverage
            );
            assert!(ratio < allowed, "{margins:?} {rise} ns {db} dB: {ratio}");
            assert!((0.8..1.25).contains(&outcome.honesty), "{outcome:?}");
        }
    }
}

#[test]
#[expect(clippy::print_stderr, reason = "the figures are the point")]
fn wobble_is_within_five_percent_and_a_nanosecond_of_the_truth() {
    for (standard, db) in [
        (Standard::Lines625, 38.0),
        (Standard::Lines525, 38.0),
        (Standard::Lines625, 30.0),
    ] {
        for jitter in [0.05, 0.1, 0.3, 1.0, 2.0, 5.0] {
            let scene = Scene {
                noise: noise_of_snr(db),
                ..Scene::new(standard)
            };
            let outcome = Run::new(scene).go(|_, dice| jitter * dice.normal());
            let (found, truth) = (outcome.wobble_ns, outcome.true_wobble_ns);
            eprintln!(
                "{standard:?} {db} dB jitter {jitter}: {found:.2} ns, true {truth:.2} ns, coverage {:.2} rms {:.3}",
                outcome.coverage, outcome.rms
            );
            assert!(
                (found - truth).abs() < 0.05 * truth + 1.0,
                "{standard:?} {jitter}: {found} {truth}"
            );
        }
    }
}

#[test]
#[expect(clippy::print_stderr, reason = "the figures are the point")]
fn a_ramp_of_one_percent_beside_the_edge_moves_it_little() {
    let flat = |_: usize, _: f64| 110.0;
    let up = |_: usize, x: f64| 110.0 * (1.0 + 0.01 * x.clamp(0.0, 40.0));
    let down = |_: usize, x: f64| 110.0 * (1.0 - 0.01 * x.clamp(0.0, 40.0));
    let right_up = |_: usize, x: f64| 110.0 * (1.0 - 0.01 * (x - 660.0).clamp(0.0, 60.0));
    let right_down = |_: usize, x: f64| 110.0 * (0.4 + 0.01 * (x - 660.0).clamp(0.0, 60.0));
    for standard in [Standard::Lines525, Standard::Lines625] {
        // The ramp comes and goes with the rows, so that it cannot hide in the reference place.
        let pictures: [(&str, fn(usize, f64) -> f64); 4] = [
            ("left up", up),
            ("left down", down),
            ("right up", right_up),
            ("right down", right_down),
        ];
        for (name, ramp) in pictures {
            let of = |picture| {
                let scene = Scene {
                    noise: 0.7,
                    picture,
                    ..Scene::new(standard)
                };
                let mut run = Run::new(scene);
                run.fields = 40;
                let mut measure = LineTiming::default();
                let mut dice = Dice::new(9);
                let (mut left, mut right, mut lines) = (0.0, 0.0, 0.0);
                for index in 0..run.fields {
                    let shifts = vec![0.0; run.scene.rows()];
                    let changed = Scene {
                        picture: if index < 20 { flat } else { picture },
                        ..run.scene.clone()
                    };
                    let _ = reading_of(&mut measure, changed.draw(index, &shifts, &mut dice));
                    if index < 20 {
                        continue;
                    }
                    for row in 20..220 {
                        let (Some(a), Some(b)) =
                            (measure.pair.left.shift(row), measure.pair.right.shift(row))
                        else {
                            continue;
                        };
                        left += f64::from(a.value)
                            + f64::from(measure.pair.left.reference.unwrap_or(0.0));
                        right += f64::from(b.value)
                            - f64::from(measure.pair.right.reference.unwrap_or(0.0));
                        lines += 1.0;
                    }
                }
                (left / lines, right / lines)
            };
            let (plain, ramped) = (of(flat), of(ramp));
            let bias = (ramped.0 - plain.0, ramped.1 - plain.1);
            eprintln!(
                "{standard:?} {name}: left {:+.4} right {:+.4} sample",
                bias.0, bias.1
            );
            assert!(
                bias.0.abs() < 0.03 && bias.1.abs() < 0.03,
                "{standard:?} {name}: {bias:?}"
            );
        }
    }
}

/// Detail of 7 to 20 samples whose phase differs from row to row and from side to side, on slow shading.
fn textured(row: usize, x: f64) -> f64 {
    let phase = |seed: u64| {
        Dice::new(2 * row as u64 + u64::from(x > 360.0) + 1000 * seed).even()
            * std::f64::consts::TAU
    };
    let shading = 25.0 * (0.05 * row as f64 + 0.01 * x).sin();
    90.0 + 6.0 * (0.31 * x + phase(1)).sin() + 4.0 * (0.83 * x + phase(2)).sin() + shading
}

#[test]
#[expect(clippy::print_stderr, reason = "the figures are the point")]
fn reported_sigma_is_honest_in_coloured_noise_and_textured_picture() {
    for standard in [Standard::Lines525, Standard::Lines625] {
        for (name, colour, picture) in [
            ("white, flat", 0.0, (|_, _| 110.0) as fn(usize, f64) -> f64),
            ("0.6 sample, flat", 0.6, |_, _| 110.0),
            ("1.0 sample, flat", 1.0, |_, _| 110.0),
            ("0.6 sample, textured", 0.6, textured),
        ] {
            for noise in [noise_of_snr(34.0), noise_of_snr(44.0)] {
                let scene = Scene {
                    noise,
                    colour,
                    picture,
                    ..Scene::new(standard)
                };
                let outcome =
                    Run::new(scene).go(|row, dice| 0.4 * dice.normal() + (row as f64 / 30.0).sin());
                eprintln!("{standard:?} {name} noise {noise:.2}: {outcome:.3?}");
                assert!(
                    (0.75..1.3).contains(&outcome.honesty),
                    "{standard:?} {name} {noise}: {outcome:?}"
                );
                assert!(outcome.coverage > 0.9, "{outcome:?}");
            }
        }
    }
}
