//! The pass file's own thread, and the queue in front of it.
//!
//! In: rows, events and programme spans, through a [`PassSender`]. Out: a pass file, one commit about once a second, so
//! that a power cut costs the last second at most. [`create`] gives both ends; whoever owns threads runs
//! [`Writer::run`] on one.
//!
//! A full disk stops nothing: the batch that did not fit is kept and tried again every second, the queue fills behind
//! it, and only then are fields dropped, counted, and named in the table `gaps`. Events are never dropped while there
//! is memory for a few thousand.
//!
//! Does not know: measures, screens, or who starts the thread.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crossbeam_channel::{
    Receiver, RecvTimeoutError, SendTimeoutError, Sender, TrySendError, bounded,
};

use super::error::RecordError;
use super::head::{PassHead, ProgrammeSpan};
use super::packed;
use super::row::Row;
use super::schema::{Catalogue, full_catalogue};
use super::store::{Batch, Closing, Missed, Store};
use crate::alarms::Event;
use crate::measures::{QUANTITY_COUNT, line_timing};
use crate::timecode::FieldIndex;

/// Fields that may wait for the disk: 34 s at 60 fields a second. A disk that spins up takes 10 s, a bad sector 20.
pub const QUEUE_FIELDS: usize = 2048;

/// Time between commits: with the commit itself, a crash costs no more than the last second.
const COMMIT_INTERVAL: Duration = Duration::from_millis(900);

/// How long a source that can wait does so before it looks whether the disk has failed.
const LOOK_AGAIN: Duration = Duration::from_millis(200);

/// Events kept back while the queue is full; beyond it the oldest is given up.
const NOTES_KEPT_BACK: usize = 4096;

/// What happens to a field when the queue is full.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenFull {
    /// It is dropped and counted: the source is live and does not wait.
    Drop,
    /// The sender waits, unless the disk fails.
    Wait,
}

/// How the writing goes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WriterState {
    /// The queue has been full since then: fields are being dropped.
    pub stalled_since: Option<Instant>,
    /// Commits have failed since then, and why; it is being tried again.
    pub failing: Option<(Instant, String)>,
    /// Fields in the file for certain.
    pub fields_stored: u64,
    /// Fields that were dropped.
    pub fields_dropped: u64,
    /// Events that were dropped.
    pub events_dropped: u64,
    /// Bytes of the file.
    pub bytes: u64,
}

/// The state both ends write to and anyone may look at.
#[derive(Clone, Debug, Default)]
pub struct WriterWatch(Arc<Mutex<Shared>>);

#[derive(Debug, Default)]
struct Shared {
    state: WriterState,
    sender_gone: bool,
}

impl WriterWatch {
    /// How the writing goes right now.
    #[must_use]
    pub fn state(&self) -> WriterState {
        self.with(|shared| shared.state.clone())
    }

