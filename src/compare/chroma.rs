//! What one chain makes of another's colour across a line: response in dB against MHz, where it has fallen, and how much later colour
//! comes than luma.
//!
//! In: the rows of both colour differences that show the same line of the same moment, and where luma of that line stands. Out: a
//! [`ChromaResponse`] with intervals by block bootstrap over seconds. Both differences of a line make one complex signal, Cb the
//! real part. A chain that turns the hue turns all of it by one angle; a chain that is late turns what lies above zero
//! frequency one way and what lies below the other. So the two are told apart, whatever the picture shows. Each line is first
//! moved back by what its luma is displaced by, so that what is left of the phase slope is chroma's own.
//!
//! A window resolves a tenth of a megahertz. What it smears in from neighbours is taken out to first order; beside a null, where that
//! is not enough, the response reads up to a dB too shallow.
//!
//! Noise of the first play is kept out of the response as in [`super::response`], by how spectra grow with what lines show.
//!
//! Does not know: pictures, files, or which of the two is right.

use std::ops::{Range, RangeInclusive};

use realfft::num_complex::Complex;
use serde::Serialize;

use crate::units::{Hertz, Samples, nanos_from_samples};

use super::bootstrap::{Interval, block_length, bootstrap};
use super::response::{
    BINS, Band, COHERENT, LEAST_SECONDS, LENGTH, Shown, Smear, Transformer, at_middle,
    displacement, shown, starts, turn_of, wide,
};

/// Bins that are kept: to 2.5 MHz of 6.75 MHz, twice what colour of any tape reaches.
const KEPT: usize = 48;

/// Bins in which colour shows where it is: 0.05 to 0.8 MHz of 6.75 MHz. Tape carries half a megahertz.
const TELLING: RangeInclusive<usize> = 1..=15;

/// Bins by which it is told whether a second shows colour at all: about 0.15 MHz of 6.75 MHz.
const SURE: Range<usize> = 2..4;

/// Frequencies that are told, in MHz, and how far to either side bins count.
const FREQUENCIES: [f64; 10] = [0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 1.0, 1.25];
const HALF_BAND: f64 = 0.055;

/// Below, what the mean leaves behind is stronger than what is shown.
const LEAST_MEGAHERTZ: f64 = 0.09;

/// Falls that are told, in dB: half the power, half the amplitude.
const FALLS: [f64; 2] = [3.0, 6.0];

/// Bins beyond what is coherent in which a resample may still find its fall: else those that fall last would be left out.
const BEYOND: usize = 4;

/// Samples by which windows of the second may be cut further on, so that both hold the same: 1.2 µs of 6.75 MHz.
const MOST_ACROSS: f64 = 8.0;

/// Figures of a bin.
const FIGURES: usize = 7;

/// Figures of a second.
const SUMS: usize = 2 + FIGURES * KEPT;

/// Sums over the lines of one second: lines, what both show of them, then bin by bin what [`figures`] says.
type Sums = [f64; SUMS];

/// What the second chain makes of the first's colour across a line.
#[derive(Clone, Debug, Serialize)]
pub struct ChromaResponse {
    /// Seconds it rests on.
    pub seconds: usize,
    /// From low to high, beside the lowest.
    pub bands: Vec<Band>,
    /// Where it has fallen, beside the lowest band.
    pub falls: Vec<Fall>,
    /// How much later than luma colour comes in the second, beside the first, in ns; `None` of too little colour.
    pub late_ns: Option<Interval>,
}

/// The frequency at which colour of the second has fallen beside that of the first.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Fall {
    /// By so many dB.
    pub decibels: f64,
    /// There, in MHz; `None` where it has not fallen so far by where both stop showing the same.
    pub megahertz: Option<Interval>,
    /// Not before this, in MHz, where that is all that is known.
    pub at_least_megahertz: Option<f64>,
}

