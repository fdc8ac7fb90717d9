//! Two passes of six hours of one tape, the second begun later, darker and without one frame: time and peak memory of
//! `trueline compare`, where it was placed, and what the fingerprints take. Figures are printed, never asserted.

#![expect(clippy::print_stdout, reason = "figures are what a bench is for")]

use std::error::Error;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use trueline::measures::fingerprint::{CHROMA_CELLS, ChromaMeans, Fingerprint, LUMA_GRID};

use long_pass::{SIX_HOURS, record};

mod long_pass;

/// The second pass begins at this field of the tape.
const LATER: u64 = 43_210;

/// And loses a frame at this field of its own.
const LOST: u64 = 400_000;

/// How often the process is asked for its peak; it grows in steps that last longer.
const ASKED_EVERY: Duration = Duration::from_millis(5);

/// Plain random numbers from a place.
fn hash(seed: u64) -> u64 {
    let mut mixed = seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    mixed = (mixed ^ (mixed >> 31)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed ^ (mixed >> 29)
}

fn unit(seed: u64) -> f64 {
    (hash(seed) >> 11) as f64 / (1_u64 << 53) as f64
}

/// A shot of five seconds, still or panned, with the noise of a pass in it.
fn print(place: u64, gain: f64, seed: u64) -> Fingerprint {
    let (shot, time) = (place / 300, (place % 300) as f64);
    let [a, b, c, base, still] = [0, 1, 2, 3, 4].map(|nth| unit(shot * 8 + nth));
    let speed = if still < 0.3 { 0.0 } else { 0.02 * still };
    let noise = |cell: u64| unit(hash(seed ^ (place << 9)) ^ cell) - 0.5;
    let luma = std::array::from_fn(|cell| {
        let (x, y) = ((cell % LUMA_GRID.0) as f64, (cell / LUMA_GRID.0) as f64);
        let wave = 30.0 * (a * (x + speed * time) + b * y + 6.0 * c).sin();
        let code = 16.0 + gain * (40.0 + 90.0 * base + wave) + noise(cell as u64);
        code.round().clamp(1.0, 254.0) as u8
    });
    let colour = |shift: f64| {
        std::array::from_fn(|cell| {
            (80.0 * (c * cell as f64 + shift).sin() + noise(cell as u64)) as i16
        })
    };
    Fingerprint {
        luma,
        chroma: Some(ChromaMeans {
            cb: colour(0.0),
            cr: colour(2.0),
        }),
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let scratch = tempfile::tempdir()?;
    let at = |name: &str| scratch.path().join(name);
    record(&at("plain.pass"), SIX_HOURS, 500, |_| None);
    record(&at("a.pass"), SIX_HOURS, 500, |field| {
        Some(print(field, 1.0, 1))
    });
    record(&at("b.pass"), SIX_HOURS, 500, |field| {
        Some(print(
            field + LATER + if field < LOST { 0 } else { 2 },
            0.95,
            2,
        ))
    });
    let size = |name: &str| -> Result<f64, Box<dyn Error>> {
        Ok(fs::metadata(at(name))?.len() as f64 / 1e6)
    };
    let hours = SIX_HOURS as f64 / 3600.0;
    println!(
        "{:<40} {:>8.1} MB an hour",
        "a pass with fingerprints",
        size("a.pass")? / hours
    );
    println!(
        "{:<40} {:>8.1} MB an hour, {} numbers a field",
        "of it fingerprints",
        (size("a.pass")? - size("plain.pass")?) / hours,
        LUMA_GRID.0 * LUMA_GRID.1 + 2 * CHROMA_CELLS
    );
    let (took, peak, told) = compare(&at("a.pass"), &at("b.pass"))?;
    println!("{:<40} {:>8.2} s", "compare", took.as_secs_f64());
    println!("{:<40} {peak:>8.1} MiB", "compare, peak resident memory");
    let told: serde_json::Value = serde_json::from_slice(&told)?;
    let pieces = &told["passes"][1]["pieces"];
    println!(
        "{:<40} {pieces}",
        format!("placed (put in: {LATER}, loss at {LOST})")
    );
    Ok(())
}

fn compare(first: &Path, second: &Path) -> Result<(Duration, f64, Vec<u8>), Box<dyn Error>> {
    let start = Instant::now();
    let mut running = Command::new(env!("CARGO_BIN_EXE_trueline"))
        .arg("compare")
        .args([first, second])
        .arg("--json")
        .stdin(Stdio::null())
        .stdout(fs::File::create(first.with_extension("json"))?)
        .spawn()?;
    let mut peak = 0.0_f64;
    let status = loop {
        if let Some(status) = running.try_wait()? {
            break status;
        }
        peak = peak.max(peak_mib(running.id()).unwrap_or(0.0));
        std::thread::sleep(ASKED_EVERY);
    };
    if !status.success() {
        return Err(format!("the comparison failed: {status}").into());
    }
    Ok((
        start.elapsed(),
        peak,
        fs::read(first.with_extension("json"))?,
    ))
}

/// The most memory a process has had resident so far; `None` once it is gone.
fn peak_mib(pid: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}
