//! One thing that happened, with its timecode.

use serde::{Deserialize, Serialize};

use crate::fields::FieldPlace;
use crate::limits::{Kind, Severity};
use crate::timecode::{FrameIndex, Timecode};

/// Numbers events in the order they open, from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct EventId(pub u32);

/// Labels frames of a pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PassClock {
    /// Label of frame 0.
    pub start: Timecode,
}

impl PassClock {
    /// The label of a frame.
    #[must_use]
    pub fn label(&self, frame: FrameIndex) -> Timecode {
        self.start.plus(frame)
    }
}

/// One thing that happened.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Number in the pass.
    pub id: EventId,
    /// What.
    pub kind: Kind,
    /// How loud.
    pub severity: Severity,
    /// It has lasted so long that it is announced once and shown in its own strip.
    pub standing: bool,
    /// First field.
    pub start: FieldPlace,
    /// Last field; `None` while it goes on.
    pub end: Option<FieldPlace>,
    /// Label of the first field's frame.
    pub start_timecode: Timecode,
    /// Label of the last field's frame.
    pub end_timecode: Option<Timecode>,
    /// Worst value seen, in `unit`; `None` where there is no number.
    pub worst: Option<f64>,
    /// Unit of `worst` and `limit`, as printed.
    pub unit: &'static str,
    /// The limit that was crossed.
    pub limit: Option<f64>,
    /// A sentence: what, where, beside what.
    pub note: String,
}

/// What became of an event at a field.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// It began.
    Opened(Event),
    /// It grew by its step.
    Worsened(Event),
    /// It has lasted long enough to stand.
    Standing(Event),
    /// It is over.
    Closed(Event),
}

impl Change {
    /// The event as it is now.
    #[must_use]
    pub fn event(&self) -> &Event {
        match self {
            Self::Opened(event)
            | Self::Worsened(event)
            | Self::Standing(event)
            | Self::Closed(event) => event,
        }
    }
}
