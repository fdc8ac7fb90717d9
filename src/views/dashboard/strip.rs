//! The top strip: one word and why, programme time, fields lost, slip, disk time left; read from three metres.
//!
//! Quiet while all is well: only what asks for attention fills its ground. On a terminal of 120x36 or more everything is
//! in large letters; on a smaller one, whose cells are then larger themselves, the word is.
//!
//! Does not know: how the word is decided.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::record::{Live, live::Word};
use crate::units::Seconds;

use super::letters::{Letters, Size, columns_of, draw as draw_letters};
use super::paint::{put, put_all};
use super::palette::{Palette, Tone};
use super::words;

/// Rows of the strip with all in large letters.
pub(super) const LARGE_ROWS: u16 = 10;
/// Rows of the strip with the word alone in large letters.
pub(super) const SMALL_ROWS: u16 = 3;

/// Draws the strip; an area of [`LARGE_ROWS`] is drawn large.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    let status = live.status();
    let (tone, symbol) = words::word(status.word);
    let ground = palette.fill(tone);
    let whole = if status.word == Word::Stop {
        area.width
    } else {
        0
    };
    let figures = Figures::of(live);
    let stop = status.word == Word::Stop;
    let on_strip = |style| if stop { ground } else { style };
    let look = Look {
        word: status.word.text(),
        reason: status.reason,
        symbol,
        ground,
        reason_ink: on_strip(palette.ink(tone)),
        filled: status.word >= Word::Look,
        aside: on_strip(palette.ink(Tone::Plain)),
        label: on_strip(palette.ink(Tone::Faint)),
    };
    buffer.set_style(
        Rect {
            width: whole,
            ..area
        }
        .intersection(buffer.area),
        ground,
    );
    if area.height >= LARGE_ROWS {
        draw_large(buffer, area, &look, &figures);
    } else {
        draw_small(buffer, area, &look, &figures);
    }
}

struct Look {
    word: &'static str,
    reason: &'static str,
    symbol: &'static str,
    ground: Style,
    /// Of the reason in large letters, between whose strokes the strip's ground shows.
    reason_ink: Style,
    /// Whether the word's own place is filled with its colour.
    filled: bool,
    aside: Style,
    label: Style,
}

/// The four figures, each with its label.
struct Figures {
    played: String,
    lost: String,
    slip: String,
    disk: String,
    idle: bool,
}

impl Figures {
    fn of(live: &Live) -> Self {
        let totals = live.totals();
        let programme = live.programme();
        let seen = live.place().map_or(Seconds(0.0), |place| place.seconds);
        Self {
            played: words::clock(programme.map_or(seen, |time| time.played)),
            lost: totals.lost.to_string(),
            slip: totals
                .slip
                .map_or("?".into(), |slip| format!("{:.0}", slip.0)),
            disk: live
                .health()
                .disk_time_left()
                .map_or("?".into(), hours_and_minutes),
            idle: programme.is_some_and(|time| !time.running),
        }
    }

    fn played_label(&self) -> &'static str {
        if self.idle { "paused" } else { "played" }
    }
}

/// `5:20`; a disk that lasts four days or longer is no worry.
fn hours_and_minutes(left: Seconds) -> String {
    let minutes = (left.0 / 60.0) as u64;
    if minutes >= 100 * 60 {
        "99+".into()
    } else {
        format!("{}:{:02}", minutes / 60, minutes % 60)
    }
}

/// The word with a margin around it.
fn draw_word(buffer: &mut Buffer, area: Rect, look: &Look, size: Size) {
    if look.filled {
        let width = columns_of(look.word, Letters::Heavy, size) + 2;
        let ground = Rect {
            width: width.min(area.width),
            ..area
        };
        buffer.set_style(ground.intersection(buffer.area), look.ground);
    }
    let text = (look.word, Letters::Heavy, size);
    draw_letters(buffer, area, (1, 0), text, look.ground);
}

/// Where the figures begin: behind the longest word, so that they stand still when the word changes.
fn figures_column(size: Size) -> u16 {
    columns_of(Word::Unsure.text(), Letters::Heavy, size) + 3
}

