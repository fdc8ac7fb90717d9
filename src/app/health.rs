//! Once a second: how the queues, the pass file and its disk fare, for the dashboard.
//!
//! On a thread of its own, since a disk that hangs must hold up neither the analysis nor the drawing.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread::{Scope, ScopedJoinHandle};
use std::time::Duration;

use anyhow::{Context, Result};

use crate::record::live::Health;
use crate::record::{Live, WriterState};

use super::capture::{Capture, SeenOfSource};
use super::pass::Recording;

/// How often it looks.
const INTERVAL: Duration = Duration::from_secs(1);

/// Looks until `ended` is set; unpark the thread to end it at once.
///
/// # Errors
/// The system has no thread left.
pub(super) fn keep<'scope, 'env>(
    scope: &'scope Scope<'scope, 'env>,
    live: &'env Mutex<Live>,
    capture: &'env Capture,
    recording: Option<&'env Recording>,
    ended: &'env AtomicBool,
) -> Result<ScopedJoinHandle<'scope, ()>> {
    std::thread::Builder::new()
        .name("health".into())
        .spawn_scoped(scope, move || {
            let mut growth = Growth::default();
            while !ended.load(Ordering::Relaxed) {
                let health = look(capture, recording, &mut growth);
                live.lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .set_health(health);
                std::thread::park_timeout(INTERVAL);
            }
        })
        .context("starting the thread that watches disk and queues")
}

/// How fast the pass file grows.
#[derive(Debug, Default)]
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

fn look(capture: &Capture, recording: Option<&Recording>, growth: &mut Growth) -> Health {
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
        device: of_device(&capture.seen()),
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
