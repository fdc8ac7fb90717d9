//! What an input's status bits say of the signal.
//!
//! Does not know: the input.

use v4l::v4l_sys::{
    V4L2_IN_ST_COLOR_KILL, V4L2_IN_ST_MACROVISION, V4L2_IN_ST_NO_ACCESS, V4L2_IN_ST_NO_CARRIER,
    V4L2_IN_ST_NO_COLOR, V4L2_IN_ST_NO_H_LOCK, V4L2_IN_ST_NO_POWER, V4L2_IN_ST_NO_SIGNAL,
    V4L2_IN_ST_NO_STD_LOCK, V4L2_IN_ST_NO_SYNC, V4L2_IN_ST_NO_V_LOCK, V4L2_IN_ST_VTR,
};

use crate::sources::InputState;

const NOTHING: u32 = V4L2_IN_ST_NO_POWER | V4L2_IN_ST_NO_SIGNAL | V4L2_IN_ST_NO_CARRIER;
const UNLOCKED: u32 =
    V4L2_IN_ST_NO_H_LOCK | V4L2_IN_ST_NO_V_LOCK | V4L2_IN_ST_NO_STD_LOCK | V4L2_IN_ST_NO_SYNC;

/// Reads status bits; a set bit is a fault, and a driver need not support every bit.
///
/// So no bit at all means a good signal only from a device that has shown it looks at its signal.
#[derive(Clone, Copy, Debug)]
pub(super) struct SignalReader {
    speaks: bool,
}

impl SignalReader {
    /// `detects`: whether the device answers when asked which standard the signal has.
    pub(super) fn new(detects: bool) -> Self {
        Self { speaks: detects }
    }

    /// The state that some status bits tell.
    pub(super) fn read(&mut self, status: u32) -> InputState {
        let state = if status & NOTHING != 0 {
            InputState::NoSignal
        } else if status & UNLOCKED != 0 {
            InputState::Unlocked
        } else if self.speaks {
            InputState::Locked
        } else {
            InputState::Unsaid
        };
        self.speaks |= state != InputState::Unsaid;
        state
    }

    /// What some status bits say, in words.
    pub(super) fn words(&mut self, status: u32) -> String {
        words(status, self.read(status))
    }
}

/// Each bit that says something of the signal, in words.
const WORDS: [(u32, &str); 12] = [
    (V4L2_IN_ST_NO_POWER, "input without power"),
    (V4L2_IN_ST_NO_SIGNAL, "no signal"),
    (V4L2_IN_ST_NO_CARRIER, "no carrier"),
    (V4L2_IN_ST_NO_SYNC, "no sync"),
    (V4L2_IN_ST_NO_H_LOCK, "no horizontal lock"),
    (V4L2_IN_ST_NO_V_LOCK, "no vertical lock"),
    (V4L2_IN_ST_NO_STD_LOCK, "standard not locked"),
    (V4L2_IN_ST_NO_COLOR, "no colour in the signal"),
    (V4L2_IN_ST_COLOR_KILL, "colour switched off by the decoder"),
    (V4L2_IN_ST_MACROVISION, "copy protection pulses seen"),
    (V4L2_IN_ST_NO_ACCESS, "scrambled"),
    (V4L2_IN_ST_VTR, "time constant for video recorders"),
];

/// All that some status bits say, for people: `no horizontal lock, copy protection pulses seen`; `signal locked` for a
/// state of that name without a word besides.
pub(super) fn words(status: u32, state: InputState) -> String {
    let said = WORDS.iter().filter(|(bit, _)| status & bit != 0);
    let mut said: Vec<&str> = said.map(|&(_, word)| word).collect();
    if state == InputState::Locked {
        said.insert(0, "signal locked");
    }
    said.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fault_bits_say_no_signal_before_no_lock() {
        // V4L2 documentation, VIDIOC_ENUMINPUT, "Input Status Flags"
        let mut reader = SignalReader::new(true);
        let cases = [
            (0x1, InputState::NoSignal),
            (0x2, InputState::NoSignal),
            (0x100, InputState::Unlocked),
            (0x400, InputState::Unlocked),
            (0x800, InputState::Unlocked),
            (0x902, InputState::NoSignal),
            (0x4, InputState::Locked),         // no colour
            (0x200, InputState::Locked),       // colour killer
            (0x0400_0000, InputState::Locked), // time constant of a video recorder
            (0, InputState::Locked),
        ];
        for (status, state) in cases {
            assert_eq!(reader.read(status), state, "{status:#x}");
        }
    }

    #[test]
    fn every_bit_is_said_in_words() {
        // V4L2 documentation, VIDIOC_ENUMINPUT, "Input Status Flags"
        assert_eq!(
            words(0x100 | 0x400 | 0x800, InputState::Unlocked),
            "no horizontal lock, no vertical lock, standard not locked"
        );
        assert_eq!(
            words(0x200 | 0x0100_0000, InputState::Locked),
            "signal locked, colour switched off by the decoder, copy protection pulses seen"
        );
        assert_eq!(words(0, InputState::Locked), "signal locked");
        assert_eq!(words(0, InputState::Unsaid), "");
    }

    #[test]
    fn a_device_that_never_showed_a_fault_says_nothing_until_it_does() {
        let mut reader = SignalReader::new(false);
        assert_eq!(reader.read(0), InputState::Unsaid);
        assert_eq!(reader.read(0x2), InputState::NoSignal);
        assert_eq!(reader.read(0), InputState::Locked);
    }
}
