//! The page of the device's controls: value, bounds, what the driver starts with and what was found, with the readings that
//! they move below.
//!
//! Does not know: how a control is set.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::{Clear, Widget};

use crate::measures::{QuantityUnit, quantities};
use crate::record::{Live, live::Standing};
use crate::sources::ControlAccess;

use super::paint::{below_heading, heading, put, put_all, put_keys, width_of};
use super::palette::{Palette, Tone};
use super::words;

/// Readings that the controls move, and what is wanted of each.
const READINGS: [(&str, &str); 5] = [
    ("levels.black_ire", "16 wanted"),
    ("levels.peak_ire", "235 at most"),
    ("levels.low_clip_pct", "stuck at the lowest code"),
    ("levels.high_clip_pct", "stuck at the highest code"),
    ("chroma.saturation_rms_pct", "of full colour bars"),
];

/// Columns of name, value and bar.
const NAME: u16 = 20;
const VALUE: u16 = 8;
const BAR: u16 = 13;

/// Rows below the controls: readings with their heading, and two lines of words.
const BELOW: u16 = READINGS.len() as u16 + 3;

/// Number of the control at a place of the list; the list may have become shorter.
pub(super) fn id_at(live: &Live, selected: usize) -> Option<u32> {
    let mut standing = live.controls().standing();
    let last = standing.len().checked_sub(1)?;
    standing.nth(selected.min(last)).map(|it| it.control.id)
}

/// Draws the page over the panels.
pub(super) fn draw(
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    selected: usize,
    palette: Palette,
) {
    Clear.render(area.intersection(buffer.area), buffer);
    heading(
        buffer,
        area,
        palette,
        "levels at the device",
        "Esc closes it",
    );
    let inner = below_heading(area);
    let count = live.controls().standing().len();
    if count == 0 {
        return draw_none(buffer, inner, live, palette);
    }
    let selected = selected.min(count - 1);
    let shown = usize::from(inner.height.saturating_sub(BELOW)).max(1);
    let first = (selected + 1).saturating_sub(shown);
    let visible = live.controls().standing().skip(first).take(shown);
    let mut row = 0;
    for (at, standing) in visible.enumerate() {
        draw_control(
            buffer,
            inner,
            row,
            standing,
            first + at == selected,
            palette,
        );
        row += 1;
    }
    row = draw_readings(buffer, inner, row + 1, live, palette);
    let (words, tone) = match live.controls().trouble() {
        Some(trouble) => (trouble.to_owned(), Tone::Look),
        None => (String::new(), Tone::Plain),
    };
    put(buffer, inner, (1, row), &words, palette.ink(tone));
    let left = if live.finding().is_some() {
        "Levels are being found: on quitting, all is set back as it was found."
    } else {
        "On quitting, the device stays as it is set then."
    };
    put(buffer, inner, (1, row + 1), left, palette.ink(Tone::Faint));
}

fn draw_none(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    let said = [
        format!("{} has no controls of its levels.", live.head().source),
        "Brightness, contrast and the like are set at the player, the box or the program"
            .to_owned(),
        "that made the file, where there are any.".to_owned(),
    ];
    for (row, line) in said.iter().enumerate() {
        put(
            buffer,
            area,
            (1, row as u16),
            line,
            palette.ink(Tone::Plain),
        );
    }
    draw_readings(buffer, area, said.len() as u16 + 1, live, palette);
}

fn draw_control(
    buffer: &mut Buffer,
    area: Rect,
    row: u16,
    standing: Standing<'_>,
    selected: bool,
    palette: Palette,
) {
    let control = standing.control;
    let mark = if selected { "▸ " } else { "  " };
    let changed = standing.found.is_some_and(|found| found != control.value);
    let ink = palette.ink(match (selected, changed) {
        (true, _) => Tone::Strong,
        (false, true) => Tone::Look,
        (false, false) => Tone::Plain,
    });
    let value = match standing.wanted {
        Some(wanted) if control.is_switch() => format!("{}…", switch(wanted)),
        Some(wanted) => format!("{wanted}…"),
        None => control.value.clone(),
    };
    let line = Rect {
        y: area.y + row,
        height: u16::from(row < area.height),
        ..area
    };
    put_all(
        buffer,
        Rect {
            width: NAME,
            ..line
        },
        (0, 0),
        &[(mark, ink), (&control.name, ink)],
    );
    let start = NAME + (VALUE).saturating_sub(width_of(&value));
    put(buffer, line, (start, 0), &value, ink);
    if !control.is_switch() {
        let setting = standing.wanted.unwrap_or(control.setting);
        let bar = bar(setting, (control.minimum, control.maximum));
        put(
            buffer,
            line,
            (NAME + VALUE + 2, 0),
            &bar,
            palette.ink(Tone::Faint),
        );
    }
    let beside = beside(standing, changed);
    let column = NAME + VALUE + BAR + 4;
    put(buffer, line, (column, 0), &beside, palette.ink(Tone::Faint));
}

