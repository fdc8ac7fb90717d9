//! Frames on their way out, each with the gap before it; one whose gap is in doubt waits for the next.
//!
//! Does not know: how gaps are found, or devices.

use std::collections::VecDeque;

use super::progress::Found;
use crate::sources::{Frame, Gap};

/// At most the frame in doubt and the one that settled it.
const MOST_FRAMES: usize = 2;

/// Frames to hand on.
#[derive(Debug)]
pub(super) struct Outbox {
    /// Each with the driver's number for it.
    frames: VecDeque<(Frame, u32)>,
    /// The last frame put, or left out, is in doubt.
    in_doubt: bool,
    /// What is missing before the next frame put.
    pending: Gap,
}

impl Outbox {
    pub(super) fn new() -> Self {
        Self {
            frames: VecDeque::with_capacity(MOST_FRAMES),
            in_doubt: false,
            pending: Gap::default(),
        }
    }

    /// Takes in a frame, the driver's number for it, and what was found when it came.
    pub(super) fn put(&mut self, mut frame: Frame, sequence: u32, found: Found) {
        self.note(found);
        frame.gap = std::mem::take(&mut self.pending);
        self.frames.push_back((frame, sequence));
    }

    /// A frame of so many fields came, but there was no room for it.
    pub(super) fn leave_out(&mut self, found: Found, fields: u64) {
        self.note(found);
        self.pending.lost_by_us += fields;
    }

    /// Ends a doubt: this is missing before the frame in doubt; if that was left out, before the next.
    pub(super) fn settle(&mut self, gap: Gap) {
        match self.frames.back_mut() {
            Some((doubted, _)) if self.in_doubt => doubted.gap = doubted.gap.and(gap),
            _ => self.pending = self.pending.and(gap),
        }
        self.in_doubt = false;
    }

    /// The oldest frame that is beyond doubt.
    pub(super) fn take(&mut self) -> Option<(Frame, u32)> {
        if self.frames.len() > usize::from(self.in_doubt) {
            self.frames.pop_front()
        } else {
            None
        }
    }

    /// Whether frames were left out since the last that was put.
    pub(super) fn is_starved(&self) -> bool {
        self.pending.lost_by_us > 0
    }

    fn note(&mut self, found: Found) {
        if let Some(gap) = found.settled {
            self.settle(gap);
        }
        self.pending = self.pending.and(found.gap);
        self.in_doubt = found.in_doubt;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::{
        ChromaGrid, FramePool, InputState, Packing, PictureFormat, RowLayout, SampleFormat,
    };
    use crate::standard::RateTrust;
    use crate::units::CodeRange;
    use std::sync::Arc;
    use std::time::Instant;

    /// A tiny frame whose first sample tells it from others.
    fn frame(label: u8) -> Frame {
        let mut pool = FramePool::new(1, 8);
        let mut vacant = pool.vacant().expect("a new pool has room");
        vacant.bytes_mut()[0] = label;
        Frame {
            format: Arc::new(PictureFormat {
                width: 2,
                rows: 2,
                samples: SampleFormat {
                    packing: Packing::Yuyv,
                    chroma: ChromaGrid::Half,
                    depth: 8,
                },
                padded_stride: None,
                range: CodeRange::Studio,
                standard: None,
                sample_rate: None,
                rate_trust: RateTrust::Presumed,
                field_order: None,
                field_order_forced: false,
            }),
            rows: RowLayout::Woven,
            data: vacant.fill(),
            gap: Gap::default(),
            device_time: None,
            arrived: Instant::now(),
            damaged: false,
            input: InputState::Unsaid,
        }
    }

    fn lost(fields: u64) -> Gap {
        Gap {
            lost_by_source: fields,
            ..Gap::default()
        }
    }

    fn found(gap: u64, in_doubt: bool, settled: Option<u64>) -> Found {
        Found {
            gap: lost(gap),
            in_doubt,
            settled: settled.map(lost),
        }
    }

    /// Label and fields lost of each frame that can be taken.
    fn taken(outbox: &mut Outbox) -> Vec<(u8, u64)> {
        std::iter::from_fn(|| outbox.take())
            .map(|(frame, _)| (frame.data.bytes()[0], frame.gap.lost_by_source))
            .collect()
    }

    #[test]
    fn a_frame_beyond_doubt_goes_at_once_with_its_gap() {
        let mut outbox = Outbox::new();
        outbox.put(frame(1), 1, found(4, false, None));
        assert_eq!(taken(&mut outbox), [(1, 4)]);
    }

    #[test]
    fn a_frame_in_doubt_waits_and_gets_what_the_next_settles() {
        let mut outbox = Outbox::new();
        outbox.put(frame(1), 1, found(0, true, None));
        assert_eq!(taken(&mut outbox), []);
        outbox.put(frame(2), 2, found(0, false, Some(2)));
        assert_eq!(taken(&mut outbox), [(1, 2), (2, 0)]);
    }

    #[test]
    fn one_doubt_may_follow_another() {
        let mut outbox = Outbox::new();
        outbox.put(frame(1), 1, found(0, true, None));
        outbox.put(frame(2), 2, found(0, true, Some(0)));
        assert_eq!(taken(&mut outbox), [(1, 0)]);
        outbox.settle(lost(6));
        assert_eq!(taken(&mut outbox), [(2, 6)]);
    }

    #[test]
    fn a_doubt_about_a_frame_left_out_is_settled_on_the_next() {
        let mut outbox = Outbox::new();
        outbox.leave_out(found(0, true, None), 2);
        assert!(outbox.is_starved());
        outbox.put(frame(2), 2, found(0, false, Some(4)));
        let (next, sequence) = outbox.take().expect("beyond doubt");
        assert_eq!(sequence, 2);
        assert_eq!((next.gap.lost_by_source, next.gap.lost_by_us), (4, 2));
        assert!(!outbox.is_starved());
    }
}
