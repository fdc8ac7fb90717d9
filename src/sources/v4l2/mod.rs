//! A capture device by Linux's V4L2 interface: input, standard, format, mapped streaming.
//!
//! In: the path of a node, and the operator's wishes. Out: frames, each with the fields missing before it, the
//! device's time, its error flag and the state of its input. What the device is already set to (pixel format, field
//! layout, standard) is kept wherever it can be read, so that settings made beforehand with other tools hold.
//!
//! Only `node` and `stream` talk to the kernel; the rest is arithmetic on its answers. Does not know: fields,
//! measures, or who reads the frames.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustix::io::Errno;
use v4l::v4l_sys::{
    V4L2_BUF_FLAG_ERROR, V4L2_BUF_FLAG_TIMESTAMP_MASK, V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC,
    v4l2_buffer,
};

use crate::sources::{
    ControlListing, ControlSetting, FieldOrder, Frame, FrameBuffer, FramePool, Gap, InputState,
    News, NewsKind, Open, PictureFormat, RowLayout, Source, SourceDescription, SourceError,
    SourceErrorKind, Wishes, pool_frames,
};
use crate::standard::{Parity, Standard};

pub use enumerate::{enumerate, first_device};

use enumerate::Identity;

use layout::FieldLayout;
use outbox::Outbox;
use progress::{Holds, Mark, Progress};
use setup::Setup;
use stamps::Stamps;
use stream::{Filled, Stream};
use watch::Watch;

mod enumerate;
mod failure;
mod input;
mod layout;
mod node;
mod outbox;
mod picture;
mod progress;
mod setup;
mod signal;
mod stamps;
mod standards;
mod stream;
mod watch;

/// Buffers that go round: a quarter of a second of frames, so that a busy moment of ours costs none.
const BUFFERS: u32 = 8;

/// How long a device may deliver nothing before the caller hears of it: a dozen frames, and still "at once" to a
/// person.
const SILENCE: Duration = Duration::from_millis(500);

/// A V4L2 device, delivering frames.
#[derive(Debug)]
pub struct V4l2Source {
    description: SourceDescription,
    format: Arc<PictureFormat>,
    layout: FieldLayout,
    buffer_rows: usize,
    stream: Stream,
    pool: FramePool,
    progress: Progress,
    outbox: Outbox,
    stamps: Stamps,
    opened: Instant,
    first_stamp: Option<Duration>,
    sequence: Option<u32>,
    watch: Watch,
}

impl V4l2Source {
    /// Opens a device and makes it ready; it streams from the first frame asked for.
    ///
    /// # Errors
    /// When the device is missing, forbidden, busy, no video device, or has no format that can be read; when it has no
    /// such input, or refuses the standard.
    pub fn open(path: &Path, wishes: &Wishes) -> Result<Self, SourceError> {
        let Setup {
            node,
            format,
            layout,
            buffer_rows,
            field_period,
            watched,
            mut description,
        } = Setup::of(path, wishes)?;
        let stream = Stream::new(node, BUFFERS)
            .map_err(|(node, number)| node.failure("asking for its buffers", number))?;
        let bytes = format.buffer_bytes(buffer_rows);
        if stream.smallest() < bytes {
            return Err(SourceError::new(
                SourceErrorKind::Unsupported,
                format!(
                    "{}: its buffers hold {} bytes, but its frames take {bytes}; another size may work (`--raster`)",
                    path.display(),
                    stream.smallest()
                ),
            ));
        }
        setup::describe_stream(&mut description, &stream);
        let order = layout.order(format.standard);
        Ok(Self {
            description,
            pool: FramePool::new(pool_frames(wishes.held_bytes, bytes), bytes),
            progress: Progress::new(order.map_or(Parity::Top, FieldOrder::first), field_period),
            outbox: Outbox::new(),
            format: Arc::new(format),
            layout,
            buffer_rows,
            stream,
            stamps: Stamps::default(),
            opened: Instant::now(),
            first_stamp: None,
            sequence: None,
            watch: Watch::new(watched),
        })
    }

    /// The driver's own number of the frame last handed on; it wraps, and the two fields of a frame share one.
    #[must_use]
    pub fn sequence(&self) -> Option<u32> {
        self.sequence
    }

