//! What one chain makes of another's picture across a line: response in dB against MHz, coherence, and where it puts things.
//!
//! In: pairs of lines that show the same line of the same moment of tape, field by field, second by second. Out: a
//! [`Response`]. Spectra by Welch's method: raised cosine, half overlap. Each play displaces lines in its own way, so the lines
//! of a pair are first brought together by the one displacement that fits them best.
//!
//! Noise that only the first play has would make its spectrum too large and the response too low. It is the same in lines of
//! much and of little detail. So the response is by how much the cross-spectrum *changes* from line to line with what both show,
//! over how much the first spectrum does (an instrumental variable: what both show is free of either's own noise).
//! Coherence is that of Welch-averaged spectra, as in `SciPy`'s `signal.coherence`.
//!
//! Does not know: pictures, files, or which of the two is right.

use std::array;
use std::f64::consts::TAU;
use std::ops::RangeInclusive;

use realfft::num_complex::Complex;
use serde::Serialize;

use crate::measures::dsp::windowed::Windowed;

use super::bootstrap::Interval;

/// Samples under one window: 105 kHz apart at 13.5 MHz.
pub(super) const LENGTH: usize = 128;

/// Bins of a spectrum.
pub(super) const BINS: usize = LENGTH / 2 + 1;

/// Samples from one window to the next.
const STEP: usize = LENGTH / 2;

/// Bins in which pictures show where they are: 0.1 to 2.5 MHz.
const TELLING: RangeInclusive<usize> = 1..=24;

/// Displacements that are tried, in samples: 20 to either side, four a sample.
const REACH: i32 = 80;
const TRIES_A_SAMPLE: f64 = 4.0;

/// Frequencies that are told, in MHz, and how far to either side bins count.
const FREQUENCIES: [f64; 11] = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5];
const HALF_BAND: f64 = 0.25;

/// Windows across a line at most: 1920 samples.
const MOST_PLACES: usize = 1920 / STEP;

/// A line tells where it stands with at least this part of what the usual line of its field shows.
const TELLS: f64 = 0.5;

/// Seconds without which nothing is said.
pub(super) const LEAST_SECONDS: usize = 5;

/// Share of the power that both must have in common for what is said of a frequency to be of the picture, and not of noise.
pub const COHERENT: f64 = 0.5;

/// Sums over the lines of one second.
#[derive(Clone, Debug)]
struct Sums {
    lines: f64,
    /// What both show of a line, and its sums with the spectra.
    common: f64,
    first: [f64; BINS],
    second: [f64; BINS],
    cross: [Complex<f64>; BINS],
    common_first: [f64; BINS],
    common_cross: [Complex<f64>; BINS],
    /// Displacement weighted with what both show.
    displaced: f64,
    /// By window across: what the lines, brought together, show alike.
    places: Vec<[Complex<f64>; BINS]>,
}

impl Sums {
    fn new() -> Self {
        Self {
            lines: 0.0,
            common: 0.0,
            first: [0.0; BINS],
            second: [0.0; BINS],
            cross: [Complex::ZERO; BINS],
            common_first: [0.0; BINS],
            common_cross: [Complex::ZERO; BINS],
            displaced: 0.0,
            places: Vec::new(),
        }
    }
}

/// One frequency.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Band {
    /// Middle, in MHz.
    pub megahertz: f64,
    /// Amplitude of the second over that of the first, beside what it is at the lowest frequency, in dB; the mean of the band.
    pub decibels: Option<Interval>,
    /// Share of the power that both have in common, 0 to 1.
    pub coherence: f64,
}

/// What the second chain makes of the first's picture across a line.
#[derive(Clone, Debug, Serialize)]
pub struct Response {
    /// Seconds it rests on.
    pub seconds: usize,
    /// From low to high.
    pub bands: Vec<Band>,
    /// How far the second picture lies to the right, in samples at the middle of the line.
    pub right_samples: Option<Interval>,
    /// By how much the second picture is wider, in %.
    pub wider_percent: Option<Interval>,
    /// Amplitude of the second over that of the first, contrast and all, bin by bin; `None` where the first shows too little.
    #[serde(skip)]
    pub(super) gains: [Option<f64>; BINS],
}

