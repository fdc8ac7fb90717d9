//! A live tape in real time through `trueline watch`.

use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use trueline::record::Pass;

use crate::{Result, vitals};

/// Time between two looks.
const BETWEEN: Duration = Duration::from_secs(5);

/// Kinds that say that we were at fault. Measures that were left out for a while (`reduced`) are what keeps frames from being lost.
const OURS: [&str; 2] = ["overrun", "not_stored"];

pub(crate) fn run(place: &Path, length: Duration, seed: u64) -> Result<Vec<String>> {
    let pass = place.join("live.pass");
    let mut child = Command::new(env!("CARGO_BIN_EXE_trueline"))
        .args(["watch", "tape:evening", "--no-dashboard", "--seed"])
        .arg(seed.to_string())
        .arg("--for")
        .arg(format!("{}s", length.as_secs()))
        .arg("--record")
        .arg(&pass)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()?;
    let begun = Instant::now();
    let mut looks = Vec::new();
    let ended = loop {
        std::thread::sleep(BETWEEN);
        if let Some(ended) = child.try_wait()? {
            break ended;
        }
        // It may end while it is looked at.
        looks.extend(vitals::look(child.id(), &pass, begun.elapsed()));
    };
    let mut said = String::new();
    child
        .stderr
        .take()
        .ok_or("a pipe was asked for")?
        .read_to_string(&mut said)?;
    println!(
        "\nlive: {:.2} h in real time",
        length.as_secs_f64() / 3600.0
    );
    vitals::print(&looks);
    let mut broken = vitals::judge("live", &looks);
    let losses = said.lines().find(|line| line.contains("lost"));
    println!("{}", losses.unwrap_or("nothing was said of losses"));
    if !ended.success() {
        broken.push(format!("live: it ended with {ended}: {said}"));
    }
    let pass = Pass::open(&pass)?;
    let events = pass.events()?;
    let reduced = events.iter().filter(|event| event.kind.word() == "reduced");
    println!("measures were left out {} times", reduced.count());
    for event in events {
        if OURS.contains(&event.kind.word()) {
            broken.push(format!("live: {}: {}", event.kind.word(), event.note));
        }
    }
    Ok(broken)
}
