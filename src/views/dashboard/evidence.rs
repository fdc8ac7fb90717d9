//! What the timing rests on, in one sentence: what it was read from, what stands at the sides, how many lines.
//!
//! Does not know: how the evidence was judged.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::measures::line_timing::{Basis, Border, Reading, StaticError};
use crate::record::Live;

use super::paint::{fitting, put};
use super::palette::{Palette, Tone};
use super::words;

/// Draws the sentence.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    let Some(latest) = live.latest() else {
        let sentence = "? evidence: no field has come yet";
        put(buffer, area, (0, 0), sentence, palette.ink(Tone::Unsure));
        return;
    };
    let ways = sentences(&latest.line_timing);
    let tone = match latest.line_timing.basis {
        Basis::None => Tone::Unsure,
        Basis::Edge | Basis::Content => Tone::Faint,
    };
    put(
        buffer,
        area,
        (0, 0),
        fitting(&ways, area.width),
        palette.ink(tone),
    );
}

fn sentences(timing: &Reading) -> Vec<String> {
    let border = match timing.border {
        Border::Tape => "border moves with the tape",
        Border::Regenerated => "border is the chain's own, no evidence",
        Border::Absent => "no border seen",
    };
    if timing.basis == Basis::None {
        let why = timing
            .why_none
            .unwrap_or("nothing in these fields shows it");
        return vec![
            format!("{} no timing: {why}; {border}", words::UNKNOWN),
            format!("{} no timing: {why}", words::UNKNOWN),
        ];
    }
    let read = match timing.basis {
        Basis::Edge => "timing from the blanking edges",
        Basis::Content | Basis::None => "timing from the picture itself",
    };
    let share = timing.coverage.map_or(String::new(), |share| {
        format!(", {:.0} % of lines", 100.0 * share.0)
    });
    let standing = match timing.static_error {
        StaticError::Included => "; steady error is in it",
        StaticError::Removed => "; steady error taken out",
        StaticError::Unknown => "; steady error unknown",
    };
    vec![
        format!("{read}{share}; {border}{standing}"),
        format!("{read}{share}; {border}"),
        format!("{read}{share}"),
    ]
}
