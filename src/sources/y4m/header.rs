//! The two text lines of Y4M: one at the head of the stream, one before each frame.
//!
//! In: a line's bytes without its newline. Out: a [`Header`], or the [`HeaderFault`] that says which tag is wrong.
//! Tags as mjpegtools' `yuv4mpeg(5)` lists them, deeper samples as `ffmpeg` writes them, unknown `X` tags skipped.
//!
//! Does not know: files, or what becomes of the frames.

use crate::units::CodeRange;

use super::super::file::{FileWord, FrameRate, check_size, is_a_frame_rate};
use super::super::{
    ChromaGrid, ChromaSiting, FieldOrder, Packing, PictureFormat, SampleFormat, Wishes, file,
};

/// How a Y4M stream begins.
pub(crate) const MAGIC: &[u8; 9] = b"YUV4MPEG2";

/// Bytes of either line beyond which it is no header: free-text tags fit, a stream of something else does not.
pub(super) const MAX_LINE: usize = 4096;

/// What the stream says of its fields.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Interlacing {
    /// Nothing.
    Unsaid,
    /// The same of every frame.
    Always(FieldOrder),
    /// Each frame says it for itself.
    Mixed,
}

/// The head of a stream.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Header {
    pub(super) word: FileWord,
    pub(super) interlacing: Interlacing,
    /// Bytes of one frame, a fourth plane included.
    pub(super) frame_bytes: usize,
    /// Width to height of a sample, as written.
    pub(super) aspect: Option<String>,
    /// Whether a fourth plane is there to be skipped.
    pub(super) alpha: bool,
}

/// Why a line is no header.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum HeaderFault {
    /// Another kind of data.
    #[error("it begins with '{0}' where YUV4MPEG2 is wanted: it is not Y4M")]
    Magic(String),
    /// No newline in sight.
    #[error("its header does not end within {MAX_LINE} bytes")]
    TooLong,
    /// The stream ends within the header.
    #[error("it ends within its header")]
    Ended,
    /// A tag that must be there is not.
    #[error("its header has no {0}")]
    Missing(&'static str),
    /// A tag that cannot be read.
    #[error("its header says '{found}' where {wanted} is wanted")]
    Tag {
        /// The tag as found.
        found: String,
        /// What should have stood there.
        wanted: &'static str,
    },
    /// A raster that cannot be.
    #[error("{0}")]
    Size(String),
    /// Samples of a kind that is not read.
    #[error(
        "its samples are '{0}', which are not read: 420, 422, 411, 444 and mono are, of 8 to 16 bit; convert it first"
    )]
    Chroma(String),
}

/// Bytes as a message can print them.
pub(super) fn printable(bytes: &[u8]) -> String {
    const SHOWN: usize = 24;
    let mut text = bytes[..bytes.len().min(SHOWN)].escape_ascii().to_string();
    if bytes.len() > SHOWN {
        text.push('…');
    }
    text
}

impl Header {
    /// Reads the head of a stream, its magic included.
    pub(super) fn parse(line: &[u8]) -> Result<Self, HeaderFault> {
        let mut tags = line
            .split(|&byte| byte == b' ')
            .filter(|tag| !tag.is_empty());
        match tags.next() {
            Some(magic) if magic == MAGIC => {}
            other => return Err(HeaderFault::Magic(printable(other.unwrap_or_default()))),
        }
        let mut said = Said::default();
        for tag in tags {
            said.take(tag)?;
        }
        said.into_header()
    }
}

/// Tags as they come.
#[derive(Default)]
struct Said {
    width: Option<usize>,
    rows: Option<usize>,
    rate: Option<FrameRate>,
    interlacing: Option<Interlacing>,
    aspect: Option<String>,
    chroma: Option<(SampleFormat, bool)>,
    /// The older way to say it, where no `C` does.
    chroma_by_x: Option<(SampleFormat, bool)>,
    range: Option<CodeRange>,
}

