//! Spectra of the noise, gathered by how much picture there was where it was seen.
//!
//! In: places of a field with their scores. Out: [`Found`]: the noise's spectrum within a field, from the differences of
//! neighbouring lines, and between fields, from the differences of those differences over time; both of the places with the least
//! picture in them over the last second or so. Each difference has twice the noise's power and nothing of what both lines show.
//!
//! Places are sorted into classes by score, and read from the lowest class up until there are enough. A texture that a score
//! does not see is told by what the two lines of a pair have in common in the middle of the band, where noise has nothing.
//!
//! Does not know: limits of the scale, or what the noise comes from.

use realfft::num_complex::Complex;

use super::blocks::Quad;
use crate::measures::dsp::windowed::Windowed;

/// Samples of a place: 4.7 µs of 13.5 MHz.
pub(super) const LENGTH: usize = 64;

/// Bins of a spectrum: every 211 kHz of 13.5 MHz.
pub const BINS: usize = LENGTH / 2 + 1;

/// Classes of scores, two to an octave.
const CLASSES: usize = 32;

/// Score at the lower end of the first class, in codes².
const LOWEST_SCORE: f32 = 0.05;

/// Share that is left of a field's part in the spectra at the next field: a second of 50 fields.
const FADE: f32 = 1.0 - 1.0 / 50.0;

/// Places that a spectrum is read from, and the fewest: 150 know the power to 2 %, 40 to 4 %.
const ENOUGH: f32 = 150.0;
const LEAST: f32 = 40.0;

/// Share of white noise's power that is left in the first bin after the mean was taken out under the window: Σw²(5/4 + cos) / Σw² of a
/// raised cosine, whose spectrum is −1/2, 1, −1/2.
const LEFT_OF_FIRST: f64 = 7.0 / 12.0;

/// Variance of a sum of neighbouring bins over that of independent ones, under a raised cosine: 1 + 2·(2/3)² + 2·(1/6)².
const BINS_TOGETHER: f64 = 1.0 + 2.0 * 4.0 / 9.0 + 2.0 / 36.0;

/// Distances in samples at which the texture of a plane is read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reach {
    /// Of a difference: detail from the middle of the band down.
    pub(super) middle: usize,
    /// Of a second difference: the upper part of the band alone.
    pub(super) fine: usize,
}

/// Best at 1.7 and at 2.2 MHz of 13.5 MHz.
pub(super) const LUMA_REACH: Reach = Reach { middle: 4, fine: 3 };

/// Both best at about 0.45 MHz of 6.75 MHz, where the noise of colour ends.
pub(super) const CHROMA_REACH: Reach = Reach { middle: 8, fine: 7 };

/// What was gathered of places of like scores.
#[derive(Clone, Debug)]
struct Class {
    /// Of either parity, top first.
    places: [f32; 2],
    within: [[f32; BINS]; 2],
    between: [f32; BINS],
    /// Of detail, mid-band and fine: what both lines share, and half of what they differ by.
    shared: [f32; 2],
    apart: [f32; 2],
}

const EMPTY: Class = Class {
    places: [0.0; 2],
    within: [[0.0; BINS]; 2],
    between: [0.0; BINS],
    shared: [0.0; 2],
    apart: [0.0; 2],
};

/// Noise as it was found; densities in codes², 1 where white noise of one code rms is sampled.
#[derive(Clone, Debug)]
pub(super) struct Found {
    /// Places it rests on, of each parity.
    pub(super) places: [f64; 2],
    /// Within a field, of each parity, top first.
    pub(super) of_parity: [[f64; BINS]; 2],
    /// Within a field.
    pub(super) within: [f64; BINS],
    /// Between fields.
    pub(super) between: [f64; BINS],
    /// What neighbouring lines share in the middle of the band, over what they differ by: 0 of noise alone.
    pub(super) texture: f64,
    /// The same in the upper part of the band.
    pub(super) fine_texture: f64,
}

impl Found {
    /// Places it rests on.
    pub(super) fn all_places(&self) -> f64 {
        self.places[0] + self.places[1]
    }
}

/// Relative standard error of a power that is a weighted sum over bins, from so many places; all of it where there is none.
pub(super) fn relative_sigma(density: &[f64; BINS], weights: &[f64; BINS], places: f64) -> f64 {
    let (mut sum, mut squares) = (0.0, 0.0);
    for (density, weight) in density.iter().zip(weights) {
        sum += density * weight;
        squares += density * density * weight * weight;
    }
    if sum > 0.0 && places > 0.0 {
        (BINS_TOGETHER * squares / places).sqrt() / sum
    } else {
        1.0
    }
}

/// Plans, classes and room.
#[derive(Debug)]
pub(super) struct Spectra {
    windowed: Windowed<LENGTH>,
    /// Differences of lines, of this field and of that before.
    inputs: [[f32; LENGTH]; 2],
    output: [Vec<Complex<f32>>; 2],
    classes: Vec<Class>,
}

impl Default for Spectra {
    fn default() -> Self {
        let windowed = Windowed::default();
        Self {
            inputs: [[0.0; LENGTH]; 2],
            output: [windowed.spectrum(), windowed.spectrum()],
            windowed,
            classes: vec![EMPTY; CLASSES],
        }
    }
}

impl Spectra {
    /// Forgets all places.
    pub(super) fn reset(&mut self) {
        self.classes.fill(EMPTY);
    }

