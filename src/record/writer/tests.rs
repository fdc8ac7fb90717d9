//! Tests of the queue: full, failing, closed and left.

use super::*;
use crate::record::reader::Pass;
use crate::record::testing::{catalogue, closed, closing, event, head, row};

const QUEUE: usize = 8;

struct Bench {
    scratch: tempfile::TempDir,
    path: std::path::PathBuf,
    sender: PassSender<5>,
    writer: Writer<5>,
}

fn bench(when_full: WhenFull) -> Bench {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("a.pass");
    let made = create_with(&path, &head(false), &catalogue(), when_full, QUEUE);
    let (sender, writer) = made.expect("a new pass");
    Bench {
        scratch,
        path,
        sender,
        writer,
    }
}

/// One round of the writer without waiting for more to come.
fn round(writer: &mut Writer<5>) -> Result<(), RecordError> {
    writer.gather(Instant::now());
    writer.commit()
}

#[test]
fn the_queue_holds_thirty_seconds_of_the_faster_standard() {
    let fields = 30.0 / crate::standard::Standard::Lines525.field_period().0;
    assert!(QUEUE_FIELDS as f64 >= fields.max(1800.0));
}

#[test]
fn a_live_sender_drops_counts_and_names_what_finds_no_room() {
    let Bench {
        path,
        mut sender,
        mut writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    let watch = sender.watch();
    for field in 0..20 {
        sender.field(&row(field), None).expect("a writer");
    }
    let state = watch.state();
    assert_eq!(state.fields_dropped, 20 - QUEUE as u64);
    assert!(state.stalled_since.is_some());
    round(&mut writer).expect("a commit");
    sender.field(&row(20), None).expect("a writer");
    assert_eq!(watch.state().stalled_since, None);
    sender.close(closing(21)).expect("room");
    writer.run().expect("a closed pass");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    let gaps = pass.gaps().expect("gaps");
    assert_eq!(
        (gaps[0].first, gaps[0].last),
        (FieldIndex(8), FieldIndex(19))
    );
    assert_eq!((gaps.len(), gaps[0].fields), (1, 12));
    assert_eq!(watch.state().fields_stored, 9);
}

#[test]
fn fields_dropped_at_the_very_end_are_named_too() {
    let Bench {
        path,
        mut sender,
        writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    for field in 0..=QUEUE as u64 {
        sender.field(&row(field), None).expect("a writer");
    }
    let closer = std::thread::spawn(move || sender.close(closing(9)));
    writer.run().expect("a closed pass");
    closer.join().expect("no panic").expect("room in the end");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    assert_eq!(pass.gaps().expect("gaps")[0].first, FieldIndex(8));
    assert!(pass.closed_at().is_some());
}

#[test]
fn a_sender_that_can_wait_loses_nothing() {
    let Bench {
        path,
        mut sender,
        writer,
        scratch: _scratch,
    } = bench(WhenFull::Wait);
    let writing = std::thread::spawn(move || writer.run());
    for field in 0..200 {
        sender.field(&row(field), None).expect("a writer");
    }
    sender.close(closing(200)).expect("a writer");
    writing.join().expect("no panic").expect("a closed pass");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    assert_eq!(pass.rows(FieldIndex(0)..FieldIndex(999)).count(), 200);
    assert_eq!(pass.gaps().expect("gaps"), []);
}

#[test]
fn events_outlast_a_full_queue() {
    let Bench {
        path,
        mut sender,
        mut writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    for field in 0..QUEUE as u64 {
        sender.field(&row(field), None).expect("a writer");
    }
    for id in 1..=20 {
        sender.event(&event(id, 3)).expect("a writer");
        sender.event(&closed(event(id, 3), 5)).expect("a writer");
    }
    round(&mut writer).expect("a commit");
    let writing = std::thread::spawn(move || writer.run());
    sender.close(closing(8)).expect("a writer");
    writing.join().expect("no panic").expect("a closed pass");
    let events = Pass::open_with(&path, catalogue()).and_then(|pass| pass.events());
    let events = events.expect("events");
    assert_eq!(events.len(), 20);
    assert!(events.iter().all(|event| event.end.is_some()));
}

#[test]
fn a_full_disk_is_waited_out_and_what_was_lost_is_named() {
    let Bench {
        path,
        mut sender,
        mut writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    let watch = sender.watch();
    writer.store.limit_growth(Some(0));
    let mut field = 0;
    while watch.state().failing.is_none() {
        sender.field(&row(field), None).expect("a writer");
        field += 1;
        // Fails sooner or later: a page holds a few hundred fields.
        let _ = round(&mut writer);
        assert!(field < 2000, "the disk should be full by now");
    }
    let (since, why) = watch.state().failing.expect("a failure");
    assert!(why.contains("full"), "{why}");
    let stored = watch.state().fields_stored;
    for _ in 0..3 * QUEUE {
        sender.field(&row(field), None).expect("a writer");
        field += 1;
    }
    assert!(watch.state().fields_dropped > 0);
    writer.commit().expect_err("still full");
    assert_eq!(
        watch.state().failing.map(|(since, _)| since),
        Some(since),
        "since the first time"
    );
    assert_eq!(watch.state().fields_stored, stored);
    writer.store.limit_growth(None);
    round(&mut writer).expect("room again");
    assert_eq!(watch.state().failing, None);
    let writing = std::thread::spawn(move || writer.run());
    sender.close(closing(field)).expect("a writer");
    writing.join().expect("no panic").expect("a closed pass");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    let kept = pass.rows(FieldIndex(0)..FieldIndex(u64::MAX)).count() as u64;
    let missed: u64 = pass
        .gaps()
        .expect("gaps")
        .iter()
        .map(|gap| gap.fields)
        .sum();
    assert_eq!(kept + missed, field);
    assert_eq!(watch.state().fields_dropped, missed);
}

#[test]
fn a_sender_that_waits_learns_that_the_disk_fails() {
    let Bench {
        mut sender,
        mut writer,
        scratch: _scratch,
        ..
    } = bench(WhenFull::Wait);
    writer.store.limit_growth(Some(0));
    let mut field = 0;
    while round(&mut writer).is_ok() {
        sender.field(&row(field), None).expect("room");
        field += 1;
    }
    let failure =
        (0..=2 * QUEUE as u64).find_map(|more| sender.field(&row(field + more), None).err());
    assert!(
        matches!(failure, Some(RecordError::NotWriting(_))),
        "{failure:?}"
    );
    drop(sender);
    writer
        .run()
        .expect_err("a pass whose end is lost is not well closed");
}

#[test]
fn a_disk_that_has_room_again_at_the_end_gets_all_that_waited() {
    let Bench {
        path,
        mut sender,
        mut writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    writer.store.limit_growth(Some(0));
    let mut field = 0;
    let mut send = |sender: &mut PassSender<5>| {
        sender.field(&row(field), None).expect("a writer");
        field += 1;
        field
    };
    while writer.has_room() {
        send(&mut sender);
        // Fails sooner or later; from then on the batch only grows.
        let _ = round(&mut writer);
    }
    for _ in 0..QUEUE / 2 {
        send(&mut sender);
    }
    let sent = send(&mut sender);
    sender.close(closing(sent)).expect("room in the queue");
    writer.store.limit_growth(None);
    writer.run().expect("a closed pass");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    assert!(pass.closed_at().is_some());
    let kept = pass.rows(FieldIndex(0)..FieldIndex(u64::MAX)).count();
    assert_eq!(kept as u64, sent);
}

#[test]
fn a_sender_that_is_dropped_leaves_a_whole_file_that_was_not_closed() {
    let Bench {
        path,
        mut sender,
        writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    sender.field(&row(0), None).expect("a writer");
    drop(sender);
    writer.run().expect("a file");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    assert_eq!(pass.closed_at(), None);
    assert_eq!(pass.rows(FieldIndex(0)..FieldIndex(9)).count(), 1);
}

#[test]
fn buffers_of_lines_go_round() {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("a.pass");
    let made = create_with(&path, &head(true), &catalogue(), WhenFull::Drop, QUEUE);
    let (mut sender, mut writer) = made.expect("a new pass");
    let timing = line_timing::Reading::default();
    for field in 0..10 * QUEUE as u64 {
        sender.field(&row(field), Some(&timing)).expect("a writer");
        round(&mut writer).expect("a commit");
        assert_eq!(
            sender.buffers.len(),
            1,
            "one buffer is enough for one field at a time"
        );
    }
}

#[test]
fn a_writer_that_is_gone_is_an_error() {
    let Bench {
        mut sender,
        writer,
        scratch: _scratch,
        ..
    } = bench(WhenFull::Drop);
    drop(writer);
    let refused = sender.field(&row(0), None);
    assert!(
        matches!(refused, Err(RecordError::NotWriting(_))),
        "{refused:?}"
    );
}

#[test]
fn a_disk_that_cannot_be_written_to_is_waited_out() {
    let Bench {
        path,
        mut sender,
        mut writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    let watch = sender.watch();
    sender.field(&row(0), None).expect("a writer");
    round(&mut writer).expect("it can be written to");
    writer.store.set_read_only(true);
    for field in 1..4 {
        sender.field(&row(field), None).expect("a writer");
        round(&mut writer).expect_err("it cannot");
    }
    assert_eq!(watch.trouble(Instant::now()), Some(Trouble::Failing));
    writer.store.set_read_only(false);
    round(&mut writer).expect("it can be written to again");
    assert_eq!(watch.trouble(Instant::now()), None);
    drop(sender);
    writer.run().expect("a whole file");
    let pass = Pass::open_with(&path, catalogue()).expect("the pass");
    assert_eq!(pass.rows(FieldIndex(0)..FieldIndex(9)).count(), 4);
    assert_eq!(pass.gaps().expect("gaps"), []);
}

/// A disk that hangs is held up here by another connection that has the file for itself.
#[test]
fn a_commit_that_hangs_is_trouble_before_it_fails() {
    let Bench {
        path,
        mut sender,
        mut writer,
        scratch: _scratch,
    } = bench(WhenFull::Drop);
    let watch = sender.watch();
    let other = rusqlite::Connection::open(&path).expect("the pass");
    other.execute_batch("BEGIN IMMEDIATE").expect("a lock");
    sender.field(&row(0), None).expect("a writer");
    let writing = std::thread::spawn(move || {
        let outcome = round(&mut writer);
        (writer, outcome)
    });
    while watch.state().writing_since.is_none() {
        std::thread::yield_now();
    }
    let now = Instant::now();
    assert_eq!(watch.trouble(now), None, "a commit takes a moment");
    assert_eq!(watch.trouble(now + SLOW), Some(Trouble::Slow));
    other.execute_batch("ROLLBACK").expect("an end");
    let (writer, outcome) = writing.join().expect("no panic");
    outcome.expect("the lock was taken back within its patience");
    assert_eq!(watch.trouble(now + SLOW), None);
    drop(sender);
    writer.run().expect("a whole file");
}
