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
use std::io::{Read, Seek, SeekFrom};
use std::sync::Arc;
use std::time::Instant;

use super::file::{self, FrameRate, fill, wait_for_room};
use super::{
    FieldOrder, Frame, FramePool, Gap, InputState, POOL_FRAMES, PictureFormat, RowLayout, Source,
    SourceDescription, SourceError, SourceErrorKind, Wishes,
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
        let stdin = Box::new(std::io::stdin());
        let mut y4m = Self::open(stdin, Vec::new(), "standard input".to_owned(), wishes)?;
        "Y4M on standard input".clone_into(&mut y4m.description.kind);
        Ok(y4m)
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
            pool: FramePool::new(POOL_FRAMES, header.frame_bytes),
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
mod tests {
    use std::io::{Cursor, ErrorKind, Write};

    use proptest::prelude::*;

    use super::*;
    use crate::sources::tape::Pace;
    use crate::sources::{ChromaGrid, Place, open};
    use crate::units::CodeRange;

    fn stream(bytes: impl Into<Vec<u8>>) -> Result<Y4m, SourceError> {
        let input = Box::new(Cursor::new(bytes.into()));
        Y4m::open(input, Vec::new(), "a stream".to_owned(), &Wishes::default())
    }

    /// A header and frames of 4x2 mono, each filled with its number.
    fn clip(header: &str, frame_line: &str, frames: u8) -> Vec<u8> {
        let mut bytes = format!("YUV4MPEG2 W4 H2 Cmono {header}\n").into_bytes();
        for index in 0..frames {
            bytes.extend_from_slice(frame_line.as_bytes());
            bytes.extend_from_slice(&[index; 8]);
        }
        bytes
    }

    fn read_all(source: &mut dyn Source) -> (Vec<Frame>, Option<SourceError>) {
        let mut frames = Vec::new();
        loop {
            match source.next_frame() {
                Ok(Some(frame)) => frames.push(frame),
                Ok(None) => return (frames, None),
                Err(error) => return (frames, Some(error)),
            }
        }
    }

    fn file_of(bytes: &[u8]) -> tempfile::NamedTempFile {
        let mut file = tempfile::NamedTempFile::new().expect("the temporary directory is writable");
        file.write_all(bytes)
            .expect("there is room for a few bytes");
        file
    }

    fn fault_of_file(bytes: &[u8]) -> (SourceErrorKind, String) {
        let file = file_of(bytes);
        let fault = open(
            &Place::File(file.path().to_owned()),
            &Wishes::default(),
            Pace::RealTime,
        );
        let fault = fault.err().expect("the file is no source");
        (fault.kind(), fault.to_string())
    }

    #[test]
    fn frames_arrive_whole_and_in_order() {
        let mut source = stream(clip("F25:1 It", "FRAME\n", 3)).expect("the header is whole");
        let (frames, error) = read_all(&mut source);
        assert!(error.is_none(), "{error:?}");
        let data: Vec<_> = frames.iter().map(|frame| frame.data.bytes()).collect();
        assert_eq!(data, [[0; 8], [1; 8], [2; 8]]);
        assert_eq!(frames[0].rows, RowLayout::Woven);
        assert_eq!(frames[0].format.field_order, Some(FieldOrder::Top));
        assert!(source.next_frame().is_ok_and(|frame| frame.is_none()));
    }

    #[test]
    fn parameters_of_a_frame_line_are_skipped() {
        let mut source = stream(clip("Ib", "FRAME Xyz=1 Itii\n", 2)).expect("the header is whole");
        let (frames, error) = read_all(&mut source);
        assert!(error.is_none(), "{error:?}");
        assert_eq!(frames[1].data.bytes(), [1; 8]);
        assert_eq!(frames[1].format.field_order, Some(FieldOrder::Bottom));
    }

    #[test]
    fn frames_of_a_mixed_stream_carry_their_own_order() {
        let mut bytes = clip("Im", "", 0);
        for line in ["FRAME Itii\n", "FRAME Ibii\n", "FRAME I1pp\n", "FRAME\n"] {
            bytes.extend_from_slice(line.as_bytes());
            bytes.extend_from_slice(&[16; 8]);
        }
        let (frames, _) = read_all(&mut stream(bytes.clone()).expect("the header is whole"));
        let orders: Vec<_> = frames.iter().map(|f| f.format.field_order).collect();
        let [top, bottom, progressive] =
            [FieldOrder::Top, FieldOrder::Bottom, FieldOrder::Progressive].map(Some);
        assert_eq!(orders, [top, bottom, progressive, None]);

        let wishes = Wishes {
            field_order: bottom,
            ..Wishes::default()
        };
        let input = Box::new(Cursor::new(bytes));
        let mut forced = Y4m::open(input, Vec::new(), String::new(), &wishes).expect("as before");
        let (frames, _) = read_all(&mut forced);
        assert!(frames.iter().all(|f| f.format.field_order == bottom));
    }

    #[test]
    fn a_fourth_plane_is_stepped_over() {
        let mut bytes = b"YUV4MPEG2 W2 H2 C444alpha\n".to_vec();
        for index in 0..2 {
            bytes.extend_from_slice(b"FRAME\n");
            bytes.extend_from_slice(&[index; 16]);
        }
        let (frames, error) = read_all(&mut stream(bytes).expect("the header is whole"));
        assert!(error.is_none(), "{error:?}");
        assert_eq!(frames[1].format.samples.chroma, ChromaGrid::Full);
        assert_eq!(frames[1].data.bytes()[..12], [1; 12]);
    }

    #[test]
    fn a_stream_cut_within_a_frame_is_an_error_after_the_frames_before() {
        let mut bytes = clip("", "FRAME\n", 3);
        bytes.truncate(bytes.len() - 3);
        let mut source = stream(bytes).expect("the header is whole");
        let (frames, error) = read_all(&mut source);
        let error = error.expect("the third frame is cut short");
        assert_eq!(frames.len(), 2);
        assert_eq!(error.kind(), SourceErrorKind::Malformed);
        let message = error.to_string();
        assert!(
            message.contains("within frame 2: 5 bytes found of 8"),
            "{message}"
        );
        // and it does not look like an end when asked again
        assert!(source.next_frame().is_err());
    }

    #[test]
    fn a_stream_cut_within_a_frame_line_is_an_error() {
        for cut in [1, 5] {
            let mut bytes = clip("", "FRAME\n", 1);
            bytes.extend_from_slice(&b"FRAME"[..cut]);
            let (frames, error) = read_all(&mut stream(bytes).expect("the header is whole"));
            let message = error.expect("the second line is cut short").to_string();
            assert_eq!(frames.len(), 1);
            assert!(
                message.contains("within the line before frame 1"),
                "{message}"
            );
        }
    }

    #[test]
    fn a_wrong_raster_shows_at_the_second_frame_line() {
        let mut bytes = clip("", "FRAME\n", 2);
        let at = bytes.len() - 8 - 6;
        bytes.splice(at..at, [7, 7, 7]);
        let (frames, error) = read_all(&mut stream(bytes).expect("the header is whole"));
        let message = error.expect("FRAME is not where it should be").to_string();
        assert_eq!(frames.len(), 1);
        assert!(
            message.contains(r"'\x07\x07\x07FRA' where FRAME should stand"),
            "{message}"
        );
    }

    #[test]
    fn the_operator_s_range_goes_before_the_header_s() {
        let header = "YUV4MPEG2 W4 H2 XCOLORRANGE=FULL\n";
        let range = |wish| {
            let wishes = Wishes {
                range: wish,
                ..Wishes::default()
            };
            let input = Box::new(Cursor::new(header.as_bytes()));
            let source = Y4m::open(input, Vec::new(), String::new(), &wishes);
            source.expect("the header is whole").format.range
        };
        assert_eq!(range(None), CodeRange::Full);
        assert_eq!(range(Some(CodeRange::Studio)), CodeRange::Studio);
    }

    #[test]
    fn a_rate_that_is_not_the_standard_s_gives_the_file_its_own_time() {
        let times = |header: &str| {
            let mut bytes = format!("YUV4MPEG2 Cmono {header}\n").into_bytes();
            for _ in 0..2 {
                bytes.extend_from_slice(b"FRAME\n");
                bytes.resize(bytes.len() + 2 * 576, 16);
            }
            let (frames, error) = read_all(&mut stream(bytes).expect("the header is whole"));
            assert!(error.is_none(), "{error:?}");
            frames[1].device_time.map(|time| time.as_millis())
        };
        assert_eq!(times("W2 H576 F25:1"), None);
        assert_eq!(times("W2 H576"), None);
        assert_eq!(times("W2 H576 F50:1"), Some(20));
        assert_eq!(times("W1 H1152 F10:1"), Some(100));
        assert_eq!(times("W1 H1152"), Some(40));
    }

    #[test]
    fn a_file_tells_how_many_frames_it_has() {
        for (line, frames) in [("FRAME\n", 5), ("FRAME Ixyz\n", 4), ("FRAME\n", 0)] {
            let file = file_of(&clip("F25:1", line, frames));
            let mut source = open(
                &Place::File(file.path().to_owned()),
                &Wishes::default(),
                Pace::RealTime,
            )
            .expect("the header is whole");
            assert_eq!(source.description().frames, Some(frames.into()));
            let (read, error) = read_all(&mut *source);
            assert!(error.is_none(), "{error:?}");
            assert_eq!(read.len(), usize::from(frames));
        }
    }

    #[test]
    fn files_that_are_no_source_say_why() {
        use SourceErrorKind::{Malformed, Unsupported};
        let too_long = [b"YUV4MPEG2 X".as_slice(), &[b'a'; MAX_LINE]].concat();
        for (bytes, kind, wanted) in [
            (b"".as_slice(), Malformed, "is empty"),
            (b"YUV4MPEG2 W4 H2", Malformed, "ends within its header"),
            (b"YUV4MPEG2 W0 H0\n", Malformed, "0x0"),
            (b"YUV4MPEG2 W99999 H2\n", Malformed, "99999x2"),
            (b"YUV4MPEG2 H2\n", Malformed, "no width"),
            (b"YUV4MPEG2 W4 H2 F0:1\n", Malformed, "above zero"),
            (b"YUV4MPEG2 W4 H2 C440\n", Unsupported, "'440'"),
            (b"YUV4MPEG24 W4 H2\n", Malformed, "YUV4MPEG24"),
            (&too_long, Malformed, "does not end within 4096"),
        ] {
            let (found, message) = fault_of_file(bytes);
            assert_eq!(found, kind, "{message}");
            assert!(message.contains(wanted), "{message}");
        }
    }

    #[test]
    fn a_directory_and_a_missing_file_say_so() {
        let directory = tempfile::tempdir().expect("the temporary directory is writable");
        let fault = |path| {
            let source = open(&Place::File(path), &Wishes::default(), Pace::RealTime);
            source.err().expect("there is no file")
        };
        let found = fault(directory.path().to_owned());
        assert_eq!(found.kind(), SourceErrorKind::Unsupported);
        assert!(found.to_string().contains("is a directory"), "{found}");
        let found = fault(directory.path().join("none.y4m"));
        assert_eq!(found.kind(), SourceErrorKind::Missing);
        assert!(found.to_string().contains("none.y4m"), "{found}");
    }

    #[test]
    fn a_pipe_that_is_not_y4m_names_what_is_wanted() {
        let message = stream(b"\x1aE\xdf\xa3\x01\x02\x03\x04\x05\x06".as_slice())
            .err()
            .expect("that is another kind of file")
            .to_string();
        assert!(message.contains("where YUV4MPEG2 is wanted"), "{message}");
        let nothing = stream(Vec::new()).err().expect("there is nothing");
        assert!(
            nothing.to_string().contains("nothing came on a stream"),
            "{nothing}"
        );
    }

    #[test]
    fn a_read_that_fails_keeps_its_cause() {
        struct Failing(ErrorKind);
        impl Read for Failing {
            fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
                Err(self.0.into())
            }
        }
        for (kind, wanted) in [
            (ErrorKind::PermissionDenied, SourceErrorKind::Denied),
            (ErrorKind::BrokenPipe, SourceErrorKind::Other),
        ] {
            let at_start = Y4m::open(
                Box::new(Failing(kind)),
                Vec::new(),
                "x".to_owned(),
                &Wishes::default(),
            );
            assert_eq!(at_start.err().map(|error| error.kind()), Some(wanted));
            let later = Cursor::new(clip("", "FRAME\n", 1)).chain(Failing(kind));
            let later = Y4m::open(
                Box::new(later),
                Vec::new(),
                String::new(),
                &Wishes::default(),
            );
            let (frames, error) = read_all(&mut later.expect("the header is whole"));
            assert_eq!(frames.len(), 1);
            assert_eq!(error.map(|error| error.kind()), Some(wanted));
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn arbitrary_streams_end_or_fail_but_never_panic(
            tags in "( [WHFIACX][0-9:ptbm?]{1,3}){0,5}",
            rest in proptest::collection::vec(any::<u8>(), 0..300),
        ) {
            let bytes = [format!("YUV4MPEG2 W4 H2{tags}\nFRAME\n").as_bytes(), &rest].concat();
            if let Ok(mut source) = stream(bytes) {
                let (frames, _) = read_all(&mut source);
                prop_assert!(frames.len() <= rest.len() / 8 + 1);
            }
        }

        #[test]
        fn a_cut_anywhere_never_looks_like_a_short_file(cut in 1_usize..60) {
            let whole = clip("F25:1", "FRAME\n", 4);
            let head = clip("F25:1", "FRAME\n", 0).len();
            let kept = whole.len() - cut.min(whole.len() - head);
            let (frames, error) = read_all(&mut stream(&whole[..kept]).expect("the header is whole"));
            prop_assert_eq!(error.is_none(), (kept - head) % 14 == 0);
            prop_assert_eq!(frames.len(), (kept - head) / 14);
        }
    }
}
