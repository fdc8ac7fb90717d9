//! SIGINT and SIGTERM end a pass cleanly instead of the process.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context, Result};

/// Set once somebody asks for the end: a signal, or the operator at the dashboard.
#[derive(Clone, Debug)]
pub(super) struct Interrupt {
    wanted: Arc<AtomicBool>,
    by_operator: Arc<AtomicBool>,
}

impl Interrupt {
    /// From now on the two signals set the flag; a second one ends the process at once, in case the first is stuck.
    ///
    /// # Errors
    /// The system refuses the handlers.
    pub(super) fn install() -> Result<Self> {
        let flag = Arc::new(AtomicBool::new(false));
        for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
            signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(&flag))
                .and_then(|_| signal_hook::flag::register(signal, Arc::clone(&flag)))
                .context("installing the signal handlers")?;
        }
        Ok(Self {
            wanted: flag,
            by_operator: Arc::default(),
        })
    }

    /// The operator asks for the end.
    pub(super) fn quit(&self) {
        // Asked twice, or after a signal, whoever asked first stays the one who did.
        if !self.wanted.swap(true, Ordering::Relaxed) {
            self.by_operator.store(true, Ordering::Relaxed);
        }
    }

    /// Whether a signal asked for the end.
    pub(super) fn signalled(&self) -> bool {
        self.wanted.load(Ordering::Relaxed) && !self.by_operator.load(Ordering::Relaxed)
    }

    /// The flag itself, for loops that end on it.
    pub(super) fn flag(&self) -> &Arc<AtomicBool> {
        &self.wanted
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn nobody_yet() -> Interrupt {
        Interrupt {
            wanted: Arc::default(),
            by_operator: Arc::default(),
        }
    }

    #[test]
    fn an_operator_who_quits_has_not_been_interrupted_however_often_it_is_asked() {
        let interrupt = nobody_yet();
        interrupt.quit();
        interrupt.quit();
        assert!(interrupt.flag().load(Ordering::Relaxed) && !interrupt.signalled());
    }

    #[test]
    fn a_signal_before_the_operator_asks_is_an_interruption() {
        let interrupt = nobody_yet();
        interrupt.flag().store(true, Ordering::Relaxed);
        interrupt.quit();
        assert!(interrupt.signalled());
    }
}
