//! SIGINT and SIGTERM end a pass cleanly instead of the process.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context, Result};

/// Set once somebody asks for the end.
#[derive(Clone, Debug)]
pub(super) struct Interrupt(Arc<AtomicBool>);

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
        Ok(Self(flag))
    }

    /// Whether somebody has asked.
    pub(super) fn requested(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    /// The flag itself, for loops that end on it.
    pub(super) fn flag(&self) -> &Arc<AtomicBool> {
        &self.0
    }
}
