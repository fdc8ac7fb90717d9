//! A fixed set of frame buffers, handed out as counted handles.
//!
//! The pool keeps one handle of each buffer itself; a buffer whose only handle is the pool's is vacant. So the last
//! holder gives a buffer back by dropping it, and nothing is allocated while frames flow.

use crate::shared::Arc;

/// A filled buffer; cloning counts, the last drop returns it to its pool.
#[derive(Clone, Debug)]
pub struct FrameBuffer(Arc<Vec<u8>>);

impl FrameBuffer {
    /// The bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }
}

/// A buffer to fill, of the pool's size; [`VacantBuffer::fill`] makes a handle of it.
#[derive(Debug)]
pub struct VacantBuffer<'pool>(&'pool mut Arc<Vec<u8>>);

impl VacantBuffer<'_> {
    /// The bytes to write to.
    ///
    /// # Panics
    /// Never: a vacant buffer has one handle.
    pub fn bytes_mut(&mut self) -> &mut [u8] {
        Arc::get_mut(self.0)
            .expect("a vacant buffer has no other handle")
            .as_mut_slice()
    }

    /// Hands the buffer out.
    #[must_use]
    pub fn fill(self) -> FrameBuffer {
        FrameBuffer(Arc::clone(self.0))
    }
}

/// A fixed number of buffers of one size.
#[derive(Debug)]
pub struct FramePool {
    slots: Vec<Arc<Vec<u8>>>,
}

impl FramePool {
    /// `count` buffers of `bytes` each.
    #[must_use]
    pub fn new(count: usize, bytes: usize) -> Self {
        Self {
            slots: (0..count).map(|_| Arc::new(vec![0; bytes])).collect(),
        }
    }

    /// Whether a buffer is vacant.
    #[must_use]
    pub fn has_room(&self) -> bool {
        self.slots.iter().any(|slot| Arc::strong_count(slot) == 1)
    }

    /// A vacant buffer, or `None` while all are held.
    pub fn vacant(&mut self) -> Option<VacantBuffer<'_>> {
        self.slots
            .iter_mut()
            .find(|slot| Arc::strong_count(slot) == 1)
            .map(VacantBuffer)
    }
}

/// Buffers a pool needs: the one being filled, those on the way to the analysis, and the one being analysed.
pub const POOL_FRAMES: usize = 1 + ANALYSIS_QUEUE_FRAMES + 1;

/// Buffers a pool needs where somebody else holds up to so many bytes of frames of this size besides.
#[must_use]
pub fn pool_frames(held_bytes: usize, frame_bytes: usize) -> usize {
    POOL_FRAMES + held_bytes.div_ceil(frame_bytes.max(1))
}

/// Frames that may wait for the analysis: about half a second, so that a stalled disk or a busy core is ridden out,
/// and ten megabytes at most.
pub const ANALYSIS_QUEUE_FRAMES: usize = 12;