/// Bounds, what the driver starts with, what was found where that is not what stands, and why it cannot be moved.
fn beside(standing: Standing<'_>, changed: bool) -> String {
    let control = standing.control;
    let mut said = if control.is_switch() {
        format!("usually {}", switch(control.default))
    } else {
        format!(
            "{} to {}, usually {}",
            control.minimum, control.maximum, control.default
        )
    };
    if let Some(found) = standing.found.filter(|_| changed) {
        said.push_str("; found ");
        said.push_str(found);
    }
    match control.access {
        ControlAccess::Free => {}
        ControlAccess::Idle => said.push_str("; idle"),
        ControlAccess::Held => said.push_str("; held"),
    }
    said
}

fn switch(value: i64) -> &'static str {
    if value == 0 { "off" } else { "on" }
}

/// Where a value stands between its bounds.
fn bar(value: i64, (minimum, maximum): (i64, i64)) -> String {
    let span = (maximum as f64 - minimum as f64).max(1.0);
    let share = (value as f64 - minimum as f64) / span;
    let at = (share.clamp(0.0, 1.0) * f64::from(BAR - 1)).round() as u16;
    (0..BAR)
        .map(|column| if column == at { '●' } else { '─' })
        .collect()
}

/// What the controls move; gives the row after it.
fn draw_readings(
    buffer: &mut Buffer,
    area: Rect,
    mut row: u16,
    live: &Live,
    palette: Palette,
) -> u16 {
    for (id, wanted) in READINGS {
        let Some(quantity) = quantities().find(|quantity| quantity.id == id) else {
            continue;
        };
        let value = live.latest().and_then(|readings| (quantity.read)(readings));
        let said = match (
            value.and_then(crate::measures::Value::number),
            quantity.unit,
        ) {
            (None, _) => "not measured".to_owned(),
            (Some(value), QuantityUnit::Ire) => words::level(value, wanted),
            (Some(value), QuantityUnit::Pct) => format!("{} %, {wanted}", words::tidy(value)),
            (Some(value), _) => format!("{}, {wanted}", words::tidy(value)),
        };
        put(
            buffer,
            area,
            (2, row),
            quantity.label,
            palette.ink(Tone::Faint),
        );
        put(
            buffer,
            area,
            (NAME + 2, row),
            &said,
            palette.ink(Tone::Plain),
        );
        row += 1;
    }
    row
}

/// Keys of the page.
const KEYS: [(&str, &str); 5] = [
    ("↑ ↓", "select"),
    ("← →", "step"),
    ("PgUp PgDn", "ten steps"),
    ("o", "set all as found"),
    ("Esc", "back"),
];

/// Draws the page's keys in the bottom line.
pub(super) fn draw_keys(buffer: &mut Buffer, area: Rect, palette: Palette) {
    put_keys(buffer, area, KEYS, "  ", palette);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_shows_where_a_value_stands() {
        assert_eq!(bar(0, (0, 255)), "●────────────");
        assert_eq!(bar(0, (-128, 127)), "──────●──────");
        assert_eq!(bar(255, (0, 255)), "────────────●");
        assert_eq!(bar(300, (0, 255)), "────────────●");
        assert_eq!(bar(7, (7, 7)), "●────────────");
        assert_eq!(bar(0, (i64::MIN, i64::MAX)), "──────●──────");
    }

    #[test]
    fn readings_are_quantities_that_exist_or_are_still_to_come() {
        let known = READINGS
            .iter()
            .filter(|(id, _)| quantities().any(|it| it.id == *id));
        assert!(known.count() >= 4);
    }
}
