//! Any other file, decoded by the installed `ffmpeg` program.
//!
//! In: a file. Out: its first picture stream, frame by frame as decoded: no rate conversion, no scaling, no turning;
//! luma codes untouched wherever the file has luma. `ffprobe` says beforehand what will come.
//!
//! The decoder goes on behind damage, and so do we: what it complained about is an error *after* the last frame it
//! delivered, as is a frame cut short or an exit that was no success. A file that decodes with complaints never ends
//! like a sound one.
//!
//! File names are given as `file:NAME`, and no other protocol is let through: neither a name nor a playlist inside
//! the file can make the program read from elsewhere.
//!
//! The picture on a sound file's cover is no picture stream.
//!
//! Does not know: codecs. A raster that changes within the file is scaled by the decoder to the first one, unseen.

use std::ffi::OsString;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Instant;

use super::file::{self, FileWord, FrameRate, fill, wait_for_room};
use super::{
    CodeRange, Frame, FramePool, Gap, InputState, PictureFormat, RowLayout, Source,
    SourceDescription, SourceError, SourceErrorKind, Wishes, pool_frames,
};

use pixels::Change;
use probe::{ENTRIES, Probe, ProbeFault};

mod pixels;
mod probe;

/// Complaints of the decoder kept for the message; the others are counted.
const KEPT_COMPLAINTS: usize = 3;

/// Bytes of `ffprobe`'s answer that are read: of one stream and one frame it says two or three thousand, and tags that a file is stuffed
/// with are not asked for.
const MOST_ANSWER_BYTES: u64 = 1 << 20;

/// Bytes of one complaint that are kept.
const COMPLAINT_BYTES: u64 = 300;

/// The two programs, by name or path.
#[derive(Clone, Debug)]
pub(super) struct Programs {
    pub(super) ffmpeg: OsString,
    pub(super) ffprobe: OsString,
}

impl Programs {
    /// As the search path has them.
    pub(super) fn installed() -> Self {
        Self {
            ffmpeg: "ffmpeg".into(),
            ffprobe: "ffprobe".into(),
        }
    }
}

/// A file being decoded.
#[derive(Debug)]
pub(super) struct Decoded {
    decoder: Decoder,
    description: SourceDescription,
    format: Arc<PictureFormat>,
    own_time: Option<FrameRate>,
    frame_bytes: usize,
    pool: FramePool,
    frames_read: u64,
    broken: bool,
}

impl Decoded {
    /// Looks at a file and starts the decoder.
    pub(super) fn open(
        path: &Path,
        wishes: &Wishes,
        programs: &Programs,
    ) -> Result<Self, SourceError> {
        let name = path.display().to_string();
        let probe = look(path, &name, programs)?;
        let (format, frame_bytes) = raster(&name, &probe, wishes)?;
        Ok(Self {
            decoder: Decoder::start(path, &name, &probe, &programs.ffmpeg)?,
            description: describe(name, &probe, &format, wishes),
            own_time: file::own_time(&probe.word, &format),
            format: Arc::new(format),
            frame_bytes,
            pool: FramePool::new(pool_frames(wishes.held_bytes, frame_bytes), frame_bytes),
            frames_read: 0,
            broken: false,
        })
    }

