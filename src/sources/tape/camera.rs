//! The camera: which part of a canvas the frame shows, at any moment.
//!
//! In: a [`Camera`] and the seconds since its shot began. Out: the [`Path`] of each row over the canvas. A field is seen at its
//! own moment, so whatever moves is torn into two combs between the fields, as interlace does.
//!
//! Does not know: what is on the canvas.

use std::f64::consts::TAU;

use super::canvas::Path;
use super::layout::LUMA_WIDTH;
use super::random::{Dice, Stream};

/// A shot: where the camera starts, and how it moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Middle of the frame at the start, in samples and rows of the canvas (1024 by 768).
    pub centre: (f64, f64),
    /// Enlargement at the start.
    pub zoom: f64,
    /// Samples a second to the right.
    pub pan: f64,
    /// Rows a second down.
    pub tilt: f64,
    /// Growth of the enlargement a second, as a share.
    pub zoom_rate: f64,
    /// Degrees a second.
    pub turn: f64,
    /// Unsteadiness of a hand, in samples rms.
    pub shake: f64,
}

impl Camera {
    /// On a tripod.
    pub const STILL: Self = Self {
        centre: (512.0, 384.0),
        zoom: 1.0,
        pan: 0.0,
        tilt: 0.0,
        zoom_rate: 0.0,
        turn: 0.0,
        shake: 0.0,
    };
}

/// Frequencies of a hand, in Hz, and the share of each: sway, breathing, tremor.
const HAND: [(f64, f64); 4] = [(0.43, 0.8), (1.1, 0.5), (2.7, 0.25), (7.3, 0.08)];

/// A hand's own phases.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hand {
    phases: [[f64; HAND.len()]; 2],
}

impl Hand {
    pub(super) fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed, Stream::Camera);
        Self {
            phases: [(); 2].map(|()| [(); HAND.len()].map(|()| dice.angle())),
        }
    }

    fn sway(&self, axis: usize, seconds: f64) -> f64 {
        HAND.iter()
            .zip(self.phases[axis])
            .map(|((frequency, share), phase)| share * libm::sin(TAU * frequency * seconds + phase))
            .sum()
    }
}

/// The camera at one moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct View {
    centre: (f64, f64),
    /// Canvas samples for one sample of the frame, along and across.
    along: f64,
    across: f64,
    middle_row: f64,
}

impl View {
    pub(super) fn at(camera: &Camera, hand: &Hand, seconds: f64, frame_rows: usize) -> Self {
        let zoom = camera.zoom * libm::exp(camera.zoom_rate * seconds);
        let (sine, cosine) = libm::sincos((camera.turn * seconds).to_radians());
        Self {
            centre: (
                camera.centre.0 + camera.pan * seconds + camera.shake * hand.sway(0, seconds),
                camera.centre.1 + camera.tilt * seconds + camera.shake * hand.sway(1, seconds),
            ),
            along: cosine / zoom,
            across: sine / zoom,
            middle_row: (frame_rows as f64 - 1.0) / 2.0,
        }
    }

    /// The path of a row of the frame, from `before` samples left of the raster, in steps of `step` samples.
    pub(super) fn row(&self, row: f64, before: f64, step: f64) -> Path {
        let x = -before - (LUMA_WIDTH as f64 - 1.0) / 2.0;
        let y = row - self.middle_row;
        Path {
            x: self.centre.0 + self.along * x - self.across * y,
            y: self.centre.1 + self.across * x + self.along * y,
            step_x: self.along * step,
            step_y: self.across * step,
        }
    }
}