    /// Waits for a buffer and makes a frame of it.
    fn read(&mut self, deadline: Instant) -> Result<(), SourceError> {
        let ready = self
            .stream
            .wait(deadline)
            .map_err(|number| self.failed(number))?;
        let now = Instant::now();
        if ready.event {
            self.watch.take_events(self.stream.node());
        }
        self.watch.look(self.stream.node(), now);
        if let Some(found) = self.watch.take_changed() {
            return Err(self.changed(found));
        }
        if !ready.buffer {
            return if ready.event {
                Ok(())
            } else {
                Err(self.silent())
            };
        }
        let taken = self.stream.take().map_err(|number| self.failed(number))?;
        let Some(filled) = taken else { return Ok(()) };
        self.accept(&filled, now);
        self.stream
            .give_back(filled)
            .map_err(|number| self.failed(number))
    }

    /// Makes a frame of a filled buffer, unless it is empty or there is no room.
    fn accept(&mut self, filled: &Filled, arrived: Instant) {
        let buffer = &filled.buffer;
        // An empty buffer shows nothing: its number makes it a loss before the next.
        if buffer.bytesused == 0 {
            return;
        }
        let rows = rows_of(buffer, self.layout);
        let mark = mark(buffer, rows, self.steady_time(buffer, arrived));
        let found = self.progress.find(mark);
        let Some(data) = self.copy(filled) else {
            self.outbox.leave_out(found, mark.holds.fields());
            return;
        };
        self.first_stamp = self.first_stamp.or(mark.stamp);
        let since_first = mark.stamp.zip(self.first_stamp);
        let needed = self.format.buffer_bytes(self.buffer_rows);
        let frame = Frame {
            format: Arc::clone(&self.format),
            rows,
            data,
            gap: Gap::default(),
            device_time: since_first.and_then(|(now, first)| now.checked_sub(first)),
            arrived,
            damaged: buffer.flags & V4L2_BUF_FLAG_ERROR != 0
                || (buffer.bytesused as usize) < needed,
            input: self.watch.state(),
        };
        self.outbox.put(frame, buffer.sequence, found);
    }

    /// The buffer's time, jumps of the clock taken out.
    fn steady_time(&mut self, buffer: &v4l2_buffer, arrived: Instant) -> Option<Duration> {
        let since_opened = arrived.saturating_duration_since(self.opened);
        let steady = self.stamps.steady(stamp(buffer)?, since_opened);
        if let Some(jump) = steady.jumped {
            let which = if jump.forward { "forward" } else { "back" };
            let text = format!(
                "The device's clock jumped {which} by {:.1} s; time goes on by when frames arrive.",
                jump.by.as_secs_f64()
            );
            self.watch.tell(NewsKind::Clock, text);
        }
        Some(steady.time)
    }

    fn copy(&mut self, filled: &Filled) -> Option<FrameBuffer> {
        let needed = self.format.buffer_bytes(self.buffer_rows);
        let mut vacant = self.pool.vacant()?;
        vacant.bytes_mut()[..needed].copy_from_slice(&self.stream.bytes(filled)[..needed]);
        Some(vacant.fill())
    }

    fn hand_on(&mut self) -> Option<Frame> {
        let (frame, sequence) = self.outbox.take()?;
        self.sequence = Some(sequence);
        Some(frame)
    }

    fn silent(&self) -> SourceError {
        let starved = self.outbox.is_starved();
        let state = self.watch.state();
        let why = match (starved, state) {
            (true, _) => "frames come, but all buffers are still held by the analysis",
            (false, InputState::NoSignal) => "the device reports no signal",
            (false, InputState::Unlocked) => "the device reports that it cannot lock to the signal",
            (false, InputState::Unsaid | InputState::Locked) => "the device sends nothing",
        };
        let kind = if state == InputState::NoSignal && !starved {
            SourceErrorKind::NoSignal
        } else {
            SourceErrorKind::Silent
        };
        SourceError::new(
            kind,
            format!(
                "{}: no frame for {} ms: {why}",
                self.stream.node().path().display(),
                SILENCE.as_millis()
            ),
        )
    }

    fn changed(&self, found: Standard) -> SourceError {
        let before = self
            .format
            .standard
            .map_or("another number of", Standard::word);
        SourceError::new(
            SourceErrorKind::Changed,
            format!(
                "{}: the signal has changed from {before} to {} lines",
                self.stream.node().path().display(),
                found.word()
            ),
        )
    }

