//! How often the intervals of a comparison hold the truth: `cargo bench --bench compare_seeds -- [SEEDS] [fromSEED] [pictures]`, 200
//! seeds unless told.
//!
//! For each seed a tape of shots by chance is rendered and played three times into passes, through the whole program: by a bare chain, by
//! one of drawn contrast, brightness, saturation and hue (every second one softer as well) that begins later, and by the bare one
//! again with other noise of its own. Printed are, for what was drawn, how far off it is told and how often the 95 % interval
//! holds it; for the two plays of the bare chain, row by row, how often the interval holds none, and how many pairs of plays are told
//! apart by nothing. With `pictures` the captures are looked at as well: response and place. Figures are printed, never asserted.

#![expect(clippy::print_stdout, reason = "figures are what a bench is for")]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use rayon::prelude::*;
use serde_json::Value;

use trueline::sources::tape::{Pace, Scene, Tape, find};
use trueline::sources::{Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::views::y4m::Y4mWriter;

use chain::{Chain, PLAIN, played};
use shots::Dice;

#[path = "../../tests/end_to_end/chain.rs"]
#[expect(dead_code, reason = "the tests ask it more")]
mod chain;
#[path = "../shots/mod.rs"]
mod shots;

type Result<T> = std::result::Result<T, Box<dyn std::error::Error + Send + Sync>>;

/// Tape of one seed.
const SECONDS: f64 = 20.0;

/// Frames of the tape that the second pass lacks at its start, at most.
const LATEST: f64 = 30.0;

/// What was told of something, and what it is.
#[derive(Clone, Copy)]
struct Told {
    value: f64,
    low: f64,
    high: f64,
    truth: f64,
}

impl Told {
    fn of(difference: &Value, truth: f64) -> Option<Self> {
        Some(Self {
            value: difference["value"].as_f64()?,
            low: difference["low"].as_f64()?,
            high: difference["high"].as_f64()?,
            truth,
        })
    }

    fn holds(&self) -> bool {
        (self.low..=self.high).contains(&self.truth)
    }
}

/// What came of one seed.
#[derive(Default)]
struct Outcome {
    /// Of the drawn chain, by what it is.
    drawn: Vec<(String, Told)>,
    /// Whether that began where it did.
    is_placed: bool,
    /// Of the two plays of one chain, by row.
    alike: Vec<(String, Told)>,
    /// What told these apart.
    told_apart: Vec<String>,
    is_ranked: bool,
}

fn main() -> Result<()> {
    // `cargo test --benches` runs this too, with nothing to measure.
    let words: Vec<String> = std::env::args().skip(1).collect();
    if !words.iter().any(|word| word == "--bench") {
        return Ok(());
    }
    let seeds: u64 = words
        .iter()
        .find_map(|word| word.parse().ok())
        .unwrap_or(200);
    let first: u64 = words
        .iter()
        .find_map(|word| word.strip_prefix("from")?.parse().ok())
        .unwrap_or(1);
    let with_pictures = words.iter().any(|word| word == "pictures");
    let outcomes: Vec<Outcome> = (first..first + seeds)
        .into_par_iter()
        .map(|seed| {
            let outcome = of_seed(seed, with_pictures)?;
            for what in &outcome.told_apart {
                println!("seed {seed}: two plays of one chain are told apart by {what}");
            }
            Ok(outcome)
        })
        .collect::<Result<_>>()?;
    print(&outcomes);
    Ok(())
}

fn drawn(seed: u64) -> Chain {
    // Another series than that of the shots.
    let mut dice = Dice::new(seed ^ 0x5eed_0fc4_a175);
    let mut between = |least: f64, most: f64| least + (most - least) * dice.even();
    Chain {
        gain: between(0.9, 1.1),
        lift: between(-4.0, 6.0),
        saturation: between(0.8, 1.2),
        hue_degrees: between(-10.0, 10.0),
        first: between(0.0, LATEST) as usize,
        seed: 3 * seed + 1,
        soft: seed.is_multiple_of(2),
        ..PLAIN
    }
}

fn of_seed(seed: u64, with_pictures: bool) -> Result<Outcome> {
    let place = tempfile::tempdir()?;
    let tape = rendered(seed)?;
    let bare = Chain {
        seed: 3 * seed,
        ..PLAIN
    };
    let other = drawn(seed);
    let again = Chain {
        seed: 3 * seed + 2,
        ..PLAIN
    };
    for (name, chain) in [("bare", &bare), ("other", &other), ("again", &again)] {
        let file = place.path().join(format!("{name}.y4m"));
        fs::write(&file, played(&tape, chain))?;
        let pass = place.path().join(format!("{name}.pass"));
        // The alarms of a tape say nothing of the comparison: the exit code is not asked.
        program(
            place.path(),
            &["scan", &text(&file), "--record", &text(&pass)],
        )?;
        if !with_pictures {
            fs::remove_file(&file)?;
        }
    }
    let mut outcome = Outcome::default();
    let mut words = vec!["compare", "bare.pass", "other.pass", "--json"];
    words.extend(with_pictures.then_some("--with-pictures"));
    note_drawn(&mut outcome, &told(place.path(), &words)?, &other);
    let words = ["compare", "bare.pass", "again.pass", "--json"];
    note_alike(&mut outcome, &told(place.path(), &words)?);
    Ok(outcome)
}

fn text(path: &Path) -> String {
    path.display().to_string()
}

fn program(place: &Path, words: &[&str]) -> Result<Vec<u8>> {
    let output = Command::new(env!("CARGO_BIN_EXE_trueline"))
        .args(words)
        .current_dir(place)
        .stdin(Stdio::null())
        .output()?;
    if output.status.code() == Some(1) {
        let error = String::from_utf8_lossy(&output.stderr);
        return Err(format!("{words:?}: {error}").into());
    }
    Ok(output.stdout)
}

fn told(place: &Path, words: &[&str]) -> Result<Value> {
    Ok(serde_json::from_slice(&program(place, words)?)?)
}

/// Shots by chance as Y4M.
fn rendered(seed: u64) -> Result<Vec<u8>> {
    let clean = find("clean").ok_or("the catalogue has it")?;
    let scene = Scene {
        name: "shots",
        tape: Vec::leak(shots::shots(seed, SECONDS).0),
        ..*clean
    };
    let wishes = Wishes {
        standard: Some(StandardWish::Lines(Standard::Lines525)),
        seed: Some(seed),
        ..Wishes::default()
    };
    let period = 2.0 * Standard::Lines525.field_period().0;
    let pace = Pace::Free {
        frames: Some((SECONDS / period) as u64),
    };
    let mut source = Tape::play(Box::leak(Box::new(scene)), &wishes, pace)?;
    let mut out = Y4mWriter::new(Vec::new());
    while let Some(frame) = source.next_frame()? {
        out.frame(&frame)?;
    }
    Ok(out.finish()?)
}

fn note_drawn(outcome: &mut Outcome, found: &Value, chain: &Chain) {
    let truths = [
        ("luma.gain_pct", 100.0 * (chain.gain - 1.0)),
        ("luma.offset_ire", chain.lift / 2.19),
        ("colour.saturation_pct", 100.0 * (chain.saturation - 1.0)),
        ("colour.hue_deg", chain.hue_degrees),
    ];
    let relations = found["relations"][0]["relations"].as_array();
    for one in relations.into_iter().flatten() {
        let truth = truths.iter().find(|(id, _)| one["id"] == *id);
        let told = truth.and_then(|(_, truth)| Told::of(&one["difference"], *truth));
        outcome.drawn.extend(
            told.zip(truth)
                .map(|(told, (id, _))| ((*id).to_owned(), told)),
        );
    }
    let pieces = found["passes"][1]["pieces"].as_array();
    let offsets: Vec<Option<u64>> = pieces
        .into_iter()
        .flatten()
        .map(|piece| piece["offset"].as_u64())
        .collect();
    outcome.is_placed = offsets == [Some(2 * chain.first as u64)];
    let response = &found["pictures"][0]["response"];
    outcome.drawn.extend(
        Told::of(&response["right_samples"], 0.0).map(|told| ("right, samples".to_owned(), told)),
    );
    let decibels = |megahertz: f64| {
        if chain.soft {
            mean_of_band(megahertz) - mean_of_band(0.5)
        } else {
            0.0
        }
    };
    for band in response["bands"].as_array().into_iter().flatten() {
        let Some(megahertz) = band["megahertz"].as_f64() else {
            continue;
        };
        let is_common = band["coherence"].as_f64().is_some_and(|share| share > 0.5);
        // The first is what the others are held against.
        let told = Told::of(&band["decibels"], decibels(megahertz))
            .filter(|told| is_common && told.high > told.low);
        outcome
            .drawn
            .extend(told.map(|told| (format!("response at {megahertz:.1} MHz, dB"), told)));
    }
}

/// What the softer chain does to a quarter of a MHz to either side, in dB: neighbours added by a quarter, a half and a quarter.
fn mean_of_band(megahertz: f64) -> f64 {
    const STEPS: i32 = 10;
    let off = (-STEPS..=STEPS).map(|step| 0.25 * f64::from(step) / f64::from(STEPS));
    let of = |off: f64| {
        let turn = std::f64::consts::PI * (megahertz + off) / 13.5;
        40.0 * turn.cos().log10()
    };
    off.map(of).sum::<f64>() / f64::from(2 * STEPS + 1)
}

fn note_alike(outcome: &mut Outcome, found: &Value) {
    let rows = found["rows"].as_array().into_iter().flatten();
    let rows = rows.map(|row| (row, &row["pairs"][0]));
    let relations = found["relations"][0]["relations"].as_array();
    let relations = relations.into_iter().flatten().map(|one| (one, one));
    for (row, pair) in rows.chain(relations) {
        let id = row["id"].as_str().unwrap_or_default();
        let told = Told::of(&pair["difference"], 0.0);
        outcome.alike.extend(told.map(|told| (id.to_owned(), told)));
        if pair["verdict"] != "cannot_be_told" {
            outcome
                .told_apart
                .push(format!("{id}: {}", pair["difference"]));
        }
    }
    outcome.is_ranked = !found["ranking"]["order"].is_null();
}

fn print(outcomes: &[Outcome]) {
    let seeds = outcomes.len();
    println!("\n{seeds} seeds, {SECONDS} s of tape each\n");
    print_table("a drawn chain", outcomes, |outcome| &outcome.drawn);
    let placed = outcomes.iter().filter(|outcome| outcome.is_placed).count();
    println!("placed to the field: {placed} of {seeds}\n");
    print_table("the same chain", outcomes, |outcome| &outcome.alike);
    let of = |is: fn(&Outcome) -> bool| outcomes.iter().filter(|outcome| is(outcome)).count();
    println!(
        "told apart by nothing: {} of {seeds}; ranked: {}",
        of(|outcome| outcome.told_apart.is_empty()),
        of(|outcome| outcome.is_ranked)
    );
}

fn print_table(name: &str, outcomes: &[Outcome], of: impl Fn(&Outcome) -> &Vec<(String, Told)>) {
    let mut by_name: BTreeMap<&str, Vec<Told>> = BTreeMap::new();
    for (id, told) in outcomes.iter().flat_map(&of) {
        by_name.entry(id).or_default().push(*told);
    }
    println!(
        "{name:<30} {:>6} {:>9} {:>9} {:>9} {:>9}",
        "told", "mean off", "rms off", "most off", "holds, %"
    );
    for (id, all) in by_name {
        let off: Vec<f64> = all.iter().map(|told| told.value - told.truth).collect();
        let count = off.len() as f64;
        let mean = off.iter().sum::<f64>() / count;
        let rms = (off.iter().map(|off| off * off).sum::<f64>() / count).sqrt();
        let most = off.iter().map(|off| off.abs()).fold(0.0, f64::max);
        let holds = all.iter().filter(|told| told.holds()).count();
        println!(
            "{id:<30} {:>6} {mean:>9.4} {rms:>9.4} {most:>9.4} {:>9.1}",
            all.len(),
            100.0 * holds as f64 / count
        );
    }
}
