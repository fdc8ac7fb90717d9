//! Starts and stops under load: whenever the end is asked for, it comes, and the pass is whole. The channels between threads are a
//! crate's that no model checker knows; this strains them. `scripts/starts` does it 500 times.

use std::fs;
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::world::{World, send_signal};

/// How often, unless `TRUELINE_STARTS` says otherwise.
const STARTS: u32 = 20;

/// Longest wait before the end is asked for: from before the first frame to well into the pass.
const LONGEST_MS: u64 = 700;

/// What still runs after this long hangs: everything that is waited for at the end adds up to a tenth of it, also under load.
const HANGS: Duration = Duration::from_secs(120);

/// Exit code of a pass that a signal ended.
const INTERRUPTED: i32 = 130;

/// Waits for the end; a process that hangs is ended, and `None`.
fn end_of(child: &mut Child) -> Option<std::process::ExitStatus> {
    let since = Instant::now();
    loop {
        if let Some(status) = child.try_wait().expect("our own process") {
            return Some(status);
        }
        if since.elapsed() > HANGS {
            child.kill().expect("our own process");
            child.wait().expect("our own process");
            return None;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Ways to run, each with other threads and queues.
fn ways(pass: &str) -> [Vec<&str>; 5] {
    [
        vec!["watch", "tape:jitter", "--no-dashboard", "--record", pass],
        vec![
            "watch",
            "tape:clean",
            "tape:flagging",
            "--no-dashboard",
            "--no-record",
        ],
        vec!["scan", "jitter-625.y4m", "--record", pass],
        vec![
            "watch",
            "tape:jitter",
            "--no-dashboard",
            "--record",
            pass,
            "--tee",
            "/dev/null",
            "--on-alarm",
            "true",
        ],
        vec![
            "scan",
            "tape:clean",
            "--record",
            pass,
            "--keep-lines",
            "--json",
        ],
    ]
}

fn check_pass(world: &World, pass: &str, what: &str) {
    let path = world.path(pass);
    if !path.exists() {
        return;
    }
    assert!(
        !world.path(&format!("{pass}-wal")).exists(),
        "{what}: a log is left"
    );
    let opened = trueline::record::Pass::open(&path).expect("a pass");
    assert!(
        opened.closed_at().is_some(),
        "{what}: the pass is not closed"
    );
    drop(opened);
    let connection = rusqlite::Connection::open(&path).expect("the pass");
    let sound: String = connection
        .query_row("PRAGMA integrity_check", (), |row| row.get(0))
        .expect("an answer");
    assert_eq!(sound, "ok", "{what}");
    drop(connection);
    fs::remove_file(path).expect("it is there");
}

#[test]
fn starts_and_stops_under_load_never_hang_and_leave_whole_passes() {
    let starts = std::env::var("TRUELINE_STARTS")
        .ok()
        .and_then(|text| text.parse().ok());
    let starts: u32 = starts.unwrap_or(STARTS);
    let world = World::new();
    world.tape("jitter", "625", "2");
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(9);
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        // two cores are kept busy beside it
        for _ in 0..2 {
            scope.spawn(|| {
                while !done.load(Ordering::Relaxed) {
                    std::hint::spin_loop();
                }
            });
        }
        let release = Release(&done);
        let mut interrupted = 0;
        for number in 0..starts {
            let pass = format!("{number}.pass");
            let way = &ways(&pass)[number as usize % 5];
            let mut child = world
                .command(way)
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .expect("the binary starts");
            std::thread::sleep(Duration::from_millis(rng.random_range(0..LONGEST_MS)));
            let signal = ["TERM", "INT"][rng.random_range(0..2)];
            let what = format!("start {number}, {way:?}, {signal}");
            // It may have come to its end by itself: a scan has one.
            if child.try_wait().expect("our own process").is_none() {
                send_signal(signal, &child.id().to_string());
            }
            let status = end_of(&mut child);
            let status = status.unwrap_or_else(|| panic!("{what}: it hangs"));
            match status.code() {
                Some(INTERRUPTED) => interrupted += 1,
                Some(0) => {}
                // Before its handlers are there, a signal ends it at once, and no pass is begun.
                None => assert!(!world.path(&pass).exists(), "{what}: {status}"),
                Some(code) => panic!("{what}: exit code {code}"),
            }
            check_pass(&world, &pass, &what);
        }
        assert!(
            interrupted * 3 > starts,
            "only {interrupted} of {starts} were interrupted"
        );
        drop(release);
    });
}

/// Ends the load, also when the test fails.
struct Release<'a>(&'a AtomicBool);

impl Drop for Release<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}
