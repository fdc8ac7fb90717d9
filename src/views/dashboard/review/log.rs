//! The events that the filter lets through, around the chosen one or the cursor.
//!
//! Does not know: when an event begins or ends.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::events::{lasted, sayings};
use super::super::paint::{below_heading, fitting, heading, put, put_all};
use super::super::palette::Tone;
use super::super::words;
use super::Review;
use super::filter::Filter;
use crate::alarms::Event;

/// Column where the figures and the note of an event begin.
const DETAIL_COLUMN: u16 = 38;

/// Draws the list.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, review: &Review) {
    let palette = review.palette;
    let shown: Vec<&Event> = review.shown_events().collect();
    let aside = match review.filter {
        Filter::All => format!("{} in all", shown.len()),
        filter => format!(
            "{} kept to: {} of {}",
            filter.word(),
            shown.len(),
            review.events.len()
        ),
    };
    heading(buffer, area, palette, "events", &aside);
    let body = below_heading(area);
    if shown.is_empty() {
        let said = "nothing has happened";
        put(buffer, body, (0, 0), said, palette.ink(Tone::Faint));
        return;
    }
    let chosen = shown
        .iter()
        .position(|event| Some(event.id) == review.chosen);
    let at = chosen
        .unwrap_or_else(|| shown.partition_point(|event| event.start.seconds < review.cursor));
    let height = usize::from(body.height);
    let skipped = at
        .saturating_sub(height / 2)
        .min(shown.len().saturating_sub(height));
    for (row, event) in shown.into_iter().skip(skipped).take(height).enumerate() {
        draw_event(buffer, body, row as u16, event, review);
    }
}

fn draw_event(buffer: &mut Buffer, body: Rect, row: u16, event: &Event, review: &Review) {
    let palette = review.palette;
    let room = body.width.saturating_sub(DETAIL_COLUMN);
    let said = sayings(event, review.pass.head().sample_rate);
    let (tone, symbol) = words::severity(event.severity, false);
    let chosen = Some(event.id) == review.chosen;
    let plain = palette.ink(if chosen { Tone::Strong } else { Tone::Plain });
    let faint = palette.ink(if chosen { Tone::Plain } else { Tone::Faint });
    put_all(
        buffer,
        body,
        (0, row),
        &[
            (if chosen { "› " } else { "  " }, plain),
            (&event.start_timecode.to_string(), plain),
            (" ", plain),
            (symbol, palette.ink(tone)),
            (&format!(" {:<12}", words::kind(event.kind)), plain),
            (&format!("{:>8}  ", lasted(event)), plain),
            (fitting(&said, room), faint),
        ],
    );
}
