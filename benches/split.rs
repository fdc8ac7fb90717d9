//! Frames out of a Y4M file, and fields out of frames, each beside a plain copy of the same bytes.

use std::hint::black_box;
use std::io::{Read, Write};
use std::sync::Arc;
use std::time::Instant;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use trueline::fields::{History, Splitter};
use trueline::sources::tape::Pace;
use trueline::sources::{
    ChromaGrid, ChromaSiting, FieldOrder, Frame, FramePool, Gap, InputState, Packing,
    PictureFormat, Place, RowLayout, SampleFormat, Wishes, open,
};
use trueline::standard::{BT601_LUMA_RATE, RateTrust, Standard};
use trueline::units::CodeRange;

/// A 625-line frame of picture-like bytes.
fn frame(samples: SampleFormat, forced: bool) -> Frame {
    let format = PictureFormat {
        width: 720,
        rows: 576,
        samples,
        padded_stride: None,
        range: CodeRange::Studio,
        standard: Some(Standard::Lines625),
        sample_rate: Some(BT601_LUMA_RATE),
        rate_trust: RateTrust::Known,
        field_order: Some(FieldOrder::Top),
        field_order_forced: forced,
    };
    let mut pool = FramePool::new(1, format.buffer_bytes(format.rows));
    let mut vacant = pool.vacant().expect("a new pool has room");
    for (index, byte) in vacant.bytes_mut().iter_mut().enumerate() {
        *byte = (index * index / 977 % 3) as u8;
    }
    Frame {
        format: Arc::new(format),
        rows: RowLayout::Woven,
        data: vacant.fill(),
        gap: Gap::default(),
        device_time: None,
        arrived: Instant::now(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

fn samples(packing: Packing, chroma: ChromaGrid, depth: u8) -> SampleFormat {
    SampleFormat {
        packing,
        chroma,
        depth,
    }
}

fn split(criterion: &mut Criterion) {
    let siting = ChromaSiting::Unsaid;
    for (name, samples, forced) in [
        ("4:2:2", samples(Packing::Planar, ChromaGrid::Half, 8), true),
        (
            "4:2:2 and the order detector",
            samples(Packing::Planar, ChromaGrid::Half, 8),
            false,
        ),
        (
            "4:2:0",
            samples(Packing::Planar, ChromaGrid::Half2x2(siting), 8),
            true,
        ),
        ("YUYV", samples(Packing::Yuyv, ChromaGrid::Half, 8), true),
        ("UYVY", samples(Packing::Uyvy, ChromaGrid::Half, 8), true),
        (
            "4:2:2 of 10 bit",
            samples(Packing::Planar, ChromaGrid::Half, 10),
            true,
        ),
    ] {
        let frame = frame(samples, forced);
        let mut group = criterion.benchmark_group(format!("split {name}"));
        group.throughput(Throughput::Bytes(frame.data.bytes().len() as u64));
        let mut splitter = Splitter::new();
        let mut history = History::default();
        group.bench_function("split", |bencher| {
            bencher.iter(|| {
                splitter.split(black_box(&frame), &mut history, |history| {
                    black_box(history);
                });
            });
        });
        let mut copy = vec![0; frame.data.bytes().len()];
        group.bench_function("copy of the same bytes", |bencher| {
            bencher.iter(|| {
                copy.copy_from_slice(black_box(frame.data.bytes()));
                black_box(&copy);
            });
        });
        group.finish();
    }
}

/// Frames of the file that is read: 41 MB, far more than any cache of the processor.
const FILE_FRAMES: usize = 50;

fn read(criterion: &mut Criterion) {
    let samples = samples(Packing::Planar, ChromaGrid::Half, 8);
    let frame = frame(samples, true);
    let mut file = tempfile::NamedTempFile::new().expect("the temporary directory is writable");
    let mut put = |bytes: &[u8]| file.write_all(bytes).expect("there is room for 41 MB");
    put(b"YUV4MPEG2 W720 H576 F25:1 It C422\n");
    for _ in 0..FILE_FRAMES {
        put(b"FRAME\n");
        put(frame.data.bytes());
    }
    let place = Place::File(file.path().to_owned());
    let mut group = criterion.benchmark_group("read 50 frames of Y4M");
    group.throughput(Throughput::Bytes(
        (FILE_FRAMES * frame.data.bytes().len()) as u64,
    ));
    group.bench_function("frames", |bencher| {
        bencher.iter(|| {
            let mut source = open(&place, &Wishes::default(), Pace::Free { frames: None })
                .expect("the header is whole");
            while let Some(frame) = source.next_frame().expect("the file is whole") {
                black_box(frame);
            }
        });
    });
    let mut buffer = vec![0; frame.data.bytes().len()];
    group.bench_function("the file's bytes into one buffer", |bencher| {
        bencher.iter(|| {
            let mut file = std::fs::File::open(file.path()).expect("it was just written");
            while file.read(&mut buffer).expect("the file can be read") > 0 {
                black_box(&buffer);
            }
        });
    });
    group.finish();
}

criterion_group!(benches, read, split);
criterion_main!(benches);
