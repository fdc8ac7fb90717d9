//! Renders fields: scene through camera, luma low-pass, displacement of each line, noise, 8 bits.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use trueline::fields::Plane;
use trueline::standard::Parity;

use super::camera::{Motion, Mover, View};
use super::dice::Dice;
use super::jitter::Jitter;
use super::picture::{Picture, texture, windowed_sinc};

pub const WIDTH: usize = 720;

/// Mirrored samples beyond the raster from which displaced lines draw.
const SIDE: usize = 40;
/// Rows and columns of the scene beyond the raster, for the camera to move over.
const MARGIN: usize = 128;
/// Samples on each side of the interpolator that looks between those of the scene.
const REACH: usize = 6;
/// Phases of its table: errors of 1/1024 sample in place are 1/20 of the finest bound.
const PHASES: usize = 2048;

/// 3 MHz luma at 13.5 MHz, in cycles a sample, and half the width of its fall-off.
const LUMA_BAND: f64 = 3.0 / 13.5;
const LUMA_FALL: f64 = 0.4 / 13.5;
/// What the scene itself holds: all of the luma band and well within the interpolator's.
const SCENE_BAND: f64 = 4.5 / 13.5;

/// How a camera makes field rows of the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sampling {
    /// Every row of the field is a row of the frame.
    Rows,
    /// Each is the mean of two, as interlaced camcorders read their sensor (common practice, no source).
    Pairs,
}

/// Noise of a tape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// 219 codes over the rms.
    pub decibels: f64,
    /// Limited to the luma band instead of white.
    pub coloured: bool,
}

impl Noise {
    /// Whether `word` asks for it: `38dB`, `flat` or `coloured`.
    pub fn is_called(self, word: &str) -> bool {
        word == format!("{}dB", self.decibels) || word == self.colour()
    }

    pub fn colour(self) -> &'static str {
        if self.coloured { "coloured" } else { "flat" }
    }

    pub fn deviation(self) -> f64 {
        219.0 / 10_f64.powf(self.decibels / 20.0)
    }

    /// Variance of a sample, or for coloured noise the density at the frequencies the luma has, with that of rounding.
    pub fn density(self) -> f64 {
        let squeezed = if self.coloured { 0.5 / LUMA_BAND } else { 1.0 };
        self.deviation().powi(2) * squeezed + 1.0 / 12.0
    }
}

/// What is before the camera and what the tape does to it.
#[derive(Clone, Copy, Debug)]
pub struct Run {
    pub rows: usize,
    pub motion: Motion,
    pub jitter: Jitter,
    pub sampling: Sampling,
    pub seed: u64,
    pub fields: usize,
}

/// To whom a line's information belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Owner {
    Scene,
    /// The object crosses it, and most of what it shows is the scene's.
    Crossed,
    /// Most of what it shows is the object's.
    Object,
}

/// A field before noise, and all that is known of it.
pub struct CleanField {
    pub parity: Parity,
    pub samples: Vec<f32>,
    pub rows: usize,
    /// Samples, + = right.
    pub displacement: Vec<f64>,
    /// Σg² of each line: g = horizontal derivative without its mean.
    pub information: Vec<f64>,
    pub owner: Vec<Owner>,
    /// The row of the scene that each line shows, in field lines.
    pub scene_row: Vec<f64>,
    pub new_scene: bool,
}

impl CleanField {
    /// The field as captured.
    pub fn noisy(&self, noise: Noise, dice: &mut Dice, filter: &mut Filter) -> Plane {
        let deviation = noise.deviation();
        let mut samples = Vec::with_capacity(self.samples.len());
        let mut grain = vec![0.0_f32; WIDTH];
        for row in self.samples.chunks_exact(WIDTH) {
            grain.fill_with(|| (deviation * dice.normal()) as f32);
            if noise.coloured {
                filter.colour(&mut grain);
            }
            samples.extend(
                row.iter()
                    .zip(&grain)
                    .map(|(value, grain)| (value + grain).round().clamp(0.0, 255.0) as u8),
            );
        }
        Plane {
            samples,
            width: WIDTH,
            rows: self.rows,
        }
    }
}

