//! `trueline watch`: capture, analysis and pass file on threads of their own, the dashboard on this one.
//!
//! In: a [`WatchJob`]. Out: the pass file, the dashboard or (without a terminal) events on stdout, and how it ended.
//!
//! Does not know: what the dashboard shows.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Context, Result, anyhow};
use crossbeam_channel::{Sender, bounded};

use crate::cli::{Dashboard, TeeTo, WatchJob};
use crate::record::{Live, live, sections};
use crate::sources::tape::{DEFAULT_SCENE, Pace};
use crate::sources::{self, Place, Source};
use crate::views::dashboard::{self, Request};

use super::analysis::{Analysis, End, Remark};
use super::attention::OnAlarm;
use super::capture::Capture;
use super::health;
use super::learn;
use super::pass::{self, Prepared, Recording};
use super::signals::Interrupt;
use super::sinks::{EventLines, Screen, Sink};
use super::tee::Tee;
use super::{Outcome, say};

/// Remarks of the operator that may wait: more than fingers can type while a field is measured.
const REMARKS: usize = 64;

/// Watches a source until it ends or the operator does.
///
/// # Errors
/// The source cannot be opened or breaks off, or the pass cannot be made.
pub(super) fn run(job: &WatchJob) -> Result<Outcome> {
    let interrupt = Interrupt::install()?;
    let place = job.place.clone().unwrap_or_else(default_place);
    let limits = learn::in_force(&job.pass.limits)?;
    let source = sources::open(&place, &job.wishes, Pace::RealTime)?;
    let prepared = pass::prepare(source.as_ref(), &job.pass, limits, false)?;
    let drawn = job.dashboard == Dashboard::WhereTerminal && dashboard::available();
    if drawn {
        interrupt.heed_hangup()?;
    } else {
        pass::remarks(source.description()).for_each(say);
    }
    let tee = job.tee.as_ref();
    let (tee, to_tee) = tee
        .map(|job| Tee::start(job, source.format()))
        .transpose()?
        .unzip();
    let (recording, recorder) = Recording::start(&job.pass.record, &prepared.head)?.unzip();
    let kept = recording
        .as_ref()
        .map(|recording| recording.path().to_owned());

    let clock = prepared.plan.clock;
    let live = Arc::new(Mutex::new(Live::new(head_of(
        &prepared,
        source.as_ref(),
        kept.as_deref(),
    ))));
    let sink: Box<dyn Sink> = if drawn {
        Box::new(Screen::new(Arc::clone(&live)))
    } else {
        match &job.tee {
            Some(tee) if tee.to == TeeTo::Stdout => Box::new(EventLines::Aside(clock)),
            _ => Box::new(EventLines::Text(clock)),
        }
    };
    let mut sinks = vec![sink];
    if let Some(command) = &job.on_alarm {
        sinks.push(Box::new(OnAlarm::start(command)?));
    }
    let mut analysis = Analysis::new(prepared.plan, recorder, sinks);
    let capture = Capture::start(source, interrupt.flag(), to_tee)?;
    let end = if drawn {
        with_dashboard(
            &mut analysis,
            &capture,
            &live,
            recording.as_ref(),
            &interrupt,
        )
    } else {
        analysis.run(&capture.deliveries, None, interrupt.flag())
    };
    let seen = capture.seen();
    let concluded = pass::conclude(end, capture, analysis, recording);
    let handed = tee.map(Tee::finish).transpose();
    let (summary, end) = concluded?;
    pass::tell(&summary);
    if let Some(figures) = seen.intervals.figures() {
        say(&pass::evenness(&figures));
    }
    if let Some(handed) = handed? {
        say(&format!(
            "{} frames handed on, {} of them repeated for missing ones",
            handed.frames, handed.repeated
        ));
    }
    if let Some(took) = live
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .slowest_alarm()
    {
        say(&format!(
            "alarms were on screen {} ms after their frame came, at the latest",
            took.as_millis()
        ));
    }
    match end {
        End::Failed(error) => Err(error),
        End::Asked if interrupt.signalled() => Ok(Outcome::Interrupted),
        End::Asked | End::Whole => Ok(Outcome::Done),
    }
}

