//! Noise of drawn fields.

use crate::fields::{Field, Plane};
use crate::measures::Measure as _;
use crate::measures::levels::{self};
use crate::measures::sketch::{
    Camera, Screening, Sketcher, World, field, plane, raster, with_levels,
};
use crate::measures::sync::State;
use crate::units::{Decibels, Estimate, Ratio};

use super::{Bound, Input, Noise, Reading};

/// The last reading of fields shown one after the other.
fn last_of(fields: impl IntoIterator<Item = Field>) -> Reading {
    let mut noise = Noise::default();
    let mut last = Reading::default();
    with_levels(fields, |around, levels| {
        last = noise.measure(Input {
            around,
            state: State::Locked,
            repeated: false,
            levels,
        });
    });
    last
}

fn db(estimate: Option<Estimate<Decibels>>) -> f64 {
    estimate.expect("there is noise to measure").value.0
}

fn ratio(estimate: Option<Estimate<Ratio>>) -> f64 {
    estimate.expect("there is noise to compare").value.0
}

/// A grey field under rows of noise.
fn grey(index: u64, mut row_of_noise: impl FnMut() -> Vec<f64>) -> Field {
    let mut luma = plane(720, 288, |_, _| 110);
    for row in luma.samples.chunks_exact_mut(720) {
        for (sample, noise) in row.iter_mut().zip(row_of_noise()) {
            *sample = (110.0 + noise).round() as u8;
        }
    }
    field(index, raster(720, 288), luma)
}

fn white(sketcher: &mut Sketcher, sigma: f64) -> Vec<f64> {
    (0..720).map(|_| sigma * sketcher.bell()).collect()
}

#[test]
fn white_noise_reads_what_is_in_the_band_and_7_4_decibels_more_weighted() {
    for sigma in [0.7, 1.5, 3.0, 8.0] {
        let mut sketcher = Sketcher::new(11);
        let reading = last_of((0..40).map(|index| grey(index, || white(&mut sketcher, sigma))));
        // of noise over 6.75 MHz the band of 5 MHz has 1.3 dB less (standards, row 6.11)
        let wanted = 20.0 * (219.0 / sigma).log10() + 1.30;
        let found = db(reading.luma);
        assert!((found - wanted).abs() < 0.25, "{sigma}: {found} {wanted}");
        assert_eq!(reading.luma_bound, Bound::Measured);
        // BT.1439-1 Annex 2 §3.3: level noise gains 7.4 dB
        let gain = db(reading.luma_weighted) - found;
        assert!((gain - 7.4).abs() < 0.2, "{sigma}: {gain}");
        let (temporal, spatial) = (ratio(reading.temporal), ratio(reading.spatial));
        assert!((temporal - 1.0).abs() < 0.05, "{sigma}: {temporal}");
        assert!((spatial - 1.0).abs() < 0.08, "{sigma}: {spatial}");
    }
}

/// White noise through a differentiator of 63 taps: amplitude in proportion to frequency.
fn triangular(sketcher: &mut Sketcher, scale: f64) -> Vec<f64> {
    const HALF: i32 = 31;
    let taps: Vec<f64> = (-HALF..=HALF)
        .map(|n| {
            let taper = 0.54 + 0.46 * (std::f64::consts::PI * f64::from(n) / f64::from(HALF)).cos();
            match n {
                0 => 0.0,
                n if n % 2 == 0 => taper / f64::from(n),
                n => -taper / f64::from(n),
            }
        })
        .collect();
    let source: Vec<f64> = (0..720 + 2 * HALF).map(|_| sketcher.bell()).collect();
    source
        .windows(taps.len())
        .map(|window| scale * window.iter().zip(&taps).map(|(x, h)| x * h).sum::<f64>())
        .collect()
}

