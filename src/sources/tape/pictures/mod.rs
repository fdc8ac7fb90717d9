//! The pictures of the Ferry Street Film Club: what its invented tapes show.
//!
//! In: a [`Picture`]'s name and a texture. Out: the drawn canvas. They are made to be measured as much as to be looked at:
//! detail beside the edges of the frame, slanted outlines, fine and coarse texture, flat ground, deep shadow, gradients both
//! ways.
//!
//! Does not know: cameras, time, the tape.

use super::canvas::{Canvas, Colour, Sketch};
use super::grain::Grain;
use super::random::{Dice, Stream};
use indoors::{bars, chart, hall, notice};
use outdoors::{fog, harbour, meadow, night, park, street};

mod indoors;
mod outdoors;

/// What is seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Picture {
    /// A quay: sky, hills, water, boats with slanted masts.
    Harbour,
    /// A row of houses with windows, gables and a sign, over a chequered pavement.
    Street,
    /// Trees before a bright sky.
    Park,
    /// Three people before a curtain.
    Hall,
    /// A page of small print under a title.
    Notice,
    /// Almost flat ground with slow gradients both ways.
    Meadow,
    /// The street at night: a few lights.
    Night,
    /// The harbour in fog: all greys close together.
    Fog,
    /// A chart of stripes, squares and wedges.
    Chart,
    /// A light wall, the same everywhere.
    Wall,
    /// Colour bars of 75 %, white at 100 %, across a frame that does not move.
    Bars,
}

impl Picture {
    /// Draws it.
    pub(super) fn draw(self, seed: u64, grain: &Grain) -> Canvas {
        let mut dice = Dice::new(seed ^ (self as u64 + 1) << 32, Stream::Pictures);
        match self {
            Self::Harbour => harbour(grain, &mut dice),
            Self::Street => street(grain, &mut dice),
            Self::Park => park(grain, &mut dice),
            Self::Hall => hall(grain, &mut dice),
            Self::Notice => notice(grain, &mut dice),
            Self::Meadow => meadow(grain),
            Self::Night => night(grain, &mut dice),
            Self::Fog => fog(grain, &mut dice),
            Self::Chart => chart(grain),
            Self::Bars => bars(),
            Self::Wall => Sketch::new(|_, _| Colour::rgb(0.83, 0.8, 0.74)),
        }
        .finish()
    }
}

/// How far `x` is on its way, 0 to 1.
fn ramp(x: f32, from: f32, to: f32) -> f32 {
    ((x - from) / (to - from)).clamp(0.0, 1.0)
}

/// The texture at a place in samples and rows, at its own scale.
fn fine(grain: &Grain, x: f32, y: f32) -> f32 {
    grain.at((2.0 * x) as i32, (2.0 * y) as i32)
}