impl Said {
    fn take(&mut self, tag: &[u8]) -> Result<(), HeaderFault> {
        let (&letter, value) = tag.split_first().expect("empty tags are filtered out");
        let fault = |wanted| HeaderFault::Tag {
            found: printable(tag),
            wanted,
        };
        let text = std::str::from_utf8(value).ok();
        match letter {
            b'W' => self.width = Some(number(text).ok_or_else(|| fault("W and a width"))?),
            b'H' => self.rows = Some(number(text).ok_or_else(|| fault("H and a height"))?),
            b'F' => {
                let [numerator, denominator] =
                    fraction(text).ok_or_else(|| fault("F and a frame rate such as F25:1"))?;
                self.rate = match (numerator, denominator) {
                    (0, 0) => None, // the format's own way to say "unknown"
                    (0, _) | (_, 0) => return Err(fault("a frame rate above zero")),
                    _ if !is_a_frame_rate(numerator, denominator) => {
                        return Err(fault("a frame rate from 1 to 1000 a second"));
                    }
                    _ => Some(FrameRate {
                        numerator,
                        denominator,
                    }),
                };
            }
            b'I' => {
                self.interlacing =
                    Some(interlacing(value).ok_or_else(|| fault("Ip, It, Ib, Im or I?"))?);
            }
            b'A' => self.aspect = text.map(str::to_owned),
            b'C' => {
                let samples = text.and_then(samples);
                self.chroma = Some(samples.ok_or_else(|| HeaderFault::Chroma(printable(value)))?);
            }
            b'X' => self.take_extension(text),
            _ => return Err(fault("one of the tags W, H, F, I, A, C or X")),
        }
        Ok(())
    }

    /// Extensions say what they like; two of them are known, the others are skipped.
    fn take_extension(&mut self, text: Option<&str>) {
        match text.and_then(|text| text.split_once('=')) {
            Some(("YSCSS", word)) => self.chroma_by_x = samples(&word.to_ascii_lowercase()),
            Some(("COLORRANGE", "FULL")) => self.range = Some(CodeRange::Full),
            Some(("COLORRANGE", "LIMITED")) => self.range = Some(CodeRange::Studio),
            _ => {}
        }
    }

    fn into_header(self) -> Result<Header, HeaderFault> {
        // The format's own default where neither tag is there.
        let (samples, alpha) = self
            .chroma
            .or(self.chroma_by_x)
            .unwrap_or((planar(ChromaGrid::Half2x2(ChromaSiting::Centre), 8), false));
        let interlacing = self.interlacing.unwrap_or(Interlacing::Unsaid);
        let word = FileWord {
            width: self.width.ok_or(HeaderFault::Missing("width (W…)"))?,
            rows: self.rows.ok_or(HeaderFault::Missing("height (H…)"))?,
            samples,
            range: self.range,
            order: match interlacing {
                Interlacing::Always(order) => Some(order),
                Interlacing::Unsaid | Interlacing::Mixed => None,
            },
            rate: self.rate,
        };
        // Sides first: the bytes of a checked raster cannot overflow.
        check_size(&word, 0).map_err(HeaderFault::Size)?;
        let frame_bytes = frame_bytes(&word, alpha);
        check_size(&word, frame_bytes).map_err(HeaderFault::Size)?;
        Ok(Header {
            word,
            interlacing,
            frame_bytes,
            aspect: self.aspect,
            alpha,
        })
    }
}

fn frame_bytes(word: &FileWord, alpha: bool) -> usize {
    let format: PictureFormat = file::picture_format(word, &Wishes::default());
    let fourth = if alpha {
        word.width * word.rows * word.samples.sample_bytes()
    } else {
        0
    };
    format.buffer_bytes(word.rows) + fourth
}

/// Digits alone: no sign, no space.
fn number<N: std::str::FromStr>(text: Option<&str>) -> Option<N> {
    let digits = text.filter(|text| text.bytes().all(|byte| byte.is_ascii_digit()))?;
    digits.parse().ok()
}

fn fraction(text: Option<&str>) -> Option<[u32; 2]> {
    let (numerator, denominator) = text?.split_once(':')?;
    Some([number(Some(numerator))?, number(Some(denominator))?])
}

fn interlacing(value: &[u8]) -> Option<Interlacing> {
    Some(match value {
        b"p" => Interlacing::Always(FieldOrder::Progressive),
        b"t" => Interlacing::Always(FieldOrder::Top),
        b"b" => Interlacing::Always(FieldOrder::Bottom),
        b"m" => Interlacing::Mixed,
        b"?" => Interlacing::Unsaid,
        _ => return None,
    })
}

