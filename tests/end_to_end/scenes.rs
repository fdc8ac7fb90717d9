//! What the program says of the scenes of the simulated tape, held against what is in them.
//!
//! `fixtures/scenes.toml` is the table: a scene an entry, with a comment on what it shows. Events of kinds that an entry does not
//! name are forbidden, so a false alarm fails here as a missed one does.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde_json::Value;

use crate::world::World;

/// Field of a pass by which a border drawn by the chain is known: two seconds.
const BORDER_KNOWN_SECONDS: f64 = 2.0;

const TABLE: &str = include_str!("../../fixtures/scenes.toml");

/// An entry of the table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    name: String,
    /// What is played of it; all, unless it says so.
    seconds: Option<f64>,
    #[serde(default = "both")]
    standards: Vec<String>,
    verdict: Vec<String>,
    border: Border,
    basis: Basis,
    /// Kind of event: least and most number of them.
    #[serde(default)]
    events: BTreeMap<String, [u64; 2]>,
    /// Quantity: least and largest median.
    #[serde(default)]
    medians: BTreeMap<String, [f64; 2]>,
    /// Slip at its worst, in frames.
    slip_frames: Option<[f64; 2]>,
}

/// What stands at the sides.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Border {
    /// The tape's own, where the raster shows any: never taken for the chain's.
    Tape,
    /// Drawn by the chain, and found out within two seconds.
    Regenerated,
}

/// What timing is read from.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Basis {
    /// The blanking edges, on nearly all fields.
    Edge,
    /// The picture itself, on nearly all fields but for the two seconds in which a border is looked at.
    Content,
    /// The scene does not say.
    Any,
}

#[derive(Debug, Deserialize)]
struct Table {
    scene: Vec<Entry>,
}

fn both() -> Vec<String> {
    ["525", "625"].map(String::from).to_vec()
}

/// Share of fields that is nearly all.
const NEARLY_ALL: f64 = 0.93;

#[test]
fn each_scene_is_told_as_it_is() {
    let table: Table = toml::from_str(TABLE).expect("the table is in order");
    let passes: Vec<(&Entry, &str)> = table
        .scene
        .iter()
        .flat_map(|entry| {
            entry
                .standards
                .iter()
                .map(move |standard| (entry, &**standard))
        })
        .collect();
    // A pass a thread, as many at once as there are cores: each is a program of its own.
    let next = std::sync::atomic::AtomicUsize::new(0);
    let wrong = std::sync::Mutex::new(Vec::new());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let at = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    let Some((entry, standard)) = passes.get(at) else {
                        return;
                    };
                    let found = entry.check(standard);
                    wrong.lock().expect("no thread panics").extend(found);
                }
            });
        }
    });
    let mut wrong = wrong.into_inner().expect("no thread panics");
    wrong.sort();
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn the_table_names_every_scene() {
    let table: Table = toml::from_str(TABLE).expect("the table is in order");
    let listed = World::new().ok(["tape", "--scene", "list"]).stdout;
    for name in listed
        .lines()
        .filter_map(|line| line.split_whitespace().next())
    {
        assert!(
            table.scene.iter().any(|entry| entry.name == name),
            "fixtures/scenes.toml says nothing of the scene {name}"
        );
    }
}

impl Entry {
    /// What is other than the entry says, a sentence each.
    fn check(&self, standard: &str) -> Vec<String> {
        let summary = self.scan(standard);
        let mut wrong = Vec::new();
        wrong.extend(self.check_events(&summary));
        wrong.extend(self.check_evidence(&summary, standard));
        wrong.extend(self.check_medians(&summary, standard));
        let verdict = summary["verdict"].as_str().unwrap_or("none");
        if !self.verdict.iter().any(|word| word == verdict) {
            wrong.push(format!("the verdict is {verdict}: {}", summary["reasons"]));
        }
        wrong
            .into_iter()
            .map(|what| format!("{} {standard}: {what}", self.name))
            .collect()
    }

