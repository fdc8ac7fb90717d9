//! A picture larger than the frame, drawn once, that a camera then moves over.
//!
//! In: colours, by area and by shape ([`Sketch`]). Out: a [`Canvas`] that is sampled line by line along any straight path.
//! Two columns a luma sample, and smoothed, so that interpolating linearly between columns adds no visible error. It repeats
//! sideways; above and below, its first and last rows go on.
//!
//! Does not know: cameras, time, the tape.

use super::font::glyph;

/// Columns: two a sample, 1024 samples.
pub(super) const COLUMNS: usize = 2048;
/// Rows, in rows of a frame: 576 and room to tilt.
pub(super) const ROWS: usize = 768;
/// Width in samples of the frame.
pub(super) const WIDTH: f32 = 1024.0;
/// Height in rows of the frame.
pub(super) const HEIGHT: f32 = ROWS as f32;
/// Chroma: one column every two samples, one row every two.
const CHROMA_COLUMNS: usize = COLUMNS / 4;
const CHROMA_ROWS: usize = ROWS / 2;
/// Stored luma of peak level: leaves room for brighter and, from [`LUMA_ZERO`], darker.
const LUMA_ONE: f32 = 44_000.0;
const LUMA_ZERO: f32 = 8_000.0;
/// Stored chroma of a colour difference of 1: half of that fits.
const CHROMA_ONE: f32 = 250.0;

/// A colour as luma (0 black, 1 peak) and colour differences (-0.5 to 0.5).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Colour {
    pub(super) luma: f32,
    pub(super) cb: f32,
    pub(super) cr: f32,
}

impl Colour {
    /// From red, green and blue (BT.601-5 §3.2).
    pub(super) fn rgb(red: f32, green: f32, blue: f32) -> Self {
        let luma = 0.299 * red + 0.587 * green + 0.114 * blue;
        Self {
            luma,
            cb: 0.564 * (blue - luma),
            cr: 0.713 * (red - luma),
        }
    }

    pub(super) fn grey(luma: f32) -> Self {
        Self {
            luma,
            cb: 0.0,
            cr: 0.0,
        }
    }

    /// The same hue, brighter or darker.
    pub(super) fn times(self, factor: f32) -> Self {
        Self {
            luma: self.luma * factor,
            cb: self.cb * factor,
            cr: self.cr * factor,
        }
    }

    /// The same colour with other luma.
    pub(super) fn lit(self, added: f32) -> Self {
        Self {
            luma: self.luma + added,
            ..self
        }
    }

    /// `share` of the other mixed in.
    pub(super) fn mixed(self, other: Self, share: f32) -> Self {
        let mix = |a: f32, b: f32| a + (b - a) * share;
        Self {
            luma: mix(self.luma, other.luma),
            cb: mix(self.cb, other.cb),
            cr: mix(self.cr, other.cr),
        }
    }
}

/// A colour as it is stored: an evening's pictures shall fit into some thirty megabytes.
#[derive(Clone, Copy, Debug, Default)]
struct Pixel {
    luma: u16,
    chroma: [i8; 2],
}

impl From<Colour> for Pixel {
    fn from(colour: Colour) -> Self {
        let chroma = |difference: f32| (difference * CHROMA_ONE).round() as i8;
        Self {
            luma: (colour.luma * LUMA_ONE + LUMA_ZERO) as u16,
            chroma: [chroma(colour.cb), chroma(colour.cr)],
        }
    }
}

impl From<Pixel> for Colour {
    fn from(pixel: Pixel) -> Self {
        Self {
            luma: (f32::from(pixel.luma) - LUMA_ZERO) / LUMA_ONE,
            cb: f32::from(pixel.chroma[0]) / CHROMA_ONE,
            cr: f32::from(pixel.chroma[1]) / CHROMA_ONE,
        }
    }
}

/// A canvas being drawn.
#[derive(Debug)]
pub(super) struct Sketch {
    pixels: Vec<Pixel>,
}

impl Sketch {
    /// Each point's colour by its place: samples from the left, rows from the top.
    pub(super) fn new(colour: impl Fn(f32, f32) -> Colour) -> Self {
        let pixels = (0..ROWS * COLUMNS)
            .map(|index| colour((index % COLUMNS) as f32 / 2.0, (index / COLUMNS) as f32).into())
            .collect();
        Self { pixels }
    }

    /// Recolours what lies in a rectangle; `colour` gets the place and what is there.
    pub(super) fn area(
        &mut self,
        (left, top): (f32, f32),
        (width, height): (f32, f32),
        colour: impl Fn(f32, f32, Colour) -> Option<Colour>,
    ) {
        let rows = (top.max(0.0) as usize)..((top + height).clamp(0.0, HEIGHT) as usize);
        let first = (left * 2.0).floor() as i32;
        for row in rows {
            for column in first..first + (width * 2.0) as i32 {
                // COLUMNS is a power of two: this wraps negative columns too.
                let wrapped = column as usize % COLUMNS;
                let pixel = &mut self.pixels[row * COLUMNS + wrapped];
                if let Some(new) = colour(column as f32 / 2.0, row as f32, (*pixel).into()) {
                    *pixel = new.into();
                }
            }
        }
    }

