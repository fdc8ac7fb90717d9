//! Every alarm limit, one table, each with its reason. (Interface; the table follows.)
//!
//! Does not know: readings, events in progress, or how a limit is shown.

use serde::{Deserialize, Serialize};

/// What kind of thing happened; the words are permanent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Line starts move.
    Wobble,
    /// The top of the picture is bent.
    Flagging,
    /// Runs of lines are displaced.
    Tear,
    /// The bottom zone grew or moved.
    HeadSwitch,
    /// The picture lost lock.
    LockLost,
    /// The picture rolled.
    Roll,
    /// The device has no signal.
    NoSignal,
    /// Noise without a picture.
    Snow,
    /// A flat picture was put in by the chain.
    Muted,
    /// A picture was shown again.
    Repeated,
    /// Fields are missing.
    Missing,
    /// Black is under nominal.
    BlackLow,
    /// Black is over nominal.
    BlackHigh,
    /// Peak is over nominal.
    PeakHigh,
    /// Levels are cut off.
    Clipping,
    /// Recorded picture begins.
    RecordingStart,
    /// The tape's recording ends.
    TapeEnd,
    /// The order of the fields is not what was said.
    FieldOrderChanged,
    /// The source went away.
    SourceLost,
    /// We were too slow.
    Overrun,
    /// The operator's mark.
    Mark,
}

/// How loud an event is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Logged.
    Notice,
    /// Logged, shown and rung.
    Alarm,
}
