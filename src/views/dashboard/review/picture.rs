//! A kept picture in cells: as pixels where the terminal shows them, else two coloured halves a cell.
//!
//! Does not know: which picture, or what it shows.

use image::imageops::FilterType;
use image::{DynamicImage, ImageFormat, ImageReader, Limits, RgbImage};
use ratatui::buffer::Buffer;
use ratatui::layout::{Rect, Size};
use ratatui::style::{Color, Style};
use ratatui::widgets::Widget;
use ratatui_image::Image;
use ratatui_image::protocol::Protocol;
use ratatui_image::protocol::iterm2::Iterm2;
use ratatui_image::protocol::kitty::Kitty;
use ratatui_image::protocol::sixel::Sixel;

use super::super::palette::Palette;
use super::graphics::{Graphics, Way};
use crate::record::{Exhibit, View};

/// Pixels a side that are decoded: ours have 720 at most.
const MOST_PIXELS: u32 = 2_048;

/// Densities from dark to bright, for a terminal without colours.
const DENSITIES: [char; 5] = [' ', '░', '▒', '▓', '█'];

/// Draws pictures; what was made for one size of one picture is kept until another is looked at.
pub(super) struct Painter {
    graphics: Graphics,
    palette: Palette,
    decoded: Vec<(View, Option<DynamicImage>)>,
    made: Vec<(View, Size, Made)>,
}

impl std::fmt::Debug for Painter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // pictures and protocols say nothing to a reader
        f.debug_struct("Painter")
            .field("graphics", &self.graphics)
            .finish_non_exhaustive()
    }
}

enum Made {
    Pixels(Box<Protocol>),
    Blocks(RgbImage),
}

impl Painter {
    pub(super) fn new(graphics: Graphics, palette: Palette) -> Self {
        Self {
            graphics,
            palette,
            decoded: Vec::new(),
            made: Vec::new(),
        }
    }

    /// Another event's pictures come.
    pub(super) fn forget(&mut self) {
        self.decoded.clear();
        self.made.clear();
    }

    /// Draws a picture as large as an area allows in 4:3; gives the columns it took, none where it cannot be read.
    pub(super) fn draw(&mut self, buffer: &mut Buffer, area: Rect, exhibit: &Exhibit) -> u16 {
        let size = self.fitted(area);
        if size.width == 0 || size.height == 0 {
            return 0;
        }
        let known = |made: &(View, Size, Made)| (made.0, made.1) == (exhibit.view, size);
        let at = match self.made.iter().position(known) {
            Some(at) => at,
            None => match self.make(exhibit, size) {
                Some(made) => {
                    self.made.push((exhibit.view, size, made));
                    self.made.len() - 1
                }
                None => return 0,
            },
        };
        let place = Rect {
            width: size.width,
            height: size.height,
            ..area
        };
        match &self.made[at].2 {
            Made::Pixels(protocol) => Image::new(protocol).render(place, buffer),
            Made::Blocks(pixels) => draw_blocks(buffer, place, pixels, self.palette),
        }
        size.width
    }

    /// The largest 4:3 that fits, in cells.
    fn fitted(&self, area: Rect) -> Size {
        let (across, down) = self.graphics.cell;
        let (across, down) = (f64::from(across), f64::from(down));
        let wide = f64::from(area.height) * down * 4.0 / 3.0 / across;
        let high = f64::from(area.width) * across * 3.0 / 4.0 / down;
        Size::new(
            (wide.round() as u16).min(area.width),
            (high.round() as u16).min(area.height),
        )
    }

    fn make(&mut self, exhibit: &Exhibit, size: Size) -> Option<Made> {
        let (across, down) = match self.graphics.way {
            Way::Blocks => (1, 2),
            _ => self.graphics.cell,
        };
        let (width, height) = (
            u32::from(size.width) * u32::from(across),
            u32::from(size.height) * u32::from(down),
        );
        let image = self.decoded(exhibit)?;
        let fitted = image.resize_exact(width, height, FilterType::Triangle);
        // A number for each picture and size, which the terminal keeps it by.
        let id = (exhibit.event.0 << 17)
            | (u32::from(exhibit.view == View::Before) << 16)
            | (u32::from(size.width & 0xff) << 8)
            | u32::from(size.height & 0xff);
        let protocol = match self.graphics.way {
            Way::Blocks => return Some(Made::Blocks(fitted.to_rgb8())),
            Way::Sixel => Sixel::new(fitted, size, false).map(Protocol::Sixel),
            Way::Placeholders => Kitty::new(fitted, size, id, false, false).map(Protocol::Kitty),
            Way::InlineFile => Iterm2::new(fitted, size, false).map(Protocol::ITerm2),
        };
        protocol.ok().map(|made| Made::Pixels(Box::new(made)))
    }

    fn decoded(&mut self, exhibit: &Exhibit) -> Option<&DynamicImage> {
        let known = |(view, _): &(View, _)| *view == exhibit.view;
        let at = self.decoded.iter().position(known).unwrap_or_else(|| {
            self.decoded.push((exhibit.view, decode(&exhibit.jpeg)));
            self.decoded.len() - 1
        });
        self.decoded[at].1.as_ref()
    }
}

/// A JPEG that anyone may have put into the file; `None` where it is none or far larger than ours.
fn decode(jpeg: &[u8]) -> Option<DynamicImage> {
    let mut limits = Limits::default();
    limits.max_image_width = Some(MOST_PIXELS);
    limits.max_image_height = Some(MOST_PIXELS);
    let mut reader = ImageReader::with_format(std::io::Cursor::new(jpeg), ImageFormat::Jpeg);
    reader.limits(limits);
    reader.decode().ok()
}

