//! Letters large enough for the other side of a room, drawn from cells.
//!
//! Two alphabets of our own: *heavy* for the one word of the strip (double strokes, six dots high), and *light* for its
//! reason and figures (five dots high). A dot is half a cell high, or at double size two cells wide and one high.
//!
//! Does not know: what is written with them.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// How a letter's dots become cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Size {
    /// Two dots a cell, one above the other.
    Single,
    /// Two cells a dot, side by side.
    Double,
}

/// An alphabet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Letters {
    /// Double strokes.
    Heavy,
    /// Single strokes.
    Light,
}

type Glyph = &'static [&'static str];

impl Letters {
    fn glyph(self, letter: char) -> Glyph {
        match self {
            Self::Heavy => heavy(letter),
            Self::Light => light(letter),
        }
    }
}

/// Columns a text takes, without a space after it.
#[must_use]
pub(super) fn columns_of(text: &str, letters: Letters, size: Size) -> u16 {
    let dots: usize = text
        .chars()
        .map(|letter| letters.glyph(letter)[0].len() + 1)
        .sum();
    let dots = u16::try_from(dots.saturating_sub(1)).unwrap_or(u16::MAX);
    match size {
        Size::Single => dots,
        Size::Double => dots.saturating_mul(2),
    }
}

/// Draws a text from a column and row of an area, cut at its edges; gives the column after it.
pub(super) fn draw(
    buffer: &mut Buffer,
    area: Rect,
    (column, row): (u16, u16),
    (text, letters, size): (&str, Letters, Size),
    style: Style,
) -> u16 {
    let mut dot = 0;
    for letter in text.chars() {
        let glyph = letters.glyph(letter);
        let mut pen = Pen {
            buffer,
            area,
            column,
            row,
            style,
        };
        for x in 0..glyph[0].len() {
            pen.stripe(glyph, x, dot + x, size);
        }
        dot += glyph[0].len() + 1;
    }
    column.saturating_add(columns_of(text, letters, size))
}

struct Pen<'a> {
    buffer: &'a mut Buffer,
    area: Rect,
    column: u16,
    row: u16,
    style: Style,
}

impl Pen<'_> {
    /// One column of dots of a glyph.
    fn stripe(&mut self, glyph: Glyph, x: usize, at: usize, size: Size) {
        let lit = |y: usize| glyph.get(y).is_some_and(|row| row.as_bytes()[x] == b'#');
        match size {
            Size::Single => {
                for y in (0..glyph.len()).step_by(2) {
                    let symbol = match (lit(y), lit(y + 1)) {
                        (true, true) => '█',
                        (true, false) => '▀',
                        (false, true) => '▄',
                        (false, false) => continue,
                    };
                    self.set(at, y / 2, symbol);
                }
            }
            Size::Double => {
                for y in (0..glyph.len()).filter(|&y| lit(y)) {
                    self.set(2 * at, y, '█');
                    self.set(2 * at + 1, y, '█');
                }
            }
        }
    }

    fn set(&mut self, x: usize, y: usize, symbol: char) {
        let (x, y) = (self.column as usize + x, self.row as usize + y);
        if x >= self.area.width.into() || y >= self.area.height.into() {
            return;
        }
        let position = (self.area.x + x as u16, self.area.y + y as u16);
        if let Some(cell) = self.buffer.cell_mut(position) {
            cell.set_char(symbol).set_style(self.style);
        }
    }
}

fn heavy(letter: char) -> Glyph {
    match letter {
        'D' => &["####.", "##.##", "##.##", "##.##", "##.##", "####."],
        'E' => &["#####", "##...", "####.", "##...", "##...", "#####"],
        'G' => &[".####", "##...", "##...", "##.##", "##.##", ".####"],
        'K' => &["##.##", "##.##", "####.", "####.", "##.##", "##.##"],
        'L' => &["##...", "##...", "##...", "##...", "##...", "#####"],
        'N' => &["##..##", "###.##", "######", "##.###", "##..##", "##..##"],
        'O' => &[".###.", "##.##", "##.##", "##.##", "##.##", ".###."],
        'P' => &["####.", "##.##", "##.##", "####.", "##...", "##..."],
        'R' => &["####.", "##.##", "##.##", "####.", "##.##", "##.##"],
        'S' => &[".####", "##...", ".###.", "...##", "...##", "####."],
        'T' => &["######", "..##..", "..##..", "..##..", "..##..", "..##.."],
        'U' => &["##.##", "##.##", "##.##", "##.##", "##.##", ".###."],
        _ => &["...", "...", "...", "...", "...", "..."],
    }
}