/// The dashboard on this thread, the analysis on its own, until either ends.
fn with_dashboard(
    analysis: &mut Analysis,
    capture: &Capture,
    live: &Arc<Mutex<Live>>,
    recording: Option<&Recording>,
    interrupt: &Interrupt,
) -> Result<End> {
    let (remarks, heard) = bounded(REMARKS);
    let mut session =
        dashboard::Session::open().context("taking the terminal for the dashboard")?;
    let ended = AtomicBool::new(false);
    let end = std::thread::scope(|scope| {
        // The threads of this scope are waited for on every way out of it, a panic while drawing included.
        let quits = QuitOnDrop {
            interrupt,
            ended: &ended,
        };
        let keeper = health::keep(scope, live, capture, recording, &ended)?;
        let worker = std::thread::Builder::new()
            .name("analysis".into())
            .spawn_scoped(scope, || {
                let _ends = SetOnDrop(&ended);
                analysis.run(&capture.deliveries, Some(&heard), interrupt.flag())
            })
            .context("starting the analysis thread")?;
        let drawn = dashboard::run(
            &mut session,
            live,
            |request| pass_on(request, live, &remarks, interrupt),
            &ended,
        );
        drop(quits);
        let end = worker.join();
        keeper.thread().unpark();
        drop(session); // the terminal is given back before anything is said on it
        match end.map_err(|_panic| anyhow!("the analysis thread panicked"))?? {
            End::Failed(error) => Ok(End::Failed(error)),
            end => drawn.context("drawing the dashboard").map(|()| end),
        }
    })?;
    // What the operator marked last, right before quitting.
    heard
        .try_iter()
        .try_for_each(|remark| analysis.remark(&remark))?;
    Ok(end)
}

/// Ends what has not ended yet: the terminal is gone, drawing on it has panicked, or there was no thread to be had.
struct QuitOnDrop<'a> {
    interrupt: &'a Interrupt,
    ended: &'a AtomicBool,
}

impl Drop for QuitOnDrop<'_> {
    fn drop(&mut self) {
        if !self.ended.swap(true, Ordering::Relaxed) {
            self.interrupt.quit();
        }
    }
}

/// Sets a flag even when its thread panics, so that nobody waits for it.
struct SetOnDrop<'a>(&'a AtomicBool);

impl Drop for SetOnDrop<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

fn pass_on(request: Request, live: &Mutex<Live>, remarks: &Sender<Remark>, interrupt: &Interrupt) {
    let remark = match request {
        Request::Quit => return interrupt.quit(),
        Request::Interrupt => return interrupt.flag().store(true, Ordering::Relaxed),
        Request::Acknowledge => {
            return live
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .acknowledge();
        }
        Request::Reference => {
            let mut live = live.lock().unwrap_or_else(PoisonError::into_inner);
            if live.reference().is_some() {
                live.drop_reference();
            } else {
                live.take_reference();
            }
            return;
        }
        Request::Mark { at, note } if note.is_empty() => Remark {
            at,
            text: "marked by the operator".into(),
        },
        Request::Mark { at, note } => {
            if sections::is_setting_changed(&note) {
                // From here on the gauges show what the change did.
                live.lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .take_reference();
            }
            Remark { at, text: note }
        }
        Request::Counter { at, reading } => Remark {
            at,
            text: format!("the player's counter reads {reading}"),
        },
    };
    // Full or closed means sixty marks at once or the end of the pass: nothing an operator meant is lost.
    let _ = remarks.try_send(remark);
}

/// The first capture device, else the simulated tape.
fn default_place() -> Place {
    sources::first_device().map_or_else(
        || {
            say("no capture device found: playing the simulated tape");
            Place::Tape(DEFAULT_SCENE.to_owned())
        },
        Place::Device,
    )
}

fn head_of(prepared: &Prepared, source: &dyn Source, recorded_to: Option<&Path>) -> live::Head {
    live::Head {
        source: source.description().name.clone(),
        tape: prepared.head.tape.clone(),
        recorded_to: recorded_to.map(|path| path.display().to_string()),
        standard: prepared.plan.standard,
        range: prepared.head.range,
        sample_rate: prepared.plan.sample_rate,
        clock: prepared.plan.clock,
    }
}
