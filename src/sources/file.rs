//! What all files share: known by their first bytes, one picture format from several words, back-pressure.
//!
//! In: what a header or a probe says ([`FileWord`]) and the operator's [`Wishes`]. Out: a [`PictureFormat`], remarks
//! on every word that had to be presumed, and the file's own time where its rate is not the standard's.
//!
//! Does not know: how any one kind of file is read.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;
use std::time::{Duration, Instant};

use super::decoded::{Decoded, Programs};
use super::y4m::{MAGIC, Y4m};
use super::{
    ChromaGrid, CodeRange, FieldOrder, FramePool, PictureFormat, RateTrust, SampleFormat, Source,
    SourceError, SourceErrorKind, Standard, VacantBuffer, Wishes, sample_rate,
};

/// Samples a row, and rows, beyond which a header is taken for damaged: four times the widest cinema raster.
pub(super) const MAX_SIDE: usize = 16_384;

/// Bytes a frame beyond which a header is taken for damaged: 4096x2160 in 4:4:4 of 16 bit takes 51 MiB, and a pool holds fourteen.
pub(super) const MAX_FRAME_BYTES: usize = 64 << 20;

/// How playlists begin: a decoder would go where they point, and wait for more.
const PLAYLIST: &[u8] = b"#EXTM3U";

/// How long a file waits for a frame buffer to come back. The analysis may stall on a disk for seconds; beyond this
/// somebody keeps frames who should not.
const ROOM_PATIENCE: Duration = Duration::from_secs(60);

/// Pause between two looks for a vacant buffer, far below the time a frame takes at forty times real time.
const ROOM_PAUSE: Duration = Duration::from_micros(200);

/// Relative difference of two frame rates that are the same; 30 and 29.97 differ by five times this.
const SAME_RATE: f64 = 0.000_2;

/// Frames a second, as a fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct FrameRate {
    pub(super) numerator: u32,
    pub(super) denominator: u32,
}

impl FrameRate {
    pub(super) fn per_second(self) -> f64 {
        f64::from(self.numerator) / f64::from(self.denominator)
    }

    /// When frame `index` begins.
    pub(super) fn time_of(self, index: u64) -> Duration {
        const NANOS_A_SECOND: u128 = 1_000_000_000;
        let nanos = u128::from(index) * u128::from(self.denominator) * NANOS_A_SECOND
            / u128::from(self.numerator);
        Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX))
    }

    /// Whether frames come as fast as the standard's.
    fn is_usual_of(self, standard: Standard) -> bool {
        let (fields, seconds) = standard.field_rate();
        let usual = f64::from(fields) / f64::from(2 * seconds);
        (self.per_second() / usual - 1.0).abs() < SAME_RATE
    }
}

/// Whether a fraction is a rate that pictures come at. Beyond, a file's own times are nonsense: of one that takes a year a frame, no
/// pass has an end.
pub(super) fn is_a_frame_rate(numerator: u32, denominator: u32) -> bool {
    numerator >= denominator && u64::from(numerator) <= 1000 * u64::from(denominator)
}

/// What a file says of its pictures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct FileWord {
    pub(super) width: usize,
    pub(super) rows: usize,
    pub(super) samples: SampleFormat,
    pub(super) range: Option<CodeRange>,
    pub(super) order: Option<FieldOrder>,
    pub(super) rate: Option<FrameRate>,
}