    /// An ellipse; `colour` gets the place relative to the middle, in radii.
    pub(super) fn ellipse(
        &mut self,
        (x, y): (f32, f32),
        (wide, high): (f32, f32),
        colour: impl Fn(f32, f32) -> Colour,
    ) {
        self.area(
            (x - wide, y - high),
            (2.0 * wide, 2.0 * high),
            |px, py, _| {
                let (across, down) = ((px - x) / wide, (py - y) / high);
                (across * across + down * down < 1.0).then(|| colour(across, down))
            },
        );
    }

    /// A convex polygon, corners clockwise.
    pub(super) fn polygon(&mut self, corners: &[(f32, f32)], colour: Colour) {
        let bound = |pick: fn(&(f32, f32)) -> f32, best: fn(f32, f32) -> f32| {
            corners.iter().map(pick).reduce(best).unwrap_or(0.0)
        };
        let (left, right) = (bound(|c| c.0, f32::min), bound(|c| c.0, f32::max));
        let (top, bottom) = (bound(|c| c.1, f32::min), bound(|c| c.1, f32::max));
        let inside = |x: f32, y: f32| {
            let following = corners.iter().cycle().skip(1);
            corners.iter().zip(following).all(|(from, to)| {
                (to.0 - from.0) * (y - from.1) - (to.1 - from.1) * (x - from.0) >= 0.0
            })
        };
        self.area((left, top), (right - left, bottom - top), |x, y, _| {
            inside(x, y).then_some(colour)
        });
    }

    /// A line of capitals; a dot of the letter is `dot` samples wide and high.
    pub(super) fn text(&mut self, (x, y): (f32, f32), dot: f32, text: &str, colour: Colour) {
        for (index, letter) in text.chars().enumerate() {
            let left = x + index as f32 * 6.0 * dot;
            let rows = glyph(letter);
            self.area((left, y), (5.0 * dot, 7.0 * dot), |px, py, _| {
                let row = rows[(((py - y) / dot) as usize).min(6)];
                let column = (((px - left) / dot) as u32).min(4);
                (row >> (4 - column) & 1 == 1).then_some(colour)
            });
        }
    }

    /// Recolours everything.
    pub(super) fn all(&mut self, colour: impl Fn(f32, f32, Colour) -> Colour) {
        self.area((0.0, 0.0), (WIDTH, HEIGHT), |x, y, old| {
            Some(colour(x, y, old))
        });
    }

    /// The finished canvas: smoothed as a camera's lens and line scan would.
    pub(super) fn finish(self) -> Canvas {
        let mut luma: Vec<u16> = self.pixels.iter().map(|pixel| pixel.luma).collect();
        smooth_rows(&mut luma);
        smooth_rows(&mut luma);
        smooth_columns(&mut luma);
        Canvas {
            luma,
            chroma: self.chroma(),
        }
    }

    fn chroma(&self) -> Vec<[i8; 2]> {
        let mut chroma = Vec::with_capacity(CHROMA_COLUMNS * CHROMA_ROWS);
        for row in 0..CHROMA_ROWS {
            for column in 0..CHROMA_COLUMNS {
                let mut sum = [0_i32; 2];
                for part in 0..8 {
                    let at = (2 * row + part / 4) * COLUMNS + 4 * column + part % 4;
                    let [cb, cr] = self.pixels[at].chroma.map(i32::from);
                    sum = [sum[0] + cb, sum[1] + cr];
                }
                chroma.push(sum.map(|sum| (sum / 8) as i8));
            }
        }
        chroma
    }
}

/// Weights 1, 2, 1.
fn smoothed(before: u16, here: u16, after: u16) -> u16 {
    let sum = u32::from(before) + 2 * u32::from(here) + u32::from(after);
    ((sum + 2) / 4) as u16
}

/// Smooths along each row, around its ends.
fn smooth_rows(luma: &mut [u16]) {
    let (rows, _) = luma.as_chunks_mut::<COLUMNS>();
    for row in rows {
        let first = row[0];
        let mut before = row[COLUMNS - 1];
        for column in 0..COLUMNS {
            let after = if column + 1 < COLUMNS {
                row[column + 1]
            } else {
                first
            };
            let here = row[column];
            row[column] = smoothed(before, here, after);
            before = here;
        }
    }
}

/// Smooths down each column: without it, fine detail would flicker from field to field.
fn smooth_columns(luma: &mut [u16]) {
    let mut before: Vec<u16> = luma[..COLUMNS].to_vec();
    for row in 0..ROWS - 1 {
        let (upper, lower) = luma.split_at_mut((row + 1) * COLUMNS);
        let here = &mut upper[row * COLUMNS..];
        for ((here, before), below) in here.iter_mut().zip(&mut before).zip(lower) {
            let old = *here;
            *here = smoothed(*before, old, *below);
            *before = old;
        }
    }
}

/// A straight path over a canvas: where the first sample lies, and the way from each to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Path {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) step_x: f64,
    pub(super) step_y: f64,
}