/// Rows of blue and red difference of one line in both plays.
#[derive(Clone, Copy, Debug)]
pub(super) struct PairOfRows<'a> {
    pub(super) first: [&'a [u8]; 2],
    pub(super) second: [&'a [u8]; 2],
    /// How far to the right the second stands by luma, in samples of colour.
    pub(super) displaced: f64,
}

/// Spectra of one line, sums over its windows.
#[derive(Clone, Debug)]
struct Line {
    first: [f64; KEPT],
    second: [f64; KEPT],
    /// Cross-spectrum above zero frequency and, at the same places, below.
    above: [Complex<f64>; KEPT],
    below: [Complex<f64>; KEPT],
}

/// Adds pairs of rows up.
#[derive(Debug)]
pub(super) struct ChromaComparer {
    transformer: Transformer,
    /// Of blue and red difference, of the first and of the second.
    spectra: [[Vec<Complex<f32>>; 2]; 2],
    lines: Vec<Line>,
    seconds: Vec<Sums>,
    /// Samples by which colour of the second was later so far: its windows are cut so much further on.
    across: isize,
}

impl ChromaComparer {
    pub(super) fn new() -> Self {
        let transformer = Transformer::default();
        Self {
            spectra: transformer.rooms(),
            transformer,
            lines: Vec::new(),
            seconds: Vec::new(),
            across: 0,
        }
    }

    /// Begins another second of tape.
    pub(super) fn begin_second(&mut self) {
        self.seconds.push([0.0; SUMS]);
    }

    /// Adds one field of both plays.
    pub(super) fn add<'a>(&mut self, rows: impl Iterator<Item = PairOfRows<'a>>) {
        let mut lines = std::mem::take(&mut self.lines);
        lines.clear();
        lines.extend(rows.map(|pair| self.transform(pair)));
        if let Some(second) = self.seconds.last_mut() {
            sum(&lines, second);
            // What stands in different parts of a window is taken for nearer than it is.
            if coherence(second, &SURE) > COHERENT {
                self.across = later(second).clamp(-MOST_ACROSS, MOST_ACROSS).round() as isize;
            }
        }
        self.lines = lines;
    }

    fn transform(&mut self, pair: PairOfRows<'_>) -> Line {
        let mut line = Line {
            first: [0.0; KEPT],
            second: [0.0; KEPT],
            above: [Complex::ZERO; KEPT],
            below: [Complex::ZERO; KEPT],
        };
        let width = pair.first[0].len().min(pair.second[0].len());
        // A step has a sample at either end.
        let left = pair.displaced - self.across as f64;
        for start in starts(width.saturating_sub(1)) {
            let Some(moved) = start.checked_add_signed(self.across) else {
                continue;
            };
            let plays = [(pair.first, start), (pair.second, moved)];
            let mut is_whole = true;
            for ((rows, start), spectra) in plays.into_iter().zip(&mut self.spectra) {
                for (row, spectrum) in rows.iter().zip(spectra) {
                    is_whole &= self.transformer.transform_steps(row, start, spectrum);
                }
            }
            if !is_whole {
                continue;
            }
            for bin in 0..KEPT {
                let [(x, below_x), (y, below_y)] =
                    [&self.spectra[0], &self.spectra[1]].map(|spectra| of_both(spectra, bin));
                let turn = Complex::from_polar(1.0, turn_of(bin) * left);
                line.first[bin] += x.norm_sqr() + below_x.norm_sqr();
                line.second[bin] += y.norm_sqr() + below_y.norm_sqr();
                line.above[bin] += x.conj() * y * turn;
                line.below[bin] += below_x.conj() * below_y * turn.conj();
            }
        }
        line
    }

    /// What it comes to, for samples of colour at this rate; `None` of too little tape, or of none in colour.
    pub(super) fn response(&self, rate: Hertz) -> Option<ChromaResponse> {
        let seconds: Vec<Sums> = self
            .seconds
            .iter()
            .filter(|sums| sums[0] > 0.0)
            .copied()
            .collect();
        if seconds.len() < LEAST_SECONDS {
            return None;
        }
        let mut all = [0.0; SUMS];
        for second in &seconds {
            for (sum, one) in all.iter_mut().zip(second) {
                *sum += one;
            }
        }
        let bins = Bins::of(rate);
        let lowest = bins.around(FREQUENCIES[0]);
        // Of grey pictures, or of grey and noise, nothing is said.
        if coherence(&all, &lowest) < COHERENT {
            return None;
        }
        let late = |sums: &Sums| Some(nanos_from_samples(Samples(later(sums)), rate).0);
        let of_seconds: Vec<f64> = seconds.iter().filter_map(late).collect();
        let block = block_length(&of_seconds, 1);
        let turned_by = later(&all);
        let level_at = |sums: &Sums, megahertz: f64, smear: Smear| {
            at_middle(bins.around(megahertz), megahertz / bins.megahertz, |bin| {
                level(sums, bin, turned_by, smear)
            })
        };
        let at_lowest = |sums: &Sums, smear: Smear| level_at(sums, FREQUENCIES[0], smear);
        let beside_lowest = |sums: &Sums, megahertz: f64, smear: Smear| {
            Some(level_at(sums, megahertz, smear)? - at_lowest(sums, smear)?)
        };
        let told = FREQUENCIES.iter().map(|&megahertz| {
            let own = bins.around(megahertz);
            let decibels = Smear::told(
                |smear| beside_lowest(&all, megahertz, smear),
                |smear| {
                    bootstrap(&seconds, block, |sums| {
                        beside_lowest(sums, megahertz, smear)
                    })
                },
            );
            Band {
                megahertz,
                decibels,
                coherence: coherence(&all, &own),
            }
        });
        let end = bins.end_of_coherence(&all);
        let fall = |decibels: f64| {
            let at = |sums: &Sums, end: usize| {
                let smear = Smear::TakenOut;
                let lowest_level = at_lowest(sums, smear)?;
                let bin = fall_of(decibels, lowest.start..end, |bin| {
                    Some(level(sums, bin, turned_by, smear)? - lowest_level)
                })?;
                Some(bin * bins.megahertz)
            };
            let megahertz = at(&all, end)
                .and_then(|_| bootstrap(&seconds, block, |sums| at(sums, end + BEYOND)));
            Fall {
                decibels,
                megahertz,
                at_least_megahertz: megahertz
                    .is_none()
                    .then_some((end.saturating_sub(1).max(lowest.start)) as f64 * bins.megahertz),
            }
        };
        Some(ChromaResponse {
            seconds: seconds.len(),
            bands: told.collect(),
            falls: FALLS.map(fall).to_vec(),
            late_ns: bootstrap(&seconds, block, late),
        })
    }
}

