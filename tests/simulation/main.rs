//! Measures against the truth of the simulated tape.
//!
//! The tape tells what it injected; no measure sees that. Tolerances are stated with each check, in units and with their
//! reason.

mod advice;
mod alarm;
mod colour;
mod condition;
mod grain;
mod levels;
mod line_timing;
mod linearity;
mod losses;
mod onset;
mod setup;

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use trueline::sources::tape::{Camera, Pace, Scene, Tape};
use trueline::sources::{StandardWish, Wishes};
use trueline::standard::Standard;

/// A camera that pans slowly.
const PAN: Camera = Camera {
    centre: (420.0, 330.0),
    pan: 55.0,
    ..Camera::STILL
};

/// A camera in an unsteady hand.
const HAND: Camera = Camera {
    centre: (500.0, 340.0),
    pan: 12.0,
    shake: 5.0,
    ..Camera::STILL
};

/// A scene as fast as it can be drawn, to its end.
fn tape_of(scene: &'static Scene, standard: Standard) -> Tape {
    let wishes = Wishes {
        standard: Some(StandardWish::Lines(standard)),
        ..Wishes::default()
    };
    let pace = Pace::Free { frames: None };
    Tape::play(scene, &wishes, pace).expect("the wishes can be met")
}

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
