//! `trueline export`: what a pass holds, for other programs.
//!
//! In: an [`ExportJob`]. Out: the document, in a file or on stdout. Does not know: what is in it.

use anyhow::Result;

use crate::cli::{ExportJob, Output};
use crate::record::Pass;
use crate::views::export::{Destination, export};

use super::Outcome;

/// Writes a document.
///
/// # Errors
/// The file is no pass, has no such table, or the document cannot be written.
pub(super) fn run(job: &ExportJob) -> Result<Outcome> {
    let destination = match &job.output {
        Output::Stdout => Destination::Stdout,
        Output::File(path) => Destination::File(path.clone()),
    };
    export(&Pass::open(&job.pass)?, job.document, &destination)?;
    Ok(Outcome::Done)
}
