//! Buffers go round. They stand beside `pool` and not in it, for `tests/models` compiles that file too.

use super::FramePool;

#[test]
fn a_buffer_comes_back_when_its_last_handle_is_dropped() {
    let mut pool = FramePool::new(1, 4);
    let mut vacant = pool.vacant().expect("a new pool has room");
    vacant.bytes_mut()[0] = 7;
    let first = vacant.fill();
    let second = first.clone();
    drop(first);
    assert!(pool.vacant().is_none());
    assert_eq!(second.bytes()[0], 7);
    drop(second);
    assert!(pool.vacant().is_some());
}
