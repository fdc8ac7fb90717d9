//! What `ffprobe` says of a file's first picture stream.
//!
//! In: its JSON, stream and first frame. Out: a [`Probe`]: size, rate, field order, pixel format, range, length, and
//! what the file asks of a player that a monitor does not do.
//!
//! The first decoded frame's word goes before the stream's: it is what will arrive.
//!
//! Does not know: how the program was run.

use serde::Deserialize;

use crate::units::CodeRange;

use super::super::FieldOrder;
use super::super::file::{FileWord, FrameRate, is_a_frame_rate};
use super::pixels::{Change, PixelPlan, plan};

/// What to ask of the program: nothing that grows with the file.
pub(super) const ENTRIES: &str = "program_version=version\
     :stream=codec_name,width,height,pix_fmt,field_order,r_frame_rate,avg_frame_rate,color_range,\
chroma_location,nb_frames,duration,sample_aspect_ratio,bits_per_raw_sample\
     :stream_side_data=rotation\
     :frame=width,height,pix_fmt,interlaced_frame,top_field_first,color_range,chroma_location\
     :format=duration,format_name";

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Report {
    program_version: VersionReport,
    streams: Vec<StreamReport>,
    frames: Vec<FrameReport>,
    format: FormatReport,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct VersionReport {
    version: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct StreamReport {
    codec_name: Option<String>,
    width: usize,
    height: usize,
    pix_fmt: Option<String>,
    field_order: Option<String>,
    r_frame_rate: Option<String>,
    avg_frame_rate: Option<String>,
    color_range: Option<String>,
    chroma_location: Option<String>,
    nb_frames: Option<String>,
    duration: Option<String>,
    sample_aspect_ratio: Option<String>,
    bits_per_raw_sample: Option<String>,
    side_data_list: Vec<SideData>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct SideData {
    rotation: Option<f64>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct FrameReport {
    width: Option<usize>,
    height: Option<usize>,
    pix_fmt: Option<String>,
    interlaced_frame: u8,
    top_field_first: u8,
    color_range: Option<String>,
    chroma_location: Option<String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct FormatReport {
    duration: Option<String>,
    format_name: Option<String>,
}

/// A file's first picture stream.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Probe {
    pub(super) word: FileWord,
    pub(super) pixels: PixelPlan,
    /// Frames in all, counted or from the length.
    pub(super) frames: Option<u64>,
    /// Version of the program, to know its options by.
    pub(super) version: String,
    /// Degrees the file asks to be turned by.
    pub(super) rotation: Option<f64>,
    pub(super) container: Option<String>,
    pub(super) codec: Option<String>,
    pub(super) pixel_format: String,
    pub(super) aspect: Option<String>,
}

/// Why there is nothing to decode.
#[derive(Debug, thiserror::Error)]
pub(super) enum ProbeFault {
    /// Sound, text or nothing.
    #[error("there is no picture in it")]
    NoPicture,
    /// Not the JSON that was asked for.
    #[error("ffprobe's answer cannot be understood")]
    Answer(#[from] serde_json::Error),
}

impl Probe {
    /// Reads the program's answer.
    pub(super) fn parse(json: &[u8]) -> Result<Self, ProbeFault> {
        let mut report: Report = serde_json::from_slice(json)?;
        if report.format.format_name.as_deref() == Some("tty") {
            return Err(ProbeFault::NoPicture); // any text at all, taken for a terminal's screen
        }
        let stream = report.streams.pop().ok_or(ProbeFault::NoPicture)?;
        let frame = report.frames.pop().unwrap_or_default();
        let name = frame
            .pix_fmt
            .clone()
            .or(stream.pix_fmt.clone())
            .unwrap_or_default();
        let location = frame
            .chroma_location
            .as_deref()
            .or(stream.chroma_location.as_deref());
        let depth = stream
            .bits_per_raw_sample
            .as_deref()
            .and_then(|bits| bits.parse().ok())
            .unwrap_or(8);
        let width = frame.width.unwrap_or(stream.width);
        let pixels = plan(&name, location, width, depth);
        let word = FileWord {
            width,
            rows: frame.height.unwrap_or(stream.height),
            samples: pixels.samples,
            range: range(&name, &pixels, &stream, &frame),
            order: order(&stream, &frame),
            rate: [&stream.avg_frame_rate, &stream.r_frame_rate]
                .into_iter()
                .flatten()
                .find_map(|text| rate(text)),
        };
        Ok(Self {
            frames: frames(&stream, &report.format, word.rate),
            rotation: stream
                .side_data_list
                .iter()
                .find_map(|data| data.rotation)
                .filter(|&degrees| degrees != 0.0),
            word,
            pixels,
            version: report.program_version.version,
            container: report.format.format_name,
            codec: stream.codec_name,
            pixel_format: name,
            aspect: stream.sample_aspect_ratio.filter(|aspect| aspect != "0:1"),
        })
    }

    /// Whether the program knows `-fps_mode` (5.1 and later; development builds are taken for later).
    pub(super) fn knows_fps_mode(&self) -> bool {
        let mut numbers = self
            .version
            .trim_start_matches('n')
            .split(|c: char| !c.is_ascii_digit())
            .map(str::parse::<u32>);
        match (numbers.next(), numbers.next()) {
            (Some(Ok(major)), Some(Ok(minor))) => (major, minor) >= (5, 1),
            (Some(Ok(major)), _) => major >= 6,
            _ => true,
        }
    }
}

fn range(
    pixel_format: &str,
    pixels: &PixelPlan,
    stream: &StreamReport,
    frame: &FrameReport,
) -> Option<CodeRange> {
    if pixels.change == Change::FromRgb {
        return Some(CodeRange::Studio); // as we ask for it
    }
    if pixel_format.starts_with("yuvj") {
        return Some(CodeRange::Full);
    }
    match frame
        .color_range
        .as_deref()
        .or(stream.color_range.as_deref())
    {
        Some("pc") => Some(CodeRange::Full),
        Some("tv") => Some(CodeRange::Studio),
        _ => None,
    }
}

/// The order the fields are to be shown in: the frame's own flag first, which the decoder read in the data.
///
/// `tb` and `bt` say nothing here: by the letter the second field is shown first, but `ffmpeg` writes `tb` of
/// interleaved frames whose top field is first.
fn order(stream: &StreamReport, frame: &FrameReport) -> Option<FieldOrder> {
    match (frame.interlaced_frame, frame.top_field_first) {
        (0, _) => {}
        (_, 0) => return Some(FieldOrder::Bottom),
        _ => return Some(FieldOrder::Top),
    }
    match stream.field_order.as_deref() {
        Some("tt") => Some(FieldOrder::Top),
        Some("bb") => Some(FieldOrder::Bottom),
        Some("progressive") => Some(FieldOrder::Progressive),
        _ => None,
    }
}

fn rate(text: &str) -> Option<FrameRate> {
    let (numerator, denominator) = text.split_once('/')?;
    let (numerator, denominator) = (numerator.parse().ok()?, denominator.parse().ok()?);
    let sound = numerator > 0 && denominator > 0 && is_a_frame_rate(numerator, denominator);
    sound.then_some(FrameRate {
        numerator,
        denominator,
    })
}

fn frames(stream: &StreamReport, format: &FormatReport, rate: Option<FrameRate>) -> Option<u64> {
    if let Some(counted) = stream.nb_frames.as_deref().and_then(|n| n.parse().ok()) {
        return Some(counted);
    }
    let seconds: f64 = [&stream.duration, &format.duration]
        .into_iter()
        .flatten()
        .find_map(|text| text.parse().ok())?;
    let frames = seconds * rate?.per_second();
    (frames.is_finite() && frames > 0.0).then_some(frames.round() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn probe(stream: &str, frame: &str) -> Probe {
        let json = format!(
            r#"{{"program_version":{{"version":"5.1.9-0+deb12u1"}},"frames":[{{{frame}}}],
                "streams":[{{"width":720,"height":576,"pix_fmt":"yuv422p",{stream}}}],
                "format":{{"duration":"2.000000","format_name":"matroska,webm"}}}}"#
        );
        Probe::parse(json.as_bytes()).expect("the answer is whole")
    }

    #[test]
    fn the_field_order_is_the_stream_s_where_frames_are_not_flagged() {
        for (word, order) in [
            ("tt", Some(FieldOrder::Top)),
            ("bb", Some(FieldOrder::Bottom)),
            ("tb", None),
            ("bt", None),
            ("progressive", Some(FieldOrder::Progressive)),
            ("unknown", None),
        ] {
            let probe = probe(&format!(r#""field_order":"{word}""#), "");
            assert_eq!(probe.word.order, order, "{word}");
        }
    }

    #[test]
    fn a_frame_that_is_interlaced_outweighs_its_stream() {
        for word in ["unknown", "progressive", "tb", "bt"] {
            let stream = &format!(r#""field_order":"{word}""#);
            let top = probe(stream, r#""interlaced_frame":1,"top_field_first":1"#);
            assert_eq!(top.word.order, Some(FieldOrder::Top));
            let bottom = probe(stream, r#""interlaced_frame":1,"top_field_first":0"#);
            assert_eq!(bottom.word.order, Some(FieldOrder::Bottom));
        }
    }

    #[test]
    fn the_decoded_frame_s_size_and_format_are_those_to_come() {
        let probe = probe(
            r#""avg_frame_rate":"0/0","r_frame_rate":"25/1""#,
            r#""width":704,"height":480,"pix_fmt":"yuv420p10le","color_range":"pc""#,
        );
        assert_eq!((probe.word.width, probe.word.rows), (704, 480));
        assert_eq!(probe.pixels.ask, "yuv420p10le");
        assert_eq!(probe.word.range, Some(CodeRange::Full));
        assert_eq!(
            probe.word.rate,
            Some(FrameRate {
                numerator: 25,
                denominator: 1
            })
        );
        assert_eq!(probe.frames, Some(50));
    }

    #[test]
    fn a_rotation_is_seen_and_a_zero_one_is_none() {
        let turned = |degrees: i32| {
            probe(
                &format!(r#""side_data_list":[{{}},{{"rotation":{degrees}}}]"#),
                "",
            )
            .rotation
        };
        assert_eq!(turned(-90), Some(-90.0));
        assert_eq!(turned(0), None);
    }

    #[test]
    fn the_option_for_passing_frames_through_follows_the_version() {
        let mut probe = probe(r#""codec_name":"ffv1""#, "");
        for (version, knows) in [
            ("5.1.9-0+deb12u1", true),
            ("n7.1", true),
            ("6", true),
            ("5.0.1", false),
            ("4.4.2-0ubuntu0.22.04.1", false),
            ("4", false),
            ("N-118000-gabcdef", true),
            ("git-2024", true),
            ("", true),
        ] {
            version.clone_into(&mut probe.version);
            assert_eq!(probe.knows_fps_mode(), knows, "{version}");
        }
    }

    #[test]
    fn sound_alone_and_nonsense_are_told_apart() {
        assert!(matches!(
            Probe::parse(br#"{"streams":[]}"#),
            Err(ProbeFault::NoPicture)
        ));
        assert!(matches!(
            Probe::parse(br#"{"streams":[{}],"format":{"format_name":"tty"}}"#),
            Err(ProbeFault::NoPicture)
        ));
        assert!(matches!(Probe::parse(b"{"), Err(ProbeFault::Answer(_))));
    }
}
