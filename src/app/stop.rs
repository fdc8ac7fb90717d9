//! The end of a pass, and of the program: who asked for it, and who is the last to leave.
//!
//! In: a signal, the operator's wish, threads that end. Out: flags that every loop ends on. `tests/models` tries all orders.
//!
//! Does not know: signals, or what ends.

use crate::shared::{Arc, AtomicBool, AtomicUsize, Ordering};

/// The operator asks for the end; a signal that came first stays the reason.
pub(super) fn quit(wanted: &AtomicBool, by_operator: &AtomicBool) {
    if !wanted.swap(true, Ordering::Relaxed) {
        by_operator.store(true, Ordering::Relaxed);
    }
}

/// Whether a signal asked for the end; asked once all has ended, for a wish that is being made is not yet told from a signal.
pub(super) fn signalled(wanted: &AtomicBool, by_operator: &AtomicBool) -> bool {
    wanted.load(Ordering::Relaxed) && !by_operator.load(Ordering::Relaxed)
}

/// The end of one source's pass: asked for of this one, or of the whole program.
#[derive(Clone, Debug, Default)]
pub(super) struct Stop {
    all: Arc<AtomicBool>,
    own: Arc<AtomicBool>,
}

impl Stop {
    /// That of a source of its own, with the program's.
    pub(super) fn of(all: &Arc<AtomicBool>) -> Self {
        Self {
            all: Arc::clone(all),
            own: Arc::default(),
        }
    }

    /// Ends this one.
    pub(super) fn set(&self) {
        self.own.store(true, Ordering::Relaxed);
    }

    /// Whether it is to end.
    pub(super) fn is_set(&self) -> bool {
        self.own.load(Ordering::Relaxed) || self.all.load(Ordering::Relaxed)
    }
}

/// Counts the threads that go on, and tells when the last has ended.
pub(super) struct Last {
    left: AtomicUsize,
    ended: AtomicBool,
}

impl Last {
    /// So many go on.
    pub(super) fn of(threads: usize) -> Self {
        Self {
            left: AtomicUsize::new(threads),
            ended: AtomicBool::new(false),
        }
    }

    /// Set when the last has ended, or nobody waits for it any more.
    pub(super) fn ended(&self) -> &AtomicBool {
        &self.ended
    }
}

/// Counts one off even when its thread panics, so that nobody waits for it.
pub(super) struct Leaving<'a>(pub(super) &'a Last);

impl Drop for Leaving<'_> {
    fn drop(&mut self) {
        if self.0.left.fetch_sub(1, Ordering::AcqRel) == 1 {
            self.0.ended.store(true, Ordering::Relaxed);
        }
    }
}
