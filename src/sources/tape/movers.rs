//! Things that move through the picture.
//!
//! In: a [`Mover`] and the moment. Out: its luma and colour laid over a line of the picture.
//!
//! Does not know: what it moves over.

use std::f64::consts::TAU;

use super::canvas::Colour;
use super::layout::LUMA_WIDTH;

/// A rounded thing on a straight way through the frame, again and again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mover {
    /// Row of its middle, as a share of the frame's height.
    pub height: f64,
    /// Half its width and height, in samples and rows.
    pub size: (f64, f64),
    /// Samples a second; negative = to the left.
    pub speed: f64,
    /// Where it is at the start, in samples.
    pub start: f64,
    /// Rows it hops.
    pub hop: f64,
    /// Red, green and blue.
    pub rgb: (f32, f32, f32),
    /// Stripes across it: strength, and samples a period.
    pub stripes: (f32, f32),
    /// 2 is an ellipse, larger is boxier.
    pub squareness: i32,
}

impl Mover {
    /// A ball.
    pub const BALL: Self = Self {
        height: 0.6,
        size: (34.0, 37.0),
        speed: 150.0,
        start: 100.0,
        hop: 40.0,
        rgb: (0.85, 0.3, 0.2),
        stripes: (0.12, 17.0),
        squareness: 2,
    };
}

/// Hops a second.
const HOPS: f64 = 0.9;
/// How far beyond the frame it turns up again, in samples: wider than half of any mover, so that those in company stay
/// together.
const OUTSIDE: f64 = 160.0;
/// How wide its outline is, in samples.
const OUTLINE: f32 = 1.5;

/// A mover at one moment, cut by one row.
#[derive(Clone, Copy, Debug)]
pub(super) struct Slice {
    middle: f32,
    half: f32,
    down: f32,
    mover: Mover,
}

impl Mover {
    /// What a row of the frame shows of it, if it meets it.
    pub(super) fn slice(&self, row: f64, frame_rows: usize, seconds: f64) -> Option<Slice> {
        let way = LUMA_WIDTH as f64 + 2.0 * OUTSIDE;
        let middle = (self.start + self.speed * seconds).rem_euclid(way) - OUTSIDE;
        let hop = self.hop * libm::sin(TAU * HOPS * seconds).abs();
        let down = (row - self.height * frame_rows as f64 + hop) / self.size.1;
        if down.abs() >= 1.0 {
            return None;
        }
        // Half width of |x|^n + |y|^n = 1.
        let rest = 1.0 - (0..self.squareness).fold(1.0, |power, _| power * down.abs());
        let half = self.size.0 * libm::pow(rest, 1.0 / f64::from(self.squareness));
        Some(Slice {
            middle: middle as f32,
            half: half as f32,
            down: down as f32,
            mover: *self,
        })
    }
}

impl Slice {
    /// Lays it over source samples `step` luma samples apart, the first at `first`; `blend` gets each sample, the colour
    /// there, and how much of it shows.
    pub(super) fn over<T>(
        &self,
        samples: &mut [T],
        first: f32,
        step: f32,
        blend: impl Fn(&mut T, Colour, f32),
    ) {
        let from = ((self.middle - self.half - OUTLINE - first) / step).max(0.0) as usize;
        let to = ((self.middle + self.half + OUTLINE - first) / step).max(0.0) as usize + 1;
        let to = to.min(samples.len());
        let (red, green, blue) = self.mover.rgb;
        let colour = Colour::rgb(red, green, blue);
        let (strength, period) = self.mover.stripes;
        for (index, sample) in samples.iter_mut().enumerate().take(to).skip(from) {
            let across = first + index as f32 * step - self.middle;
            let cover = ((self.half - across.abs()) / OUTLINE + 0.5).clamp(0.0, 1.0);
            let around = across / self.mover.size.0 as f32;
            // Lit from the upper left.
            let light = 1.0 - 0.35 * around - 0.35 * self.down;
            // A triangle wave is near enough to a sine here, and needs no function call a sample.
            let phase = (across / period + self.down * 1.5).rem_euclid(1.0);
            let stripe = strength * (4.0 * (phase - 0.5).abs() - 1.0);
            blend(sample, colour.times(light * 0.8).lit(stripe), cover);
        }
    }
}
