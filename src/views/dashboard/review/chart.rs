//! A quantity over the stretch on the screen: its median and its worst, and the limits on it.
//!
//! Does not know: what the quantity means.

use std::ops::Range;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::dots::{DOTS_ACROSS, Dots};
use super::super::paint::{below_heading, heading, put, width_of};
use super::super::palette::Tone;
use super::{Review, rows};
use crate::measures::{Better, Quantity};
use crate::record::{Band, Pass, RecordError, Timeline};

/// What a chart is of: place of the quantity, seconds, columns.
pub(super) type Key = (usize, Range<u64>, u16);

/// Layers of the drawing; the higher covers.
const CURSOR: u8 = 1;
const LIMIT: u8 = 2;
const WORST: u8 = 3;
const MEDIAN: u8 = 4;

/// A quantity over a stretch.
#[derive(Debug)]
pub(super) struct Chart {
    key: Key,
    timeline: Timeline,
    decimals: usize,
}

impl Chart {
    pub(super) fn read(pass: &Pass, key: Key) -> Result<Self, RecordError> {
        let (place, seconds, columns) = key.clone();
        let steps = usize::from(columns) * DOTS_ACROSS;
        Ok(Self {
            timeline: pass.timeline(place, seconds, steps)?,
            decimals: pass.decimals(place).min(3),
            key,
        })
    }

    pub(super) fn key(&self) -> Key {
        self.key.clone()
    }

    /// Draws it under a heading.
    pub(super) fn draw(&self, buffer: &mut Buffer, area: Rect, review: &Review) {
        let palette = review.palette;
        let quantity = review.pass.catalogue()[self.key.0];
        let unit = quantity.unit.symbol();
        let title = match unit {
            "" => quantity.label.to_owned(),
            unit => format!("{}, {unit}", quantity.label),
        };
        heading(buffer, area, palette, &title, "━ median ┄ worst");
        let body = below_heading(area);
        let plot = Rect {
            x: body.x + (area.width - rows::columns(area)),
            width: rows::columns(area),
            ..body
        };
        let Some(range) = self.range(review) else {
            let said = if quantity.words.is_empty() {
                "not measurable anywhere in this stretch"
            } else {
                "this one says words: its minutes are in the rows above"
            };
            put(buffer, body, (2, 0), said, palette.ink(Tone::Unsure));
            return;
        };
        self.draw_scale(buffer, body, range, review);
        let mut dots = Dots::default();
        dots.reset(plot);
        let scale = Scale {
            range,
            down: dots.down(),
        };
        for limit in limits(quantity, review) {
            let y = scale.y(limit);
            for x in (0..dots.across()).step_by(4) {
                dots.set(x, y, LIMIT);
            }
        }
        if let Some(x) = review.window.column(review.cursor, dots.across() as u16) {
            for y in (0..dots.down()).step_by(2) {
                dots.set(x.into(), y, CURSOR);
            }
        }
        self.draw_bands(&mut dots, scale, quantity);
        dots.show(buffer, plot, |layer| {
            palette.ink(match layer {
                MEDIAN => Tone::Calm,
                WORST => Tone::Plain,
                LIMIT => Tone::Look,
                _ => Tone::Faint,
            })
        });
    }

    fn draw_bands(&self, dots: &mut Dots, scale: Scale, quantity: &Quantity) {
        let (from, to) = (self.key.1.start, self.key.1.end);
        let seconds = (to - from).max(1) as f64;
        let across = dots.across();
        let x_of = |step: u64| (step * self.timeline.step_seconds) as f64 / seconds * across as f64;
        for (step, band) in (0..).zip(&self.timeline.steps) {
            let Some(band) = band else { continue };
            let first = x_of(step) as usize;
            let end = (x_of(step + 1).ceil() as usize).max(first + 1).min(across);
            for x in first..end {
                for worst in worst_of(band, quantity.better) {
                    dots.set(x, scale.y(worst), WORST);
                }
                dots.set(x, scale.y(band.median), MEDIAN);
            }
        }
    }

