//! The tee: every captured frame handed on as Y4M to whoever records it, on a thread of its own.
//!
//! In: frames as the capture thread reads them, before the analysis. Out: Y4M on standard output, into a file or a pipe with
//! a name, every sample value as it came; fields that came one by one or one after the other are woven. Frames wait in a
//! bounded buffer; when a live source finds it full, the frame is left out, counted, and told of, and monitoring goes on. A
//! file waits.
//!
//! Y4M has no times. What stands for frames that the source lost, or that found no room, is the operator's choice
//! ([`Gaps`]): the picture before again, so that sound recorded beside it stays in step, or nothing. A field that came
//! without its partner is woven with that of the frame before, whatever was chosen: what came is handed on.
//!
//! Does not know: what is measured of the frames.

use std::fs::OpenOptions;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};

use crate::cli::{Gaps, TeeJob, TeeTo};
use crate::record::{self, HandedOn};
use crate::sources::{FieldOrder, Frame, Gap, PictureFormat, RowLayout};
use crate::timecode::FieldIndex;
use crate::views::beside::refuse_planted;
use crate::views::y4m::{Y4mError, Y4mWriter};

use super::capture::fields_in;

/// How long the recorder may take to take what still waits when the pass is over: more than any buffer of the usual size
/// takes a recorder that keeps up.
const PATIENCE: Duration = Duration::from_secs(60);

/// Bytes written at once at least: a header, or the word before a frame, goes with its frame.
const WRITE_BUFFER_BYTES: usize = 64 * 1024;

/// The capture thread's end.
pub(super) struct TeeSender {
    frames: Sender<Part>,
    places: Places,
    gaps: Gaps,
    /// The turn that is in force; `None` while frames stand where the pass has them.
    in_force: Option<HandedOn>,
    turn: Option<HandedOn>,
    waiting: Arc<AtomicUsize>,
    most_bytes: usize,
    /// Missing before the next frame that is handed on: lost, or left out.
    owed: Gap,
    /// Frames left out since the recorder fell behind.
    left_out: u64,
    gone: bool,
    note: Option<String>,
    failure: Receiver<Failure>,
}

/// The recorder failed: told by whoever hears of it first, once.
struct Failure;

/// A running tee.
pub(super) struct Tee {
    over: Receiver<()>,
    failure: Receiver<Failure>,
    thread: JoinHandle<Result<Handed>>,
}

/// What was handed on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Handed {
    /// Frames written in all.
    pub frames: u64,
    /// Of those, the ones that stand for missing ones.
    pub repeated: u64,
}

impl Tee {
    /// Starts the thread; a pipe with a name is opened there, since that waits for its reader.
    ///
    /// # Errors
    /// The file exists already or cannot be made, or there is no thread.
    pub(super) fn start(job: &TeeJob, format: &PictureFormat) -> Result<(Self, TeeSender)> {
        let out = Destination::prepare(&job.to)?;
        let frame_bytes = format.buffer_bytes(format.rows).max(1);
        // Single fields are half of that: the bytes are counted besides.
        let room = 2 * (job.buffer_bytes / frame_bytes).max(1);
        Self::start_into(out, job, room)
    }

    fn start_into(out: Destination, job: &TeeJob, room: usize) -> Result<(Self, TeeSender)> {
        let (frames, queue) = bounded(room);
        let (until_end, over) = bounded(0);
        let (fail, failure) = bounded(1);
        let waiting = Arc::<AtomicUsize>::default();
        let taken = Arc::clone(&waiting);
        let thread = std::thread::Builder::new()
            .name("tee".into())
            .spawn(move || {
                let _until_end: Sender<()> = until_end;
                let name = out.name();
                let write = || -> Result<Handed> {
                    let out = BufWriter::with_capacity(WRITE_BUFFER_BYTES, out.open()?);
                    Ok(write_all(&queue, &taken, out)?)
                };
                let written = write();
                if written.is_err() {
                    let _ = fail.send(Failure); // before the queue goes: whoever finds it gone may know
                }
                written.with_context(|| format!("handing frames on to {name}"))
            })
            .context("starting the thread that hands frames on")?;
        let sender = TeeSender {
            frames,
            places: Places::new(job.gaps),
            gaps: job.gaps,
            in_force: None,
            turn: None,
            waiting,
            most_bytes: job.buffer_bytes,
            owed: Gap::default(),
            left_out: 0,
            gone: false,
            note: None,
            failure: failure.clone(),
        };
        let tee = Self {
            over,
            failure,
            thread,
        };
        Ok((tee, sender))
    }

    /// What is to be told of a recorder that failed while the last frames waited, which no frame came after to tell of.
    /// One that is still at it after `patience` is told of by [`Tee::finish`] alone.
    pub(super) fn late_note(&self, patience: Duration) -> Option<String> {
        let failed = self.failure.recv_timeout(patience).is_ok();
        failed
            .then(|| "The recorder takes no more frames: the last ones were not handed on.".into())
    }

