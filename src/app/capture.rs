//! The capture thread: reads a source and hands its frames on through a bounded channel.
//!
//! A live source is never kept waiting: when the channel is full, the frame that has just come is dropped and counted
//! on the next one that gets through. A file waits.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use anyhow::{Context, Result, anyhow};
use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};

use crate::sources::{
    ANALYSIS_QUEUE_FRAMES, Frame, Gap, RowLayout, Source, SourceError, SourceErrorKind,
};

/// What the capture thread hands on.
#[derive(Debug)]
pub(super) enum Delivery {
    /// The next frame.
    Frame(Frame),
    /// A live source has delivered nothing for a while.
    Silent(SourceError),
    /// The source failed; nothing follows.
    Failed(SourceError),
}

/// A running capture.
#[derive(Debug)]
pub(super) struct Capture {
    /// Frames in order; closed at the end of the source.
    pub deliveries: Receiver<Delivery>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Capture {
    /// Starts reading `source` on a thread of its own, until it ends or `stop` is set.
    ///
    /// # Errors
    /// The system has no thread left.
    pub(super) fn start(mut source: Box<dyn Source>, stop: &Arc<AtomicBool>) -> Result<Self> {
        let (sender, deliveries) = bounded(ANALYSIS_QUEUE_FRAMES);
        let stopping = Arc::clone(stop);
        let thread = std::thread::Builder::new()
            .name("capture".into())
            .spawn(move || read(source.as_mut(), &sender, &stopping))
            .context("starting the capture thread")?;
        Ok(Self {
            deliveries,
            stop: Arc::clone(stop),
            thread,
        })
    }

    /// Ends the capture and waits for its thread: the device is free afterwards.
    ///
    /// # Errors
    /// The thread panicked.
    pub(super) fn finish(self) -> Result<()> {
        self.stop.store(true, Ordering::Relaxed);
        drop(self.deliveries); // a file source that waits for room gives up
        self.thread
            .join()
            .map_err(|_panic| anyhow!("the capture thread panicked"))
    }
}

fn read(source: &mut dyn Source, sender: &Sender<Delivery>, stop: &AtomicBool) {
    let live = source.description().live;
    let mut owed = Gap::default();
    while !stop.load(Ordering::Relaxed) {
        let delivered = match source.next_frame() {
            Ok(Some(mut frame)) => {
                frame.gap = owed.and(frame.gap);
                owed = Gap::default();
                if live {
                    hand_on_or_drop(frame, sender, &mut owed)
                } else {
                    sender.send(Delivery::Frame(frame)).is_ok()
                }
            }
            Ok(None) => break,
            Err(error) if error.kind() == SourceErrorKind::Silent => {
                // When the channel is full there is no silence to report.
                !matches!(
                    sender.try_send(Delivery::Silent(error)),
                    Err(TrySendError::Disconnected(_))
                )
            }
            Err(error) => {
                // Nobody left to tell means nobody left to care.
                let _ = sender.send(Delivery::Failed(error));
                break;
            }
        };
        if !delivered {
            break;
        }
    }
}

/// Whether somebody still listens.
fn hand_on_or_drop(frame: Frame, sender: &Sender<Delivery>, owed: &mut Gap) -> bool {
    match sender.try_send(Delivery::Frame(frame)) {
        Ok(()) => true,
        Err(TrySendError::Full(Delivery::Frame(frame))) => {
            *owed = frame.gap.and(Gap {
                lost_by_us: fields_in(&frame),
                ..Gap::default()
            });
            true
        }
        Err(TrySendError::Full(_)) => true,
        Err(TrySendError::Disconnected(_)) => false,
    }
}

fn fields_in(frame: &Frame) -> u64 {
    match frame.rows {
        RowLayout::Woven | RowLayout::Sequential(_) => 2,
        RowLayout::Single(_) => 1,
    }
}
