//! Fields with exactly known edges, written without any of the estimator's code.

use proptest::prelude::*;
use statrs::function::erf::erf;

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

use super::*;
use crate::fields::{FieldPlace, History, Plane};
use crate::sources::{ChromaGrid, Gap, InputState};
use crate::standard::{PRESUMED_RATE_SIGMA, RateTrust, Standard};
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

/// Picture level over blanking at a row and a distance from its left end.
type Picture = fn(usize, f64) -> f64;

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
    pub picture: Picture,
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
        chroma: ChromaGrid::Half,
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

pub(super) fn detrended_rms(values: &[f64]) -> f64 {
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
            assert!((0.75..1.25).contains(&outcome.honesty), "{outcome:?}");
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
        let pictures: [(&str, Picture); 4] = [
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
            ("white, flat", 0.0, (|_, _| 110.0) as Picture),
            ("0.6 sample, flat", 0.6, |_, _| 110.0),
            ("1.0 sample, flat", 1.0, |_, _| 110.0),
            ("0.6 sample, textured", 0.6, textured),
        ] {
            for noise in [noise_of_snr(34.0), noise_of_snr(44.0)] {
                let scene = Scene {
                    picture,
                    noise,
                    colour,
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

fn plain(scene: &Scene, shift: impl Fn(usize) -> f64) -> Reading {
    let shifts: Vec<f64> = (0..scene.rows()).map(shift).collect();
    let mut measure = LineTiming::default();
    let mut last = Reading::default();
    for index in 0..8 {
        last = reading_of(
            &mut measure,
            scene.draw(index, &shifts, &mut Dice::new(40 + index)),
        );
    }
    last
}

fn wobble(row: usize) -> f64 {
    0.8 * (row as f64 / 9.0).sin()
}

#[test]
fn a_shift_of_the_whole_field_moves_the_field_and_not_the_lines() {
    let scene = Scene::new(Standard::Lines625);
    let mut measure = LineTiming::default();
    let mut readings = Vec::new();
    for index in 0..40 {
        let offset = if index == 39 { 1.5 } else { 0.0 };
        let shifts: Vec<f64> = (0..288).map(|row| wobble(row) + offset).collect();
        readings.push(reading_of(
            &mut measure,
            scene.draw(index, &shifts, &mut Dice::new(index)),
        ));
    }
    let rms = |index: usize| readings[index].error_rms.expect("edges are seen").value.0;
    let moved = readings[39].field_shift.expect("edges are seen");
    assert!((rms(39) - rms(37)).abs() < 1.0, "{} {}", rms(39), rms(37));
    assert!((moved.value.0 - 1.5 * 74.07).abs() < 3.0, "{moved:?}");
}

#[test]
fn a_mirrored_field_has_mirrored_displacements() {
    let scene = Scene {
        margins: (9.0, 9.0),
        ..Scene::new(Standard::Lines625)
    };
    let (plain_reading, mirrored) = (plain(&scene, wobble), plain(&scene, |row| -wobble(row)));
    for row in 20..270 {
        let (Some(a), Some(b)) = (plain_reading.lines.get(row), mirrored.lines.get(row)) else {
            panic!("row {row} is not seen");
        };
        let sum = a.displacement.0 + b.displacement.0;
        assert!(
            sum.abs() < 6.0 * a.sigma.0.hypot(b.sigma.0),
            "{row}: {a:?} {b:?}"
        );
    }
}

#[test]
fn gain_and_set_up_do_not_change_the_timing() {
    let scenes = [
        Scene {
            picture: |_, _| 70.0,
            ..Scene::new(Standard::Lines525)
        },
        Scene {
            picture: |_, _| 140.0,
            ..Scene::new(Standard::Lines525)
        },
        Scene {
            blanking: 32.0,
            ..Scene::new(Standard::Lines525)
        },
        Scene {
            blanking: 1.0,
            ..Scene::new(Standard::Lines525)
        },
    ];
    let rms = scenes.map(|scene| {
        plain(&scene, wobble)
            .error_rms
            .expect("edges are seen")
            .value
            .0
    });
    for value in rms {
        assert!((value - rms[0]).abs() < 1.0, "{rms:?}");
    }
}

/// The last of a few fields of `scene`, each changed by `change` before it is read.
fn changed(scene: &Scene, change: impl Fn(&mut Field)) -> Reading {
    let shifts: Vec<f64> = (0..scene.rows()).map(wobble).collect();
    let mut measure = LineTiming::default();
    let mut last = Reading::default();
    for index in 0..8 {
        let mut field = scene.draw(index, &shifts, &mut Dice::new(40 + index));
        change(&mut field);
        last = reading_of(&mut measure, field);
    }
    last
}

#[test]
fn full_range_codes_give_the_same_timing() {
    let studio = Scene::new(Standard::Lines625);
    let full = Scene {
        blanking: 0.0,
        picture: |_, _| 128.0,
        ..studio.clone()
    };
    let rms = |reading: Reading| reading.error_rms.expect("edges are seen").value.0;
    let found = rms(changed(&full, |field| field.raster.range = CodeRange::Full));
    // Blanking at code 0 loses half its noise to the end of the scale, so its level reads 0.4 codes high.
    assert!(
        (found - rms(changed(&studio, |_| ()))).abs() < 1.0,
        "{found}"
    );
}

#[test]
fn a_presumed_sample_rate_widens_every_standard_error() {
    let scene = Scene::new(Standard::Lines625);
    let known = changed(&scene, |_| ());
    let presumed = changed(&scene, |field| {
        field.raster.rate_trust = RateTrust::Presumed;
    });
    let [a, b] = [&known, &presumed].map(|reading| reading.error_rms.expect("edges are seen"));
    assert_eq!(a.value, b.value);
    let expected = a.sigma.0.hypot(PRESUMED_RATE_SIGMA * a.value.0);
    assert!(
        (b.sigma.0 - expected).abs() < 1e-9 && b.sigma.0 > a.sigma.0,
        "{a:?} {b:?}"
    );
    for (row, line) in presumed.lines.usable() {
        let of_known = known.lines.get(row).expect("the same lines").sigma.0;
        let expected = of_known.hypot(PRESUMED_RATE_SIGMA * line.displacement.0);
        assert!((line.sigma.0 - expected).abs() < 1e-3, "{row}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn moving_every_line_by_the_same_changes_no_line_against_another(
        offset in -3.0_f64..3.0,
        amount in 0.1_f64..1.5,
    ) {
        let scene = Scene { margins: (12.0, 12.0), ..Scene::new(Standard::Lines625) };
        let [still, moved] = [0.0, offset].map(|offset| {
            plain(&scene, |row| amount * wobble(row) + offset).error_rms.expect("edges are seen").value.0
        });
        prop_assert!((still - moved).abs() < 1.0, "{still} {moved}");
    }

    #[test]
    fn gain_moves_nothing(height in 40_u8..200, amount in 0.1_f64..1.5) {
        let scene = Scene::new(Standard::Lines625);
        let rms = |factor: f64| {
            let shifts: Vec<f64> = (0..scene.rows()).map(|row| amount * wobble(row)).collect();
            let mut measure = LineTiming::default();
            let mut last = Reading::default();
            for index in 0..8 {
                let mut field = scene.draw(index, &shifts, &mut Dice::new(40 + index));
                for sample in &mut field.luma.samples {
                    *sample = (16.0 + factor * (f64::from(*sample) - 16.0)).round().clamp(0.0, 255.0) as u8;
                }
                last = reading_of(&mut measure, field);
            }
            last.error_rms.expect("edges are seen").value.0
        };
        let [plain, scaled] = [1.0, f64::from(height) / 110.0].map(rms);
        prop_assert!((plain - scaled).abs() < 1.0 + 0.02 * plain, "{plain} {scaled}");
    }
}

#[test]
fn other_rates_and_rasters_are_timed_in_nanoseconds() {
    for (standard, width, rate) in [
        (Standard::Lines625, 768, 14.75e6),
        (Standard::Lines525, 640, 135e6 / 11.0),
        (Standard::Lines625, 704, 13.5e6),
    ] {
        let scene = Scene {
            width,
            rate: Hertz(rate),
            margins: (6.0, 6.0),
            ..Scene::new(standard)
        };
        let found = plain(&scene, wobble)
            .error_rms
            .expect("edges are seen")
            .value
            .0;
        let truth: Vec<f64> = (0..scene.rows()).map(wobble).collect();
        let truth = detrended_rms(&truth[1..scene.rows() - 8]) * 1e9 / rate;
        assert!(
            (found / truth - 1.0).abs() < 0.03,
            "{width} {found} {truth}"
        );
    }
}

#[test]
fn a_tear_of_thirty_samples_is_followed() {
    let scene = Scene {
        margins: (9.75, 8.25),
        ..Scene::new(Standard::Lines625)
    };
    for step in [-7.0, 5.0, 30.0] {
        let torn = |row: usize| if (100..112).contains(&row) { step } else { 0.0 };
        let reading = plain(&scene, torn);
        for row in 100..112 {
            let line = reading.lines.get(row).expect("the line is seen");
            assert!(
                (line.displacement.0 / 74.07 - step).abs() < 0.3,
                "{step} {row} {line:?}"
            );
        }
    }
}

#[test]
fn dark_lines_are_left_out_and_not_guessed() {
    let scene = Scene {
        picture: |row, _| if (60..90).contains(&row) { 1.0 } else { 110.0 },
        ..Scene::new(Standard::Lines625)
    };
    let reading = plain(&scene, wobble);
    assert!((60..90).all(|row| reading.lines.get(row).is_none()));
    assert!(
        reading
            .coverage
            .is_some_and(|share| (share.0 - 249.0 / 279.0).abs() < 0.02)
    );
}

#[test]
fn a_dark_picture_gives_its_reason() {
    let scene = Scene {
        picture: |_, _| 0.5,
        ..Scene::new(Standard::Lines625)
    };
    let reading = plain(&scene, wobble);
    assert_eq!(reading.basis, Basis::None);
    assert!(reading.why_none.is_some() && reading.error_rms.is_none());
}

#[test]
fn a_straight_border_around_wobbling_lines_is_told_within_two_seconds() {
    let scene = Scene {
        noise: 2.5,
        regenerated: true,
        picture: |row, x| 100.0 + 15.0 * (row as f64 / 40.0 + x / 200.0).sin(),
        ..Scene::new(Standard::Lines625)
    };
    let mut measure = LineTiming::default();
    let mut dice = Dice::new(8);
    for index in 0..120 {
        let shifts: Vec<f64> = (0..288).map(wobble).collect();
        let reading = reading_of(&mut measure, scene.draw(index, &shifts, &mut dice));
        if index > 100 {
            assert_eq!(reading.border, Border::Regenerated, "{index}");
            assert_ne!(reading.basis, Basis::Edge, "{index}");
            assert_ne!(reading.static_error, StaticError::Included, "{index}");
        }
    }
}

/// Something black at the right of a picture that has no border there: from which sample on, field by field.
fn beside_something_black(name: &str, from: impl Fn(u64) -> Option<usize>) {
    let scene = Scene {
        margins: (16.0, -40.0),
        noise: 1.5,
        picture: |row, x| 90.0 + 25.0 * (row as f64 / 30.0 + x / 150.0).sin(),
        ..Scene::new(Standard::Lines525)
    };
    let mut measure = LineTiming::default();
    let mut dice = Dice::new(12);
    let shifts: Vec<f64> = (0..scene.rows()).map(wobble).collect();
    let one = nanos_from_samples(Samples(1.0), scene.rate).0;
    for index in 0..260 {
        let mut field = scene.draw(index, &shifts, &mut dice);
        if let Some(from) = from(index) {
            for row in field.luma.samples.chunks_exact_mut(720).skip(40).take(160) {
                for sample in &mut row[from..] {
                    *sample = (scene.blanking + 1.5 * dice.normal()).round() as u8;
                }
            }
        }
        let reading = reading_of(&mut measure, field);
        if index < 12 {
            continue;
        }
        assert_eq!(reading.basis, Basis::Edge, "{name}, field {index}");
        let off = |(row, line): (usize, LineShift)| line.displacement.0 / one - shifts[row];
        let mut off: Vec<f32> = reading
            .lines
            .usable()
            .map(|line| off(line) as f32)
            .collect();
        assert!(
            off.len() > 180,
            "{name}, field {index}: {} lines",
            off.len()
        );
        let (_, spread) = robust::median_and_spread(&mut off).expect("there are lines");
        assert!(spread < 0.15, "{name}, field {index}: {spread}");
    }
}

#[test]
fn something_black_that_passes_at_the_other_side_takes_no_edge_along() {
    beside_something_black("stands and goes", |index| {
        (40..140).contains(&index).then_some(700)
    });
    beside_something_black("comes in", |index| {
        (40..140)
            .contains(&index)
            .then(|| 719 - (index as usize - 40) / 2)
    });
    beside_something_black("comes in fast", |index| {
        (40..90)
            .contains(&index)
            .then(|| 719 - (index as usize - 40) * 2)
    });
}

#[test]
fn fields_without_a_picture_give_absence_and_never_a_panic() {
    let mut dice = Dice::new(2);
    for (width, rows) in [
        (1, 1),
        (2, 3),
        (31, 7),
        (720, 1),
        (720, 64),
        (719, 243),
        (720, 288),
        (721, 313),
        (768, 400),
        (0, 0),
    ] {
        for kind in 0..4 {
            let samples = (0..width * rows)
                .map(|i| match kind {
                    0 => 0,
                    1 => 128,
                    2 => (128.0 + 60.0 * dice.normal()).clamp(0.0, 255.0) as u8,
                    _ => (i % 256) as u8,
                })
                .collect();
            let plane = Plane {
                samples,
                width,
                rows,
            };
            let mut measure = LineTiming::default();
            for index in 0..3 {
                let field = field_of(
                    plane.clone(),
                    index,
                    Parity::Top,
                    Some(Hertz(13.5e6)),
                    Standard::Lines625,
                );
                let reading = reading_of(&mut measure, field);
                assert!(
                    reading.error_rms.is_none() || kind >= 2,
                    "{width}x{rows} {kind}"
                );
                for (_, line) in reading.lines.usable() {
                    assert!(line.displacement.0.is_finite() && line.sigma.0.is_finite());
                }
            }
        }
    }
}

#[test]
fn what_cannot_be_timed_says_why() {
    let scene = Scene::new(Standard::Lines625);
    let check = |change: fn(&mut Field), word: &str| {
        let mut field = scene.draw(0, &[0.0; 288], &mut Dice::new(1));
        change(&mut field);
        let reading = reading_of(&mut LineTiming::default(), field);
        assert_eq!(reading.basis, Basis::None);
        assert!(
            reading.why_none.is_some_and(|why| why.contains(word)),
            "{word}: {:?}",
            reading.why_none
        );
    };
    check(|field| field.raster.progressive = true, "progressive");
    check(|field| field.raster.sample_rate = None, "rate");
    check(|field| field.raster.standard = None, "scaled");
    check(|field| field.luma.samples.truncate(100), "damaged");
}

#[test]
fn dirty_scratch_reads_like_fresh_after_another_source() {
    let scene = Scene::new(Standard::Lines625);
    let shifts: Vec<f64> = (0..288).map(wobble).collect();
    let fresh = reading_of(
        &mut LineTiming::default(),
        scene.draw(0, &shifts, &mut Dice::new(6)),
    );
    let mut measure = LineTiming::default();
    let other = Scene {
        margins: (14.0, 3.0),
        ..Scene::new(Standard::Lines525)
    };
    for index in 0..5 {
        let _ = reading_of(
            &mut measure,
            other.draw(index, &[0.3; 240], &mut Dice::new(index)),
        );
    }
    let again = reading_of(&mut measure, scene.draw(0, &shifts, &mut Dice::new(6)));
    assert_eq!(fresh.error_rms, again.error_rms);
    assert_eq!(fresh.coverage, again.coverage);
}

/// The same field seen in a mirror.
fn mirrored(mut field: Field) -> Field {
    let width = field.luma.width;
    for row in field.luma.samples.chunks_exact_mut(width) {
        row.reverse();
    }
    field
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn left_and_right_are_treated_alike(
        left in 6.0..12.0_f64,
        right in 6.0..12.0_f64,
        noise in 0.8..3.0_f64,
        wobble in 0.2..1.5_f64,
        slope in 0.0..0.6_f64,
        seed in 0..1000_u64,
    ) {
        let pictures: [Picture; 3] = [
            |_, _| 110.0,
            |row, x| 90.0 + 30.0 * ((x + row as f64) / 25.0).sin(),
            |row, x| if (x + row as f64) % 90.0 < 45.0 { 60.0 } else { 120.0 },
        ];
        let scene = Scene {
            margins: (left, right),
            noise,
            picture: pictures[(slope * 5.0) as usize],
            ..Scene::new(Standard::Lines625)
        };
        let (mut plain, mut turned) = (LineTiming::default(), LineTiming::default());
        for index in 0..6 {
            let mut dice = Dice::new(seed * 16 + index);
            let shifts: Vec<f64> = (0..288).map(|_| wobble * dice.normal()).collect();
            let field = scene.draw(index, &shifts, &mut dice);
            let a = reading_of(&mut plain, field.clone());
            let b = reading_of(&mut turned, mirrored(field));
            // A hundredth of a nanosecond: sums of single precision in another order.
            let alike = |a: f64, b: f64| (a - b).abs() < 0.01;
            let values = |a: Option<Estimate<Nanos>>, b: Option<Estimate<Nanos>>| {
                a.zip(b).map_or(a.is_none() && b.is_none(), |(a, b)| alike(a.value.0, b.value.0))
            };
            prop_assert!(values(a.error_rms, b.error_rms), "{:?} {:?}", a.error_rms, b.error_rms);
            prop_assert!(values(a.left_rms, b.right_rms), "{:?} {:?}", a.left_rms, b.right_rms);
            prop_assert!(values(a.right_rms, b.left_rms), "{:?} {:?}", a.right_rms, b.left_rms);
            prop_assert_eq!(a.lines.usable().count(), b.lines.usable().count());
            for ((row, a), (_, b)) in a.lines.usable().zip(b.lines.usable()) {
                prop_assert!(
                    alike(a.displacement.0, -b.displacement.0) && alike(a.sigma.0, b.sigma.0),
                    "row {}: {:?} {:?}", row, a, b
                );
            }
        }
    }
}
