//! SMPTE ST 12-1 timecode labels, and the indices they stand for.
//!
//! Labels are made and read at the edge (flags, exports, screens); between the edges a place is an index. The
//! drop-frame rule (SMPTE ST 12-1, 4.2.3): frame numbers 00 and 01 are left out at the start of each
//! minute that ten does not divide.
//!
//! Does not know: where the frames come from.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::standard::Standard;

/// A frame's place in a pass, from 0, counting frames the source lost.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct FrameIndex(pub u64);

/// A field's place in a pass, from 0, counting fields the source lost; never renumbered.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct FieldIndex(pub u64);

impl FieldIndex {
    /// The frame this field belongs to.
    #[must_use]
    pub fn frame(self) -> FrameIndex {
        FrameIndex(self.0 / 2)
    }
}

/// How frames are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Counting {
    /// 25 frames a second.
    At25,
    /// 30 labels a second of 1.001 s, none left out.
    At30,
    /// 30 labels a second of 1.001 s, 18 left out every ten minutes.
    At30Drop,
}

/// Labels of ten minutes of drop-frame counting: 18 000 less two in nine of the ten.
const DROP_TEN_MINUTES: u64 = 17_982;
/// Labels of a minute that lost two.
const DROP_MINUTE: u64 = 1_798;

impl Counting {
    /// What a pass of this standard counts in unless its start says otherwise.
    #[must_use]
    pub fn usual(standard: Standard) -> Self {
        match standard {
            Standard::Lines525 => Self::At30Drop,
            Standard::Lines625 => Self::At25,
        }
    }

    /// Labels in a nominal second.
    #[must_use]
    pub fn labels_a_second(self) -> u64 {
        match self {
            Self::At25 => 25,
            Self::At30 | Self::At30Drop => 30,
        }
    }

    /// Frames in 24 hours of labels; counting wraps there.
    #[must_use]
    pub fn frames_a_day(self) -> u64 {
        match self {
            Self::At25 => 25 * 86_400,
            Self::At30 => 30 * 86_400,
            Self::At30Drop => DROP_TEN_MINUTES * 6 * 24,
        }
    }
}

/// A timecode label: hours, minutes, seconds, frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Timecode {
    hours: u8,
    minutes: u8,
    seconds: u8,
    frames: u8,
    counting: Counting,
}

/// Why a text is no timecode label.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TimecodeError {
    /// Not eight digits in four groups.
    #[error("'{0}' is not a timecode: write HH:MM:SS:FF, or HH:MM:SS;FF for drop-frame")]
    Shape(String),
    /// A group is beyond its range.
    #[error("'{text}' is not a timecode: {group} must be below {limit}")]
    Range {
        /// What was read.
        text: String,
        /// Which group.
        group: &'static str,
        /// The first value that is too large.
        limit: u64,
    },
    /// A label that drop-frame counting leaves out.
    #[error(
        "{0} does not exist in drop-frame timecode: frames 00 and 01 are left out at the start of that minute"
    )]
    Dropped(String),
    /// `;` with a standard of 25 frames a second.
    #[error("'{0}' is drop-frame, which a 625-line pass does not have: write it with ':'")]
    NoDropFrame(String),
}

impl Timecode {
    /// The zero label.
    #[must_use]
    pub fn zero(counting: Counting) -> Self {
        Self {
            hours: 0,
            minutes: 0,
            seconds: 0,
            frames: 0,
            counting,
        }
    }

    /// How this label counts.
    #[must_use]
    pub fn counting(self) -> Counting {
        self.counting
    }