    /// Waits until everything is written; the sender must be gone.
    ///
    /// # Errors
    /// Not everything could be handed on.
    pub(super) fn finish(self) -> Result<Handed> {
        if self.over.recv_timeout(PATIENCE) == Err(RecvTimeoutError::Timeout) {
            bail!(
                "the recorder did not take the last frames within {} s of the end; its file is cut short",
                PATIENCE.as_secs()
            );
        }
        self.thread
            .join()
            .map_err(|_panic| anyhow!("the thread that hands frames on panicked"))?
    }
}

impl TeeSender {
    /// Hands a frame on, or counts it where there is no room; a source that waits waits for room.
    pub(super) fn offer(&mut self, frame: &Frame, live: bool) {
        let mut frame = frame.clone();
        frame.gap = self.owed.and(frame.gap);
        let bytes = frame.data.bytes().len();
        if self.gone {
            return;
        }
        let mut places = self.places.clone();
        let placed = places.place(&frame);
        let is_full = live && self.waiting.load(Ordering::Relaxed) + bytes > self.most_bytes;
        let part = Part { frame, placed };
        let sent = if is_full {
            Err(TrySendError::Full(part))
        } else {
            self.waiting.fetch_add(bytes, Ordering::Relaxed);
            let sent = if live {
                self.frames.try_send(part)
            } else {
                let sent = self.frames.send(part);
                sent.map_err(|error| TrySendError::Disconnected(error.0))
            };
            if sent.is_err() {
                self.waiting.fetch_sub(bytes, Ordering::Relaxed);
            }
            sent
        };
        match sent {
            Ok(()) => {
                self.places = places;
                self.stands_at(placed.field, placed.tee_frame);
                self.caught_up();
            }
            Err(TrySendError::Full(part)) => {
                if self.gaps == Gaps::Omit {
                    self.stands_at(placed.field, None);
                }
                self.leave_out(&part.frame);
            }
            Err(TrySendError::Disconnected(_)) => {
                self.gone = true;
                let _ = self.failure.try_recv(); // it is told of here
                self.stands_at(placed.field, None);
                self.note = Some(
                    "The recorder takes no more frames: none is handed on from here. Monitoring goes on.".into(),
                );
            }
        }
    }

    /// What is to be told of the recorder since it was last asked.
    pub(super) fn note(&mut self) -> Option<String> {
        self.note.take()
    }

    /// From which field on frames stand elsewhere, since it was last asked.
    pub(super) fn turn(&mut self) -> Option<HandedOn> {
        self.turn.take()
    }

    /// Notes where a field stands, if that is not where it was to be expected.
    fn stands_at(&mut self, field: u64, tee_frame: Option<u64>) {
        let start = FieldIndex(field);
        let expected = record::tee_frame(self.in_force.as_slice(), start);
        if expected != tee_frame {
            let turn = HandedOn { start, tee_frame };
            self.in_force = Some(turn);
            self.turn = Some(turn);
        }
    }

    fn caught_up(&mut self) {
        self.owed = Gap::default();
        let left_out = std::mem::take(&mut self.left_out);
        if left_out > 0 {
            self.note = Some(format!(
                "The recorder takes frames again; {left_out} were not handed on."
            ));
        }
    }

    fn leave_out(&mut self, frame: &Frame) {
        self.owed = frame.gap.and(Gap {
            lost_by_us: fields_in(frame),
            ..Gap::default()
        });
        self.left_out += 1;
        if self.left_out == 1 {
            self.note = Some(
                "The recorder is too slow and the buffer before it is full: frames are not handed on from here."
                    .into(),
            );
        }
    }
}

/// Where frames go.
enum Destination {
    Stdout,
    /// A file of our own making.
    File(std::fs::File, PathBuf),
    /// A pipe with a name, or a device: opened when the thread runs.
    Special(PathBuf),
}

impl Destination {
    fn prepare(to: &TeeTo) -> Result<Self> {
        let TeeTo::File(path) = to else {
            return Ok(Self::Stdout);
        };
        if is_special(path) {
            return Ok(Self::Special(path.clone()));
        }
        let made = OpenOptions::new().write(true).create_new(true).open(path);
        let file = made.map_err(|error| match error.kind() {
            io::ErrorKind::AlreadyExists => anyhow!(
                "cannot hand frames on to {}: it exists already; name another file",
                path.display()
            ),
            _ => anyhow::Error::from(error)
                .context(format!("cannot make {} for --tee", path.display())),
        })?;
        Ok(Self::File(file, path.clone()))
    }

    fn name(&self) -> String {
        match self {
            Self::Stdout => "standard output".to_owned(),
            Self::File(_, path) | Self::Special(path) => path.display().to_string(),
        }
    }

    fn open(self) -> io::Result<Box<dyn Write>> {
        Ok(match self {
            Self::Stdout => plain_stdout()?,
            Self::File(file, _) => Box::new(file),
            Self::Special(path) => {
                refuse_planted(&path)?;
                Box::new(OpenOptions::new().write(true).open(path)?)
            }
        })
    }
}