/// Transforms stretches of lines under a raised cosine.
#[derive(Debug, Default)]
pub(super) struct Transformer(Windowed<LENGTH>);

impl Transformer {
    /// Room for a spectrum.
    pub(super) fn room(&self) -> Vec<Complex<f32>> {
        self.0.spectrum()
    }

    /// Room for two spectra of each of two plays.
    pub(super) fn rooms(&self) -> [[Vec<Complex<f32>>; 2]; 2] {
        array::from_fn(|_| array::from_fn(|_| self.room()))
    }

    /// The spectrum of what stands from `start` on, without its mean; `false` where the line ends before.
    pub(super) fn transform(
        &mut self,
        line: &[u8],
        start: usize,
        spectrum: &mut [Complex<f32>],
    ) -> bool {
        let Some(codes) = line.get(start..start + LENGTH) else {
            return false;
        };
        let mean = codes.iter().map(|&code| f32::from(code)).sum::<f32>() / LENGTH as f32;
        self.weighted(|at| f32::from(codes[at]) - mean, spectrum);
        true
    }

    /// The spectrum of the steps from sample to sample, from `start` on; `false` where the line ends before.
    ///
    /// Of what falls with frequency as steeply as colour of tape does, a window lets the lowest leak into all else, with a phase
    /// that is not theirs. Steps are much more even.
    pub(super) fn transform_steps(
        &mut self,
        line: &[u8],
        start: usize,
        spectrum: &mut [Complex<f32>],
    ) -> bool {
        let Some(codes) = line.get(start..=start + LENGTH) else {
            return false;
        };
        self.weighted(
            |at| f32::from(codes[at + 1]) - f32::from(codes[at]),
            spectrum,
        );
        true
    }

    fn weighted(&mut self, sample: impl Fn(usize) -> f32, spectrum: &mut [Complex<f32>]) {
        let weights = self.0.weights();
        let mut samples = array::from_fn(|at| sample(at) * weights[at]);
        self.0.transform(&mut samples, spectrum);
    }
}

/// Where windows begin in a line.
pub(super) fn starts(width: usize) -> impl Iterator<Item = usize> {
    (0..=width.saturating_sub(LENGTH))
        .step_by(STEP)
        .take(MOST_PLACES)
}

/// Adds pairs of lines up.
#[derive(Debug)]
pub(super) struct Comparer {
    transformer: Transformer,
    spectra: [Vec<Complex<f32>>; 2],
    lines: Vec<PairOfLines>,
    seconds: Vec<Sums>,
    width: usize,
}

/// Spectra of a pair of lines: of each window, and where the second stands.
#[derive(Clone, Debug)]
struct PairOfLines {
    first: [f64; BINS],
    second: [f64; BINS],
    cross: Vec<[Complex<f64>; BINS]>,
    displaced: f64,
    shown: f64,
}

impl Comparer {
    pub(super) fn new() -> Self {
        let transformer = Transformer::default();
        Self {
            spectra: [transformer.room(), transformer.room()],
            transformer,
            lines: Vec::new(),
            seconds: Vec::new(),
            width: 0,
        }
    }

    /// Begins another second of tape.
    pub(super) fn begin_second(&mut self) {
        self.seconds.push(Sums::new());
    }