/// Opens a file: Y4M by its first bytes, anything else through the installed decoder.
pub(super) fn open(path: &Path, wishes: &Wishes) -> Result<Box<dyn Source>, SourceError> {
    let name = path.display().to_string();
    let mut file =
        File::open(path).map_err(|error| SourceError::io(format!("cannot open {name}"), error))?;
    let about = file
        .metadata()
        .map_err(|error| SourceError::io(format!("cannot look at {name}"), error))?;
    if about.is_dir() {
        return Err(SourceError::new(
            SourceErrorKind::Unsupported,
            format!("{name} is a directory: name one file in it"),
        ));
    }
    let mut start = [0; MAGIC.len()];
    let found = fill(&mut file, &mut start)
        .map_err(|error| SourceError::io(format!("cannot read {name}"), error))?;
    if start == *MAGIC {
        return Ok(Box::new(Y4m::from_file(file, name, wishes)?));
    }
    if found == 0 {
        return Err(SourceError::new(
            SourceErrorKind::Malformed,
            format!("{name} is empty: there is nothing to read in it"),
        ));
    }
    if !about.is_file() {
        return Err(SourceError::new(
            SourceErrorKind::Unsupported,
            format!(
                "{name} is a pipe or device and does not begin with YUV4MPEG2: only Y4M can be read from one; \
                 put a decoder in front that writes Y4M"
            ),
        ));
    }
    if start.starts_with(PLAYLIST) {
        return Err(SourceError::new(
            SourceErrorKind::Unsupported,
            format!("{name} is a playlist: name the file it plays"),
        ));
    }
    Ok(Box::new(Decoded::open(
        path,
        wishes,
        &Programs::installed(),
    )?))
}