fn draw_blocks(buffer: &mut Buffer, place: Rect, pixels: &RgbImage, palette: Palette) {
    let visible = place.intersection(buffer.area);
    for y in 0..visible.height {
        for x in 0..visible.width {
            let at = |half: u32| pixels.get_pixel(u32::from(x), 2 * u32::from(y) + half).0;
            let (upper, lower) = (at(0), at(1));
            let Some(cell) = buffer.cell_mut((visible.x + x, visible.y + y)) else {
                continue;
            };
            cell.reset();
            if palette.is_coloured() {
                let colour = |[red, green, blue]: [u8; 3]| Color::Rgb(red, green, blue);
                cell.set_char('▀');
                cell.set_style(Style::new().fg(colour(upper)).bg(colour(lower)));
            } else {
                let bright = f64::midpoint(luma(upper), luma(lower));
                let step = (bright / 256.0 * DENSITIES.len() as f64) as usize;
                cell.set_char(DENSITIES[step.min(DENSITIES.len() - 1)]);
            }
        }
    }
}

/// Brightness by the weights of ITU-R BT.601.
fn luma([red, green, blue]: [u8; 3]) -> f64 {
    0.299 * f64::from(red) + 0.587 * f64::from(green) + 0.114 * f64::from(blue)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::EventId;
    use crate::record::testing::place;

    /// Left half black, right half white.
    fn exhibit(event: u32) -> Exhibit {
        let (width, rows) = (64_u16, 48_u16);
        let row = [[16, 128, 128]; 32]
            .into_iter()
            .chain([[235, 128, 128]; 32]);
        let samples: Vec<u8> = std::iter::repeat_n(row, rows.into())
            .flatten()
            .flatten()
            .collect();
        let mut jpeg = Vec::new();
        jpeg_encoder::Encoder::new(&mut jpeg, 90)
            .encode(&samples, width, rows, jpeg_encoder::ColorType::Ycbcr)
            .expect("plain samples");
        Exhibit {
            event: EventId(event),
            view: View::Worst,
            place: place(1),
            size: (width.into(), rows.into()),
            jpeg,
            lines: Vec::new(),
        }
    }

    fn drawn(palette: Palette, area: Rect) -> (Buffer, u16) {
        let mut painter = Painter::new(Graphics::blocks(), palette);
        let mut buffer = Buffer::empty(Rect::new(0, 0, 40, 12));
        let columns = painter.draw(&mut buffer, area, &exhibit(1));
        (buffer, columns)
    }

    #[test]
    fn a_picture_is_drawn_in_its_proportions_and_nowhere_else() {
        let area = Rect::new(2, 1, 30, 6);
        let (buffer, columns) = drawn(Palette::new(true), area);
        // 6 rows of cells twice as high as wide: 12 by 16
        assert_eq!(columns, 16);
        for y in 0..12 {
            for x in 0..40 {
                let inside = Rect { width: 16, ..area }.contains((x, y).into());
                let cell = &buffer[(x, y)];
                assert_eq!(cell.symbol() == "▀", inside, "{x} {y}");
            }
        }
        let (Color::Rgb(dark, ..), Color::Rgb(bright, ..)) =
            (buffer[(3, 3)].fg, buffer[(16, 3)].bg)
        else {
            panic!("colours");
        };
        assert!(dark < 40 && bright > 215, "{dark} {bright}");
    }

    #[test]
    fn without_colours_brightness_is_density() {
        let (buffer, _) = drawn(Palette::new(false), Rect::new(0, 0, 40, 6));
        assert_eq!(
            (buffer[(2, 2)].symbol(), buffer[(14, 2)].symbol()),
            (" ", "█")
        );
    }

    #[test]
    fn what_is_no_picture_draws_nothing() {
        let mut painter = Painter::new(Graphics::blocks(), Palette::new(true));
        let mut buffer = Buffer::empty(Rect::new(0, 0, 40, 12));
        let broken = Exhibit {
            jpeg: vec![0xff, 0xd8, 0xff, 0, 1, 2],
            ..exhibit(1)
        };
        let area = buffer.area;
        assert_eq!(painter.draw(&mut buffer, area, &broken), 0);
        assert_eq!(
            painter.draw(&mut buffer, Rect::new(0, 0, 0, 4), &exhibit(2)),
            0
        );
        assert_eq!(buffer, Buffer::empty(area));
    }

    #[test]
    fn every_way_of_a_terminal_makes_its_picture() {
        for way in [Way::Sixel, Way::Placeholders, Way::InlineFile] {
            let cell = (8, 16);
            let mut painter = Painter::new(Graphics { way, cell }, Palette::new(true));
            let mut buffer = Buffer::empty(Rect::new(0, 0, 40, 12));
            let area = Rect::new(0, 0, 20, 6);
            assert_eq!(painter.draw(&mut buffer, area, &exhibit(1)), 16);
            let sent: String = buffer
                .content
                .iter()
                .map(ratatui::buffer::Cell::symbol)
                .collect();
            let begins = match way {
                Way::Sixel => "\x1bP",
                Way::Placeholders => "\x1b_G",
                _ => "\x1b]1337;File=",
            };
            assert!(
                sent.contains(begins),
                "{way:?}: {:?}",
                &sent[..60.min(sent.len())]
            );
        }
    }
}
