//! The analysis thread's work: frames to fields, fields to readings, readings to events, all of it to the sinks.
//!
//! Loops until the source ends or fails, the wanted length is reached, or somebody asks for the end. Nothing is allocated
//! per field once the buffers have gone round.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use crossbeam_channel::{Receiver, RecvTimeoutError, never, select};

use crate::alarms::{Alarms, Change, EventLog, PassClock, WhyEnded};
use crate::fields::{FieldPlace, History, Splitter};
use crate::limits::{Kind, Limits};
use crate::measures::Suite;
use crate::record::{Evidence, PassFacts, Row, Statistics, Summary};
use crate::sources::{Frame, SourceError};
use crate::standard::Standard;
use crate::units::Hertz;

use super::capture::Delivery;
use super::sinks::{Measured, Recorder, Seen, Sink};

/// What a pass is, as far as its analysis must know.
#[derive(Clone, Debug)]
pub(super) struct PassPlan {
    /// The source, in the operator's words.
    pub source: String,
    /// Scanning standard.
    pub standard: Option<Standard>,
    /// Luma sample rate.
    pub sample_rate: Option<Hertz>,
    /// Labels frames.
    pub clock: PassClock,
    /// Limits in force.
    pub limits: Limits,
    /// Stop once this much tape has been measured.
    pub length: Option<Duration>,
}

/// A remark for the log of events that comes from outside the picture.
#[derive(Clone, Debug)]
pub(super) struct Remark {
    /// Where; `None` is now.
    pub at: Option<FieldPlace>,
    /// What is said.
    pub text: String,
}

/// Why the analysis ended.
#[derive(Debug)]
pub(super) enum End {
    /// The source is at its end, or the wanted length is reached.
    Whole,
    /// Somebody asked for it.
    Asked,
    /// The source failed; what came before is measured and kept.
    Failed(SourceError),
}

/// Everything between the capture channel and the sinks.
pub(super) struct Analysis {
    splitter: Splitter,
    history: History,
    suite: Suite,
    alarms: Alarms,
    statistics: Statistics,
    log: EventLog,
    changes: Vec<Change>,
    silent: bool,
    broken_off: bool,
    plan: PassPlan,
    recorder: Option<Recorder>,
    sinks: Vec<Box<dyn Sink>>,
}

/// How often a quiet source is looked past to see whether somebody asks for the end.
const LOOK_UP: Duration = Duration::from_millis(100);

impl Analysis {
    pub(super) fn new(
        plan: PassPlan,
        recorder: Option<Recorder>,
        sinks: Vec<Box<dyn Sink>>,
    ) -> Self {
        Self {
            splitter: Splitter::new(),
            history: History::default(),
            suite: Suite::new(),
            alarms: Alarms::new(&plan.limits, plan.clock),
            statistics: Statistics::new(&plan.limits.numbers),
            log: EventLog::new(),
            changes: Vec::new(),
            silent: false,
            broken_off: false,
            plan,
            recorder,
            sinks,
        }
    }

    /// Measures what is delivered until the end.
    ///
    /// # Errors
    /// A sink that cannot go on: the pass file of a source that waits, or stdout.
    pub(super) fn run(
        &mut self,
        deliveries: &Receiver<Delivery>,
        remarks: Option<&Receiver<Remark>>,
        stop: &Arc<AtomicBool>,
    ) -> Result<End> {
        let nobody = never();
        let remarks = remarks.unwrap_or(&nobody);
        let end = self.until_the_end(deliveries, remarks, stop)?;
        // What the operator said in the last moment counts.
        while let Ok(remark) = remarks.try_recv() {
            self.remark(&remark)?;
        }
        Ok(end)
    }

