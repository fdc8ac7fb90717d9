//! What measuring takes of memory: a multiple of the frame's size, however long it goes on.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::io::Cursor;

use trueline::sources::from_stream;

use super::bodies::{Chain, invented_stream};

thread_local! {
    /// Bytes that this thread holds, and the most it held; a block that another thread gives back counts for that one.
    static HELD: Cell<(isize, isize)> = const { Cell::new((0, 0)) };
}

/// The system's allocator, and a count of what is held.
struct Counted;

#[global_allocator]
static ALLOCATOR: Counted = Counted;

fn count(bytes: isize) {
    // A thread that is ending has no counter any more, and nobody counts what it holds.
    let _ = HELD.try_with(|held| {
        let (now, most) = held.get();
        held.set((now + bytes, most.max(now + bytes)));
    });
}

#[expect(unsafe_code, reason = "an allocator cannot be written without")]
// SAFETY: every call goes to the system's allocator as it came; the counter neither allocates nor unwinds.
unsafe impl GlobalAlloc for Counted {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(layout.size().cast_signed());
        // SAFETY: the caller's promise for `layout` is the one the system's allocator asks for.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, block: *mut u8, layout: Layout) {
        count(-layout.size().cast_signed());
        // SAFETY: `block` came from the system's allocator with this `layout`: all blocks do.
        unsafe { System.dealloc(block, layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        count(layout.size().cast_signed());
        // SAFETY: as for `alloc`.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn realloc(&self, block: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count(size.cast_signed() - layout.size().cast_signed());
        // SAFETY: as for `dealloc`; the promise for `size` is the caller's.
        unsafe { System.realloc(block, layout, size) }
    }
}

/// The most bytes held while a stream is measured so many times over, less those of the stream and of the frames' pool.
fn most_held(data: &[u8], times: usize) -> (isize, usize) {
    let (stream, wishes) = invented_stream(data);
    let head = stream
        .iter()
        .position(|&byte| byte == b'\n')
        .expect("a header")
        + 1;
    let long = [&stream[..head], &stream[head..].repeat(times)].concat();
    let mut source =
        from_stream(Box::new(Cursor::new(long)), "invented", &wishes).expect("our own");
    let frame_bytes = source.format().buffer_bytes(source.format().rows);
    let mut chain = Chain::new(source.as_ref());
    let before = HELD.get().0;
    HELD.set((before, before));
    while let Some(frame) = source.next_frame().expect("a stream of our own making") {
        chain.take(&frame);
    }
    chain.finish();
    (HELD.get().1 - before, frame_bytes)
}

/// Whatever the size: windows, plans and histories of fixed length.
const FIXED_BYTES: usize = 64 << 20;

/// Frames' worth of history and scratch.
const FRAMES_WORTH: usize = 64;

#[test]
fn memory_is_bounded_by_the_frame_and_not_by_how_long_it_goes_on() {
    // width, rows, samples, order, rate, range, standard, frames; then frames: noise, a picture, stripes, the same shifted
    let frames = [
        1, 0, 7, 1, 2, 3, 6, 8, 3, 5, 7, 9, 1, 9, 4, 4, 4, 4, 6, 90, 7, 3,
    ];
    for (width, rows) in [(0, 0), (2, 3), (5, 6), (7, 7)] {
        for samples in [0, 4, 11] {
            let head = [0, width, 0, rows, samples, 1, 0, 0, 0, 7];
            let data = [head.as_slice(), &frames].concat();
            let (once, frame_bytes) = most_held(&data, 1);
            let (thrice, _) = most_held(&data, 3);
            let most = FIXED_BYTES + FRAMES_WORTH * frame_bytes;
            assert!(
                thrice.unsigned_abs() <= most,
                "{thrice} bytes for frames of {frame_bytes}"
            );
            // histories fill up to their length: four times what eight frames took is beyond any of them
            assert!(
                thrice <= 4 * once + (1 << 20),
                "{once} bytes became {thrice}"
            );
        }
    }
}

#[test]
fn the_counter_counts() {
    let before = HELD.get().0;
    let block = std::hint::black_box(vec![0_u8; 5_000]);
    assert!(HELD.get().0 - before >= 5_000);
    drop(block);
    assert_eq!(HELD.get().0, before);
}