    fn read_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        let index = self.frames_read;
        let mut vacant = wait_for_room(&mut self.pool)?;
        let found = fill(&mut self.decoder.frames, vacant.bytes_mut()).map_err(|error| {
            SourceError::io(
                format!("cannot read frame {index} of {}", self.description.name),
                error,
            )
        })?;
        if found < self.frame_bytes {
            return self.end(found).map(|()| None);
        }
        self.frames_read += 1;
        Ok(Some(Frame {
            format: Arc::clone(&self.format),
            rows: RowLayout::Woven,
            data: vacant.fill(),
            gap: Gap::default(),
            device_time: self.own_time.map(|rate| rate.time_of(index)),
            arrived: Instant::now(),
            damaged: false,
            input: InputState::Unsaid,
        }))
    }

    /// The decoder writes no more: whether all went well, with `found` bytes of a last frame at hand.
    fn end(&mut self, found: usize) -> Result<(), SourceError> {
        let (name, frames) = (&self.description.name, self.frames_read);
        let (status, complaints) = self.decoder.finish().map_err(|error| {
            SourceError::io(
                format!("cannot tell how the decoding of {name} ended"),
                error,
            )
        })?;
        let cut = match found {
            0 => String::new(),
            found => format!("; frame {frames} has {found} bytes of {}", self.frame_bytes),
        };
        if status.success() && complaints.count == 0 && found == 0 {
            return Ok(());
        }
        let exit = if status.success() {
            String::new()
        } else {
            format!("; ffmpeg ended with {status}")
        };
        Err(SourceError::new(
            SourceErrorKind::Malformed,
            format!(
                "{name} did not decode without faults: {frames} frames came{cut}{exit}{}",
                complaints.in_words()
            ),
        ))
    }
}

impl Source for Decoded {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        if self.broken {
            return Err(SourceError::new(
                SourceErrorKind::Malformed,
                format!(
                    "{} cannot be decoded beyond frame {}",
                    self.description.name, self.frames_read
                ),
            ));
        }
        let frame = self.read_frame();
        self.broken = frame.is_err();
        frame
    }
}

/// What comes of a file of which `ffprobe` says this, in words.
pub(super) fn described(
    name: &str,
    answer: &[u8],
    wishes: &Wishes,
) -> Result<SourceDescription, SourceError> {
    let probe = understood(name, answer, "")?;
    let (format, _) = raster(name, &probe, wishes)?;
    Ok(describe(name.to_owned(), &probe, &format, wishes))
}

/// How frames will lie in memory, and the bytes of one.
fn raster(
    name: &str,
    probe: &Probe,
    wishes: &Wishes,
) -> Result<(PictureFormat, usize), SourceError> {
    let refuse = |why| {
        SourceError::new(
            SourceErrorKind::Malformed,
            format!("cannot decode {name}: {why}"),
        )
    };
    file::check_size(&probe.word, 0).map_err(refuse)?;
    let format = file::picture_format(&probe.word, wishes);
    let frame_bytes = format.buffer_bytes(format.rows);
    file::check_size(&probe.word, frame_bytes).map_err(refuse)?;
    Ok((format, frame_bytes))
}

/// The decoder at work; dropping it ends it.
#[derive(Debug)]
struct Decoder {
    child: Child,
    frames: ChildStdout,
    /// Reads what it says, so that it never waits for us to listen.
    listener: Option<JoinHandle<Complaints>>,
}

impl Decoder {
    fn start(
        path: &Path,
        name: &str,
        probe: &Probe,
        program: &OsString,
    ) -> Result<Self, SourceError> {
        let mut command = Command::new(program);
        command
            .args(decoder_arguments(path, probe))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        // An interrupt from the terminal is for us to act on: the decoder would call it a broken file.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        let mut child = command
            .spawn()
            .map_err(|error| not_run(program, name, error))?;
        let frames = child.stdout.take().expect("stdout is piped");
        let complaints = child.stderr.take().expect("stderr is piped");
        Ok(Self {
            child,
            frames,
            listener: Some(std::thread::spawn(move || listen(complaints))),
        })
    }

    /// Waits for the end of a decoder that has closed its output.
    fn finish(&mut self) -> std::io::Result<(ExitStatus, Complaints)> {
        let status = self.child.wait()?;
        let complaints = self
            .listener
            .take()
            .and_then(|listener| listener.join().ok())
            .unwrap_or_default();
        Ok((status, complaints))
    }
}

impl Drop for Decoder {
    fn drop(&mut self) {
        // Both fail only where it has ended already, and then there is nothing left to do.
        let _ = self.child.kill();
        let _ = self.finish();
    }
}

