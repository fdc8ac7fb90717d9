//! Files made by `ffmpeg`, read back through it; each test says so where the program is missing.

use std::path::PathBuf;

use tempfile::TempDir;

use super::*;
use crate::sources::{ChromaGrid, FieldOrder, Packing};

/// A directory with a file that `ffmpeg` made, or `None`, said aloud, where it is not installed.
fn made(name: &str, arguments: &[&str]) -> Option<(TempDir, PathBuf)> {
    let directory = tempfile::tempdir().expect("the temporary directory is writable");
    let path = directory.path().join(name);
    let run = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-y"])
        .args(arguments)
        .arg(as_argument(&path))
        .current_dir(directory.path())
        .output();
    match run {
        Ok(run) => {
            let said = String::from_utf8_lossy(&run.stderr);
            assert!(run.status.success(), "ffmpeg could not make {name}: {said}");
            Some((directory, path))
        }
        Err(error) => {
            skip(&error);
            None
        }
    }
}

#[expect(clippy::print_stderr, reason = "a test that did not run must say so")]
fn skip(why: &std::io::Error) {
    eprintln!("SKIPPED: this test needs the ffmpeg program: {why}");
}

const BARS_625: [&str; 4] = [
    "-f",
    "lavfi",
    "-i",
    "pal75bars=size=720x576:rate=25:duration=0.4",
];
const MOVING_625: [&str; 4] = [
    "-f",
    "lavfi",
    "-i",
    "testsrc2=size=720x576:rate=25:duration=0.4",
];
const MOVING_525: [&str; 4] = [
    "-f",
    "lavfi",
    "-i",
    "testsrc2=size=720x480:rate=30000/1001:duration=0.4",
];

fn read_all(source: &mut dyn Source) -> (Vec<Vec<u8>>, Option<SourceError>) {
    let mut frames = Vec::new();
    loop {
        match source.next_frame() {
            Ok(Some(frame)) => {
                let bytes = frame.format.buffer_bytes(frame.format.rows);
                frames.push(frame.data.bytes()[..bytes].to_vec());
            }
            Ok(None) => return (frames, None),
            Err(error) => return (frames, Some(error)),
        }
    }
}