/// Reads until `into` is full or the input ends; how many bytes came.
pub(super) fn fill(input: &mut (impl Read + ?Sized), into: &mut [u8]) -> std::io::Result<usize> {
    let mut found = 0;
    while found < into.len() {
        match input.read(&mut into[found..]) {
            Ok(0) => break,
            Ok(more) => found += more,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(found)
}

/// A vacant buffer, waiting for the frames on their way to come back.
pub(super) fn wait_for_room(pool: &mut FramePool) -> Result<VacantBuffer<'_>, SourceError> {
    let since = Instant::now();
    while !pool.has_room() {
        if since.elapsed() > ROOM_PATIENCE {
            return Err(SourceError::new(
                SourceErrorKind::Other,
                format!(
                    "no frame buffer came back within {} s: whatever takes the frames has stopped",
                    ROOM_PATIENCE.as_secs()
                ),
            ));
        }
        std::thread::sleep(ROOM_PAUSE);
    }
    Ok(pool.vacant().expect("there is room, and only we take it"))
}

/// Refuses rasters that no file has.
pub(super) fn check_size(word: &FileWord, whole_frame_bytes: usize) -> Result<(), String> {
    let (width, rows) = (word.width, word.rows);
    if width == 0 || rows == 0 {
        return Err(format!(
            "it says its pictures are {width}x{rows}: nothing to see"
        ));
    }
    if width > MAX_SIDE || rows > MAX_SIDE {
        return Err(format!(
            "it says its pictures are {width}x{rows}: more than {MAX_SIDE} a side is taken for damage"
        ));
    }
    if whole_frame_bytes > MAX_FRAME_BYTES {
        return Err(format!(
            "one {width}x{rows} picture of it takes {} MiB: more than {} is taken for damage",
            whole_frame_bytes >> 20,
            MAX_FRAME_BYTES >> 20
        ));
    }
    Ok(())
}

/// The format of the frames to come: the operator's word first, then the file's, then what is usual.
pub(super) fn picture_format(word: &FileWord, wishes: &Wishes) -> PictureFormat {
    let standard = wishes
        .standard
        .and_then(super::StandardWish::lines)
        .or_else(|| Standard::from_rows(word.rows));
    let rate = sample_rate(word.width, standard, wishes);
    PictureFormat {
        width: word.width,
        rows: word.rows,
        samples: word.samples,
        padded_stride: None,
        range: wishes.range.or(word.range).unwrap_or(CodeRange::Studio),
        standard,
        sample_rate: rate.map(|(hertz, _)| hertz),
        rate_trust: rate.map_or(RateTrust::Presumed, |(_, trust)| trust),
        field_order: wishes
            .field_order
            .or(word.order.filter(|_| !is_idle_word(word, standard))),
        field_order_forced: wishes.field_order.is_some(),
    }
}

/// Whether the file's word on the field order means nothing: programs write "progressive" of every frame that nobody
/// flagged, captured tape included. At a tape's own raster and rate the picture is a better witness.
fn is_idle_word(word: &FileWord, standard: Option<Standard>) -> bool {
    let usual_rate = |standard| word.rate.is_none_or(|rate| rate.is_usual_of(standard));
    word.order == Some(FieldOrder::Progressive) && standard.is_some_and(usual_rate)
}

/// A raster of neither standard in a file that does not say its rate: 25 frames a second, so that it has a time.
const PRESUMED_RATE: FrameRate = FrameRate {
    numerator: 25,
    denominator: 1,
};

/// The rate to count the file's time by; `None` where the standard's own will do.
pub(super) fn own_time(word: &FileWord, format: &PictureFormat) -> Option<FrameRate> {
    match (format.standard, word.rate) {
        (Some(standard), rate) => rate.filter(|rate| !rate.is_usual_of(standard)),
        (None, rate) => Some(rate.unwrap_or(PRESUMED_RATE)),
    }
}

/// What the operator should know of words that were missing or odd.
pub(super) fn remarks(word: &FileWord, format: &PictureFormat, wishes: &Wishes) -> Vec<String> {
    let mut remarks = Vec::new();
    let raster = format!("{}x{}", word.width, word.rows);
    match (format.standard, format.sample_rate, format.rate_trust) {
        (None, ..) => remarks.push(format!(
            "{raster} is the raster of neither standard: times within a line cannot be told."
        )),
        (Some(_), None, _) => remarks.push(format!(
            "{raster} has no usual sample rate: give --sample-rate to have times within a line."
        )),
        (Some(_), Some(rate), RateTrust::Presumed) => remarks.push(format!(
            "Sample rate presumed {:.4} MHz; if the pictures were scaled to {} wide, give --sample-rate.",
            rate.0 / 1e6,
            word.width
        )),
        (Some(_), Some(_), RateTrust::Known) => {}
    }
    match (format.field_order, word.order) {
        (Some(_), _) => {}
        (None, Some(_)) => remarks.push(
            "The file is flagged progressive, as unflagged captures are too: interlaced is taken until the picture \
             shows otherwise."
                .to_owned(),
        ),
        (None, None) => remarks.push(
            "The file does not say which field is older: the usual order is taken until the picture shows it."
                .to_owned(),
        ),
    }
    if wishes.range.is_none() && word.range.is_none() {
        remarks.push("The file does not say its code range: 16-235 is taken.".to_owned());
    }
    remarks.extend(remark_on_rate(word, format));
    remarks
}

fn remark_on_rate(word: &FileWord, format: &PictureFormat) -> Option<String> {
    match (own_time(word, format), word.rate, format.standard) {
        (Some(rate), Some(_), Some(standard)) => Some(format!(
            "{:.3} frames a second is not the rate of {} lines: times are the file's own.",
            rate.per_second(),
            standard.word()
        )),
        (_, None, Some(standard)) => Some(format!(
            "The file does not say its frame rate: that of {} lines is taken.",
            standard.word()
        )),
        (_, None, None) => Some(format!(
            "The file does not say its frame rate: {} a second are taken.",
            PRESUMED_RATE.per_second()
        )),
        _ => None,
    }
}

/// `4:2:2, 10 bit`, as a screen prints it.
pub(super) fn samples_in_words(samples: SampleFormat) -> String {
    let grid = match samples.chroma {
        ChromaGrid::Mono => "mono",
        ChromaGrid::Quarter => "4:1:1",
        ChromaGrid::Half2x2(_) => "4:2:0",
        ChromaGrid::Half => "4:2:2",
        ChromaGrid::Full => "4:4:4",
    };
    format!("{grid}, {} bit", samples.depth)
}
