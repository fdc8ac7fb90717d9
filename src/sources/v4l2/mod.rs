//! A capture device by Linux's V4L2 interface: input, standard, format, mapped streaming.
//!
//! In: the path of a node, and the operator's wishes. Out: frames, each with the fields missing before it, the
//! device's time, its error flag and the state of its input. What the device is already set to (pixel format, field
//! layout, standard) is kept wherever it can be read, so that settings made beforehand with other tools hold.
//!
//! Only `node` and `stream` talk to the kernel; the rest is arithmetic on its answers. Does not know: fields,
//! measures, or who reads the frames.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustix::io::Errno;
use v4l::v4l_sys::{
    V4L2_BUF_FLAG_ERROR, V4L2_BUF_FLAG_TIMESTAMP_MASK, V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC,
    v4l2_buffer,
};

use crate::sources::{
    FieldOrder, Frame, FrameBuffer, FramePool, Gap, InputState, POOL_FRAMES, PictureFormat,
    RowLayout, Source, SourceDescription, SourceError, SourceErrorKind, Wishes,
};
use crate::standard::Parity;

pub use enumerate::{enumerate, first_device};

use layout::FieldLayout;
use outbox::Outbox;
use progress::{Holds, Mark, Progress};
use setup::Setup;
use signal::SignalReader;
use stream::{Filled, Stream};

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
mod standards;
mod stream;

/// Buffers that go round: a quarter of a second of frames, so that a busy moment of ours costs none.
const BUFFERS: u32 = 8;

/// How long a device may deliver nothing before the caller hears of it: a dozen frames, and still "at once" to a
/// person.
const SILENCE: Duration = Duration::from_millis(500);

/// How often the input's status is asked: soon enough to name the cause of a bad picture, and a slow bus is not
/// bothered with each frame.
const STATUS_PERIOD: Duration = Duration::from_millis(500);

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
    first_stamp: Option<Duration>,
    sequence: Option<u32>,
    input: InputWatch,
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
            detects,
            input,
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
            pool: FramePool::new(POOL_FRAMES, bytes),
            progress: Progress::new(order.map_or(Parity::Top, FieldOrder::first), field_period),
            outbox: Outbox::new(),
            format: Arc::new(format),
            layout,
            buffer_rows,
            stream,
            first_stamp: None,
            sequence: None,
            input: InputWatch::new(input, detects),
        })
    }

    /// The driver's own number of the frame last handed on; it wraps, and the two fields of a frame share one.
    #[must_use]
    pub fn sequence(&self) -> Option<u32> {
        self.sequence
    }

    /// Waits for a buffer and makes a frame of it.
    fn read(&mut self, deadline: Instant) -> Result<(), SourceError> {
        let came = self
            .stream
            .wait(deadline)
            .map_err(|number| self.failed(number))?;
        let now = Instant::now();
        self.input.look(&self.stream, now);
        if !came {
            return Err(self.silent());
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
        let mark = mark(buffer, rows);
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
            input: self.input.state,
        };
        self.outbox.put(frame, buffer.sequence, found);
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
        let why = match (starved, self.input.state) {
            (true, _) => "frames come, but all buffers are still held by the analysis",
            (false, InputState::NoSignal) => "the device reports no signal",
            (false, InputState::Unlocked) => "the device reports that it cannot lock to the signal",
            (false, InputState::Unsaid | InputState::Locked) => "the device sends nothing",
        };
        SourceError::new(
            SourceErrorKind::Silent,
            format!(
                "{}: no frame for {} ms: {why}",
                self.stream.node().path().display(),
                SILENCE.as_millis()
            ),
        )
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
}

/// The current input's state, asked now and then.
#[derive(Debug)]
struct InputWatch {
    number: Option<u32>,
    reader: SignalReader,
    state: InputState,
    due: Option<Instant>,
}

impl InputWatch {
    fn new(number: Option<u32>, detects: bool) -> Self {
        Self {
            number,
            reader: SignalReader::new(detects),
            state: InputState::Unsaid,
            due: None,
        }
    }

    fn look(&mut self, stream: &Stream, now: Instant) {
        let Some(number) = self.number else { return };
        if self.due.is_some_and(|due| now < due) {
            return;
        }
        self.due = Some(now + STATUS_PERIOD);
        // A device that does not answer says so where frames are read; here the last word stands.
        if let Ok(input) = stream.node().input(number) {
            self.state = self.reader.read(input.status);
        }
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
fn mark(buffer: &v4l2_buffer, rows: RowLayout) -> Mark {
    Mark {
        sequence: buffer.sequence,
        holds: match rows {
            RowLayout::Single(parity) => Holds::Field(parity),
            RowLayout::Woven | RowLayout::Sequential(_) => Holds::Frame,
        },
        stamp: stamp(buffer),
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
