//! How the writing goes, for both ends of the queue and anyone who looks.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// How the writing goes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WriterState {
    /// The queue has been full since then: fields are being dropped.
    pub stalled_since: Option<Instant>,
    /// Commits have failed since then, and why; it is being tried again.
    pub failing: Option<(Instant, String)>,
    /// Fields in the file for certain.
    pub fields_stored: u64,
    /// Fields that were dropped.
    pub fields_dropped: u64,
    /// Events that were dropped.
    pub events_dropped: u64,
    /// Bytes of the file.
    pub bytes: u64,
    /// A commit has been under way since then.
    pub writing_since: Option<Instant>,
}

/// A commit that takes longer is told of: a disk that spins up may be forgotten about, and what a crash would cost by then is
/// more than the second that is promised.
pub const SLOW: Duration = Duration::from_secs(5);

/// Why what is measured does not get into the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// A commit has been under way for long; what came since waits in memory.
    Slow,
    /// It cannot be written; what came since waits in memory.
    Failing,
    /// Memory for what waits is used up: fields are being dropped.
    Dropping,
}

/// The state both ends write to and anyone may look at.
#[derive(Clone, Debug, Default)]
pub struct WriterWatch(Arc<Mutex<Shared>>);

#[derive(Debug, Default)]
pub(super) struct Shared {
    pub(super) state: WriterState,
    pub(super) sender_gone: bool,
}

impl WriterWatch {
    /// How the writing goes right now.
    #[must_use]
    pub fn state(&self) -> WriterState {
        self.with(|shared| shared.state.clone())
    }

    /// Says something else.
    #[cfg(test)]
    pub(crate) fn replace(&self, state: WriterState) {
        self.with(|shared| shared.state = state);
    }

    /// What keeps the file from being written, if anything does, by the clock's word for now.
    #[must_use]
    pub fn trouble(&self, now: Instant) -> Option<Trouble> {
        self.with(|shared| {
            let state = &shared.state;
            let slow = |since: Instant| now.saturating_duration_since(since) >= SLOW;
            match (&state.failing, state.stalled_since, state.writing_since) {
                (_, Some(_), _) => Some(Trouble::Dropping),
                (Some(_), None, _) => Some(Trouble::Failing),
                (None, None, Some(since)) if slow(since) => Some(Trouble::Slow),
                (None, None, _) => None,
            }
        })
    }

    /// Both ends only assign while they hold the lock, so what a panic leaves behind is whole.
    pub(super) fn with<T>(&self, look: impl FnOnce(&mut Shared) -> T) -> T {
        look(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    pub(super) fn update(&self, change: impl FnOnce(&mut WriterState)) {
        self.with(|shared| change(&mut shared.state));
    }
}
