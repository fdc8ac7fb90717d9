//! `trueline watch`: capture, analysis and pass file of each source on threads of their own, the dashboard on this one.
//!
//! In: a [`WatchJob`]. Out: the pass files, the dashboard or (without a terminal) events on stdout, and how it ended.
//!
//! Does not know: what the dashboard shows.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{Scope, ScopedJoinHandle};
use std::time::Duration;

use anyhow::{Context, Error, Result, anyhow, ensure};

use crate::cli::{Dashboard, OnHangup, RecordTo, WatchJob};
use crate::record::sections;
use crate::sources::tape::{DEFAULT_SCENE, Pace};
use crate::sources::{self, Place, Source};
use crate::views::dashboard::{self, Request};

use super::against;
use super::analysis::{End, Remark};
use super::find_levels;
use super::health;
use super::learn;
use super::pass;
use super::signals::Interrupt;
use super::station::{Beside, Orders, Station, Work, lock};
use super::stop::{Last, Leaving};
use super::{Outcome, say};

/// How often it is looked whether the terminal is still there, and the sources have ended.
const GLANCE: Duration = Duration::from_millis(100);

/// Watches sources until they end or the operator does.
///
/// # Errors
/// A source cannot be opened or breaks off, or a pass cannot be made.
pub(super) fn run(job: &WatchJob) -> Result<Outcome> {
    let interrupt = Interrupt::install()?;
    pass::put_earlier_in_order(&job.pass.record);
    let mut places = job.places.clone();
    if places.is_empty() {
        places.push(default_place());
    }
    let records = records(&job.pass.record, places.len())?;
    let limits = learn::in_force(&job.pass.limits)?;
    if let (true, Some(earlier)) = (job.check, &job.pass.limits.learn) {
        learn::tell_stretches(earlier)?;
    }
    let mut against = job.against.as_deref().map(against::open).transpose()?;
    // All are opened before anything is started: a source that is not there leaves no passes of the others behind.
    let sources = places
        .iter()
        .map(|place| Ok(sources::open(place, &job.wishes, Pace::RealTime)?))
        .collect::<Result<Vec<Box<dyn Source>>>>()?;
    if job.find_levels {
        for source in &sources {
            find_levels::begin(source.as_ref())?;
        }
    }
    let drawn = job.dashboard == Dashboard::WhereTerminal && dashboard::available();
    match job.on_hangup {
        OnHangup::Continue => interrupt.outlast_hangup()?,
        OnHangup::Stop => interrupt.heed_hangup()?,
    }
    let several = sources.len() > 1;
    let mut stations = Vec::new();
    for (source, record) in sources.into_iter().zip(records) {
        let orders = Orders {
            job,
            record,
            limits: limits.clone(),
            drawn,
            several,
            against: against.take(),
        };
        match Station::start(source, orders, interrupt.stop()) {
            Ok(station) => stations.push(station),
            Err(error) => {
                interrupt.quit();
                for begun in stations {
                    begun.conclude(Ok(End::Asked))?;
                }
                return Err(error);
            }
        }
    }
    let ends = if drawn {
        with_dashboard(&mut stations, &interrupt, job.on_hangup)
    } else {
        without_dashboard(&mut stations, &interrupt)
    };
    // What could not be begun is told once the passes are closed.
    let ends = ends.unwrap_or_else(|error| {
        let asked = stations.iter().map(|_| Ok(End::Asked)).collect();
        with_drawing(asked, Some(error))
    });
    let mut failures = Vec::new();
    for (station, end) in stations.into_iter().zip(ends) {
        let name = station.name.clone();
        let failure = match station.conclude(end) {
            Ok(End::Failed(error)) | Err(error) => error,
            Ok(End::Asked | End::Whole) => continue,
        };
        failures.push(if several {
            failure.context(name)
        } else {
            failure
        });
    }
    if let Some(failure) = first_of(failures) {
        return Err(failure);
    }
    Ok(if interrupt.signalled() {
        Outcome::Interrupted
    } else {
        Outcome::Done
    })
}

/// The first failure, for `main` to tell; others are told here.
fn first_of(failures: Vec<Error>) -> Option<Error> {
    let mut failures = failures.into_iter();
    let first = failures.next();
    failures.for_each(|other| say(&format!("{other:#}")));
    first
}

/// Where each pass is kept: of several with one name, each has its number behind it.
fn records(record: &RecordTo, count: usize) -> Result<Vec<RecordTo>> {
    let RecordTo::File(path) = record else {
        return Ok(vec![record.clone(); count]);
    };
    if count == 1 {
        return Ok(vec![record.clone()]);
    }
    let names: Vec<PathBuf> = (1..=count).map(|number| numbered(path, number)).collect();
    for name in &names {
        ensure!(
            !name.exists(),
            "{} exists already; name another file to --record",
            name.display()
        );
    }
    Ok(names.into_iter().map(RecordTo::File).collect())
}

