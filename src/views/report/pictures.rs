//! Pictures of events, as text within the page (RFC 2397).
//!
//! Does not know: which events are shown, or where on the page.

use base64_simd::STANDARD;
use serde::Serialize;

use super::Reported;
use super::words;
use crate::alarms::Event;
use crate::record::{Exhibit, View};

/// A picture with its words.
#[derive(Serialize)]
pub(super) struct Figure {
    event: u32,
    /// Of letters that mean nothing to markup: it goes into the page as it is.
    source: String,
    width: usize,
    height: usize,
    /// For those who do not see it.
    alt: String,
    title: String,
    caption: String,
}

/// Every picture of the pass's shown events, the field before a loss ahead of the one after it.
pub(super) fn figures(pass: &Reported) -> Vec<Figure> {
    let of_event = pass.pictures.iter().filter_map(|(id, exhibits)| {
        let event = pass.finished.events.iter().find(|event| event.id == *id)?;
        let figures = exhibits.iter().rev();
        Some(figures.map(move |exhibit| figure(event, exhibit, pass)))
    });
    of_event.flatten().collect()
}

fn figure(event: &Event, exhibit: &Exhibit, pass: &Reported) -> Figure {
    let kind = words::capital(&words::kind(event.kind));
    let label = pass.head.clock().label(exhibit.place.frame());
    let which = match exhibit.view {
        View::Worst => "the field it shows in most",
        View::Before => "the field before it",
    };
    let (width, height) = exhibit.size;
    Figure {
        event: event.id.0,
        source: format!(
            "data:image/jpeg;base64,{}",
            STANDARD.encode_to_string(&exhibit.jpeg)
        ),
        width,
        height,
        alt: format!(
            "{kind} at {}: picture of {which}, {label}",
            event.start_timecode
        ),
        title: format!("{kind}, {label}."),
        caption: match exhibit.view {
            View::Worst => event.note.clone(),
            View::Before => String::from("The field before."),
        },
    }
}
