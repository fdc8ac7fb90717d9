//! `watch --find-levels`: hands readings to the search and its settings to the device, and sets all back at the end.
//!
//! In: readings, and the controls as the capture read them. Out: orders to the capture, sentences for the operator. The source itself
//! is wrapped ([`AsFound`]): whoever drops it, and for whatever reason, sets the controls back first. Whoever ends the program
//! waits for that ([`Restoring`]), a panic included; only a signal that nobody can catch leaves them as they are.
//!
//! Does not know: how values are found.

use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Context, Result, anyhow};
use crossbeam_channel::{Receiver, Sender, bounded};

use crate::record::Live;
use crate::record::finder::Finder;
use crate::record::live::{ControlBoard, ControlState, Order};
use crate::record::sections::SETTING_CHANGED;
use crate::sources::{
    ControlListing, ControlSetting, Frame, News, PictureFormat, Source, SourceDescription,
    SourceError,
};

use super::analysis::Remark;
use super::capture::{ControlHand, PATIENCE};
use super::say;
use super::signals::Stop;
use super::sinks::{Measured, Seen, Sink};

/// A search, or why there is none.
///
/// # Errors
/// The source has no brightness that can be set.
pub(super) fn begin(source: &dyn Source) -> Result<Finder> {
    let name = &source.description().name;
    Finder::new(source.controls(), source.format().range)
        .map_err(|why| anyhow!("{why}"))
        .with_context(|| {
            format!(
                "{name}: --find-levels steps the brightness and contrast of a capture device; \
                 watch one that has them (`trueline sources` lists the controls), or leave the option out"
            )
        })
}

/// A source whose controls are set back when it is dropped.
pub(super) struct AsFound {
    source: Box<dyn Source>,
    board: ControlBoard,
    outcome: Sender<Restored>,
}

/// What could not be set back.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Restored {
    failed: Vec<String>,
}

impl AsFound {
    /// Keeps in mind how the controls are now, and who is told of the end.
    pub(super) fn new(source: Box<dyn Source>, stop: &Stop) -> (Self, Restoring) {
        let mut board = ControlBoard::default();
        board.take(&state_of(source.as_ref()));
        let (outcome, restored) = bounded(1);
        let restoring = Restoring {
            restored,
            stop: stop.clone(),
        };
        let kept = Self {
            source,
            board,
            outcome,
        };
        (kept, restoring)
    }

    fn restore(&mut self) -> Restored {
        self.board.take(&state_of(self.source.as_ref()));
        let orders = self.board.restore();
        let failed = orders.into_iter().filter_map(|order| {
            let refused = self.source.set_control(order.setting).err()?;
            Some(refused.to_string())
        });
        Restored {
            failed: failed.collect(),
        }
    }
}

fn state_of(source: &dyn Source) -> ControlState {
    ControlState {
        controls: source.controls().to_vec(),
        ..ControlState::default()
    }
}

impl Drop for AsFound {
    fn drop(&mut self) {
        let restored = self.restore();
        let _ = self.outcome.try_send(restored); // nobody has to listen
    }
}

impl Source for AsFound {
    fn description(&self) -> &SourceDescription {
        self.source.description()
    }

    fn format(&self) -> &Arc<PictureFormat> {
        self.source.format()
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        self.source.next_frame()
    }

    fn news(&mut self) -> Option<News> {
        self.source.news()
    }

    fn is_device(&self) -> bool {
        self.source.is_device()
    }

    fn controls(&self) -> &[ControlListing] {
        self.source.controls()
    }

    fn set_control(&mut self, setting: ControlSetting) -> Result<(), SourceError> {
        self.source.set_control(setting)
    }

    fn clock_origin(&self) -> Option<std::time::Duration> {
        self.source.clock_origin()
    }
}

/// Waits until the controls are set back, on every way out.
pub(super) struct Restoring {
    restored: Receiver<Restored>,
    stop: Stop,
}

impl Restoring {
    /// What is to be said of it, once the capture has been told to end.
    pub(super) fn in_words(&self) -> String {
        match self.restored.recv_timeout(PATIENCE) {
            Ok(Restored { failed }) if failed.is_empty() => {
                "the device's controls are set back as they were found".to_owned()
            }
            Ok(Restored { failed }) => format!(
                "not all controls could be set back as they were found; set them by hand: {}",
                failed.join("; ")
            ),
            Err(_) => "whether the controls were set back is not known: the device did not answer"
                .to_owned(),
        }
    }
}

impl Drop for Restoring {
    fn drop(&mut self) {
        self.stop.set();
        // Told already, or it takes too long: the program ends all the same.
        let _ = self.restored.recv_timeout(PATIENCE);
    }
}

/// Hands readings to the search.
pub(super) struct LevelFinder {
    finder: Arc<Mutex<Finder>>,
    hand: ControlHand,
    remarks: Sender<Remark>,
    live: Arc<Mutex<Live>>,
    /// Whose lines they are, where nothing draws.
    aloud: Option<String>,
}

impl LevelFinder {
    /// A search with the controls in hand; `aloud` is what lines on stderr begin with, where there are any.
    pub(super) fn new(
        finder: Arc<Mutex<Finder>>,
        hand: ControlHand,
        remarks: Sender<Remark>,
        live: Arc<Mutex<Live>>,
        aloud: Option<String>,
    ) -> Self {
        Self {
            finder,
            hand,
            remarks,
            live,
            aloud,
        }
    }

    fn tell(&self, text: &str) {
        if let Some(whose) = &self.aloud {
            say(&format!("{whose}{text}"));
        }
        let mut live = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        live.set_finding(text.to_owned());
    }
}

impl Sink for LevelFinder {
    fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
        let Some(Measured { readings, .. }) = seen.measured else {
            return Ok(());
        };
        let mut finder = self.finder.lock().unwrap_or_else(PoisonError::into_inner);
        let act = self.hand.with_controls(|state| {
            finder.observe(readings, &state.controls, state.trouble.as_deref())
        });
        drop(finder);
        let Some(act) = act else {
            return Ok(());
        };
        for setting in act.set {
            // Number 0: orders of the dashboard are counted, these are looked for in what is read.
            self.hand.set(Order { number: 0, setting });
        }
        if let Some(text) = act.say {
            self.tell(&text);
        }
        if let Some(values) = act.changed {
            let text = format!("{SETTING_CHANGED} {values}");
            // Full means sixty marks of the operator's at once; then theirs come first.
            let _ = self.remarks.try_send(Remark { at: None, text });
        }
        Ok(())
    }
}

/// A search of a station, from its beginning to what is said of it.
pub(super) struct Search {
    finder: Arc<Mutex<Finder>>,
    restoring: Restoring,
}

impl Search {
    /// Begins one; the source comes back as one that sets its controls back.
    ///
    /// # Errors
    /// The source has no brightness that can be set.
    pub(super) fn begin(source: Box<dyn Source>, stop: &Stop) -> Result<(Self, Box<dyn Source>)> {
        let finder = Arc::new(Mutex::new(begin(source.as_ref())?));
        let (kept, restoring) = AsFound::new(source, stop);
        Ok((Self { finder, restoring }, Box::new(kept)))
    }

    /// The search itself, for the sink.
    pub(super) fn finder(&self) -> Arc<Mutex<Finder>> {
        Arc::clone(&self.finder)
    }

    /// What was found, and what became of the controls; the capture has been told to end.
    pub(super) fn conclude(self) -> [String; 2] {
        let finder = self.finder.lock().unwrap_or_else(PoisonError::into_inner);
        [finder.report(), self.restoring.in_words()]
    }
}

#[cfg(test)]
mod tests;