    /// Least and greatest of what is drawn, limits that lie near it among them; a flat line has room above and below.
    fn range(&self, review: &Review) -> Option<(f64, f64)> {
        let quantity = review.pass.catalogue()[self.key.0];
        let bands = self.timeline.steps.iter().flatten();
        let values = bands.flat_map(|band| {
            let worst = worst_of(band, quantity.better);
            worst.into_iter().chain([band.median])
        });
        let (least, most) = values.fold(
            (f64::INFINITY, f64::NEG_INFINITY),
            |(least, most), value| (least.min(value), most.max(value)),
        );
        if least > most {
            return None;
        }
        let reach = (most - least).max(quantity.step);
        let near = |limit: &f64| (least - reach..=most + reach).contains(limit);
        let ends = limits(quantity, review).into_iter().filter(near);
        let (least, most) = ends.fold((least, most), |(least, most), limit| {
            (least.min(limit), most.max(limit))
        });
        let room = if most > least { 0.0 } else { quantity.step };
        Some((least - room, most + room))
    }

    fn draw_scale(
        &self,
        buffer: &mut Buffer,
        body: Rect,
        (least, most): (f64, f64),
        review: &Review,
    ) {
        let faint = review.palette.ink(Tone::Faint);
        let room = area_before(body);
        let bottom = body.height.saturating_sub(1);
        for (row, value) in [(0, most), (bottom, least)] {
            let text = format!("{value:.*}", self.decimals);
            let column = room.saturating_sub(width_of(&text) + 1);
            put(buffer, body, (column, row), &text, faint);
        }
    }
}

fn area_before(area: Rect) -> u16 {
    area.width - rows::columns(area)
}

/// What is worst in a step: where no way is better, both ends.
fn worst_of(band: &Band, better: Better) -> Vec<f64> {
    match better {
        Better::High => vec![band.min],
        Better::NearZero if band.min.abs() > band.max.abs() => vec![band.min],
        Better::Low | Better::NearZero => vec![band.max],
        Better::Neither => vec![band.min, band.max],
    }
}

/// Where the limits on a quantity lie, of those that are a value of it.
fn limits(quantity: &Quantity, review: &Review) -> Vec<f64> {
    use crate::limits::Side;
    let rows = review.finished.limits.rows().iter();
    let own = rows.filter(|row| row.quantity == quantity.id);
    let thresholds = own.filter_map(|row| row.threshold());
    thresholds
        .flat_map(|threshold| match threshold.side {
            Side::Above | Side::Below => vec![threshold.enter],
            Side::Outside => vec![threshold.enter, -threshold.enter],
            Side::Risen | Side::Moved | Side::Rising | Side::Sinking | Side::Counted => Vec::new(),
        })
        .collect()
}

/// From values to rows of dots.
#[derive(Clone, Copy)]
struct Scale {
    range: (f64, f64),
    down: usize,
}

impl Scale {
    fn y(self, value: f64) -> usize {
        let (least, most) = self.range;
        let share = ((most - value) / (most - least)).clamp(0.0, 1.0);
        (share * (self.down.max(1) - 1) as f64).round() as usize
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::dots::DOTS_DOWN;
    use super::*;

    #[test]
    fn the_top_row_is_the_greatest_value_and_the_bottom_one_the_least() {
        let scale = Scale {
            range: (-1.0, 3.0),
            down: 6 * DOTS_DOWN,
        };
        assert_eq!((scale.y(3.0), scale.y(-1.0)), (0, 23));
        assert_eq!((scale.y(99.0), scale.y(-99.0)), (0, 23));
    }

    #[test]
    fn the_worst_leans_to_the_bad_side() {
        let band = Band {
            min: -4.0,
            median: 0.0,
            max: 3.0,
        };
        assert_eq!(worst_of(&band, Better::Low), [3.0]);
        assert_eq!(worst_of(&band, Better::High), [-4.0]);
        assert_eq!(worst_of(&band, Better::NearZero), [-4.0]);
        assert_eq!(worst_of(&band, Better::Neither), [-4.0, 3.0]);
    }
}
