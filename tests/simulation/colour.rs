//! Colour of moving scenes with known displacement, bandwidth, saturation and subcarrier.

use trueline::fields::{History, Splitter};
use trueline::measures::Suite;
use trueline::measures::chroma::Reading;
use trueline::sources::tape::{BoxModel, Chain, Pace, Scene, Tape, find};
use trueline::sources::{Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::units::{Hertz, Lines, Nanos};

use super::wrong_of;

const STANDARDS: [Standard; 2] = [Standard::Lines525, Standard::Lines625];

/// Cuts and movement of the scene "clean", seen through a box.
#[derive(Clone, Copy, Debug)]
struct Case {
    standard: Standard,
    boxed: BoxModel,
    /// Of the recording, in MHz.
    band: f64,
}

impl Case {
    const fn plain(standard: Standard) -> Self {
        Self {
            standard,
            boxed: BoxModel::THROUGH,
            band: 0.45,
        }
    }

    /// What is read after some seconds.
    fn read(&self, frames: u64) -> Reading {
        let clean = find("clean").expect("the catalogue has it");
        let scene: &'static Scene = Box::leak(Box::new(Scene {
            name: "colour",
            chroma_band: Hertz(self.band * 1e6),
            chain: Chain {
                boxed: Some(self.boxed),
                ..clean.chain
            },
            ..*clean
        }));
        let wishes = Wishes {
            standard: Some(StandardWish::Lines(self.standard)),
            ..Wishes::default()
        };
        let pace = Pace::Free {
            frames: Some(frames),
        };
        let mut tape = Tape::play(scene, &wishes, pace).expect("the wishes can be met");
        let (mut splitter, mut history) = (Splitter::new(), History::default());
        let mut suite = Suite::new();
        let mut last = Reading::default();
        while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
            splitter.split(&frame, &mut history, |history| {
                if let Some(around) = history.neighbourhood() {
                    last = suite.measure(&around).chroma;
                }
            });
        }
        last
    }
}

/// Where `value` is further from `truth` than it may be, words for it.
fn off(what: &str, value: Option<f64>, truth: f64, at_most: f64) -> Option<String> {
    let far = value.is_none_or(|value| (value - truth).abs() > at_most);
    far.then(|| format!("{what} {value:?} instead of {truth}; "))
}

fn together(case: &Case, wrong: impl IntoIterator<Item = Option<String>>) -> Option<String> {
    let wrong: String = wrong.into_iter().flatten().collect();
    (!wrong.is_empty()).then(|| format!("{case:?}: {wrong}"))
}

/// Within 40 ns and an eighth of a line; within 12 % of the bandwidth of tape, and 20 % of a wider one, which reads low.
#[test]
fn displacement_and_bandwidth_of_colour_are_recovered() {
    let cases: Vec<Case> = STANDARDS
        .into_iter()
        .flat_map(|standard| {
            [(300.0, 1.0, 0.45), (-150.0, 2.0, 0.7)].map(|(late, low, band)| Case {
                boxed: BoxModel {
                    chroma_late: Nanos(late),
                    chroma_low: Lines(low),
                    ..BoxModel::THROUGH
                },
                band,
                ..Case::plain(standard)
            })
        })
        .collect();
    let wrong = wrong_of(&cases, |case| {
        let read = case.read(250);
        let delay = read.delay.map(|delay| delay.value.0);
        let low = read.delay_down.map(|low| low.value.0);
        let band = read.bandwidth.map(|band| band.value.0);
        let within = if case.band < 0.5 { 0.12 } else { 0.2 };
        let told = [
            off("ns late", delay, case.boxed.chroma_late.0, 40.0),
            off("lines low", low, case.boxed.chroma_low.0, 0.125),
            off("MHz", band, case.band, within * case.band),
        ];
        together(case, told)
    });
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// Saturation within 2 %, and subcarrier in proportion to what was left, within 15 %.
#[test]
fn saturation_and_subcarrier_follow_what_a_box_does() {
    let wrong = wrong_of(&STANDARDS, |&standard| {
        let read = |saturation: f64, subcarrier: f64| {
            let boxed = BoxModel {
                saturation,
                subcarrier,
                ..BoxModel::THROUGH
            };
            let case = Case {
                boxed,
                ..Case::plain(standard)
            };
            case.read(100)
        };
        let saturation = |read: Reading| read.saturation_rms.map(|rms| rms.value.0);
        let dots = |read: Reading| read.dot_crawl.map(|dots| dots.value.0);
        let (plain, dotty) = (read(1.0, 0.0), read(1.0, 0.1));
        let ratio = |value: Option<f64>, of: Option<f64>| Some(value? / of?);
        let told = [
            off(
                "saturation, a fifth less",
                ratio(saturation(read(0.8, 0.0)), saturation(plain)),
                0.8,
                0.016,
            ),
            off(
                "saturation, a fifth more",
                ratio(saturation(read(1.2, 0.0)), saturation(plain)),
                1.2,
                0.024,
            ),
            off(
                "dots, twice as many",
                ratio(dots(read(1.0, 0.2)), dots(dotty)),
                2.0,
                0.3,
            ),
            off("dots, none", ratio(dots(plain), dots(dotty)), 0.0, 0.4),
        ];
        together(&Case::plain(standard), told)
    });
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}
