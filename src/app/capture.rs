//! The capture thread: reads a source and hands its frames on through a bounded channel.
//!
//! In: a [`Source`]. Out: each frame, silence and failure as a [`Delivery`], in order. A live source is never kept waiting:
//! when the channel is full, the frame that has just come is dropped and counted on the next one that gets through. A
//! file waits.
//!
//! Does not know: what becomes of the frames.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::{Context, Result, anyhow};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};

use super::signals::Stop;
use super::tee::TeeSender;
use crate::record::HandedOn;
use crate::record::live::{ControlState, Order};
use crate::sources::{
    ANALYSIS_QUEUE_FRAMES, Frame, Gap, Intervals, News, NewsKind, RowLayout, Source, SourceError,
    SourceErrorKind,
};

/// What the capture thread hands on.
#[derive(Debug)]
pub(super) enum Delivery {
    /// The next frame.
    Frame(Frame),
    /// A live source has delivered nothing for a while.
    Silent(SourceError),
    /// Something it tells beside its frames.
    News(News),
    /// From a field on, frames stand elsewhere in what a recorder gets.
    HandedOn(HandedOn),
    /// Whoever records the frames has fallen behind, or has caught up.
    Overrun(String),
    /// The source failed; nothing follows.
    Failed(SourceError),
}

/// A running capture.
#[derive(Debug)]
pub(super) struct Capture {
    /// Frames in order; closed at the end of the source.
    pub deliveries: Receiver<Delivery>,
    seen: Arc<Mutex<SeenOfSource>>,
    orders: Sender<Order>,
    stop: Stop,
    ending: Ending,
}

/// What the capture has seen of its source besides pictures.
#[derive(Clone, Debug, Default)]
pub(super) struct SeenOfSource {
    /// How evenly frames came, by the device's clock.
    pub intervals: Intervals,
    /// What the device said last of its input, in words.
    pub input: String,
    /// Its controls.
    pub controls: ControlState,
}

/// Controls in somebody else's hands than the dashboard's.
#[derive(Clone, Debug)]
pub(super) struct ControlHand {
    seen: Arc<Mutex<SeenOfSource>>,
    orders: Sender<Order>,
}

impl ControlHand {
    /// Looks at the controls as they were last read.
    pub(super) fn with_controls<T>(&self, look: impl FnOnce(&ControlState) -> T) -> T {
        look(&lock(&self.seen).controls)
    }

    /// Has a control set, between two frames; one without room is ordered again by whoever misses it.
    pub(super) fn set(&self, order: Order) {
        let _ = self.orders.try_send(order);
    }
}

/// Settings that may wait for the frame that is on its way: more than a key repeats in the half second that a silent
/// device takes.
const MOST_ORDERS: usize = 64;

/// Notes that may wait while the channel is full.
const MOST_NOTES: usize = 64;

/// A capture thread that has been told to end.
#[derive(Debug)]
pub(super) struct Ending {
    /// Closed when the thread ends, even by a panic.
    over: Receiver<()>,
    thread: JoinHandle<()>,
}

/// How long the end of a capture is waited for: more than a live source or a file ever takes to come back. Only a pipe
/// that nobody writes to takes longer.
pub(super) const PATIENCE: Duration = Duration::from_secs(3);

impl Capture {
    /// Starts reading `source` on a thread of its own, until it ends or `stop` is set.
    ///
    /// # Errors
    /// The system has no thread left.
    pub(super) fn start(
        mut source: Box<dyn Source>,
        stop: &Stop,
        tee: Option<TeeSender>,
    ) -> Result<Self> {
        let (sender, deliveries) = bounded(ANALYSIS_QUEUE_FRAMES);
        let (until_end, over) = bounded(0);
        let (orders, heard) = bounded(MOST_ORDERS);
        let stopping = stop.clone();
        let seen = Arc::<Mutex<SeenOfSource>>::default();
        let seen_here = Arc::clone(&seen);
        let thread = std::thread::Builder::new()
            .name("capture".into())
            .spawn(move || {
                let _until_end: Sender<()> = until_end;
                let way = Way {
                    sender,
                    seen: &seen_here,
                    clocked: source.is_device(),
                    tee,
                    orders: heard,
                    notes: VecDeque::new(),
                };
                way.read(source.as_mut(), &stopping);
            })
            .context("starting the capture thread")?;
        Ok(Self {
            deliveries,
            seen,
            orders,
            stop: stop.clone(),
            ending: Ending { over, thread },
        })
    }

    /// What was seen of the source so far.
    pub(super) fn seen(&self) -> SeenOfSource {
        lock(&self.seen).clone()
    }

    /// The controls, for another hand.
    pub(super) fn hand(&self) -> ControlHand {
        ControlHand {
            seen: Arc::clone(&self.seen),
            orders: self.orders.clone(),
        }
    }

