//! SIGINT and SIGTERM, and a terminal that hangs up under the dashboard, end a pass cleanly instead of the process.
//!
//! In: signals, and the operator's wish to quit. Out: one flag that every loop ends on, and who set it first.
//!
//! Does not know: what ends.

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

    /// From now on the end of the terminal sets the flag too.
    ///
    /// Asked for under the dashboard only: elsewhere `nohup` must be able to keep the program going.
    ///
    /// # Errors
    /// The system refuses the handler.
    #[cfg(unix)]
    pub(super) fn heed_hangup(&self) -> Result<()> {
        signal_hook::flag::register(signal_hook::consts::SIGHUP, Arc::clone(&self.wanted))
            .map(|_| ())
            .context("installing the handler for a terminal that hangs up")
    }

    /// No such signal here.
    #[cfg(not(unix))]
    pub(super) fn heed_hangup(&self) -> Result<()> {
        Ok(())
    }

    /// The operator asks for the end; a signal that came first stays the reason.
    pub(super) fn quit(&self) {
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

    fn uninstalled() -> Interrupt {
        Interrupt {
            wanted: Arc::default(),
            by_operator: Arc::default(),
        }
    }

    #[test]
    fn an_operator_who_quits_twice_is_no_signal() {
        let interrupt = uninstalled();
        interrupt.quit();
        interrupt.quit();
        assert!(interrupt.flag().load(Ordering::Relaxed));
        assert!(!interrupt.signalled());
    }

    #[test]
    fn a_signal_before_the_operator_quits_stays_the_reason() {
        let interrupt = uninstalled();
        interrupt.flag().store(true, Ordering::Relaxed);
        interrupt.quit();
        assert!(interrupt.signalled());
    }
}