/// A scene ready to be filmed.
pub struct Scene {
    picture: Picture,
}

impl Scene {
    /// The whole of `picture` on a frame of two fields of `rows`.
    pub fn new(picture: &Picture, rows: usize) -> Self {
        let mut picture = picture.resampled(WIDTH, 2 * rows, MARGIN);
        let mut filter = Filter::new(picture.width, SCENE_BAND);
        for row in picture.samples.chunks_exact_mut(picture.width) {
            filter.smooth(row);
        }
        Self { picture }
    }

    fn row(&self, y: isize) -> &[f32] {
        let y = (y + MARGIN.cast_signed()).clamp(0, self.picture.height.cast_signed() - 1) as usize;
        &self.picture.samples[y * self.picture.width..(y + 1) * self.picture.width]
    }
}

/// Films scenes.
pub struct Renderer {
    run: Run,
    filter: Filter,
    taps: Vec<[f32; 2 * REACH]>,
    cloth: Picture,
    dice: Dice,
    field: usize,
    line: Vec<f32>,
    upright: Vec<f32>,
}

impl Renderer {
    pub fn new(run: Run) -> Self {
        let taps = (0..=PHASES)
            .map(|phase| {
                let place = phase as f64 / PHASES as f64;
                std::array::from_fn(|n| {
                    let u = n as f64 - (REACH as f64 - 1.0) - place;
                    windowed_sinc(u, REACH as f64) as f32
                })
            })
            .collect();
        Self {
            filter: Filter::new(WIDTH + 2 * SIDE, LUMA_BAND),
            taps,
            cloth: texture(9, Mover::WIDTH, 2 * run.rows),
            dice: Dice::new(run.seed),
            field: 0,
            line: vec![0.0; WIDTH + 2 * SIDE],
            upright: Vec::new(),
            run,
        }
    }

    /// The next field: of `after` where the motion is a cut and half the fields are over.
    pub fn next(&mut self, scene: &Scene, after: &Scene) -> CleanField {
        let Run {
            rows,
            motion,
            jitter,
            ..
        } = self.run;
        let t = self.field;
        self.field += 1;
        let is_second = motion == Motion::Cut && t >= self.run.fields / 2;
        let scene = if is_second { after } else { scene };
        let parity = if t.is_multiple_of(2) {
            Parity::Top
        } else {
            Parity::Bottom
        };
        let mover = (motion == Motion::Object).then(|| Mover::place(t, rows));
        let mut field = CleanField {
            parity,
            samples: Vec::with_capacity(rows * WIDTH),
            rows,
            displacement: jitter.field(rows, &mut self.dice),
            information: Vec::with_capacity(rows),
            owner: Vec::with_capacity(rows),
            scene_row: Vec::with_capacity(rows),
            new_scene: is_second && t == self.run.fields / 2,
        };
        for row in 0..rows {
            let frame_row = 2 * row + usize::from(parity == Parity::Bottom);
            let view = motion.view(t);
            self.film(scene, view, frame_row);
            field.scene_row.push(view.scene_row(frame_row, rows));
            let over = mover.filter(|m| (m.first_row..m.first_row + m.rows).contains(&row));
            if let Some(mover) = over {
                self.cover(mover, frame_row);
            }
            let shift = field.displacement[row];
            self.tape(&mut field, shift, over);
        }
        field
    }

    /// One row of what the camera sees.
    fn film(&mut self, scene: &Scene, view: View, frame_row: usize) {
        let mut line = std::mem::take(&mut self.line);
        self.sample(scene, view, frame_row as f64, &mut line);
        if self.run.sampling == Sampling::Pairs {
            let mut next = vec![0.0; line.len()];
            self.sample(scene, view, frame_row as f64 + 1.0, &mut next);
            for (a, b) in line.iter_mut().zip(next) {
                *a = 0.5 * (*a + b);
            }
        }
        self.line = line;
    }