/// Whether something is there that is not a file: a pipe, a device.
fn is_special(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|found| !found.is_file() && !found.is_dir())
}

/// Standard output without the search for line ends that the library's own does.
#[cfg(unix)]
fn plain_stdout() -> io::Result<Box<dyn Write>> {
    use std::os::fd::AsFd;
    let descriptor = io::stdout().as_fd().try_clone_to_owned()?;
    Ok(Box::new(std::fs::File::from(descriptor)))
}

#[cfg(not(unix))]
fn plain_stdout() -> io::Result<Box<dyn Write>> {
    Ok(Box::new(io::stdout()))
}

/// A frame and what it makes of the stream.
struct Part {
    frame: Frame,
    placed: Placed,
}

/// What a frame makes of the stream: in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Placed {
    /// Its first field's number in the pass.
    field: u64,
    /// The frame before lacks its second field and goes out as it is.
    completes: bool,
    /// The picture before stands for so many missing ones.
    repeats: u64,
    /// It makes a picture whole, which goes out.
    whole: bool,
    /// The first half of a picture.
    opens: bool,
    /// The frame of the stream that shows it; `None` for a half before the first whole picture.
    tee_frame: Option<u64>,
}

/// Says where frames stand in the stream.
#[derive(Clone, Debug)]
struct Places {
    gaps: Gaps,
    /// The next field's number on the time axis if nothing is missing.
    next_field: u64,
    /// The next frame's number on it; `None` before the first whole one.
    next_frame: Option<u64>,
    /// The frame whose first field has come.
    open: Option<u64>,
    /// Frames of the stream so far.
    written: u64,
}

impl Places {
    fn new(gaps: Gaps) -> Self {
        Self {
            gaps,
            next_field: 0,
            next_frame: None,
            open: None,
            written: 0,
        }
    }

    fn place(&mut self, frame: &Frame) -> Placed {
        let order = frame.format.field_order.unwrap_or(FieldOrder::Top);
        let (opens, closes) = match frame.rows {
            RowLayout::Woven | RowLayout::Sequential(_) => (true, true),
            RowLayout::Single(parity) => (parity == order.first(), parity != order.first()),
        };
        let mut field = self.next_field + frame.gap.fields();
        field += u64::from(field.is_multiple_of(2) != opens);
        self.next_field = field + fields_in(frame);
        let number = field / 2;
        let completes = self.open.filter(|&open| open != number);
        if let Some(open) = completes {
            self.write(open);
        }
        let next = self.next_frame.unwrap_or(number).min(number);
        let repeats = match self.gaps {
            Gaps::Repeat => number - next,
            Gaps::Omit => 0,
        };
        self.written += repeats;
        let tee_frame = self.written;
        let begun = opens || self.open.is_some() || self.next_frame.is_some();
        let whole = closes && begun;
        if whole {
            self.write(number);
        } else if opens {
            self.open = Some(number);
            self.next_frame = Some(number);
        }
        Placed {
            field,
            completes: completes.is_some(),
            repeats,
            whole,
            opens,
            tee_frame: begun.then_some(tee_frame),
        }
    }

    fn write(&mut self, number: u64) {
        self.open = None;
        self.next_frame = Some(number + 1);
        self.written += 1;
    }
}

fn write_all(
    parts: &Receiver<Part>,
    waiting: &AtomicUsize,
    out: impl Write,
) -> Result<Handed, Y4mError> {
    let mut stream = Stream::new(out);
    for part in parts {
        let bytes = part.frame.data.bytes().len();
        let written = stream.take(&part);
        drop(part); // its buffer is free
        waiting.fetch_sub(bytes, Ordering::Relaxed);
        written?;
    }
    stream.finish()
}

/// Frames in order, made whole, what is missing stood for.
struct Stream<W: Write> {
    y4m: Y4mWriter<W>,
    half: bool,
    handed: Handed,
}

impl<W: Write> Stream<W> {
    fn new(out: W) -> Self {
        Self {
            y4m: Y4mWriter::new(out),
            half: false,
            handed: Handed::default(),
        }
    }

    fn take(&mut self, part: &Part) -> Result<(), Y4mError> {
        let placed = part.placed;
        if placed.completes {
            self.put()?;
        }
        for _ in 0..placed.repeats {
            self.put()?;
            self.handed.repeated += 1;
        }
        self.y4m.weave(&part.frame)?;
        self.half = placed.opens && !placed.whole;
        if placed.whole {
            self.put()?;
        }
        Ok(())
    }

    fn put(&mut self) -> Result<(), Y4mError> {
        self.half = false;
        self.handed.frames += 1;
        self.y4m.put_woven()
    }

    fn finish(mut self) -> Result<Handed, Y4mError> {
        if self.half {
            self.put()?;
        }
        self.y4m.finish()?;
        Ok(self.handed)
    }
}

#[cfg(test)]
mod tests;
