//! A video output node that plays numbered pictures until it is stopped, by raw ioctls: the `v4l` crate's output stream
//! waits for a buffer before it has given one away.
#![expect(unsafe_code, reason = "buffers are memory shared with the driver")]

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use crossbeam_channel::bounded;
use v4l::Device;
use v4l::v4l_sys::{v4l2_buffer, v4l2_requestbuffers};
use v4l::v4l2::vidioc;

use crate::driver::{self, ALTERNATE, OUTPUT, Setting, call};
use crate::pictures;

/// Buffers for output (`V4L2_BUF_TYPE_VIDEO_OUTPUT`), mapped (`V4L2_MEMORY_MMAP`).
const OUTPUT_TYPE: u32 = 2;
const MAPPED: u32 = 1;
const BUFFERS: u32 = 4;
/// `PROT_READ | PROT_WRITE` and `MAP_SHARED` of mmap(2).
const READ_WRITE: i32 = 3;
const SHARED: i32 = 1;
/// `POLLOUT` of poll(2).
const POLL_OUT: i16 = 4;
/// Kernel numbers of the single fields.
const TOP: u32 = 2;
const BOTTOM: u32 = 3;

/// Pictures 0, 1, 2 … playing on the output node in a thread of their own.
pub(crate) struct Player {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<u32>>,
}

impl Player {
    /// Plays numbered pictures: see [`Player::start_with`].
    pub(crate) fn start(setting: Setting) -> Self {
        Self::start_with(setting, |number, buffer| {
            pictures::paint(number, Setting::ROW_BYTES, buffer);
        })
    }

    /// Sets both nodes, turns the loop on, and plays what `paint` makes of each number; returns when the first is shown.
    pub(crate) fn start_with(
        setting: Setting,
        mut paint: impl FnMut(u32, &mut [u8]) + Send + 'static,
    ) -> Self {
        driver::preset(setting);
        driver::set("loop_video", 1);
        let stop = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&stop);
        let mut output = OutputNode::open(setting);
        let (showing, shown) = bounded(1);
        let thread = std::thread::spawn(move || {
            let mut index = 0;
            while !until.load(Ordering::Relaxed) {
                output.show(index, &mut paint);
                index += 1;
                if index > BUFFERS {
                    let _ = showing.try_send(()); // heard once
                }
            }
            index
        });
        shown.recv().expect("the output node shows something");
        Self {
            stop,
            thread: Some(thread),
        }
    }

    /// Stops; how many pictures were played.
    pub(crate) fn stop(mut self) -> u32 {
        self.end()
    }

    fn end(&mut self) -> u32 {
        self.stop.store(true, Ordering::Relaxed);
        let thread = self.thread.take();
        thread.map_or(0, |it| it.join().unwrap_or(0))
    }
}

impl Drop for Player {
    fn drop(&mut self) {
        self.end();
    }
}

struct OutputNode {
    device: Device,
    setting: Setting,
    buffers: Vec<Mapping>,
    streaming: bool,
}

/// A mapped buffer.
struct Mapping {
    start: *mut u8,
    length: usize,
}

// SAFETY: plain memory that belongs to no thread.
unsafe impl Send for Mapping {}

impl OutputNode {
    fn open(setting: Setting) -> Self {
        let device = driver::open(OUTPUT);
        setting.apply(&device, OUTPUT_TYPE);
        // SAFETY: a C struct of numbers, valid when zero.
        let mut wanted: v4l2_requestbuffers = unsafe { std::mem::zeroed() };
        wanted.count = BUFFERS;
        wanted.type_ = OUTPUT_TYPE;
        wanted.memory = MAPPED;
        call(&device, vidioc::VIDIOC_REQBUFS, &mut wanted).expect("REQBUFS");
        let buffers = (0..wanted.count).map(|index| map(&device, index)).collect();
        Self {
            device,
            setting,
            buffers,
            streaming: false,
        }
    }

    /// Shows a picture after those shown before; waits for room.
    fn show(&mut self, number: u32, paint: &mut impl FnMut(u32, &mut [u8])) {
        let slot = if (number as usize) < self.buffers.len() {
            number
        } else {
            self.start();
            self.reclaim()
        };
        let length = self.setting.bytes();
        paint(number, self.buffers[slot as usize].bytes_mut(length));
        let mut buffer = blank(slot);
        buffer.bytesused = self.setting.bytes() as u32;
        buffer.field = self.field_of(number);
        call(&self.device, vidioc::VIDIOC_QBUF, &mut buffer).expect("QBUF");
    }

    /// In alternate layout even numbers are the older field: the bottom one at 525 lines, else the top one.
    fn field_of(&self, number: u32) -> u32 {
        let (older, younger) = if self.setting.standard == driver::PAL {
            (TOP, BOTTOM)
        } else {
            (BOTTOM, TOP)
        };
        match (self.setting.field, number % 2) {
            (ALTERNATE, 0) => older,
            (ALTERNATE, _) => younger,
            (field, _) => field,
        }
    }

    fn start(&mut self) {
        if !self.streaming {
            call(
                &self.device,
                vidioc::VIDIOC_STREAMON,
                &mut (OUTPUT_TYPE.cast_signed()),
            )
            .expect("STREAMON");
            self.streaming = true;
        }
    }

    fn reclaim(&self) -> u32 {
        loop {
            let mut buffer = blank(0);
            match call(&self.device, vidioc::VIDIOC_DQBUF, &mut buffer) {
                Ok(()) => return buffer.index,
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                    self.device.handle().poll(POLL_OUT, 1000).expect("poll");
                }
                Err(error) => panic!("DQBUF: {error}"),
            }
        }
    }
}

impl Mapping {
    fn bytes_mut(&mut self, length: usize) -> &mut [u8] {
        assert!(length <= self.length);
        // SAFETY: mapped for writing over this length; the driver reads a buffer only while it is queued, and the
        // caller writes only before.
        unsafe { std::slice::from_raw_parts_mut(self.start, length) }
    }
}

impl Drop for Mapping {
    fn drop(&mut self) {
        // SAFETY: mapped at this place and length, and no slice of it is left.
        let _ = unsafe { v4l::v4l2::munmap(self.start.cast(), self.length) };
    }
}

fn map(device: &Device, index: u32) -> Mapping {
    let mut buffer = blank(index);
    call(device, vidioc::VIDIOC_QUERYBUF, &mut buffer).expect("QUERYBUF");
    let length = buffer.length as usize;
    // SAFETY: the driver gave offset and length for mapping; the kernel picks a free place.
    let start = unsafe {
        v4l::v4l2::mmap(
            std::ptr::null_mut(),
            length,
            READ_WRITE,
            SHARED,
            device.handle().fd(),
            i64::from(buffer.m.offset),
        )
    };
    Mapping {
        start: start.expect("mmap").cast(),
        length,
    }
}

fn blank(index: u32) -> v4l2_buffer {
    // SAFETY: a C struct of numbers and unused pointers, valid when zero.
    let mut buffer: v4l2_buffer = unsafe { std::mem::zeroed() };
    buffer.index = index;
    buffer.type_ = OUTPUT_TYPE;
    buffer.memory = MAPPED;
    buffer
}
