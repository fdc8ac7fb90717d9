//! The report of six hours of a pass with 5000 events: time and peak memory of `trueline report`, size of the page; beside it the time
//! to open the pass and read one gauge of it, which is the least that anything about it takes. Figures are printed, never asserted.

#![expect(clippy::print_stdout, reason = "figures are what a bench is for")]

use std::error::Error;
use std::fs;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use trueline::record::Pass;

use long_pass::{SECONDS, record};

mod long_pass;

/// Events of the pass.
const EVENTS: u32 = 5_000;

/// How often the process is asked for its peak; it grows in steps that last longer.
const ASKED_EVERY: Duration = Duration::from_millis(5);

fn main() -> Result<(), Box<dyn Error>> {
    let scratch = tempfile::tempdir()?;
    let (pass, page) = (
        scratch.path().join("evening.pass"),
        scratch.path().join("evening.html"),
    );
    record(&pass, EVENTS);
    let start = Instant::now();
    let opened = Pass::open(&pass)?;
    let seconds = opened.seconds(0, 0..SECONDS + 1)?.len();
    let one_gauge = start.elapsed();
    drop(opened);

    let start = Instant::now();
    let mut report = Command::new(env!("CARGO_BIN_EXE_trueline"))
        .arg("report")
        .arg(&pass)
        .arg("-o")
        .arg(&page)
        .stdin(Stdio::null())
        .spawn()?;
    let mut peak = 0.0_f64;
    let status = loop {
        if let Some(status) = report.try_wait()? {
            break status;
        }
        peak = peak.max(peak_mib(report.id()).unwrap_or(0.0));
        std::thread::sleep(ASKED_EVERY);
    };
    let took = start.elapsed();
    if !status.success() {
        return Err(format!("the report failed: {status}").into());
    }
    println!("six hours, {seconds} seconds, {EVENTS} events:");
    println!(
        "{:<40} {:>8.2} s",
        "open and read one gauge",
        one_gauge.as_secs_f64()
    );
    println!("{:<40} {:>8.2} s", "report", took.as_secs_f64());
    println!("{:<40} {peak:>8.1} MiB", "report, peak resident memory");
    println!(
        "{:<40} {:>8.2} MB",
        "page",
        fs::metadata(&page)?.len() as f64 / 1e6
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
