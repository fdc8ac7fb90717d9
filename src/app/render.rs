//! `trueline tape`: the simulated tape as a Y4M file, with what was put in beside it.
//!
//! In: a [`TapeJob`]. Out: both files, and how far it is on stderr. Does not know: how a tape is drawn.

use std::io::{self, IsTerminal};

use anyhow::Result;
use indicatif::ProgressBar;

use crate::cli::TapeJob;
use crate::sources::tape;
use crate::views::tape_file::render;

use super::{Outcome, say};

/// Renders a tape.
///
/// # Errors
/// There is no such scene, or a file cannot be written.
pub(super) fn run(job: &TapeJob) -> Result<Outcome> {
    let bar = if io::stderr().is_terminal() {
        ProgressBar::new(0)
    } else {
        ProgressBar::hidden()
    };
    let mut progress = |done, all| {
        bar.set_length(all);
        bar.set_position(done);
    };
    let rendered = render(
        &job.scene,
        &job.wishes,
        job.seconds,
        &job.output,
        &mut progress,
    );
    bar.finish_and_clear();
    let rendered = rendered?;
    match rendered.truth {
        Some(truth) => say(&format!(
            "{} rendered, what was put in is in {}",
            job.output.display(),
            truth.display()
        )),
        None => say(&format!("{} written", job.output.display())),
    }
    Ok(Outcome::Done)
}

/// Every scene with a line about it.
pub(super) fn scene_list() -> String {
    let width = tape::scenes()
        .map(|(name, _)| name.len())
        .max()
        .unwrap_or(0);
    let lines = tape::scenes().map(|(name, about)| format!("{name:<width$}  {about}\n"));
    lines.collect::<Vec<_>>().concat()
}
