//! `trueline compare`: passes of one tape beside each other.
//!
//! In: a [`CompareJob`]. Out: a table or JSON on stdout, a page. Does not know: what is compared, or how it is told.

use anyhow::{Context, Result};

use crate::cli::{CompareJob, Output};
use crate::compare::{Comparison, compare, pictures};
use crate::views::{comparison, report};

use super::report::open_as_far_as_it_goes;
use super::{Outcome, print, write_stdout};

/// Compares.
///
/// # Errors
/// A file is no pass, passes or their captures cannot be compared, or the page cannot be written.
pub(super) fn run(job: &CompareJob) -> Result<Outcome> {
    if let Some(Output::File(path)) = &job.page {
        report::check_place(path, &job.passes)?;
    }
    let mut passes = Vec::with_capacity(job.passes.len());
    for path in &job.passes {
        passes.push(open_as_far_as_it_goes(path, "compared")?);
    }
    let mut found = compare(&passes, job.weights.clone())?;
    if job.with_pictures {
        found.pictures = pictures(&passes, &found)?;
    }
    if let Some(place) = &job.page {
        put_page(&found, place)?;
    }
    match &job.page {
        Some(Output::Stdout) => Ok(Outcome::Done),
        _ if job.json => {
            let text = serde_json::to_string(&found).context("writing the comparison as JSON")?;
            write_stdout(format!("{text}\n").as_bytes())?;
            Ok(Outcome::Done)
        }
        _ => print(&comparison::text(&found)),
    }
}

fn put_page(found: &Comparison, place: &Output) -> Result<()> {
    let page = report::comparison_page(found).context("making the page")?;
    match place {
        Output::Stdout => write_stdout(page.as_bytes()),
        Output::File(path) => Ok(report::put(path, &page)?),
    }
}
