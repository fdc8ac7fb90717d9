//! Pictures for tests of the measures: a drawn world, a camera over it, tape noise, and what a chain puts in between.
//!
//! Written apart from the simulated tape, so that a measure cannot be right only for the one or the other.

use rand::{Rng as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::fields::{Field, FieldPlace, FieldRaster, History, Neighbourhood, Plane};
use crate::measures::Measure as _;
use crate::measures::levels::{self, Levels};
use crate::measures::line_timing::Border;
use crate::measures::sync::State;
use crate::sources::{ChromaGrid, Gap, InputState};
use crate::standard::{BT601_LUMA_RATE, Parity, RateTrust, Standard};
use crate::timecode::FieldIndex;
use crate::units::{CodeRange, Seconds};

/// A raster of 4:2:2 fields in interlaced frames.
pub(crate) fn raster(width: usize, rows: usize) -> FieldRaster {
    FieldRaster {
        width,
        rows,
        frame_rows: 2 * rows,
        sample_rate: Some(BT601_LUMA_RATE),
        rate_trust: RateTrust::Known,
        standard: Standard::from_rows(2 * rows),
        range: CodeRange::Studio,
        progressive: false,
    }
}

/// A plane whose samples are a function of column and row.
pub(crate) fn plane(width: usize, rows: usize, mut code: impl FnMut(usize, usize) -> u8) -> Plane {
    let mut samples = Vec::with_capacity(width * rows);
    for row in 0..rows {
        samples.extend((0..width).map(|column| code(column, row)));
    }
    Plane {
        samples,
        width,
        rows,
    }
}

/// A field of a raster around a luma plane, without colour difference.
pub(crate) fn field(index: u64, raster: FieldRaster, luma: Plane) -> Field {
    let neutral = plane(luma.width / 2, luma.rows, |_, _| 128);
    Field {
        place: FieldPlace {
            field: FieldIndex(index),
            parity: if index.is_multiple_of(2) {
                Parity::Top
            } else {
                Parity::Bottom
            },
            seconds: Seconds(index as f64 * 0.02),
        },
        raster,
        luma,
        cb: neutral.clone(),
        cr: neutral,
        chroma: ChromaGrid::Half,
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::Unsaid,
    }
}

/// What is shown of the world, and how bright.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Camera {
    /// Left edge in the world, in samples.
    pub(crate) x: f64,
    /// Top edge in the world, in frame lines.
    pub(crate) y: f64,
    /// Contrast.
    pub(crate) gain: f64,
    /// Codes added.
    pub(crate) lift: f64,
}

impl Default for Camera {
    fn default() -> Self {
        Self {
            x: 100.0,
            y: 100.0,
            gain: 1.0,
            lift: 0.0,
        }
    }
}

const WORLD_WIDTH: usize = 1600;
const WORLD_LINES: usize = 1400;

/// Something to look at, in codes over black.
pub(crate) struct World {
    codes: Vec<f32>,
}

impl World {
    /// Sky with a slight gradient, houses with hard edges, leaves with texture.
    pub(crate) fn street(seed: u64) -> Self {
        let (plot, storey) = (80 + 7 * (seed as usize % 8), 19 + 3 * (seed as usize % 5));
        Self::draw(seed, move |x, y, leaves| {
            let house = (x / plot + 3 * (x / (3 * plot))) % 5;
            if y < 260 + 2 * storey * house {
                150.0 + y as f32 * 0.05
            } else if (x / 15) % 3 == 0 && (y / storey) % 2 == 0 {
                15.0
            } else if y > 700 {
                60.0 + leaves
            } else {
                70.0 + 12.0 * house as f32 + 0.1 * leaves
            }
        })
    }

    /// Leaves from edge to edge, no plain ground anywhere.
    pub(crate) fn leaves(seed: u64) -> Self {
        Self::draw(seed, |_, _, leaves| 100.0 + leaves)
    }

