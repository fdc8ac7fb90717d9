//! Subcarrier left in luma: dots that crawl along coloured edges and lie over coloured areas.
//!
//! In: luma of a picture area, its sample rate and standard. Out: the mean square of what is on the subcarrier's frequency and turns
//! from line to line as the subcarrier does. NTSC's is half a cycle on from one line of a field to the next; PAL's from one line to
//! the next but one, whatever the sign of V. Picture detail of that frequency is alike there instead, and noise is neither; so
//! lines are correlated that are half a cycle apart: subcarrier counts against detail, and noise drops out.
//!
//! Detail that is stronger than the dots hides them. Captures of component signals have no subcarrier of their own, but a box
//! before them may have left it.
//!
//! Does not know: chroma.

use std::f64::consts::TAU;

use multiversion::multiversion;

use crate::fields::Plane;
use crate::measures::levels::PictureArea;
use crate::standard::Standard;
use crate::units::Hertz;

/// Samples of a window: 4 µs, 14 cycles of NTSC's; detail further than 0.5 MHz off is out.
const WINDOW: usize = 56;

/// Samples from a window to the next.
const HOP: usize = 28;

/// Rows from a pair that is looked at to the next.
const ROW_STEP: usize = 9;

/// Least windows that tell anything.
const LEAST_WINDOWS: u32 = 200;

/// Windows that overlap or show the same area.
const TOGETHER: f64 = 4.0;

/// Most windows along a row.
const MOST: usize = 128;

/// Power on the subcarrier, in codes², and its standard error.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) power: f64,
    pub(super) sigma: f64,
    pub(super) windows: u32,
}

/// Sine and cosine under a window, for one frequency.
#[derive(Debug)]
pub(super) struct Dots {
    tuned: Option<(f64, f64)>,
    cos: [f32; WINDOW],
    sin: [f32; WINDOW],
    turn: usize,
}

impl Default for Dots {
    fn default() -> Self {
        Self {
            tuned: None,
            cos: [0.0; WINDOW],
            sin: [0.0; WINDOW],
            turn: 0,
        }
    }
}

/// Windows along a row as they swing on the subcarrier: rms in codes, real and imaginary.
type Phasors = [(f32, f32); MOST];

impl Dots {
    /// What is left of the subcarrier in a field; `None` where its frequency does not fit under the sample rate, or the area is small.
    pub(super) fn find(
        &mut self,
        luma: &Plane,
        area: &PictureArea,
        (standard, rate): (Standard, Hertz),
    ) -> Option<Found> {
        let frequency = standard.subcarrier();
        if frequency.0 > 0.45 * rate.0 {
            return None;
        }
        self.tune(frequency, rate);
        self.turn += 1;
        let apart = match standard {
            Standard::Lines525 => 1,
            Standard::Lines625 => 2,
        };
        let rows = area.rows.start..area.rows.end.saturating_sub(apart).min(luma.rows);
        let mut sums = Sums::default();
        for row in rows.skip(self.turn % ROW_STEP).step_by(ROW_STEP) {
            let (mut here, mut there) = ([(0.0, 0.0); MOST], [(0.0, 0.0); MOST]);
            let count = self.demodulate(&luma.row(row)[area.columns.clone()], &mut here);
            self.demodulate(&luma.row(row + apart)[area.columns.clone()], &mut there);
            for (a, b) in here[..count].iter().zip(&there[..count]) {
                sums.add(-f64::from(a.0 * b.0 + a.1 * b.1));
            }
        }
        sums.found()
    }

    fn tune(&mut self, frequency: Hertz, rate: Hertz) {
        if self.tuned == Some((frequency.0, rate.0)) {
            return;
        }
        self.tuned = Some((frequency.0, rate.0));
        let weight = |at: usize| 0.5 - 0.5 * (TAU * (at as f64 + 0.5) / WINDOW as f64).cos();
        let all: f64 = (0..WINDOW).map(weight).sum();
        for at in 0..WINDOW {
            let angle = TAU * frequency.0 / rate.0 * at as f64;
            // a sine of amplitude 1 gives 1/√2: its rms
            let weight = 2.0_f64.sqrt() * weight(at) / all;
            self.cos[at] = (weight * angle.cos()) as f32;
            self.sin[at] = (weight * angle.sin()) as f32;
        }
        // what is flat is not on the subcarrier
        for wave in [&mut self.cos, &mut self.sin] {
            let mean = wave.iter().sum::<f32>() / WINDOW as f32;
            for sample in wave {
                *sample -= mean;
            }
        }
    }

    fn demodulate(&self, row: &[u8], phasors: &mut Phasors) -> usize {
        let windows = row.windows(WINDOW).step_by(HOP);
        let mut count = 0;
        for (phasor, window) in phasors.iter_mut().zip(windows) {
            *phasor = swing(window, &self.cos, &self.sin);
            count += 1;
        }
        count
    }
}

#[multiversion(targets("x86_64+avx2+fma"))]
fn swing(window: &[u8], cos: &[f32; WINDOW], sin: &[f32; WINDOW]) -> (f32, f32) {
    const LANES: usize = 8;
    let (mut real, mut imaginary) = ([0.0_f32; LANES], [0.0_f32; LANES]);
    let (codes, _) = window.as_chunks::<LANES>();
    let (cos, _) = cos.as_chunks::<LANES>();
    let (sin, _) = sin.as_chunks::<LANES>();
    for ((codes, cos), sin) in codes.iter().zip(cos).zip(sin) {
        for lane in 0..LANES {
            real[lane] += f32::from(codes[lane]) * cos[lane];
            imaginary[lane] += f32::from(codes[lane]) * sin[lane];
        }
    }
    (real.iter().sum(), imaginary.iter().sum())
}

#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    count: u32,
    sum: f64,
    squares: f64,
}

impl Sums {
    fn add(&mut self, product: f64) {
        self.count += 1;
        self.sum += product;
        self.squares += product * product;
    }

    fn found(self) -> Option<Found> {
        if self.count < LEAST_WINDOWS {
            return None;
        }
        let count = f64::from(self.count);
        let mean = self.sum / count;
        let variance = (self.squares / count - mean * mean).max(0.0);
        Some(Found {
            power: mean,
            sigma: (variance / (count / TOGETHER)).sqrt(),
            windows: self.count,
        })
    }
}