fn draw_small(buffer: &mut Buffer, area: Rect, look: &Look, figures: &Figures) {
    draw_word(buffer, area, look, Size::Single);
    let column = figures_column(Size::Single);
    let (label, plain) = (look.label, look.aside);
    let rows: [&[(&str, Style)]; 3] = [
        &[
            (look.symbol, look.ground),
            (" ", plain),
            (look.reason, look.ground),
        ],
        &[
            (figures.played_label(), label),
            (" ", plain),
            (&figures.played, plain),
            ("  lost ", label),
            (&figures.lost, plain),
            (" fields", label),
        ],
        &[
            ("slip ", label),
            (&figures.slip, plain),
            (" ms  disk ", label),
            (&figures.disk, plain),
            (" h left", label),
        ],
    ];
    for (row, pieces) in rows.into_iter().enumerate() {
        put_all(buffer, area, (column, row as u16), pieces);
    }
}

/// Columns of the labels before the figures of the first and second column, and of the first's figures.
const FIRST_LABEL: u16 = 7;
const SECOND_LABEL: u16 = 5;
const FIRST_FIGURES: u16 = 24;

fn draw_large(buffer: &mut Buffer, area: Rect, look: &Look, figures: &Figures) {
    draw_word(buffer, Rect { height: 6, ..area }, look, Size::Double);
    let first = figures_column(Size::Double);
    let second = first + FIRST_LABEL + FIRST_FIGURES;
    let mut figure = |(column, row): (u16, u16), labels: [&str; 2], indent: u16, digits: &str| {
        put(buffer, area, (column, row), labels[0], look.label);
        put(buffer, area, (column, row + 1), labels[1], look.label);
        let at = (column + indent, row);
        let end = at.0 + columns_of(digits, Letters::Light, Size::Single);
        if end <= area.width {
            let text = (digits, Letters::Light, Size::Single);
            draw_letters(buffer, area, at, text, look.aside);
        } else {
            put(buffer, area, (at.0, row + 1), digits, look.aside);
        }
    };
    let played = figures.played_label();
    figure((first, 0), [played, "h m s"], FIRST_LABEL, &figures.played);
    figure((first, 3), ["disk", "h left"], FIRST_LABEL, &figures.disk);
    figure((second, 0), ["lost", ""], SECOND_LABEL, &figures.lost);
    figure((second, 3), ["slip", "ms"], SECOND_LABEL, &figures.slip);
    let reason = format!("{} {}", look.symbol, look.reason);
    let text = (reason.as_str(), Letters::Light, Size::Single);
    draw_letters(buffer, area, (1, 7), text, look.reason_ink);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The top of a large strip with such a count of lost fields.
    fn check(lost: &str, expected: &str) {
        let area = Rect::new(0, 0, 120, LARGE_ROWS);
        let mut buffer = Buffer::empty(area);
        let plain = Style::new();
        let look = Look {
            word: Word::Unsure.text(),
            reason: "",
            symbol: "?",
            ground: plain,
            reason_ink: plain,
            filled: false,
            aside: plain,
            label: plain,
        };
        let figures = Figures {
            played: "1:00:00".into(),
            lost: lost.into(),
            slip: "0".into(),
            disk: "?".into(),
            idle: false,
        };
        draw_large(&mut buffer, area, &look, &figures);
        let row: String = (106..120).map(|x| buffer[(x, 1)].symbol()).collect();
        assert_eq!(row, expected);
    }

    #[test]
    fn figures_too_wide_for_large_letters_are_written_small() {
        check("8", "     █▀█      ");
        check("88", "     █▀█ █▀█  ");
        check("8888", "     8888     ");
    }

    #[test]
    fn a_disk_that_lasts_for_days_is_no_figure_to_read() {
        assert_eq!(hours_and_minutes(Seconds(19_260.0)), "5:21");
        assert_eq!(hours_and_minutes(Seconds(1e9)), "99+");
    }
}
