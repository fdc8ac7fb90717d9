//! The waveform: which levels occur where across the picture, left to right as on the monitor.
//!
//! Does not know: how samples are counted.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::record::{
    Live,
    live::{WAVEFORM_COLUMNS, WAVEFORM_LEVELS, Waveform},
};
use crate::units::Ire;

use super::dots::Dots;
use super::paint::{below_heading, heading, put};
use super::palette::{Palette, Tone};
use super::words;

/// Columns of the words at the left.
const WORDS: u16 = 4;

/// Rows from which the scale is marked every 25 IRE.
const FINE_SCALE_ROWS: u16 = 10;

/// Draws the panel.
pub(super) fn draw(
    dots: &mut Dots,
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    palette: Palette,
) {
    heading(buffer, area, palette, "waveform", "IRE, left to right");
    let body = below_heading(area);
    let field = Rect {
        x: body.x + WORDS.min(body.width),
        width: body.width.saturating_sub(WORDS),
        ..body
    };
    let waveform = live.waveform();
    if waveform.largest() == 0 {
        put(
            buffer,
            body,
            (0, 1),
            "no picture yet",
            palette.ink(Tone::Unsure),
        );
        return;
    }
    // marks between need rows of their own
    let between: &[(Ire, &str)] = if field.height >= FINE_SCALE_ROWS {
        &[(Ire(25.0), "25"), (Ire(50.0), "50"), (Ire(75.0), "75")]
    } else {
        &[(Ire(50.0), "50")]
    };
    for (level, word) in [(Ire(100.0), "100"), (Ire(0.0), "0")].iter().chain(between) {
        let code = words::source_code(*level, live.head().range) as u16;
        draw_landing(buffer, (body, field), (code, word), palette);
    }
    draw_counts(dots, field, waveform);
    dots.show(buffer, field, |layer| {
        palette.ink(match layer {
            DENSE => Tone::Strong,
            COMMON => Tone::Plain,
            _ => Tone::Faint,
        })
    });
}

fn draw_landing(
    buffer: &mut Buffer,
    (body, field): (Rect, Rect),
    (code, word): (u16, &str),
    palette: Palette,
) {
    let row = (255 - code) * field.height / 256;
    put(buffer, body, (0, row), word, palette.ink(Tone::Strong));
    for column in 0..field.width {
        put(buffer, field, (column, row), "┈", palette.ink(Tone::Faint));
    }
}

const RARE: u8 = 1;
const COMMON: u8 = 2;
const DENSE: u8 = 3;

/// Shares of the densest dot at which a dot counts as common and as dense, and under which it is left out.
const COMMON_SHARE: f64 = 0.12;
const DENSE_SHARE: f64 = 0.4;
const LEAST_SHARE: f64 = 0.01;

fn draw_counts(dots: &mut Dots, field: Rect, waveform: &Waveform) {
    dots.reset(field);
    let (across, down) = (dots.across(), dots.down());
    let densest = (0..across)
        .flat_map(|x| (0..down).map(move |y| (x, y)))
        .map(|(x, y)| count(waveform, (x, across), (y, down)))
        .max()
        .unwrap_or(0);
    for x in 0..across {
        for y in 0..down {
            let count = count(waveform, (x, across), (y, down));
            let share = f64::from(count) / f64::from(densest.max(1));
            if count > 0 && share >= LEAST_SHARE {
                dots.set(x, y, layer(share));
            }
        }
    }
}

fn layer(share: f64) -> u8 {
    if share >= DENSE_SHARE {
        DENSE
    } else if share >= COMMON_SHARE {
        COMMON
    } else {
        RARE
    }
}

/// The largest count under a dot; dots below are darker.
fn count(waveform: &Waveform, (x, across): (usize, usize), (y, down): (usize, usize)) -> u16 {
    let part = |index: usize, of: usize, size: usize| {
        let from = index * size / of;
        from..((index + 1) * size / of).max(from + 1)
    };
    let levels = part(down - 1 - y, down, WAVEFORM_LEVELS);
    part(x, across, WAVEFORM_COLUMNS)
        .flat_map(|column| &waveform.column(column)[levels.clone()])
        .copied()
        .max()
        .unwrap_or(0)
}