    /// Adds one field of both plays, line by line; lines are as long as each other.
    pub(super) fn add<'a>(&mut self, pairs: impl Iterator<Item = (&'a [u8], &'a [u8])>) {
        if self.seconds.is_empty() {
            self.begin_second();
        }
        self.look(pairs);
        let lines = std::mem::take(&mut self.lines);
        self.sum(&lines);
        self.lines = lines;
    }

    /// Finds where the lines of a field stand, and adds nothing.
    pub(super) fn look<'a>(&mut self, pairs: impl Iterator<Item = (&'a [u8], &'a [u8])>) {
        let mut lines = std::mem::take(&mut self.lines);
        lines.clear();
        lines.extend(pairs.map(|(first, second)| self.transform(first, second)));
        Self::bring_together(&mut lines);
        self.lines = lines;
    }

    fn transform(&mut self, first: &[u8], second: &[u8]) -> PairOfLines {
        let mut pair = PairOfLines {
            first: [0.0; BINS],
            second: [0.0; BINS],
            cross: Vec::with_capacity(MOST_PLACES),
            displaced: 0.0,
            shown: 0.0,
        };
        let width = first.len().min(second.len());
        for start in starts(width) {
            for (line, spectrum) in [first, second].into_iter().zip(&mut self.spectra) {
                if !self.transformer.transform(line, start, spectrum) {
                    return pair;
                }
            }
            let mut cross = [Complex::ZERO; BINS];
            for bin in 0..BINS {
                let [x, y] =
                    [&self.spectra[0], &self.spectra[1]].map(|spectrum| wide(spectrum[bin]));
                pair.first[bin] += x.norm_sqr();
                pair.second[bin] += y.norm_sqr();
                cross[bin] = x.conj() * y;
            }
            pair.cross.push(cross);
        }
        self.width = width;
        (pair.displaced, pair.shown) = displacement(&pair.cross, TELLING);
        pair
    }

    /// How far to the right each line of the field last looked at stands in the second play, in samples.
    pub(super) fn displacements(&self) -> impl Iterator<Item = f64> {
        self.lines.iter().map(|line| line.displaced)
    }

    /// Gives lines that tell too little the displacement of the others of their field.
    fn bring_together(lines: &mut [PairOfLines]) {
        let Some(usual) = middle(lines.iter().map(|line| line.shown)) else {
            return;
        };
        let telling = lines.iter().filter(|line| line.shown >= TELLS * usual);
        let Some(displaced) = middle(telling.map(|line| line.displaced)) else {
            return;
        };
        for line in lines.iter_mut().filter(|line| line.shown < TELLS * usual) {
            line.displaced = displaced;
            line.shown = shown(&line.cross, displaced, TELLING);
        }
    }

    fn sum(&mut self, lines: &[PairOfLines]) {
        let Some(second) = self.seconds.last_mut() else {
            return;
        };
        for line in lines.iter().filter(|line| !line.cross.is_empty()) {
            // The root, so that the few lines of most contrast don't speak for all.
            let common = line.shown.max(0.0).sqrt();
            second.lines += 1.0;
            second.common += common;
            second.displaced += common * line.displaced;
            if second.places.len() < line.cross.len() {
                second
                    .places
                    .resize(line.cross.len(), [Complex::ZERO; BINS]);
            }
            for bin in 0..BINS {
                let turn = Complex::from_polar(1.0, turn_of(bin) * line.displaced);
                let mut cross = Complex::ZERO;
                for (window, place) in line.cross.iter().zip(&mut second.places) {
                    let product = window[bin] * turn;
                    cross += product;
                    place[bin] += product;
                }
                second.first[bin] += line.first[bin];
                second.second[bin] += line.second[bin];
                second.cross[bin] += cross;
                second.common_first[bin] += common * line.first[bin];
                second.common_cross[bin] += cross * common;
            }
        }
    }

    /// What it comes to, for samples so many MHz apart; `None` of too little tape.
    pub(super) fn response(&self, sampled_megahertz: f64) -> Option<Response> {
        let seconds: Vec<&Sums> = self
            .seconds
            .iter()
            .filter(|second| second.lines > 0.0)
            .collect();
        if seconds.len() < LEAST_SECONDS {
            return None;
        }
        let seconds = Seconds::of(&seconds);
        let bin_megahertz = sampled_megahertz / LENGTH as f64;
        let of_band = |centre: f64| {
            (1..BINS).filter(move |&bin| (bin as f64 * bin_megahertz - centre).abs() <= HALF_BAND)
        };
        let level_at = |sums: &Sums, megahertz: f64, smear: Smear| {
            at_middle(of_band(megahertz), megahertz / bin_megahertz, |bin| {
                level(sums, bin, smear)
            })
        };
        let beside_lowest = |sums: &Sums, megahertz: f64, smear: Smear| {
            Some(level_at(sums, megahertz, smear)? - level_at(sums, FREQUENCIES[0], smear)?)
        };
        let bands = FREQUENCIES
            .iter()
            .filter(|&&centre| centre + HALF_BAND < 0.5 * sampled_megahertz)
            .map(|&megahertz| {
                let bins: Vec<usize> = of_band(megahertz).collect();
                Band {
                    megahertz,
                    decibels: Smear::told(
                        |smear| beside_lowest(&seconds.all, megahertz, smear),
                        |smear| seconds.figure(|sums| beside_lowest(sums, megahertz, smear)),
                    ),
                    coherence: coherence(&seconds.all, &bins),
                }
            })
            .collect();
        Some(Response {
            seconds: seconds.but_one.len(),
            bands,
            right_samples: seconds.figure(|sums| self.line_of_places(sums).map(|(at, _)| at)),
            wider_percent: seconds
                .figure(|sums| self.line_of_places(sums).map(|(_, slope)| 100.0 * slope)),
            gains: array::from_fn(|bin| {
                let decibels = level(&seconds.all, bin, Smear::Left)?;
                Some(10_f64.powf(decibels / 20.0))
            }),
        })
    }

    /// Displacement in the middle of the line, and what it grows by a sample to the right.
    fn line_of_places(&self, sums: &Sums) -> Option<(f64, f64)> {
        let level = (sums.common > 0.0).then(|| sums.displaced / sums.common)?;
        let half = 0.5 * self.width as f64;
        let (mut n, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (place, cross) in sums.places.iter().enumerate() {
            let (displaced, shown) = displacement(std::slice::from_ref(cross), TELLING);
            if shown > 0.0 {
                let across = (place * STEP + LENGTH / 2) as f64 - half;
                n += shown;
                x += shown * across;
                xx += shown * across * across;
                y += shown * displaced;
                xy += shown * across * displaced;
            }
        }
        let determinant = n * xx - x * x;
        let slope = (determinant > 1e-9 * n * n).then(|| (n * xy - x * y) / determinant)?;
        Some((level + (y - slope * x) / n, slope))
    }
}

