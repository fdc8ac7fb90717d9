//! The page to turn the player's tracking knob by: points now and at best, large, how they went, and where the best place was.
//!
//! Does not know: how points are made.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::{Clear, Widget};

use crate::measures::tracking::HeadState;
use crate::record::{
    Live,
    live::{Quality, TrackingCourse},
};
use crate::units::Seconds;

use super::letters::{Letters, Size, columns_of, draw as draw_letters};
use super::paint::{below_heading, fitting, heading, put, put_keys};
use super::palette::{Palette, Tone};
use super::words::{self, Grade};

/// Rows of the large figures, and of the words below them.
const FIGURES: u16 = 5;
const WORDS: u16 = 3;

/// Columns before a large figure, for its word.
const LABEL: u16 = 7;

/// Columns from one figure to the next: three digits and their word.
const APART: u16 = 34;

/// Points under the best at which a grade begins: what turning the knob by a hair changes, what is seen, what is plain.
const STEPS: [f64; 3] = [3.0, 8.0, 20.0];

/// Points gained or lost that are a tendency.
const MOVES: f64 = 2.0;

/// Most columns of the chart.
const MOST_COLUMNS: usize = 512;

/// Eighths of a cell, from the lowest.
const EIGHTHS: [&str; 9] = [" ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"];

/// What the points are made of.
const LEGEND: &str =
    "points: noise, 20 to 50 dB; less 2 a dropout, less 3 a percent of band height";

/// Draws the page over the panels; the best place is sought from `since` on.
pub(super) fn draw(
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    (since, span): (Seconds, (Seconds, &str)),
    palette: Palette,
) {
    Clear.render(area.intersection(buffer.area), buffer);
    heading(
        buffer,
        area,
        palette,
        "tracking aid",
        "turn the player's knob slowly",
    );
    let inner = below_heading(area);
    let course = live.tracking();
    let (now, best) = (course.now(), course.best_since(since));
    let grade = now
        .zip(best)
        .map(|(now, best)| grade(best.points - now.points));
    let tone = grade.map_or(Tone::Unsure, Grade::tone);
    draw_figure(buffer, inner, 0, ("now", now, tone), palette);
    draw_figure(buffer, inner, APART, ("best", best, Tone::Plain), palette);
    let words = Rect {
        y: inner.y + FIGURES,
        height: inner.height.saturating_sub(FIGURES).min(WORDS),
        ..inner
    };
    draw_words(buffer, words, live, (now, best, grade), palette);
    let below = FIGURES + WORDS;
    let chart = Rect {
        x: inner.x + 1,
        y: inner.y + below,
        width: inner.width.saturating_sub(2),
        height: inner.height.saturating_sub(below + 1),
    };
    draw_course(buffer, chart, course, (best, span.0), palette);
    let foot = inner.height.saturating_sub(1);
    put(buffer, inner, (1, foot), LEGEND, palette.ink(Tone::Faint));
}

/// Draws the keys of the page.
pub(super) fn draw_keys(buffer: &mut Buffer, area: Rect, span: &str, palette: Palette) {
    let keys = [
        ("t", "seek the best place anew"),
        ("z", span),
        ("a", "seen"),
        ("Esc", "back"),
    ];
    put_keys(buffer, area, keys, "  ", palette);
}

fn grade(under: f64) -> Grade {
    match STEPS.iter().filter(|&&step| under >= step).count() {
        0 => Grade::Fine,
        1 => Grade::Slight,
        2 => Grade::Marked,
        _ => Grade::Bad,
    }
}

fn draw_figure(
    buffer: &mut Buffer,
    area: Rect,
    column: u16,
    (label, quality, tone): (&str, Option<&Quality>, Tone),
    palette: Palette,
) {
    put(
        buffer,
        area,
        (column + 1, FIGURES - 1),
        label,
        palette.ink(Tone::Faint),
    );
    let text = quality.map_or("?".into(), |quality| format!("{:.0}", quality.points));
    let letters = (text.as_str(), Letters::Light, Size::Double);
    let width = columns_of("100", Letters::Light, Size::Double);
    let free = width.saturating_sub(columns_of(&text, Letters::Light, Size::Double));
    let ink = palette.ink(tone);
    draw_letters(buffer, area, (column + LABEL + free, 0), letters, ink);
}

