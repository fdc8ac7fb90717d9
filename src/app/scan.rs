//! `trueline scan`: the measurement without a dashboard, as fast as the source delivers.
//!
//! In: a [`ScanJob`]. Out: the pass file, events and summary on stdout where asked for, and how it ended.
//!
//! Does not know: how any of these is made.

use std::io::{self, IsTerminal};

use anyhow::Result;

use crate::cli::ScanJob;
use crate::record::Verdict;
use crate::sources::{self, tape::Pace};

use super::analysis::{Analysis, End};
use super::capture::Capture;
use super::learn;
use super::pass::{self, Recording};
use super::signals::Interrupt;
use super::sinks::{EventLines, Progress, Sink, put_line, typed};
use super::team::Team;
use super::{Outcome, say};

/// Measures a source from end to end.
///
/// # Errors
/// The source cannot be opened or breaks off, or the pass cannot be written. What was measured before is kept.
pub(super) fn run(job: &ScanJob) -> Result<Outcome> {
    let interrupt = Interrupt::install()?;
    let limits = learn::in_force(&job.pass.limits)?;
    let source = sources::open(&job.place, &job.wishes, Pace::Free { frames: None })?;
    let prepared = pass::prepare(source.as_ref(), &job.pass, limits, job.keep_lines)?;
    pass::remarks(source.description()).for_each(say);
    let (recording, recorder) = Recording::start(&job.pass.record, &prepared.head)?.unzip();

    let mut sinks: Vec<Box<dyn Sink>> = Vec::new();
    if job.events {
        sinks.push(Box::new(EventLines::Json));
    }
    if io::stderr().is_terminal() {
        sinks.push(Box::new(Progress::new(source.description().frames)));
    }
    let team = Team::gather(source.description().live)?;
    let mut analysis = Analysis::new(prepared.plan, recorder, sinks);
    analysis.set_hands(team.hands());
    let stop = interrupt.stop();
    let capture = Capture::start(source, &stop, None)?;
    let end = team.run(|| analysis.run(&capture.deliveries, None, &stop));
    let (summary, end) = pass::conclude(end, capture, analysis, recording)?;
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
