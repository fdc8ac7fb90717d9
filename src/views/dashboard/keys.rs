//! The bottom line: the keys, or the text being typed, or the question before leaving; and the page of help.
//!
//! Does not know: what the keys do.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::{Clear, Widget};

use super::paint::{put, put_all, put_keys};
use super::palette::{Palette, Tone};

/// Keys and what each does, as short as the bottom line needs it and as long as the help gives it.
pub(super) const KEYS: [(&str, &str, &str); 11] = [
    ("m", "mark", "mark this moment with a note"),
    ("c", "count", "enter what the player's counter reads now"),
    ("a", "seen", "acknowledge all alarms so far"),
    (
        "r",
        "ref",
        "hold the gauges against the present readings; again: no longer",
    ),
    (
        "f",
        "hold",
        "hold the panels still; the strip, the banner and the log go on",
    ),
    ("z", "zoom", "zoom the time span: 10 s, 1 min, 10 min, 1 h"),
    (
        "v",
        "view",
        "next view: none, waveform, error so far, waves, colours (k), noise (n)",
    ),
    (
        "w",
        "wave",
        "waves down the field over time; again: slow flutter by its frequency",
    ),
    (
        "d",
        "device",
        "the device's controls: gain, brightness …; t: aid to set the tracking",
    ),
    ("?", "help", "this page"),
    ("q", "quit", "stop watching and close the pass (asks first)"),
];

/// Draws the keys; the zoom's word is the span it is at.
pub(super) fn draw_keys(buffer: &mut Buffer, area: Rect, span: &str, palette: Palette) {
    let roomy = width_of_keys(span) + 2 * KEYS.len() <= usize::from(area.width);
    let apart = if roomy { "  " } else { " " };
    let keys = KEYS.map(|(key, word, _)| (key, if key == "z" { span } else { word }));
    put_keys(buffer, area, keys, apart, palette);
}

/// Columns that keys and words take without what is between them.
fn width_of_keys(span: &str) -> usize {
    let word = |key: &str, word: &'static str| if key == "z" { span.len() } else { word.len() };
    let keys = KEYS.iter();
    keys.map(|(key, name, _)| key.len() + 1 + word(key, name))
        .sum()
}

/// Draws a text being typed.
pub(super) fn draw_entry(
    buffer: &mut Buffer,
    area: Rect,
    (asked, typed): (&str, &str),
    palette: Palette,
) {
    let hint = "  Enter keeps it, Esc drops it";
    // the end of a long text is what is being typed
    let room = usize::from(area.width.saturating_sub((asked.len() + 3) as u16));
    let skipped = typed.chars().count().saturating_sub(room);
    let shown: String = typed.chars().skip(skipped).collect();
    let column = put_all(
        buffer,
        area,
        (0, 0),
        &[
            (asked, palette.ink(Tone::Strong)),
            (" ", palette.ink(Tone::Plain)),
            (&shown, palette.ink(Tone::Plain)),
            ("▏", palette.ink(Tone::Strong)),
        ],
    );
    if usize::from(column) + hint.len() <= usize::from(area.width) {
        put(buffer, area, (column, 0), hint, palette.ink(Tone::Faint));
    }
}

/// Draws the question before leaving.
pub(super) fn draw_question(buffer: &mut Buffer, area: Rect, palette: Palette) {
    put_all(
        buffer,
        area,
        (0, 0),
        &[
            (
                "stop watching and close the pass? ",
                palette.ink(Tone::Strong),
            ),
            ("y", palette.key()),
            (" stops  any other key goes on", palette.ink(Tone::Faint)),
        ],
    );
}

const EXPLANATIONS: [&str; 6] = [
    "plumb line: each line against its place, first on top; left is early; old fades",
    "  wide and faint: uncertain; gap: no evidence; ○ bend fitted; ┈ head switch row",
    "skylines: higher is worse; solid is typical, ░ up to the worst, · no evidence",
    "● as it should be  ◆ seen by who looks for it  ▲ seen by anyone  ■ spoils it",
    "GOOD nothing wrong  LOOK see to it  STOP record this again  UNSURE cannot say",
    "an alarm keeps LOOK until seen; a lasting one becomes standing; ↑ ↓ scroll",
];

/// Draws the page of help over the panels.
pub(super) fn draw_help(buffer: &mut Buffer, area: Rect, palette: Palette) {
    Clear.render(area.intersection(buffer.area), buffer);
    super::paint::heading(buffer, area, palette, "help", "any key closes it");
    let inner = super::paint::below_heading(area);
    for (row, (key, _, does)) in KEYS.into_iter().enumerate() {
        put(buffer, inner, (1, row as u16), key, palette.key());
        put(
            buffer,
            inner,
            (4, row as u16),
            does,
            palette.ink(Tone::Plain),
        );
    }
    let gap = u16::from(inner.height > (KEYS.len() + EXPLANATIONS.len()) as u16);
    for (row, line) in EXPLANATIONS.into_iter().enumerate() {
        let row = (KEYS.len() + row) as u16 + gap;
        put(buffer, inner, (1, row), line, palette.ink(Tone::Plain));
    }
}

#[cfg(test)]
mod tests {
    use super::super::layout::{BAR, LEAST};
    use super::super::paint::width_of;
    use super::*;

    #[test]
    fn keys_and_help_fit_the_smallest_screen() {
        let keys = width_of_keys("10 min");
        assert!(keys + KEYS.len() - 1 <= usize::from(LEAST.0), "{keys}");
        for line in EXPLANATIONS {
            assert!(width_of(line) < LEAST.0, "{line}");
        }
        // strip, banner and keys stay visible beside the page and its heading, and the words of all sources above
        let rows = KEYS.len() + EXPLANATIONS.len() + 1 + usize::from(BAR);
        assert!(rows + 5 <= usize::from(LEAST.1), "{rows}");
    }
}