fn opened(path: &Path) -> Box<dyn Source> {
    file::open(path, &Wishes::default())
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Reads a file that must be whole.
fn frames_of(path: &Path) -> (Arc<PictureFormat>, SourceDescription, Vec<Vec<u8>>) {
    let mut source = opened(path);
    let (frames, error) = read_all(&mut *source);
    assert!(error.is_none(), "{error:?}");
    (
        Arc::clone(source.format()),
        source.description().clone(),
        frames,
    )
}

/// Luma, Cb and Cr of a 4:2:2 frame at the middle of a column of eight.
fn code_at(frame: &[u8], (width, rows): (usize, usize), column: usize, of: usize) -> [u8; 3] {
    let (x, y) = ((2 * column + 1) * width / (2 * of), rows / 3);
    let (luma, chroma) = (width * rows, width / 2 * rows);
    let at = y * width / 2 + x / 2;
    [
        frame[y * width + x],
        frame[luma + at],
        frame[luma + chroma + at],
    ]
}

fn assert_codes(found: [u8; 3], expected: [u8; 3]) {
    let off = found.iter().zip(expected).any(|(&f, e)| f.abs_diff(e) > 1);
    assert!(!off, "{found:?} is not {expected:?} within 1");
}

/// 75 % bars from yellow to blue by the equations of BT.601-5 §3.5.
const BARS_75: [[u8; 3]; 6] = [
    [162, 44, 142],
    [131, 156, 44],
    [112, 72, 58],
    [84, 184, 198],
    [65, 100, 212],
    [35, 212, 114],
];

#[test]
fn bars_through_a_lossless_codec_have_the_codes_of_bt_601() {
    let encode = ["-pix_fmt", "yuv422p", "-c:v", "ffv1"];
    let arguments = [&BARS_625[..], &encode].concat();
    let Some((_directory, path)) = made("bars.mkv", &arguments) else {
        return;
    };
    let (format, about, frames) = frames_of(&path);
    assert_eq!(frames.len(), 10);
    assert_eq!(about.kind, "decoded file");
    assert_eq!(about.frames, Some(10));
    assert_eq!(format.samples.chroma, ChromaGrid::Half);
    let raster = (format.width, format.rows);
    // EBU 100/0/75/0 bars: white at 100 %, then 75 % colour, then black
    assert_codes(code_at(&frames[9], raster, 0, 8), [235, 128, 128]);
    for (column, codes) in BARS_75.into_iter().enumerate() {
        assert_codes(code_at(&frames[9], raster, column + 1, 8), codes);
    }
    assert_codes(code_at(&frames[9], raster, 7, 8), [16, 128, 128]);
}

#[test]
fn bars_of_525_lines_as_y4m_have_the_codes_of_bt_601() {
    let bars = [
        "-f",
        "lavfi",
        "-i",
        "smptebars=size=720x480:rate=30000/1001",
    ];
    let encode = ["-frames:v", "3", "-pix_fmt", "yuv422p"];
    let Some((_directory, path)) = made("bars.y4m", &[&bars[..], &encode].concat()) else {
        return;
    };
    let (format, about, frames) = frames_of(&path);
    assert_eq!((frames.len(), about.frames), (3, Some(3)));
    assert_eq!(about.kind, "Y4M file");
    let raster = (format.width, format.rows);
    assert_codes(code_at(&frames[2], raster, 0, 7), [180, 128, 128]);
    for (column, codes) in BARS_75.into_iter().enumerate() {
        assert_codes(code_at(&frames[2], raster, column + 1, 7), codes);
    }
}

/// The same moving pictures as Y4M and through a lossless codec must be the same bytes.
fn check_round_trip(moving: &[&str], pixels: &str, codec: &[&str], container: &str) {
    let y4m = [moving, &["-strict", "-1", "-pix_fmt", pixels]].concat();
    let coded = [moving, &["-pix_fmt", pixels], codec].concat();
    let Some((_one, y4m)) = made("clip.y4m", &y4m) else {
        return;
    };
    let Some((_two, coded)) = made(&format!("clip.{container}"), &coded) else {
        return;
    };
    let (format, _, direct) = frames_of(&y4m);
    let (decoded_format, _, decoded) = frames_of(&coded);
    assert_eq!(
        format.samples.depth, decoded_format.samples.depth,
        "{pixels}"
    );
    assert!(direct.len() > 9 && direct == decoded, "{pixels}");
}

#[test]
fn a_lossless_codec_gives_the_bytes_that_y4m_gives() {
    let ffv1 = ["-c:v", "ffv1"];
    for pixels in [
        "yuv420p",
        "yuv411p",
        "yuv422p",
        "yuv444p",
        "yuv420p10le",
        "yuv422p10le",
        "yuv444p12le",
        "yuv444p16le",
        "gray",
        "gray10le",
    ] {
        check_round_trip(&MOVING_625, pixels, &ffv1, "mkv");
    }
    check_round_trip(&MOVING_525, "yuv422p", &["-c:v", "huffyuv"], "avi");
    // bars: this codec keeps to 4-1019, as the interface does
    check_round_trip(&BARS_625, "yuv422p10le", &["-c:v", "v210"], "mov");
}

#[test]
fn packed_samples_arrive_packed() {
    for (pixels, packing) in [("yuyv422", Packing::Yuyv), ("uyvy422", Packing::Uyvy)] {
        let encode = ["-pix_fmt", pixels, "-c:v", "rawvideo"];
        let Some((_directory, path)) = made("packed.nut", &[&BARS_625[..], &encode].concat())
        else {
            return;
        };
        let (format, _, frames) = frames_of(&path);
        assert_eq!(format.samples.packing, packing);
        let pair = 576 / 3 * 720 * 2 + 4 * 20;
        let luma = usize::from(packing == Packing::Uyvy);
        assert_eq!(
            (frames[0][pair + luma], frames[0][pair + 1 - luma]),
            (235, 128)
        );
    }
}

#[test]
fn full_range_codes_are_neither_squeezed_nor_forgotten() {
    // a ramp over all codes, said to be full range; with a fourth plane it has to be rearranged
    let ramp = "nullsrc=size=720x576:rate=25,format=yuv420p,geq=lum='mod(X,256)':cb=128:cr=128";
    for (pixels, codec, name) in [
        ("yuv420p", "ffv1", "ramp.mkv"),
        ("yuva420p", "ffv1", "ramp.mkv"),
        ("yuvj420p", "mjpeg", "ramp.avi"),
    ] {
        let arguments = ["-f", "lavfi", "-i", ramp, "-frames:v", "1"];
        let encode = ["-vf", "scale=in_range=pc:out_range=pc", "-pix_fmt", pixels];
        let tags = ["-color_range", "pc", "-c:v", codec, "-q:v", "1"];
        let all = [&arguments[..], &encode, &tags].concat();
        let Some((_directory, path)) = made(name, &all) else {
            return;
        };
        let (format, _, frames) = frames_of(&path);
        let expected = (0..720).map(|x| (x % 256) as u8);
        let lossy = u8::from(codec == "mjpeg");
        let off = |(found, expected): (&u8, u8)| found.abs_diff(expected) > 12 * lossy;
        assert!(!frames[0].iter().zip(expected).any(off), "{pixels}");
        assert_eq!(format.range, CodeRange::Full, "{pixels}");
    }
}

#[test]
fn a_flag_in_the_frames_says_the_field_order() {
    for (flag, order) in [("tff", FieldOrder::Top), ("bff", FieldOrder::Bottom)] {
        let filter = format!("setfield={flag}");
        let encode = ["-vf", &filter, "-pix_fmt", "yuv422p", "-c:v", "ffv1"];
        let interlaced = ["-flags", "+ildct"];
        let all = [&MOVING_625[..], &encode, &interlaced].concat();
        let Some((_directory, path)) = made("flagged.mkv", &all) else {
            return;
        };
        assert_eq!(opened(&path).format().field_order, Some(order));
    }
}

#[test]
fn progressive_is_believed_only_where_tape_cannot_be() {
    let order = |moving: &[&str], name: &str| {
        let encode = ["-pix_fmt", "yuv422p", "-c:v", "ffv1"];
        let (_directory, path) = made(name, &[moving, &encode].concat())?;
        Some(opened(&path).format().field_order)
    };
    let Some(tape_like) = order(&MOVING_625, "tape.mkv") else {
        return;
    };
    assert_eq!(tape_like, None);
    let fast = [
        "-f",
        "lavfi",
        "-i",
        "testsrc2=size=720x576:rate=50:duration=0.2",
    ];
    let fast = order(&fast, "fast.mkv");
    assert_eq!(fast, Some(Some(FieldOrder::Progressive)));
}

#[test]
fn frames_come_one_to_one_whatever_their_times() {
    let uneven = ["-vf", "setpts=N*N*0.02/TB", "-fps_mode", "passthrough"];
    let encode = ["-pix_fmt", "yuv422p", "-c:v", "ffv1"];
    let Some((_directory, path)) =
        made("uneven.mkv", &[&MOVING_625[..], &uneven, &encode].concat())
    else {
        return;
    };
    assert_eq!(frames_of(&path).2.len(), 10);
}

#[test]
fn a_rotation_is_not_applied_and_is_remarked() {
    let encode = ["-pix_fmt", "yuv420p", "-c:v", "mpeg4"];
    let Some((directory, _)) = made("flat.mp4", &[&MOVING_625[..], &encode].concat()) else {
        return;
    };
    let turned = [
        "-i",
        "flat.mp4",
        "-c",
        "copy",
        "-metadata:s:v:0",
        "rotate=90",
    ];
    let path = directory.path().join("turned.mp4");
    let run = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error"])
        .args(turned)
        .arg(&path)
        .current_dir(directory.path())
        .status();
    assert!(run.is_ok_and(|status| status.success()));
    let (format, about, frames) = frames_of(&path);
    assert_eq!((format.width, format.rows, frames.len()), (720, 576, 10));
    let remarks = about.remarks.join(" ");
    assert!(remarks.contains("turned by"), "{remarks}");
}

#[test]
fn rgb_is_turned_into_luma_by_bt_601_and_says_so() {
    let encode = ["-pix_fmt", "bgr0", "-c:v", "ffv1"];
    let Some((_directory, path)) = made("rgb.mkv", &[&BARS_625[..], &encode].concat()) else {
        return;
    };
    let (format, about, frames) = frames_of(&path);
    assert_eq!(format.samples.chroma, ChromaGrid::Full);
    assert_eq!(format.range, CodeRange::Studio);
    let at = 576 / 3 * 720 + 135;
    let code = [0, 1, 2].map(|plane| frames[0][plane * 720 * 576 + at]);
    assert_codes(code, BARS_75[0]);
    let remarks = about.remarks.join(" ");
    assert!(remarks.contains("no luma"), "{remarks}");
}

#[test]
fn a_file_cut_short_is_an_error_after_the_frames_before() {
    let encode = ["-pix_fmt", "yuv422p", "-c:v", "ffv1"];
    let Some((_directory, path)) = made("cut.mkv", &[&MOVING_625[..], &encode].concat()) else {
        return;
    };
    let bytes = std::fs::read(&path).expect("it was just written");
    std::fs::write(&path, &bytes[..bytes.len() * 2 / 3]).expect("there is room");
    let mut source = opened(&path);
    let (frames, error) = read_all(&mut *source);
    let error = error.expect("a third of the file is missing");
    assert!((2..10).contains(&frames.len()), "{}", frames.len());
    assert_eq!(error.kind(), SourceErrorKind::Malformed);
    let message = error.to_string();
    assert!(
        message.contains("did not decode without faults"),
        "{message}"
    );
    assert!(message.contains("ffmpeg said"), "{message}");
    assert!(source.next_frame().is_err());
}

#[test]
fn damage_within_a_file_is_reported_after_its_last_frame() {
    let encode = ["-pix_fmt", "yuv422p", "-c:v", "ffv1", "-slicecrc", "1"];
    let Some((_directory, path)) = made("hurt.mkv", &[&MOVING_625[..], &encode].concat()) else {
        return;
    };
    let mut bytes = std::fs::read(&path).expect("it was just written");
    let middle = bytes.len() / 2;
    for byte in &mut bytes[middle..middle + 2000] {
        *byte ^= 0x5a;
    }
    std::fs::write(&path, &bytes).expect("there is room");
    let (frames, error) = read_all(&mut *opened(&path));
    assert!(frames.len() >= 9, "{}", frames.len());
    let message = error.expect("a slice fails its checksum").to_string();
    assert!(message.contains("ffmpeg said"), "{message}");
}

#[test]
fn names_that_look_like_options_or_protocols_are_names() {
    for name in ["-y.mkv", "concat:a|b.mkv", "a b'c\"%d.mkv", "http:x.mkv"] {
        let encode = ["-pix_fmt", "yuv422p", "-c:v", "ffv1"];
        let Some((_directory, path)) = made(name, &[&BARS_625[..], &encode].concat()) else {
            return;
        };
        assert_eq!(frames_of(&path).2.len(), 10, "{name}");
    }
    assert_eq!(as_argument(Path::new("-i")), "file:-i");
}

#[test]
fn a_playlist_is_refused_before_it_can_reach_anywhere() {
    let directory = tempfile::tempdir().expect("the temporary directory is writable");
    let path = directory.path().join("list.mkv");
    let list = "#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\nhttp://127.0.0.1:9/x.ts\n";
    std::fs::write(&path, list).expect("there is room");
    let fault = file::open(&path, &Wishes::default()).err();
    let message = fault.expect("it is no picture").to_string();
    assert!(message.contains("is a playlist"), "{message}");
}

#[test]
fn text_and_sound_are_refused_by_name() {
    let sound = ["-f", "lavfi", "-i", "sine=duration=0.1"];
    let Some((directory, sound)) = made("sound.wav", &sound) else {
        return;
    };
    let text = directory.path().join("notes.txt");
    std::fs::write(&text, "Ferry Street Film Club, reel 4\n".repeat(40)).expect("there is room");
    for path in [sound, text] {
        let fault = file::open(&path, &Wishes::default()).err();
        let fault = fault.expect("there is no picture in it");
        assert_eq!(fault.kind(), SourceErrorKind::Unsupported);
        assert!(fault.to_string().contains("no picture"), "{fault}");
    }
}

#[test]
fn a_missing_program_is_named_with_what_to_install() {
    let file = tempfile::NamedTempFile::new().expect("the temporary directory is writable");
    let nowhere = Programs {
        ffmpeg: "/nonexistent/ffmpeg".into(),
        ffprobe: "/nonexistent/ffprobe".into(),
    };
    let fault = Decoded::open(file.path(), &Wishes::default(), &nowhere);
    let fault = fault.expect_err("there is no such program");
    assert_eq!(fault.kind(), SourceErrorKind::Missing);
    let message = fault.to_string();
    assert!(message.contains("/nonexistent/ffprobe"), "{message}");
    assert!(message.contains("install FFmpeg"), "{message}");
}

#[cfg(target_os = "linux")]
#[cfg(unix)]
#[test]
fn a_probe_that_never_ends_is_ended() {
    use std::os::unix::fs::PermissionsExt;
    let scratch = tempfile::tempdir().expect("a directory");
    let endless = scratch.path().join("endless");
    std::fs::write(&endless, "#!/bin/sh\nexec yes '{'\n").expect("room");
    std::fs::set_permissions(&endless, std::fs::Permissions::from_mode(0o700)).expect("ours");
    let programs = Programs {
        ffmpeg: "ffmpeg".into(),
        ffprobe: endless.into(),
    };
    let opened = Decoded::open(Path::new("reel.mkv"), &Wishes::default(), &programs);
    let message = opened.expect_err("no answer").to_string();
    assert!(message.contains("more than 1024 KiB"), "{message}");
    assert!(message.contains("convert it first"), "{message}");
}

#[test]
fn dropping_the_source_ends_the_decoder() {
    let long = [
        "-f",
        "lavfi",
        "-i",
        "color=size=720x576:rate=25:duration=20",
    ];
    let encode = ["-c:v", "mpeg4"];
    let Some((_directory, path)) = made("long.avi", &[&long[..], &encode].concat()) else {
        return;
    };
    let mut source =
        Decoded::open(&path, &Wishes::default(), &Programs::installed()).expect("it was just made");
    assert!(source.next_frame().is_ok_and(|frame| frame.is_some()));
    let process = PathBuf::from(format!("/proc/{}", source.decoder.child.id()));
    assert!(process.exists());
    drop(source);
    assert!(!process.exists());
}

#[test]
fn what_the_decoder_says_is_kept_in_bounded_memory() {
    let flood = "x".repeat(5 * COMPLAINT_BYTES as usize) + "\n\nshort\n";
    let complaints = listen(flood.as_bytes());
    assert_eq!(complaints.count, 6);
    assert_eq!(complaints.first.len(), KEPT_COMPLAINTS);
    assert!(complaints.in_words().ends_with("and 3 more lines"));
    assert_eq!(listen(b"".as_slice()), Complaints::default());
}
