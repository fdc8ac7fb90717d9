//! SIGINT and SIGTERM end a pass cleanly instead of the process; a terminal that hangs up does so too, or is outlasted.
//!
//! In: signals, and the operator's wish to quit. Out: one flag that every loop ends on, and who set it first; and whether
//! the terminal is gone.
//!
//! Does not know: what ends.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context, Result};

use super::stop;
pub(super) use super::stop::Stop;

/// Set once somebody asks for the end: a signal, or the operator at the dashboard.
#[derive(Clone, Debug)]
pub(super) struct Interrupt {
    wanted: Arc<AtomicBool>,
    by_operator: Arc<AtomicBool>,
    hung_up: Arc<AtomicBool>,
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
            hung_up: Arc::default(),
        })
    }

    /// Without handlers.
    #[cfg(test)]
    pub(super) fn uninstalled() -> Self {
        Self {
            wanted: Arc::default(),
            by_operator: Arc::default(),
            hung_up: Arc::default(),
        }
    }

    /// From now on the end of the terminal sets the flag too.
    ///
    /// # Errors
    /// The system refuses the handler.
    #[cfg(unix)]
    pub(super) fn heed_hangup(&self) -> Result<()> {
        signal_hook::flag::register(signal_hook::consts::SIGHUP, Arc::clone(&self.wanted))
            .map(|_| ())
            .context("installing the handler for a terminal that hangs up")
    }

    /// From now on the end of the terminal ends nothing, and is only known of.
    ///
    /// # Errors
    /// The system refuses the handler.
    #[cfg(unix)]
    pub(super) fn outlast_hangup(&self) -> Result<()> {
        signal_hook::flag::register(signal_hook::consts::SIGHUP, Arc::clone(&self.hung_up))
            .map(|_| ())
            .context("installing the handler for a terminal that hangs up")
    }

    /// No such signal here.
    #[cfg(not(unix))]
    pub(super) fn outlast_hangup(&self) -> Result<()> {
        Ok(())
    }

    /// Whether the terminal has hung up and is outlasted.
    pub(super) fn hung_up(&self) -> bool {
        self.hung_up.load(Ordering::Relaxed)
    }

    /// No such signal here.
    #[cfg(not(unix))]
    pub(super) fn heed_hangup(&self) -> Result<()> {
        Ok(())
    }

    /// The operator asks for the end; a signal that came first stays the reason.
    pub(super) fn quit(&self) {
        stop::quit(&self.wanted, &self.by_operator);
    }

    /// Whether a signal asked for the end.
    pub(super) fn signalled(&self) -> bool {
        stop::signalled(&self.wanted, &self.by_operator)
    }

    /// Ctrl-C at the dashboard: as good as the signal.
    pub(super) fn signal(&self) {
        self.wanted.store(true, Ordering::Relaxed);
    }

    /// What a source's loops end on.
    pub(super) fn stop(&self) -> Stop {
        Stop::of(&self.wanted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_one_source_is_not_that_of_another_and_that_of_all_is_each_ones() {
        let interrupt = Interrupt::uninstalled();
        let (one, other) = (interrupt.stop(), interrupt.stop());
        one.set();
        assert!(one.is_set() && !other.is_set() && !interrupt.signalled());
        interrupt.quit();
        assert!(other.is_set());
    }

    #[test]
    fn an_operator_who_quits_twice_is_no_signal() {
        let interrupt = Interrupt::uninstalled();
        interrupt.quit();
        interrupt.quit();
        assert!(interrupt.stop().is_set());
        assert!(!interrupt.signalled());
    }

    #[test]
    fn a_signal_before_the_operator_quits_stays_the_reason() {
        let interrupt = Interrupt::uninstalled();
        interrupt.signal();
        interrupt.quit();
        assert!(interrupt.signalled());
    }
}