/// A finished picture.
#[derive(Debug)]
pub(super) struct Canvas {
    luma: Vec<u16>,
    chroma: Vec<[i8; 2]>,
}

/// Fixed-point places: 16 bits of fraction.
const FRACTION: i32 = 16;

fn fixed(value: f64) -> i32 {
    (value * f64::from(1 << FRACTION)) as i32
}

/// A place along one axis in fixed point, as a whole place and 256ths.
fn parts(at: i32) -> (i32, i32) {
    (at >> FRACTION, at >> (FRACTION - 8) & 255)
}

/// Between two stored values, by 256ths.
fn between(a: i32, b: i32, share: i32) -> i32 {
    a + (((b - a) * share) >> 8)
}

impl Canvas {
    /// Luma along a path, as `black + gain · level`.
    pub(super) fn luma_line(&self, path: Path, (black, gain): (f32, f32), out: &mut [f32]) {
        let scale = gain / LUMA_ONE;
        let offset = black - LUMA_ZERO * scale;
        let mut x = fixed((path.x * 2.0).rem_euclid(COLUMNS as f64));
        let mut y = fixed(path.y);
        let (step_x, step_y) = (fixed(path.step_x * 2.0), fixed(path.step_y));
        let last = fixed(ROWS as f64 - 1.0);
        for sample in out {
            // One row short of the end, so that a row below exists; its share reaches 255/256.
            let (row, down) = parts(y.clamp(0, last - 1));
            let (column, across) = parts(x);
            let column = column as usize % COLUMNS;
            let next = (column + 1) % COLUMNS;
            let start = row as usize * COLUMNS;
            let pair = &self.luma[start..start + 2 * COLUMNS];
            let level = |at: usize| i32::from(pair[at]);
            let upper = between(level(column), level(next), across);
            let lower = between(level(column + COLUMNS), level(next + COLUMNS), across);
            *sample = between(upper, lower, down) as f32 * scale + offset;
            x = x.wrapping_add(step_x);
            y = y.wrapping_add(step_y);
        }
    }

    /// Both colour differences along a path, times `gain`.
    pub(super) fn chroma_line(&self, path: Path, gain: f32, cb: &mut [f32], cr: &mut [f32]) {
        let scale = gain / (256.0 * CHROMA_ONE);
        // A chroma sample is the mean of four columns and two rows, and stands in their middle.
        let mut x = fixed((path.x / 2.0 - 0.375).rem_euclid(CHROMA_COLUMNS as f64));
        let mut y = fixed(path.y / 2.0 - 0.25);
        let (step_x, step_y) = (fixed(path.step_x / 2.0), fixed(path.step_y / 2.0));
        let last = fixed(CHROMA_ROWS as f64 - 1.0);
        for (cb, cr) in cb.iter_mut().zip(cr) {
            let (row, down) = parts(y.clamp(0, last - 1));
            let (column, across) = parts(x);
            let column = column as usize % CHROMA_COLUMNS;
            let next = (column + 1) % CHROMA_COLUMNS;
            let start = row as usize * CHROMA_COLUMNS;
            let pair = &self.chroma[start..start + 2 * CHROMA_COLUMNS];
            let corners =
                [column, next, column + CHROMA_COLUMNS, next + CHROMA_COLUMNS].map(|at| pair[at]);
            let mix = |part: usize| {
                // Eight more bits, or mixing would round to whole steps.
                let [a, b, c, d] = corners.map(|corner| i32::from(corner[part]) << 8);
                between(between(a, b, across), between(c, d, across), down) as f32 * scale
            };
            *cb = mix(0);
            *cr = mix(1);
            x = x.wrapping_add(step_x);
            y = y.wrapping_add(step_y);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gradient_is_sampled_where_the_path_leads() {
        let canvas = Sketch::new(|x, y| Colour::grey(0.1 + x / 2048.0 + y / 2048.0)).finish();
        let mut out = [0.0; 100];
        let path = Path {
            x: 100.25,
            y: 50.5,
            step_x: 1.5,
            step_y: 0.25,
        };
        canvas.luma_line(path, (16.0, 219.0), &mut out);
        for (n, &code) in out.iter().enumerate() {
            let n = n as f32;
            let level = 0.1 + (100.25 + 1.5 * n + 50.5 + 0.25 * n) / 2048.0;
            assert!((code - (16.0 + 219.0 * level)).abs() < 0.03, "{n}: {code}");
        }
    }

    #[test]
    fn the_canvas_goes_on_sideways_and_ends_above_and_below() {
        let canvas = Sketch::new(|x, _| Colour::grey(if x < 512.0 { 0.2 } else { 0.8 })).finish();
        let mut out = [0.0; 1];
        let mut at = |x: f64, y: f64| {
            let path = Path {
                x,
                y,
                step_x: 1.0,
                step_y: 0.0,
            };
            canvas.luma_line(path, (0.0, 1.0), &mut out);
            out[0]
        };
        assert!((at(100.0 + 1024.0, -50.0) - 0.2).abs() < 1e-3);
        assert!((at(-100.0, 5000.0) - 0.8).abs() < 1e-3);
    }
}