fn planar(chroma: ChromaGrid, depth: u8) -> SampleFormat {
    SampleFormat {
        packing: Packing::Planar,
        chroma,
        depth,
    }
}

/// Samples by their word, and whether a fourth plane follows.
fn samples(word: &str) -> Option<(SampleFormat, bool)> {
    let eight = |grid| Some((planar(grid, 8), false));
    match word {
        "420" => return eight(ChromaGrid::Half2x2(ChromaSiting::Unsaid)),
        "420jpeg" => return eight(ChromaGrid::Half2x2(ChromaSiting::Centre)),
        "420mpeg2" => return eight(ChromaGrid::Half2x2(ChromaSiting::Left)),
        "420paldv" => return eight(ChromaGrid::Half2x2(ChromaSiting::AlternateRows)),
        "411" => return eight(ChromaGrid::Quarter),
        "422" => return eight(ChromaGrid::Half),
        "444" => return eight(ChromaGrid::Full),
        "444alpha" => return Some((planar(ChromaGrid::Full, 8), true)),
        "mono" => return eight(ChromaGrid::Mono),
        _ => {}
    }
    let (grid, depth) = if let Some(depth) = word.strip_prefix("mono") {
        (ChromaGrid::Mono, depth)
    } else {
        let (grid, depth) = word.split_once('p')?;
        let grid = match grid {
            "420" => ChromaGrid::Half2x2(ChromaSiting::Unsaid),
            "411" => ChromaGrid::Quarter,
            "422" => ChromaGrid::Half,
            "444" => ChromaGrid::Full,
            _ => return None,
        };
        (grid, depth)
    };
    let depth = number(Some(depth)).filter(|depth| (9..=16).contains(depth))?;
    Some((planar(grid, depth), false))
}

