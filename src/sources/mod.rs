//! Where frames come from: a simulated tape, Y4M, any file through the `ffmpeg` program, a V4L2 device.
//!
//! In: a [`Place`] to read from and the [`Wishes`] of the operator. Out: [`Frame`]s, in order, each with what the
//! source lost before it. Frames are counted handles of a fixed pool ([`FramePool`]); the last holder gives them back.
//!
//! `cfg`s for platforms stop here. Does not know: fields, measures, or who reads the frames.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};

use crate::standard::{Parity, RateTrust, Standard};
use crate::units::{CodeRange, Hertz};

pub use error::{SourceError, SourceErrorKind};
pub use folder::video_files;
pub use format::{
    ChromaGrid, ChromaSiting, FieldOrder, Packing, PictureFormat, PlaneLayout, SampleFormat,
};
pub use intervals::{IntervalFigures, Intervals};
pub use lasting::{Lasting, Open};
pub use listing::{
    ControlAccess, ControlListing, ControlRole, ControlSetting, DeviceListing, FormatListing,
    FrameSize, InputListing,
};
pub use pool::{
    ANALYSIS_QUEUE_FRAMES, FrameBuffer, FramePool, POOL_FRAMES, VacantBuffer, pool_frames,
};

mod camera;
mod decoded;
mod error;
mod file;
mod folder;
mod format;
mod intervals;
mod lasting;
mod listing;
mod pool;
#[cfg(test)]
mod pool_tests;
pub mod tape;
#[cfg(target_os = "linux")]
pub mod v4l2;
mod y4m;

/// Every capture device of the machine, in the order of their numbers.
#[must_use]
pub fn devices() -> Vec<DeviceListing> {
    #[cfg(target_os = "linux")]
    {
        v4l2::enumerate()
    }
    #[cfg(not(target_os = "linux"))]
    {
        Vec::new()
    }
}

/// The first capture device there is.
#[must_use]
pub fn first_device() -> Option<PathBuf> {
    #[cfg(target_os = "linux")]
    {
        v4l2::first_device()
    }
    #[cfg(not(target_os = "linux"))]
    {
        None
    }
}

/// Opens a source; the simulated tape plays at `pace`, everything else has its own.
///
/// # Errors
/// What is missing, unreadable, of an unknown format or broken at its head; the message says which and what next.
pub fn open(
    place: &Place,
    wishes: &Wishes,
    pace: tape::Pace,
) -> Result<Box<dyn Source>, SourceError> {
    match place {
        Place::Stdin => Ok(Box::new(y4m::Y4m::from_stdin(wishes)?)),
        Place::File(path) => file::open(path, wishes),
        Place::Tape(scene) => Ok(Box::new(tape::Tape::open(scene, wishes, pace)?)),
        Place::Device(path) => open_device(path, wishes),
        Place::Camera(number) => camera::open(*number, wishes),
    }
}

/// Y4M out of anything that can be read.
///
/// # Errors
/// What comes is no Y4M, or its header makes no sense.
pub fn from_stream(
    input: Box<dyn Read + Send>,
    name: &str,
    wishes: &Wishes,
) -> Result<Box<dyn Source>, SourceError> {
    Ok(Box::new(y4m::Y4m::from_stream(input, name, wishes)?))
}

/// What a file would be of which the program `ffprobe` says `answer`, in JSON; nothing is opened.
///
/// # Errors
/// The answer makes no sense, or is of a file that cannot be decoded.
pub fn described_by_probe(
    name: &str,
    answer: &[u8],
    wishes: &Wishes,
) -> Result<SourceDescription, SourceError> {
    decoded::described(name, answer, wishes)
}

#[cfg(target_os = "linux")]
fn open_device(path: &Path, wishes: &Wishes) -> Result<Box<dyn Source>, SourceError> {
    let opener = v4l2::Opener::new(path, wishes);
    Ok(Box::new(Lasting::open(
        Box::new(opener),
        lasting::SystemTime,
    )?))
}

#[cfg(not(target_os = "linux"))]
fn open_device(path: &Path, _wishes: &Wishes) -> Result<Box<dyn Source>, SourceError> {
    Err(SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "cannot open {}: V4L2 devices exist on Linux only",
            path.display()
        ),
    ))
}

/// How the rows of one buffer lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowLayout {
    /// Rows of both fields in turn, the top field's first.
    Woven,
    /// One field whole, then the other; the first in memory is the older.
    Sequential(Parity),
    /// One field alone.
    Single(Parity),
}

/// What is missing right before a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Gap {
    /// Fields the device or the file says it lost.
    pub lost_by_source: u64,
    /// Fields that arrived but found no room on our side.
    pub lost_by_us: u64,
    /// Whether the number was taken from a clock instead of a counter.
    pub timed: bool,
}

impl Gap {
    /// All fields missing before the frame.
    #[must_use]
    pub fn fields(self) -> u64 {
        self.lost_by_source + self.lost_by_us
    }

    /// Both gaps as one: a frame dropped on the way hands its own gap on to the next.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            lost_by_source: self.lost_by_source + other.lost_by_source,
            lost_by_us: self.lost_by_us + other.lost_by_us,
            timed: self.timed || other.timed,
        }
    }
}