    /// The label of a frame, counted from label zero; wraps at 24 hours.
    #[must_use]
    pub fn from_frame(frame: FrameIndex, counting: Counting) -> Self {
        let mut n = frame.0 % counting.frames_a_day();
        if counting == Counting::At30Drop {
            let (tens, rest) = (n / DROP_TEN_MINUTES, n % DROP_TEN_MINUTES);
            n += 18 * tens;
            if rest >= 2 {
                n += 2 * ((rest - 2) / DROP_MINUTE);
            }
        }
        let rate = counting.labels_a_second();
        Self {
            hours: (n / (3600 * rate)) as u8,
            minutes: (n / (60 * rate) % 60) as u8,
            seconds: (n / rate % 60) as u8,
            frames: (n % rate) as u8,
            counting,
        }
    }

    /// The frame this label stands for, counted from label zero.
    #[must_use]
    pub fn to_frame(self) -> FrameIndex {
        let minutes = 60 * u64::from(self.hours) + u64::from(self.minutes);
        let rate = self.counting.labels_a_second();
        let label = rate * (60 * minutes + u64::from(self.seconds)) + u64::from(self.frames);
        FrameIndex(match self.counting {
            Counting::At30Drop => label - 2 * (minutes - minutes / 10),
            Counting::At25 | Counting::At30 => label,
        })
    }

    /// The label `frames` later, wrapping at 24 hours.
    #[must_use]
    pub fn plus(self, frames: FrameIndex) -> Self {
        Self::from_frame(
            FrameIndex(self.to_frame().0 + frames.0 % self.counting.frames_a_day()),
            self.counting,
        )
    }

    /// Reads a label for a pass of a standard: `;` before the frames asks for drop-frame counting, `:` for none.
    ///
    /// # Errors
    /// A text of another shape, a group out of range, a label that drop-frame leaves out, `;` at 25 frames a second.
    pub fn parse_for(text: &str, standard: Standard) -> Result<Self, TimecodeError> {
        let counting = match (standard, text.contains(';')) {
            (Standard::Lines625, true) => return Err(TimecodeError::NoDropFrame(text.to_owned())),
            (Standard::Lines625, false) => Counting::At25,
            (Standard::Lines525, true) => Counting::At30Drop,
            (Standard::Lines525, false) => Counting::At30,
        };
        Self::parse(text, counting)
    }

    fn parse(text: &str, counting: Counting) -> Result<Self, TimecodeError> {
        let shape = || TimecodeError::Shape(text.to_owned());
        let bytes = text.as_bytes();
        let separated = bytes.len() == 11
            && bytes[2] == b':'
            && bytes[5] == b':'
            && bytes[8]
                == if counting == Counting::At30Drop {
                    b';'
                } else {
                    b':'
                };
        if !separated {
            return Err(shape());
        }
        let group = |at: usize, name: &'static str, limit: u64| -> Result<u8, TimecodeError> {
            let digits = &bytes[at..at + 2];
            if !digits.iter().all(u8::is_ascii_digit) {
                return Err(shape());
            }
            let value = (digits[0] - b'0') * 10 + (digits[1] - b'0');
            if u64::from(value) >= limit {
                return Err(TimecodeError::Range {
                    text: text.to_owned(),
                    group: name,
                    limit,
                });
            }
            Ok(value)
        };
        let label = Self {
            hours: group(0, "hours", 24)?,
            minutes: group(3, "minutes", 60)?,
            seconds: group(6, "seconds", 60)?,
            frames: group(9, "frames", counting.labels_a_second())?,
            counting,
        };
        let dropped = counting == Counting::At30Drop
            && label.seconds == 0
            && label.frames < 2
            && !label.minutes.is_multiple_of(10);
        if dropped {
            return Err(TimecodeError::Dropped(text.to_owned()));
        }
        Ok(label)
    }
}

impl fmt::Display for Timecode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let separator = if self.counting == Counting::At30Drop {
            ';'
        } else {
            ':'
        };
        write!(
            f,
            "{:02}:{:02}:{:02}{separator}{:02}",
            self.hours, self.minutes, self.seconds, self.frames
        )
    }
}

impl FromStr for Timecode {
    type Err = TimecodeError;

