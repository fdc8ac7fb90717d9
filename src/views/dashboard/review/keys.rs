//! The bottom line: the keys; and the page of help.
//!
//! Does not know: what the keys do.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::{Clear, Widget};

use super::super::paint::{below_heading, heading, put, put_keys, width_of};
use super::super::palette::{Palette, Tone};
use super::Mode;

/// Keys, the word of each in the bottom line, and what it does; those without a word stand in the help alone.
const KEYS: [(&str, &str, &str); 15] = [
    ("← →", "move", "move the cursor in time by a column"),
    (
        "↑ ↓",
        "",
        "point at a group: its word under the cursor, and why",
    ),
    ("PgUp PgDn", "", "half a screen back or on"),
    ("Home End", "", "the beginning, the end"),
    ("n p", "jump", "the next event, the one before"),
    (
        "z x",
        "zoom",
        "nearer around the cursor, and out again, down to a minute",
    ),
    ("f", "filter", "keep to one kind of event, or to alarms"),
    (
        "o",
        "open",
        "open a quantity: its median and worst over time",
    ),
    (
        "Esc",
        "",
        "close the quantity: the reasons of the verdict again",
    ),
    (
        "v",
        "view",
        "the chosen event's picture, lines and readings at large",
    ),
    (
        "t",
        "",
        "places of this tape that show most of what a setting does",
    ),
    (
        "m",
        "mark",
        "mark the cursor's place with a note, kept in the pass",
    ),
    (
        "e",
        "edit",
        "change the note of the chosen mark; an empty one takes it away",
    ),
    ("?", "help", "this page"),
    ("q", "quit", "leave"),
];

/// Keys in the bottom line.
const SHOWN: u16 = 10;

/// Columns that they take with their words, a space apart.
fn width_of_keys() -> u16 {
    let shown = KEYS.iter().filter(|(_, word, _)| !word.is_empty());
    shown
        .map(|(key, word, _)| width_of(key) + width_of(word) + 2)
        .sum()
}

/// Draws the keys.
pub(super) fn draw_keys(buffer: &mut Buffer, area: Rect, mode: &Mode, palette: Palette) {
    match mode {
        Mode::Evidence => {
            let keys = [("n p", "another event"), ("any other key", "closes it")];
            put_keys(buffer, area, keys, "  ", palette);
        }
        Mode::Quantities(_) | Mode::Kinds(_) | Mode::Stretches(_) => {
            let keys = [
                ("↑ ↓ PgUp PgDn", "move"),
                ("Enter", "chooses"),
                ("Esc", "leaves"),
            ];
            put_keys(buffer, area, keys, "  ", palette);
        }
        _ => {
            let shown = KEYS.iter().filter(|(_, word, _)| !word.is_empty());
            let keys = shown.map(|&(key, word, _)| (key, word));
            let roomy = width_of_keys() + SHOWN < area.width;
            put_keys(buffer, area, keys, if roomy { "  " } else { " " }, palette);
        }
    }
}

const EXPLANATIONS: [&str; 4] = [
    "rows: the worst of each column's minutes, ● clean ▲ usable ? undecided ■ unfit;",
    "  a gap is no programme. Events: ■ alarm △ notice m mark",
    "a quantity: ━ the middle, ┄ the worst of each step, dotted: limits in force",
    "lines: each against its place, first on top; left is early",
];

/// Draws the page of help over the panels.
pub(super) fn draw_help(buffer: &mut Buffer, area: Rect, palette: Palette) {
    Clear.render(area.intersection(buffer.area), buffer);
    heading(buffer, area, palette, "help", "any key closes it");
    let inner = below_heading(area);
    for (row, (key, _, does)) in KEYS.into_iter().enumerate() {
        let row = row as u16;
        put(buffer, inner, (1, row), key, palette.key());
        put(buffer, inner, (11, row), does, palette.ink(Tone::Plain));
    }
    let gap = u16::from(usize::from(inner.height) > KEYS.len() + EXPLANATIONS.len());
    for (row, line) in EXPLANATIONS.into_iter().enumerate() {
        let row = (KEYS.len() + row) as u16 + gap;
        put(buffer, inner, (1, row), line, palette.ink(Tone::Plain));
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::layout::LEAST;
    use super::*;

    #[test]
    fn keys_and_help_fit_the_smallest_screen() {
        let shown = KEYS.iter().filter(|(_, word, _)| !word.is_empty());
        assert_eq!(shown.count(), usize::from(SHOWN));
        let width = width_of_keys();
        assert!(width <= LEAST.0 + 1, "{width}");
        for line in EXPLANATIONS {
            assert!(width_of(line) < LEAST.0, "{line}");
        }
        for (key, _, does) in KEYS {
            assert!(width_of(key) < 10 && width_of(does) < LEAST.0 - 11, "{key}");
        }
        // strip above, keys below, a heading
        assert!(KEYS.len() + EXPLANATIONS.len() + 5 <= usize::from(LEAST.1));
    }
}
