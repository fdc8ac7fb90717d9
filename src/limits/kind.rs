//! What kinds of things happen, and how loud they are.

use std::fmt;

use serde::{Deserialize, Serialize};

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident = $word:literal,)*) => {
        /// What kind of thing happened; the words are permanent.
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        pub enum Kind {
            $($(#[$doc])* #[serde(rename = $word)] $name,)*
        }

        impl Kind {
            /// Every kind.
            pub const ALL: &[Self] = &[$(Self::$name,)*];

            /// As files and exports write it.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self {
                    $(Self::$name => $word,)*
                }
            }
        }
    };
}

kinds! {
    /// Line starts move.
    Wobble = "wobble",
    /// The top of the picture is bent.
    Flagging = "flagging",
    /// Runs of lines are displaced.
    Tear = "tear",
    /// The bottom zone grew or moved.
    HeadSwitch = "head_switch",
    /// The picture lost lock.
    LockLost = "lock_lost",
    /// The picture rolled.
    Roll = "roll",
    /// The picture bounced up and down.
    Bounce = "bounce",
    /// The device has no signal.
    NoSignal = "no_signal",
    /// Noise without a picture.
    Snow = "snow",
    /// A flat picture was put in by the chain.
    Muted = "muted",
    /// A picture was shown again.
    Repeated = "repeated",
    /// Parts of the picture stood still while the rest went on.
    PatchFrozen = "patch_frozen",
    /// Fields are missing.
    Missing = "missing",
    /// Black is under nominal.
    BlackLow = "black_low",
    /// Black is over nominal.
    BlackHigh = "black_high",
    /// Peak is over nominal.
    PeakHigh = "peak_high",
    /// Levels are cut off.
    Clipping = "clipping",
    /// A field, or a band of it, stood at another level than those around it.
    Flash = "flash",
    /// Levels move within one picture.
    LevelDrift = "level_drift",
    /// Colour that a recording had is gone.
    ColourLoss = "colour_loss",
    /// There has been no colour since the recording began.
    Monochrome = "monochrome",
    /// The picture shows colour bars.
    ColourBars = "colour_bars",
    /// One frequency lies over the whole picture.
    Interference = "interference",
    /// Streaks of lost signal, many at once.
    DropoutBurst = "dropout_burst",
    /// A band of noise lies across the picture.
    Tracking = "tracking",
    /// One head gives less than the other, or nothing.
    HeadFault = "head_fault",
    /// Noise or dropouts have grown over minutes.
    Worsening = "worsening",
    /// Recorded picture begins.
    RecordingStart = "recording_start",
    /// The tape's recording ends.
    TapeEnd = "tape_end",
    /// The order of the fields is not what was said.
    FieldOrderChanged = "field_order_changed",
    /// The signal has another number of lines, or another than was asked for.
    StandardChanged = "standard_changed",
    /// A control of the device has another value, or one that harms.
    ControlChanged = "control_changed",
    /// The source went away.
    SourceLost = "source_lost",
    /// We were too slow.
    Overrun = "overrun",
    /// Some measures are left out, so that we are not too slow.
    Reduced = "reduced",
    /// What is measured does not get into the pass file.
    NotStored = "not_stored",
    /// The operator's mark.
    Mark = "mark",
}

impl Kind {
    /// How loud an event is that no limit makes, but somebody tells of.
    #[must_use]
    pub fn noted_severity(self) -> Severity {
        match self {
            Self::RecordingStart
            | Self::TapeEnd
            | Self::Mark
            | Self::ControlChanged
            | Self::Reduced => Severity::Notice,
            _ => Severity::Alarm,
        }
    }

    /// Whether its events are moments of the recording, not conditions of the tape or the chain that come and go.
    #[must_use]
    pub fn is_moment(self) -> bool {
        matches!(
            self,
            Self::RecordingStart
                | Self::TapeEnd
                | Self::Mark
                | Self::StandardChanged
                | Self::ControlChanged
                | Self::FieldOrderChanged
        )
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
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

impl Severity {
    /// As files and exports write it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Notice => "notice",
            Self::Alarm => "alarm",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_the_same_word_in_json_and_in_text() {
        for &kind in Kind::ALL {
            let json = serde_json::to_value(kind).expect("a unit variant is a string");
            assert_eq!(json, kind.word());
            let back: Kind = serde_json::from_value(json).expect("a word that it wrote");
            assert_eq!(back, kind);
        }
    }
}