/// One picture as the source delivered it.
#[derive(Clone, Debug)]
pub struct Frame {
    /// How to read `data`; shared by all frames until the source changes.
    pub format: Arc<PictureFormat>,
    /// How the rows lie in `data`.
    pub rows: RowLayout,
    /// The samples, unaltered.
    pub data: FrameBuffer,
    /// What is missing before this frame.
    pub gap: Gap,
    /// The source's own time since it started: a device's clock; a file's, where its rate is not the standard's.
    pub device_time: Option<Duration>,
    /// When the frame reached us.
    pub arrived: Instant,
    /// The device said the data may be corrupt.
    pub damaged: bool,
    /// What the device says of its input right now, where it says anything.
    pub input: InputState,
}

/// What a device says of the signal at its input.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum InputState {
    /// It does not say.
    #[default]
    Unsaid,
    /// Present and locked.
    Locked,
    /// Present, not locked.
    Unlocked,
    /// No signal at the input.
    NoSignal,
}

/// What a source is, for screens, the pass file and reports.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceDescription {
    /// As the operator wrote it, or the default taken.
    pub name: String,
    /// `simulated tape`, `Y4M file`, `decoded file`, `V4L2 device` …
    pub kind: String,
    /// Whether frames come in real time whether we read them or not.
    pub live: bool,
    /// Frames in all, where the source can tell (a progress bar's length).
    pub frames: Option<u64>,
    /// Driver, card, input, codec, pixel format …: pairs of a name and a value in the source's own words.
    pub details: Vec<(String, String)>,
    /// Controls found on the device: name and value.
    pub controls: Vec<(String, String)>,
    /// What the operator should know (rate presumed, field order guessed …), one sentence each.
    pub remarks: Vec<String>,
}

/// A stream of frames.
pub trait Source: Send {
    /// What this is.
    fn description(&self) -> &SourceDescription;

    /// The format of the frames to come; a frame carries its own.
    fn format(&self) -> &Arc<PictureFormat>;

    /// The next frame; `None` is the end of a whole stream.
    ///
    /// A live source returns within about half a second even when nothing arrives: see [`SourceError::is_silence`].
    ///
    /// # Errors
    /// A stream cut short is an error, never an end.
    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError>;

    /// What there is to tell beside frames, oldest first; `None` when nothing is left. To be asked after each
    /// [`Source::next_frame`], whatever that gave.
    fn news(&mut self) -> Option<News> {
        None
    }

    /// Whether a device takes the frames, and their times are by its clock.
    fn is_device(&self) -> bool {
        false
    }

    /// The device's controls as they were last read; empty where there are none.
    fn controls(&self) -> &[ControlListing] {
        &[]
    }

    /// Sets a control. What became of it shows in [`Source::controls`], and a change is told as news.
    ///
    /// # Errors
    /// There is no such control, or the device refuses; the stream goes on.
    fn set_control(&mut self, _setting: ControlSetting) -> Result<(), SourceError> {
        Err(SourceError::new(
            SourceErrorKind::Unsupported,
            format!("{}: it has no controls", self.description().name),
        ))
    }

    /// What the machine's monotonic clock showed when `device_time` was zero, where the two are one clock.
    fn clock_origin(&self) -> Option<Duration> {
        None
    }
}

/// Something a source tells beside its frames.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct News {
    /// What kind of thing.
    pub kind: NewsKind,
    /// A sentence.
    pub text: String,
}

/// What news are about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NewsKind {
    /// A control of the device has another value, or one that harms.
    Control,
    /// What the device says of its input has changed: the text is its words, for a line on a screen.
    Input,
    /// The signal has another standard.
    Standard,
    /// The time of the source or of the machine did not go on as it should.
    Clock,
}

/// Where to read from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// The simulated tape playing a named scene.
    Tape(String),
    /// A V4L2 device node.
    Device(PathBuf),
    /// A device by its number at the platform's camera interface.
    Camera(u32),
    /// Y4M on standard input.
    Stdin,
    /// A file.
    File(PathBuf),
}

/// What the operator says of a source; `None` leaves it to the source.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wishes {
    /// Input of the device, by name or number.
    pub input: Option<String>,
    /// Standard.
    pub standard: Option<StandardWish>,
    /// Order of the fields.
    pub field_order: Option<FieldOrder>,
    /// Code range.
    pub range: Option<CodeRange>,
    /// Width and rows to ask the device for.
    pub raster: Option<(usize, usize)>,
    /// Luma sample rate.
    pub sample_rate: Option<Hertz>,
    /// Seed of the simulated tape.
    pub seed: Option<u64>,
    /// Bytes of frames that somebody holds besides the analysis.
    pub held_bytes: usize,
}

/// A standard, as finely as the operator asked for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StandardWish {
    /// Whatever the device detects.
    Auto,
    /// Either of the two, in its usual colour system.
    Lines(Standard),
    /// One colour system, by its name on the command line (`ntsc-m`, `pal-60` …) and its V4L2 bits.
    Colour {
        /// Name on the command line.
        name: &'static str,
        /// Bits of `v4l2_std_id` (`videodev2.h`).
        bits: u64,
        /// Lines of the system.
        lines: Standard,
    },
}

impl StandardWish {
    /// The scanning standard asked for, if one was.
    #[must_use]
    pub fn lines(self) -> Option<Standard> {
        match self {
            Self::Auto => None,
            Self::Lines(lines) | Self::Colour { lines, .. } => Some(lines),
        }
    }
}

/// The luma sample rate of a raster: the operator's word first, then the width's usual one.
#[must_use]
pub fn sample_rate(
    width: usize,
    standard: Option<Standard>,
    wishes: &Wishes,
) -> Option<(Hertz, RateTrust)> {
    match wishes.sample_rate {
        Some(rate) => Some((rate, RateTrust::Known)),
        None => standard?.sample_rate_of_width(width),
    }
}
