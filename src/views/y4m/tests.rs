use std::sync::Arc;
use std::time::Instant;

use proptest::prelude::*;

use super::*;
use crate::sources::{FramePool, Gap, InputState, SampleFormat};
use crate::standard::RateTrust;

fn format(width: usize, rows: usize, samples: SampleFormat) -> PictureFormat {
    PictureFormat {
        width,
        rows,
        samples,
        padded_stride: None,
        range: CodeRange::Studio,
        standard: Standard::from_rows(rows),
        sample_rate: None,
        rate_trust: RateTrust::Known,
        field_order: Some(FieldOrder::Top),
        field_order_forced: false,
    }
}

fn samples(packing: Packing, chroma: ChromaGrid, depth: u8) -> SampleFormat {
    SampleFormat {
        packing,
        chroma,
        depth,
    }
}

fn frame(format: &PictureFormat, rows: RowLayout, bytes: &[u8]) -> Frame {
    let mut pool = FramePool::new(1, bytes.len());
    let mut vacant = pool.vacant().expect("a new pool has room");
    vacant.bytes_mut().copy_from_slice(bytes);
    Frame {
        format: Arc::new(format.clone()),
        rows,
        data: vacant.fill(),
        gap: Gap::default(),
        device_time: None,
        arrived: Instant::now(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

fn written(frames: &[Frame]) -> Result<Vec<u8>, Y4mError> {
    let mut writer = Y4mWriter::new(Vec::new());
    for frame in frames {
        writer.frame(frame)?;
    }
    writer.finish()
}

/// What follows the stream's header.
fn after_header(stream: &[u8]) -> &[u8] {
    let end = stream
        .iter()
        .position(|&byte| byte == b'\n')
        .expect("a header ends");
    &stream[end + 1..]
}

fn header_of(format: &PictureFormat) -> Result<String, Y4mError> {
    let mut out = Vec::new();
    write_header(&mut out, format)?;
    Ok(String::from_utf8(out).expect("a header is text"))
}

const YUYV: SampleFormat = SampleFormat {
    packing: Packing::Yuyv,
    chroma: ChromaGrid::Half,
    depth: 8,
};

#[test]
fn headers_name_rate_order_aspect_and_samples() {
    let planar = samples(Packing::Planar, ChromaGrid::Half, 8);
    let ntsc = format(720, 480, planar);
    assert_eq!(
        header_of(&ntsc).expect("it has a name"),
        "YUV4MPEG2 W720 H480 F30000:1001 It A10:11 C422 XCOLORRANGE=LIMITED\n"
    );
    let mut pal = format(720, 576, samples(Packing::Planar, ChromaGrid::Half, 10));
    pal.field_order = Some(FieldOrder::Bottom);
    assert_eq!(
        header_of(&pal).expect("it has a name"),
        "YUV4MPEG2 W720 H576 F25:1 Ib A59:54 C422p10 XCOLORRANGE=LIMITED\n"
    );
    let quarter = format(720, 480, samples(Packing::Planar, ChromaGrid::Quarter, 10));
    assert!(matches!(
        header_of(&quarter),
        Err(Y4mError::NoName { depth: 10, .. })
    ));
}

#[test]
fn packed_samples_are_laid_out_in_planes() {
    // Two rows of four samples; each order of the same picture.
    let orders = [
        (Packing::Yuyv, [0, 4, 1, 6]),
        (Packing::Uyvy, [4, 0, 6, 1]),
        (Packing::Yvyu, [0, 6, 1, 4]),
        (Packing::Vyuy, [6, 0, 4, 1]),
    ];
    for (packing, order) in orders {
        let bytes: Vec<u8> = (0..4)
            .flat_map(|pair| order.map(|part| part + 10 * pair))
            .collect();
        let format = format(4, 2, samples(packing, ChromaGrid::Half, 8));
        let stream =
            written(&[frame(&format, RowLayout::Woven, &bytes)]).expect("it can be written");
        let planes = [0, 1, 10, 11, 20, 21, 30, 31, 4, 14, 24, 34, 6, 16, 26, 36];
        assert_eq!(
            after_header(&stream),
            [&b"FRAME\n"[..], &planes].concat(),
            "{packing:?}"
        );
    }
}

#[test]
fn padding_between_rows_is_left_out() {
    let mut format = format(2, 2, YUYV);
    format.padded_stride = Some(6);
    let bytes = [1, 2, 3, 4, 99, 99, 5, 6, 7, 8, 99, 99];
    let stream = written(&[frame(&format, RowLayout::Woven, &bytes)]).expect("it can be written");
    assert_eq!(
        after_header(&stream),
        b"FRAME\n\x01\x03\x05\x07\x02\x06\x04\x08"
    );
}

#[test]
fn sequential_and_single_fields_are_woven() {
    let format = format(2, 4, YUYV);
    let row = |luma: u8| [luma, 50, luma, 60];
    let expected: Vec<u8> = [
        b"FRAME\n" as &[u8],
        &[1, 1, 2, 2, 3, 3, 4, 4],
        &[50; 4],
        &[60; 4],
    ]
    .concat();
    let bottom_first = [row(2), row(4), row(1), row(3)].concat();
    let sequential = RowLayout::Sequential(Parity::Bottom);
    let stream = written(&[frame(&format, sequential, &bottom_first)]).expect("it can be written");
    assert_eq!(after_header(&stream), expected);
    let top = frame(
        &format,
        RowLayout::Single(Parity::Top),
        &[row(1), row(3)].concat(),
    );
    let bottom = frame(
        &format,
        RowLayout::Single(Parity::Bottom),
        &[row(2), row(4)].concat(),
    );
    let stream = written(&[top, bottom]).expect("it can be written");
    assert_eq!(after_header(&stream), expected);
}

#[test]
fn a_field_whose_partner_was_lost_makes_no_frame() {
    let format = format(2, 2, YUYV);
    let single = |parity, luma| frame(&format, RowLayout::Single(parity), &[luma, 5, luma, 6]);
    let fields = [
        single(Parity::Top, 9),
        single(Parity::Top, 1),
        single(Parity::Bottom, 2),
    ];
    let stream = written(&fields).expect("it can be written");
    assert_eq!(
        after_header(&stream),
        b"FRAME\n\x01\x01\x02\x02\x05\x05\x06\x06"
    );
}

#[test]
fn a_change_of_format_is_refused() {
    let (small, large) = (format(2, 2, YUYV), format(4, 2, YUYV));
    let frames = [
        frame(&small, RowLayout::Woven, &[0; 8]),
        frame(&large, RowLayout::Woven, &[0; 16]),
    ];
    assert!(matches!(written(&frames), Err(Y4mError::FormatChanged)));
}

#[test]
fn a_buffer_shorter_than_its_format_is_refused() {
    let short = frame(&format(4, 2, YUYV), RowLayout::Woven, &[0; 15]);
    let refused = written(&[short]);
    assert!(matches!(
        refused,
        Err(Y4mError::Short {
            found: 15,
            expected: 16
        })
    ));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_sample_of_a_packed_frame_arrives_once(bytes in proptest::collection::vec(any::<u8>(), 48)) {
        let stream = written(&[frame(&format(6, 4, YUYV), RowLayout::Woven, &bytes)]).expect("it can be written");
        let mut arrived = after_header(&stream)[6..].to_vec();
        let mut sent = bytes;
        arrived.sort_unstable();
        sent.sort_unstable();
        prop_assert_eq!(arrived, sent);
    }
}