    /// Reads a label without a standard at hand: `;` is drop-frame, `:` is 30 labels a second.
    fn from_str(text: &str) -> Result<Self, TimecodeError> {
        Self::parse_for(text, Standard::Lines525)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn drop_frame_labels_are_those_of_row_5_09() {
        let rows = [
            (1799, "00:00:59;29"),
            (1800, "00:01:00;02"),
            (3597, "00:01:59;29"),
            (3598, "00:02:00;02"),
            (17_981, "00:09:59;29"),
            (17_982, "00:10:00;00"),
            (107_891, "00:59:59;29"),
            (107_892, "01:00:00;00"),
            (2_589_407, "23:59:59;29"),
        ];
        for (frame, label) in rows {
            let frame = FrameIndex(frame);
            assert_eq!(
                Timecode::from_frame(frame, Counting::At30Drop).to_string(),
                label
            );
            assert_eq!(
                label.parse::<Timecode>().map(Timecode::to_frame),
                Ok(frame),
                "{label}"
            );
        }
    }

    #[test]
    fn counts_of_drop_frame_are_those_of_row_5_06() {
        assert_eq!(Counting::At30Drop.frames_a_day(), 2_589_408);
        let hour = "01:00:00;00".parse::<Timecode>().map(Timecode::to_frame);
        assert_eq!(hour, Ok(FrameIndex(107_892)));
        // rows 5.03 and 5.04: drop-frame is 3.6 ms short of an hour, non-drop 3.6 s long
        let frame_seconds = 1.001 / 30.0;
        assert!((107_892.0_f64 * frame_seconds - 3600.0 + 0.0036).abs() < 1e-6);
    }

    #[test]
    fn counting_wraps_at_24_hours() {
        for counting in [Counting::At25, Counting::At30, Counting::At30Drop] {
            let day = FrameIndex(counting.frames_a_day());
            assert_eq!(
                Timecode::from_frame(day, counting),
                Timecode::zero(counting)
            );
            let last = Timecode::from_frame(FrameIndex(day.0 - 1), counting);
            assert_eq!(last.plus(FrameIndex(1)), Timecode::zero(counting));
        }
    }

    #[test]
    fn labels_that_do_not_exist_are_refused() {
        let dropped = "00:01:00;01".parse::<Timecode>();
        assert!(
            matches!(dropped, Err(TimecodeError::Dropped(_))),
            "{dropped:?}"
        );
        assert!("00:10:00;01".parse::<Timecode>().is_ok());
        for bad in [
            "",
            "1:2:3:4",
            "00:00:00.00",
            "24:00:00:00",
            "00:60:00:00",
            "00:00:00:30",
            "aa:00:00:00",
            "00:00:00:0é",
        ] {
            assert!(bad.parse::<Timecode>().is_err(), "{bad}");
        }
        let pal = Timecode::parse_for("00:00:00;00", Standard::Lines625);
        assert_eq!(pal, Err(TimecodeError::NoDropFrame("00:00:00;00".into())));
        assert!(Timecode::parse_for("00:00:00:25", Standard::Lines625).is_err());
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn every_frame_of_a_day_round_trips(frame in 0_u64..2_700_000) {
            for counting in [Counting::At25, Counting::At30, Counting::At30Drop] {
                let frame = FrameIndex(frame % counting.frames_a_day());
                let label = Timecode::from_frame(frame, counting);
                prop_assert_eq!(label.to_frame(), frame);
                prop_assert_eq!(Timecode::parse(&label.to_string(), counting), Ok(label));
            }
        }

        #[test]
        fn labels_rise_with_frames(frame in 0_u64..2_589_407) {
            let here = Timecode::from_frame(FrameIndex(frame), Counting::At30Drop).to_string();
            let next = Timecode::from_frame(FrameIndex(frame + 1), Counting::At30Drop).to_string();
            prop_assert!(here < next);
        }
    }
}