    fn scan(&self, standard: &str) -> Value {
        let source = format!("tape:{}", self.name);
        let mut words = vec![
            "scan",
            &source,
            "--standard",
            standard,
            "--no-record",
            "--json",
        ];
        let seconds = self.seconds.map(|seconds| format!("{seconds}s"));
        if let Some(seconds) = &seconds {
            words.extend(["--for", seconds]);
        }
        World::new().ok(words).json()
    }

    fn check_events(&self, summary: &Value) -> Vec<String> {
        let mut counts: BTreeMap<&str, u64> = BTreeMap::new();
        let events = summary["events"].as_array().map_or(&[][..], Vec::as_slice);
        for event in events {
            *counts
                .entry(event["kind"].as_str().unwrap_or("?"))
                .or_default() += 1;
        }
        // A recording that begins is said of each of them, and is no fault.
        counts.remove("recording_start");
        let of_kind = |kind: &str| -> Vec<&str> {
            let such = events.iter().filter(|event| event["kind"] == kind);
            such.filter_map(|event| event["note"].as_str()).collect()
        };
        let unnamed = counts
            .iter()
            .filter(|(kind, _)| !self.events.contains_key(**kind))
            .map(|(kind, count)| {
                format!("{count} {kind}, which is not in it: {:?}", of_kind(kind))
            });
        let missed = self.events.iter().filter_map(|(kind, [least, most])| {
            let count = counts.get(kind.as_str()).copied().unwrap_or(0);
            let wrong = !(least..=most).contains(&&count);
            wrong.then(|| format!("{count} {kind}, not {least} to {most}: {:?}", of_kind(kind)))
        });
        unnamed.chain(missed).collect()
    }

    fn check_evidence(&self, summary: &Value, standard: &str) -> Vec<String> {
        let fields = |quantity: &str, word: &str| {
            let counts = &summary["quantities"][quantity]["counts"];
            counts[word].as_f64().unwrap_or(0.0)
        };
        let all: f64 = ["edge", "content", "none"]
            .map(|word| fields("line_timing.basis", word))
            .iter()
            .sum();
        let edge = fields("line_timing.basis", "edge") / all;
        let content = fields("line_timing.basis", "content");
        let regenerated = fields("line_timing.border", "regenerated");
        let rate = if standard == "525" {
            60.0 / 1.001
        } else {
            50.0
        };
        let mut wrong = Vec::new();
        match self.border {
            Border::Tape if regenerated > 0.0 => {
                wrong.push(format!(
                    "the border is called regenerated in {regenerated} of {all} fields"
                ));
            }
            Border::Regenerated if regenerated < all - BORDER_KNOWN_SECONDS * rate => {
                wrong.push(format!(
                    "the border is called regenerated in {regenerated} of {all} fields only"
                ));
            }
            Border::Tape | Border::Regenerated => {}
        }
        match self.basis {
            Basis::Edge if edge < NEARLY_ALL => wrong.push(format!(
                "timing is read from edges in {edge:.2} of the fields only"
            )),
            Basis::Content if content < NEARLY_ALL * (all - BORDER_KNOWN_SECONDS * rate) => {
                wrong.push(format!(
                    "timing is read from the picture in {content} of {all} fields only, {edge:.2} from edges"
                ));
            }
            Basis::Edge | Basis::Content | Basis::Any => {}
        }
        wrong
    }

    fn check_medians(&self, summary: &Value, standard: &str) -> Vec<String> {
        let mut wrong = Vec::new();
        for (id, [least, most]) in &self.medians {
            match summary["quantities"][id]["median"].as_f64() {
                Some(median) if (*least..=*most).contains(&median) => {}
                median => wrong.push(format!(
                    "the median of {id} is {median:?}, not {least} to {most}"
                )),
            }
        }
        if let Some([least, most]) = self.slip_frames {
            let frame = if standard == "525" {
                1001.0 / 30.0
            } else {
                40.0
            };
            let worst = summary["quantities"]["sync.slip_ms"]["worst"].as_f64();
            let frames = worst.map(|worst| worst / frame);
            if !frames.is_some_and(|frames| (least - 0.01..=most + 0.01).contains(&frames)) {
                wrong.push(format!(
                    "sound is off by {frames:?} frames at worst, not {least} to {most}"
                ));
            }
        }
        wrong
    }
}