/// `reel-2.pass` of `reel.pass`.
fn numbered(path: &Path, number: usize) -> PathBuf {
    let mut name = path.file_stem().unwrap_or_default().to_owned();
    name.push(format!("-{number}"));
    if let Some(extension) = path.extension() {
        name.push(".");
        name.push(extension);
    }
    path.with_file_name(name)
}

/// Each analysis on a thread of its own, until all have ended. This one looks whether the terminal is still there.
fn without_dashboard(stations: &mut [Station], interrupt: &Interrupt) -> Result<Vec<Result<End>>> {
    let last = Last::of(stations.len());
    let last = &last;
    std::thread::scope(|scope| {
        let quits = QuitOnDrop {
            interrupt,
            ended: last.ended(),
        };
        let (works, besides): (Vec<_>, Vec<_>) = stations.iter_mut().map(Station::parts).unzip();
        let workers = works
            .into_iter()
            .zip(&besides)
            .map(|(work, beside)| worker(scope, work, *beside, last))
            .collect::<Result<Vec<_>>>()?;
        let mut told = false;
        while !last.ended().load(Ordering::Relaxed) {
            if interrupt.hung_up() && !told {
                go_on_alone(&besides);
                told = true;
            }
            std::thread::park_timeout(GLANCE);
        }
        let ends = workers.into_iter().map(joined).collect();
        drop(quits);
        Ok(ends)
    })
}

/// Says, in the log of each source and to whoever reads stderr, that nobody watches any more.
fn go_on_alone(besides: &[Beside<'_>]) {
    let text = format!(
        "the terminal was closed: monitoring goes on without it; end it with kill {}",
        std::process::id()
    );
    say(&text);
    for beside in besides {
        // Full means sixty marks at once: what the operator meant comes first.
        let _ = beside.remarks.try_send(Remark {
            at: None,
            text: text.clone(),
        });
    }
}

/// The dashboard on this thread, each analysis on its own, until all have ended or the operator quits. A terminal that is
/// gone ends the pass, or (`on_hangup`) only the drawing.
fn with_dashboard(
    stations: &mut [Station],
    interrupt: &Interrupt,
    on_hangup: OnHangup,
) -> Result<Vec<Result<End>>> {
    let mut session =
        dashboard::Session::open().context("taking the terminal for the dashboard")?;
    let last = Last::of(stations.len());
    let last = &last;
    std::thread::scope(|scope| {
        // The threads of this scope are waited for on every way out of it, a panic while drawing included.
        let quits = QuitOnDrop {
            interrupt,
            ended: last.ended(),
        };
        let (works, besides): (Vec<_>, Vec<_>) = stations.iter_mut().map(Station::parts).unzip();
        let patients = besides.iter().map(|beside| beside.patient()).collect();
        let keeper = health::keep(scope, patients, last.ended())?;
        let workers = works
            .into_iter()
            .zip(&besides)
            .map(|(work, beside)| worker(scope, work, *beside, last))
            .collect::<Result<Vec<_>>>()?;
        let lives: Vec<_> = besides.iter().map(|beside| beside.live).collect();
        let have_ended = || last.ended().load(Ordering::Relaxed);
        let drawn = dashboard::run(
            &mut session,
            &lives,
            |at, request| pass_on(request, besides[at], interrupt),
            || have_ended() || interrupt.hung_up(),
        );
        let outlasts = on_hangup == OnHangup::Continue && (drawn.is_err() || interrupt.hung_up());
        let (ends, drawn) = if outlasts {
            drop(session);
            if !have_ended() {
                go_on_alone(&besides);
            }
            let ends: Vec<Result<End>> = workers.into_iter().map(joined).collect();
            drop(quits);
            keeper.thread().unpark();
            (ends, None)
        } else {
            drop(quits);
            let ends: Vec<Result<End>> = workers.into_iter().map(joined).collect();
            keeper.thread().unpark();
            drop(session); // the terminal is given back before anything is said on it
            (ends, drawn.context("drawing the dashboard").err())
        };
        Ok(with_drawing(ends, drawn))
    })
}

/// A dashboard that could not be drawn is told of, unless a source failed: then that is.
fn with_drawing(mut ends: Vec<Result<End>>, drawing: Option<Error>) -> Vec<Result<End>> {
    let failed = |end: &Result<End>| !matches!(end, Ok(End::Asked | End::Whole));
    if let Some(error) = drawing.filter(|_| !ends.iter().any(failed)) {
        ends[0] = Err(error);
    }
    ends
}

/// Starts the analysis of a station.
fn worker<'scope>(
    scope: &'scope Scope<'scope, '_>,
    work: &'scope mut Work,
    beside: Beside<'scope>,
    last: &'scope Last,
) -> Result<ScopedJoinHandle<'scope, Result<End>>> {
    std::thread::Builder::new()
        .name("analysis".into())
        .spawn_scoped(scope, move || {
            let _leaves = Leaving(last);
            let end = work.run(beside.capture);
            lock(beside.live).set_over(match &end {
                Ok(End::Asked | End::Whole) => "at its end".to_owned(),
                Ok(End::Failed(error)) | Err(error) => format!("{error:#}"),
            });
            end
        })
        .context("starting the analysis thread")
}

