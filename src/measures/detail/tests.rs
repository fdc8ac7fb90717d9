//! Detail of drawn fields.

use crate::fields::{Field, FieldRaster};
use crate::measures::sketch::{Camera, Sketcher, World, field, plane, raster, with_levels};
use crate::measures::sync::State;
use crate::measures::{Measure as _, noise};
use crate::standard::Standard;
use crate::units::Megahertz;

use super::{Bound, Detail, Input, Reading, television_lines};

fn last_of(fields: impl IntoIterator<Item = Field>) -> Reading {
    let (mut noise, mut detail) = (noise::Noise::default(), Detail::default());
    let mut last = Reading::default();
    with_levels(fields, |around, levels| {
        let noise = noise.measure(noise::Input {
            around,
            state: State::Locked,
            repeated: false,
            levels,
        });
        last = detail.measure(Input {
            field: around.field,
            state: State::Locked,
            repeated: false,
            levels,
            noise: &noise,
        });
    });
    last
}

#[test]
fn television_lines_are_those_of_the_published_anchors() {
    // standards, row 6.14
    for (mhz, in_525, in_625) in [
        (3.0, 237.0, 234.0),
        (4.2, 331.7, 327.6),
        (5.0, 394.9, 390.0),
        (6.75, 533.0, 526.5),
    ] {
        let lines = |standard| television_lines(Megahertz(mhz), standard);
        assert!((lines(Standard::Lines525) - in_525).abs() < 0.3, "{mhz}");
        assert!((lines(Standard::Lines625) - in_625).abs() < 0.1, "{mhz}");
    }
}

/// A Gaussian low-pass that is 20 dB down at a frequency, as taps at 13.5 MHz.
fn gaussian(end_mhz: f64) -> Vec<f64> {
    // exp(−2π²σ²f²) = 0.1
    let sigma = (10.0_f64.ln() / 2.0).sqrt() / (std::f64::consts::PI * end_mhz) * 13.5;
    let half = (4.0 * sigma).ceil() as i32;
    let taps: Vec<f64> = (-half..=half)
        .map(|n| (-0.5 * (f64::from(n) / sigma).powi(2)).exp())
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.into_iter().map(|tap| tap / sum).collect()
}

/// A sinc under a Hann window of 41 taps, 6 dB down at a frequency.
fn steep(cut_mhz: f64) -> Vec<f64> {
    use std::f64::consts::PI;
    (-20..=20)
        .map(|n| {
            let x = 2.0 * cut_mhz / 13.5 * f64::from(n);
            let sinc = if n == 0 {
                1.0
            } else {
                (PI * x).sin() / (PI * x)
            };
            2.0 * cut_mhz / 13.5 * sinc * (0.5 + 0.5 * (PI * f64::from(n) / 21.0).cos())
        })
        .collect()
}

/// Where taps are 20 dB down, in MHz.
fn end_of(taps: &[f64]) -> f64 {
    let half = (taps.len() / 2) as f64;
    let response = |mhz: f64| -> f64 {
        let turn = std::f64::consts::TAU * mhz / 13.5;
        let at = |(n, tap): (usize, &f64)| tap * (turn * (n as f64 - half)).cos();
        taps.iter().enumerate().map(at).sum()
    };
    (1..6_750)
        .map(|khz| f64::from(khz) * 1e-3)
        .find(|&mhz| response(mhz).abs() < 0.1)
        .expect("it falls")
}

