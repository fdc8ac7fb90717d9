//! What an input's status bits say of the signal.
//!
//! Does not know: the input.

use v4l::v4l_sys::{
    V4L2_IN_ST_NO_CARRIER, V4L2_IN_ST_NO_H_LOCK, V4L2_IN_ST_NO_POWER, V4L2_IN_ST_NO_SIGNAL,
    V4L2_IN_ST_NO_STD_LOCK, V4L2_IN_ST_NO_SYNC, V4L2_IN_ST_NO_V_LOCK,
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
    fn a_device_that_never_showed_a_fault_says_nothing_until_it_does() {
        let mut reader = SignalReader::new(false);
        assert_eq!(reader.read(0), InputState::Unsaid);
        assert_eq!(reader.read(0x2), InputState::NoSignal);
        assert_eq!(reader.read(0), InputState::Locked);
    }
}