#[test]
fn triangular_noise_gains_12_2_decibels_weighted_and_is_fine() {
    let mut sketcher = Sketcher::new(12);
    let reading = last_of((0..60).map(|index| grey(index, || triangular(&mut sketcher, 1.6))));
    // BT.1439-1 Annex 2 §3.3
    let gain = db(reading.luma_weighted) - db(reading.luma);
    assert!((gain - 12.2).abs() < 0.2, "{gain}");
    // 2 MHz over 0.7 MHz
    assert!(ratio(reading.spatial) > 2.2, "{:?}", reading.spatial);
}

#[test]
fn a_picture_without_noise_is_at_the_floor_of_rounding() {
    let ramps = (0..20).map(|index| {
        let luma = plane(720, 288, |column, row| {
            (60.0 + column as f64 / 9.0 + row as f64 / 7.0).round() as u8
        });
        field(index, raster(720, 288), luma)
    });
    let reading = last_of(ramps);
    // 20·log10(219·√12) (standards, row 6.11)
    assert!((db(reading.luma) - 57.60).abs() < 0.01, "{reading:?}");
    assert_eq!(reading.luma_bound, Bound::AtLeast);
    assert!(db(reading.luma_weighted) < 66.0, "{reading:?}");
    assert!(reading.temporal.is_none() && reading.spatial.is_none() && reading.parity.is_none());
}

#[test]
fn noise_of_a_panned_street_is_that_of_the_tape() {
    for sigma in [0.5, 1.0, 2.0, 4.0, 8.0] {
        let mut sketcher = Sketcher::new(13);
        sketcher.noise = sigma;
        let street = World::street(3);
        let reading = last_of((0..60).map(|index| {
            let camera = Camera {
                x: 60.0 + 2.3 * index as f64,
                ..Camera::default()
            };
            sketcher.shot(index, &street, camera)
        }));
        let found = 219.0 / 10.0_f64.powf(db(reading.luma) / 20.0);
        // 5 % from two codes, a tenth or a tenth of a code below; the noise's share over 5 MHz is under 1 %
        let within = if sigma < 2.0 {
            0.1_f64.max(0.1 * sigma)
        } else {
            0.05 * sigma
        };
        assert!((found - sigma).abs() < within, "{sigma}: {found}");
        if sigma >= 1.0 {
            let temporal = ratio(reading.temporal);
            assert!((temporal - 1.0).abs() < 0.08, "{sigma}: {temporal}");
        }
    }
}

/// Puts fields through a recursive filter that takes a share of each new one, each parity by itself.
struct Recursive {
    share: f64,
    shown: [Option<Vec<f64>>; 2],
}

impl Recursive {
    fn pass(&mut self, field: &mut Field) {
        let shown = &mut self.shown[(field.place.field.0 % 2) as usize];
        let new: Vec<f64> = field.luma.samples.iter().map(|&code| code.into()).collect();
        let mixed = match shown {
            None => new,
            Some(old) => {
                let pairs = old.iter().zip(&new);
                // what changes by more is taken for motion
                let share = |change: f64| if change.abs() < 14.0 { self.share } else { 1.0 };
                pairs
                    .map(|(old, new)| old + share(new - old) * (new - old))
                    .collect()
            }
        };
        for (sample, value) in field.luma.samples.iter_mut().zip(&mixed) {
            *sample = value.round() as u8;
        }
        *shown = Some(mixed);
    }
}

#[test]
fn recursive_noise_reduction_leaves_the_root_of_its_share_between_fields() {
    for share in [0.5_f64, 0.25] {
        for pan in [0.0, 2.3] {
            let mut sketcher = Sketcher::new(14);
            sketcher.noise = 3.0;
            let street = World::street(4);
            let mut reduction = Recursive {
                share,
                shown: [None, None],
            };
            let reading = last_of((0..60).map(|index| {
                let camera = Camera {
                    x: 60.0 + pan * index as f64,
                    ..Camera::default()
                };
                let mut field = sketcher.shot(index, &street, camera);
                reduction.pass(&mut field);
                field
            }));
            let found = ratio(reading.temporal);
            assert!((found - share.sqrt()).abs() < 0.1, "{share} {pan}: {found}");
        }
    }
}

