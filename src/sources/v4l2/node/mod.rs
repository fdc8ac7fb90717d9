//! One device node and the ioctls it is asked; every one of them typed, none of them trusted.
//!
//! In: a path. Out: plain answers of the driver, or its error number. The `v4l` crate supplies request numbers and C
//! types; its own stream is not used, because it cannot recover from a silent device, and its control list stops the
//! program at a control type newer than itself.
//!
//! Does not know: what the answers are for.

#![expect(
    unsafe_code,
    reason = "the kernel's interface is raw ioctls; nothing above this file and `stream` sees that"
)]

use std::fs::File;
use std::marker::PhantomData;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd};
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::fs::OFlags;
use rustix::io::Errno;
use v4l::v4l_sys::{
    v4l2_buf_type_V4L2_BUF_TYPE_VIDEO_CAPTURE, v4l2_buffer, v4l2_capability, v4l2_event,
    v4l2_event_subscription, v4l2_fmtdesc, v4l2_format, v4l2_frmsizeenum,
    v4l2_frmsizetypes_V4L2_FRMSIZE_TYPE_DISCRETE, v4l2_input, v4l2_memory_V4L2_MEMORY_MMAP,
    v4l2_pix_format, v4l2_query_ext_ctrl, v4l2_querymenu, v4l2_requestbuffers, v4l2_standard,
    v4l2_streamparm,
};
use v4l::v4l2::vidioc::{self, _IOC_TYPE as RequestNumber};

use super::failure::{self, failure};
use crate::sources::{FrameSize, SourceError, SourceErrorKind};

mod controls;
mod events;

pub(super) use events::DeviceEvent;

/// Video captured into one plane: the only kind of buffer used here.
pub(super) const CAPTURE: u32 = v4l2_buf_type_V4L2_BUF_TYPE_VIDEO_CAPTURE;

/// Memory the driver allocates and we map.
pub(super) const MAPPED: u32 = v4l2_memory_V4L2_MEMORY_MMAP;

/// Entries of any list asked for one by one; a driver that never says "no more" must not hold us.
const LONGEST_LIST: u32 = 512;

/// Plain C data that an ioctl fills.
///
/// # Safety
/// All-zero bytes, and whatever the kernel writes, must be a value of the type, and the type must hold no pointer the
/// kernel would follow.
unsafe trait Argument: Copy {}

/// A request with the type of its argument.
struct Request<T> {
    number: RequestNumber,
    argument: PhantomData<T>,
}

impl<T: Argument> Request<T> {
    /// The number carries the size of the argument in bits 16 to 29: a wrong pairing does not compile.
    const fn new(number: RequestNumber) -> Self {
        assert!((number >> 16) as usize & 0x3fff == size_of::<T>());
        Self {
            number,
            argument: PhantomData,
        }
    }
}

macro_rules! arguments {
    ($($argument:ty),*) => {
        // SAFETY: C structs and numbers as the kernel defines them, valid whatever their bytes; the pointers in the
        // unions of `v4l2_buffer` and `v4l2_format` are not followed for mapped memory and single-plane capture, and
        // events hold none.
        $(unsafe impl Argument for $argument {})*
    };
}

arguments!(
    i32,
    u64,
    v4l2_buffer,
    v4l2_capability,
    v4l2_event,
    v4l2_event_subscription,
    v4l2_fmtdesc,
    v4l2_format,
    v4l2_frmsizeenum,
    v4l2_input,
    v4l2_query_ext_ctrl,
    v4l2_querymenu,
    v4l2_requestbuffers,
    v4l2_standard,
    v4l2_streamparm
);