/// Where bins lie.
#[derive(Clone, Copy, Debug)]
struct Bins {
    /// From one to the next.
    megahertz: f64,
}

impl Bins {
    fn of(rate: Hertz) -> Self {
        Self {
            megahertz: rate.0 / 1e6 / LENGTH as f64,
        }
    }

    /// Those about a frequency.
    fn around(self, megahertz: f64) -> Range<usize> {
        let from = (megahertz - HALF_BAND).max(LEAST_MEGAHERTZ) / self.megahertz;
        let to = (megahertz + HALF_BAND) / self.megahertz;
        let from = (from.ceil() as usize).min(KEPT);
        from..(to.floor() as usize + 1).clamp(from, KEPT)
    }

    /// The bin from which on less than [`COHERENT`] is common, or the last but what resamples reach.
    fn end_of_coherence(self, all: &Sums) -> usize {
        let last = KEPT - BEYOND;
        let mut bins = self.around(FREQUENCIES[0]).start..last;
        // Two at a time, as one alone is known too little.
        bins.find(|&bin| coherence(all, &(bin..bin + 2)) < COHERENT)
            .unwrap_or(last)
    }
}

/// Spectrum of the complex signal of both differences in a bin above zero frequency, and in that as far below.
fn of_both([blue, red]: &[Vec<Complex<f32>>; 2], bin: usize) -> (Complex<f64>, Complex<f64>) {
    let (blue, red) = (wide(blue[bin]), wide(red[bin]));
    let turned = Complex::I;
    (blue + red * turned, blue.conj() + red.conj() * turned)
}

