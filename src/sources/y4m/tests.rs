//! Y4M streams, whole and broken.

use std::io::{Cursor, ErrorKind, Write};

use proptest::prelude::*;

use super::*;
use crate::sources::ChromaGrid;
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
    let fault = file::open(file.path(), &Wishes::default());
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
        let mut source = file::open(file.path(), &Wishes::default()).expect("the header is whole");
        assert_eq!(source.description().frames, Some(frames.into()));
        let (read, error) = read_all(&mut *source);
        assert_eq!(error.is_none(), frames > 0, "{error:?}");
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
    let fault = |path: &std::path::Path| {
        let source = file::open(path, &Wishes::default());
        source.err().expect("there is no file")
    };
    let found = fault(directory.path());
    assert_eq!(found.kind(), SourceErrorKind::Unsupported);
    assert!(found.to_string().contains("is a directory"), "{found}");
    let found = fault(&directory.path().join("none.y4m"));
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
        // A header alone is no tape.
        let frames_are_whole = kept > head && (kept - head).is_multiple_of(14);
        prop_assert_eq!(error.is_none(), frames_are_whole);
        prop_assert_eq!(frames.len(), (kept - head) / 14);
    }
}
