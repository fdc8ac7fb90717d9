//! Hours of simulated clean tape through measures and alarms: `cargo bench --bench clean_tape -- [2.5h] [from2000] [WORD…]`.
//!
//! Every picture, camera motion, moving thing and noise there is, in random order, with each kind of border and in both
//! standards; every line stands where it should. Whatever wobble, flagging, tear, head switch or loss of lock is reported is a false
//! alarm; each is printed with what was on as its run ends. For `n` alarms in `t` hours the 95 % upper bound of their rate is that
//! of a Poisson count, for none 3/t. The hours (1 by default) are of
//! tape in all; words pick borders and standards; shots are drawn by seeds from 1000 on, or from the one given.

#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "figures are what a bench is for"
)]

use std::time::Instant;

use rayon::prelude::*;
use statrs::distribution::{ChiSquared, ContinuousCDF};

use trueline::alarms::{Alarms, Change, PassClock};
use trueline::fields::{History, Splitter};
use trueline::limits::{Kind, Limits};
use trueline::measures::Suite;
use trueline::measures::line_timing::Basis;
use trueline::sources::tape::{BoxModel, Chain, Pace, Scene, Sides, Tape, find};
use trueline::sources::{Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::timecode::{Counting, Timecode};
use trueline::units::Samples;

mod shots;

/// Tape of one run; shots of a run are drawn anew for each.
const RUN_MINUTES: f64 = 10.0;

/// What must not be reported.
const FALSE: [Kind; 5] = [
    Kind::Wobble,
    Kind::Flagging,
    Kind::Tear,
    Kind::HeadSwitch,
    Kind::LockLost,
];

/// What stands at the sides.
#[derive(Clone, Copy, Debug)]
struct Edges {
    name: &'static str,
    margins: Option<(Samples, Samples)>,
    sides: Option<Sides>,
}

const EDGES: [Edges; 4] = [
    Edges {
        name: "tape",
        margins: None,
        sides: None,
    },
    Edges {
        name: "one-sided",
        margins: Some((Samples(16.0), Samples(0.0))),
        sides: None,
    },
    Edges {
        name: "regenerated",
        margins: None,
        sides: Some(Sides::Border {
            left: 9.0,
            right: 9.0,
        }),
    },
    Edges {
        name: "cropped",
        margins: None,
        sides: Some(Sides::Crop(8.0)),
    },
];

/// One run to be made.
#[derive(Clone, Copy, Debug)]
struct Run {
    edges: Edges,
    standard: Standard,
    seed: u64,
}

/// What came of one.
#[derive(Debug, Default)]
struct Outcome {
    seconds: f64,
    fields: u64,
    /// Fields timed by edges, and by content.
    timed: [u64; 2],
    alarms: [u32; FALSE.len()],
    described: Vec<String>,
}

/// A tape of random shots, and what each is called.
fn tape_of(run: Run) -> (&'static Scene, Vec<(f64, String)>) {
    let clean = find("clean").expect("the catalogue has it");
    let (tape, names) = shots::shots(run.seed, 60.0 * RUN_MINUTES);
    let boxed = run.edges.sides.map(|sides| BoxModel {
        sides,
        ..BoxModel::THROUGH
    });
    let scene = Scene {
        name: "clean shots",
        tape: Vec::leak(tape),
        margins: run.edges.margins,
        chain: Chain {
            boxed,
            ..clean.chain
        },
        ..*clean
    };
    (Box::leak(Box::new(scene)), names)
}

fn play(run: Run) -> Outcome {
    let (scene, names) = tape_of(run);
    let wishes = Wishes {
        standard: Some(StandardWish::Lines(run.standard)),
        seed: Some(run.seed),
        ..Wishes::default()
    };
    let pace = Pace::Free { frames: None };
    let mut tape = Tape::play(scene, &wishes, pace).expect("the wishes can be met");
    let (mut splitter, mut history) = (Splitter::new(), History::default());
    let mut suite = Suite::new();
    let clock = PassClock {
        start: Timecode::zero(Counting::usual(run.standard)),
    };
    let mut alarms = Alarms::new(&Limits::default(), clock);
    let mut changes = Vec::new();
    let mut outcome = Outcome::default();
    while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
        splitter.split(&frame, &mut history, |history| {
            let Some(around) = history.neighbourhood() else {
                return;
            };
            let readings = suite.measure(&around);
            alarms.observe(&readings, &mut changes);
            outcome.fields += 1;
            outcome.seconds = readings.place.seconds.0;
            match readings.line_timing.basis {
                Basis::Edge => outcome.timed[0] += 1,
                Basis::Content => outcome.timed[1] += 1,
                Basis::None => {}
            }
            for change in changes.drain(..) {
                outcome.note(&change, run, &names);
            }
        });
    }
    outcome
}

impl Outcome {
    fn note(&mut self, change: &Change, run: Run, names: &[(f64, String)]) {
        let Change::Opened(event) = change else {
            return;
        };
        let Some(kind) = FALSE.iter().position(|&kind| kind == event.kind) else {
            return;
        };
        self.alarms[kind] += 1;
        let at = event.start.seconds.0;
        let shot = names.iter().rev().find(|(start, _)| *start <= at);
        let (start, name) = shot.map_or((0.0, ""), |(start, name)| (*start, name.as_str()));
        self.described.push(format!(
            "{} {} seed {}: {} at {at:.2} s, {:.2} s into {name}: {}",
            run.edges.name,
            run.standard.word(),
            run.seed,
            event.kind.word(),
            at - start,
            event.note,
        ));
    }