fn draw_words(
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    (now, best, grade): (Option<&Quality>, Option<&Quality>, Option<Grade>),
    palette: Palette,
) {
    let (Some(now), Some(best), Some(grade)) = (now, best, grade) else {
        let ways = ["? no steady picture to judge by; half a second of it is needed".to_owned()];
        let said = fitting(&ways, area.width.saturating_sub(1));
        put(buffer, area, (1, 1), said, palette.ink(Tone::Unsure));
        return;
    };
    let ago = (now.at - best.at).0;
    let tendency = match live.tracking().tendency() {
        Some(gained) if gained >= MOVES => "; getting better ↗",
        Some(gained) if gained <= -MOVES => "; getting worse ↘",
        _ => "",
    };
    let under = best.points - now.points;
    let said = match grade {
        Grade::Fine => format!("as good as at best{tendency}"),
        _ => format!("{under:.0} under the best of {ago:.1} s ago{tendency}"),
    };
    let symbol = grade.symbol();
    let column = put(buffer, area, (1, 1), symbol, palette.ink(grade.tone()));
    put(
        buffer,
        area,
        (column + 1, 1),
        &said,
        palette.ink(Tone::Strong),
    );
    let noise = now
        .noise_db
        .map_or("noise unknown".into(), |db| format!("noise {db:.1} dB"));
    let dropouts = format!("dropouts {} a field", words::tidy(now.dropouts));
    let band = if now.band_lines < 0.5 {
        "no band".to_owned()
    } else {
        format!("band of {:.0} lines", now.band_lines)
    };
    let line = format!("{noise}  {dropouts}  {band}  {}", heads(live));
    put(buffer, area, (1, 2), &line, palette.ink(Tone::Plain));
}

fn heads(live: &Live) -> &'static str {
    let heads = live.latest().and_then(|readings| readings.tracking.heads);
    match heads.map(|heads| heads.state) {
        None => "heads not compared yet",
        Some(HeadState::Alike) => "heads alike",
        Some(HeadState::TopWeak) => "head of the top fields weak",
        Some(HeadState::BottomWeak) => "head of the bottom fields weak",
        Some(HeadState::TopClogged) => "head of the top fields clogged",
        Some(HeadState::BottomClogged) => "head of the bottom fields clogged",
    }
}

/// Points over the span as towers, and a mark over the best.
fn draw_course(
    buffer: &mut Buffer,
    area: Rect,
    course: &TrackingCourse,
    (best, span): (Option<&Quality>, Seconds),
    palette: Palette,
) {
    let mut points = [None; MOST_COLUMNS];
    let points = &mut points[..MOST_COLUMNS.min(area.width.into())];
    course.columns(span, points);
    let marked = best.and_then(|best| course.column_of(best.at, span, points.len()));
    let height = area.height.saturating_sub(1);
    for (column, points) in points.iter().enumerate() {
        let Some(points) = points else { continue };
        let eighths = (points / 100.0 * 8.0 * f64::from(height)).round() as usize;
        let tone = if marked == Some(column) {
            Tone::Strong
        } else {
            Tone::Calm
        };
        for row in 0..usize::from(height) {
            let filled = eighths.saturating_sub(8 * row).min(8);
            if filled > 0 {
                let at = (column as u16, area.height - 1 - row as u16);
                put(buffer, area, at, EIGHTHS[filled], palette.ink(tone));
            }
        }
    }
    if let Some(column) = marked {
        let column = column as u16;
        put(buffer, area, (column, 0), "▼", palette.ink(Tone::Strong));
        let word = "best";
        let before = column >= area.width.saturating_sub(word.len() as u16 + 2);
        let at = if before {
            column.saturating_sub(word.len() as u16 + 1)
        } else {
            column + 2
        };
        put(buffer, area, (at, 0), word, palette.ink(Tone::Plain));
    }
}
