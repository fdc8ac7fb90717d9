//! Y4M, from a file or a pipe.
//!
//! In: a stream that begins with YUV4MPEG2. Out: [`Frame`]s, each read straight into its pool buffer: only the text
//! lines pass through a small one. A stream that ends within a frame is an error after the frames before it.
//!
//! Frame lines may carry parameters; they are skipped, except the field order of streams that say it for each frame
//! (`Im`). Frames marked to be shown longer are handed on once: we look at pictures, not at their presentation.
//!
//! Does not know: where the bytes come from.

use std::fs::File;
use std::io::{IsTerminal, Read, Seek, SeekFrom};
use std::sync::Arc;
use std::time::Instant;

use super::file::{self, FrameRate, fill, wait_for_room};
use super::{
    FieldOrder, Frame, FramePool, Gap, InputState, PictureFormat, RowLayout, Source,
    SourceDescription, SourceError, SourceErrorKind, Wishes, pool_frames,
};

use header::{Header, HeaderFault, Interlacing, MAX_LINE, frame_order, printable};

pub(super) use header::MAGIC;

mod header;

/// How the line before a frame begins.
const FRAME_MAGIC: &[u8; 5] = b"FRAME";

/// A Y4M stream.
pub(super) struct Y4m {
    input: Box<dyn Read + Send>,
    description: SourceDescription,
    format: Arc<PictureFormat>,
    /// The format by each frame's own word, where the stream leaves it to them.
    mixed: Option<Mixed>,
    own_time: Option<FrameRate>,
    frame_bytes: usize,
    pool: FramePool,
    frames_read: u64,
    line: Vec<u8>,
    broken: bool,
}

/// One shared format for each field order.
struct Mixed {
    top: Arc<PictureFormat>,
    bottom: Arc<PictureFormat>,
    progressive: Arc<PictureFormat>,
}

impl Mixed {
    fn new(format: &PictureFormat) -> Self {
        let with = |order| {
            Arc::new(PictureFormat {
                field_order: Some(order),
                ..format.clone()
            })
        };
        Self {
            top: with(FieldOrder::Top),
            bottom: with(FieldOrder::Bottom),
            progressive: with(FieldOrder::Progressive),
        }
    }

    fn of(&self, order: FieldOrder) -> &Arc<PictureFormat> {
        match order {
            FieldOrder::Top => &self.top,
            FieldOrder::Bottom => &self.bottom,
            FieldOrder::Progressive => &self.progressive,
        }
    }
}

impl Y4m {
    /// Y4M on standard input.
    pub(super) fn from_stdin(wishes: &Wishes) -> Result<Self, SourceError> {
        let stdin = std::io::stdin();
        if stdin.is_terminal() {
            return Err(SourceError::new(
                SourceErrorKind::Unsupported,
                "standard input is a terminal: pipe Y4M into it, or name a file",
            ));
        }
        let mut y4m = Self::from_stream(Box::new(stdin), "standard input", wishes)?;
        "Y4M on standard input".clone_into(&mut y4m.description.kind);
        Ok(y4m)
    }

    /// Y4M from anything that can be read.
    pub(super) fn from_stream(
        input: Box<dyn Read + Send>,
        name: &str,
        wishes: &Wishes,
    ) -> Result<Self, SourceError> {
        Self::open(input, Vec::new(), name.to_owned(), wishes)
    }

    /// A Y4M file whose magic has been read.
    pub(super) fn from_file(
        file: File,
        name: String,
        wishes: &Wishes,
    ) -> Result<Self, SourceError> {
        let doing = format!("cannot read {name}");
        // Both handles share one position.
        let mut second_handle = file
            .try_clone()
            .map_err(|error| SourceError::io(&doing, error))?;
        let mut y4m = Self::open(Box::new(file), MAGIC.to_vec(), name, wishes)?;
        y4m.description.frames = frames_ahead(&mut second_handle, y4m.frame_bytes)
            .map_err(|error| SourceError::io(&doing, error))?;
        Ok(y4m)
    }

