//! What was told, held against what was put in.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::tape::Injected;

/// How long after a fault something may still be told of it: what is looked at over seconds, and the cut behind it.
const AFTERWARDS: f64 = 3.0;

/// Before it: a burst is dated back to its first field, and a cut stands between.
const BEFORE: f64 = 0.5;

/// Kinds that say what is on the tape and are no faults.
const NEUTRAL: [&str; 4] = ["recording_start", "tape_end", "mark", "colour_bars"];

/// Examples of each kind that are printed.
const EXAMPLES: usize = 3;

/// Prints a table by fault; what does not hold. Faults that had not been played to their end at `played` seconds need not be told.
pub(crate) fn judge(injected: &[Injected], events: &[Value], played: f64) -> Vec<String> {
    let whole = || injected.iter().filter(|fault| fault.to <= played);
    let mut rows: BTreeMap<&str, (u32, u32)> = BTreeMap::new();
    let mut missed = Vec::new();
    for fault in whole() {
        let told = events.iter().any(|event| {
            fault.must.iter().any(|kind| event["kind"] == **kind) && overlaps(fault, event)
        });
        let row = rows.entry(fault.name).or_default();
        row.0 += 1;
        if !told {
            row.1 += 1;
            missed.push(format!("{} at {:.1} s", fault.name, fault.from));
        }
    }
    let mut false_ones: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for event in events {
        let kind = event["kind"].as_str().unwrap_or("?");
        if NEUTRAL.contains(&kind) {
            continue;
        }
        let known = injected.iter().any(|fault| {
            let kinds = fault.must.iter().chain(fault.may);
            kinds.clone().any(|it| *it == kind) && overlaps(fault, event)
        });
        if !known {
            let near = injected
                .iter()
                .filter(|fault| overlaps(fault, event))
                .map(|fault| fault.name)
                .collect::<Vec<_>>();
            false_ones.entry(kind.to_owned()).or_default().push(format!(
                "{} at {:.1} s (beside: {near:?}): {}",
                kind,
                event["start_seconds"].as_f64().unwrap_or(-1.0),
                event["note"].as_str().unwrap_or("")
            ));
        }
    }
    println!("\n{:<14} {:>8} {:>8}", "fault", "put in", "missed");
    for (name, (count, missed)) in &rows {
        println!("{name:<14} {count:>8} {missed:>8}");
    }
    let false_count: usize = false_ones.values().map(Vec::len).sum();
    println!(
        "{} faults, {} missed; {} events, {false_count} of nothing",
        whole().count(),
        missed.len(),
        events.len()
    );
    let mut broken = Vec::new();
    if !missed.is_empty() {
        broken.push(format!("{} faults were not told", missed.len()));
        broken.extend(missed.into_iter().take(5 * EXAMPLES));
    }
    for (kind, examples) in false_ones {
        broken.push(format!("{} {kind} of nothing", examples.len()));
        broken.extend(examples.into_iter().take(EXAMPLES));
    }
    broken
}

fn overlaps(fault: &Injected, event: &Value) -> bool {
    let start = event["start_seconds"].as_f64().unwrap_or(0.0);
    let end = start + event["duration_seconds"].as_f64().unwrap_or(0.0);
    end >= fault.from - BEFORE && start <= fault.to + AFTERWARDS
}
