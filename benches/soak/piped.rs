//! The mixed tape through `trueline scan -`, as fast as that takes it.

use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use trueline::sources::tape::{Pace, Tape};
use trueline::sources::{Source, Wishes};
use trueline::views::y4m::Y4mWriter;

use crate::{Result, judge, tape, vitals};

/// Time between two looks.
const BETWEEN: Duration = Duration::from_secs(10);

/// Bytes on the way: some frames, so that drawing and measuring go on side by side.
const PIPE_BUFFER: usize = 4 << 20;

pub(crate) fn run(
    place: &Path,
    length: Duration,
    at_most: Duration,
    seed: u64,
) -> Result<Vec<String>> {
    let (scene, injected) = tape::mixed(length.as_secs_f64(), seed)?;
    let pass = place.join("piped.pass");
    let mut child = Command::new(env!("CARGO_BIN_EXE_trueline"))
        .args(["scan", "-", "--json", "--events", "--record"])
        .arg(&pass)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()?;
    let pid = child.id();
    let stdin = child.stdin.take().ok_or("a pipe was asked for")?;
    let stdout = child.stdout.take().ok_or("a pipe was asked for")?;
    let told = std::thread::spawn(move || {
        let lines = BufReader::new(stdout)
            .lines()
            .map_while(std::result::Result::ok);
        lines
            .filter_map(|line| serde_json::from_str(&line).ok())
            .collect::<Vec<Value>>()
    });
    let period = 2.0 * scene.standard.field_period().0;
    let frames = (scene.seconds() / period) as u64;
    let pace = Pace::Free {
        frames: Some(frames),
    };
    let wishes = Wishes {
        seed: Some(seed),
        ..Wishes::default()
    };
    let mut source = Tape::play(scene, &wishes, pace)?;
    let mut out = Y4mWriter::new(BufWriter::with_capacity(PIPE_BUFFER, stdin));
    let begun = Instant::now();
    let (mut looks, mut looked, mut sent) = (Vec::new(), begun, 0_u64);
    while begun.elapsed() < at_most
        && let Some(frame) = source.next_frame()?
    {
        out.frame(&frame)?;
        sent += 1;
        if looked.elapsed() >= BETWEEN {
            looked = Instant::now();
            let tape = Duration::from_secs_f64(sent as f64 * period);
            looks.push(vitals::look(pid, &pass, tape)?);
        }
    }
    let tape = Duration::from_secs_f64(sent as f64 * period);
    looks.extend(vitals::look(pid, &pass, tape));
    out.finish()?.flush()?;
    let ended = child.wait()?;
    let mut told = told.join().map_err(|_panic| "the reader panicked")?;
    let summary = told.pop().ok_or("it said nothing")?;
    let took = begun.elapsed().as_secs_f64();
    println!(
        "piped: {:.2} h of tape in {:.2} h, {:.2} times real time; {sent} frames sent, {} fields measured",
        tape.as_secs_f64() / 3600.0,
        took / 3600.0,
        tape.as_secs_f64() / took,
        summary["fields"]
    );
    vitals::print(&looks);
    let mut broken = vitals::judge("piped", &looks);
    println!(
        "the closed pass has {:.1} MB, {:.0} MB an hour",
        std::fs::metadata(&pass)?.len() as f64 / 1e6,
        std::fs::metadata(&pass)?.len() as f64 / 1e6 / (tape.as_secs_f64() / 3600.0)
    );
    if !ended.success() {
        broken.push(format!("piped: it ended with {ended}"));
    }
    if summary["fields"] != 2 * sent {
        broken.push(format!(
            "piped: {} fields of {} were measured",
            summary["fields"],
            2 * sent
        ));
    }
    broken.extend(judge::judge(&injected, &told, tape.as_secs_f64()));
    Ok(broken)
}