fn light(letter: char) -> Glyph {
    match letter.to_ascii_uppercase() {
        'A' => &[".#.", "#.#", "###", "#.#", "#.#"],
        'B' => &["##.", "#.#", "##.", "#.#", "##."],
        'C' => &[".##", "#..", "#..", "#..", ".##"],
        'D' => &["##.", "#.#", "#.#", "#.#", "##."],
        'E' => &["###", "#..", "##.", "#..", "###"],
        'F' => &["###", "#..", "##.", "#..", "#.."],
        'G' => &[".##", "#..", "#.#", "#.#", ".##"],
        'H' => &["#.#", "#.#", "###", "#.#", "#.#"],
        'I' => &["#", "#", "#", "#", "#"],
        'J' => &["..#", "..#", "..#", "#.#", ".#."],
        'K' => &["#.#", "#.#", "##.", "#.#", "#.#"],
        'L' => &["#..", "#..", "#..", "#..", "###"],
        'M' => &["#...#", "##.##", "#.#.#", "#...#", "#...#"],
        'N' => &["#..#", "##.#", "#.##", "#..#", "#..#"],
        'O' | '0' => &["###", "#.#", "#.#", "#.#", "###"],
        'P' => &["##.", "#.#", "##.", "#..", "#.."],
        'Q' => &["###", "#.#", "#.#", "###", "..#"],
        'R' => &["##.", "#.#", "##.", "#.#", "#.#"],
        'S' => &[".##", "#..", ".#.", "..#", "##."],
        'T' => &["###", ".#.", ".#.", ".#.", ".#."],
        'U' => &["#.#", "#.#", "#.#", "#.#", "###"],
        'V' => &["#.#", "#.#", "#.#", "#.#", ".#."],
        'W' => &["#...#", "#...#", "#.#.#", "##.##", "#...#"],
        'X' => &["#.#", "#.#", ".#.", "#.#", "#.#"],
        'Y' => &["#.#", "#.#", ".#.", ".#.", ".#."],
        'Z' => &["###", "..#", ".#.", "#..", "###"],
        '1' => &[".#", "##", ".#", ".#", ".#"],
        '2' => &["###", "..#", "###", "#..", "###"],
        '3' => &["###", "..#", "###", "..#", "###"],
        '4' => &["#.#", "#.#", "###", "..#", "..#"],
        '5' => &["###", "#..", "###", "..#", "###"],
        '6' => &["###", "#..", "###", "#.#", "###"],
        '7' => &["###", "..#", "..#", ".#.", ".#."],
        '8' => &["###", "#.#", "###", "#.#", "###"],
        '9' => &["###", "#.#", "###", "..#", "###"],
        ':' => &[".", "#", ".", "#", "."],
        ',' => &["..", "..", "..", ".#", "#."],
        '.' => &[".", ".", ".", ".", "#"],
        '-' => &["..", "..", "##", "..", ".."],
        '+' => &["...", ".#.", "###", ".#.", "..."],
        '●' => &[".###.", "#####", "#####", "#####", ".###."],
        '▲' => &["..#..", "..#..", ".###.", ".###.", "#####"],
        '■' => &["#####", "#####", "#####", "#####", "#####"],
        '?' => &["##.", "..#", ".#.", "...", ".#."],
        _ => &["..", "..", "..", "..", ".."],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_of_the_four_words_is_drawn_and_rectangular() {
        for letter in "GOODLOOKSTOPUNSURE".chars() {
            let glyph = heavy(letter);
            assert_eq!(glyph.len(), 6, "{letter}");
            assert!(
                glyph.iter().all(|row| row.len() == glyph[0].len()),
                "{letter}"
            );
            assert!(glyph.iter().any(|row| row.contains('#')), "{letter}");
        }
        for letter in ('A'..='Z').chain('0'..='9').chain(":,.-+?●▲■".chars()) {
            let glyph = light(letter);
            assert_eq!(glyph.len(), 5, "{letter}");
            assert!(
                glyph.iter().all(|row| row.len() == glyph[0].len()),
                "{letter}"
            );
            assert!(glyph.iter().any(|row| row.contains('#')), "{letter}");
        }
    }

    #[test]
    fn a_single_letter_takes_three_rows_of_cells() {
        let area = Rect::new(0, 0, 6, 3);
        let mut buffer = Buffer::empty(area);
        let text = ("L", Letters::Heavy, Size::Single);
        let end = draw(&mut buffer, area, (0, 0), text, Style::new());
        assert_eq!(buffer, Buffer::with_lines(["██    ", "██    ", "██▄▄▄ "]));
        assert_eq!(end, 5);
    }

    #[test]
    fn a_letter_is_cut_at_the_edge_of_its_area() {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 6, 6));
        let text = ("L", Letters::Heavy, Size::Double);
        draw(
            &mut buffer,
            Rect::new(0, 0, 3, 2),
            (0, 0),
            text,
            Style::new(),
        );
        let expected = ["███   ", "███   ", "      ", "      ", "      ", "      "];
        assert_eq!(buffer, Buffer::with_lines(expected));
    }
}
