//! Events of a node: a control that was changed, a signal that became another.
//!
//! Does not know: what they mean for a capture.

use std::marker::PhantomData;

use rustix::io::Errno;
use v4l::v4l_sys::{
    V4L2_EVENT_CTRL, V4L2_EVENT_CTRL_CH_VALUE, V4L2_EVENT_SOURCE_CHANGE, v4l2_event,
    v4l2_event_subscription,
};

use super::{Node, Request, RequestNumber, blank};

/// Bits of a request number: what the kernel does with the argument, its size, the group `V`, and the number in it
/// (asm-generic/ioctl.h); the crate's list has no events.
const fn number(direction: RequestNumber, number: RequestNumber, size: usize) -> RequestNumber {
    direction << 30 | (size as RequestNumber) << 16 | (b'V' as RequestNumber) << 8 | number
}

/// The kernel writes the argument.
const WRITTEN: RequestNumber = 2;
/// The kernel reads it.
const READ: RequestNumber = 1;

const DEQUEUE_EVENT: Request<v4l2_event> = Request {
    number: number(WRITTEN, 89, size_of::<v4l2_event>()),
    argument: PhantomData,
};
const SUBSCRIBE_EVENT: Request<v4l2_event_subscription> = Request {
    number: number(READ, 90, size_of::<v4l2_event_subscription>()),
    argument: PhantomData,
};

/// Something that happened at a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::sources::v4l2) enum DeviceEvent {
    /// The control of this number has another value.
    Control(u32),
    /// The signal at the input has become another.
    Source,
    /// Something else.
    Other,
}

impl Node {
    /// Asks to be told when a control is changed, by whomever.
    pub(in crate::sources::v4l2) fn subscribe_control(&self, id: u32) -> Result<(), Errno> {
        self.subscribe(V4L2_EVENT_CTRL, id)
    }

    /// Asks to be told when the signal of an input becomes another.
    pub(in crate::sources::v4l2) fn subscribe_source(&self, input: u32) -> Result<(), Errno> {
        self.subscribe(V4L2_EVENT_SOURCE_CHANGE, input)
    }

    fn subscribe(&self, kind: u32, id: u32) -> Result<(), Errno> {
        let mut wanted: v4l2_event_subscription = blank();
        wanted.type_ = kind;
        wanted.id = id;
        self.call(&SUBSCRIBE_EVENT, &mut wanted)
    }

    /// The oldest event that was not taken yet.
    pub(in crate::sources::v4l2) fn take_event(&self) -> Option<DeviceEvent> {
        let event = self.ask(&DEQUEUE_EVENT).ok()?;
        Some(match event.type_ {
            // SAFETY: numbers only, valid whatever their bytes; the type chose this member.
            V4L2_EVENT_CTRL if unsafe { event.u.ctrl.changes } & V4L2_EVENT_CTRL_CH_VALUE != 0 => {
                DeviceEvent::Control(event.id)
            }
            V4L2_EVENT_SOURCE_CHANGE => DeviceEvent::Source,
            _ => DeviceEvent::Other,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn request_numbers_are_the_kernels() {
        // videodev2.h: _IOR('V', 89, struct v4l2_event) of 136 bytes, _IOW('V', 90, struct v4l2_event_subscription) of 32
        assert_eq!(size_of::<v4l2_event_subscription>(), 32);
        assert_eq!(SUBSCRIBE_EVENT.number, 0x4020_565a);
        if size_of::<v4l2_event>() == 136 {
            assert_eq!(DEQUEUE_EVENT.number, 0x8088_5659);
        }
    }
}
