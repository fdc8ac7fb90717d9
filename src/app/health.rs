//! Once a second: how the queues, the pass file and its disk fare, for the dashboard; more often, what the controls show.
//!
//! On a thread of its own, since a disk that hangs must hold up neither the analysis nor the drawing.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread::{Scope, ScopedJoinHandle};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};

use crate::record::live::Health;
use crate::record::{Live, WriterState};

use super::capture::{Capture, SeenOfSource};
use super::pass::Recording;

/// How often it looks.
const INTERVAL: Duration = Duration::from_secs(1);

/// How often it looks at the controls alone: an operator who steps one waits for the answer.
const GLANCE: Duration = Duration::from_millis(100);

/// What is looked after.
#[derive(Clone, Copy)]
pub(super) struct Patient<'a> {
    /// Where it is told.
    pub live: &'a Mutex<Live>,
    /// Whose queue it is.
    pub capture: &'a Capture,
    /// The pass file, if there is one.
    pub recording: Option<&'a Recording>,
}

/// Looks until `ended` is set; unpark the thread to end it at once.
///
/// # Errors
/// The system has no thread left.
pub(super) fn keep<'scope, 'env>(
    scope: &'scope Scope<'scope, 'env>,
    patients: Vec<Patient<'scope>>,
    ended: &'env AtomicBool,
) -> Result<ScopedJoinHandle<'scope, ()>> {
    std::thread::Builder::new()
        .name("health".into())
        .spawn_scoped(scope, move || {
            let mut growth = vec![Growth::default(); patients.len()];
            let mut looked = None;
            while !ended.load(Ordering::Relaxed) {
                let due = looked.is_none_or(|at: Instant| at.elapsed() >= INTERVAL);
                for (patient, growth) in patients.iter().zip(&mut growth) {
                    let seen = patient.capture.seen();
                    let health = due.then(|| look(patient, &seen, growth));
                    let mut live = patient.live.lock().unwrap_or_else(PoisonError::into_inner);
                    live.set_controls(&seen.controls);
                    if let Some(health) = health {
                        live.set_health(health);
                    }
                }
                if due {
                    looked = Some(Instant::now());
                }
                std::thread::park_timeout(GLANCE);
            }
        })
        .context("starting the thread that watches disk and queues")
}

/// How fast the pass file grows.
#[derive(Clone, Debug, Default)]
struct Growth {
    first: Option<(Duration, u64)>,
    looked_for: Duration,
}

impl Growth {
    /// Bytes a second since the file was first seen with something in it.
    fn rate(&mut self, bytes: u64) -> Option<f64> {
        self.looked_for += INTERVAL;
        if bytes == 0 {
            return None;
        }
        let (since, start) = *self.first.get_or_insert((self.looked_for, bytes));
        let seconds = self.looked_for.saturating_sub(since).as_secs_f64();
        (seconds > 0.0).then(|| (bytes - start.min(bytes)) as f64 / seconds)
    }
}

fn look(patient: &Patient<'_>, seen: &SeenOfSource, growth: &mut Growth) -> Health {
    let Patient {
        capture, recording, ..
    } = patient;
    let state = recording.map(|recording| recording.watch().state());
    let (writer, writer_well) = match &state {
        None => ("not recorded".to_owned(), true),
        Some(state) => in_words(state),
    };
    Health {
        queue_frames: capture.deliveries.len(),
        queue_capacity: capture.deliveries.capacity().unwrap_or(0),
        writer,
        writer_well,
        disk_free_bytes: recording.and_then(|recording| free_bytes(recording.path())),
        bytes_per_second: state.and_then(|state| growth.rate(state.bytes)),
        device: of_device(seen),
    }
}

/// What the device says, and the jitter of its frames.
fn of_device(seen: &SeenOfSource) -> String {
    let jitter = seen
        .intervals
        .figures()
        .map(|figures| format!("jitter {:.2} ms", figures.jitter.0));
    let parts = [Some(seen.input.clone()), jitter];
    let said: Vec<String> = parts
        .into_iter()
        .flatten()
        .filter(|it| !it.is_empty())
        .collect();
    said.join(", ")
}

fn in_words(state: &WriterState) -> (String, bool) {
    match (&state.failing, state.stalled_since) {
        (Some((_, why)), _) => (format!("not written: {why}"), false),
        (None, Some(_)) => (
            format!("disk too slow, {} fields dropped", state.fields_dropped),
            false,
        ),
        (None, None) => ("written".to_owned(), true),
    }
}

#[cfg(unix)]
fn free_bytes(file: &Path) -> Option<u64> {
    let figures = rustix::fs::statvfs(file).ok()?;
    Some(figures.f_bavail * figures.f_frsize)
}

#[cfg(not(unix))]
fn free_bytes(_file: &Path) -> Option<u64> {
    None
}
