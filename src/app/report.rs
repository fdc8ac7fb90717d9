//! `trueline report`: finished passes as one page.
//!
//! In: a [`ReportJob`]. Out: the page, in a file or on stdout. Does not know: what is on it.

use std::path::Path;

use anyhow::{Context, Result};

use crate::cli::{Output, ReportJob};
use crate::record::{Finished, Pass, worst_exhibits};
use crate::views::report::{self, Reported};

use super::{Outcome, say, write_stdout};

/// Writes the page.
///
/// # Errors
/// A file is no pass or cannot be read, or the page cannot be written.
pub(super) fn run(job: &ReportJob) -> Result<Outcome> {
    if let Output::File(path) = &job.output {
        report::check_place(path, &job.passes)?;
    }
    let mut passes = Vec::with_capacity(job.passes.len());
    for path in &job.passes {
        let pass = open_as_far_as_it_goes(path, "reported")?;
        let finished = Finished::of(&pass)?;
        let pictures = worst_exhibits(&pass, &finished.events, report::MOST_PICTURED)?;
        passes.push(Reported {
            found: pass.found()?,
            path: path.clone(),
            head: pass.head().clone(),
            closed_at: pass.closed_at().map(str::to_owned),
            finished,
            pictures,
        });
    }
    let page = report::page(&passes).context("making the report")?;
    match &job.output {
        Output::Stdout => write_stdout(page.as_bytes())?,
        Output::File(path) => report::put(path, &page)?,
    }
    Ok(Outcome::Done)
}

/// Opens a pass that is to be `done` with; says so where it was never closed.
///
/// # Errors
/// The file is no pass or cannot be read.
pub(super) fn open_as_far_as_it_goes(path: &Path, done: &str) -> Result<Pass> {
    let pass = Pass::open(path)?;
    if pass.closed_at().is_none() {
        say(&format!(
            "{} was not closed: it is still being recorded, or recording was cut short; {done} as far as it goes",
            path.display()
        ));
    }
    Ok(pass)
}
