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
        Border::Regenerated => "border re-inserted by the chain",
        Border::Absent => "no border in view",
    };
    if timing.basis == Basis::None {
        let why = timing
            .why_none
            .unwrap_or("nothing in these fields shows it");
        let short = format!("{} no timing: {why}", words::UNKNOWN);
        // what is said of the border already is not said twice
        let told = why.contains("border");
        let whole = (!told).then(|| format!("{short}; {border}"));
        return whole.into_iter().chain([short]).collect();
    }
    let read = match timing.basis {
        Basis::Edge => "measured at its edges",
        Basis::Content | Basis::None => "measured in the picture",
    };
    let share = timing.coverage.map_or(String::new(), |share| {
        format!(", {:.0} % of lines", 100.0 * share.0)
    });
    let constant = match timing.static_error {
        StaticError::Included => "constant error in it",
        StaticError::Removed => "constant error removed",
        StaticError::Unknown => "constant error unknown",
    };
    vec![
        format!("{border}: {read}{share}; {constant}"),
        format!("{border}: {read}; {constant}"),
        format!("{border}: {read}"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Ratio;

    fn said(basis: Basis, border: Border, static_error: StaticError, room: u16) -> String {
        let timing = Reading {
            basis,
            border,
            static_error,
            coverage: Some(Ratio(0.874)),
            ..Reading::default()
        };
        fitting(&sentences(&timing), room).to_owned()
    }

    #[test]
    fn a_border_of_the_chain_and_what_is_not_known_are_said_in_words() {
        let picture = (Basis::Content, Border::Regenerated, StaticError::Unknown);
        let said = |room| said(picture.0, picture.1, picture.2, room);
        assert_eq!(
            said(80),
            "border re-inserted by the chain: measured in the picture; constant error unknown"
        );
        assert_eq!(
            said(120),
            "border re-inserted by the chain: measured in the picture, 87 % of lines; constant error unknown"
        );
    }

    #[test]
    fn without_timing_the_border_is_told_once() {
        let said = |why| {
            let timing = Reading {
                border: Border::Regenerated,
                why_none: Some(why),
                ..Reading::default()
            };
            fitting(&sentences(&timing), 80).to_owned()
        };
        assert_eq!(
            said("border put there by the chain"),
            "? no timing: border put there by the chain"
        );
        assert_eq!(
            said("no picture"),
            "? no timing: no picture; border re-inserted by the chain"
        );
    }

    #[test]
    fn every_kind_of_evidence_fits_the_smallest_screen_with_its_constant_error() {
        for basis in [Basis::Edge, Basis::Content] {
            for border in [Border::Tape, Border::Regenerated, Border::Absent] {
                for constant in [
                    StaticError::Included,
                    StaticError::Removed,
                    StaticError::Unknown,
                ] {
                    let said = said(basis, border, constant, 80);
                    assert!(said.contains("constant error"), "{said}");
                }
            }
        }
    }
}