const QUERY_CAPABILITY: Request<v4l2_capability> = Request::new(vidioc::VIDIOC_QUERYCAP);
const ENUMERATE_INPUT: Request<v4l2_input> = Request::new(vidioc::VIDIOC_ENUMINPUT);
const GET_INPUT: Request<i32> = Request::new(vidioc::VIDIOC_G_INPUT);
const SET_INPUT: Request<i32> = Request::new(vidioc::VIDIOC_S_INPUT);
const ENUMERATE_STANDARD: Request<v4l2_standard> = Request::new(vidioc::VIDIOC_ENUMSTD);
const GET_STANDARD: Request<u64> = Request::new(vidioc::VIDIOC_G_STD);
const SET_STANDARD: Request<u64> = Request::new(vidioc::VIDIOC_S_STD);
const DETECT_STANDARD: Request<u64> = Request::new(vidioc::VIDIOC_QUERYSTD);
const ENUMERATE_FORMAT: Request<v4l2_fmtdesc> = Request::new(vidioc::VIDIOC_ENUM_FMT);
const ENUMERATE_SIZE: Request<v4l2_frmsizeenum> = Request::new(vidioc::VIDIOC_ENUM_FRAMESIZES);
const GET_FORMAT: Request<v4l2_format> = Request::new(vidioc::VIDIOC_G_FMT);
const SET_FORMAT: Request<v4l2_format> = Request::new(vidioc::VIDIOC_S_FMT);
const GET_PARAMETERS: Request<v4l2_streamparm> = Request::new(vidioc::VIDIOC_G_PARM);
const QUERY_CONTROL: Request<v4l2_query_ext_ctrl> = Request::new(vidioc::VIDIOC_QUERY_EXT_CTRL);
const QUERY_MENU: Request<v4l2_querymenu> = Request::new(vidioc::VIDIOC_QUERYMENU);
const REQUEST_BUFFERS: Request<v4l2_requestbuffers> = Request::new(vidioc::VIDIOC_REQBUFS);
const QUERY_BUFFER: Request<v4l2_buffer> = Request::new(vidioc::VIDIOC_QUERYBUF);
const QUEUE_BUFFER: Request<v4l2_buffer> = Request::new(vidioc::VIDIOC_QBUF);
const DEQUEUE_BUFFER: Request<v4l2_buffer> = Request::new(vidioc::VIDIOC_DQBUF);
const STREAM_ON: Request<i32> = Request::new(vidioc::VIDIOC_STREAMON);
const STREAM_OFF: Request<i32> = Request::new(vidioc::VIDIOC_STREAMOFF);

/// An open device node, never blocking.
#[derive(Debug)]
pub(super) struct Node {
    file: File,
    path: PathBuf,
}

impl Node {
    /// Opens a node for reading frames and changing settings.
    pub(super) fn open(path: &Path) -> Result<Self, SourceError> {
        let opening = |error: &std::io::Error| {
            let number = Errno::from_io_error(error).unwrap_or(Errno::IO);
            failure(path, "opening it", number)
        };
        let kind = std::fs::metadata(path).map_err(|error| opening(&error))?;
        if !kind.file_type().is_char_device() {
            return Err(not_a_device(path));
        }
        let file = File::options()
            .read(true)
            .write(true)
            .custom_flags(OFlags::NONBLOCK.bits().cast_signed())
            .open(path)
            .map_err(|error| opening(&error))?;
        Ok(Self {
            file,
            path: path.to_owned(),
        })
    }

    /// Where it was opened.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Driver, card, bus, and what the node can do.
    pub(super) fn capability(&self) -> Result<v4l2_capability, SourceError> {
        match self.ask(&QUERY_CAPABILITY) {
            Err(Errno::NOTTY | Errno::INVAL) => Err(not_a_device(&self.path)),
            answer => answer.map_err(|number| self.failure("asking what it is", number)),
        }
    }

    /// All inputs; the status of any but the current one is not to be relied on.
    pub(super) fn inputs(&self) -> Vec<v4l2_input> {
        listed(|index| self.input(index))
    }

    /// One input.
    pub(super) fn input(&self, index: u32) -> Result<v4l2_input, Errno> {
        let mut input: v4l2_input = blank();
        input.index = index;
        self.call(&ENUMERATE_INPUT, &mut input)?;
        Ok(input)
    }

    /// Number of the current input.
    pub(super) fn current_input(&self) -> Result<u32, Errno> {
        self.ask(&GET_INPUT).map(i32::cast_unsigned)
    }

    /// Switches to another input.
    pub(super) fn set_input(&self, index: u32) -> Result<(), Errno> {
        self.call(&SET_INPUT, &mut index.cast_signed())
    }

    /// The standards of the current input.
    pub(super) fn standards(&self) -> Vec<v4l2_standard> {
        listed(|index| {
            let mut standard: v4l2_standard = blank();
            standard.index = index;
            self.call(&ENUMERATE_STANDARD, &mut standard)?;
            Ok(standard)
        })
    }