    fn sample(&mut self, scene: &Scene, view: View, y: f64, line: &mut [f32]) {
        let middle = ((WIDTH / 2) as f64, self.run.rows as f64);
        let (sin, cos) = (view.tilt.sin() / view.size, view.tilt.cos() / view.size);
        let v = y - view.down - middle.1;
        let first = -(SIDE as f64) - view.right - middle.0;
        let level = view.tilt == 0.0;
        if level {
            self.upright_row(scene, cos * v + middle.1);
        }
        for (n, slot) in line.iter_mut().enumerate() {
            let u = first + n as f64;
            let x = cos * u + sin * v + middle.0 + MARGIN as f64;
            *slot = if level {
                self.between(&self.upright, x)
            } else {
                self.between_rows(scene, x, cos * v - sin * u + middle.1)
            };
        }
    }

    /// A row of the scene between its rows.
    fn upright_row(&mut self, scene: &Scene, y: f64) {
        let mut upright = std::mem::take(&mut self.upright);
        let (whole, taps) = self.place(y);
        upright.clear();
        upright.resize(scene.picture.width, 0.0);
        for (k, weight) in taps.iter().enumerate() {
            if weight.abs() > 1e-9 {
                let row = scene.row(whole + k.cast_signed());
                for (slot, value) in upright.iter_mut().zip(row) {
                    *slot += weight * value;
                }
            }
        }
        self.upright = upright;
    }

    fn between(&self, row: &[f32], x: f64) -> f32 {
        let (whole, taps) = self.place(x);
        let first = whole.clamp(0, (row.len() - 2 * REACH).cast_signed()) as usize;
        row[first..first + 2 * REACH]
            .iter()
            .zip(taps)
            .map(|(value, weight)| value * weight)
            .sum()
    }

    fn between_rows(&self, scene: &Scene, x: f64, y: f64) -> f32 {
        let (whole, taps) = self.place(y);
        taps.iter()
            .enumerate()
            .map(|(k, weight)| weight * self.between(scene.row(whole + k.cast_signed()), x))
            .sum()
    }

    /// First sample of the interpolator at `x`, and its weights.
    fn place(&self, x: f64) -> (isize, &[f32; 2 * REACH]) {
        let whole = x.floor();
        let phase = ((x - whole) * PHASES as f64).round() as usize;
        (
            whole as isize - (REACH.cast_signed() - 1),
            &self.taps[phase],
        )
    }

    /// Puts the object before the scene, its sides softened over a sample.
    fn cover(&mut self, mover: Mover, frame_row: usize) {
        let cloth = &self.cloth.samples[frame_row * self.cloth.width..][..self.cloth.width];
        for (n, &value) in cloth.iter().enumerate() {
            let side = n == 0 || n + 1 == cloth.len();
            let share = if side { 0.5 } else { 1.0 };
            let slot = &mut self.line[SIDE + mover.left + n];
            *slot += share * (value - *slot);
        }
    }

    /// Low-passes and displaces the line and notes what it shows.
    fn tape(&mut self, field: &mut CleanField, shift: f64, over: Option<Mover>) {
        let (line, slope) = self.filter.displaced(&self.line, shift);
        let inside = SIDE..SIDE + WIDTH;
        field.samples.extend(
            line[inside.clone()]
                .iter()
                .map(|value| value.clamp(0.0, 255.0)),
        );
        let slope = &slope[inside];
        let mean = slope.iter().sum::<f32>() / slope.len() as f32;
        let squares =
            |part: &[f32]| -> f64 { part.iter().map(|g| f64::from(g - mean).powi(2)).sum() };
        let all = squares(slope);
        field.information.push(all);
        field.owner.push(match over {
            None => Owner::Scene,
            Some(mover) => {
                let left = mover.left.saturating_add_signed(shift.round() as isize);
                let own: Range<usize> = left.min(WIDTH)..(left + mover.width).min(WIDTH);
                if squares(&slope[own]) > 0.5 * all {
                    Owner::Object
                } else {
                    Owner::Crossed
                }
            }
        });
    }
}

