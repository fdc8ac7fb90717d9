//! One quantity's course, large: the skyline of the time-base error with its words at the side.
//!
//! Does not know: how long the course is kept.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::record::{Live, live::Shown};
use crate::units::Seconds;

use super::gauges::draw_skyline;
use super::paint::{below_heading, heading, put};
use super::palette::{Palette, Tone};
use super::words::{self, Grade};

/// Columns of the words at the left: the longest grade.
const WORDS: u16 = 13;

/// Draws the panel.
pub(super) fn draw(
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    span: (Seconds, &str),
    palette: Palette,
) {
    heading(buffer, area, palette, "error so far", span.1);
    let body = below_heading(area);
    let chart = Rect {
        x: body.x + WORDS.min(body.width),
        width: body.width.saturating_sub(WORDS),
        ..body
    };
    let grades = [Grade::Bad, Grade::Marked, Grade::Slight, Grade::Fine];
    for (index, grade) in grades.into_iter().enumerate() {
        // each word stands at the foot of its quarter
        let row = (body.height * (index as u16 + 1) / 4).saturating_sub(1);
        let word = words::scale(Shown::LineError).word(grade);
        put(buffer, body, (0, row), word, palette.ink(Tone::Faint));
    }
    draw_skyline(buffer, chart, live, (Shown::LineError, span.0), palette);
}