    fn cannot_set(
        &self,
        ControlSetting { id, value }: ControlSetting,
        number: Errno,
    ) -> SourceError {
        let known = self.watch.controls().iter().find(|it| it.id == id);
        let name = known.map_or("a control", |control| control.name.as_str());
        let why = match number {
            Errno::BUSY => "something else holds it, such as an automatic or another program",
            Errno::RANGE | Errno::INVAL => "the device does not take this value",
            Errno::ACCESS | Errno::PERM => "it can be read only",
            Errno::NODEV | Errno::NXIO => "the device is gone",
            _ => "the device refused",
        };
        SourceError::new(
            SourceErrorKind::Other,
            format!("{name} could not be set to {value}: {why}"),
        )
        .caused_by(std::io::Error::from(number))
    }

    fn failed(&self, number: Errno) -> SourceError {
        self.stream.node().failure("reading a frame", number)
    }
}

impl Source for V4l2Source {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        let deadline = Instant::now() + SILENCE;
        loop {
            if let Some(frame) = self.hand_on() {
                return Ok(Some(frame));
            }
            if let Err(error) = self.read(deadline) {
                // Nothing more settles a doubt. The frame goes first; what is wrong shows again when asked again.
                let gap = self.progress.settle_now();
                self.outbox.settle(gap);
                return self.hand_on().map(Some).ok_or(error);
            }
        }
    }

    fn news(&mut self) -> Option<News> {
        self.watch.take_news()
    }

    fn is_device(&self) -> bool {
        true
    }

    fn controls(&self) -> &[ControlListing] {
        self.watch.controls()
    }

    fn set_control(&mut self, setting: ControlSetting) -> Result<(), SourceError> {
        let Self { watch, stream, .. } = self;
        watch
            .set_control(stream.node(), setting)
            .map_err(|number| self.cannot_set(setting, number))
    }

    fn clock_origin(&self) -> Option<Duration> {
        self.first_stamp
    }
}

/// Opens a device, and opens it again when it was lost: the one it was, wherever its node is then.
#[derive(Debug)]
pub(super) struct Opener {
    path: PathBuf,
    wishes: Wishes,
    known: Option<Identity>,
}

impl Opener {
    pub(super) fn new(path: &Path, wishes: &Wishes) -> Self {
        Self {
            path: path.to_owned(),
            wishes: wishes.clone(),
            known: None,
        }
    }
}

impl Open for Opener {
    fn open(&mut self) -> Result<Box<dyn Source>, SourceError> {
        if let Some(known) = &self.known {
            self.path = enumerate::find_again(known, &self.path)?;
        }
        let source = V4l2Source::open(&self.path, &self.wishes)?;
        self.known = Identity::of(&source.stream.node().capability()?);
        Ok(Box::new(source))
    }
}

/// How the rows of this buffer lie: by the format, or by its own word in alternate layout.
fn rows_of(buffer: &v4l2_buffer, layout: FieldLayout) -> RowLayout {
    layout.rows().unwrap_or_else(|| {
        match FieldLayout::from_field(buffer.field) {
            Some(FieldLayout::Only(parity)) => RowLayout::Single(parity),
            // A driver that breaks its promise to name the field: nothing tells which it is.
            _ => RowLayout::Single(Parity::Top),
        }
    })
}

/// Where a buffer stands by the driver's own words.
fn mark(buffer: &v4l2_buffer, rows: RowLayout, time: Option<Duration>) -> Mark {
    Mark {
        sequence: buffer.sequence,
        holds: match rows {
            RowLayout::Single(parity) => Holds::Field(parity),
            RowLayout::Woven | RowLayout::Sequential(_) => Holds::Frame,
        },
        stamp: time,
    }
}

/// The buffer's time, if it was taken from a clock that only runs forward.
fn stamp(buffer: &v4l2_buffer) -> Option<Duration> {
    if buffer.flags & V4L2_BUF_FLAG_TIMESTAMP_MASK != V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC {
        return None;
    }
    let seconds = u64::try_from(buffer.timestamp.tv_sec).ok()?;
    let micros = u64::try_from(buffer.timestamp.tv_usec).ok()?;
    Some(Duration::from_secs(seconds) + Duration::from_micros(micros))
}
