//! The spectrum of a picture's sharpest places.
//!
//! In: rows of luma. Out: the mean power of their spectra by frequency, Welch's way, of the stretches with the steepest
//! step in them. The steepest are in focus if anything is, and steps have a spectrum of their own that is known: 1/f².
//!
//! Does not know: noise, or what the chain does to detail.

use multiversion::multiversion;
use realfft::num_complex::Complex;
use std::ops::Range;

use crate::fields::Plane;
use crate::measures::dsp::windowed::Windowed;

/// Samples of a stretch: 9.5 µs of 13.5 MHz.
pub(super) const LENGTH: usize = 128;

/// Bins of a spectrum: every 105 kHz of 13.5 MHz.
pub(super) const BINS: usize = LENGTH / 2 + 1;

/// Samples across which a step is judged: the rise of 3 MHz.
const RISE: usize = 2;

/// Stretches looked at and kept a field.
const LOOKED: u32 = 224;
const KEPT: usize = 24;

/// Steps of the evenly spread sequence (R₂), in 2³²nds.
const STEP_ACROSS: u32 = 3_242_174_889;
const STEP_DOWN: u32 = 2_447_445_414;

/// A stretch of a row and the steepest step in it, in codes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    pub(super) column: usize,
    pub(super) row: usize,
    pub(super) step: u8,
}

/// Plans, sums and room.
#[derive(Debug)]
pub(super) struct Sharpest {
    windowed: Windowed<LENGTH>,
    input: [f32; LENGTH],
    spectrum: Vec<Complex<f32>>,
    turn: u32,
    stretches: Vec<Stretch>,
    sums: [f64; BINS],
    squares: [f64; BINS],
    count: u32,
}

impl Default for Sharpest {
    fn default() -> Self {
        let windowed = Windowed::default();
        Self {
            input: [0.0; LENGTH],
            spectrum: windowed.spectrum(),
            windowed,
            turn: 0,
            stretches: Vec::new(),
            sums: [0.0; BINS],
            squares: [0.0; BINS],
            count: 0,
        }
    }
}

/// Mean power by frequency, in codes² where white noise of one code has 1, with the standard error of each mean.
#[derive(Clone, Debug)]
pub(super) struct Mean {
    pub(super) power: [f64; BINS],
    pub(super) sigma: [f64; BINS],
}

impl Sharpest {
    /// Begins anew, with other places too.
    pub(super) fn reset(&mut self) {
        self.turn = 0;
        self.clear();
    }

    /// Forgets the sums.
    pub(super) fn clear(&mut self) {
        self.sums.fill(0.0);
        self.squares.fill(0.0);
        self.count = 0;
    }

    /// Stretches summed up since.
    pub(super) fn count(&self) -> u32 {
        self.count
    }

    /// Sums up the sharpest stretches of a field, those with a step of `least` codes, and gives them.
    pub(super) fn take(
        &mut self,
        luma: &Plane,
        (columns, rows): (&Range<usize>, &Range<usize>),
        least: f64,
    ) -> &[Stretch] {
        self.stretches.clear();
        self.stretches.reserve(LOOKED as usize);
        let across = (columns.len() + 1).saturating_sub(LENGTH);
        if across == 0 || rows.is_empty() {
            return &[];
        }
        for nth in 0..LOOKED {
            let nth = self.turn.wrapping_mul(LOOKED).wrapping_add(nth);
            let spread = |step: u32, span: usize| {
                ((u64::from(nth.wrapping_mul(step)) * span as u64) >> 32) as usize
            };
            let column = columns.start + spread(STEP_ACROSS, across);
            let row = rows.start + spread(STEP_DOWN, rows.len());
            let step = steepest(&luma.row(row)[column..column + LENGTH]);
            self.stretches.push(Stretch { column, row, step });
        }
        self.turn = self.turn.wrapping_add(1);
        self.stretches
            .retain(|found| f64::from(found.step) >= least);
        let kept = KEPT.min(self.stretches.len());
        if kept < self.stretches.len() {
            self.stretches
                .select_nth_unstable_by_key(kept, |found| std::cmp::Reverse(found.step));
        }
        for nth in 0..kept {
            let Stretch { column, row, .. } = self.stretches[nth];
            self.sum_up(&luma.row(row)[column..column + LENGTH]);
        }
        &self.stretches[..kept]
    }

    fn sum_up(&mut self, samples: &[u8]) {
        let mean = samples.iter().map(|&code| u32::from(code)).sum::<u32>() as f32 / LENGTH as f32;
        let weights = self.windowed.weights();
        for ((input, &code), weight) in self.input.iter_mut().zip(samples).zip(weights) {
            *input = (f32::from(code) - mean) * weight;
        }
        self.windowed.transform(&mut self.input, &mut self.spectrum);
        let sums = self.sums.iter_mut().zip(&mut self.squares);
        for ((sum, squares), value) in sums.zip(&self.spectrum) {
            let power = f64::from(value.norm_sqr());
            *sum += power;
            *squares += power * power;
        }
        self.count += 1;
    }

    /// The mean since the sums began.
    pub(super) fn mean(&self) -> Mean {
        let count = f64::from(self.count.max(1));
        let scale = 1.0 / f64::from(self.windowed.squares());
        let mut mean = Mean {
            power: [0.0; BINS],
            sigma: [0.0; BINS],
        };
        for bin in 0..BINS {
            let average = self.sums[bin] / count;
            let variance = (self.squares[bin] / count - average * average).max(0.0);
            mean.power[bin] = scale * average;
            mean.sigma[bin] = scale * (variance / count).sqrt();
        }
        mean
    }
}

/// The largest difference of samples two apart.
#[multiversion(targets("x86_64+avx2"))]
fn steepest(samples: &[u8]) -> u8 {
    let mut most = 0;
    for (one, other) in samples.iter().zip(&samples[RISE..]) {
        most = most.max(one.abs_diff(*other));
    }
    most
}
