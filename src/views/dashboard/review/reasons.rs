//! Why the verdict is what it is: its reasons by where the way out lies, what matters most first.
//!
//! Does not know: how they were found.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::paint::{below_heading, heading, put, width_of};
use super::super::palette::Tone;
use super::Review;
use super::verdict::tone;
use crate::record::Remedy;

/// Draws them, as many as there is room for.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, review: &Review) {
    let palette = review.palette;
    heading(buffer, area, palette, "why", "o opens a quantity");
    let body = below_heading(area);
    let judgement = &review.finished.judgement;
    if judgement.reasons.is_empty() {
        let said = judgement.in_a_sentence();
        put(buffer, body, (0, 0), &said, palette.ink(Tone::Faint));
        return;
    }
    let mut row = 0;
    for remedy in Remedy::ALL {
        for (at, reason) in judgement.with_remedy(remedy).enumerate() {
            if at == 0 {
                put(
                    buffer,
                    body,
                    (0, row),
                    remedy.word(),
                    palette.ink(Tone::Faint),
                );
                row += 1;
            }
            let (tone, symbol) = tone(reason.verdict);
            put(buffer, body, (0, row), symbol, palette.ink(tone));
            for line in wrapped(&reason.sentence, body.width.saturating_sub(2)) {
                put(buffer, body, (2, row), &line, palette.ink(Tone::Plain));
                row += 1;
            }
        }
    }
}

/// A text in lines of at most so many columns, broken between words where that is possible.
pub(super) fn wrapped(text: &str, width: u16) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("there is one from the start");
        let room = width_of(line) + 1 + width_of(word) <= width;
        if line.is_empty() {
            line.push_str(word);
        } else if room {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_broken_between_words_and_nothing_is_lost() {
        let text = "Wobble on 3 % of fields, worst 410 ns at 00:41:12;08.";
        let lines = wrapped(text, 20);
        assert!(lines.iter().all(|line| width_of(line) <= 20), "{lines:?}");
        assert_eq!(lines.join(" "), text);
        assert_eq!(wrapped("", 20), [""]);
    }
}