#[test]
fn two_heads_of_different_noise_are_told_apart() {
    let mut sketcher = Sketcher::new(15);
    let reading = last_of((0..80).map(|index| {
        let sigma = if index % 2 == 0 { 2.0 } else { 2.5 };
        grey(index, || white(&mut sketcher, sigma))
    }));
    let wanted = 20.0 * (2.5_f64 / 2.0).log10();
    let found = db(reading.parity);
    assert!((found - wanted).abs() < 0.5, "{found} {wanted}");
}

#[test]
fn texture_everywhere_is_a_bound_and_no_noise_reduction() {
    let mut sketcher = Sketcher::new(16);
    sketcher.noise = 1.0;
    let leaves = World::leaves(5);
    let reading = last_of((0..50).map(|index| sketcher.shot(index, &leaves, Camera::default())));
    if let Some(luma) = reading.luma {
        // 1 code is 46.8 dB: no more than that may be said
        assert!(luma.value.0 < 48.0, "{luma:?}");
    }
    if let Some(temporal) = reading.temporal {
        assert!((temporal.value.0 - 1.0).abs() < 0.15, "{reading:?}");
    }
}

#[test]
fn colour_noise_is_the_mean_power_of_both_differences() {
    let mut sketcher = Sketcher::new(17);
    let fields = (0..60).map(|index| {
        let mut drawn = grey(index, || white(&mut sketcher, 2.0));
        let mut noisy = |sigma: f64| -> Plane {
            plane(360, 288, |_, _| {
                (128.0 + sigma * sketcher.bell()).round() as u8
            })
        };
        (drawn.cb, drawn.cr) = (noisy(2.0), noisy(4.0));
        drawn
    });
    let reading = last_of(fields);
    let wanted = 20.0 * (224.0 / 10.0_f64.sqrt()).log10();
    let found = db(reading.chroma);
    assert!((found - wanted).abs() < 0.3, "{found} {wanted}");
    let temporal = ratio(reading.chroma_temporal);
    assert!((temporal - 1.0).abs() < 0.05, "{temporal}");
}

#[test]
fn the_end_of_the_noise_is_found() {
    // white noise through a sinc of 4 MHz under a raised cosine, 41 taps
    let mut sketcher = Sketcher::new(18);
    let taps: Vec<f64> = (-20..=20)
        .map(|n| {
            let x = f64::from(n) * 8.0 / 13.5;
            let sinc = if n == 0 {
                1.0
            } else {
                (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
            };
            sinc * 8.0 / 13.5 * (0.5 + 0.5 * (std::f64::consts::PI * f64::from(n) / 21.0).cos())
        })
        .collect();
    let reading = last_of((0..60).map(|index| {
        grey(index, || {
            let source: Vec<f64> = (0..760).map(|_| 4.0 * sketcher.bell()).collect();
            let rows = source.windows(taps.len());
            rows.map(|window| window.iter().zip(&taps).map(|(x, h)| x * h).sum())
                .collect()
        })
    }));
    let found = reading.bandwidth.expect("it is well over rounding").value.0;
    assert!((found - 4.1).abs() < 0.25, "{found}");
}

#[test]
fn no_picture_has_no_noise_and_the_first_frame_none_yet() {
    let mut sketcher = Sketcher::new(19);
    let fields: Vec<Field> = (0..2)
        .map(|index| grey(index, || white(&mut sketcher, 2.0)))
        .collect();
    assert!(last_of(fields.clone()).luma.is_none());
    let mut screening = Screening::new();
    let around = screening.show(fields[0].clone());
    for state in [State::Lost, State::Snow, State::Muted, State::NoSignal] {
        let reading = Noise::default().measure(Input {
            around: &around,
            state,
            repeated: false,
            levels: &levels::Reading::default(),
        });
        assert!(reading.luma.is_none() && reading.chroma.is_none());
    }
}
