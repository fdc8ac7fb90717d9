//! The pass file's own thread, and the queue in front of it.
//!
//! In: rows, events and programme spans, through a [`PassSender`]. Out: a pass file, one commit about once a second, so
//! that a power cut costs the last second at most. [`create`] gives both ends; whoever owns threads runs
//! [`Writer::run`] on one.
//!
//! A full disk stops nothing: the batch that did not fit is kept and tried again every second, the queue fills behind
//! it, and only then are fields dropped, counted, and named in the table `gaps`. Events are never dropped while there
//! is memory for a few thousand. A pass that is deleted while it is recorded is made anew with all that was in it.
//!
//! Does not know: measures, screens, or who starts the thread.

use std::collections::VecDeque;
use std::path::Path;
use std::time::{Duration, Instant};

use crossbeam_channel::{
    Receiver, RecvTimeoutError, SendTimeoutError, Sender, TrySendError, bounded,
};

use super::error::RecordError;
use super::exhibit::Exhibit;
use super::head::{HandedOn, PassHead, ProgrammeSpan};
use super::packed;
use super::row::Row;
use super::schema::{Catalogue, full_catalogue};
use super::store::{Batch, Closed, Closing, Missed, Store};
use crate::alarms::Event;
use crate::measures::fingerprint::Fingerprint;
use crate::measures::{QUANTITY_COUNT, line_timing};
use crate::timecode::FieldIndex;

pub use watch::{SLOW, Trouble, WriterState, WriterWatch};

mod watch;

/// Fields that may wait for the disk: 34 s at 60 fields a second. A disk that spins up takes 10 s, a bad sector 20.
pub const QUEUE_FIELDS: usize = 2048;

/// From the beginning of a commit to that of the next: with the commit itself and the way of a field to it, a crash costs no more than
/// the last second.
const COMMIT_INTERVAL: Duration = Duration::from_millis(700);

/// How long a source that can wait does so before it looks whether the disk has failed.
const LOOK_AGAIN: Duration = Duration::from_millis(200);

/// Events kept back while the queue is full; beyond it the oldest is given up.
const NOTES_KEPT_BACK: usize = 4096;

/// Pictures kept back while the queue is full: two megabytes or so.
const EXHIBITS_KEPT_BACK: usize = 64;

/// What happens to a field when the queue is full.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenFull {
    /// It is dropped and counted: the source is live and does not wait.
    Drop,
    /// The sender waits, unless the disk fails.
    Wait,
}

/// What goes through the queue. Rows stand in it unboxed: the queue is a block of memory made once, and nothing is
/// allocated for a field.
#[expect(
    clippy::large_enum_variant,
    reason = "a boxed field would be an allocation a field"
)]
enum Message<const N: usize> {
    Field {
        row: Row<N>,
        lines: Option<Vec<u8>>,
        print: Option<Fingerprint>,
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
    Exhibit(Exhibit),
    Programme(Vec<ProgrammeSpan>),
    HandedOn(HandedOn),
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
        self.printed_field(row, timing, None)
    }

