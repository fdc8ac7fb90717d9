//! From a plan of a field to its samples.
//!
//! In: a [`FieldPlan`]: what is seen, how bright, where each row stands, what is wrong. Out: the rows of one field in an 8-bit
//! planar 4:2:2 frame. A row goes the way a tape's line goes: picture, blanking, band limit and displacement, streaks, noise,
//! box, converter.
//!
//! Does not know: why a row stands where it does, or when the field is due.

use std::f64::consts::TAU;

use crate::standard::{Parity, Standard};
use crate::units::{Hertz, Nanos, samples_from_nanos};

use super::box_model::{BoxMemory, BoxModel, Sides};
use super::camera::View;
use super::canvas::{Canvas, Colour};
use super::defects::{Dropout, FieldDefects};
use super::heads::{Carrier, ReadLine};
use super::kernel::{CHROMA_TAPS, Displacement, Kernel, LUMA_TAPS, resample_chroma, resample_luma};
use super::layout::{
    CHROMA_COARSE, CHROMA_PAD, CHROMA_SOURCE, CHROMA_WIDTH, LUMA_PAD, LUMA_SOURCE, LUMA_WIDTH,
    Raster,
};
use super::levels::Tone;
use super::movers::Mover;
use super::noise::NoiseBank;
use super::random::{Dice, Stream};
use super::scene::Scene;
use super::window::picture_window;
use crate::standard::BT601_LUMA_RATE;

/// Picture drawn beside the raster, in luma samples: what a crop and a displacement may bring into view.
const SPILL: usize = 32;
/// From this displacement on, the sync pulse and the neighbouring lines come into view.
const FAR: f64 = 24.0;
/// Depth of the sync pulse under blanking, in codes, and its length in samples (4.7 µs).
const SYNC_DEPTH: f32 = 87.6;
const SYNC_SAMPLES: usize = 63;
/// Rise of a border that a box inserts, in luma samples: 140 ns.
const BORDER_RISE: f64 = 1.89;
/// Codes of a colour difference of 1 (BT.601-5 §3.5.4), and of none.
pub(super) const CHROMA_CODES: f64 = 224.0;
const NO_COLOUR: f32 = 128.0;
/// Codes from black to peak.
const LUMA_CODES: f64 = 219.0;
/// Composite axes of colour differences of 1, as shares of white: 0.492111/0.564 and 0.877283/0.713 (SMPTE 170M Annex A).
const U_OF_CB: f64 = 0.872;
const V_OF_CR: f64 = 1.23;
/// Where a grey that snow is about lies, in codes, and its rms.
const SNOW_MEAN: f32 = 105.0;
const SNOW_RMS: f32 = 52.0;
/// Sample rate of the colour differences.
const CHROMA_RATE: Hertz = Hertz(6.75e6);

/// What is seen in a field.
#[derive(Clone, Copy, Debug)]
pub(super) enum Content<'a> {
    Canvas(&'a Canvas),
    Snow,
    Flat(Colour),
}

/// Everything a field is drawn from.
#[derive(Debug)]
pub(super) struct FieldPlan<'a> {
    pub(super) newer: bool,
    pub(super) content: Content<'a>,
    pub(super) view: View,
    pub(super) movers: &'a [Mover],
    /// Seconds since the shot began, for what moves.
    pub(super) seconds: f64,
    /// Seconds since the tape began to play, for what goes on through all shots.
    pub(super) played: f64,
    pub(super) tone: Tone,
    pub(super) rows: &'a [Displacement],
    pub(super) defects: &'a FieldDefects,
    pub(super) carrier: &'a Carrier,
    /// Rms of luma and chroma noise, in codes.
    pub(super) noise: (f32, f32),
}

/// The three planes of a frame.
pub(super) struct Planes<'a> {
    luma: &'a mut [u8],
    cb: &'a mut [u8],
    cr: &'a mut [u8],
}

impl<'a> Planes<'a> {
    /// A planar 4:2:2 frame.
    pub(super) fn of(bytes: &'a mut [u8], rows: usize) -> Self {
        let (luma, chroma) = bytes.split_at_mut(LUMA_WIDTH * rows);
        let (cb, cr) = chroma.split_at_mut(CHROMA_WIDTH * rows);
        Self { luma, cb, cr }
    }