pub(super) fn wide(value: Complex<f32>) -> Complex<f64> {
    Complex::new(f64::from(value.re), f64::from(value.im))
}

/// Radians a sample of a bin.
pub(super) fn turn_of(bin: usize) -> f64 {
    TAU * bin as f64 / LENGTH as f64
}

/// What both windows of a pair show alike, in some bins, when the second is moved back by so much.
pub(super) fn shown(
    cross: &[[Complex<f64>; BINS]],
    displaced: f64,
    telling: RangeInclusive<usize>,
) -> f64 {
    let mut sum = 0.0;
    for bin in telling {
        let turn = Complex::from_polar(1.0, turn_of(bin) * displaced);
        sum += cross
            .iter()
            .map(|window| (window[bin] * turn).re)
            .sum::<f64>();
    }
    sum
}

/// Where the second line stands against the first by some bins, and what both show then.
pub(super) fn displacement(
    cross: &[[Complex<f64>; BINS]],
    telling: RangeInclusive<usize>,
) -> (f64, f64) {
    let mut sums = [Complex::ZERO; BINS];
    for window in cross {
        for bin in telling.clone() {
            sums[bin] += window[bin];
        }
    }
    let sums = [sums];
    let at = |step: i32| shown(&sums, f64::from(step) / TRIES_A_SAMPLE, telling.clone());
    let mut best = (0, f64::NEG_INFINITY);
    for step in -REACH..=REACH {
        let here = at(step);
        if here > best.1 {
            best = (step, here);
        }
    }
    // The top of a curve of limited bandwidth, four values a sample: a parabola is within hundredths of it, Newton's step
    // from there within thousandths.
    let mut displaced = f64::from(best.0) / TRIES_A_SAMPLE;
    for _ in 0..4 {
        let (mut slope, mut bend) = (0.0, 0.0);
        for bin in telling.clone() {
            let turned = sums[0][bin] * Complex::from_polar(1.0, turn_of(bin) * displaced);
            slope -= turn_of(bin) * turned.im;
            bend -= turn_of(bin).powi(2) * turned.re;
        }
        if bend >= 0.0 {
            break;
        }
        displaced -= (slope / bend).clamp(-0.25, 0.25);
    }
    (displaced, shown(&sums, displaced, telling))
}