    /// Bits of the standard in force.
    pub(super) fn standard(&self) -> Result<u64, Errno> {
        self.ask(&GET_STANDARD)
    }

    /// Asks for a standard; of several bits the driver takes one or all.
    pub(super) fn set_standard(&self, bits: u64) -> Result<(), Errno> {
        let mut bits = bits;
        self.call(&SET_STANDARD, &mut bits)
    }

    /// Bits of the standards the signal may have.
    pub(super) fn detect_standard(&self) -> Result<u64, Errno> {
        self.ask(&DETECT_STANDARD)
    }

    /// Pixel formats: code and the driver's description.
    pub(super) fn formats(&self) -> Vec<v4l2_fmtdesc> {
        listed(|index| {
            let mut format: v4l2_fmtdesc = blank();
            format.index = index;
            format.type_ = CAPTURE;
            self.call(&ENUMERATE_FORMAT, &mut format)?;
            Ok(format)
        })
    }

    /// Sizes of a pixel format; empty where the driver does not list them.
    pub(super) fn sizes(&self, pixel_format: u32) -> Vec<FrameSize> {
        listed(|index| {
            let mut size: v4l2_frmsizeenum = blank();
            size.index = index;
            size.pixel_format = pixel_format;
            self.call(&ENUMERATE_SIZE, &mut size)?;
            // A range of sizes is one answer to index 0, and some drivers give it again for every index.
            if size.type_ != v4l2_frmsizetypes_V4L2_FRMSIZE_TYPE_DISCRETE && index > 0 {
                return Err(Errno::INVAL);
            }
            Ok(frame_size(&size))
        })
    }

    /// The picture format in force.
    pub(super) fn format(&self) -> Result<v4l2_pix_format, Errno> {
        let mut format: v4l2_format = blank();
        format.type_ = CAPTURE;
        self.call(&GET_FORMAT, &mut format)?;
        Ok(pix(&format))
    }

    /// Asks for a picture format; the driver answers with what it made of it.
    pub(super) fn set_format(&self, wanted: v4l2_pix_format) -> Result<v4l2_pix_format, Errno> {
        let mut format: v4l2_format = blank();
        format.type_ = CAPTURE;
        format.fmt.pix = wanted;
        self.call(&SET_FORMAT, &mut format)?;
        Ok(pix(&format))
    }

    /// From a frame to the next, where the driver says.
    pub(super) fn frame_period(&self) -> Option<Duration> {
        let mut parameters: v4l2_streamparm = blank();
        parameters.type_ = CAPTURE;
        self.call(&GET_PARAMETERS, &mut parameters).ok()?;
        // SAFETY: numbers only, valid whatever their bytes; the capture type chose this member.
        let period = unsafe { parameters.parm.capture.timeperframe };
        let known = period.numerator > 0 && period.denominator > 0;
        known.then(|| Duration::from_secs(period.numerator.into()) / period.denominator)
    }

    /// Asks for mapped buffers; how many there are.
    pub(super) fn request_buffers(&self, count: u32) -> Result<u32, Errno> {
        let mut wanted: v4l2_requestbuffers = blank();
        wanted.count = count;
        wanted.type_ = CAPTURE;
        wanted.memory = MAPPED;
        self.call(&REQUEST_BUFFERS, &mut wanted)?;
        Ok(wanted.count)
    }

    /// Place and flags of a buffer.
    pub(super) fn query_buffer(&self, index: u32) -> Result<v4l2_buffer, Errno> {
        self.with_buffer(&QUERY_BUFFER, index)
    }

    /// Gives a buffer to the driver.
    pub(super) fn queue_buffer(&self, index: u32) -> Result<(), Errno> {
        self.with_buffer(&QUEUE_BUFFER, index).map(drop)
    }

    /// Takes a filled buffer; `AGAIN` while there is none.
    pub(super) fn dequeue_buffer(&self) -> Result<v4l2_buffer, Errno> {
        self.with_buffer(&DEQUEUE_BUFFER, 0)
    }

    /// Starts the stream.
    pub(super) fn stream_on(&self) -> Result<(), Errno> {
        self.call(&STREAM_ON, &mut CAPTURE.cast_signed())
    }

    /// Stops the stream; the driver forgets what is queued.
    pub(super) fn stream_off(&self) -> Result<(), Errno> {
        self.call(&STREAM_OFF, &mut CAPTURE.cast_signed())
    }