    fn row(&mut self, row: usize) -> [&mut [u8]; 3] {
        fn cut(plane: &mut [u8], row: usize, width: usize) -> &mut [u8] {
            &mut plane[row * width..(row + 1) * width]
        }
        [
            cut(self.luma, row, LUMA_WIDTH),
            cut(self.cb, row, CHROMA_WIDTH),
            cut(self.cr, row, CHROMA_WIDTH),
        ]
    }
}

/// Kernels, windows, noise and lines being worked on.
#[derive(Debug)]
pub(super) struct Painter {
    raster: Raster,
    luma_kernel: Kernel<LUMA_TAPS>,
    chroma_kernel: Kernel<CHROMA_TAPS>,
    luma_window: Box<[f32; LUMA_SOURCE]>,
    chroma_window: Box<[f32; CHROMA_SOURCE]>,
    border: Option<Box<([f32; LUMA_WIDTH], [f32; CHROMA_WIDTH])>>,
    luma_noise: NoiseBank,
    chroma_noise: NoiseBank,
    offsets: Dice,
    /// Draws what is lost with the carrier; the noise of what arrives stays as it is without.
    losses: Dice,
    boxed: Option<(BoxModel, BoxMemory)>,
    lines: Box<Lines>,
}

/// Lines being worked on.
#[derive(Debug)]
struct Lines {
    luma_source: [f32; LUMA_SOURCE],
    chroma_source: [[f32; CHROMA_SOURCE]; 2],
    luma: [f32; LUMA_WIDTH],
    chroma: [[f32; CHROMA_WIDTH]; 2],
}

impl Painter {
    pub(super) fn new(scene: &Scene, raster: Raster, margins: (f64, f64), seed: u64) -> Self {
        let boxed = scene.chain.boxed;
        let rise = raster.standard.blanking_rise_samples(BT601_LUMA_RATE).0;
        let mut luma_window = Box::new([0.0; LUMA_SOURCE]);
        picture_window(
            &mut luma_window[..],
            (LUMA_PAD, 1.0, LUMA_WIDTH),
            margins,
            rise,
        );
        let mut chroma_window = Box::new([0.0; CHROMA_SOURCE]);
        picture_window(
            &mut chroma_window[..],
            (CHROMA_PAD, 4.0, LUMA_WIDTH),
            margins,
            rise,
        );
        let softened = boxed.and_then(|boxed| boxed.soften);
        let band = softened.map_or(scene.luma_band.0, |soft| soft.0.min(scene.luma_band.0));
        let mut dice = Dice::new(seed, Stream::Noise);
        Self {
            raster,
            luma_kernel: Kernel::low_pass(band / BT601_LUMA_RATE.0),
            chroma_kernel: Kernel::low_pass(scene.chroma_band.0 / (CHROMA_RATE.0 / 2.0)),
            luma_window,
            chroma_window,
            border: boxed.and_then(|boxed| border(boxed.sides)),
            luma_noise: NoiseBank::luma(BT601_LUMA_RATE, scene.luma_band, softened, &mut dice),
            chroma_noise: NoiseBank::chroma(CHROMA_RATE, scene.chroma_band, &mut dice),
            offsets: Dice::new(seed, Stream::NoiseOffsets),
            losses: Dice::new(seed, Stream::Heads),
            boxed: boxed.map(|boxed| (boxed, BoxMemory::new(&boxed))),
            lines: Box::new(Lines {
                luma_source: [0.0; LUMA_SOURCE],
                chroma_source: [[0.0; CHROMA_SOURCE]; 2],
                luma: [0.0; LUMA_WIDTH],
                chroma: [[0.0; CHROMA_WIDTH]; 2],
            }),
        }
    }

    /// Draws one field into its rows of the frame.
    pub(super) fn field(&mut self, plan: &FieldPlan<'_>, planes: &mut Planes<'_>) {
        let second = usize::from(self.raster.parity(plan.newer) == Parity::Bottom);
        for row in 0..self.raster.field_rows() {
            let out = planes.row(2 * row + second);
            match plan.content {
                Content::Flat(colour) => flat_row(colour, out),
                Content::Snow => self.snow_row(out),
                Content::Canvas(canvas) => self.picture_row(plan, canvas, (row, second), out),
            }
        }
        if let Some((_, memory)) = &mut self.boxed {
            memory.field_done(plan.newer);
        }
    }

    fn snow_row(&mut self, [luma, cb, cr]: [&mut [u8]; 3]) {
        let noise = self.luma_noise.stretch(LUMA_WIDTH, &mut self.offsets);
        self.lines.luma.fill(SNOW_MEAN);
        add_noise(&mut self.lines.luma, noise, SNOW_RMS);
        to_codes(&self.lines.luma, (1.0, 254.0), luma);
        // The colour killer has acted.
        cb.fill(NO_COLOUR as u8);
        cr.fill(NO_COLOUR as u8);
    }

