//! What threads share of ours, in every order that threads can come in: `loom` runs each model once for each of them.
//!
//! The files of the program are compiled here once more, with the checker's counted handles and flags in the place of the standard
//! library's. Channels are a crate's and not known to the checker: `end_to_end`'s starts and stops strain them.

#![allow(
    dead_code,
    unreachable_pub,
    reason = "the models use a part of each file, and the program hands on some of it"
)]

/// In the place of the program's own.
mod shared {
    pub(crate) use loom::sync::Arc;
    pub(crate) use loom::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
}

#[path = "../../src/sources/pool.rs"]
mod pool;
#[path = "../../src/app/stop.rs"]
mod stop;

use loom::sync::mpsc::channel;
use loom::thread;

use pool::{FrameBuffer, FramePool};
use shared::{Arc, AtomicBool, Ordering};
use stop::{Last, Leaving, Stop, quit, signalled};

/// Frames handed on in a model: one more than there are buffers, so that one goes round.
const FRAMES: u8 = 3;

#[test]
fn a_buffer_is_never_written_to_while_somebody_holds_it() {
    loom::model(|| {
        let mut pool = FramePool::new(2, 1);
        let (sender, receiver) = channel::<FrameBuffer>();
        let analysis = thread::spawn(move || {
            for number in 0..FRAMES {
                let frame = receiver.recv().expect("as many as were sent");
                let history = frame.clone();
                drop(frame);
                thread::yield_now();
                assert_eq!(history.bytes(), [number], "written to while it was held");
            }
        });
        for number in 0..FRAMES {
            while !pool.has_room() {
                thread::yield_now();
            }
            let mut vacant = pool.vacant().expect("there is room, and only we take it");
            vacant.bytes_mut()[0] = number;
            sender.send(vacant.fill()).expect("somebody listens");
        }
        analysis.join().expect("no panic");
        while !pool.has_room() {
            thread::yield_now();
        }
    });
}

#[test]
fn whoever_asks_for_the_end_first_every_loop_ends_and_the_reason_is_told() {
    loom::model(|| {
        let wanted = Arc::new(AtomicBool::new(false));
        let by_operator = Arc::new(AtomicBool::new(false));
        let stop = Stop::of(&wanted);
        let operator = {
            let (wanted, by_operator) = (Arc::clone(&wanted), Arc::clone(&by_operator));
            thread::spawn(move || quit(&wanted, &by_operator))
        };
        let capture = thread::spawn(move || {
            while !stop.is_set() {
                thread::yield_now();
            }
        });
        // as the handler of a signal does
        wanted.store(true, Ordering::SeqCst);
        operator.join().expect("no panic");
        capture.join().expect("it ends");
        // whichever came first, the two flags agree with each other from now on
        let reason = signalled(&wanted, &by_operator);
        quit(&wanted, &by_operator);
        assert_eq!(signalled(&wanted, &by_operator), reason);
    });
}

#[test]
fn an_operator_who_quits_in_two_places_is_no_signal() {
    loom::model(|| {
        let wanted = Arc::new(AtomicBool::new(false));
        let by_operator = Arc::new(AtomicBool::new(false));
        let other = {
            let (wanted, by_operator) = (Arc::clone(&wanted), Arc::clone(&by_operator));
            thread::spawn(move || quit(&wanted, &by_operator))
        };
        quit(&wanted, &by_operator);
        other.join().expect("no panic");
        assert!(!signalled(&wanted, &by_operator));
    });
}

#[test]
fn the_end_of_one_source_ends_no_other() {
    loom::model(|| {
        let wanted = Arc::new(AtomicBool::new(false));
        let (one, other) = (Stop::of(&wanted), Stop::of(&wanted));
        let stopping = one.clone();
        let stopper = thread::spawn(move || stopping.set());
        while !one.is_set() {
            thread::yield_now();
        }
        stopper.join().expect("no panic");
        assert!(!other.is_set());
    });
}

#[test]
fn the_last_to_leave_tells_and_nobody_before() {
    loom::model(|| {
        let last = Arc::new(Last::of(2));
        let work = Arc::new(AtomicBool::new(false));
        let leave = |does_work: bool| {
            let (last, work) = (Arc::clone(&last), Arc::clone(&work));
            thread::spawn(move || {
                let _leaves = Leaving(&last);
                if does_work {
                    work.store(true, Ordering::Relaxed);
                }
            })
        };
        let (first, second) = (leave(true), leave(false));
        while !last.ended().load(Ordering::Relaxed) {
            thread::yield_now();
        }
        first.join().expect("no panic");
        second.join().expect("no panic");
        assert!(work.load(Ordering::Relaxed));
    });
}
