//! The top strip: the verdict in large letters, why, and what the pass is of.
//!
//! Does not know: how the verdict came about.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::letters::{Letters, Size, columns_of, draw as draw_letters};
use super::super::paint::{fitting, put};
use super::super::palette::Tone;
use super::super::words;
use super::Review;
use crate::limits::Severity;
use crate::record::Verdict;
use crate::units::Seconds;

/// Tone and symbol of a verdict: those of the live dashboard's words.
pub(super) fn tone(verdict: Verdict) -> (Tone, &'static str) {
    match verdict {
        Verdict::Clean => (Tone::Calm, "●"),
        Verdict::Usable => (Tone::Look, "▲"),
        Verdict::Undecided => (Tone::Unsure, words::UNKNOWN),
        Verdict::Unfit => (Tone::Stop, "■"),
    }
}

/// Draws the strip.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, review: &Review) {
    let (palette, finished) = (review.palette, &review.finished);
    let verdict = finished.judgement.verdict;
    let (tone, symbol) = tone(verdict);
    let ground = palette.fill(tone);
    let word = verdict.word().to_uppercase();
    let width = columns_of(&word, Letters::Light, Size::Single) + 2;
    if matches!(verdict, Verdict::Usable | Verdict::Unfit) {
        let filled = Rect { width, ..area };
        buffer.set_style(filled.intersection(buffer.area), ground);
    }
    let text = (word.as_str(), Letters::Light, Size::Single);
    draw_letters(buffer, area, (1, 0), text, ground);
    let beside = Rect {
        x: area.x + width + 1,
        width: area.width.saturating_sub(width + 1),
        ..area
    };
    let sentence = finished.judgement.in_a_sentence();
    let first = finished.judgement.reasons.first();
    let ways = [
        format!("{symbol} {sentence}"),
        format!(
            "{symbol} {}",
            first.map_or(&sentence, |reason| &reason.sentence)
        ),
    ];
    let said = fitting(&ways, beside.width);
    put(buffer, beside, (0, 0), said, palette.ink(tone));
    put(
        buffer,
        beside,
        (0, 1),
        &what(review),
        palette.ink(Tone::Plain),
    );
    put(
        buffer,
        beside,
        (0, 2),
        &how_much(review),
        palette.ink(Tone::Faint),
    );
}

fn what(review: &Review) -> String {
    let head = review.pass.head();
    let file = review.pass.path();
    let file = file.file_name().unwrap_or(file.as_os_str());
    let file = file.to_string_lossy();
    let whole = if review.pass.closed_at().is_some() {
        ""
    } else {
        " · not closed: as far as it goes"
    };
    match &head.tape {
        Some(tape) => format!("{tape} · {file}{whole}"),
        None => format!("{file}{whole}"),
    }
}

fn how_much(review: &Review) -> String {
    let finished = &review.finished;
    let of = |severity| {
        let events = review.events.iter();
        events.filter(|event| event.severity == severity).count()
    };
    let programme = Seconds(finished.programme_fields as f64 * review.period().0);
    format!(
        "{} long, programme {} · alarms {}, notices {}",
        words::clock(review.window.length()),
        words::clock(programme),
        of(Severity::Alarm),
        of(Severity::Notice)
    )
}