    fn picture_row(
        &mut self,
        plan: &FieldPlan<'_>,
        canvas: &Canvas,
        (row, second): (usize, usize),
        [luma, cb, cr]: [&mut [u8]; 3],
    ) {
        let place = (2 * row + second) as f64 - 2.0 * plan.defects.moved_down;
        let place = place.rem_euclid(self.raster.lines() as f64);
        if place < self.raster.rows as f64 {
            let low = self
                .boxed
                .as_ref()
                .map_or(0.0, |(model, _)| model.chroma_low.0);
            self.lines
                .draw(plan, canvas, (place, place - 2.0 * low), self.raster);
        } else {
            // The bar between two pictures of a rolling one.
            self.lines.luma_source.fill(plan.tone.blanking as f32);
            self.lines
                .chroma_source
                .iter_mut()
                .for_each(|line| line.fill(0.0));
        }
        self.blank(plan.tone);
        let moved = plan.rows[row];
        if moved.middle.abs() > FAR {
            self.show_sync(plan.tone.blanking as f32);
        }
        let lines = &mut *self.lines;
        resample_luma(
            &self.luma_kernel,
            &lines.luma_source,
            moved,
            &mut lines.luma,
        );
        let late = self
            .boxed
            .as_ref()
            .map_or(Nanos(0.0), |(model, _)| model.chroma_late);
        let moved = Displacement {
            middle: moved.middle + samples_from_nanos(late, BT601_LUMA_RATE).0,
            ..moved
        };
        for (source, out) in lines.chroma_source.iter().zip(&mut lines.chroma) {
            resample_chroma(&self.chroma_kernel, source, moved, out);
        }
        for dropout in plan
            .defects
            .dropouts
            .iter()
            .filter(|dropout| dropout.row == row)
        {
            self.streak(dropout);
        }
        self.add_tape_noise(plan.noise);
        if let Some(share) = plan.carrier.share(row) {
            self.lose_carrier(share, plan.noise);
        }
        self.pass_box(plan, row);
        let lines = &self.lines;
        let (low, high) = plan.tone.clip;
        to_codes(&lines.luma, (low as f32, high as f32), luma);
        to_codes(&lines.chroma[0], (1.0, 254.0), cb);
        to_codes(&lines.chroma[1], (1.0, 254.0), cr);
    }

    /// Fades into blanking at both sides, and turns colour differences into codes about 128.
    fn blank(&mut self, tone: Tone) {
        let blanking = tone.blanking as f32;
        let lines = &mut *self.lines;
        let shown = LUMA_PAD - SPILL..LUMA_PAD + LUMA_WIDTH + SPILL;
        lines.luma_source[..shown.start].fill(blanking);
        lines.luma_source[shown.end..].fill(blanking);
        let weights = &self.luma_window[shown.clone()];
        for (sample, weight) in lines.luma_source[shown].iter_mut().zip(weights) {
            *sample = blanking + (*sample - blanking) * weight;
        }
        for source in &mut lines.chroma_source {
            for (sample, weight) in source.iter_mut().zip(&self.chroma_window[..]) {
                *sample = NO_COLOUR + *sample * weight;
            }
        }
    }

    /// Beyond the blanking of a line lie its sync pulse and the lines beside it; those are much like it.
    fn show_sync(&mut self, blanking: f32) {
        let source = &mut self.lines.luma_source;
        let period = self.raster.line_samples();
        let sync = LUMA_PAD - self.raster.sync_to_raster();
        source[sync..sync + SYNC_SAMPLES].fill(blanking - SYNC_DEPTH);
        source[sync + period..sync + period + SYNC_SAMPLES].fill(blanking - SYNC_DEPTH);
        let (before, line) = (LUMA_PAD - (period - LUMA_WIDTH), LUMA_PAD + LUMA_WIDTH);
        source.copy_within(line - before..line, 0);
        let after = LUMA_PAD + period;
        source.copy_within(LUMA_PAD..LUMA_PAD + LUMA_SOURCE - after, after);
    }

