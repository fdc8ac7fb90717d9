//! Measures against the truth of the simulated tape.
//!
//! The tape tells what it injected; no measure sees that. Tolerances are stated with each check, in units and with their
//! reason.

mod advice;
mod alarm;
mod colour;
mod condition;
mod levels;
mod line_timing;
mod linearity;
mod onset;
mod setup;

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What is wrong of each of many cases, looked at on all cores.
fn wrong_of<T: Sync>(cases: &[T], look: impl Fn(&T) -> Option<String> + Sync) -> Vec<String> {
    let next = AtomicUsize::new(0);
    let wrong = Mutex::new(Vec::new());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let found = look(case);
                    wrong.lock().expect("no thread panics").extend(found);
                }
            });
        }
    });
    let mut wrong = wrong.into_inner().expect("no thread panics");
    wrong.sort();
    wrong
}
