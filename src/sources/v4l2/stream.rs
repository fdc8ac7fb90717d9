//! Mapped buffers going round between the driver and us.
//!
//! In: a configured node. Out: filled buffers, each readable until it is given back. Waiting is ours, with our own
//! time-out, because a silent device wakes nobody.
//!
//! Does not know: what a buffer shows.

#![expect(
    unsafe_code,
    reason = "buffers are memory shared with the driver; nothing above this file and `node` sees that"
)]

use std::ffi::c_void;
use std::os::fd::{AsFd, AsRawFd};
use std::ptr::NonNull;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use v4l::v4l_sys::v4l2_buffer;

use super::node::Node;

/// `PROT_READ` of mmap(2): we only read.
const READ_ONLY: i32 = 1;
/// `MAP_SHARED` of mmap(2): the driver's writes are to be seen.
const SHARED: i32 = 1;

/// One buffer of the driver, mapped to be read.
#[derive(Debug)]
struct Mapping {
    start: NonNull<c_void>,
    length: usize,
}

// SAFETY: plain memory that belongs to no thread.
unsafe impl Send for Mapping {}

impl Mapping {
    fn new(node: &Node, buffer: &v4l2_buffer) -> Result<Self, Errno> {
        let length = buffer.length as usize;
        // SAFETY: the driver gave the offset and the length of a buffer for mapping; the kernel picks a free place, so
        // nothing of ours is covered.
        let start = unsafe {
            v4l::v4l2::mmap(
                std::ptr::null_mut(),
                length,
                READ_ONLY,
                SHARED,
                node.as_fd().as_raw_fd(),
                i64::from(buffer.m.offset),
            )
        };
        let start = start.map_err(|error| Errno::from_io_error(&error).unwrap_or(Errno::IO))?;
        NonNull::new(start)
            .map(|start| Self { start, length })
            .ok_or(Errno::NOMEM)
    }

    fn bytes(&self) -> &[u8] {
        // SAFETY: mapped for reading over the whole length until dropped. The one caller reads only while the buffer
        // is ours ([`Filled`]), when the driver writes nothing to it.
        unsafe { std::slice::from_raw_parts(self.start.cast().as_ptr(), self.length) }
    }
}

impl Drop for Mapping {
    fn drop(&mut self) {
        // A failure would leave the memory mapped until we end, which harms nobody.
        // SAFETY: mapped by `new` at this place and length, and no slice of it outlives `self`.
        let _ = unsafe { v4l::v4l2::munmap(self.start.as_ptr(), self.length) };
    }
}

/// A buffer the driver has filled: ours until given back.
pub(super) struct Filled {
    /// The driver's words about it.
    pub(super) buffer: v4l2_buffer,
}

/// What there is to take; nothing when the time was up.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Ready {
    /// A buffer, or an error in its place.
    pub(super) buffer: bool,
    /// An event.
    pub(super) event: bool,
}

/// A node with its buffers; streams from the first [`Stream::wait`].
#[derive(Debug)]
pub(super) struct Stream {
    // Before `node`: fields are dropped in this order, and unmapping comes before closing.
    mappings: Vec<Mapping>,
    node: Node,
    flags: u32,
    running: bool,
}

impl Stream {
    /// Has the driver make buffers, and maps them. From here on other programs find the device busy.
    pub(super) fn new(node: Node, buffers: u32) -> Result<Self, (Node, Errno)> {
        match map_all(&node, buffers) {
            Ok((mappings, flags)) => Ok(Self {
                mappings,
                node,
                flags,
                running: false,
            }),
            Err(number) => Err((node, number)),
        }
    }

    /// The node.
    pub(super) fn node(&self) -> &Node {
        &self.node
    }

    /// How many buffers go round.
    pub(super) fn buffers(&self) -> usize {
        self.mappings.len()
    }

    /// Bytes of the smallest buffer.
    pub(super) fn smallest(&self) -> usize {
        self.mappings.iter().map(|it| it.length).min().unwrap_or(0)
    }

    /// The flags all buffers share: which clock stamps them, and when.
    pub(super) fn flags(&self) -> u32 {
        self.flags
    }

    /// Starts the stream if it does not run, and waits for a buffer or an event, at most until `deadline`.
    pub(super) fn wait(&mut self, deadline: Instant) -> Result<Ready, Errno> {
        if !self.running {
            self.start()?;
        }
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let mut asked = [PollFd::new(&self.node, PollFlags::IN | PollFlags::PRI)];
            match poll(&mut asked, Some(&timespec(left))) {
                Ok(0) => return Ok(Ready::default()),
                Ok(_) => {
                    let found = asked[0].revents();
                    return Ok(Ready {
                        // An error shows when the buffer is taken.
                        buffer: found != PollFlags::PRI,
                        event: found.contains(PollFlags::PRI),
                    });
                }
                Err(Errno::INTR) => {}
                Err(number) => return Err(number),
            }
        }
    }

    /// Takes the next filled buffer; `None` when there is none after all.
    pub(super) fn take(&mut self) -> Result<Option<Filled>, Errno> {
        match self.node.dequeue_buffer() {
            Ok(buffer) if (buffer.index as usize) < self.mappings.len() => {
                Ok(Some(Filled { buffer }))
            }
            Ok(_) => Err(Errno::IO),
            Err(Errno::AGAIN) => Ok(None),
            Err(number) => Err(number),
        }
    }

    /// The whole buffer; how much of it the driver filled is `bytesused`.
    pub(super) fn bytes(&self, filled: &Filled) -> &[u8] {
        self.mappings[filled.buffer.index as usize].bytes()
    }

    /// Lets the driver fill the buffer again.
    #[expect(
        clippy::needless_pass_by_value,
        reason = "a buffer given back cannot be read any more"
    )]
    pub(super) fn give_back(&mut self, filled: Filled) -> Result<(), Errno> {
        self.node.queue_buffer(filled.buffer.index)
    }

    fn start(&mut self) -> Result<(), Errno> {
        for index in 0..self.mappings.len() {
            self.node.queue_buffer(index as u32)?;
        }
        self.node.stream_on()?;
        self.running = true;
        Ok(())
    }
}

impl Drop for Stream {
    fn drop(&mut self) {
        // A device that is gone cannot be stopped, and closing stops every other.
        let _ = self.node.stream_off();
    }
}

fn map_all(node: &Node, buffers: u32) -> Result<(Vec<Mapping>, u32), Errno> {
    let count = node.request_buffers(buffers)?;
    let mut mappings = Vec::with_capacity(count as usize);
    let mut flags = 0;
    for index in 0..count {
        let buffer = node.query_buffer(index)?;
        flags = buffer.flags;
        mappings.push(Mapping::new(node, &buffer)?);
    }
    if mappings.is_empty() {
        return Err(Errno::NOMEM);
    }
    Ok((mappings, flags))
}

fn timespec(time: Duration) -> Timespec {
    Timespec {
        tv_sec: time.as_secs().cast_signed(),
        tv_nsec: i64::from(time.subsec_nanos()),
    }
}