fn joined(worker: ScopedJoinHandle<'_, Result<End>>) -> Result<End> {
    worker
        .join()
        .map_err(|_panic| anyhow!("the analysis thread panicked"))?
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

fn pass_on(request: Request, to: Beside<'_>, interrupt: &Interrupt) {
    let remark = match request {
        Request::Quit => return interrupt.quit(),
        Request::Interrupt => return interrupt.signal(),
        Request::Acknowledge => return lock(to.live).acknowledge(),
        Request::StepControl { id, steps } => {
            let mut live = lock(to.live);
            let order = live.controls_mut().step(id, steps);
            // Without room sixty steps wait already: the device is silent, and this one is not wanted then.
            if let Some(order) = order {
                to.capture.set_control(order);
            }
            return;
        }
        Request::RestoreControls => {
            for order in lock(to.live).controls_mut().restore() {
                to.capture.set_control(order);
            }
            return;
        }
        Request::Reference => {
            let mut live = lock(to.live);
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
                lock(to.live).take_reference();
            }
            Remark { at, text: note }
        }
        Request::Counter { at, reading } => Remark {
            at,
            text: format!("the player's counter reads {reading}"),
        },
    };
    // Full or closed means sixty marks at once or the end of the pass: nothing an operator meant is lost.
    let _ = to.remarks.try_send(remark);
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

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use crossbeam_channel::bounded;

    use super::super::capture::{Capture, Delivery};
    use super::super::signals::Stop;
    use super::super::testing::{Script, flat};
    use super::*;
    use crate::alarms::PassClock;
    use crate::record::{Live, live};
    use crate::standard::Standard;
    use crate::timecode::{Counting, Timecode};
    use crate::units::CodeRange;

    #[test]
    fn steps_at_the_dashboard_reach_the_device_and_are_taken_back_by_one_key() {
        // A frame that says when it is waited for, and comes when the test goes on.
        let (waits, at_gate) = bounded(0);
        let (go, open) = bounded::<()>(0);
        let gate = || {
            let (waits, open) = (waits.clone(), open.clone());
            move || {
                waits.send(()).expect("the test goes on");
                open.recv().expect("the test goes on");
                Ok(Some(flat(0)))
            }
        };
        let source = Script::live()
            .with_controls(&[(1, 128)])
            .then(gate())
            .then(gate())
            .frames(1);
        let capture = Capture::start(Box::new(source), &Stop::default(), None).expect("a thread");
        let live = Mutex::new(Live::new(head()));
        let to = Beside {
            live: &live,
            capture: &capture,
            recording: None,
            remarks: &bounded(1).0,
        };
        let interrupt = Interrupt::uninstalled();
        let ask = |request| pass_on(request, to, &interrupt);
        let told = || {
            let mut deliveries = capture.deliveries.iter();
            let news = deliveries.find_map(|delivery| match delivery {
                Delivery::News(news) => Some(news.text),
                _ => None,
            });
            news.expect("it has not ended")
        };
        let learn = || lock(&live).set_controls(&capture.seen().controls);
        at_gate.recv().expect("the first frame is asked for");
        learn();
        ask(Request::StepControl { id: 1, steps: 1 });
        ask(Request::StepControl { id: 1, steps: 1 });
        go.send(()).expect("it waits");
        at_gate.recv().expect("the second frame is asked for");
        learn();
        assert_eq!(lock(&live).controls().changed().len(), 1);
        ask(Request::RestoreControls);
        go.send(()).expect("it waits");
        assert_eq!(told(), "1 is 130 now");
        assert_eq!(told(), "1 is 128 now");
        learn();
        assert_eq!(lock(&live).controls().changed().len(), 0);
    }

    fn head() -> live::Head {
        live::Head {
            source: "script".into(),
            tape: None,
            recorded_to: None,
            standard: None,
            sample_rate: None,
            range: CodeRange::Studio,
            clock: PassClock {
                start: Timecode::zero(Counting::usual(Standard::Lines625)),
            },
        }
    }

    #[test]
    fn several_passes_of_one_name_are_numbered() {
        let directory = tempfile::tempdir().expect("room for a directory");
        let record = RecordTo::File(directory.path().join("reel.2.pass"));
        let named = |name: &str| RecordTo::File(directory.path().join(name));
        let names = records(&record, 2).expect("neither exists");
        assert_eq!(names, [named("reel.2-1.pass"), named("reel.2-2.pass")]);
        assert_eq!(
            records(&record, 1).expect("one"),
            std::slice::from_ref(&record)
        );
        std::fs::write(directory.path().join("reel.2-2.pass"), b"").expect("a file");
        let message = records(&record, 2)
            .expect_err("the second exists")
            .to_string();
        assert!(
            message.contains("reel.2-2.pass exists already"),
            "{message}"
        );
    }
}
