//! The levels as an upright ladder: what share of the picture stands at which height between two landings.
//!
//! The landings are nominal white (code 235) and nominal black (code 16), named in words; above the one and below the
//! other is a step of its own for what lies beyond. Arrows show measured peak and black. Codes on screen are of the studio
//! scale, whatever the source's own.
//!
//! Does not know: how levels are measured.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Modifier;

use crate::measures::levels::Reading;
use crate::record::Live;
use crate::units::{CodeRange, Ire, LumaCode, Percent};

use super::paint::{below_heading, heading, put};
use super::palette::{Palette, Tone};
use super::words;

/// Columns of the words beside the ladder.
const WORDS: u16 = 9;

/// Area beyond a landing that is worth a warning: overshoot of edges alone stays under it (common practice, no source).
const BEYOND_WARNS: f64 = 1.0;

/// Draws the ladder.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    heading(buffer, area, palette, "levels", "");
    let area = below_heading(area);
    let Some(latest) = live.latest().filter(|_| area.height >= 4) else {
        return;
    };
    let ladder = Ladder::of(&latest.levels, live.head().range, area);
    for row in 0..area.height {
        ladder.draw_rung(buffer, area, row, palette);
    }
}

struct Ladder<'a> {
    reading: &'a Reading,
    range: CodeRange,
    rows: u16,
    /// Largest share of any step between the landings.
    largest: f64,
    bars: u16,
}

impl<'a> Ladder<'a> {
    fn of(reading: &'a Reading, range: CodeRange, area: Rect) -> Self {
        let mut ladder = Self {
            reading,
            range,
            rows: area.height,
            largest: 1.0,
            bars: area.width.saturating_sub(WORDS + 2),
        };
        ladder.largest = (1..ladder.rows - 1)
            .map(|row| ladder.share(row))
            .fold(1.0, f64::max);
        ladder
    }

    /// Codes of a row in the source's range, lowest first, and one beyond the last.
    fn codes(&self, row: u16) -> (usize, usize) {
        let (LumaCode(black), LumaCode(white)) = self.range.black_and_peak();
        let (black, above_white) = (black as usize, white as usize + 1);
        if row == 0 {
            return (above_white, 256);
        }
        if row + 1 >= self.rows {
            return (0, black);
        }
        let (steps, from_top) = (usize::from(self.rows - 2), usize::from(row - 1));
        let edge = |step: usize| above_white - (above_white - black) * step / steps;
        (edge(from_top + 1), edge(from_top))
    }

    fn share(&self, row: u16) -> f64 {
        let (from, to) = self.codes(row);
        self.reading.ladder[from..to]
            .iter()
            .map(|&count| f64::from(count))
            .sum()
    }

    fn holds(&self, row: u16, level: Ire) -> bool {
        let (from, to) = self.codes(row);
        let code = words::source_code(level, self.range).clamp(0.0, 255.0);
        code >= from as f64 && code < to as f64
    }

    fn draw_rung(&self, buffer: &mut Buffer, area: Rect, row: u16, palette: Palette) {
        let (words, tone) = self.words(row);
        let beyond = row == 0 || row + 1 == self.rows;
        let bar_tone = if beyond { tone } else { Tone::Calm };
        put(buffer, area, (0, row), "│", palette.ink(Tone::Faint));
        // the root lets small shares show beside large ones
        let eighths = (self.share(row) / self.largest).sqrt().min(1.0) * f64::from(self.bars) * 8.0;
        put(
            buffer,
            area,
            (1, row),
            &bar(eighths as usize),
            palette.ink(bar_tone),
        );
        put(
            buffer,
            area,
            (self.bars + 2, row),
            &words,
            palette.ink(tone),
        );
        if row == 0 || row + 2 == self.rows {
            underline(buffer, area, row);
        }
    }

    fn words(&self, row: u16) -> (String, Tone) {
        let reading = self.reading;
        if row == 0 {
            return beyond("over", reading.above_peak);
        }
        if row + 1 == self.rows {
            return beyond("under", reading.below_black);
        }
        if row == 1 {
            return ("white 235".into(), Tone::Strong);
        }
        if row + 2 == self.rows {
            return ("black 16".into(), Tone::Strong);
        }
        let here = |level: Option<crate::units::Estimate<Ire>>| {
            level.is_some_and(|level| self.holds(row, level.value))
        };
        let arrow = match (here(reading.peak), here(reading.black), here(reading.mean)) {
            (true, _, _) => "◂ peak",
            (_, true, _) => "◂ black",
            (_, _, true) => "◂ mean",
            _ => "",
        };
        (arrow.into(), Tone::Plain)
    }
}

fn beyond(side: &str, share: Option<Percent>) -> (String, Tone) {
    match share {
        None => (side.into(), Tone::Faint),
        Some(share) if share.0 >= BEYOND_WARNS => (format!("{side} {:.0}%", share.0), Tone::Look),
        Some(share) if share.0 > 0.0 => (format!("{side} <1%"), Tone::Faint),
        Some(_) => (format!("{side} 0%"), Tone::Faint),
    }
}

/// A landing: the row above it is underlined from rail to word.
fn underline(buffer: &mut Buffer, area: Rect, row: u16) {
    let line = Rect {
        y: area.y + row,
        height: 1,
        ..area
    };
    let visible = line.intersection(buffer.area);
    for x in visible.left()..visible.right() {
        if let Some(cell) = buffer.cell_mut((x, line.y)) {
            cell.modifier.insert(Modifier::UNDERLINED);
        }
    }
}

/// A bar of so many eighths of a column.
fn bar(eighths: usize) -> String {
    const PART: [&str; 8] = ["", "▏", "▎", "▍", "▌", "▋", "▊", "▉"];
    "█".repeat(eighths / 8) + PART[eighths % 8]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(range: CodeRange, landings: (usize, usize)) {
        let reading = Reading::default();
        for height in [4, 5, 11, 17, 40, 300] {
            let ladder = Ladder::of(&reading, range, Rect::new(0, 0, 20, height));
            let mut above = 256;
            for row in 0..height {
                let (from, to) = ladder.codes(row);
                assert_eq!(to, above, "{range:?} {height} row {row}");
                above = from;
            }
            assert_eq!(above, 0);
            assert_eq!((ladder.codes(0).0, ladder.codes(height - 1).1), landings);
        }
    }

    #[test]
    fn every_code_stands_on_one_row_and_the_landings_are_nominal() {
        check(CodeRange::Studio, (236, 16));
        check(CodeRange::Full, (256, 0));
    }
}