/// A pan over a street through a filter, then tape noise.
fn filtered(taps: &[f64], sigma: f64, seed: u64) -> impl Iterator<Item = Field> + '_ {
    let mut sketcher = Sketcher::new(seed);
    sketcher.noise = 0.0;
    let street = World::street(seed);
    let half = taps.len() / 2;
    (0..130).map(move |index| {
        let camera = Camera {
            x: 60.0 + 2.3 * index as f64,
            ..Camera::default()
        };
        let mut shot = sketcher.shot(index, &street, camera);
        for row in shot.luma.samples.chunks_exact_mut(720) {
            let source: Vec<f64> = row.iter().map(|&code| f64::from(code)).collect();
            for (at, sample) in row.iter_mut().enumerate() {
                let sum: f64 = taps
                    .iter()
                    .enumerate()
                    .map(|(n, tap)| tap * source[(at + n).saturating_sub(half).min(719)])
                    .sum();
                *sample = (sum + sigma * sketcher.bell()).round().clamp(1.0, 254.0) as u8;
            }
        }
        shot
    })
}

#[test]
fn detail_ends_where_the_filter_is_20_decibels_down() {
    let mut last = 0.0;
    for taps in [
        gaussian(2.0),
        steep(2.2),
        gaussian(3.0),
        steep(3.0),
        gaussian(4.2),
        steep(4.2),
    ] {
        let reading = last_of(filtered(&taps, 0.6, 3));
        let found = reading.bandwidth.expect("a street has edges");
        let wanted = end_of(&taps);
        assert_eq!(
            reading.bandwidth_bound,
            Bound::Measured,
            "{wanted}: {found:?}"
        );
        assert!(
            (found.value.0 / wanted - 1.0).abs() < 0.08,
            "{wanted}: {found:?}"
        );
        assert!(found.value.0 > last, "{wanted}: {found:?} after {last}");
        last = found.value.0;
    }
}

#[test]
fn noise_that_covers_detail_makes_it_a_bound() {
    let taps = gaussian(4.2);
    let reading = last_of(filtered(&taps, 7.0, 4));
    let found = reading.bandwidth.expect("a street has edges");
    assert_eq!(reading.bandwidth_bound, Bound::AtLeast, "{found:?}");
    assert!(found.value.0 < end_of(&taps), "{found:?}");
}

/// Upright bars whose edges shoot over by a share of their step on either side.
fn bars(overshoot: f64, sigma: f64) -> impl Iterator<Item = Field> {
    let mut sketcher = Sketcher::new(8);
    // an edge of some 200 ns with a swing of a sample and a half on either side, three samples off
    let edge = move |x: f64| {
        let bump = |at: f64| (-0.5 * ((x - at) / 1.5).powi(2)).exp();
        0.5 + 0.5 * (x / 1.1).tanh() + overshoot * (bump(3.5) - bump(-3.5))
    };
    (0..40).map(move |index| {
        let drift = 0.37 * index as f64;
        let luma = plane(720, 288, |column, _| {
            let x = (column as f64 + drift) % 96.0;
            let level = edge(x - 24.0) - edge(x - 72.0);
            let code = 70.0 + 90.0 * level + sigma * sketcher.bell();
            code.round().clamp(1.0, 254.0) as u8
        });
        field(index, raster(720, 288), luma)
    })
}

#[test]
fn overshoot_of_edges_is_told_in_percent_of_their_step() {
    for overshoot in [0.0, 0.06, 0.15] {
        let found = last_of(bars(overshoot, 1.5))
            .ringing
            .expect("bars have edges");
        assert!(
            (found.value.0 - 100.0 * overshoot).abs() < 1.5,
            "{overshoot}: {found:?}"
        );
    }
}

#[test]
fn plain_pictures_and_those_without_a_rate_have_no_detail_to_tell() {
    let mut sketcher = Sketcher::new(9);
    let flat: Vec<Field> = (0..60)
        .map(|index| sketcher.flat(index, [90, 128, 128], 2.0))
        .collect();
    let reading = last_of(flat);
    assert!(reading.bandwidth.is_none() && reading.ringing.is_none());
    let rateless = bars(0.0, 1.0).map(|mut field| {
        field.raster = FieldRaster {
            sample_rate: None,
            ..field.raster
        };
        field
    });
    assert!(last_of(rateless).bandwidth.is_none());
}
