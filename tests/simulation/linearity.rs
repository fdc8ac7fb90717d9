//! Wobble read against wobble injected, from a twentieth of a sample to five, beside rich pictures.

use trueline::sources::Wishes;
use trueline::sources::tape::{Injection, Noise, Picture, Scene, Segment, Shows, Timing, find};
use trueline::standard::Standard;
use trueline::units::{Decibels, Nanos};

use super::line_timing::{BOTH, ONE, detrended_rms, play_scene};
use super::wrong_of;

/// Standard deviations of the injected jitter, in samples.
const JITTERS: [f64; 5] = [0.05, 0.1, 0.5, 2.0, 5.0];

/// Fields that the learning of noise, width and reference is given.
const WARM_UP: usize = 20;

/// Frames of a pass: 24 fields after the warm-up.
const FRAMES: u64 = 22;

/// Fields that give a figure, of those 24, at the least.
const LEAST_FIELDS: usize = 9;

/// A tape of one shot under white jitter of `samples` rms. Scenes live as long as the program, so each is kept.
fn jittery(picture: Picture, standard: Standard, samples: f64) -> &'static Scene {
    let jitter = Box::leak(Box::new([Injection::White {
        rms: Nanos(samples * ONE),
    }]));
    let still = find("still").expect("it is in the catalogue");
    let tape = Box::leak(Box::new([Segment {
        seconds: 12.0,
        shows: Shows::Picture(picture),
        timing: Timing::Injected(jitter),
        noise: Noise {
            luma: Decibels(42.0),
            chroma: Decibels(40.0),
        },
        ..still.tape[0]
    }]));
    Box::leak(Box::new(Scene {
        name: "jittery",
        about: "one shot under white jitter",
        standard,
        tape,
        ..*still
    }))
}

/// What a pass gave.
struct Outcome {
    /// Median over the fields of what is read too much, in ns.
    bias: f64,
    /// Robust spread of the lines' errors over their standard errors.
    honesty: f64,
    /// Fields that gave a figure.
    fields: usize,
}

fn outcome(picture: Picture, standard: Standard, samples: f64) -> Outcome {
    let scene = jittery(picture, standard, samples);
    let (mut biases, mut ratios) = (Vec::new(), Vec::new());
    for field in play_scene(scene, FRAMES, &Wishes::default())
        .iter()
        .skip(WARM_UP)
    {
        let rows = field.timing.picture_rows.clone();
        if let Some(read) = field.timing.error_rms {
            biases.push(read.value.0 - detrended_rms(&field.truth.lines[rows.clone()]));
        }
        let seen = field.timing.lines.usable();
        let seen = seen.filter(|(row, _)| rows.contains(row));
        let errors: Vec<_> = seen
            .map(|(row, line)| (line.displacement.0 - field.truth.lines[row], line.sigma.0))
            .collect();
        let centre = median(errors.iter().map(|(error, _)| *error).collect());
        ratios.extend(
            errors
                .iter()
                .map(|(error, sigma)| ((error - centre) / sigma).abs()),
        );
    }
    Outcome {
        fields: biases.len(),
        bias: median(biases),
        // Standard deviation of a normal distribution over its median absolute deviation.
        honesty: 1.4826 * median(ratios),
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// A picture, a standard, and what holds of them.
#[derive(Clone, Copy, Debug)]
struct Case {
    picture: Picture,
    standard: Standard,
    /// Samples of jitter.
    samples: f64,
    /// What may be read too much or too little, in ns, beside a share of 5 %; `None` where figures are too few.
    allowed: Option<f64>,
    /// Least and largest of the lines' errors over their standard errors, where it is held.
    honesty: Option<[f64; 2]>,
}

/// What holds of most.
const HONEST: Option<[f64; 2]> = Some([0.8, 1.25]);

/// All jitters of a picture in both standards, with what holds of most.
fn all_of(picture: Picture) -> impl Iterator<Item = Case> {
    BOTH.into_iter().flat_map(move |standard| {
        JITTERS.into_iter().map(move |samples| Case {
            picture,
            standard,
            samples,
            allowed: Some(1.0),
            honesty: HONEST,
        })
    })
}

impl Case {
    /// What is other than it should be.
    fn wrong(&self) -> Option<String> {
        let Outcome {
            bias,
            honesty,
            fields,
        } = outcome(self.picture, self.standard, self.samples);
        let enough = fields >= LEAST_FIELDS;
        let read = match self.allowed {
            Some(allowed) => enough && bias.abs() < 0.05 * self.samples * ONE + allowed,
            None => !enough,
        };
        let honest = self
            .honesty
            .is_none_or(|[least, most]| (least..most).contains(&honesty));
        (!read || !honest)
            .then(|| format!("{self:?}: {fields} fields, {bias:.2} ns, errors {honesty:.2} sigma"))
    }
}

fn check(cases: impl Iterator<Item = Case>) {
    let cases: Vec<_> = cases.collect();
    let wrong = wrong_of(&cases, Case::wrong);
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn wobble_is_read_in_proportion_beside_even_pictures() {
    check(
        [Picture::Wall, Picture::Meadow, Picture::Fog]
            .into_iter()
            .flat_map(all_of),
    );
}

#[test]
fn wobble_is_read_in_proportion_beside_detail() {
    let cases = [Picture::Harbour, Picture::Park]
        .into_iter()
        .flat_map(all_of);
    check(cases.map(|mut case| {
        let harbour_625 = case.picture == Picture::Harbour && case.standard == Standard::Lines625;
        if harbour_625 && case.samples > 2.0 {
            // Known to be too few: some lines at the left are misread by samples, and those beside them are in doubt over
            // more than 40 lines on end.
            case.allowed = None;
        }
        case
    }));
}

#[test]
fn wobble_is_read_in_proportion_beside_the_hall_but_for_a_twentieth_of_a_sample() {
    check(all_of(Picture::Hall).map(|mut case| {
        // Known to be too much: lines err by more than the difference of their sides tells.
        case.allowed = Some(match case.standard {
            Standard::Lines525 => 2.0,
            Standard::Lines625 => 4.0,
        });
        case.honesty = None;
        case
    }));
}

#[test]
fn wobble_is_read_in_proportion_in_the_street() {
    check(all_of(Picture::Street).map(|mut case| {
        if case.standard == Standard::Lines625 {
            // Dark window frames stand at both sides over more than 40 lines on end: without the picture there is no figure.
            // Two nanoseconds, for the lines around them are in doubt. Known to be too cautious: lines read on from the picture
            // carry the doubt of the edges that they were learned from, and in this picture those are many.
            // From two samples of jitter on the picture does not tell those lines either, and there is no figure.
            case.allowed = (case.samples < 2.0).then_some(2.0);
            case.honesty = Some([0.45, 1.25]);
        }
        case
    }));
}