    /// A stream of which `line` has been read.
    fn open(
        mut input: Box<dyn Read + Send>,
        mut line: Vec<u8>,
        name: String,
        wishes: &Wishes,
    ) -> Result<Self, SourceError> {
        let header = read_header(&mut input, &mut line, &name)?;
        let format = file::picture_format(&header.word, wishes);
        let description = describe(name, &header, &format, wishes);
        let mixed = header.interlacing == Interlacing::Mixed && !format.field_order_forced;
        Ok(Self {
            input,
            description,
            mixed: mixed.then(|| Mixed::new(&format)),
            own_time: file::own_time(&header.word, &format),
            format: Arc::new(format),
            frame_bytes: header.frame_bytes,
            pool: FramePool::new(
                pool_frames(wishes.held_bytes, header.frame_bytes),
                header.frame_bytes,
            ),
            frames_read: 0,
            line,
            broken: false,
        })
    }
}

impl Y4m {
    fn read_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        let name = &self.description.name;
        let index = self.frames_read;
        let io = |error| SourceError::io(format!("cannot read frame {index} of {name}"), error);
        match read_frame_line(&mut self.input, &mut self.line).map_err(io)? {
            FrameLine::Whole => {}
            FrameLine::End if index == 0 => {
                return Err(malformed(format!(
                    "{name} holds no frame: it ends right after its header"
                )));
            }
            FrameLine::End => return Ok(None),
            FrameLine::CutShort => {
                return Err(malformed(format!(
                    "{name} ends within the line before frame {index}: the {index} frames before it are whole"
                )));
            }
            FrameLine::Foreign => {
                return Err(malformed(format!(
                    "{name} has '{}' where FRAME should stand before frame {index}: it is damaged there, or its \
                     header states another raster than its frames have",
                    printable(&self.line)
                )));
            }
        }
        let mut vacant = wait_for_room(&mut self.pool)?;
        let found = fill(&mut self.input, vacant.bytes_mut()).map_err(io)?;
        if found < self.frame_bytes {
            return Err(malformed(format!(
                "{name} ends within frame {index}: {found} bytes found of {}; the {index} frames before it are whole",
                self.frame_bytes
            )));
        }
        self.frames_read += 1;
        let order = self.mixed.as_ref().zip(frame_order(&self.line));
        Ok(Some(Frame {
            format: Arc::clone(order.map_or(&self.format, |(mixed, order)| mixed.of(order))),
            rows: RowLayout::Woven,
            data: vacant.fill(),
            gap: Gap::default(),
            device_time: self.own_time.map(|rate| rate.time_of(index)),
            arrived: Instant::now(),
            damaged: false,
            input: InputState::Unsaid,
        }))
    }
}

impl Source for Y4m {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        if self.broken {
            return Err(malformed(format!(
                "{} cannot be read beyond frame {}",
                self.description.name, self.frames_read
            )));
        }
        let frame = self.read_frame();
        self.broken = frame.is_err();
        frame
    }
}

fn malformed(message: String) -> SourceError {
    SourceError::new(SourceErrorKind::Malformed, message)
}

/// Reads the head of the stream; `line` holds what was read of it before.
fn read_header(
    input: &mut dyn Read,
    line: &mut Vec<u8>,
    name: &str,
) -> Result<Header, SourceError> {
    let fault = |fault: HeaderFault| {
        let kind = match fault {
            HeaderFault::Chroma(_) => SourceErrorKind::Unsupported,
            _ => SourceErrorKind::Malformed,
        };
        SourceError::new(kind, format!("cannot read {name} as Y4M: {fault}"))
    };
    // The magic alone tells another kind of data before a newline is looked for.
    if line.is_empty() {
        line.resize(MAGIC.len(), 0);
        let found = fill(input, line)
            .map_err(|error| SourceError::io(format!("cannot read {name}"), error))?;
        line.truncate(found);
        if line.is_empty() {
            return Err(malformed(format!(
                "nothing came on {name}: it ended before its first byte"
            )));
        }
        if line != MAGIC {
            return Err(fault(HeaderFault::Magic(printable(line))));
        }
    }
    match read_line(input, line)
        .map_err(|error| SourceError::io(format!("cannot read the header of {name}"), error))?
    {
        LineEnd::Newline => Header::parse(line).map_err(fault),
        LineEnd::Input => Err(fault(HeaderFault::Ended)),
        LineEnd::TooLong => Err(fault(HeaderFault::TooLong)),
    }
}