    /// The same with the field's fingerprint.
    ///
    /// # Errors
    /// When the writer is gone, or a sender that waits finds the disk failing.
    pub fn printed_field(
        &mut self,
        row: &Row<N>,
        timing: Option<&line_timing::Reading>,
        print: Option<&Fingerprint>,
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
            print: print.copied(),
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

    /// Hands on a picture of an event; a later one of the same event and view replaces it. While the disk is full or slow only the
    /// first few wait: pictures are the first thing to be given up.
    ///
    /// # Errors
    /// When the writer is gone, or a sender that waits finds the disk failing.
    pub fn exhibit(&mut self, exhibit: Exhibit) -> Result<(), RecordError> {
        let mut waiting = 0;
        for note in &mut self.notes {
            if let Note::Exhibit(known) = note {
                if known.is_replaced_by(&exhibit) {
                    *known = exhibit;
                    return self.send_notes();
                }
                waiting += 1;
            }
        }
        if waiting < EXHIBITS_KEPT_BACK {
            self.keep_note(Note::Exhibit(exhibit));
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

    /// Hands on where fields stand in what a recorder gets, from a field on.
    ///
    /// # Errors
    /// When the writer is gone, or a sender that waits finds the disk failing.
    pub fn handed_on(&mut self, turn: HandedOn) -> Result<(), RecordError> {
        self.keep_note(Note::HandedOn(turn));
        self.send_notes()
    }

    /// Ends the pass; the writer then stores what waits, closes the file and returns. Only its result says that the
    /// end is stored.
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
    /// Writes until the sender is closed or dropped and everything is stored, then leaves a single file.
    ///
    /// # Errors
    /// When the last of it could not be stored, or the file not be closed.
    pub fn run(mut self) -> Result<Closed, RecordError> {
        let mut due = Instant::now() + COMMIT_INTERVAL;
        loop {
            let drained = self.gather(due);
            due = Instant::now() + COMMIT_INTERVAL;
            match self.commit() {
                Ok(()) if drained => return self.store.close(),
                Err(error) if self.sender_is_gone() => return Err(error),
                // After an error the state shows it and the batch is kept: the next round tries again.
                Ok(()) | Err(_) => {}
            }
        }
    }

    /// Takes what comes until `deadline`; true when the sender is gone and nothing waits any more.
    fn gather(&mut self, deadline: Instant) -> bool {
        while self.has_room() {
            match self.messages.recv_deadline(deadline) {
                Ok(message) => self.take(message),
                Err(RecvTimeoutError::Timeout) => return false,
                Err(RecvTimeoutError::Disconnected) => return true,
            }
        }
        // A full batch that failed to be written is tried again in its time, not at once.
        if self.watch.state().failing.is_some() && !self.sender_is_gone() {
            std::thread::sleep(deadline.saturating_duration_since(Instant::now()));
        }
        false
    }

    fn sender_is_gone(&self) -> bool {
        self.watch.with(|shared| shared.sender_gone)
    }

    fn has_room(&self) -> bool {
        self.batch.fields() < self.batch_fields && self.batch.notes() < NOTES_KEPT_BACK
    }

    fn take(&mut self, message: Message<N>) {
        match message {
            Message::Field {
                row,
                lines,
                print,
                missed,
            } => {
                if let Some(missed) = missed {
                    self.batch.add_missed(missed);
                }
                self.store.add_field(&mut self.batch, &row, lines);
                if let Some(print) = &print {
                    self.batch.add_print(row.place.field, print);
                }
            }
            Message::Missed(missed) => self.batch.add_missed(missed),
            Message::Note(Note::Event(event)) => self.batch.add_event(event),
            Message::Note(Note::Exhibit(exhibit)) => self.batch.add_exhibit(exhibit),
            Message::Note(Note::Programme(spans)) => self.batch.set_programme(spans),
            Message::Note(Note::HandedOn(turn)) => self.batch.add_handed_on(turn),
            Message::Note(Note::Closing(closing)) => self.batch.set_closing(closing),
        }
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        let fields = self.batch.fields() as u64;
        let back = &self.back;
        self.watch
            .update(|state| state.writing_since = Some(Instant::now()));
        // A deleted file lives on while it is open: what comes meanwhile is written to it, and saved with it.
        let in_place = self.store.keep_in_place();
        let written = self.store.write(&mut self.batch, |buffer| {
            // Room was made for every buffer there is; a sender that is gone needs none back.
            let _ = back.try_send(buffer);
        });
        let stored = written.is_ok();
        let written = written.and(in_place);
        let bytes = self.store.bytes();
        self.watch.update(|state| {
            state.writing_since = None;
            if stored {
                state.fields_stored += fields;
            }
            match &written {
                Ok(()) => {
                    state.failing = None;
                    state.bytes = bytes.unwrap_or(state.bytes);
                }
                Err(error) => {
                    let since = state
                        .failing
                        .take()
                        .map_or_else(Instant::now, |(since, _)| since);
                    state.failing = Some((since, full_message(error)));
                }
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
mod tests;
