//! Noise and detail of rich scenes with known noise, bandwidth and noise reduction.

use trueline::fields::{History, Splitter};
use trueline::measures::line_timing::Border;
use trueline::measures::noise::Bound;
use trueline::measures::sync::Sync;
use trueline::measures::{Measure as _, detail, levels, noise};
use trueline::sources::tape::{
    BoxModel, Camera, Chain, Injection, Noise, Pace, Picture, Scene, Segment, Shows, Tape, Timing,
    find,
};
use trueline::sources::{Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::units::{Decibels, Hertz, Nanos};

use super::{HAND, PAN, wrong_of};

const ZOOM: Camera = Camera {
    centre: (512.0, 350.0),
    zoom: 0.98,
    zoom_rate: 0.06,
    ..Camera::STILL
};

/// Line jitter of a tape without time-base correction: half a sample rms.
const JITTER: Timing = Timing::Injected(&[Injection::White { rms: Nanos(37.0) }]);

/// A tape of shots of a few seconds each.
#[derive(Clone, Debug)]
struct Film {
    shots: Vec<(Picture, Camera)>,
    seconds: f64,
    noise: Noise,
    band: Hertz,
    boxed: Option<BoxModel>,
    timing: Timing,
    standard: Standard,
}

impl Film {
    fn of(shots: &[(Picture, Camera)]) -> Self {
        Self {
            shots: shots.to_vec(),
            seconds: 2.5,
            noise: ratio(40.0, 40.0),
            band: Hertz(3.0e6),
            boxed: None,
            timing: Timing::Steady,
            standard: Standard::Lines525,
        }
    }

    fn scene(&self) -> &'static Scene {
        let clean = find("clean").expect("it is in the catalogue");
        let tape: Vec<Segment> = self
            .shots
            .iter()
            .map(|&(picture, camera)| Segment {
                seconds: self.seconds,
                shows: Shows::Picture(picture),
                camera,
                noise: self.noise,
                timing: self.timing,
                ..clean.tape[0]
            })
            .collect();
        Box::leak(Box::new(Scene {
            name: "film",
            about: "some shots",
            tape: Box::leak(tape.into_boxed_slice()),
            luma_band: self.band,
            chain: Chain {
                boxed: self.boxed,
                ..clean.chain
            },
            ..*clean
        }))
    }

    /// Plays it; gives what is said of every field.
    fn play(&self) -> Vec<(noise::Reading, detail::Reading)> {
        let wishes = Wishes {
            standard: Some(StandardWish::Lines(self.standard)),
            ..Wishes::default()
        };
        let pace = Pace::Free { frames: None };
        let mut tape = Tape::play(self.scene(), &wishes, pace).expect("the wishes can be met");
        let (mut splitter, mut history) = (Splitter::new(), History::default());
        let (mut sync, mut levels) = (Sync::default(), levels::Levels::default());
        let (mut noise, mut detail) = (noise::Noise::default(), detail::Detail::default());
        let mut said = Vec::new();
        while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
            splitter.split(&frame, &mut history, |history| {
                let around = &history.neighbourhood().expect("a field was put there");
                let stream = sync.measure(around);
                let levels = levels.measure(levels::Input {
                    around,
                    state: stream.state,
                    border: Border::Tape,
                    bars: None,
                });
                let noise = noise.measure(noise::Input {
                    around,
                    state: stream.state,
                    repeated: stream.repeated,
                    levels: &levels,
                });
                let detail = detail.measure(detail::Input {
                    field: around.field,
                    state: stream.state,
                    repeated: stream.repeated,
                    levels: &levels,
                    noise: &noise,
                });
                said.push((noise, detail));
            });
        }
        said
    }
}

fn ratio(luma: f64, chroma: f64) -> Noise {
    Noise {
        luma: Decibels(luma),
        chroma: Decibels(chroma),
    }
}

/// The ratio of noise of so many codes.
fn of_codes(codes: f64, signal: f64) -> f64 {
    20.0 * (signal / codes).log10()
}

/// The rms in codes that a ratio means.
fn codes_of(ratio: f64, signal: f64) -> f64 {
    signal / 10.0_f64.powf(ratio / 20.0)
}

/// What may be wrong of a figure for noise: 5 % from two codes, below a tenth or a tenth of a code.
fn within(codes: f64) -> f64 {
    if codes < 2.0 {
        0.1_f64.max(0.1 * codes)
    } else {
        0.05 * codes
    }
}

/// What colour noise of a code may read too much: lines four apart differ by half a code of the picture's own, √(1² + ½²) = 1.12.
const SHADES: f64 = 0.15;