    /// Both ends only assign while they hold the lock, so what a panic leaves behind is whole.
    fn with<T>(&self, look: impl FnOnce(&mut Shared) -> T) -> T {
        look(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn update(&self, change: impl FnOnce(&mut WriterState)) {
        self.with(|shared| change(&mut shared.state));
    }
}

/// What goes through the queue. Rows stand in it unboxed: the queue is a block of memory made once, and nothing is
/// allocated for a field.
enum Message<const N: usize> {
    Field {
        row: Row<N>,
        lines: Option<Vec<u8>>,
        /// Dropped right before this field.
        missed: Option<Missed>,
    },
    Missed(Missed),
    Note(Note),
}

impl<const N: usize> Message<N> {
    /// What it says was dropped before it.
    fn missed(&self) -> Option<Missed> {
        match self {
            Self::Field { missed, .. } => *missed,
            Self::Missed(missed) => Some(*missed),
            Self::Note(_) => None,
        }
    }
}

enum Note {
    Event(Event),
    Programme(Vec<ProgrammeSpan>),
    Closing(Closing),
}

/// Makes a new pass file and both ends of its queue.
///
/// # Errors
/// When the file exists already or cannot be made.
pub fn create(
    path: &Path,
    head: &PassHead,
    when_full: WhenFull,
) -> Result<(PassSender, Writer), RecordError> {
    create_with(path, head, &full_catalogue(), when_full, QUEUE_FIELDS)
}

/// The same for any list of quantities and length of queue.
pub(super) fn create_with<const N: usize>(
    path: &Path,
    head: &PassHead,
    catalogue: &Catalogue<N>,
    when_full: WhenFull,
    queue_fields: usize,
) -> Result<(PassSender<N>, Writer<N>), RecordError> {
    let store = Store::create(path, head, catalogue)?;
    let (sender, receiver) = bounded(queue_fields);
    // As many buffers as can be on the way at once: none is ever freed for want of room.
    let (back, buffers) = bounded(2 * queue_fields + 1);
    let watch = WriterWatch::default();
    let pass_sender = PassSender {
        messages: sender,
        buffers,
        watch: watch.clone(),
        when_full,
        keep_lines: head.keep_lines,
        missed: None,
        notes: VecDeque::new(),
    };
    let writer = Writer {
        batch: Store::new_batch(queue_fields),
        store,
        messages: receiver,
        back,
        watch,
        batch_fields: queue_fields,
    };
    Ok((pass_sender, writer))
}

/// The end that analysis hands its results to.
pub struct PassSender<const N: usize = QUANTITY_COUNT> {
    messages: Sender<Message<N>>,
    buffers: Receiver<Vec<u8>>,
    watch: WriterWatch,
    when_full: WhenFull,
    keep_lines: bool,
    missed: Option<Missed>,
    notes: VecDeque<Note>,
}

impl<const N: usize> PassSender<N> {
    /// A handle to look at the state from elsewhere.
    #[must_use]
    pub fn watch(&self) -> WriterWatch {
        self.watch.clone()
    }

    /// Hands on a field, and its lines where the pass keeps them.
    ///
    /// # Errors
    /// When the writer is gone, or a sender that waits finds the disk failing.
    pub fn field(
        &mut self,
        row: &Row<N>,
        timing: Option<&line_timing::Reading>,
    ) -> Result<(), RecordError> {
        self.send_notes()?;
        let lines = timing.filter(|_| self.keep_lines).map(|timing| {
            let mut buffer = self.buffers.try_recv().unwrap_or_default();
            packed::pack(&timing.lines, timing.basis, &mut buffer);
            buffer
        });
        let message = Message::Field {
            row: *row,
            lines,
            missed: self.missed.take(),
        };
        match self.send(message)? {
            None => self.clear_stall(),
            Some(refused) => self.count_dropped(row.place.field, refused.missed()),
        }
        Ok(())
    }

    /// Hands on an event as it is now; a later state of the same event replaces it.
    ///
    /// # Errors
    /// When the writer is gone, or a sender that waits finds the disk failing.
    pub fn event(&mut self, event: &Event) -> Result<(), RecordError> {
        let same = |note: &&mut Note| matches!(note, Note::Event(known) if known.id == event.id);
        match self.notes.iter_mut().find(same) {
            Some(known) => *known = Note::Event(event.clone()),
            None => self.keep_note(Note::Event(event.clone())),
        }
        self.send_notes()
    }

    /// Hands on all spans of programme found so far.
    ///
    /// # Errors
    /// When the writer is gone, or a sender that waits finds the disk failing.
    pub fn programme(&mut self, spans: &[ProgrammeSpan]) -> Result<(), RecordError> {
        self.notes
            .retain(|note| !matches!(note, Note::Programme(_)));
        self.keep_note(Note::Programme(spans.to_vec()));
        self.send_notes()
    }

    /// Ends the pass; the writer then stores what waits, closes the file and returns.
    ///
    /// # Errors
    /// When the writer is gone or the disk is failing.
    pub fn close(mut self, closing: Closing) -> Result<(), RecordError> {
        self.when_full = WhenFull::Wait;
        self.keep_note(Note::Closing(closing));
        if let Some(missed) = self.missed.take() {
            self.send(Message::Missed(missed))?;
        }
        self.send_notes()
    }

    fn keep_note(&mut self, note: Note) {
        if self.notes.len() == NOTES_KEPT_BACK {
            self.notes.pop_front();
            self.watch.update(|state| state.events_dropped += 1);
        }
        self.notes.push_back(note);
    }

    /// Sends what was kept back, as far as there is room.
    fn send_notes(&mut self) -> Result<(), RecordError> {
        while let Some(note) = self.notes.pop_front() {
            if let Some(Message::Note(note)) = self.send(Message::Note(note))? {
                self.notes.push_front(note);
                return Ok(());
            }
        }
        Ok(())
    }

    /// Sends, waiting or not; gives back what found no room.
    fn send(&self, message: Message<N>) -> Result<Option<Message<N>>, RecordError> {
        match self.when_full {
            WhenFull::Drop => match self.messages.try_send(message) {
                Ok(()) => Ok(None),
                Err(TrySendError::Full(message)) => Ok(Some(message)),
                Err(TrySendError::Disconnected(_)) => Err(self.gone()),
            },
            WhenFull::Wait => self.send_waiting(message).map(|()| None),
        }
    }

    fn send_waiting(&self, mut message: Message<N>) -> Result<(), RecordError> {
        loop {
            match self.messages.send_timeout(message, LOOK_AGAIN) {
                Ok(()) => return Ok(()),
                Err(SendTimeoutError::Disconnected(_)) => return Err(self.gone()),
                Err(SendTimeoutError::Timeout(back)) => message = back,
            }
            if let Some((_, why)) = self.watch.state().failing {
                return Err(RecordError::NotWriting(why));
            }
        }
    }

    fn gone(&self) -> RecordError {
        let why = match self.watch.state().failing {
            Some((_, why)) => why,
            None => "its thread has ended".to_owned(),
        };
        RecordError::NotWriting(why)
    }

    /// Counts a field that found no room, and those dropped right before it.
    fn count_dropped(&mut self, field: FieldIndex, before: Option<Missed>) {
        self.missed = Some(Missed {
            first: before.map_or(field, |missed| missed.first),
            last: field,
            fields: before.map_or(0, |missed| missed.fields) + 1,
        });
        self.watch.update(|state| {
            state.fields_dropped += 1;
            state.stalled_since.get_or_insert_with(Instant::now);
        });
    }

    fn clear_stall(&self) {
        self.watch.update(|state| state.stalled_since = None);
    }
}

impl<const N: usize> Drop for PassSender<N> {
    fn drop(&mut self) {
        self.watch.with(|shared| shared.sender_gone = true);
    }
}

/// The end that writes.
pub struct Writer<const N: usize = QUANTITY_COUNT> {
    store: Store<N>,
    batch: Batch<N>,
    messages: Receiver<Message<N>>,
    back: Sender<Vec<u8>>,
    watch: WriterWatch,
    batch_fields: usize,
}

impl<const N: usize> Writer<N> {
    /// A handle to look at the state from elsewhere.
    #[must_use]
    pub fn watch(&self) -> WriterWatch {
        self.watch.clone()
    }

    /// Writes until the sender is closed or dropped and everything is stored, then leaves a single file.
    ///
    /// # Errors
    /// When the last of it could not be stored, or the file not be closed.
    pub fn run(mut self) -> Result<(), RecordError> {
        loop {
            let ended = self.gather(Instant::now() + COMMIT_INTERVAL);
            let written = self.commit();
            match (ended, written) {
                (true, Ok(())) => return self.store.close(),
                (true, Err(error)) => return Err(error),
                // The state shows it and the batch is kept: the next round tries again.
                (false, _) => {}
            }
        }
    }

    /// Takes what comes until `deadline`; true when nothing more will come.
    fn gather(&mut self, deadline: Instant) -> bool {
        while self.has_room() {
            match self.messages.recv_deadline(deadline) {
                Ok(message) => self.take(message),
                Err(RecvTimeoutError::Timeout) => return false,
                Err(RecvTimeoutError::Disconnected) => return true,
            }
        }
        if self.watch.state().failing.is_some() {
            std::thread::sleep(deadline.saturating_duration_since(Instant::now()));
            return self.watch.with(|shared| shared.sender_gone);
        }
        false
    }

    fn has_room(&self) -> bool {
        self.batch.fields() < self.batch_fields && self.batch.notes() < NOTES_KEPT_BACK
    }

    fn take(&mut self, message: Message<N>) {
        match message {
            Message::Field { row, lines, missed } => {
                if let Some(missed) = missed {
                    self.batch.add_missed(missed);
                }
                self.store.add_field(&mut self.batch, &row, lines);
            }
            Message::Missed(missed) => self.batch.add_missed(missed),
            Message::Note(Note::Event(event)) => self.batch.add_event(event),
            Message::Note(Note::Programme(spans)) => self.batch.set_programme(spans),
            Message::Note(Note::Closing(closing)) => self.batch.set_closing(closing),
        }
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        let fields = self.batch.fields() as u64;
        let back = &self.back;
        let written = self.store.write(&mut self.batch, |buffer| {
            // Room was made for every buffer there is; a sender that is gone needs none back.
            let _ = back.try_send(buffer);
        });
        let bytes = self.store.bytes();
        self.watch.update(|state| match &written {
            Ok(()) => {
                state.failing = None;
                state.fields_stored += fields;
                state.bytes = bytes.unwrap_or(state.bytes);
            }
            Err(error) => {
                let since = state
                    .failing
                    .take()
                    .map_or_else(Instant::now, |(since, _)| since);
                state.failing = Some((since, full_message(error)));
            }
        });
        written
    }
}

/// An error with its causes in one line.
fn full_message(error: &dyn std::error::Error) -> String {
    let mut message = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        message.push_str(": ");
        message.push_str(&error.to_string());
        cause = error.source();
    }
    message
}

#[cfg(test)]
mod tests {
    use super::super::reader::Pass;
    use super::super::testing::{catalogue, closed, closing, event, head, row};
    use super::*;

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
        let watch = writer.watch();
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
}
