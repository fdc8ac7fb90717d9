//! `trueline scan`: the measurement without a dashboard, as fast as the source delivers.
//!
//! In: a [`ScanJob`]. Out: the pass file, events and summary on stdout where asked for, and how it ended.
//!
//! Does not know: how any of these is made.

use std::io::{self, IsTerminal};
use std::path::Path;

use anyhow::Result;

use crate::cli::{ScanJob, ScanWhat};
use crate::record::{Scanned, Summary, Verdict};
use crate::sources::{self, Place, Source, tape::Pace};

use super::analysis::{Analysis, End};
use super::batch;
use super::capture::Capture;
use super::learn::{self, InForce};
use super::pass::{self, Prepared, Recording};
use super::signals::{Interrupt, Stop};
use super::sinks::{EventLines, Progress, Recorder, Sink, put_line, typed};
use super::team::Team;
use super::{Outcome, say};

/// Measures sources from end to end.
///
/// # Errors
/// A single source cannot be opened or breaks off, or its pass cannot be written. What was measured before is kept.
pub(super) fn run(job: &ScanJob) -> Result<Outcome> {
    let interrupt = Interrupt::install()?;
    pass::put_earlier_in_order(&job.pass.record);
    let limits = learn::in_force(&job.pass.limits)?;
    match &job.what {
        ScanWhat::One(place) => one(job, place, limits, &interrupt),
        ScanWhat::Several(paths) => batch::run(job, paths, &limits, &interrupt),
    }
}

fn one(job: &ScanJob, place: &Place, limits: InForce, interrupt: &Interrupt) -> Result<Outcome> {
    let (source, prepared) = open(job, place, limits)?;
    pass::remarks(source.description()).for_each(say);
    let scanned = match place {
        Place::File(path) => seen(job, path),
        _ => None,
    };
    let (recording, recorder) = Recording::start(&job.pass.record, &prepared.head)?.unzip();
    let mut sinks: Vec<Box<dyn Sink>> = Vec::new();
    if job.events {
        sinks.push(Box::new(EventLines::Json));
    }
    if io::stderr().is_terminal() {
        sinks.push(Box::new(Progress::new(source.description().frames)));
    }
    let scan = Scan {
        prepared,
        recording: recording.map(|recording| recording.of_file(scanned)),
        recorder,
        sinks,
        team: Team::gather(source.description().live)?,
    };
    let (summary, end) = scan.run(source, &interrupt.stop())?;
    if job.json {
        put_line(&typed("summary", &summary)?)?;
    } else {
        pass::tell(&summary);
    }
    match end {
        End::Failed(error) => Err(error),
        End::Asked => Ok(Outcome::Interrupted),
        End::Whole if job.strict && summary.verdict != Verdict::Clean => Ok(Outcome::NotClean),
        End::Whole => Ok(Outcome::Done),
    }
}

/// A source as a scan reads it, and what its pass is of.
pub(super) fn open(
    job: &ScanJob,
    place: &Place,
    limits: InForce,
) -> Result<(Box<dyn Source>, Prepared)> {
    let source = sources::open(place, &job.wishes, Pace::Free { frames: None })?;
    let prepared = pass::prepare(source.as_ref(), &job.pass, limits, job.keep_lines)?;
    Ok((source, prepared))
}

/// How a file is known again; one that is no ordinary file, or that cannot be read, is not.
pub(super) fn seen(job: &ScanJob, path: &Path) -> Option<Scanned> {
    let ordinary = path.is_file();
    ordinary
        .then(|| Scanned::of(path, &job.options()).ok())
        .flatten()
}

/// One source about to be measured.
pub(super) struct Scan {
    /// What it is of.
    pub prepared: Prepared,
    /// The pass file, if one is kept.
    pub recording: Option<Recording>,
    /// The queue to it.
    pub recorder: Option<Recorder>,
    /// Who else is told.
    pub sinks: Vec<Box<dyn Sink>>,
    /// Who measures.
    pub team: Team,
}

impl Scan {
    /// Measures to the end.
    ///
    /// # Errors
    /// A sink or the pass file fails.
    pub(super) fn run(self, source: Box<dyn Source>, stop: &Stop) -> Result<(Summary, End)> {
        let mut analysis = Analysis::new(self.prepared.plan, self.recorder, self.sinks);
        analysis.set_hands(self.team.hands());
        let capture = Capture::start(source, stop, None)?;
        let end = self
            .team
            .run(|| analysis.run(&capture.deliveries, None, stop));
        let (summary, _, end) = pass::conclude(end, capture, analysis, self.recording, None)?;
        Ok((summary, end))
    }
}
