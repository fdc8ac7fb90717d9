//! A drawing of dots, eight to a cell: two beside, four below each other.
//!
//! In: dots with the layer they belong to. Out: cells of the Braille block, each in the style of its topmost layer.
//!
//! Does not know: what the dots mean.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Dots a cell has side by side.
pub(super) const DOTS_ACROSS: usize = 2;
/// Dots a cell has below each other.
pub(super) const DOTS_DOWN: usize = 4;

/// First character of the Braille block: no dot.
const NO_DOT: u32 = 0x2800;

/// Bits of a Braille character by row and column of the dot.
const BITS: [[u8; DOTS_ACROSS]; DOTS_DOWN] =
    [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

/// The drawing; its memory is kept from one picture to the next.
#[derive(Debug, Default)]
pub(super) struct Dots {
    cells: Vec<(u8, u8)>,
    columns: usize,
    rows: usize,
}

impl Dots {
    /// Wipes the drawing and makes it as large as an area.
    pub(super) fn reset(&mut self, area: Rect) {
        self.columns = usize::from(area.width);
        self.rows = usize::from(area.height);
        self.cells.clear();
        self.cells.resize(self.columns * self.rows, (0, 0));
    }

    /// Dots from left to right.
    pub(super) fn across(&self) -> usize {
        self.columns * DOTS_ACROSS
    }

    /// Dots from top to bottom.
    pub(super) fn down(&self) -> usize {
        self.rows * DOTS_DOWN
    }

    /// Sets a dot in a layer; outside the drawing nothing happens.
    pub(super) fn set(&mut self, x: usize, y: usize, layer: u8) {
        if x < self.across() && y < self.down() {
            let cell = &mut self.cells[y / DOTS_DOWN * self.columns + x / DOTS_ACROSS];
            cell.0 |= BITS[y % DOTS_DOWN][x % DOTS_ACROSS];
            cell.1 = cell.1.max(layer);
        }
    }

    /// Sets the dots from one column to another in a row.
    pub(super) fn run(&mut self, (from, to): (usize, usize), y: usize, layer: u8) {
        for x in from.min(to)..=from.max(to) {
            self.set(x, y, layer);
        }
    }

    /// Puts every cell that has a dot into the buffer; cells without keep what is there.
    pub(super) fn show(&self, buffer: &mut Buffer, area: Rect, style: impl Fn(u8) -> Style) {
        let visible = area.intersection(buffer.area);
        for (index, &(bits, layer)) in self.cells.iter().enumerate() {
            let x = area.x as usize + index % self.columns;
            let y = area.y as usize + index / self.columns;
            let position = (x as u16, y as u16);
            if bits == 0 || !visible.contains(position.into()) {
                continue;
            }
            let symbol = char::from_u32(NO_DOT + u32::from(bits)).unwrap_or(' ');
            if let Some(cell) = buffer.cell_mut(position) {
                cell.reset();
                cell.set_char(symbol).set_style(style(layer));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_dots_fill_a_cell_and_the_top_layer_styles_it() {
        let area = Rect::new(0, 0, 2, 1);
        let mut dots = Dots::default();
        dots.reset(area);
        for y in 0..DOTS_DOWN {
            dots.run((0, 1), y, 1);
        }
        dots.set(0, 0, 3);
        dots.set(99, 99, 3);
        let mut buffer = Buffer::empty(area);
        let seen = std::cell::Cell::new(0);
        dots.show(&mut buffer, area, |layer| {
            seen.set(layer);
            Style::new()
        });
        assert_eq!(buffer, Buffer::with_lines(["⣿ "]));
        assert_eq!(seen.get(), 3);
    }
}