#[test]
fn noise_of_rich_moving_scenes_is_that_of_the_tape() {
    let shots = [
        (Picture::Street, PAN),
        (Picture::Park, HAND),
        (Picture::Harbour, Camera::STILL),
        (Picture::Hall, ZOOM),
        (Picture::Notice, HAND),
        (Picture::Street, Camera::STILL),
    ];
    let mut films = Vec::new();
    for codes in [0.5, 1.0, 2.0, 4.0, 8.0] {
        for (nth, &shot) in shots.iter().enumerate() {
            let jitter = nth % 2 == 0;
            let film = Film {
                noise: ratio(of_codes(codes, 219.0), of_codes(codes, 224.0)),
                timing: if jitter { JITTER } else { Timing::Steady },
                standard: [Standard::Lines525, Standard::Lines625][nth / 2 % 2],
                seconds: 1.5,
                ..Film::of(&[shot])
            };
            films.push((codes, film));
        }
    }
    let wrong = wrong_of(&films, |(codes, film)| {
        let (noise, _) = *film.play().last().expect("it has fields");
        let luma = codes_of(noise.luma?.value.0, 219.0);
        let chroma = codes_of(noise.chroma?.value.0, 224.0);
        // texture may be part of what is called at least a ratio
        let chroma_right = (chroma - codes).abs() < within(*codes).max(SHADES)
            || noise.chroma_bound == Bound::AtLeast && chroma > *codes;
        let temporal = noise
            .temporal
            .is_none_or(|found| (found.value.0 - 1.0).abs() < 0.08);
        let chroma_temporal = noise
            .chroma_temporal
            .is_none_or(|found| (found.value.0 - 1.0).abs() < 0.15);
        let right = (luma - codes).abs() < within(*codes);
        (!right || !chroma_right || !temporal || !chroma_temporal)
            .then(|| format!("{codes} {:?}: {luma:.3} {chroma:.3} {noise:?}", film.shots))
    });
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn every_rich_scene_has_a_figure_for_its_noise_within_half_a_second() {
    for picture in [
        Picture::Street,
        Picture::Hall,
        Picture::Night,
        Picture::Fog,
        Picture::Meadow,
    ] {
        let film = Film {
            seconds: 0.6,
            ..Film::of(&[(picture, Camera::STILL)])
        };
        let said = film.play();
        let (noise, _) = said[28];
        assert!(
            noise.luma.is_some() && noise.chroma.is_some(),
            "{picture:?}"
        );
    }
}

/// The response of the filter that shapes the tape's noise, by its description: amplitude √(0.3² + (f / 3 MHz)²) up to 3 MHz, as a
/// filter of 49 taps under a Kaiser window of β = 5 and half width 25.
fn noise_amplitude(hertz: f64) -> f64 {
    use std::f64::consts::TAU;
    let bessel = |x: f64| {
        let mut term = 1.0;
        (1..40).fold(1.0, |sum, k| {
            term *= (x / (2.0 * f64::from(k))).powi(2);
            sum + term
        })
    };
    let tap = |lag: f64| {
        let sum: f64 = (0..300)
            .map(|step| (f64::from(step) + 0.5) * 1.0e4)
            .map(|f| (0.09 + (f / 3.0e6).powi(2)).sqrt() * (TAU * f / 13.5e6 * lag).cos())
            .sum();
        sum * bessel(5.0 * (1.0 - (lag / 25.0).powi(2)).sqrt())
    };
    (-24..=24)
        .map(|lag| tap(f64::from(lag)) * (TAU * hertz / 13.5e6 * f64::from(lag)).cos())
        .sum()
}

#[test]
fn the_weighted_ratio_is_that_of_the_network_over_the_tapes_own_spectrum() {
    let (mut plain, mut weighted) = (0.0, 0.0);
    for step in 0..250 {
        let hertz = 1.0e4 + 2.0e4 * f64::from(step);
        let density = noise_amplitude(hertz).powi(2);
        // BT.1439-1 Annex 2 §3.2
        let turn = std::f64::consts::TAU * hertz * 245.0e-9;
        let network = (1.0 + ((1.0 + 1.0 / 4.5) * turn).powi(2)) / (1.0 + (turn / 4.5).powi(2));
        plain += density;
        weighted += density / network;
    }
    let wanted = 10.0 * f64::log10(plain / weighted);
    let film = Film::of(&[(Picture::Harbour, Camera::STILL)]);
    let (noise, _) = *film.play().last().expect("it has fields");
    let (Some(unweighted), Some(weighted)) = (noise.luma, noise.luma_weighted) else {
        panic!("{noise:?}");
    };
    let found = weighted.value.0 - unweighted.value.0;
    assert!((found - wanted).abs() < 0.25, "{found} {wanted}");
    let reach = noise.bandwidth.expect("40 dB is well over rounding");
    assert!((reach.value.0 - 3.0).abs() < 0.25, "{reach:?}");
}

#[test]
fn a_picture_without_noise_is_told_as_at_least_the_floor() {
    for picture in [Picture::Street, Picture::Hall] {
        let film = Film {
            noise: ratio(f64::INFINITY, f64::INFINITY),
            ..Film::of(&[(picture, Camera::STILL)])
        };
        let (noise, _) = *film.play().last().expect("it has fields");
        let luma = noise.luma.expect("there is a picture").value.0;
        assert_eq!(noise.luma_bound, Bound::AtLeast, "{noise:?}");
        // 20·log10(219·√12): an ideal converter's rounding (standards, row 6.11)
        assert!((luma - 57.6).abs() < 0.05, "{luma}");
        assert_eq!(noise.chroma_bound, Bound::AtLeast, "{noise:?}");
        assert!(
            noise.temporal.is_none() && noise.chroma_temporal.is_none(),
            "{noise:?}"
        );
    }
}

#[test]
fn noise_reduction_over_time_is_told_on_still_and_on_moving_scenes() {
    let mut films = Vec::new();
    for share in [1.0, 0.5, 0.35, 0.25] {
        for shot in [
            (Picture::Street, Camera::STILL),
            (Picture::Street, PAN),
            (Picture::Hall, ZOOM),
            (Picture::Harbour, Camera::STILL),
            (Picture::Park, HAND),
        ] {
            let film = Film {
                boxed: Some(BoxModel {
                    temporal_share: (share < 1.0).then_some(share),
                    ..BoxModel::THROUGH
                }),
                ..Film::of(&[shot])
            };
            films.push((share, film));
        }
    }
    let wrong = wrong_of(&films, |(share, film)| {
        let (noise, _) = *film.play().last().expect("it has fields");
        let found = noise.temporal.map_or(f64::NAN, |found| found.value.0);
        // what is left of a change by a filter that takes this share: the root of it
        let right = (found - share.sqrt()).abs() < 0.1;
        (!right).then(|| format!("{share} {:?}: {noise:?}", film.shots))
    });
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn coring_and_a_soft_filter_show_in_the_shape_of_the_noise() {
    let spatial = |boxed| {
        let film = Film {
            boxed: Some(boxed),
            ..Film::of(&[(Picture::Harbour, Camera::STILL)])
        };
        let (noise, _) = *film.play().last().expect("it has fields");
        noise.spatial.map(|found| found.value.0)
    };
    let through = spatial(BoxModel::THROUGH).expect("40 dB is well over rounding");
    assert!(through > 1.6, "{through}");
    let soft = spatial(BoxModel {
        soften: Some(Hertz(1.6e6)),
        ..BoxModel::THROUGH
    });
    let soft = soft.expect("coarse noise is left");
    assert!(soft < 1.0, "{soft}");
    let cored = spatial(BoxModel {
        coring: Some(3.0),
        ..BoxModel::THROUGH
    });
    assert!(cored.is_none_or(|cored| cored < 0.6 * through), "{cored:?}");
}

/// Where the tape's filter is 20 dB down, by its band: a sinc 6 dB down at the band, 16 samples under a Kaiser window of β = 5, worked
/// out from that description.
const ENDS: [(f64, f64); 4] = [(1.5, 2.26), (2.2, 2.96), (3.0, 3.76), (4.2, 4.96)];

#[test]
fn detail_ends_where_the_filter_does() {
    let mut cases = Vec::new();
    for shots in [
        vec![(Picture::Street, PAN), (Picture::Harbour, Camera::STILL)],
        vec![(Picture::Park, HAND), (Picture::Hall, ZOOM)],
    ] {
        for noise in [46.0, 34.0] {
            for (band, end) in ENDS {
                let film = Film {
                    noise: ratio(noise, 44.0),
                    band: Hertz(band * 1e6),
                    ..Film::of(&shots)
                };
                cases.push((end, noise, film));
            }
        }
    }
    let wrong = wrong_of(&cases, |(end, noise, film)| {
        let (_, detail) = *film.play().last().expect("it has fields");
        let found = detail.bandwidth.map_or(f64::NAN, |found| found.value.0);
        let right = match detail.bandwidth_bound {
            Bound::Measured => (found / end - 1.0).abs() < 0.08,
            // noise allows no more than a bound; at 46 dB it does
            Bound::AtLeast => *noise < 40.0 && found < 1.05 * end && found > 0.5 * end,
        };
        (!right).then(|| format!("{end} at {noise} dB {:?}: {detail:?}", film.shots))
    });
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}