fn middle(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    if values.is_empty() {
        return None;
    }
    let at = values.len() / 2;
    Some(*values.select_nth_unstable_by(at, f64::total_cmp).1)
}

/// The sums of all seconds, one left out.
fn total(seconds: &[&Sums], without: Option<usize>) -> Sums {
    let mut all = Sums::new();
    let kept = seconds.iter().enumerate();
    for (_, one) in kept.filter(|(at, _)| Some(*at) != without) {
        all.lines += one.lines;
        all.common += one.common;
        all.displaced += one.displaced;
        for bin in 0..BINS {
            all.first[bin] += one.first[bin];
            all.second[bin] += one.second[bin];
            all.cross[bin] += one.cross[bin];
            all.common_first[bin] += one.common_first[bin];
            all.common_cross[bin] += one.common_cross[bin];
        }
        if all.places.len() < one.places.len() {
            all.places.resize(one.places.len(), [Complex::ZERO; BINS]);
        }
        for (sums, place) in all.places.iter_mut().zip(&one.places) {
            for (sum, bin) in sums.iter_mut().zip(place) {
                *sum += bin;
            }
        }
    }
    all
}

/// Response in one bin, in dB; `None` where the first shows too little there.
fn level(sums: &Sums, bin: usize, smear: Smear) -> Option<f64> {
    let shown = |bin: usize| Shown {
        lines: sums.lines,
        common: sums.common,
        first: sums.first[bin],
        cross: sums.cross[bin],
        common_first: sums.common_first[bin],
        common_cross: sums.common_cross[bin],
    };
    Some(20.0 * smear.sums(bin, BINS, shown).gain()?.log10())
}

/// What a straight line through the levels of some bins comes to at `middle`, which is counted in bins: they lie unevenly about a frequency, and
/// where a response is steep their mean is that of another. `None` where one of them is.
pub(super) fn at_middle(
    bins: impl Iterator<Item = usize>,
    middle: f64,
    level: impl Fn(usize) -> Option<f64>,
) -> Option<f64> {
    let (mut n, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for bin in bins {
        let (off, level) = (bin as f64 - middle, level(bin)?);
        n += 1.0;
        x += off;
        y += level;
        xx += off * off;
        xy += off * level;
    }
    let determinant = n * xx - x * x;
    // of one bin alone nothing else can be said
    let line = || (xx * y - x * xy) / determinant;
    (n > 0.0).then(|| if n > 1.0 { line() } else { y })
}

/// Sums over lines in one bin, plain and weighted with what both show of a line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shown {
    pub(super) lines: f64,
    pub(super) common: f64,
    /// Power of the first.
    pub(super) first: f64,
    pub(super) cross: Complex<f64>,
    pub(super) common_first: f64,
    pub(super) common_cross: Complex<f64>,
}

/// What no response is known better than, in dB: whole codes, and tips that are cut off, bend levels by a few parts in a thousand, and that
/// is alike in every second.
const WHOLE_CODES: f64 = 0.015;

/// Half the variance of what a raised cosine smears a spectrum by, in bins²: ∫w′²/∫w² over 4π², which is 1/3 (Parseval).
const HALF_SMEARED: f64 = 1.0 / 6.0;

