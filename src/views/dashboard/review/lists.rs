//! Lists over the panels to choose from: quantities to open, kinds of events to keep to.
//!
//! Does not know: what becomes of the choice.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::{Clear, Widget};

use super::super::paint::{below_heading, heading, put};
use super::super::palette::Tone;
use super::super::words;
use super::{Review, filter};
use crate::record::{Figures, test_stretches};
use crate::timecode::FieldIndex;

/// Draws the list of quantities, with median and worst of each over the programme.
pub(super) fn draw_quantities(buffer: &mut Buffer, area: Rect, review: &Review, at: usize) {
    let rows: Vec<String> = review
        .finished
        .quantities
        .iter()
        .map(|one| {
            let quantity = one.quantity;
            let decimals = one.decimals.min(3);
            let number = |value: Option<f64>| {
                value.map_or_else(|| "–".to_owned(), |value| format!("{value:.decimals$}"))
            };
            let figures = match &one.figures {
                Figures::Words { .. } => "words".to_owned(),
                Figures::Numbers { median, worst, .. } => {
                    format!(
                        "{:>9} {:>9} {}",
                        number(*median),
                        number(*worst),
                        quantity.unit.symbol()
                    )
                }
            };
            format!(
                "{:<12}{:<36}{figures}",
                quantity.group.word(),
                quantity.label
            )
        })
        .collect();
    let name = "open a quantity: median and worst";
    draw_list(buffer, area, review, name, (&rows, at));
}

/// Draws the list of kinds that happened.
pub(super) fn draw_kinds(buffer: &mut Buffer, area: Rect, review: &Review, at: usize) {
    let choices = filter::choices(&review.events);
    let rows: Vec<String> = choices
        .iter()
        .map(|&(choice, count)| {
            let word = match choice {
                filter::Filter::All => "all events",
                filter::Filter::Alarms => "alarms",
                filter::Filter::Only(_) => choice.word(),
            };
            let kept = if choice == review.filter { "  now" } else { "" };
            format!("{word:<20}{count:>6}{kept}")
        })
        .collect();
    draw_list(buffer, area, review, "keep to a kind of event", (&rows, at));
}

/// Draws the list of places to try a setting at.
pub(super) fn draw_stretches(buffer: &mut Buffer, area: Rect, review: &Review, at: usize) {
    let clock = review.pass.head().clock();
    let rows: Vec<String> = test_stretches(&review.finished)
        .into_iter()
        .map(|stretch| {
            let field = FieldIndex((stretch.start.0 / review.period().0) as u64);
            format!(
                "{}  {:>7}  {}",
                clock.label(field.frame()),
                words::clock(stretch.length),
                stretch.why
            )
        })
        .collect();
    let name = if rows.is_empty() {
        "where to try a setting: a pass of a minute and more tells"
    } else {
        "where to try a setting"
    };
    draw_list(buffer, area, review, name, (&rows, at));
}

fn draw_list(
    buffer: &mut Buffer,
    area: Rect,
    review: &Review,
    name: &str,
    (rows, at): (&[String], usize),
) {
    let palette = review.palette;
    Clear.render(area.intersection(buffer.area), buffer);
    heading(buffer, area, palette, name, "↑ ↓ Enter chooses, Esc leaves");
    let body = below_heading(area);
    let height = usize::from(body.height);
    let at = at.min(rows.len().saturating_sub(1));
    let skipped = at
        .saturating_sub(height / 2)
        .min(rows.len().saturating_sub(height));
    for (row, (index, text)) in rows
        .iter()
        .enumerate()
        .skip(skipped)
        .take(height)
        .enumerate()
    {
        let here = index == at;
        let ink = palette.ink(if here { Tone::Strong } else { Tone::Plain });
        let row = row as u16;
        put(buffer, body, (0, row), if here { "›" } else { " " }, ink);
        put(buffer, body, (2, row), text, ink);
    }
}
