//! Writing into a buffer without ever leaving an area.
//!
//! Does not know: what is written.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use unicode_width::UnicodeWidthStr;

use super::palette::{Palette, Tone};

/// Columns a text takes.
#[must_use]
pub(super) fn width_of(text: &str) -> u16 {
    u16::try_from(text.width()).unwrap_or(u16::MAX)
}

/// Writes a text at a column and row of an area, cut at the area's edges; gives the column after it.
pub(super) fn put(
    buffer: &mut Buffer,
    area: Rect,
    (column, row): (u16, u16),
    text: &str,
    style: Style,
) -> u16 {
    let area = area.intersection(buffer.area);
    if row < area.height && column < area.width {
        let room = usize::from(area.width - column);
        buffer.set_stringn(area.x + column, area.y + row, text, room, style);
    }
    column.saturating_add(width_of(text))
}

/// Writes pieces one after the other from a column of a row; gives the column after them.
pub(super) fn put_all(
    buffer: &mut Buffer,
    area: Rect,
    (column, row): (u16, u16),
    pieces: &[(&str, Style)],
) -> u16 {
    pieces.iter().fold(column, |at, (text, style)| {
        put(buffer, area, (at, row), text, *style)
    })
}

/// Draws keys, each with its word, and `apart` after each.
pub(super) fn put_keys<'a>(
    buffer: &mut Buffer,
    area: Rect,
    keys: impl IntoIterator<Item = (&'a str, &'a str)>,
    apart: &str,
    palette: Palette,
) {
    keys.into_iter().fold(0, |column, (key, word)| {
        put_all(
            buffer,
            area,
            (column, 0),
            &[
                (key, palette.key()),
                (" ", palette.ink(Tone::Plain)),
                (word, palette.ink(Tone::Faint)),
                (apart, palette.ink(Tone::Plain)),
            ],
        )
    });
}

/// The first of some ways to say a thing, longest first, that fits; the last if none does.
#[must_use]
pub(super) fn fitting(ways: &[String], room: u16) -> &str {
    ways.iter()
        .find(|way| width_of(way) <= room)
        .or(ways.last())
        .map_or("", String::as_str)
}

/// A panel's first row: its name, a thin rule, and a word at the right end.
pub(super) fn heading(buffer: &mut Buffer, area: Rect, palette: Palette, name: &str, aside: &str) {
    let faint = palette.ink(Tone::Faint);
    let mut column = put(buffer, area, (0, 0), name, palette.ink(Tone::Strong)) + 1;
    let start = area.width.saturating_sub(width_of(aside));
    let end = if aside.is_empty() {
        start
    } else {
        start.saturating_sub(1)
    };
    while column < end {
        column = put(buffer, area, (column, 0), "─", faint);
    }
    if start > width_of(name) {
        put(buffer, area, (start, 0), aside, faint);
    }
}

/// The area without its first row.
#[must_use]
pub(super) fn below_heading(area: Rect) -> Rect {
    Rect {
        y: area.y.saturating_add(1),
        height: area.height.saturating_sub(1),
        ..area
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writing_stops_at_the_area_and_outside_nothing_is_written() {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 10, 2));
        let area = Rect::new(2, 0, 4, 1);
        put(&mut buffer, area, (1, 0), "abcdef", Style::new());
        put(&mut buffer, area, (0, 1), "below", Style::new());
        put(&mut buffer, area, (9, 0), "right", Style::new());
        put(
            &mut buffer,
            Rect::new(50, 50, 9, 9),
            (0, 0),
            "far",
            Style::new(),
        );
        assert_eq!(buffer, Buffer::with_lines(["   abc    ", "          "]));
    }

    #[test]
    fn the_longest_way_that_fits_is_taken() {
        let ways = [
            "three samples".to_owned(),
            "three".to_owned(),
            "3".to_owned(),
        ];
        assert_eq!(fitting(&ways, 13), "three samples");
        assert_eq!(fitting(&ways, 12), "three");
        assert_eq!(fitting(&ways, 0), "3");
    }
}
