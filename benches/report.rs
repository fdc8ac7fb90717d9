//! What becomes of six hours of a pass with 5000 events: time and peak memory of `trueline report` and `trueline export`, size of what
//! they write; and how long it takes until `trueline review` can draw. Beside it the time to open the pass and read one gauge of it,
//! which is the least that anything about it takes. Figures are printed, never asserted.
//!
//! `cargo bench --bench report -- [HOURS] [PASS]`: another length; and where the pass is to be kept.

#![expect(clippy::print_stdout, reason = "figures are what a bench is for")]

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use trueline::record::{Finished, Pass};

use long_pass::{SIX_HOURS, record};

mod long_pass;

/// Events of six hours.
const EVENTS: u64 = 5_000;

/// How often a process is asked for its peak; it grows in steps that last longer.
const ASKED_EVERY: Duration = Duration::from_millis(5);

fn main() -> Result<(), Box<dyn Error>> {
    let scratch = tempfile::tempdir()?;
    let mut words = std::env::args().skip(1).filter(|word| word != "--bench");
    let hours: f64 = words.next().map_or(Ok(6.0), |word| word.parse())?;
    let seconds = ((hours * 3600.0) as u64).max(1);
    let events = (EVENTS * seconds / SIX_HOURS).max(1);
    let kept = words.next().map(PathBuf::from);
    let pass = kept.unwrap_or_else(|| scratch.path().join("evening.pass"));
    record(&pass, seconds, u32::try_from(events)?, |_| None);
    println!("{hours} hours, {events} events:");

    let start = Instant::now();
    let opened = Pass::open(&pass)?;
    opened.seconds(0, 0..seconds + 1)?;
    told("open and read one gauge", start.elapsed());
    let start = Instant::now();
    let minutes = Finished::at_once(&opened)?.minutes.len();
    told(
        &format!("judge {minutes} minutes for review"),
        start.elapsed(),
    );
    drop(opened);

    let page = scratch.path().join("evening.html");
    measured(
        &[
            "report".as_ref(),
            pass.as_ref(),
            "-o".as_ref(),
            page.as_ref(),
        ],
        &page,
    )?;
    for (what, form) in [
        ("events", "csv"),
        ("events", "chapters"),
        ("spans", "csv"),
        ("fields", "parquet"),
    ] {
        let file = scratch.path().join(format!("{what}.{form}"));
        let words = [
            "export".as_ref(),
            pass.as_ref(),
            what.as_ref(),
            "--as".as_ref(),
            form.as_ref(),
            "-o".as_ref(),
            file.as_ref(),
        ];
        measured(&words, &file)?;
    }
    Ok(())
}

fn told(what: &str, took: Duration) {
    println!("{what:<32} {:>8.2} s", took.as_secs_f64());
}

/// Runs the program and tells how long it took, the most memory it had, and how much it wrote.
fn measured(words: &[&Path], written: &Path) -> Result<(), Box<dyn Error>> {
    let start = Instant::now();
    let mut program = Command::new(env!("CARGO_BIN_EXE_trueline"))
        .args(words)
        .stdin(Stdio::null())
        .spawn()?;
    let mut peak = 0.0_f64;
    let status = loop {
        if let Some(status) = program.try_wait()? {
            break status;
        }
        peak = peak.max(peak_mib(program.id()).unwrap_or(0.0));
        std::thread::sleep(ASKED_EVERY);
    };
    let took = start.elapsed();
    if !status.success() {
        return Err(format!("it failed: {status}").into());
    }
    let name = written.file_name().unwrap_or_default().to_string_lossy();
    println!(
        "{name:<32} {:>8.2} s {peak:>8.1} MiB at most {:>8.2} MB written",
        took.as_secs_f64(),
        fs::metadata(written)?.len() as f64 / 1e6
    );
    Ok(())
}

/// The most memory a process has had resident so far; `None` once it is gone.
fn peak_mib(pid: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}
