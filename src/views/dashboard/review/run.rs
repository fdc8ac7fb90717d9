//! The loop: keys in, redraws out, nothing in between.
//!
//! Does not know: what becomes of requests.

use std::io;
use std::time::Duration;

use crossterm::event::{self, Event};

use super::super::terminal::Session;
use super::{Request, Review};

/// How often it is looked whether a signal asked for the end.
const LOOK: Duration = Duration::from_millis(100);

/// Draws until it is to stop, or the operator quits or interrupts. Marks go to `keep`, which says what became of them.
///
/// # Errors
/// The terminal cannot be read or written any more (it was closed).
pub fn run(
    session: &mut Session,
    review: &mut Review,
    mut keep: impl FnMut(&mut Review, Request),
    stop: impl Fn() -> bool,
) -> io::Result<()> {
    let mut changed = true;
    while !stop() && session.is_taken() {
        changed |= session.resume()?;
        if changed {
            session.terminal().draw(|frame| {
                let area = frame.area();
                review.draw_on(frame.buffer_mut(), area);
            })?;
            changed = false;
        }
        session.wait_for_keys(LOOK)?;
        while event::poll(Duration::ZERO)? {
            changed = true;
            let Event::Key(key) = event::read()? else {
                continue;
            };
            let Some(request) = review.key(key) else {
                continue;
            };
            let leaves = matches!(request, Request::Quit | Request::Interrupt);
            keep(review, request);
            if leaves {
                return Ok(());
            }
        }
    }
    Ok(())
}
