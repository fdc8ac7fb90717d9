//! The limits of a run: those given, and what is learned from a pass in their place.
//!
//! In: the operator's limits and the pass to learn from, if any. Out: the limits in force, the file of the learned ones
//! beside the pass, and a word about them.
//!
//! Does not know: how limits are learned or written.

use std::path::Path;

use anyhow::{Context, Result};

use crate::cli::LimitsJob;
use crate::limits::Limits;
use crate::record::baseline::{Baseline, LearnedRow, QUANTILE};
use crate::record::{Finished, Pass, test_stretches};
use crate::timecode::FieldIndex;
use crate::views::learned;

use super::{Outcome, print, say};

/// Limits and the text that says them with their reasons.
#[derive(Clone, Debug)]
pub(super) struct InForce {
    /// To judge by.
    pub limits: Limits,
    /// To keep in the pass.
    pub text: String,
}

/// The limits of a run; what is learned is kept beside the pass that it was learned from.
///
/// # Errors
/// There is too little in the pass, or something else stands where the file belongs.
pub(super) fn in_force(job: &LimitsJob) -> Result<InForce> {
    let Some(pass) = &job.learn else {
        return Ok(InForce {
            text: job.base.to_toml(),
            limits: job.base.clone(),
        });
    };
    let (baseline, text) = learn(pass, &job.base)?;
    let kept = learned::keep(pass, &text)?;
    say(&format!("learned limits kept in {}", kept.display()));
    Ok(InForce {
        limits: baseline.limits,
        text,
    })
}

/// Prints the limits on stdout.
///
/// # Errors
/// There is too little in the pass to learn from, or stdout cannot be written.
pub(super) fn show(job: &LimitsJob) -> Result<Outcome> {
    match &job.learn {
        None => print(&job.base.to_toml()),
        Some(pass) => print(&learn(pass, &job.base)?.1),
    }
}

/// Says at which places of an earlier pass of the tape a setting is best tried.
///
/// # Errors
/// It is no pass or cannot be read.
pub(super) fn tell_stretches(path: &Path) -> Result<()> {
    let reading = || {
        format!(
            "looking for places to try a setting at in {}",
            path.display()
        )
    };
    let pass = Pass::open(path).with_context(reading)?;
    let finished = Finished::of(&pass).with_context(reading)?;
    let stretches = test_stretches(&finished);
    if stretches.is_empty() {
        return Ok(());
    }
    say(&format!("good places to look at, by {}:", path.display()));
    for stretch in stretches {
        let field = FieldIndex((stretch.start.0 / pass.head().field_period.0) as u64);
        let label = pass.head().clock().label(field.frame());
        say(&format!(
            "  {label} for {:.0} s: {}",
            stretch.length.0, stretch.why
        ));
    }
    Ok(())
}

fn learn(path: &Path, base: &Limits) -> Result<(Baseline, String)> {
    let learning = || format!("learning limits from {}", path.display());
    let pass = Pass::open(path).with_context(learning)?;
    let baseline = Baseline::learn(&pass, base).with_context(learning)?;
    tell(&baseline, path);
    let date = jiff::ZonedDateTime::now().strftime("%Y-%m-%d").to_string();
    let text = learned::text(&baseline, &pass, &date);
    Ok((baseline, text))
}

fn tell(baseline: &Baseline, path: &Path) {
    say(&format!(
        "limits learned from {} ({:.0} % of {} programme fields stay inside):",
        path.display(),
        100.0 * QUANTILE,
        baseline.fields
    ));
    for row in &baseline.rows {
        let (id, unit, before) = (row.id, row.unit, row.before);
        match row.learned {
            Some(learned) => say(&format!("  {id}: {learned:.1} {unit} (was {before:.1})")),
            None => say(&format!(
                "  {id}: stays at {before:.1} {unit}: only {} fields showed it",
                row.fields
            )),
        }
    }
    let raised = baseline.rows.iter().any(LearnedRow::raised);
    if raised || baseline.verdict.as_deref() != Some("clean") {
        say(&format!(
            "  mind: that pass was judged {}{}; learn from a tape that you know to be good",
            baseline.verdict.as_deref().unwrap_or("by nobody"),
            if raised { " and raises limits" } else { "" }
        ));
    }
}
