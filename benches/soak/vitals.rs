//! How a process fares, looked at from outside: memory, handles, threads, and the size of its pass.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::Result;

/// One look.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    /// Tape measured by then.
    pub(crate) tape: Duration,
    /// Resident memory.
    pub(crate) kib: u64,
    pub(crate) handles: usize,
    pub(crate) threads: u64,
    /// Of the pass and its log.
    pub(crate) pass_bytes: u64,
}

/// Looks at a process.
pub(crate) fn look(pid: u32, pass: &Path, tape: Duration) -> Result<Look> {
    let status = fs::read_to_string(format!("/proc/{pid}/status"))?;
    let number = |name: &str| -> Result<u64> {
        let line = status.lines().find(|line| line.starts_with(name));
        let word = line.and_then(|line| line.split_whitespace().nth(1));
        Ok(word
            .ok_or(format!("the kernel says nothing of {name}"))?
            .parse()?)
    };
    let log = {
        let mut name = pass.as_os_str().to_owned();
        name.push("-wal");
        PathBuf::from(name)
    };
    let bytes = |path: &Path| fs::metadata(path).map_or(0, |about| about.len());
    Ok(Look {
        tape,
        kib: number("VmRSS:")?,
        handles: fs::read_dir(format!("/proc/{pid}/fd"))?.count(),
        threads: number("Threads:")?,
        pass_bytes: bytes(pass) + bytes(&log),
    })
}

/// Rows that a table is to have.
const ROWS: usize = 16;

pub(crate) fn print(looks: &[Look]) {
    println!(
        "{:>10} {:>14} {:>8} {:>8} {:>12}",
        "tape", "resident, MiB", "handles", "threads", "pass, MB"
    );
    let step = looks.len().div_ceil(ROWS).max(1);
    let last = looks.len().saturating_sub(1);
    for (at, look) in looks.iter().enumerate() {
        if !at.is_multiple_of(step) && at != last {
            continue;
        }
        let seconds = look.tape.as_secs();
        println!(
            "{:>4}:{:02}:{:02} {:>14.2} {:>8} {:>8} {:>12.2}",
            seconds / 3600,
            seconds / 60 % 60,
            seconds % 60,
            look.kib as f64 / 1024.0,
            look.handles,
            look.threads,
            look.pass_bytes as f64 / 1e6
        );
    }
}

/// Part of a run in which buffers find their sizes; at least as long as the queue to the pass takes to go round twice, and at most so
/// much.
const WARM_UP_SHARE: f64 = 0.25;
const SHORTEST_WARM_UP: Duration = Duration::from_secs(80);
const LONGEST_WARM_UP: Duration = Duration::from_secs(20 * 60);

/// What memory may grow by in an hour of tape.
const MIB_AN_HOUR: f64 = 1.0;

/// What it may stand apart by whatever the time: pages that the allocator keeps or gives back.
const UNEVEN_MIB: f64 = 3.0;

/// What grows that should not.
pub(crate) fn judge(whose: &str, looks: &[Look]) -> Vec<String> {
    let Some(end) = looks.last() else {
        return vec![format!("{whose}: it was never looked at")];
    };
    let warm_up = end.tape.mul_f64(WARM_UP_SHARE);
    let warm_up = warm_up.clamp(SHORTEST_WARM_UP, LONGEST_WARM_UP);
    if end.tape <= warm_up {
        println!("too short to tell whether memory grows");
        return Vec::new();
    }
    let settled: Vec<Look> = looks
        .iter()
        .copied()
        .filter(|look| look.tape >= warm_up)
        .collect();
    let hours = end.tape.saturating_sub(warm_up).as_secs_f64() / 3600.0;
    let slope = slope(&settled);
    println!("resident memory grows by {slope:.2} MiB an hour of tape after the warm-up");
    let mut broken = Vec::new();
    // Over a short run the slope is that of a few pages that come and go.
    if slope > MIB_AN_HOUR && slope * hours > UNEVEN_MIB {
        broken.push(format!(
            "{whose}: memory grows by {slope:.2} MiB an hour, {MIB_AN_HOUR} at most is wanted"
        ));
    }
    let range = |of: fn(&Look) -> u64| {
        let values = settled.iter().map(of);
        (values.clone().min(), values.max())
    };
    for (what, (least, most)) in [
        ("file handles", range(|look| look.handles as u64)),
        ("threads", range(|look| look.threads)),
    ] {
        // One more for a moment is a directory that is being read.
        if most > least.map(|least| least + 1) {
            broken.push(format!("{whose}: {what} went from {least:?} to {most:?}"));
        }
    }
    broken
}

/// Of a straight line through memory over tape: MiB an hour.
fn slope(looks: &[Look]) -> f64 {
    let n = looks.len() as f64;
    let points = || {
        let point = |look: &Look| (look.tape.as_secs_f64() / 3600.0, look.kib as f64 / 1024.0);
        looks.iter().map(point)
    };
    let (x, y) = points().fold((0.0, 0.0), |(x, y), (a, b)| (x + a / n, y + b / n));
    let (above, below) = points().fold((0.0, 0.0), |(above, below), (a, b)| {
        (above + (a - x) * (b - y), below + (a - x) * (a - x))
    });
    if below > 0.0 { above / below } else { 0.0 }
}
