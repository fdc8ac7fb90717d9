//! What is marked beside the plumb line's threads: the bend fitted at the top, and the row where the heads are switched.
//!
//! Does not know: how either was found.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::record::Live;
use crate::units::Nanos;

use super::paint::put;
use super::palette::{Palette, Tone};
use super::plumb::View;

/// Lengths of the bend that are drawn: after three of them a twentieth is left.
const LENGTHS: f64 = 3.0;

/// The first line of a screen row.
fn line_of(row: u16, height: u16, lines: usize) -> usize {
    usize::from(row) * lines / usize::from(height.max(1))
}

/// The screen row of a line.
fn row_of(line: usize, height: u16, lines: usize) -> u16 {
    (line * usize::from(height) / lines.max(1)) as u16
}

/// Draws a broken line across the row of the head switch, and its number at the side.
pub(super) fn draw_switch(
    buffer: &mut Buffer,
    (body, field): (Rect, Rect),
    live: &Live,
    palette: Palette,
) {
    let Some(readings) = live.latest() else {
        return;
    };
    let (Some(line), lines) = (readings.head_switch.line, readings.line_timing.lines.rows()) else {
        return;
    };
    let row = row_of(line as usize, body.height, lines);
    for column in 0..field.width {
        put(buffer, field, (column, row), "┈", palette.ink(Tone::Plain));
    }
    let number = format!("{line:>3}");
    put(buffer, body, (0, row), &number, palette.ink(Tone::Plain));
}

/// Draws a ring at the first line of every screen row that the bend at the top reaches into.
pub(super) fn draw_bend(
    buffer: &mut Buffer,
    field: Rect,
    live: &Live,
    view: &View,
    palette: Palette,
) {
    let Some(readings) = live.latest() else {
        return;
    };
    let (flagging, timing) = (&readings.flagging, &readings.line_timing);
    let Some(length) = flagging.decay.map(|decay| decay.value.0) else {
        return;
    };
    let top = timing.picture_rows.start;
    let end = top + (LENGTHS * length) as usize;
    for row in 0..field.height {
        let line = line_of(row, field.height, timing.lines.rows()).max(top);
        let Some(Nanos(bend)) = flagging.at(line).filter(|_| line <= end) else {
            break;
        };
        if let Some(column) = view.column(bend, field.width) {
            put(buffer, field, (column, row), "○", palette.ink(Tone::Strong));
        }
    }
}
