//! One source being watched, from starting its threads to closing its pass.
//!
//! In: an opened source and the operator's job. Out: its [`Analysis`] for whoever runs it, its [`Live`] for the dashboard,
//! at last what became of it.
//!
//! Does not know: how many others there are, or whether anybody looks.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use anyhow::Result;
use crossbeam_channel::{Receiver, Sender, bounded};

use crate::cli::{RecordTo, TeeTo, WatchJob};
use crate::compare::Against;
use crate::record::{Live, live};
use crate::sources::Source;

use super::against::{Following, Telling};
use super::analysis::{Analysis, End, Losses, Remark};
use super::attention::OnAlarm;
use super::capture::Capture;
use super::find_levels::{LevelFinder, Search};
use super::health::Patient;
use super::learn::InForce;
use super::pass::{self, Prepared, Recording};
use super::say;
use super::signals::Stop;
use super::sinks::{EventLines, Screen, Sink};
use super::tee::Tee;

/// Remarks of the operator that may wait: more than fingers can type while a field is measured.
const REMARKS: usize = 64;

/// What a station is to do besides watching.
pub(super) struct Orders<'a> {
    /// The operator's job.
    pub job: &'a WatchJob,
    /// Where the pass is kept.
    pub record: RecordTo,
    /// Limits to judge by.
    pub limits: InForce,
    /// A dashboard draws.
    pub drawn: bool,
    /// Others are watched too: lines say whose they are.
    pub several: bool,
    /// The earlier pass it is held against.
    pub against: Option<Against>,
}

/// A source being watched.
pub(super) struct Station {
    /// The source, in the operator's words.
    pub name: String,
    /// What a dashboard shows of it.
    pub live: Arc<Mutex<Live>>,
    /// Where the operator's remarks go.
    pub remarks: Sender<Remark>,
    /// The work to be run.
    pub work: Work,
    capture: Capture,
    recording: Option<Recording>,
    tee: Option<Tee>,
    search: Option<Search>,
    following: Option<Following>,
    timed: bool,
    named: bool,
    check: bool,
}

/// The analysis of a station, for the thread that runs it.
pub(super) struct Work {
    analysis: Analysis,
    heard: Receiver<Remark>,
    stop: Stop,
}

impl Station {
    /// Starts the threads of a source.
    ///
    /// # Errors
    /// The pass, the tee or a thread cannot be made.
    pub(super) fn start(source: Box<dyn Source>, orders: Orders<'_>, stop: Stop) -> Result<Self> {
        let Orders {
            job,
            record,
            limits,
            drawn,
            several,
            against,
        } = orders;
        let (search, source) = if job.find_levels {
            let (search, source) = Search::begin(source, &stop)?;
            (Some(search), source)
        } else {
            (None, source)
        };
        let prepared = pass::prepare(source.as_ref(), &job.pass, limits, false)?;
        let name = source.description().name.clone();
        if let Some(against) = &against {
            against.suits(&name, prepared.head.field_period)?;
        }
        if !drawn {
            let whose = |remark: &str| {
                say(&if several {
                    format!("{name}: {remark}")
                } else {
                    remark.to_owned()
                });
            };
            pass::remarks(source.description()).for_each(whose);
        }
        let (tee, to_tee) = job
            .tee
            .as_ref()
            .map(|job| Tee::start(job, source.format()))
            .transpose()?
            .unzip();
        let (recording, recorder) = Recording::start(&record, &prepared.head)?.unzip();
        let clock = prepared.plan.clock;
        let live = Arc::new(Mutex::new(Live::new(head_of(
            &prepared,
            source.as_ref(),
            recording.as_ref(),
        ))));
        let sink: Box<dyn Sink> = if drawn {
            Box::new(Screen::new(Arc::clone(&live)))
        } else {
            match &job.tee {
                Some(tee) if tee.to == TeeTo::Stdout => Box::new(EventLines::Aside(clock)),
                _ => Box::new(EventLines::Text(clock, several.then(|| name.clone()))),
            }
        };
        let mut sinks = vec![sink];
        for attention in &job.attention {
            sinks.push(Box::new(OnAlarm::start(attention, &name)?));
        }
        let (remarks, heard) = bounded(REMARKS);
        let timed = source.description().live;
        let telling = Telling::new(&live, clock, !drawn);
        let follow = |against| Following::start(against, prepared.head.range, telling, !timed);
        let (following, sink) = against.map(follow).transpose()?.unzip();
        sinks.extend(sink);
        let capture = Capture::start(source, &stop, to_tee)?;
        if let Some(search) = &search {
            let whose = several.then(|| format!("{name}: "));
            sinks.push(Box::new(LevelFinder::new(
                search.finder(),
                capture.hand(),
                remarks.clone(),
                Arc::clone(&live),
                (!drawn).then(|| whose.unwrap_or_default()),
            )));
        }
        let mut analysis = Analysis::new(prepared.plan, recorder, sinks);
        if tee.is_some() {
            analysis.expect_turns();
        }
        if timed {
            analysis.keep_up();
        }
        Ok(Self {
            name,
            live,
            remarks,
            work: Work {
                analysis,
                heard,
                stop,
            },
            capture,
            recording,
            tee,
            search,
            following,
            timed,
            named: several,
            check: job.check,
        })
    }