    /// The head lost the signal for a while: one level, with a ragged tail.
    fn streak(&mut self, dropout: &Dropout) {
        let end = (dropout.sample + dropout.samples).min(LUMA_WIDTH);
        let ragged = self.luma_noise.stretch(LUMA_WIDTH, &mut self.offsets);
        let line = &mut self.lines.luma[dropout.sample.min(end)..end];
        let length = dropout.samples as f32;
        for (index, (sample, noise)) in line.iter_mut().zip(ragged).enumerate() {
            let settle = (index as f32 / length) * (index as f32 / length);
            let streak = dropout.code as f32 + 25.0 * noise;
            *sample = streak + (*sample - streak) * settle;
        }
    }

    fn add_tape_noise(&mut self, (luma, chroma): (f32, f32)) {
        if luma > 0.0 {
            let noise = self.luma_noise.stretch(LUMA_WIDTH, &mut self.offsets);
            add_noise(&mut self.lines.luma, noise, luma);
        }
        if chroma > 0.0 {
            for line in &mut self.lines.chroma {
                let noise = self.chroma_noise.stretch(CHROMA_WIDTH, &mut self.offsets);
                add_noise(line, noise, chroma);
            }
        }
    }

    fn lose_carrier(&mut self, share: f32, noise: (f32, f32)) {
        let lines = &mut *self.lines;
        let mut line = ReadLine {
            luma: &mut lines.luma,
            chroma: &mut lines.chroma,
            noise,
        };
        let banks = (&self.luma_noise, &self.chroma_noise);
        line.lose(share, banks, &mut self.losses);
    }

    fn pass_box(&mut self, plan: &FieldPlan<'_>, row: usize) {
        if let Some((model, memory)) = &mut self.boxed {
            memory.clean(model, plan.newer, row, &mut self.lines.luma);
            if model.subcarrier > 0.0 {
                self.lines
                    .leave_subcarrier(model.subcarrier, row, self.raster.standard);
            }
            if let Some((swing, frequency)) = model.pattern {
                let codes = 0.5 * swing.0 * LUMA_CODES / 100.0;
                self.lines
                    .lay_over(codes as f32, frequency, row, self.raster.standard);
            }
        }
        let hum = self.boxed.as_ref().and_then(|(model, _)| model.hum);
        if let Some(border) = &self.border {
            let black = plan.tone.blanking as f32;
            for (sample, weight) in self.lines.luma.iter_mut().zip(&border.0) {
                *sample = black + (*sample - black) * weight;
            }
            for line in &mut self.lines.chroma {
                for (sample, weight) in line.iter_mut().zip(&border.1) {
                    *sample = NO_COLOUR + (*sample - NO_COLOUR) * weight;
                }
            }
        }
        if let Some((swing, frequency)) = hum {
            // Whatever lies over the cable lies over a border drawn before it, too.
            let line = self.raster.standard.line_period().0 * 1e-9;
            let turns = (frequency.0 * (plan.played + row as f64 * line)).fract();
            let codes = 0.5 * swing.0 * LUMA_CODES / 100.0 * libm::sin(TAU * turns);
            for sample in &mut self.lines.luma {
                *sample += codes as f32;
            }
        }
    }
}

impl Lines {
    /// Leaves a share of the colour in luma, on its subcarrier: V changes sign from line to line of PAL.
    fn leave_subcarrier(&mut self, share: f64, row: usize, standard: Standard) {
        let cycles_a_line = standard.subcarrier().0 * standard.line_period().0 * 1e-9;
        let turn = TAU * standard.subcarrier().0 / BT601_LUMA_RATE.0;
        let (turn_sin, turn_cos) = (libm::sin(turn), libm::cos(turn));
        let start = TAU * (cycles_a_line * row as f64).fract();
        let (mut sin, mut cos) = (libm::sin(start), libm::cos(start));
        let v_sign = match standard {
            Standard::Lines625 if row % 2 == 1 => -1.0,
            _ => 1.0,
        };
        let [cb, cr] = &self.chroma;
        for (at, sample) in self.luma.iter_mut().enumerate() {
            let of =
                |line: &[f32; CHROMA_WIDTH]| f64::from(line[at / 2] - NO_COLOUR) / CHROMA_CODES;
            let (u, v) = (U_OF_CB * of(cb), v_sign * V_OF_CR * of(cr));
            *sample += (share * LUMA_CODES * (u * sin + v * cos)) as f32;
            (sin, cos) = (
                sin * turn_cos + cos * turn_sin,
                cos * turn_cos - sin * turn_sin,
            );
        }
    }