    fn until_the_end(
        &mut self,
        deliveries: &Receiver<Delivery>,
        remarks: &Receiver<Remark>,
        stop: &Arc<AtomicBool>,
    ) -> Result<End> {
        while !stop.load(Ordering::Relaxed) {
            let delivery = select! {
                recv(remarks) -> remark => {
                    // The operator's side is gone: whoever dropped it sets `stop`.
                    if let Ok(remark) = remark { self.remark(&remark)?; }
                    continue;
                }
                recv(deliveries) -> delivery => delivery.map_err(|_gone| RecvTimeoutError::Disconnected),
                default(LOOK_UP) => Err(RecvTimeoutError::Timeout),
            };
            match delivery {
                Ok(Delivery::Frame(frame)) => {
                    if self.frame(frame)? {
                        return Ok(End::Whole);
                    }
                }
                Ok(Delivery::Silent(error)) => self.silence(&error)?,
                Ok(Delivery::Failed(error)) => {
                    self.broken_off = true;
                    self.note(Kind::SourceLost, None, &with_causes(&error))?;
                    return Ok(End::Failed(error));
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Ok(End::Whole),
            }
        }
        Ok(End::Asked)
    }

    /// Measures a frame; true when the wanted length is reached.
    fn frame(&mut self, frame: Frame) -> Result<bool> {
        self.silent = false;
        let arrived = frame.arrived;
        let Self {
            splitter,
            history,
            suite,
            alarms,
            statistics,
            log,
            changes,
            plan,
            recorder,
            sinks,
            ..
        } = self;
        let mut reached = false;
        let mut outcome = Ok(());
        splitter.split(&frame, history, &mut |history: &History| {
            let Some(around) = history.neighbourhood() else {
                return;
            };
            let place = around.field.place;
            reached |= plan
                .length
                .is_some_and(|length| place.seconds.0 >= length.as_secs_f64());
            if reached || outcome.is_err() {
                return;
            }
            let readings = suite.measure(&around);
            let row = Row::from(&readings);
            alarms.observe(&readings, changes);
            for change in changes.iter() {
                log.apply(change);
            }
            statistics.observe(&row, alarms.programme());
            let measured = Measured {
                field: around.field,
                readings: &readings,
                row: &row,
            };
            let seen = Seen {
                measured: Some(measured),
                changes,
                programme: alarms.programme(),
                arrived,
            };
            outcome = hand_on(recorder, sinks, &seen);
            changes.clear();
        });
        outcome?;
        drop(frame); // its buffer is free before anything else is waited for
        if let Some(notice) = self.splitter.order_notice() {
            self.note(Kind::FieldOrderChanged, None, &notice.to_string())?;
        }
        Ok(reached)
    }

    fn silence(&mut self, error: &SourceError) -> Result<()> {
        if std::mem::replace(&mut self.silent, true) {
            return Ok(());
        }
        self.note(Kind::SourceLost, None, &with_causes(error))
    }

    fn remark(&mut self, remark: &Remark) -> Result<()> {
        self.note(Kind::Mark, remark.at, &remark.text)
    }

    /// Logs something that no reading shows.
    fn note(&mut self, kind: Kind, at: Option<FieldPlace>, text: &str) -> Result<()> {
        let Some(place) = at.or(self.statistics.last()) else {
            return Ok(()); // before the first field there is no place to log it at; the caller's error says it
        };
        self.alarms.note(kind, place, text, &mut self.changes);
        self.hand_on_changes()
    }

    fn hand_on_changes(&mut self) -> Result<()> {
        let Self {
            recorder,
            sinks,
            changes,
            alarms,
            log,
            ..
        } = self;
        for change in changes.iter() {
            log.apply(change);
        }
        let seen = Seen {
            measured: None,
            changes,
            programme: alarms.programme(),
            arrived: Instant::now(),
        };
        let outcome = hand_on(recorder, sinks, &seen);
        changes.clear();
        outcome
    }

    /// Closes what is open and sums up; the recorder comes back for whoever must close the pass.
    ///
    /// # Errors
    /// A sink that cannot take the last events.
    pub(super) fn finish(mut self) -> Result<(Summary, Option<Recorder>)> {
        if let Some(place) = self.statistics.last() {
            let why = if self.broken_off || self.silent {
                WhyEnded::SourceLost
            } else {
                WhyEnded::PassEnded
            };
            self.alarms.finish(place, why, &mut self.changes);
            self.statistics.finish(self.alarms.programme());
            self.hand_on_changes()?;
        }
        let facts = PassFacts {
            source: self.plan.source,
            standard: self.plan.standard,
            field_order: self.splitter.field_order(),
        };
        let evidence = Evidence {
            statistics: &self.statistics,
            spans: self.alarms.programme().spans(),
            log: &self.log,
            coverage: self.alarms.coverage(),
            limits: &self.plan.limits,
            clock: self.plan.clock,
            sample_rate: self.plan.sample_rate,
        };
        let summary = Summary::new(facts, evidence).context("summing up the pass")?;
        Ok((summary, self.recorder))
    }
}

fn hand_on(
    recorder: &mut Option<Recorder>,
    sinks: &mut [Box<dyn Sink>],
    seen: &Seen<'_>,
) -> Result<()> {
    if let Some(recorder) = recorder {
        recorder.take(seen)?;
    }
    sinks.iter_mut().try_for_each(|sink| sink.take(seen))
}

fn with_causes(error: &SourceError) -> String {
    use std::error::Error;
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        text = format!("{text}: {error}");
        cause = error.source();
    }
    text
}