/// What the decoder said, in bounded memory.
#[derive(Debug, Default, PartialEq, Eq)]
struct Complaints {
    count: u64,
    first: Vec<String>,
}

impl Complaints {
    fn in_words(&self) -> String {
        if self.count == 0 {
            return String::new();
        }
        let more = match self.count - self.first.len() as u64 {
            0 => String::new(),
            more => format!(", and {more} more lines"),
        };
        format!("; ffmpeg said: {}{more}", self.first.join(" / "))
    }
}

fn listen(stderr: impl Read) -> Complaints {
    let mut stderr = BufReader::new(stderr);
    let mut complaints = Complaints::default();
    let mut line = Vec::new();
    loop {
        line.clear();
        match (&mut stderr)
            .take(COMPLAINT_BYTES)
            .read_until(b'\n', &mut line)
        {
            Ok(0) | Err(_) => return complaints,
            Ok(_) => {}
        }
        let text = String::from_utf8_lossy(&line).trim().to_owned();
        if text.is_empty() {
            continue;
        }
        complaints.count += 1;
        if complaints.first.len() < KEPT_COMPLAINTS {
            complaints.first.push(text);
        }
    }
}

/// `file:NAME`: neither a leading dash nor a colon in the name means anything to the programs.
fn as_argument(path: &Path) -> OsString {
    let mut argument = OsString::from("file:");
    argument.push(path);
    argument
}

/// Runs `ffprobe` on a file.
fn look(path: &Path, name: &str, programs: &Programs) -> Result<Probe, SourceError> {
    let mut program = Command::new(&programs.ffprobe)
        .args(["-v", "error", "-protocol_whitelist", "file", "-of", "json"])
        .args(["-select_streams", "V:0", "-read_intervals", "%+#1"])
        .args([
            "-show_program_version",
            "-show_streams",
            "-show_format",
            "-show_frames",
        ])
        .args(["-show_entries", ENTRIES])
        .arg("-i")
        .arg(as_argument(path))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|error| not_run(&programs.ffprobe, name, error))?;
    let complaints = program.stderr.take().expect("stderr is piped");
    let listener = std::thread::spawn(move || listen(complaints));
    let stdout = program.stdout.take().expect("stdout is piped");
    let mut answer = Vec::new();
    let read = stdout.take(MOST_ANSWER_BYTES + 1).read_to_end(&mut answer);
    let too_long = answer.len() as u64 > MOST_ANSWER_BYTES;
    if too_long {
        // It may have ended in this moment: then there is nothing to end.
        let _ = program.kill();
    }
    let status = read.and_then(|_| program.wait()).map_err(|error| {
        SourceError::io(format!("cannot hear what ffprobe says of {name}"), error)
    })?;
    if too_long {
        return Err(SourceError::new(
            SourceErrorKind::Malformed,
            format!(
                "cannot decode {name}: ffprobe says more than {} KiB of it, which no video file needs; convert it first",
                MOST_ANSWER_BYTES >> 10
            ),
        ));
    }
    let said = listener.join().unwrap_or_default().in_words();
    if !status.success() {
        return Err(SourceError::new(
            SourceErrorKind::Unsupported,
            format!("{name} is neither Y4M nor anything ffprobe can read{said}"),
        ));
    }
    understood(name, &answer, &said)
}

fn understood(name: &str, answer: &[u8], said: &str) -> Result<Probe, SourceError> {
    Probe::parse(answer).map_err(|fault| match fault {
        ProbeFault::NoPicture => SourceError::new(
            SourceErrorKind::Unsupported,
            format!("cannot decode {name}: {fault}{said}"),
        ),
        ProbeFault::Answer(cause) => SourceError::new(
            SourceErrorKind::Other,
            format!("cannot decode {name}: the answer of ffprobe cannot be understood"),
        )
        .caused_by(cause),
    })
}