    /// Lays a sine of some codes over luma. It runs on from line to line, so its stripes slant.
    fn lay_over(&mut self, codes: f32, frequency: Hertz, row: usize, standard: Standard) {
        let cycles_a_line = frequency.0 * standard.line_period().0 * 1e-9;
        let start = (cycles_a_line * row as f64).fract();
        let cycles_a_sample = frequency.0 / BT601_LUMA_RATE.0;
        for (at, sample) in self.luma.iter_mut().enumerate() {
            let cycles = (start + cycles_a_sample * at as f64).fract();
            *sample += codes * libm::sinf((TAU * cycles) as f32);
        }
    }

    /// Draws a row of the picture and what moves through it, as codes and as colour differences in codes.
    /// Colour may come from another place than luma.
    fn draw(
        &mut self,
        plan: &FieldPlan<'_>,
        canvas: &Canvas,
        (place, colour_place): (f64, f64),
        raster: Raster,
    ) {
        let tone = (plan.tone.black as f32, plan.tone.gain as f32);
        let colour_gain = (CHROMA_CODES * plan.tone.saturation) as f32;
        let shown = LUMA_PAD - SPILL..LUMA_PAD + LUMA_WIDTH + SPILL;
        let luma = &mut self.luma_source[shown];
        canvas.luma_line(plan.view.row(place, SPILL as f64, 1.0), tone, luma);
        let spill = SPILL / 4;
        let shown = CHROMA_PAD - spill..CHROMA_PAD + CHROMA_COARSE + spill;
        let [cb, cr] = &mut self.chroma_source;
        for line in [&mut *cb, &mut *cr] {
            line[..shown.start].fill(0.0);
            line[shown.end..].fill(0.0);
        }
        let (cb, cr) = (&mut cb[shown.clone()], &mut cr[shown]);
        canvas.chroma_line(
            plan.view.row(colour_place, SPILL as f64, 4.0),
            colour_gain,
            cb,
            cr,
        );
        let first = -(SPILL as f32);
        for mover in plan.movers {
            if let Some(slice) = mover.slice(place, raster.rows, plan.seconds) {
                slice.over(luma, first, 1.0, |sample, colour, cover| {
                    *sample += (tone.0 + tone.1 * colour.luma - *sample) * cover;
                });
            }
            let Some(slice) = mover.slice(colour_place, raster.rows, plan.seconds) else {
                continue;
            };
            slice.over(cb, first, 4.0, |sample, colour, cover| {
                *sample += (colour_gain * colour.cb - *sample) * cover;
            });
            slice.over(cr, first, 4.0, |sample, colour, cover| {
                *sample += (colour_gain * colour.cr - *sample) * cover;
            });
        }
    }
}

/// The weights of a border that a box inserts.
fn border(sides: Sides) -> Option<Box<([f32; LUMA_WIDTH], [f32; CHROMA_WIDTH])>> {
    let Sides::Border { left, right } = sides else {
        return None;
    };
    let mut weights = Box::new(([0.0; LUMA_WIDTH], [0.0; CHROMA_WIDTH]));
    picture_window(
        &mut weights.0,
        (0, 1.0, LUMA_WIDTH),
        (left, right),
        BORDER_RISE,
    );
    picture_window(
        &mut weights.1,
        (0, 2.0, LUMA_WIDTH),
        (left, right),
        BORDER_RISE,
    );
    Some(weights)
}

fn flat_row(colour: Colour, [luma, cb, cr]: [&mut [u8]; 3]) {
    let codes = |difference: f32| (NO_COLOUR + CHROMA_CODES as f32 * difference).round() as u8;
    luma.fill((16.0 + 219.0 * colour.luma).round() as u8);
    cb.fill(codes(colour.cb));
    cr.fill(codes(colour.cr));
}

#[multiversion::multiversion(targets("x86_64+avx2"))]
fn add_noise(line: &mut [f32], noise: &[f32], rms: f32) {
    for (sample, noise) in line.iter_mut().zip(noise) {
        *sample += rms * noise;
    }
}

/// Rounds to the nearest code. Adding 1.5·2²³ leaves the rounded number in the low bits of the sum, which compilers turn
/// into vector code where a cast, which must saturate, is not.
#[multiversion::multiversion(targets("x86_64+avx2"))]
fn to_codes(line: &[f32], (low, high): (f32, f32), codes: &mut [u8]) {
    const ROUNDER: f32 = 12_582_912.0;
    for (code, sample) in codes.iter_mut().zip(line) {
        *code = (sample.clamp(low, high) + ROUNDER).to_bits() as u8;
    }
}