/// What stopped the reading of a line.
enum LineEnd {
    Newline,
    Input,
    TooLong,
}

/// Appends to `line` up to the next newline, byte by byte: nothing of the picture behind it may be taken.
fn read_line(input: &mut dyn Read, line: &mut Vec<u8>) -> std::io::Result<LineEnd> {
    let mut byte = [0];
    while line.len() < MAX_LINE {
        if fill(input, &mut byte)? == 0 {
            return Ok(LineEnd::Input);
        }
        if byte[0] == b'\n' {
            return Ok(LineEnd::Newline);
        }
        line.push(byte[0]);
    }
    Ok(LineEnd::TooLong)
}

/// What stood before a frame.
#[derive(Debug, PartialEq, Eq)]
enum FrameLine {
    Whole,
    End,
    CutShort,
    Foreign,
}

/// Reads the line before a frame; almost always it is the six bytes of one read.
fn read_frame_line(input: &mut dyn Read, line: &mut Vec<u8>) -> std::io::Result<FrameLine> {
    line.clear();
    line.resize(FRAME_MAGIC.len() + 1, 0);
    let found = fill(input, line)?;
    line.truncate(found);
    let Some((&last, magic)) = line.split_last().filter(|_| found > FRAME_MAGIC.len()) else {
        return Ok(match found {
            0 => FrameLine::End,
            _ if FRAME_MAGIC.starts_with(line) => FrameLine::CutShort,
            _ => FrameLine::Foreign,
        });
    };
    if magic != FRAME_MAGIC || !matches!(last, b'\n' | b' ') {
        return Ok(FrameLine::Foreign);
    }
    if last == b'\n' {
        line.pop();
        return Ok(FrameLine::Whole);
    }
    Ok(match read_line(input, line)? {
        LineEnd::Newline => FrameLine::Whole,
        LineEnd::Input => FrameLine::CutShort,
        LineEnd::TooLong => FrameLine::Foreign,
    })
}

/// Frames from here to the end of a regular file, were all their lines as long as the first; the position is kept.
fn frames_ahead(file: &mut File, frame_bytes: usize) -> std::io::Result<Option<u64>> {
    let about = file.metadata()?;
    if !about.is_file() {
        return Ok(None);
    }
    let here = file.stream_position()?;
    let mut line = Vec::new();
    let first = read_frame_line(file, &mut line)?;
    file.seek(SeekFrom::Start(here))?;
    let rest = about.len().saturating_sub(here);
    let frame = (line.len() + 1 + frame_bytes) as u64;
    Ok((first == FrameLine::Whole || first == FrameLine::End).then_some(rest / frame))
}

fn describe(
    name: String,
    header: &Header,
    format: &PictureFormat,
    wishes: &Wishes,
) -> SourceDescription {
    let word = &header.word;
    let mut details = vec![
        ("raster".to_owned(), format!("{}x{}", word.width, word.rows)),
        ("samples".to_owned(), file::samples_in_words(word.samples)),
    ];
    if let Some(rate) = word.rate {
        let rate = format!("{}:{}", rate.numerator, rate.denominator);
        details.push(("frame rate".to_owned(), rate));
    }
    details.extend(
        header
            .aspect
            .clone()
            .map(|a| ("sample aspect".to_owned(), a)),
    );
    let mut remarks = file::remarks(word, format, wishes);
    if header.interlacing == Interlacing::Mixed {
        remarks.push("Each frame of the file says its own field order.".to_owned());
    }
    if header.alpha {
        remarks.push("The file has a fourth plane (transparency): it is skipped.".to_owned());
    }
    SourceDescription {
        name,
        kind: "Y4M file".to_owned(),
        live: false,
        frames: None,
        details,
        controls: Vec::new(),
        remarks,
    }
}

#[cfg(test)]
mod tests;