    fn draw(seed: u64, code: impl Fn(usize, usize, f32) -> f32) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let grain: Vec<f32> = (0..WORLD_WIDTH * WORLD_LINES)
            .map(|_| (random.next_u32() >> 24) as f32 - 127.5)
            .collect();
        let at = |x: usize, y: usize| grain[y % WORLD_LINES * WORLD_WIDTH + x % WORLD_WIDTH];
        let mut codes = Vec::with_capacity(grain.len());
        for y in 0..WORLD_LINES {
            for x in 0..WORLD_WIDTH {
                // Leaves of two sizes, each a patch of one shade.
                let leaves = 0.25 * at(x / 6, y / 5) + 0.2 * at(x / 17 + 500, y / 14 + 500);
                codes.push(code(x, y, leaves));
            }
        }
        Self { codes }.seen_by_a_tube()
    }

    /// Softened from line to line by 1 2 1, as any camera's target does: a field of hard-edged lines would only alias.
    fn seen_by_a_tube(self) -> Self {
        let row = |line: usize| {
            let line = line.min(WORLD_LINES - 1);
            &self.codes[line * WORLD_WIDTH..(line + 1) * WORLD_WIDTH]
        };
        let mut codes = Vec::with_capacity(self.codes.len());
        for line in 0..WORLD_LINES {
            let around = row(line.saturating_sub(1))
                .iter()
                .zip(row(line))
                .zip(row(line + 1));
            codes.extend(around.map(|((above, here), below)| (above + 2.0 * here + below) / 4.0));
        }
        Self { codes }
    }

    fn code(&self, x: usize, line: usize) -> f32 {
        self.codes[line.min(WORLD_LINES - 1) * WORLD_WIDTH + x.min(WORLD_WIDTH - 1)]
    }
}

/// Draws fields.
pub(crate) struct Sketcher {
    random: Xoshiro256PlusPlus,
    /// Luma noise sigma of the tape, in codes.
    pub(crate) noise: f64,
    /// What fields are drawn in.
    pub(crate) raster: FieldRaster,
    /// Blanking at the left and at the right, in samples.
    pub(crate) margins: (usize, usize),
}

impl Sketcher {
    pub(crate) fn new(seed: u64) -> Self {
        Self {
            random: Xoshiro256PlusPlus::seed_from_u64(seed),
            noise: 2.0,
            raster: raster(720, 288),
            margins: (10, 8),
        }
    }

    /// A normal number of sigma 1.
    pub(crate) fn bell(&mut self) -> f64 {
        let bits = self.random.next_u64();
        let sum: u64 = (0..4).map(|nth| (bits >> (16 * nth)) & 0xffff).sum();
        (sum as f64 / 65_536.0 - 2.0) * 3.0_f64.sqrt()
    }

    /// A row of noise of sigma 1, limited to about 3.5 MHz as tape noise is.
    fn tape_noise(&mut self, width: usize) -> Vec<f64> {
        let white: Vec<f64> = (0..width + 2).map(|_| self.bell()).collect();
        white
            .windows(3)
            .map(|w| (0.5 * w[0] + w[1] + 0.5 * w[2]) / 1.5_f64.sqrt())
            .collect()
    }

    /// What the camera sees of the world, off the tape.
    pub(crate) fn shot(&mut self, index: u64, world: &World, camera: Camera) -> Field {
        let FieldRaster { width, rows, .. } = self.raster;
        let (left, right) = self.margins;
        let parity = (index % 2) as f64;
        let mut luma = plane(width, rows, |_, _| 16);
        for row in 0..rows {
            let line = camera.y + 2.0 * row as f64 + parity;
            let (line, below) = (line.floor() as usize, line.fract() as f32);
            let noise = self.tape_noise(width);
            let samples = &mut luma.samples[row * width..(row + 1) * width];
            for (column, sample) in samples.iter_mut().enumerate() {
                let shown = if column < left || column >= width - right {
                    0.0
                } else {
                    let x = camera.x + column as f64;
                    let (x, across) = (x.floor() as usize, x.fract() as f32);
                    let of = |line| {
                        world.code(x, line) * (1.0 - across) + world.code(x + 1, line) * across
                    };
                    let code = of(line) * (1.0 - below) + of(line + 1) * below;
                    f64::from(code) * camera.gain + camera.lift
                };
                *sample = (16.0 + shown + self.noise * noise[column]).round() as u8;
            }
        }
        self.on_tape(field(index, self.raster, luma))
    }

