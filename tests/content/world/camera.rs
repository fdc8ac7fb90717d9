//! How the camera and what is before it move.

use std::f64::consts::TAU;

/// What moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Motion {
    Static,
    /// Samples a field to the right.
    Pan(f64),
    /// Something textured crosses a still scene, [`Mover`].
    Object,
    /// Field lines a field, downwards.
    VerticalPan(f64),
    /// Held by hand: shake, tilt and a little zoom.
    HandHeld,
    /// Growth a field.
    Zoom(f64),
    /// Another scene after half the fields.
    Cut,
}

impl Motion {
    pub fn name(self) -> String {
        match self {
            Self::Static => "static".into(),
            Self::Pan(_) => "pan".into(),
            Self::Object => "object".into(),
            Self::VerticalPan(lines) => format!("vpan{lines}"),
            Self::HandHeld => "handheld".into(),
            Self::Zoom(_) => "zoom".into(),
            Self::Cut => "cut".into(),
        }
    }

    /// Where the camera looks in field `t`, 1/60 s apart.
    pub fn view(self, t: usize) -> View {
        let t = t as f64;
        match self {
            Self::Static | Self::Object | Self::Cut => View::default(),
            Self::Pan(samples) => View {
                right: samples * t,
                ..View::default()
            },
            Self::VerticalPan(lines) => View {
                down: 2.0 * lines * t,
                ..View::default()
            },
            Self::Zoom(growth) => View {
                size: (1.0 + growth).powf(t),
                ..View::default()
            },
            Self::HandHeld => hand(t / 60.0),
        }
    }
}

impl View {
    /// The row of the scene, in field lines, that a field's row shows in the middle of a frame of `rows` lines a field.
    pub fn scene_row(self, frame_row: usize, rows: usize) -> f64 {
        let middle = rows as f64;
        0.5 * ((frame_row as f64 - self.down - middle) / self.size + middle)
    }
}

/// The picture's place in the frame: samples, frame rows, radians, size.
#[derive(Clone, Copy, Debug)]
pub struct View {
    pub right: f64,
    pub down: f64,
    pub tilt: f64,
    pub size: f64,
}

impl Default for View {
    fn default() -> Self {
        Self {
            right: 0.0,
            down: 0.0,
            tilt: 0.0,
            size: 1.0,
        }
    }
}

/// A slow hand: about 1 to 3 samples and 0.3 to 1 field line from field to field, ± 0.3° and ± 1 %.
fn hand(seconds: f64) -> View {
    let wave = |rate: f64, phase: f64| (TAU * (rate * seconds + phase)).sin();
    View {
        right: 12.0 * wave(1.3, 0.1) + 5.0 * wave(3.1, 0.6),
        down: 8.0 * wave(1.1, 0.4) + 3.0 * wave(2.7, 0.2),
        tilt: 0.3_f64.to_radians() * wave(0.9, 0.3),
        size: 1.0 + 0.01 * wave(0.7, 0.8),
    }
}

/// A textured block before the scene: 220 samples wide, 60 % of the height, 4 samples a field.
#[derive(Clone, Copy, Debug)]
pub struct Mover {
    pub left: usize,
    pub width: usize,
    pub first_row: usize,
    pub rows: usize,
}

impl Mover {
    pub const WIDTH: usize = 220;
    const STEP: usize = 4;
    const START: usize = 170;

    /// Where it stands in field `t`; rows are rows of the field.
    pub fn place(t: usize, rows: usize) -> Self {
        let height = rows * 3 / 5;
        Self {
            left: Self::START + Self::STEP * t,
            width: Self::WIDTH,
            first_row: (rows - height) / 2,
            rows: height,
        }
    }
}