/// What becomes of what a window smears into a bin from its neighbours.
///
/// Where pictures fall steeply with frequency, most of what is in a bin comes from below it, and so does the response found there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Smear {
    /// It stays.
    Left,
    /// It is taken out, to first order.
    TakenOut,
}

impl Smear {
    /// The sums of a bin; as they are where a neighbour is missing, or shows the mean.
    pub(super) fn sums(self, bin: usize, bins: usize, shown: impl Fn(usize) -> Shown) -> Shown {
        let here = shown(bin);
        if self == Self::Left || bin < 2 || bin + 1 >= bins {
            return here;
        }
        let (below, above) = (shown(bin - 1), shown(bin + 1));
        let curve = |of: fn(&Shown) -> f64| of(&below) - 2.0 * of(&here) + of(&above);
        let turning = |of: fn(&Shown) -> Complex<f64>| of(&below) - of(&here) * 2.0 + of(&above);
        Shown {
            first: here.first - HALF_SMEARED * curve(|one| one.first),
            cross: here.cross - turning(|one| one.cross) * HALF_SMEARED,
            common_first: here.common_first - HALF_SMEARED * curve(|one| one.common_first),
            common_cross: here.common_cross - turning(|one| one.common_cross) * HALF_SMEARED,
            ..here
        }
    }

    /// The interval of a figure without what is smeared into it, and wider by what that made of it: evenly anything up to as much may be
    /// left. With it where the figure is none without.
    pub(super) fn told(
        figure: impl Fn(Self) -> Option<f64>,
        interval: impl Fn(Self) -> Option<Interval>,
    ) -> Option<Interval> {
        let (with, without) = (figure(Self::Left), figure(Self::TakenOut));
        let moved = with.zip(without).map(|(with, without)| without - with);
        let told = moved.and_then(|moved| {
            let left: f64 = moved.abs() / 3.0_f64.sqrt();
            Some(interval(Self::TakenOut)?.with_doubt(left.hypot(WHOLE_CODES)))
        });
        told.or_else(|| Some(interval(Self::Left)?.with_doubt(WHOLE_CODES)))
    }
}

impl Shown {
    /// Amplitude of the second over that of the first, free of noise of the first; `None` where that shows too little.
    pub(super) fn gain(&self) -> Option<f64> {
        let first = self.lines * self.common_first - self.common * self.first;
        let cross = self.common_cross * self.lines - self.cross * self.common;
        // Of a spectrum that does not grow with what lines show, all may be noise.
        let grows = first > 0.02 * self.common * self.first && cross.re > 0.0;
        grows.then(|| cross.norm() / first)
    }
}

/// Magnitude-squared coherence over some bins.
fn coherence(sums: &Sums, bins: &[usize]) -> f64 {
    let each = bins.iter().map(|&bin| {
        let powers = sums.first[bin] * sums.second[bin];
        sums.cross[bin].norm_sqr() / powers.max(f64::MIN_POSITIVE)
    });
    each.sum::<f64>() / bins.len().max(1) as f64
}

/// The sums of all seconds, and of all but each one.
struct Seconds {
    all: Sums,
    but_one: Vec<Sums>,
}

impl Seconds {
    fn of(seconds: &[&Sums]) -> Self {
        Self {
            all: total(seconds, None),
            but_one: (0..seconds.len())
                .map(|at| total(seconds, Some(at)))
                .collect(),
        }
    }

    /// A figure of all seconds, with the error by which it would differ were they others (delete-one jackknife).
    fn figure(&self, figure: impl Fn(&Sums) -> Option<f64>) -> Option<Interval> {
        let value = figure(&self.all)?;
        let count = self.but_one.len() as f64;
        let parts: Vec<f64> = self.but_one.iter().map(figure).collect::<Option<_>>()?;
        let mean = parts.iter().sum::<f64>() / count;
        let squares: f64 = parts.iter().map(|part| (part - mean).powi(2)).sum();
        let error = (squares * (count - 1.0) / count).sqrt();
        Some(Interval::new(value, error, count - 1.0))
    }
}

#[cfg(test)]
mod tests;