    /// What went wrong at this node, for the operator.
    pub(super) fn failure(&self, doing: &str, number: Errno) -> SourceError {
        failure(&self.path, doing, number)
    }

    fn with_buffer(
        &self,
        request: &Request<v4l2_buffer>,
        index: u32,
    ) -> Result<v4l2_buffer, Errno> {
        let mut buffer: v4l2_buffer = blank();
        buffer.index = index;
        buffer.type_ = CAPTURE;
        buffer.memory = MAPPED;
        self.call(request, &mut buffer)?;
        Ok(buffer)
    }

    fn ask<T: Argument>(&self, request: &Request<T>) -> Result<T, Errno> {
        let mut answer = blank();
        self.call(request, &mut answer)?;
        Ok(answer)
    }

    /// One ioctl; one that a signal interrupted is asked again.
    fn call<T: Argument>(&self, request: &Request<T>, argument: &mut T) -> Result<(), Errno> {
        loop {
            // SAFETY: the file is open; the argument is of the type and size the request number says, lives through
            // the call, and holds no pointer the kernel follows.
            let answer = unsafe {
                v4l::v4l2::ioctl(
                    self.file.as_raw_fd(),
                    request.number,
                    std::ptr::from_mut(argument).cast(),
                )
            };
            match answer.map_err(|error| Errno::from_io_error(&error).unwrap_or(Errno::IO)) {
                Err(Errno::INTR) => {}
                answer => return answer,
            }
        }
    }
}

impl AsFd for Node {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.file.as_fd()
    }
}

fn not_a_device(path: &Path) -> SourceError {
    SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "{} is not a video device; {}",
            path.display(),
            failure::LIST_HINT
        ),
    )
}

fn blank<T: Argument>() -> T {
    // SAFETY: `Argument` promises that zero is a value.
    unsafe { std::mem::zeroed() }
}

fn pix(format: &v4l2_format) -> v4l2_pix_format {
    // SAFETY: numbers only, valid whatever their bytes; the single-plane capture type chose this member.
    unsafe { format.fmt.pix }
}

fn frame_size(size: &v4l2_frmsizeenum) -> FrameSize {
    // SAFETY: numbers only, valid whatever their bytes; the type says which member the driver wrote.
    unsafe {
        if size.type_ == v4l2_frmsizetypes_V4L2_FRMSIZE_TYPE_DISCRETE {
            let one = size.__bindgen_anon_1.discrete;
            FrameSize::One {
                width: one.width,
                rows: one.height,
            }
        } else {
            let range = size.__bindgen_anon_1.stepwise;
            FrameSize::Range {
                widths: (range.min_width, range.max_width),
                rows: (range.min_height, range.max_height),
            }
        }
    }
}

/// Asks for entry 0, 1, 2 … until the driver has no more.
fn listed<T>(entry: impl Fn(u32) -> Result<T, Errno>) -> Vec<T> {
    (0..LONGEST_LIST)
        .map_while(|index| entry(index).ok())
        .collect()
}

/// A C string of the kernel: up to the first zero, whatever its bytes.
pub(super) fn text(bytes: &[u8]) -> String {
    let end = bytes
        .iter()
        .position(|&byte| byte == 0)
        .unwrap_or(bytes.len());
    String::from_utf8_lossy(&bytes[..end]).trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_node_is_missing() {
        let error = Node::open(Path::new("/dev/no-such-video")).expect_err("it does not exist");
        assert_eq!(error.kind(), SourceErrorKind::Missing);
        assert!(error.to_string().contains("/dev/no-such-video"), "{error}");
    }

    #[test]
    fn a_directory_is_not_a_device() {
        let error = Node::open(Path::new("/dev")).expect_err("a directory");
        assert_eq!(error.kind(), SourceErrorKind::Unsupported);
    }

    #[test]
    fn a_device_of_another_kind_is_not_a_video_device() {
        let node = Node::open(Path::new("/dev/null")).expect("everyone may open it");
        let error = node.capability().expect_err("no video there");
        assert_eq!(error.kind(), SourceErrorKind::Unsupported);
    }

    #[test]
    fn kernel_text_ends_at_its_first_zero() {
        assert_eq!(text(b"S-Video 0\0\0junk"), "S-Video 0");
        assert_eq!(text(b"full"), "full");
    }
}
