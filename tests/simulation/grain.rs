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

use super::wrong_of;

const PAN: Camera = Camera {
    centre: (420.0, 330.0),
    pan: 55.0,
    ..Camera::STILL
};

const HAND: Camera = Camera {
    centre: (500.0, 340.0),
    pan: 12.0,
    shake: 5.0,
    ..Camera::STILL
};

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

#[test]
fn look() {
    let shots = [
        (Picture::Street, PAN),
        (Picture::Park, HAND),
        (Picture::Harbour, Camera::STILL),
        (Picture::Hall, ZOOM),
        (Picture::Meadow, PAN),
        (Picture::Night, Camera::STILL),
        (Picture::Street, Camera::STILL),
        (Picture::Fog, PAN),
        (Picture::Notice, HAND),
        (Picture::Wall, HAND),
    ];
    for codes in [0.0, 0.5, 1.0, 2.0, 4.0, 8.0] {
        let films: Vec<Film> = shots
            .iter()
            .map(|shot| Film {
                noise: ratio(of_codes(codes, 219.0), of_codes(codes, 224.0)),
                ..Film::of(&[*shot])
            })
            .collect();
        for line in wrong_of(&films, |film| {
            let (noise, detail) = *film.play().last().expect("it has fields");
            let codes_of = |db: f64, s: f64| s / 10f64.powf(db / 20.0);
            let f = |e: Option<f64>| e.map_or("  -  ".to_string(), |v| format!("{v:6.3}"));
            Some(format!(
                "{codes} {:?} luma {} {:?} w {} chroma {} {:?} spat {} temp {} ctemp {} par {} bw {} | detail {} {:?} s{} ring {}",
                film.shots[0].0,
                f(noise.luma.map(|e| codes_of(e.value.0, 219.0))),
                noise.luma_bound,
                f(noise
                    .luma_weighted
                    .map(|e| e.value.0 - noise.luma.map_or(0.0, |l| l.value.0))),
                f(noise.chroma.map(|e| codes_of(e.value.0, 224.0))),
                noise.chroma_bound,
                f(noise.spatial.map(|e| e.value.0)),
                f(noise.temporal.map(|e| e.value.0)),
                f(noise.chroma_temporal.map(|e| e.value.0)),
                f(noise.parity.map(|e| e.value.0)),
                f(noise.bandwidth.map(|e| e.value.0)),
                f(detail.bandwidth.map(|e| e.value.0)),
                detail.bandwidth_bound,
                f(detail.bandwidth.map(|e| e.sigma.0)),
                f(detail.ringing.map(|e| e.value.0)),
            ))
        }) {
            println!("{line}");
        }
    }
}
