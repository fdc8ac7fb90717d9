//! `trueline export`: what a pass holds as a table.
//!
//! In: an [`ExportJob`]. Out: the table, in a file or on stdout. Does not know: what is in it.

use anyhow::Result;

use crate::cli::{ExportFormat, ExportJob, ExportWhat, Output};
use crate::record::Pass;
use crate::views::export::{Destination, Format, What, export};

use super::Outcome;

/// Writes a table.
///
/// # Errors
/// The file is no pass, has no such table, or the table cannot be written.
pub(super) fn run(job: &ExportJob) -> Result<Outcome> {
    let what = match job.what {
        ExportWhat::Events => What::Events,
        ExportWhat::Fields => What::Fields,
        ExportWhat::Lines => What::Lines,
    };
    let format = match job.format {
        ExportFormat::Csv => Format::Csv,
        ExportFormat::Jsonl => Format::Jsonl,
    };
    let destination = match &job.output {
        Output::Stdout => Destination::Stdout,
        Output::File(path) => Destination::File(path.clone()),
    };
    export(&Pass::open(&job.pass)?, what, format, &destination)?;
    Ok(Outcome::Done)
}