    /// Has a control set, between two frames; whether there was room for the order.
    pub(super) fn set_control(&self, order: Order) -> bool {
        self.orders.try_send(order).is_ok()
    }

    /// Tells the capture to end; frames that are on their way are dropped.
    pub(super) fn end(self) -> Ending {
        self.stop.set();
        drop(self.deliveries); // a file source that waits for room gives up
        self.ending
    }
}

impl Ending {
    /// Waits for the thread, so that the device is free afterwards. One that is stuck in a read is left to the end of the
    /// process after `patience`: it holds nothing that must be closed.
    ///
    /// # Errors
    /// The thread panicked.
    pub(super) fn wait(self, patience: Duration) -> Result<()> {
        if self.over.recv_timeout(patience) == Err(RecvTimeoutError::Timeout) {
            return Ok(());
        }
        self.thread
            .join()
            .map_err(|_panic| anyhow!("the capture thread panicked"))
    }
}

fn lock(seen: &Mutex<SeenOfSource>) -> MutexGuard<'_, SeenOfSource> {
    seen.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Where frames go from the capture thread.
struct Way<'a> {
    sender: Sender<Delivery>,
    seen: &'a Mutex<SeenOfSource>,
    /// Frames carry the times of a device.
    clocked: bool,
    tee: Option<TeeSender>,
    orders: Receiver<Order>,
    notes: VecDeque<Delivery>,
}

impl Way<'_> {
    fn read(mut self, source: &mut dyn Source, stop: &Stop) {
        let live = source.description().live;
        let mut owed = Gap::default();
        while !stop.is_set() {
            self.obey(source);
            let delivered = match source.next_frame() {
                Ok(Some(frame)) => self.frame(frame, live, &mut owed),
                Ok(None) => break,
                Err(error) if error.kind() == SourceErrorKind::Away => {
                    self.keep_absence(error);
                    true
                }
                Err(error) if error.is_silence() => {
                    // When the channel is full there is no silence to report, and what happened before comes first.
                    !self.notes.is_empty()
                        || !matches!(
                            self.sender.try_send(Delivery::Silent(error)),
                            Err(TrySendError::Disconnected(_))
                        )
                }
                Err(error) => {
                    self.notes.push_back(Delivery::Failed(error));
                    break;
                }
            };
            let news = std::iter::from_fn(|| source.news());
            self.take_news(news);
            if !delivered || !self.hand_on_notes() {
                break;
            }
        }
        // No frame comes after these that could wait. Nobody left to tell means nobody left to care.
        self.wait_for_room();
    }

    /// Sets controls as ordered, and keeps what was read of them for others to see. Of several orders for one control
    /// the newest counts.
    fn obey(&mut self, source: &mut dyn Source) {
        let orders: Vec<Order> = self.orders.try_iter().collect(); // empty: nothing is allocated
        for (at, order) in orders.iter().enumerate() {
            let id = order.setting.id;
            if orders[at + 1..].iter().any(|later| later.setting.id == id) {
                continue;
            }
            let trouble = source.set_control(order.setting).err();
            lock(self.seen).controls.trouble = trouble.map(|error| error.to_string());
        }
        let mut seen = lock(self.seen);
        let known = &mut seen.controls;
        known.tried = orders
            .iter()
            .fold(known.tried, |tried, order| tried.max(order.number));
        if known.controls != source.controls() {
            known.controls = source.controls().to_vec();
        }
    }

    /// Hands a frame on: first to whoever records it, then to the analysis.
    fn frame(&mut self, mut frame: Frame, live: bool, owed: &mut Gap) -> bool {
        if self.clocked {
            lock(self.seen).intervals.observe(&frame);
        }
        if let Some(tee) = &mut self.tee {
            tee.offer(&frame, live);
            self.notes.extend(tee.turn().map(Delivery::HandedOn));
            self.notes.extend(tee.note().map(Delivery::Overrun));
        }
        frame.gap = owed.and(frame.gap);
        *owed = Gap::default();
        // What happened before a frame is told before it: of a source that does not wait, as far as there is room.
        if live {
            self.hand_on_notes() && hand_on_or_drop(frame, &self.sender, owed)
        } else {
            self.wait_for_room() && self.sender.send(Delivery::Frame(frame)).is_ok()
        }
    }

    /// A source that was lost is told of even if it comes back before there is room to say so.
    fn keep_absence(&mut self, error: SourceError) {
        let known = |note: &Delivery| matches!(note, Delivery::Silent(_));
        if !self.notes.iter().any(known) {
            self.notes.push_back(Delivery::Silent(error));
        }
    }

    fn take_news(&mut self, news: impl Iterator<Item = News>) {
        for one in news {
            if one.kind == NewsKind::Input {
                lock(self.seen).input.clone_from(&one.text);
            }
            if self.notes.len() < MOST_NOTES {
                self.notes.push_back(Delivery::News(one));
            }
        }
    }

    /// Hands notes on as far as there is room; whether somebody still listens.
    fn hand_on_notes(&mut self) -> bool {
        while let Some(note) = self.notes.pop_front() {
            match self.sender.try_send(note) {
                Ok(()) => {}
                Err(TrySendError::Full(note)) => {
                    self.notes.push_front(note);
                    return true;
                }
                Err(TrySendError::Disconnected(_)) => return false,
            }
        }
        true
    }

    /// Hands all notes on, waiting for room; whether somebody still listens.
    fn wait_for_room(&mut self) -> bool {
        let mut notes = self.notes.drain(..);
        notes.all(|note| self.sender.send(note).is_ok())
    }
}

