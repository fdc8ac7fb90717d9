use std::time::Instant;

use super::*;
use crate::sources::{ChromaGrid, FramePool, InputState, Packing, PictureFormat, SampleFormat};
use crate::standard::{Parity, RateTrust, Standard};
use crate::units::CodeRange;

/// Luma of a 2x4 picture; colour is 128.
const WIDTH: usize = 2;
const ROWS: usize = 4;

fn format() -> Arc<PictureFormat> {
    Arc::new(PictureFormat {
        width: WIDTH,
        rows: ROWS,
        samples: SampleFormat {
            packing: Packing::Yuyv,
            chroma: ChromaGrid::Half,
            depth: 8,
        },
        padded_stride: None,
        range: CodeRange::Studio,
        standard: Some(Standard::Lines625),
        sample_rate: None,
        rate_trust: RateTrust::Presumed,
        field_order: Some(FieldOrder::Top),
        field_order_forced: false,
    })
}

fn frame(label: u8, rows: RowLayout, lost: u64) -> Frame {
    let held = if matches!(rows, RowLayout::Single(_)) {
        ROWS / 2
    } else {
        ROWS
    };
    let mut pool = FramePool::new(1, 2 * WIDTH * held);
    let mut vacant = pool.vacant().expect("a new pool has room");
    for (place, byte) in vacant.bytes_mut().iter_mut().enumerate() {
        *byte = if place % 2 == 0 { label } else { 128 };
    }
    Frame {
        format: format(),
        rows,
        data: vacant.fill(),
        gap: Gap {
            lost_by_source: lost,
            ..Gap::default()
        },
        device_time: None,
        arrived: Instant::now(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

/// The luma of each row of each frame that is written of these.
fn written(gaps: Gaps, frames: &[Frame]) -> (Handed, Vec<[u8; ROWS]>) {
    let mut out = Vec::new();
    let mut stream = Stream::new(&mut out);
    let mut places = Places::new(gaps);
    for frame in frames {
        let placed = places.place(frame);
        let frame = frame.clone();
        stream
            .take(&Part { frame, placed })
            .expect("memory takes it");
    }
    let handed = stream.finish().expect("memory takes it");
    (handed, pictures(&out))
}

fn pictures(out: &[u8]) -> Vec<[u8; ROWS]> {
    const FRAME: &[u8] = b"FRAME\n";
    let Some(header) = out.iter().position(|&byte| byte == b'\n') else {
        return Vec::new();
    };
    let body = &out[header + 1..];
    let size = FRAME.len() + 2 * WIDTH * ROWS;
    assert!(body.len().is_multiple_of(size), "whole frames");
    body.chunks(size)
        .map(|frame| {
            let (word, samples) = frame.split_at(FRAME.len());
            assert_eq!(word, FRAME);
            std::array::from_fn(|row| samples[row * WIDTH])
        })
        .collect()
}

fn woven(label: u8, lost: u64) -> Frame {
    frame(label, RowLayout::Woven, lost)
}

fn field(label: u8, parity: Parity, lost: u64) -> Frame {
    frame(label, RowLayout::Single(parity), lost)
}

use Parity::{Bottom, Top};

#[test]
fn frames_go_out_in_order_and_unaltered() {
    let (handed, pictures) = written(Gaps::Repeat, &[woven(1, 0), woven(254, 0)]);
    assert_eq!(pictures, [[1; 4], [254; 4]]);
    assert_eq!((handed.frames, handed.repeated), (2, 0));
}

#[test]
fn lost_frames_are_stood_for_or_left_out() {
    let frames = [woven(1, 0), woven(2, 4), woven(3, 0)];
    let (handed, pictures) = written(Gaps::Repeat, &frames);
    assert_eq!(pictures, [[1; 4], [1; 4], [1; 4], [2; 4], [3; 4]]);
    assert_eq!((handed.frames, handed.repeated), (5, 2));
    let (handed, pictures) = written(Gaps::Omit, &frames);
    assert_eq!(pictures, [[1; 4], [2; 4], [3; 4]]);
    assert_eq!((handed.frames, handed.repeated), (3, 0));
}

#[test]
fn sequential_fields_are_woven() {
    let mut sequential = frame(0, RowLayout::Sequential(Bottom), 0);
    let mut pool = FramePool::new(1, 2 * WIDTH * ROWS);
    let mut vacant = pool.vacant().expect("room");
    for (place, byte) in vacant.bytes_mut().iter_mut().enumerate() {
        *byte = if place % 2 == 0 {
            (place / (2 * WIDTH)) as u8
        } else {
            128
        };
    }
    sequential.data = vacant.fill();
    let (_, pictures) = written(Gaps::Repeat, &[sequential]);
    // The bottom field's rows 0 and 1 come first in memory, then the top field's.
    assert_eq!(pictures, [[2, 0, 3, 1]]);
}

#[test]
fn single_fields_are_woven_in_pairs() {
    let fields = [
        field(1, Top, 0),
        field(2, Bottom, 0),
        field(3, Top, 0),
        field(4, Bottom, 0),
    ];
    let (_, pictures) = written(Gaps::Omit, &fields);
    assert_eq!(pictures, [[1, 2, 1, 2], [3, 4, 3, 4]]);
}

#[test]
fn a_field_without_its_partner_goes_out_with_the_one_before() {
    let fields = [
        field(1, Top, 0),
        field(2, Bottom, 0),
        field(3, Top, 0), // its partner is lost
        field(5, Top, 1),
        field(6, Bottom, 0),
        field(8, Bottom, 1), // the top one before it is lost
    ];
    for gaps in [Gaps::Repeat, Gaps::Omit] {
        let (handed, pictures) = written(gaps, &fields);
        assert_eq!(
            pictures,
            [[1, 2, 1, 2], [3, 2, 3, 2], [5, 6, 5, 6], [5, 8, 5, 8]]
        );
        assert_eq!(handed.frames, 4);
    }
}

#[test]
fn lost_single_fields_keep_the_count_of_frames() {
    // Fields 2 to 5 are lost: frames 1 and 2.
    let fields = [
        field(1, Top, 0),
        field(2, Bottom, 0),
        field(9, Top, 4),
        field(10, Bottom, 0),
    ];
    let (handed, pictures) = written(Gaps::Repeat, &fields);
    assert_eq!(
        pictures,
        [[1, 2, 1, 2], [1, 2, 1, 2], [1, 2, 1, 2], [9, 10, 9, 10]]
    );
    assert_eq!(handed.repeated, 2);
}

#[test]
fn a_stream_that_begins_with_the_second_field_begins_with_the_first_whole_frame() {
    let fields = [field(2, Bottom, 0), field(3, Top, 0), field(4, Bottom, 0)];
    let (_, pictures) = written(Gaps::Repeat, &fields);
    assert_eq!(pictures, [[3, 4, 3, 4]]);
}

/// A recorder that is as slow as a test wants.
fn stalled(buffer_frames: usize, gaps: Gaps) -> (TeeSender, Receiver<Part>, Arc<AtomicUsize>) {
    let (frames, queue) = bounded(2 * buffer_frames);
    let waiting = Arc::<AtomicUsize>::default();
    let sender = TeeSender {
        frames,
        places: Places::new(gaps),
        gaps,
        in_force: None,
        turn: None,
        waiting: Arc::clone(&waiting),
        most_bytes: buffer_frames * 2 * WIDTH * ROWS,
        owed: Gap::default(),
        left_out: 0,
        gone: false,
        note: None,
        failure: bounded(1).1,
    };
    (sender, queue, waiting)
}

#[test]
fn a_recorder_that_falls_behind_is_told_of_and_its_frames_are_counted() {
    let (mut tee, queue, waiting) = stalled(2, Gaps::Repeat);
    for label in 0..5 {
        tee.offer(&woven(label, 0), true);
    }
    let note = tee.note().expect("the operator hears of it at once");
    assert!(note.contains("too slow"), "{note}");
    assert_eq!(tee.note(), None, "once");
    let first = queue.recv().expect("it was handed on");
    waiting.fetch_sub(first.frame.data.bytes().len(), Ordering::Relaxed);
    tee.offer(&woven(5, 0), true);
    let note = tee.note().expect("how many it was");
    assert!(note.contains("3 were not handed on"), "{note}");
    assert_eq!(tee.turn(), None, "frames stand where the pass has them");
    drop(tee);
    // What found no room is stood for like what the source lost.
    let mut out = Vec::new();
    let mut stream = Stream::new(&mut out);
    for part in std::iter::once(first).chain(queue.iter()) {
        stream.take(&part).expect("memory takes it");
    }
    assert_eq!(stream.finish().expect("memory takes it").repeated, 3);
    assert_eq!(pictures(&out), [0, 1, 1, 1, 1, 5].map(|label| [label; 4]));
}

/// The turns told while these frames are offered to a recorder that takes them all.
fn turns(gaps: Gaps, frames: &[Frame]) -> Vec<(u64, Option<u64>)> {
    let (mut tee, _queue, _) = stalled(frames.len(), gaps);
    let told = frames.iter().filter_map(|frame| {
        tee.offer(frame, true);
        tee.turn()
    });
    told.map(|turn| (turn.start.0, turn.tee_frame)).collect()
}

#[test]
fn places_differ_from_the_pass_only_where_frames_are_left_out() {
    let frames = [woven(1, 0), woven(2, 4), woven(3, 0), woven(4, 2)];
    assert_eq!(turns(Gaps::Repeat, &frames), []);
    assert_eq!(turns(Gaps::Omit, &frames), [(6, Some(1)), (12, Some(3))]);
}

#[test]
fn frames_left_out_for_want_of_room_have_no_place_where_nothing_stands_for_them() {
    let (mut tee, queue, waiting) = stalled(1, Gaps::Omit);
    tee.offer(&woven(0, 0), true);
    assert_eq!(tee.turn(), None);
    let start = FieldIndex(2);
    tee.offer(&woven(1, 0), true);
    let tee_frame = None;
    assert_eq!(tee.turn(), Some(HandedOn { start, tee_frame }));
    tee.offer(&woven(2, 0), true);
    assert_eq!(tee.turn(), None, "still so");
    let first = queue.recv().expect("it was handed on");
    waiting.fetch_sub(first.frame.data.bytes().len(), Ordering::Relaxed);
    tee.offer(&woven(3, 0), true);
    let (start, tee_frame) = (FieldIndex(6), Some(1));
    assert_eq!(tee.turn(), Some(HandedOn { start, tee_frame }));
}

#[test]
fn single_fields_stand_at_the_frame_that_shows_them() {
    let fields = [
        field(2, Bottom, 0),
        field(3, Top, 0),
        field(4, Bottom, 0),
        field(5, Top, 0),
    ];
    // The lone field at the start is shown nowhere; the stream begins with the frame after it.
    assert_eq!(turns(Gaps::Repeat, &fields), [(1, None), (2, Some(0))]);
}

#[test]
fn a_recorder_that_is_gone_is_told_of_once_and_holds_nothing_up() {
    let (mut tee, queue, _) = stalled(2, Gaps::Repeat);
    drop(queue);
    tee.offer(&woven(0, 0), true);
    assert!(
        tee.note()
            .is_some_and(|note| note.contains("no more frames"))
    );
    for label in 1..9 {
        tee.offer(&woven(label, 0), true);
    }
    assert_eq!(tee.note(), None);
}

fn job(to: &Path) -> TeeJob {
    TeeJob {
        to: TeeTo::File(to.to_owned()),
        buffer_bytes: 1 << 20,
        gaps: Gaps::Repeat,
    }
}

#[test]
fn a_file_holds_every_frame_when_the_tee_is_finished() {
    let directory = tempfile::tempdir().expect("room for a directory");
    let path = directory.path().join("out.y4m");
    let (tee, mut sender) = Tee::start(&job(&path), &format()).expect("a new file");
    for label in 0..50 {
        sender.offer(&woven(label, 0), false);
    }
    drop(sender);
    assert_eq!(tee.finish().expect("it is written").frames, 50);
    let pictures = pictures(&std::fs::read(&path).expect("it is there"));
    let labels: Vec<u8> = pictures.iter().map(|rows| rows[0]).collect();
    assert_eq!(labels, (0..50).collect::<Vec<u8>>());
}

#[test]
fn an_existing_file_is_not_overwritten() {
    let directory = tempfile::tempdir().expect("room for a directory");
    let path = directory.path().join("out.y4m");
    std::fs::write(&path, "an earlier transfer").expect("it is written");
    let error = Tee::start(&job(&path), &format()).err().expect("refused");
    assert!(format!("{error:#}").contains("exists already"), "{error:#}");
}

#[test]
fn a_recorder_that_fails_is_an_error_at_the_end() {
    struct Full;
    impl Write for Full {
        fn write(&mut self, _bytes: &[u8]) -> io::Result<usize> {
            Err(io::ErrorKind::StorageFull.into())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }
    let (frames, queue) = bounded(1);
    let frame = woven(1, 0);
    let placed = Places::new(Gaps::Repeat).place(&frame);
    frames.send(Part { frame, placed }).expect("there is room");
    drop(frames);
    assert!(write_all(&queue, &AtomicUsize::new(0), Full).is_err());
}

/// A tee into a pipe whose reader has gone, and the capture thread's end of it.
#[cfg(unix)]
fn into_a_broken_pipe() -> (Tee, TeeSender) {
    let (reader, writer) = io::pipe().expect("a pipe");
    drop(reader);
    let out = std::fs::File::from(std::os::fd::OwnedFd::from(writer));
    let path = PathBuf::from("a pipe");
    Tee::start_into(Destination::File(out, path.clone()), &job(&path), 4).expect("a thread")
}

#[test]
#[cfg(unix)]
fn a_failure_with_the_last_frames_is_told_of_at_the_end() {
    let (tee, mut sender) = into_a_broken_pipe();
    sender.offer(&woven(1, 0), false);
    assert_eq!(sender.note(), None, "it waits in the buffer");
    drop(sender);
    let note = tee.late_note(PATIENCE).expect("nobody told of it yet");
    assert!(note.contains("takes no more frames"), "{note}");
    assert_eq!(tee.late_note(PATIENCE), None, "once");
    assert!(tee.finish().is_err());
}

#[test]
#[cfg(unix)]
fn a_failure_told_of_with_a_later_frame_is_not_told_of_again() {
    let (tee, mut sender) = into_a_broken_pipe();
    let told = (0..100_000).find_map(|_| {
        sender.offer(&woven(1, 0), false);
        sender.note()
    });
    assert!(told.is_some_and(|note| note.contains("Monitoring goes on")));
    drop(sender);
    assert_eq!(tee.late_note(PATIENCE), None);
}
