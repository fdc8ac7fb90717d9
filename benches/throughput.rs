//! Speed of the whole program, as ratios taken in one run on one machine.
//!
//! `scan` of two 625-line tapes in the page cache, one that shows its edges and one where every line is timed by the picture,
//! on one core and on two; beside it a plain memory copy of the same frames, and `FFmpeg` decoding the same file to nothing
//! and putting it through its own per-frame statistics (`signalstats`). Then `watch` on a live 525-line simulated tape, and on
//! four at once: processor share of each thread, resident memory, losses, and how long readings took from the arrival of
//! their frame to the screen (wanted: 50 ms in the middle, 100 ms for 99 %). Figures are printed, never asserted.

#![expect(clippy::print_stdout, reason = "figures are what a bench is for")]

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

type Result<T> = std::result::Result<T, Box<dyn Error>>;

const SECONDS_OF_TAPE: u32 = 20;
const FRAMES: u32 = SECONDS_OF_TAPE * 25;
const FRAME_BYTES: usize = 720 * 576 * 2;
/// Best of this many: what else the machine does only ever adds.
const TRIES: usize = 5;
/// Long enough for the evening's first bent picture, so that an alarm is drawn.
const WATCHED: Duration = Duration::from_secs(45);
/// Kernel clock ticks a second in `/proc/PID/stat` (a constant of the user-space interface).
const TICKS: f64 = 100.0;

fn main() -> Result<()> {
    // `cargo test --benches` runs this too, with nothing to measure.
    if !std::env::args().any(|word| word == "--bench") {
        return Ok(());
    }
    let place = tempfile::tempdir()?;
    println!(
        "{FRAMES} frames of 625-line 8-bit 4:2:2 in the page cache, best of {TRIES}; x statistics = how often it is done while\n\
         FFmpeg does its statistics of the same file once on one core"
    );
    for (scene, about) in [
        ("evening", "edges in view"),
        ("box-crop", "no edges: every line from the picture"),
    ] {
        let tape = place.path().join(format!("{scene}.y4m"));
        run(program()
            .args(["tape", "--standard", "625", "--scene", scene, "--seconds"])
            .arg(SECONDS_OF_TAPE.to_string())
            .arg("-o")
            .arg(&tape))?;
        offline(&tape, about)?;
        fs::remove_file(&tape)?;
    }
    live(place.path(), &["tape"])?;
    live(
        place.path(),
        &["tape:clean", "tape:jitter", "tape:evening", "tape:box-crop"],
    )
}

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_trueline"))
}

/// A program held to some cores.
fn on(cores: &str, words: &[&str]) -> Command {
    let mut command = Command::new("taskset");
    command.args(["-c", cores]).args(words);
    command
}

fn run(command: &mut Command) -> Result<Duration> {
    let start = Instant::now();
    let status = command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()?;
    if status.success() {
        Ok(start.elapsed())
    } else {
        Err(format!("{command:?} failed: {status}").into())
    }
}

fn best(mut once: impl FnMut() -> Result<Duration>) -> Result<Duration> {
    let mut best = once()?;
    for _ in 1..TRIES {
        best = best.min(once()?);
    }
    Ok(best)
}

fn offline(tape: &Path, about: &str) -> Result<()> {
    const ONE: &str = "0";
    const TWO: &str = "0,1";
    let name = tape.to_str().ok_or("a plain path")?;
    let mut bytes = Vec::new();
    fs::File::open(tape)?.read_to_end(&mut bytes)?;
    let mut frame = vec![0_u8; FRAME_BYTES];
    let copy = best(|| {
        let start = Instant::now();
        for picture in bytes.chunks_exact(FRAME_BYTES) {
            frame.copy_from_slice(picture);
            std::hint::black_box(&mut frame);
        }
        Ok(start.elapsed())
    })?;
    drop(bytes);
    let exe = env!("CARGO_BIN_EXE_trueline");
    let scan = ["scan", name, "--no-record"];
    let decode = ["-v", "error", "-i", name, "-f", "null", "-"];
    let statistics = [
        "-v",
        "error",
        "-i",
        name,
        "-vf",
        "signalstats",
        "-f",
        "null",
        "-",
    ];
    let timed = |cores: &str, program: &str, words: &[&str]| {
        best(|| run(&mut on(cores, &[&[program], words].concat())))
    };
    let reference = timed(ONE, "ffmpeg", &statistics)?;
    println!("\n{about}:");
    println!(
        "{:<36} {:>10} {:>12} {:>14} {:>13}",
        "", "ms a frame", "x real time", "x plain copy", "x statistics"
    );
    let print = |what: &str, time: Duration| {
        let seconds = time.as_secs_f64();
        println!(
            "{what:<36} {:>10.3} {:>12.1} {:>14.2} {:>13.2}",
            1e3 * seconds / f64::from(FRAMES),
            f64::from(SECONDS_OF_TAPE) / seconds,
            seconds / copy.as_secs_f64(),
            reference.as_secs_f64() / seconds,
        );
    };
    print("memory copy", copy);
    print("ffmpeg to null, one core", timed(ONE, "ffmpeg", &decode)?);
    print("ffmpeg signalstats, one core", reference);
    print("trueline scan, one core", timed(ONE, exe, &scan)?);
    let cores = std::thread::available_parallelism()?;
    if cores.get() < 2 {
        println!("(this machine has one core)");
        return Ok(());
    }
    let two = timed(TWO, "ffmpeg", &statistics)?;
    print("ffmpeg signalstats, two cores", two);
    print("trueline scan, two cores", timed(TWO, exe, &scan)?);
    Ok(())
}