/// Low-pass and displacement over the spectrum of a line that is continued as in a mirror.
pub struct Filter {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    gain: Vec<f32>,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    work: Vec<Complex<f32>>,
    line: Vec<f32>,
    slope: Vec<f32>,
    coloured_gain: f32,
}

impl Filter {
    /// For lines of `samples`, passing `band` cycles a sample.
    pub fn new(samples: usize, band: f64) -> Self {
        let length = 2 * samples;
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(length);
        let inverse = planner.plan_fft_inverse(length);
        let gain: Vec<f32> = (0..=length / 2)
            .map(|k| fall_off((k as f64 / length as f64 - band) / LUMA_FALL) as f32)
            .collect();
        let power: f32 = gain.iter().map(|g| g * g).sum::<f32>() / gain.len() as f32;
        Self {
            input: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            work: vec![
                Complex::default();
                forward.get_scratch_len().max(inverse.get_scratch_len())
            ],
            line: vec![0.0; length],
            slope: vec![0.0; length],
            coloured_gain: power.sqrt().recip(),
            forward,
            inverse,
            gain,
        }
    }

    /// The noise filter for fields.
    pub fn for_noise() -> Self {
        Self::new(WIDTH, LUMA_BAND)
    }

    fn transform(&mut self, line: &[f32]) {
        let n = line.len();
        self.input[..n].copy_from_slice(line);
        for (slot, value) in self.input[n..].iter_mut().zip(line.iter().rev()) {
            *slot = *value;
        }
        self.forward
            .process_with_scratch(&mut self.input, &mut self.spectrum, &mut self.work)
            .expect("the buffers are the plan's own");
        let scale = 1.0 / self.input.len() as f32;
        for (bin, gain) in self.spectrum.iter_mut().zip(&self.gain) {
            *bin *= gain * scale;
        }
    }

    fn back(
        inverse: &Arc<dyn ComplexToReal<f32>>,
        spectrum: &mut [Complex<f32>],
        out: &mut [f32],
        work: &mut [Complex<f32>],
    ) {
        if let Some(first) = spectrum.first_mut() {
            first.im = 0.0;
        }
        if let Some(last) = spectrum.last_mut() {
            last.im = 0.0;
        }
        inverse
            .process_with_scratch(spectrum, out, work)
            .expect("the buffers are the plan's own");
    }

    /// The line low-passed and moved right by `shift`, and its derivative.
    fn displaced(&mut self, line: &[f32], shift: f64) -> (&[f32], &[f32]) {
        self.transform(line);
        let turn = std::f64::consts::TAU / self.line.len() as f64;
        for (k, bin) in self.spectrum.iter_mut().enumerate() {
            let angle = -turn * k as f64 * shift;
            *bin *= Complex::new(angle.cos() as f32, angle.sin() as f32);
        }
        let mut slope: Vec<Complex<f32>> = self
            .spectrum
            .iter()
            .enumerate()
            .map(|(k, bin)| bin * Complex::new(0.0, (turn * k as f64) as f32))
            .collect();
        Self::back(
            &self.inverse,
            &mut self.spectrum,
            &mut self.line,
            &mut self.work,
        );
        Self::back(&self.inverse, &mut slope, &mut self.slope, &mut self.work);
        (&self.line, &self.slope)
    }

    /// Low-passes the line in place.
    fn smooth(&mut self, line: &mut [f32]) {
        self.transform(line);
        Self::back(
            &self.inverse,
            &mut self.spectrum,
            &mut self.line,
            &mut self.work,
        );
        line.copy_from_slice(&self.line[..line.len()]);
    }

    /// Limits white noise to the band and gives it back its power.
    fn colour(&mut self, grain: &mut [f32]) {
        self.smooth(grain);
        for value in grain {
            *value *= self.coloured_gain;
        }
    }
}

/// 1 below −1, 0 above 1, half a cosine between.
fn fall_off(u: f64) -> f64 {
    0.5 - 0.5 * (std::f64::consts::FRAC_PI_2 * u.clamp(-1.0, 1.0)).sin()
}