/// What a frame of a mixed stream says of itself: the first letter tells how it is presented, the second how it
/// was sampled in time; frames to be shown longer are still one frame.
pub(super) fn frame_order(line: &[u8]) -> Option<FieldOrder> {
    let tag = line
        .split(|&byte| byte == b' ')
        .skip(1)
        .find_map(|tag| tag.strip_prefix(b"I"))?;
    match (tag.first()?, tag.get(1)) {
        (_, Some(b'p')) | (b'1' | b'2' | b'3', _) => Some(FieldOrder::Progressive),
        (b't' | b'T', _) => Some(FieldOrder::Top),
        (b'b' | b'B', _) => Some(FieldOrder::Bottom),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn parsed(tags: &str) -> Result<Header, HeaderFault> {
        Header::parse(format!("YUV4MPEG2 {tags}").as_bytes())
    }

    fn samples_of(tags: &str) -> SampleFormat {
        parsed(&format!("W720 H576 F25:1 {tags}"))
            .expect("the header is whole")
            .word
            .samples
    }

    #[test]
    fn every_kind_of_samples_is_known_by_its_word() {
        let half2x2 = ChromaGrid::Half2x2;
        for (word, grid, depth) in [
            ("C420jpeg", half2x2(ChromaSiting::Centre), 8),
            ("C420mpeg2", half2x2(ChromaSiting::Left), 8),
            ("C420paldv", half2x2(ChromaSiting::AlternateRows), 8),
            ("C420", half2x2(ChromaSiting::Unsaid), 8),
            ("C411", ChromaGrid::Quarter, 8),
            ("C422", ChromaGrid::Half, 8),
            ("C444", ChromaGrid::Full, 8),
            ("Cmono", ChromaGrid::Mono, 8),
            ("C420p10", half2x2(ChromaSiting::Unsaid), 10),
            ("C422p10", ChromaGrid::Half, 10),
            ("C444p12", ChromaGrid::Full, 12),
            ("C422p14", ChromaGrid::Half, 14),
            ("C444p16", ChromaGrid::Full, 16),
            ("Cmono9", ChromaGrid::Mono, 9),
            ("Cmono10", ChromaGrid::Mono, 10),
            ("", half2x2(ChromaSiting::Centre), 8),
            ("XYSCSS=422", ChromaGrid::Half, 8),
            ("XYSCSS=420PALDV", half2x2(ChromaSiting::AlternateRows), 8),
            ("XYSCSS=411 C444", ChromaGrid::Full, 8),
        ] {
            assert_eq!(samples_of(word), planar(grid, depth), "{word}");
        }
    }

    #[test]
    fn a_fourth_plane_is_counted_but_not_read() {
        let header = parsed("W4 H2 C444alpha").expect("the header is whole");
        assert_eq!((header.frame_bytes, header.alpha), (32, true));
    }

    #[test]
    fn the_code_range_is_the_header_s_word() {
        let range = |tags: &str| parsed(&format!("W2 H2 {tags}")).map(|h| h.word.range);
        assert_eq!(range("XCOLORRANGE=FULL"), Ok(Some(CodeRange::Full)));
        assert_eq!(range("XCOLORRANGE=LIMITED"), Ok(Some(CodeRange::Studio)));
        assert_eq!(range("Xanything XFSCSS=7 X"), Ok(None));
    }

    #[test]
    fn interlace_tags_are_the_format_s() {
        let tag = |tag: &str| parsed(&format!("W2 H2 {tag}")).map(|h| h.interlacing);
        assert_eq!(tag("Ip"), Ok(Interlacing::Always(FieldOrder::Progressive)));
        assert_eq!(tag("It"), Ok(Interlacing::Always(FieldOrder::Top)));
        assert_eq!(tag("Ib"), Ok(Interlacing::Always(FieldOrder::Bottom)));
        assert_eq!(tag("Im"), Ok(Interlacing::Mixed));
        assert_eq!(tag("I?"), Ok(Interlacing::Unsaid));
        assert_eq!(tag(""), Ok(Interlacing::Unsaid));
        assert!(tag("Ix").is_err());
    }

    #[test]
    fn frames_of_a_mixed_stream_speak_for_themselves() {
        for (line, order) in [
            ("FRAME Itii", Some(FieldOrder::Top)),
            ("FRAME ITii", Some(FieldOrder::Top)),
            ("FRAME Xa Ibii", Some(FieldOrder::Bottom)),
            ("FRAME Itpp", Some(FieldOrder::Progressive)),
            ("FRAME I1pp", Some(FieldOrder::Progressive)),
            ("FRAME", None),
            ("FRAME I", None),
        ] {
            assert_eq!(frame_order(line.as_bytes()), order, "{line}");
        }
    }

    #[test]
    fn faults_say_which_word_is_wrong() {
        for (tags, wanted) in [
            ("H576 F25:1", "no width"),
            ("W720 F25:1", "no height"),
            ("W0 H576", "0x576"),
            ("W720 H0", "720x0"),
            ("W-720 H576", "W-720"),
            ("W99999999999999999999 H2", "where W and a width"),
            ("W16385 H2", "more than 16384"),
            ("W16384 H16384 C444p16", "1536 MiB"),
            ("W2 H2 F0:1", "above zero"),
            ("W2 H2 F25:0", "above zero"),
            ("W2 H2 F1:4000000000", "from 1 to 1000"),
            ("W2 H2 F4000000000:1", "from 1 to 1000"),
            ("W2 H2 F25", "such as F25:1"),
            ("W2 H2 C440", "'440'"),
            ("W2 H2 C422p8", "'422p8'"),
            ("W2 H2 C422p17", "'422p17'"),
            ("W2 H2 Q7", "'Q7'"),
        ] {
            let message = parsed(tags).expect_err(tags).to_string();
            assert!(message.contains(wanted), "{tags}: {message}");
        }
        let magic = Header::parse(b"RIFF\x00")
            .expect_err("no magic")
            .to_string();
        assert!(magic.contains(r"'RIFF\x00'"), "{magic}");
    }

    #[test]
    fn an_unknown_rate_is_no_fault() {
        assert_eq!(parsed("W2 H2 F0:0").map(|h| h.word.rate), Ok(None));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn arbitrary_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = Header::parse(&bytes);
            let _ = frame_order(&bytes);
            let _ = Header::parse(&[b"YUV4MPEG2 ".as_slice(), &bytes].concat());
        }

        #[test]
        fn likely_tags_in_any_order_never_panic(
            tags in proptest::collection::vec("[WHFIACX][0-9:ptbm?=a-zA-Z]{0,24}", 0..8)
        ) {
            if let Ok(header) = parsed(&tags.join(" ")) {
                prop_assert!(header.frame_bytes > 0);
                prop_assert!(header.word.width > 0 && header.word.rows > 0);
            }
        }
    }
}