fn not_run(program: &OsString, name: &str, error: std::io::Error) -> SourceError {
    let program = program.display();
    if error.kind() != std::io::ErrorKind::NotFound {
        return SourceError::io(format!("cannot run {program} to decode {name}"), error);
    }
    SourceError::new(
        SourceErrorKind::Missing,
        format!(
            "{name} is not Y4M, and the program {program}, which decodes everything else, was not found: \
             install FFmpeg (Debian: apt install ffmpeg), or give the file as Y4M"
        ),
    )
}

fn decoder_arguments(path: &Path, probe: &Probe) -> Vec<OsString> {
    let mut arguments: Vec<OsString> = ["-nostdin", "-hide_banner", "-v", "error"]
        .into_iter()
        .chain(["-protocol_whitelist", "file", "-noautorotate", "-i"])
        .map(OsString::from)
        .collect();
    arguments.push(as_argument(path));
    let pass_through = if probe.knows_fps_mode() {
        "-fps_mode"
    } else {
        "-vsync"
    };
    let mut rest = vec!["-map", "0:V:0", pass_through, "passthrough"];
    let filter = conversion(probe);
    if let Some(filter) = &filter {
        rest.extend(["-vf", filter]);
    }
    rest.extend(["-pix_fmt", &probe.pixels.ask, "-f", "rawvideo", "pipe:1"]);
    arguments.extend(rest.into_iter().map(OsString::from));
    arguments
}

/// The converter's orders, where samples change their place: codes keep their meaning. Left to itself it squeezes
/// full-range codes into 16-235.
fn conversion(probe: &Probe) -> Option<String> {
    if probe.pixels.ask == probe.pixel_format {
        return None;
    }
    let range = match probe.word.range {
        Some(CodeRange::Full) => "pc",
        Some(CodeRange::Studio) | None => "tv",
    };
    Some(match probe.pixels.change {
        Change::FromRgb => "scale=out_color_matrix=bt601:out_range=tv".to_owned(),
        _ => format!("scale=in_range={range}:out_range={range}"),
    })
}

fn describe(
    name: String,
    probe: &Probe,
    format: &PictureFormat,
    wishes: &Wishes,
) -> SourceDescription {
    let word: &FileWord = &probe.word;
    let mut details = vec![
        ("raster".to_owned(), format!("{}x{}", word.width, word.rows)),
        ("samples".to_owned(), file::samples_in_words(word.samples)),
        ("pixel format".to_owned(), probe.pixel_format.clone()),
    ];
    let rate = word
        .rate
        .map(|rate| format!("{}:{}", rate.numerator, rate.denominator));
    for (what, value) in [
        ("container", &probe.container),
        ("codec", &probe.codec),
        ("frame rate", &rate),
        ("sample aspect", &probe.aspect),
    ] {
        details.extend(value.clone().map(|value| (what.to_owned(), value)));
    }
    details.push(("decoder".to_owned(), format!("FFmpeg {}", probe.version)));
    let mut remarks = file::remarks(word, format, wishes);
    remarks.extend(remark_on_change(probe));
    remarks.extend(probe.rotation.map(|degrees| {
        format!("The file asks to be turned by {degrees}°: it is measured as it was recorded.")
    }));
    SourceDescription {
        name,
        kind: "decoded file".to_owned(),
        live: false,
        frames: probe.frames,
        details,
        controls: Vec::new(),
        remarks,
    }
}

fn remark_on_change(probe: &Probe) -> Option<String> {
    let name = &probe.pixel_format;
    match probe.pixels.change {
        Change::Nothing => None,
        Change::Chroma => Some(format!(
            "{name} has colour on an odd grid: it is resampled, luma is not touched."
        )),
        Change::FromRgb => Some(format!(
            "{name} has no luma: luma and colour differences are computed by BT.601 onto codes 16-235."
        )),
        Change::Unknown => Some(format!(
            "'{name}' is a pixel format not known here: ffmpeg converts it to {} as it sees fit.",
            probe.pixels.ask
        )),
    }
}

#[cfg(test)]
mod tests;