fn live(place: &Path, sources: &[&str]) -> Result<()> {
    let pass = place.join(format!("live-{}.pass", sources.len()));
    let exe = env!("CARGO_BIN_EXE_trueline");
    let transcript = place.join("transcript");
    // A terminal of its own, so that the dashboard draws as it would for an operator.
    let line = format!(
        "stty rows 40 cols 120; exec {exe} watch {} --standard 525 --record {}",
        sources.join(" "),
        pass.display()
    );
    let mut child = Command::new("script")
        .args(["-qfec", &line])
        .arg(&transcript)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()?;
    std::thread::sleep(Duration::from_secs(3)); // warm-up
    let pid = watched(&child)?;
    let (first, start, early) = (thread_seconds(pid)?, Instant::now(), resident_mib(pid)?);
    std::thread::sleep(WATCHED);
    let (last, elapsed, late) = (thread_seconds(pid)?, start.elapsed(), resident_mib(pid)?);
    run(Command::new("sh").args(["-c", "kill -s INT \"$0\"", &pid.to_string()]))?;
    child.wait()?;
    let said = String::from_utf8_lossy(&fs::read(&transcript)?).into_owned();

    println!(
        "\nwatch on {} live 525-line simulated tape(s) with the dashboard at 120x40, {WATCHED:?}:",
        sources.len()
    );
    println!("{:<28} {:>12}", "thread", "% of a core");
    let mut ours = 0.0;
    for (name, seconds) in &last {
        let share =
            100.0 * (seconds - first.get(name).copied().unwrap_or(0.0)) / elapsed.as_secs_f64();
        let note = if name == "capture" {
            "   (the simulators themselves)"
        } else {
            ""
        };
        println!("{name:<28} {share:>12.2}{note}");
        if name != "capture" {
            ours += share;
        }
    }
    println!("{:<28} {ours:>12.2}", "all but the simulators");
    println!("resident memory: {early:.1} MiB after warm-up, {late:.1} MiB at the end");
    let told = |line: &&str| ["on screen", "lost"].iter().any(|word| line.contains(word));
    for line in said
        .lines()
        .filter(|line| line.starts_with("trueline:"))
        .filter(told)
    {
        println!("{}", line.trim());
    }
    Ok(())
}

/// The monitor's process below `script`.
fn watched(script: &Child) -> Result<u32> {
    let children = fs::read_to_string(format!("/proc/{0}/task/{0}/children", script.id()))?;
    let pid = children
        .split_whitespace()
        .next()
        .ok_or("the monitor did not start")?;
    Ok(pid.parse()?)
}

/// Processor seconds by thread name.
fn thread_seconds(pid: u32) -> Result<BTreeMap<String, f64>> {
    let mut seconds = BTreeMap::new();
    for task in fs::read_dir(format!("/proc/{pid}/task"))?.flatten() {
        let stat = fs::read_to_string(task.path().join("stat"))?;
        let (head, tail) = stat.rsplit_once(')').ok_or("a stat line")?;
        let name = head.split_once('(').ok_or("a stat line")?.1.to_owned();
        let fields: Vec<&str> = tail.split_whitespace().collect();
        let ticks: f64 = fields[11].parse::<f64>()? + fields[12].parse::<f64>()?;
        *seconds.entry(name).or_insert(0.0) += ticks / TICKS;
    }
    Ok(seconds)
}

fn resident_mib(pid: u32) -> Result<f64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status"))?;
    let line = status
        .lines()
        .find(|line| line.starts_with("VmRSS:"))
        .ok_or("no VmRSS")?;
    Ok(line
        .split_whitespace()
        .nth(1)
        .ok_or("no VmRSS")?
        .parse::<f64>()?
        / 1024.0)
}
