//! `kill -9` at random moments: what the recorder leaves, and what the next start makes of it.
//!
//! What the source had delivered is known from `--tee`: each frame is counted as it comes out of the pipe. `scripts/kill` runs this
//! more often (`TRUELINE_KILLS`) and holds it to the second that is promised (`TRUELINE_KILLS_STRICT`); in the ordinary tests a
//! machine that does other things at once may hold up the recorder for longer. `TRUELINE_SEED` repeats a run.

use std::collections::hash_map::RandomState;
use std::hash::{BuildHasher, Hasher};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::Stdio;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use crossbeam_channel::{Sender, bounded};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

use crate::player::{Left, names};
use crate::world::World;

/// Kills in the ordinary tests.
const KILLS: u64 = 20;

/// What a crash may cost.
const PROMISED: Duration = Duration::from_secs(1);

/// What else a busy machine may add before that is a fault of the recorder: ten times the usual pause between two threads of a
/// machine with four times more to do than it can.
const SLACK: Duration = Duration::from_secs(4);

/// The longest life of a recorder after its first frame, in milliseconds: a few commits.
const LIFE_MS: u64 = 2500;

/// One in so many is killed before its first frame, within [`EARLY_MS`] of its start: while the pass is being made.
const EARLY: u64 = 6;
const EARLY_MS: u64 = 600;

const SCENES: [&str; 4] = ["evening", "clean", "losses", "jitter"];

fn from_environment(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().expect("a whole number"))
}

/// What became of one recorder.
#[derive(Debug)]
struct Killed {
    /// There was a pass.
    begun: bool,
    /// Age of the oldest frame that had been delivered and is not in the pass; `None` where all are.
    lost: Option<Duration>,
}

#[test]
fn a_killed_recorder_leaves_a_sound_pass_that_lacks_a_second_at_most() {
    let kills = from_environment("TRUELINE_KILLS").unwrap_or(KILLS);
    let strict = from_environment("TRUELINE_KILLS_STRICT").is_some();
    // Another one each time: the state is the system's random bits.
    let any = || RandomState::new().build_hasher().finish() >> 32;
    let seed = from_environment("TRUELINE_SEED").unwrap_or_else(any);
    eprintln!("{kills} kills, seed {seed}");
    let world = World::new();
    let next = AtomicU64::new(0);
    let all = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let nth = next.fetch_add(1, Ordering::Relaxed);
                    if nth >= kills {
                        return;
                    }
                    let killed = record_and_kill(&world, nth, seed.wrapping_add(nth));
                    all.lock().expect("no thread panics").push(killed);
                }
            });
        }
    });
    let all = all.into_inner().expect("no thread panics");
    let begun = all.iter().filter(|killed| killed.begun).count();
    let mut lost: Vec<Duration> = all.iter().filter_map(|killed| killed.lost).collect();
    lost.sort();
    eprintln!(
        "{} kills, {begun} passes; the oldest frame lost was {:?} old at the median, {:?} at most",
        all.len(),
        lost.get(lost.len() / 2),
        lost.last()
    );
    let allowed = if strict { PROMISED } else { PROMISED + SLACK };
    assert!(lost.last() <= Some(&allowed), "seed {seed}: {lost:?}");
    check_next_start(&world, kills, begun);
}

/// Starts a recorder, kills it at some moment, and looks at what it left.
fn record_and_kill(world: &World, nth: u64, seed: u64) -> Killed {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let scene = SCENES[(random.next_u64() % SCENES.len() as u64) as usize];
    let standard = ["525", "625"][(random.next_u64() % 2) as usize];
    let early = random.next_u64().is_multiple_of(EARLY);
    let life = random.next_u64() % if early { EARLY_MS } else { LIFE_MS };
    // Each in a directory of its own, where no later start puts it in order.
    let directory = world.path(&nth.to_string());
    std::fs::create_dir(&directory).expect("a directory");
    let path = directory.join(format!("killed-{nth}.pass"));
    let (source, seed) = (format!("tape:{scene}"), seed.to_string());
    let mut child = world
        .command(["watch", &source, "--standard", standard, "--seed", &seed])
        .args(["--no-dashboard", "--for", "60s", "--tee", "-", "--record"])
        .arg(&path)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary starts");
    let frames = child.stdout.take().expect("it was asked for");
    let (begins, begun) = bounded(1);
    let delivered = std::thread::spawn(move || arrivals(frames, &begins));
    if !early {
        begun.recv().expect("a first frame");
    }
    std::thread::sleep(Duration::from_millis(life));
    child.kill().expect("it runs");
    let killed_at = Instant::now();
    child.wait().expect("it is gone");
    let delivered = delivered.join().expect("no panic");
    if !path.exists() {
        assert!(
            delivered.is_empty(),
            "{} frames and no pass",
            delivered.len()
        );
        return Killed {
            begun: false,
            lost: None,
        };
    }
    let left = Left::at(&path);
    assert!(!left.closed && left.unstored == 0);
    // Frames stand at even places, and lost ones are stood for by the one before.
    let stored = left.last.map_or(0, |last| last.div_ceil(2)) as usize;
    let lost = delivered.get(stored);
    Killed {
        begun: true,
        lost: lost.map(|arrived| killed_at.saturating_duration_since(*arrived)),
    }
}

/// When each whole frame came.
fn arrivals(frames: impl Read, begins: &Sender<()>) -> Vec<Instant> {
    let mut frames = BufReader::new(frames);
    let mut arrivals = Vec::new();
    let mut header = Vec::new();
    if frames.read_until(b'\n', &mut header).is_err() || !header.ends_with(b"\n") {
        return arrivals;
    }
    let header = String::from_utf8(header).expect("a header is text");
    let size = |tag: char| -> usize {
        let word = header.split_whitespace().find(|word| word.starts_with(tag));
        let number = word.and_then(|word| word[1..].parse().ok());
        number.expect("a header has its size")
    };
    assert!(header.contains("C422"), "{header}");
    let mut frame = vec![0; 2 * size('W') * size('H')];
    let mut line = Vec::new();
    loop {
        line.clear();
        let more = frames.read_until(b'\n', &mut line).is_ok() && line.ends_with(b"\n");
        if !more || frames.read_exact(&mut frame).is_err() {
            return arrivals;
        }
        arrivals.push(Instant::now());
        // Only the first is waited for.
        let _ = begins.try_send(());
    }
}

/// The next start in a directory closes what was cut short there, once.
fn check_next_start(world: &World, kills: u64, begun: usize) {
    let together = world.path("passes");
    std::fs::create_dir(&together).expect("a directory");
    for nth in 0..kills {
        let directory = world.path(&nth.to_string());
        for name in names(&directory) {
            std::fs::rename(directory.join(&name), together.join(&name)).expect("it is there");
        }
    }
    let start = |name: &str| {
        let run = world.ok([
            "watch",
            "tape:clean",
            "--no-dashboard",
            "--for",
            "100ms",
            "--record",
            name,
        ]);
        run.stderr.matches("closed as interrupted").count()
    };
    assert_eq!(start("passes/next.pass"), begun);
    assert_eq!(start("passes/after.pass"), 0);
    for name in names(&together) {
        assert!(
            name.starts_with('.') || Path::new(&name).extension().is_some_and(|it| it == "pass"),
            "{name} is left"
        );
        if name.starts_with("killed") {
            let left = Left::at(&together.join(&name));
            assert!(left.events.iter().all(|event| event.end.is_some()));
        }
    }
}