/// Whether somebody still listens.
fn hand_on_or_drop(frame: Frame, sender: &Sender<Delivery>, owed: &mut Gap) -> bool {
    match sender.try_send(Delivery::Frame(frame)) {
        Err(TrySendError::Full(Delivery::Frame(frame))) => {
            *owed = frame.gap.and(Gap {
                lost_by_us: fields_in(&frame),
                ..Gap::default()
            });
            true
        }
        // What comes back from a full channel is the frame that was sent.
        Ok(()) | Err(TrySendError::Full(_)) => true,
        Err(TrySendError::Disconnected(_)) => false,
    }
}

pub(super) fn fields_in(frame: &Frame) -> u64 {
    match frame.rows {
        RowLayout::Woven | RowLayout::Sequential(_) => 2,
        RowLayout::Single(_) => 1,
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Script, flat, gone, silent};
    use super::*;
    use crate::sources::ControlSetting;

    /// Reads `source` to its end, or to a stop.
    fn read(source: &mut dyn Source, sender: &Sender<Delivery>, stop: &Stop) {
        let way = Way {
            sender: sender.clone(),
            seen: &Mutex::default(),
            clocked: source.is_device(),
            tee: None,
            orders: bounded(1).1,
            notes: VecDeque::new(),
        };
        way.read(source, stop);
    }

    /// Reads `source` to its end through a channel of `room` and gives what is in the channel then.
    fn read_all(mut source: Script, room: usize) -> Vec<Delivery> {
        let (sender, receiver) = bounded(room);
        read(&mut source, &sender, &Stop::default());
        drop(sender);
        receiver.iter().collect()
    }

    fn gaps(deliveries: &[Delivery]) -> Vec<Gap> {
        let gap = |delivery: &Delivery| match delivery {
            Delivery::Frame(frame) => Some(frame.gap),
            Delivery::Silent(_)
            | Delivery::News(_)
            | Delivery::HandedOn(_)
            | Delivery::Overrun(_)
            | Delivery::Failed(_) => None,
        };
        deliveries.iter().filter_map(gap).collect()
    }

    #[test]
    fn frames_a_slow_reader_costs_are_counted_on_the_next_that_gets_through() {
        let (sender, receiver) = bounded(2);
        let (slow, kept) = (receiver.clone(), bounded(8));
        let mut source = Script::live()
            .frames(3)
            .frame_after_losing(3)
            .frames(1)
            .then(move || {
                // The reader catches up while the source fetches its next frame.
                slow.try_iter()
                    .try_for_each(|delivery| kept.0.send(delivery))
                    .expect("there is room");
                Ok(Some(flat(1)))
            })
            .frames(1);
        read(&mut source, &sender, &Stop::default());
        let before: Vec<Delivery> = kept.1.try_iter().collect();
        assert_eq!(gaps(&before), [Gap::default(); 2]);
        let after: Vec<Delivery> = receiver.try_iter().collect();
        let owed = Gap {
            lost_by_source: 3 + 1,
            lost_by_us: 3 * 2,
            timed: false,
        };
        assert_eq!(gaps(&after), [owed, Gap::default()]);
    }

    #[test]
    fn a_file_waits_for_a_slow_reader() {
        let stop = Stop::default();
        let capture =
            Capture::start(Box::new(Script::file().frames(50)), &stop, None).expect("a thread");
        let deliveries: Vec<Delivery> = capture.deliveries.iter().collect();
        assert_eq!(gaps(&deliveries), [Gap::default(); 50]);
        capture.end().wait(PATIENCE).expect("no panic");
    }

    #[test]
    fn silence_is_told_and_the_reading_goes_on() {
        let source = Script::live().then(|| Err(silent())).frames(1);
        let told = read_all(source, 8);
        assert!(matches!(
            told[..],
            [Delivery::Silent(_), Delivery::Frame(_)]
        ));
    }

    #[test]
    fn a_lost_source_is_told_of_though_it_came_back_while_there_was_no_room() {
        let (sender, receiver) = bounded(1);
        let slow = receiver.clone();
        let away = || SourceError::new(SourceErrorKind::Away, "it was unplugged");
        let mut source = Script::live()
            .frames(1)
            .then(move || Err(away()))
            .then(move || Err(away()))
            .frames(1)
            .then(move || {
                // The reader takes the first frame only now.
                assert!(matches!(slow.try_recv(), Ok(Delivery::Frame(_))));
                Err(silent())
            });
        read(&mut source, &sender, &Stop::default());
        assert!(matches!(
            receiver.try_recv(),
            Ok(Delivery::Silent(error)) if error.kind() == SourceErrorKind::Away
        ));
    }

    #[test]
    fn what_found_no_room_is_told_before_the_end() {
        let (sender, receiver) = bounded(1);
        let (at_its_end, ended) = bounded(1);
        let away = || Err(SourceError::new(SourceErrorKind::Away, "it was unplugged"));
        let mut source = Script::live().frames(1).then(away).then(move || {
            at_its_end.send(()).expect("the test waits");
            Ok(None)
        });
        let told: Vec<Delivery> = std::thread::scope(|scope| {
            scope.spawn(move || read(&mut source, &sender, &Stop::default()));
            ended.recv().expect("the source comes to its end");
            receiver.iter().collect()
        });
        assert!(matches!(
            told[..],
            [Delivery::Frame(_), Delivery::Silent(_)]
        ));
    }

    #[test]
    fn nothing_follows_a_failure() {
        let told = read_all(Script::live().frames(1).then(|| Err(gone())).frames(5), 8);
        assert!(matches!(
            told[..],
            [Delivery::Frame(_), Delivery::Failed(_)]
        ));
    }

    #[test]
    fn a_control_is_set_between_frames_to_what_was_wanted_last_and_told_as_news() {
        let (sender, receiver) = bounded(16);
        let (orders, heard) = bounded(16);
        let mut number = 0;
        let mut order = |id, value| {
            number += 1;
            let setting = ControlSetting { id, value };
            orders
                .send(Order { number, setting })
                .expect("there is room");
        };
        for (id, value) in [(1, 130), (2, 7), (1, 131), (9, 3)] {
            order(id, value);
        }
        let seen = Mutex::default();
        let way = Way {
            sender,
            seen: &seen,
            clocked: false,
            tee: None,
            orders: heard,
            notes: VecDeque::new(),
        };
        let mut source = Script::live().with_controls(&[(1, 128), (2, 0)]).frames(2);
        way.read(&mut source, &Stop::default());
        let told: Vec<String> = receiver
            .try_iter()
            .filter_map(|delivery| match delivery {
                Delivery::News(news) => Some(news.text),
                _ => None,
            })
            .collect();
        assert_eq!(told, ["2 is 7 now", "1 is 131 now"]);
        let seen = lock(&seen);
        let values: Vec<i64> = seen.controls.controls.iter().map(|it| it.setting).collect();
        assert_eq!(values, [131, 7]);
        assert_eq!(seen.controls.tried, 4);
        assert_eq!(seen.controls.trouble.as_deref(), Some("it is held"));
    }

    #[test]
    fn the_stop_flag_ends_the_reading() {
        let stop = Stop::default();
        let stopping = stop.clone();
        let mut source = Script::live()
            .then(move || {
                stopping.set();
                Err(silent())
            })
            .then(|| panic!("it is asked once more"));
        read(&mut source, &bounded(8).0, &stop);
    }

    #[test]
    fn a_file_that_waits_for_room_gives_up_when_told_to_end() {
        let held = Arc::new(());
        let holder = Arc::clone(&held);
        let source = Script::file().frames(50).then(move || {
            drop(holder);
            Ok(None)
        });
        let capture = Capture::start(Box::new(source), &Stop::default(), None).expect("a thread");
        capture.end().wait(PATIENCE).expect("no panic");
        assert_eq!(Arc::strong_count(&held), 1, "the source is still open");
    }

    #[test]
    fn a_panic_of_the_source_is_an_error_at_the_end() {
        let source = Script::file().then(|| panic!("meant by the test"));
        let capture = Capture::start(Box::new(source), &Stop::default(), None).expect("a thread");
        assert!(capture.deliveries.recv().is_err(), "the channel is closed");
        assert!(capture.end().wait(PATIENCE).is_err());
    }

    #[test]
    fn a_source_stuck_in_a_read_does_not_keep_the_program() {
        let (never_sends, stuck) = bounded::<()>(0);
        let source = Script::file().then(move || {
            let _ = stuck.recv();
            Ok(None)
        });
        let capture = Capture::start(Box::new(source), &Stop::default(), None).expect("a thread");
        capture
            .end()
            .wait(Duration::ZERO)
            .expect("it is left alone");
        drop(never_sends);
    }
}