/// Adds the lines of a field, its hue turned back.
fn sum(lines: &[Line], second: &mut Sums) {
    let (mut above, mut below) = ([Complex::ZERO; KEPT], [Complex::ZERO; KEPT]);
    for line in lines {
        for bin in 0..KEPT {
            above[bin] += line.above[bin];
            below[bin] += line.below[bin];
        }
    }
    let back = Complex::from_polar(1.0, -hue(&above, &below));
    let cross_of = |above: &[Complex<f64>; KEPT], below: &[Complex<f64>; KEPT]| {
        let mut cross = [Complex::ZERO; BINS];
        for (cross, (above, below)) in cross.iter_mut().zip(above.iter().zip(below)) {
            *cross = above * back + (below * back).conj();
        }
        cross
    };
    let (later, _) = displacement(&[cross_of(&above, &below)], TELLING);
    for line in lines {
        let cross = cross_of(&line.above, &line.below);
        // The root, so that the few lines of most colour don't speak for all.
        let common = shown(&[cross], later, TELLING).max(0.0).sqrt();
        second[0] += 1.0;
        second[1] += common;
        for (bin, cross) in cross.iter().enumerate().take(KEPT) {
            let figures = [
                line.first[bin],
                line.second[bin],
                cross.re,
                cross.im,
                common * line.first[bin],
                common * cross.re,
                common * cross.im,
            ];
            let place = 2 + FIGURES * bin;
            for (sum, one) in second[place..place + FIGURES].iter_mut().zip(figures) {
                *sum += one;
            }
        }
    }
}

/// The angle by which all colours are turned: what lateness turns one way above zero and the other way below drops out of the
/// product of the two.
fn hue(above: &[Complex<f64>; KEPT], below: &[Complex<f64>; KEPT]) -> f64 {
    let (mut product, mut sum): (Complex<f64>, Complex<f64>) = (Complex::ZERO, Complex::ZERO);
    for bin in TELLING {
        product += above[bin] * below[bin];
        sum += above[bin] + below[bin];
    }
    let half = 0.5 * product.arg();
    // Half an angle is one of two; the other is that of the opposite colours.
    if (sum * Complex::from_polar(1.0, -half)).re < 0.0 {
        half + std::f64::consts::PI
    } else {
        half
    }
}

/// Figures of a bin: power of the first and of the second, and cross-spectrum; powers and cross-spectrum by what lines show.
fn figures(sums: &Sums, bin: usize) -> (Shown, f64) {
    let place = 2 + FIGURES * bin;
    let [first, second, re, im, common_first, common_re, common_im] =
        std::array::from_fn(|at| sums[place + at]);
    let shown = Shown {
        lines: sums[0],
        common: sums[1],
        first,
        cross: Complex::new(re, im),
        common_first,
        common_cross: Complex::new(common_re, common_im),
    };
    (shown, second)
}

/// How far to the right of where luma puts it colour stands in the second, in its samples.
fn later(sums: &Sums) -> f64 {
    let mut cross = [Complex::ZERO; BINS];
    for bin in TELLING {
        cross[bin] = figures(sums, bin).0.cross;
    }
    displacement(&[cross], TELLING).0
}

/// Response in one bin, in dB, with the second moved back by so much; `None` where the first shows too little there.
fn level(sums: &Sums, bin: usize, later: f64, smear: Smear) -> Option<f64> {
    let moved_back = |bin: usize| {
        let (mut shown, _) = figures(sums, bin);
        let turn = Complex::from_polar(1.0, turn_of(bin) * later);
        shown.cross *= turn;
        shown.common_cross *= turn;
        shown
    };
    let shown = smear.sums(bin, KEPT, moved_back);
    Some(20.0 * shown.gain()?.log10())
}

/// Magnitude-squared coherence over some bins.
fn coherence(sums: &Sums, bins: &Range<usize>) -> f64 {
    let each = bins.clone().map(|bin| {
        let (shown, second) = figures(sums, bin);
        shown.cross.norm_sqr() / (shown.first * second).max(f64::MIN_POSITIVE)
    });
    each.sum::<f64>() / bins.len().max(1) as f64
}

/// Where a response first falls by so many dB, in bins; `None` where it does not.
fn fall_of(decibels: f64, bins: Range<usize>, level: impl Fn(usize) -> Option<f64>) -> Option<f64> {
    let mut before = None;
    for bin in bins {
        let here = level(bin)?;
        if here <= -decibels {
            // A straight line from the bin before, if any has not fallen.
            return Some(before.map_or(bin as f64, |before: f64| {
                bin as f64 - (here + decibels) / (here - before)
            }));
        }
        before = Some(here);
    }
    None
}

#[cfg(test)]
mod tests;
