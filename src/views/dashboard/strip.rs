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
    let look = Look {
        word: status.word.text(),
        reason: status.reason,
        symbol,
        ground,
        filled: status.word >= Word::Look,
        aside: if status.word == Word::Stop {
            ground
        } else {
            palette.ink(Tone::Plain)
        },
        label: if status.word == Word::Stop {
            ground
        } else {
            palette.ink(Tone::Faint)
        },
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

/// The word with a margin around it; gives the column after it.
fn draw_word(buffer: &mut Buffer, area: Rect, look: &Look, size: Size) -> u16 {
    let width = columns_of(look.word, Letters::Heavy, size) + 2;
    if look.filled {
        let ground = Rect {
            width: width.min(area.width),
            ..area
        };
        buffer.set_style(ground.intersection(buffer.area), look.ground);
    }
    let text = (look.word, Letters::Heavy, size);
    draw_letters(buffer, area, (1, 0), text, look.ground);
    width
}

fn draw_small(buffer: &mut Buffer, area: Rect, look: &Look, figures: &Figures) {
    let column = draw_word(buffer, area, look, Size::Single) + 1;
    put_all(
        buffer,
        area,
        (column, 0),
        &[
            (look.symbol, look.ground),
            (" ", look.aside),
            (look.reason, look.ground),
        ],
    );
    let (label, plain) = (look.label, look.aside);
    put_all(
        buffer,
        area,
        (column, 1),
        &[
            (figures.played_label(), label),
            (" ", plain),
            (&figures.played, plain),
            ("  lost ", label),
            (&figures.lost, plain),
            (" fields", label),
        ],
    );
    put_all(
        buffer,
        area,
        (column, 2),
        &[
            ("slip ", label),
            (&figures.slip, plain),
            (" ms  disk ", label),
            (&figures.disk, plain),
            (" h left", label),
        ],
    );
}

fn draw_large(buffer: &mut Buffer, area: Rect, look: &Look, figures: &Figures) {
    let column = draw_word(buffer, Rect { height: 6, ..area }, look, Size::Double) + 2;
    let second = column + 36;
    let mut figure = |at: (u16, u16), label: (&str, &str), digits: &str| {
        put(buffer, area, at, label.0, look.label);
        put(buffer, area, (at.0, at.1 + 1), label.1, look.label);
        let text = (digits, Letters::Light, Size::Single);
        draw_letters(buffer, area, (at.0 + 7, at.1), text, look.aside);
    };
    figure(
        (column, 0),
        (figures.played_label(), "h m s"),
        &figures.played,
    );
    figure((column, 3), ("disk", "h left"), &figures.disk);
    figure((second, 0), ("lost", "fields"), &figures.lost);
    figure((second, 3), ("slip", "ms"), &figures.slip);
    let reason = format!("{} {}", look.symbol, look.reason);
    let text = (reason.as_str(), Letters::Light, Size::Single);
    draw_letters(buffer, area, (1, 7), text, look.ground);
}