    fn merge(&mut self, other: &Self) {
        self.seconds += other.seconds;
        self.fields += other.fields;
        for (sum, fields) in self.timed.iter_mut().zip(other.timed) {
            *sum += fields;
        }
        for (sum, count) in self.alarms.iter_mut().zip(other.alarms) {
            *sum += count;
        }
    }

    fn print(&self, name: &str) {
        let counts: Vec<String> = self
            .alarms
            .iter()
            .map(|count| format!("{count:>11}"))
            .collect();
        let share = |fields: u64| 100.0 * fields as f64 / self.fields.max(1) as f64;
        println!(
            "{name:<24} {:>6.2} h | {:>5.1} {:>7.1} | {}",
            self.seconds / 3600.0,
            share(self.timed[0]),
            share(self.timed[1]),
            counts.join(" ")
        );
    }
}

/// 95 % upper bound of the mean of a Poisson count.
fn upper_bound(count: u32) -> f64 {
    let degrees = 2.0 * f64::from(count) + 2.0;
    let distribution = ChiSquared::new(degrees).expect("the degrees are positive");
    0.5 * distribution.inverse_cdf(0.95)
}

fn main() {
    // `cargo test --benches` runs this too, with nothing to measure.
    let words: Vec<String> = std::env::args().skip(1).collect();
    if !words.iter().any(|word| word == "--bench") {
        return;
    }
    let asked = Asked::of(words.iter().filter(|word| !word.starts_with("--")));
    let kinds: Vec<(Edges, Standard)> = EDGES
        .iter()
        .flat_map(|&edges| {
            [Standard::Lines525, Standard::Lines625].map(|standard| (edges, standard))
        })
        .filter(|(edges, standard)| {
            let names = [edges.name, standard.word()];
            asked
                .words
                .iter()
                .all(|word| names.contains(&word.as_str()))
        })
        .collect();
    let wanted = (asked.hours * 60.0 / RUN_MINUTES).ceil() as usize;
    let runs: Vec<Run> = kinds
        .iter()
        .cycle()
        .take(wanted.max(kinds.len()))
        .enumerate()
        .map(|(n, &(edges, standard))| Run {
            edges,
            standard,
            seed: asked.seed + n as u64,
        })
        .collect();
    let began = Instant::now();
    // On all processors; outcomes in order.
    let outcomes: Vec<Outcome> = runs.par_iter().map(|&run| told(run, play(run))).collect();
    let took = began.elapsed().as_secs_f64();
    report(&kinds, &runs, &outcomes, took);
}

/// What the command line asks for.
struct Asked {
    hours: f64,
    /// Of the first run.
    seed: u64,
    words: Vec<String>,
}

impl Asked {
    fn of<'a>(given: impl Iterator<Item = &'a String>) -> Self {
        let mut asked = Self {
            hours: 1.0,
            seed: 1000,
            words: Vec::new(),
        };
        for word in given {
            let hours = word.strip_suffix('h').and_then(|text| text.parse().ok());
            let seed = word.strip_prefix("from").and_then(|text| text.parse().ok());
            match (hours, seed) {
                (Some(hours), _) => asked.hours = hours,
                (_, Some(seed)) => asked.seed = seed,
                _ => asked.words.push(word.clone()),
            }
        }
        asked
    }
}

/// Says that a run is over: hours of tape take long, and whoever waits wants to know how it goes.
fn told(run: Run, outcome: Outcome) -> Outcome {
    let alarms: u32 = outcome.alarms.iter().sum();
    eprintln!(
        "{} {} seed {}: {:.0} s of tape, {alarms} false",
        run.edges.name,
        run.standard.word(),
        run.seed,
        outcome.seconds
    );
    for line in &outcome.described {
        eprintln!("  {line}");
    }
    outcome
}

fn report(kinds: &[(Edges, Standard)], runs: &[Run], outcomes: &[Outcome], took: f64) {
    let names = FALSE.map(|kind| format!("{:>11}", kind.word())).join(" ");
    println!(
        "{:<24} {:>8} | {:>5} {:>7} | {names}",
        "border, standard", "tape", "edge%", "content%"
    );
    let mut all = Outcome::default();
    for (edges, standard) in kinds {
        let mut sum = Outcome::default();
        for (run, outcome) in runs.iter().zip(outcomes) {
            if run.edges.name == edges.name && run.standard == *standard {
                sum.merge(outcome);
            }
        }
        sum.print(&format!("{} {}", edges.name, standard.word()));
        all.merge(&sum);
    }
    all.print("all");
    let hours = all.seconds / 3600.0;
    for (kind, count) in FALSE.iter().zip(all.alarms) {
        println!(
            "{}: {count} in {hours:.2} h, at most {:.2} an hour (95 %)",
            kind.word(),
            upper_bound(count) / hours
        );
    }
    println!("{:.1} times as fast as the tape", all.seconds / took);
}