    /// The work and what is needed beside it, to run it on another thread.
    pub(super) fn parts(&mut self) -> (&mut Work, Beside<'_>) {
        let Self {
            work,
            live,
            capture,
            recording,
            remarks,
            ..
        } = self;
        let beside = Beside {
            live,
            capture,
            recording: recording.as_ref(),
            remarks,
        };
        (work, beside)
    }

    /// Ends the capture, closes the pass, and says how it went.
    ///
    /// # Errors
    /// The analysis failed or the end of the pass could not be stored.
    pub(super) fn conclude(self, end: Result<End>) -> Result<End> {
        let Self {
            name,
            live,
            work,
            capture,
            mut recording,
            tee,
            search,
            following,
            timed,
            named,
            check,
            ..
        } = self;
        let mut analysis = work.analysis;
        // What the operator marked last, right before quitting.
        let end = end.and_then(|end| {
            work.heard
                .try_iter()
                .try_for_each(|remark| analysis.remark(&remark))?;
            Ok(end)
        });
        let seen = capture.seen();
        let losses = analysis.losses();
        let followed = following.map(Following::finish);
        if let (Some(recording), Some(followed)) = (&mut recording, &followed) {
            recording.note("watched against", followed.clone());
        }
        let concluded = pass::conclude(end, capture, analysis, recording, tee.as_ref());
        let handed = tee.map(Tee::finish).transpose();
        let (summary, readiness, end) = concluded?;
        if !check {
            pass::tell(&summary);
        }
        let whose = |text: &str| {
            say(&if named {
                format!("{name}: {text}")
            } else {
                text.to_owned()
            });
        };
        if let Some(figures) = seen.intervals.figures() {
            whose(&pass::evenness(&figures));
        }
        if let Some(handed) = handed? {
            whose(&format!(
                "{} frames handed on, {} of them repeated for missing ones",
                handed.frames, handed.repeated
            ));
        }
        if let Some(followed) = followed {
            whose(&format!("watched against {followed}"));
        }
        if check {
            pass::tell_readiness(&readiness, named.then_some(&*name));
        }
        let live = lock(&live);
        if timed {
            tell_losses(losses, &whose);
            tell_delays(&live, &whose);
        }
        let changed = live.controls().changed();
        if check {
            let controls = live.controls().standing();
            let said = controls.map(|it| format!("{} {}", it.control.name, it.control.value));
            let controls: Vec<String> = said.collect();
            if !controls.is_empty() {
                whose(&format!("controls as they are: {}", controls.join(", ")));
            }
        }
        if let Some(search) = search {
            search.conclude().iter().for_each(|text| whose(text));
        } else if !changed.is_empty() {
            whose(&format!(
                "controls stay as they were set: {}",
                changed.join(", ")
            ));
        }
        Ok(end)
    }
}

impl Work {
    /// Measures until the end.
    ///
    /// # Errors
    /// A sink that cannot go on.
    pub(super) fn run(&mut self, capture: &Capture) -> Result<End> {
        let Self {
            analysis,
            heard,
            stop,
        } = self;
        analysis.run(&capture.deliveries, Some(heard), stop)
    }
}

/// What is needed of a station while its work runs elsewhere.
#[derive(Clone, Copy)]
pub(super) struct Beside<'a> {
    /// What a dashboard shows of it.
    pub live: &'a Mutex<Live>,
    /// Its capture.
    pub capture: &'a Capture,
    /// Its pass file.
    pub recording: Option<&'a Recording>,
    /// Where the operator's remarks go.
    pub remarks: &'a Sender<Remark>,
}

impl<'a> Beside<'a> {
    /// For whoever looks after queues.
    pub(super) fn patient(self) -> Patient<'a> {
        Patient {
            live: self.live,
            capture: self.capture,
            recording: self.recording,
        }
    }
}

/// A panic while the lock was held leaves readings that are at worst half a field old.
pub(super) fn lock(live: &Mutex<Live>) -> MutexGuard<'_, Live> {
    live.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What was lost of a source that does not wait, and through whom.
fn tell_losses(losses: Losses, say: &impl Fn(&str)) {
    match (losses.fields, losses.lost) {
        (0, _) => {}
        (_, 0) => say("no field was lost"),
        (_, lost) => say(&format!(
            "{lost} fields were lost, {} of them because the analysis was too slow",
            losses.by_us
        )),
    }
}

/// How long readings and alarms took to the screen.
fn tell_delays(live: &Live, say: &impl Fn(&str)) {
    if let Some(delays) = live.delays() {
        say(&format!(
            "readings were on screen {} ms after their frame came (median of {} frames), 99 % within {} ms",
            delays.median.as_millis(),
            delays.frames,
            delays.most.as_millis()
        ));
    }
    if let Some(took) = live.slowest_alarm() {
        say(&format!(
            "alarms were on screen {} ms after their frame came, at the latest",
            took.as_millis()
        ));
    }
}

fn head_of(prepared: &Prepared, source: &dyn Source, recording: Option<&Recording>) -> live::Head {
    live::Head {
        source: source.description().name.clone(),
        tape: prepared.head.tape.clone(),
        recorded_to: recording.map(|recording| recording.path().display().to_string()),
        standard: prepared.plan.standard,
        range: prepared.head.range,
        sample_rate: prepared.plan.sample_rate,
        clock: prepared.plan.clock,
    }
}
