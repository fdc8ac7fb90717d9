//! How the writing goes, for both ends of the queue and anyone who looks.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

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

    /// Both ends only assign while they hold the lock, so what a panic leaves behind is whole.
    pub(super) fn with<T>(&self, look: impl FnOnce(&mut Shared) -> T) -> T {
        look(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    pub(super) fn update(&self, change: impl FnOnce(&mut WriterState)) {
        self.with(|shared| change(&mut shared.state));
    }
}