    /// A field later all places count for less.
    pub(super) fn fade(&mut self) {
        for class in &mut self.classes {
            let all = class.within.iter_mut().flatten();
            let all = all.chain(&mut class.between).chain(&mut class.places);
            all.chain(&mut class.shared)
                .chain(&mut class.apart)
                .for_each(|value| *value *= FADE);
        }
    }

    /// Takes in a place with its score; `lower` is whether it is of a bottom field.
    pub(super) fn take(&mut self, quad: Quad<'_>, (score, reach): (f32, Reach), lower: bool) {
        let pairs = [(quad.a, quad.b), (quad.c, quad.d)];
        for (((one, other), input), spectrum) in pairs
            .into_iter()
            .zip(&mut self.inputs)
            .zip(&mut self.output)
        {
            difference(one, other, self.windowed.weights(), input);
            self.windowed.transform(input, spectrum);
        }
        let octaves = (score.max(LOWEST_SCORE) / LOWEST_SCORE).log2();
        let class = &mut self.classes[((2.0 * octaves) as usize).min(CLASSES - 1)];
        let scale = 0.5 / self.windowed.squares();
        let [now, before] = &self.output;
        let within = &mut class.within[usize::from(lower)];
        for (((within, between), now), before) in within
            .iter_mut()
            .zip(&mut class.between)
            .zip(now)
            .zip(before)
        {
            *within += scale * now.norm_sqr();
            *between += 0.5 * scale * (now - before).norm_sqr();
        }
        class.places[usize::from(lower)] += 1.0;
        let middle = mid_band(quad.a, quad.b, reach.middle);
        let fine = fine(quad.a, quad.b, reach.fine);
        for (nth, (shared, apart)) in [middle, fine].into_iter().enumerate() {
            class.shared[nth] += shared;
            class.apart[nth] += apart;
        }
    }

    /// The noise where there is the least picture; `None` before enough was seen.
    pub(super) fn found(&self) -> Option<Found> {
        let mut sum = EMPTY;
        for class in &self.classes {
            sum.add(class);
            if sum.places[0] + sum.places[1] >= ENOUGH {
                break;
            }
        }
        if sum.places[0] + sum.places[1] < LEAST {
            return None;
        }
        let places = sum.places.map(f64::from);
        let all = places[0] + places[1];
        let each = |spectrum: &[f32; BINS], places: f64| {
            let mut mean: [f64; BINS] =
                std::array::from_fn(|bin| f64::from(spectrum[bin]) / places.max(f64::MIN_POSITIVE));
            // what is slower than a place is not seen; it goes on as the first bin
            mean[1] /= LEFT_OF_FIRST;
            mean[0] = mean[1];
            mean
        };
        let both = std::array::from_fn(|bin| sum.within[0][bin] + sum.within[1][bin]);
        Some(Found {
            places,
            of_parity: [
                each(&sum.within[0], places[0]),
                each(&sum.within[1], places[1]),
            ],
            within: each(&both, all),
            between: each(&sum.between, all),
            texture: share(sum.shared[0], sum.apart[0]),
            fine_texture: share(sum.shared[1], sum.apart[1]),
        })
    }
}

impl Class {
    fn add(&mut self, other: &Self) {
        for (sum, more) in self.within.iter_mut().zip(&other.within) {
            for (sum, more) in sum.iter_mut().zip(more) {
                *sum += more;
            }
        }
        for (sum, more) in self.between.iter_mut().zip(&other.between) {
            *sum += more;
        }
        for (sum, more) in self.places.iter_mut().zip(&other.places) {
            *sum += more;
        }
        for nth in 0..2 {
            self.shared[nth] += other.shared[nth];
            self.apart[nth] += other.apart[nth];
        }
    }
}

/// The difference of two lines without its mean, under the window.
fn difference(
    one: &[u8; LENGTH],
    other: &[u8; LENGTH],
    window: &[f32; LENGTH],
    out: &mut [f32; LENGTH],
) {
    let mut sum = 0.0;
    for (((out, &one), &other), weight) in out.iter_mut().zip(one).zip(other).zip(window) {
        *out = f32::from(i16::from(one) - i16::from(other));
        sum += *out * weight;
    }
    // the weights of a raised cosine are a half on average
    let mean = sum / (0.5 * LENGTH as f32);
    for (out, weight) in out.iter_mut().zip(window) {
        *out = (*out - mean) * weight;
    }
}

fn share(shared: f32, apart: f32) -> f64 {
    if apart > 0.0 {
        f64::from(shared / apart)
    } else {
        0.0
    }
}

/// What the mid-band detail of two lines shares, and half of what it differs by.
fn mid_band(one: &[u8; LENGTH], other: &[u8; LENGTH], reach: usize) -> (f32, f32) {
    compare(LENGTH - reach, |at| {
        let step = |line: &[u8; LENGTH]| i32::from(line[at + reach]) - i32::from(line[at]);
        (step(one), step(other))
    })
}

/// The same of fine detail.
fn fine(one: &[u8; LENGTH], other: &[u8; LENGTH], reach: usize) -> (f32, f32) {
    compare(LENGTH - 2 * reach, |at| {
        let bend = |line: &[u8; LENGTH]| {
            i32::from(line[at]) - 2 * i32::from(line[at + reach]) + i32::from(line[at + 2 * reach])
        };
        (bend(one), bend(other))
    })
}

fn compare(count: usize, pair: impl Fn(usize) -> (i32, i32)) -> (f32, f32) {
    let (mut shared, mut apart) = (0, 0);
    for at in 0..count {
        let (one, other) = pair(at);
        shared += one * other;
        apart += (one - other) * (one - other);
    }
    (shared as f32, 0.5 * apart as f32)
}
