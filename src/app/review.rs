//! `trueline review`: the dashboard on a finished pass.
//!
//! In: the path of a pass. Out: the dashboard until the operator leaves, and the marks in the pass. Does not know: what is drawn.

use std::path::Path;

use anyhow::{Context, Result, ensure};

use crate::record::{Finished, Pass, RecordError, marks};
use crate::views::dashboard::review::{self, Request, Review};
use crate::views::dashboard::{self, Palette, Session};

use super::signals::Interrupt;
use super::{Outcome, say};

/// Shows the pass.
///
/// # Errors
/// It is no pass or cannot be read, there is no terminal, or that is closed.
pub(super) fn run(path: &Path) -> Result<Outcome> {
    // Looked at before the terminal is taken: what is wrong with the file is the first thing to know.
    let is_finished = marks::is_finished(path)?;
    let pass = Pass::open(path)?;
    let finished = Finished::at_once(&pass)?;
    ensure!(
        dashboard::available(),
        "cannot review '{}': there is no terminal to draw on; trueline report writes the same as a page, trueline export as tables",
        path.display()
    );
    let interrupt = Interrupt::install()?;
    interrupt.heed_hangup()?;
    let mut session = Session::open().context("taking the terminal for the review")?;
    let graphics = session.graphics();
    let mut looked_at = Review::new(pass, finished, Palette::of_environment(), graphics);
    if !is_finished {
        looked_at.say("this pass is still being recorded: shown as far as it goes".to_owned());
    }
    let stop = interrupt.stop();
    let drawn = review::run(
        &mut session,
        &mut looked_at,
        |review, request| pass_on(review, request, &interrupt),
        || stop.is_set(),
    );
    drop(session); // the terminal is given back before anything is said on it
    drawn.context("drawing the review")?;
    if !is_finished {
        say("the pass is still being recorded: what came since it was opened was not shown");
    }
    Ok(if interrupt.signalled() {
        Outcome::Interrupted
    } else {
        Outcome::Done
    })
}

fn pass_on(review: &mut Review, request: Request, interrupt: &Interrupt) {
    let answer = match request {
        Request::Quit => return,
        Request::Interrupt => return interrupt.signal(),
        Request::Mark { at, note } => mark(review, |path, clock| {
            marks::add(path, clock, at, &note).map(Some)
        }),
        Request::Edit { mark: id, note } => mark(review, |path, _| {
            let kept = marks::edit(path, id, &note)?;
            Ok(Some(id).filter(|_| kept && !note.is_empty()))
        }),
    };
    match answer {
        Ok(()) => review.say("kept in the pass".to_owned()),
        Err(error) => review.say(format!("{:#}", anyhow::Error::from(error))),
    }
}

/// Changes the marks of the pass, and shows them as they are then.
fn mark(
    review: &mut Review,
    change: impl FnOnce(
        &Path,
        crate::alarms::PassClock,
    ) -> Result<Option<crate::alarms::EventId>, RecordError>,
) -> Result<(), RecordError> {
    let clock = review.pass().head().clock();
    let path = review.pass().path().to_owned();
    let chosen = change(&path, clock)?;
    review.read_events(chosen)
}