    /// The same with colour noise of the tape.
    fn on_tape(&mut self, mut field: Field) -> Field {
        let sigma = self.noise;
        for plane in [&mut field.cb, &mut field.cr] {
            for sample in &mut plane.samples {
                *sample = (128.0 + sigma * self.bell()).round() as u8;
            }
        }
        field
    }

    /// One colour right across, with noise of `sigma` codes.
    pub(crate) fn flat(&mut self, index: u64, codes: [u8; 3], sigma: f64) -> Field {
        let FieldRaster { width, rows, .. } = self.raster;
        let mut drawn = field(index, self.raster, plane(width, rows, |_, _| codes[0]));
        for (plane, code) in [&mut drawn.luma, &mut drawn.cb, &mut drawn.cr]
            .into_iter()
            .zip(codes)
        {
            for sample in &mut plane.samples {
                *sample = (f64::from(code) + sigma * self.bell()).round() as u8;
            }
        }
        drawn
    }

    /// Noise without a picture.
    pub(crate) fn snow(&mut self, index: u64, sigma: f64) -> Field {
        let FieldRaster { width, rows, .. } = self.raster;
        let mut luma = plane(width, rows, |_, _| 0);
        for row in luma.samples.chunks_exact_mut(width) {
            for (sample, noise) in row.iter_mut().zip(self.tape_noise(width)) {
                *sample = (110.0 + sigma * noise).round() as u8;
            }
        }
        self.on_tape(field(index, self.raster, luma))
    }

    /// An earlier field again, with the noise of a converter.
    pub(crate) fn again(&mut self, index: u64, earlier: &Field, sigma: f64) -> Field {
        let mut shown = earlier.clone();
        shown.place = field(index, self.raster, Plane::default()).place;
        for plane in [&mut shown.luma, &mut shown.cb, &mut shown.cr] {
            for sample in &mut plane.samples {
                *sample = (f64::from(*sample) + sigma * self.bell()).round() as u8;
            }
        }
        shown
    }
}

/// Shows fields to a measure one after the other.
pub(crate) struct Screening {
    history: History,
}

impl Screening {
    pub(crate) fn new() -> Self {
        Self {
            history: History::default(),
        }
    }

    /// The field with those shown before it.
    pub(crate) fn show(&mut self, field: Field) -> Neighbourhood<'_> {
        self.history.push(field);
        self.history
            .neighbourhood()
            .expect("a field was just pushed")
    }

    /// A copy of the field shown `back` places before the next one.
    pub(crate) fn show_again(&self, back: usize) -> Field {
        let newest = self.history.neighbourhood().expect("a field was shown");
        match back {
            1 => newest.field.clone(),
            _ => newest.before(back - 1).expect("it is kept").clone(),
        }
    }
}

/// Shows fields one after the other, each with the levels of its picture, in lock and behind the tape's own border.
pub(crate) fn with_levels(
    fields: impl IntoIterator<Item = Field>,
    mut look: impl FnMut(&Neighbourhood<'_>, &levels::Reading),
) {
    let (mut screening, mut levels) = (Screening::new(), Levels::default());
    for field in fields {
        let around = screening.show(field);
        let reading = levels.measure(levels::Input {
            around: &around,
            state: State::Locked,
            border: Border::Tape,
            bars: None,
        });
        look(&around, &reading);
    }
}
