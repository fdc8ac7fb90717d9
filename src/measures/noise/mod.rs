//! Noise of luma and colour: how much, how fine, and whether something in the chain has been taking it away.
//!
//! In: a field and the one of its parity before, the state of its sync, where its picture is. Out: a [`Reading`]. Ratios are
//! signal to noise: black to peak over the rms of the noise in a band of 10 kHz to 5 MHz, in decibels (BT.1439-1 Part 1 §3.2.1, Part
//! 2 §3.2.1); weighted ones through the unified network (Annex 2 §3.2); of colour the excursion of 224 codes. It is the noise of everything
//! together: of the camera, the tape, the box and the converter. Rounding to codes is taken out as power, 1/12 code²; noise that is under it is
//! told as *at least* the ratio of that.
//!
//! Noise is what two neighbouring lines differ by where the picture is plain (`blocks`, `spectra`), so it may move. Seen *within* a
//! field it is all there; seen *between* two fields of one parity, what recursive noise reduction has carried over from the
//! field before drops out: of a reduction that takes a share `k` of the new picture, √k is left. The lines of a pair are
//! neighbours in luma; in colour they are four apart, for decoders and players average neighbouring ones.
//!
//! Bias: texture that is as weak as the noise and nowhere missing counts as noise. It shows in what neighbouring lines share; then
//! noise reduction is read in the upper part of the band, where texture ends first, the noise between fields is made up for it, and
//! the ratio is told as *at least*. Colour noise under a code cannot be told from the picture's own shades: *at least*, too. Reduction that averages
//! neighbouring lines takes part of the noise out of their difference.
//!
//! Figures stand for the last second or so. Absent without a picture that is locked or nearly, until 40 places were seen, and in
//! fields narrower than a place; the weighted ratio and `bandwidth` also without a sample rate, colour in mono.
//!
//! Does not know: limits, timing, what the picture shows.

use crate::fields::{Field, FieldRaster, Neighbourhood};
use crate::standard::Parity;
use crate::units::{CodeRange, Decibels, Estimate, Hertz, Megahertz, Ratio};

use super::chroma::grid::Grid;
use super::sync::State;
use super::{Measure, levels};
use blocks::{Chooser, View};
use spectra::{Found, Spectra, relative_sigma};
use weighting::{Band, power};

pub use quantities::QUANTITIES;
pub use spectra::BINS;

mod blocks;
mod quantities;
mod spectra;
#[cfg(test)]
mod tests;
mod weighting;

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// What sync says of it.
    pub state: State,
    /// Whether it shows an earlier picture again: then nothing new is to be seen.
    pub repeated: bool,
    /// Where the picture is.
    pub levels: &'a levels::Reading,
}

/// Whether a figure is the thing itself, or only known to be no less.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Bound {
    /// As measured.
    #[default]
    Measured,
    /// It may be more.
    AtLeast,
}

impl Bound {
    /// Every word, in their order.
    pub const WORDS: &[&str] = &["measured", "at_least"];

    /// As printed.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS[self as usize]
    }

    /// As put before a figure on a screen.
    #[must_use]
    pub fn said(self) -> &'static str {
        match self {
            Self::Measured => "",
            Self::AtLeast => "at least ",
        }
    }
}

/// Density of the noise by frequency, in codes²: 1 is white noise of one code rms. Rounding is in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spectrum {
    /// From 0 to half the sample rate.
    pub density: [f32; BINS],
    /// From a bin to the next.
    pub step: Hertz,
    /// Places it rests on.
    pub places: f32,
}

impl Spectrum {
    /// Density at a frequency, between bins by interpolation; 0 beyond the last.
    #[must_use]
    pub fn at(&self, frequency: Hertz) -> f64 {
        let place = frequency.0 / self.step.0;
        let bin = place.floor().max(0.0) as usize;
        let Some(pair) = self.density.get(bin..bin + 2) else {
            return 0.0;
        };
        let part = place - bin as f64;
        f64::from(pair[0]) * (1.0 - part) + f64::from(pair[1]) * part
    }
}

/// Noise of one field.
#[derive(Clone, Copy, Debug, Default)]
pub struct Reading {
    /// Luma, unweighted.
    pub luma: Option<Estimate<Decibels>>,
    /// Whether that is all there is to the ratio.
    pub luma_bound: Bound,
    /// Luma, weighted.
    pub luma_weighted: Option<Estimate<Decibels>>,
    /// Colour, unweighted: mean power of both differences.
    pub chroma: Option<Estimate<Decibels>>,
    /// Whether that is all there is to the ratio.
    pub chroma_bound: Bound,
    /// Rms density of luma noise from 1.5 to 2.5 MHz over that from 0.4 to 1 MHz; 1 is white.
    pub spatial: Option<Estimate<Ratio>>,
    /// Noise between fields over noise within a field.
    pub temporal: Option<Estimate<Ratio>>,
    /// The same of colour.
    pub chroma_temporal: Option<Estimate<Ratio>>,
    /// Ratio of the top fields less that of the bottom fields.
    pub parity: Option<Estimate<Decibels>>,
    /// Frequency up to which luma noise reaches.
    pub bandwidth: Option<Estimate<Megahertz>>,
    /// Luma noise by frequency.
    pub spectrum: Option<Spectrum>,
}

/// Power that rounding to whole codes adds, spread evenly over all frequencies.
const ROUNDING: f64 = 1.0 / 12.0;

/// Excursion of a colour difference in codes (BT.601-5 §3.5.3), and of full-range codes.
const CHROMA_EXCURSION: (f64, f64) = (224.0, 255.0);

/// What is looked at of a plane in a field.
#[derive(Clone, Copy, Debug)]
struct Quota {
    looked: u32,
    kept: usize,
    reach: spectra::Reach,
}

const LUMA_QUOTA: Quota = Quota {
    looked: 288,
    kept: 56,
    reach: spectra::LUMA_REACH,
};

/// Of each colour difference.
const CHROMA_QUOTA: Quota = Quota {
    looked: 160,
    kept: 14,
    reach: spectra::CHROMA_REACH,
};

/// Lines of a pair of colour: combs of decoders and players reach over three lines of a field at most.
const CHROMA_APART: usize = 4;

/// Lines of a pair of colour that has one row for two of luma.
const CHROMA_APART_SPARSE: usize = 2;

/// What neighbouring lines may share of the mid-band before texture is part of the noise.
const MOST_TEXTURE: f64 = 0.35;

/// Noise over that of rounding from which its parts can be compared.
const CLEAR_OF_ROUNDING: f64 = 1.5;

/// The same of colour: its lines are far enough apart for a picture's own shades to differ by half a code and more.
const CHROMA_CLEAR: f64 = 10.0;

/// Bands whose densities are compared: MHz. Both lie within the luma of any tape.
const LOW_BAND: (f64, f64) = (0.4, 1.0);
const HIGH_BAND: (f64, f64) = (1.5, 2.5);

/// Share of the densest noise at which its band ends: 10 dB.
const BAND_END: f64 = 0.1;

/// Densest noise over rounding from which the end of its band is seen.
const BAND_CLEAR: f64 = 6.0;

/// Relative error of a power that remains however much is seen: pictures are nowhere quite plain.
const POWER_FLOOR: f64 = 0.02;

/// The measure.
#[derive(Debug, Default)]
pub struct Noise {
    raster: Option<FieldRaster>,
    luma: Channel,
    /// Both colour differences.
    chroma: [Channel; 2],
    bands: Option<(Band, Band)>,
}

/// One plane's places and spectra.
#[derive(Debug, Default)]
struct Channel {
    chooser: Chooser,
    spectra: Spectra,
}

impl Channel {
    fn reset(&mut self) {
        self.chooser.reset();
        self.spectra.reset();
    }

    fn take(&mut self, view: &View<'_>, quota: Quota, lower: bool) {
        self.spectra.fade();
        for place in self.chooser.choose(view, (quota.looked, quota.kept)) {
            let scored = (place.score, quota.reach);
            self.spectra.take(view.quad(place), scored, lower);
        }
    }
}

impl Measure for Noise {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        let field = input.around.field;
        if self.raster != Some(field.raster) {
            self.raster = Some(field.raster);
            self.luma.reset();
            self.chroma.iter_mut().for_each(Channel::reset);
            let rate = band_rate(&field.raster);
            self.bands = Some((Band::new(rate), Band::new(Hertz(rate.0 / across(field)))));
        }
        if !matches!(input.state, State::Locked | State::Unstable) {
            return Reading::default();
        }
        if !input.repeated
            && let Some(before) = input.around.same_parity()
            && before.raster == field.raster
        {
            self.look(field, before, &input.levels.area);
        }
        self.read(field)
    }
}

/// The rate of a raster; without one, such that half of it is the end of the band: then all that is there counts.
fn band_rate(raster: &FieldRaster) -> Hertz {
    raster.sample_rate.unwrap_or(Hertz(10.0e6))
}

/// Luma samples a colour sample.
fn across(field: &Field) -> f64 {
    if field.cb.width == 0 {
        return 1.0;
    }
    (field.luma.width as f64 / field.cb.width as f64)
        .round()
        .max(1.0)
}

impl Noise {
    fn look(&mut self, field: &Field, before: &Field, area: &levels::PictureArea) {
        let lower = field.place.parity == Parity::Bottom && !field.raster.progressive;
        let luma = View {
            now: &field.luma,
            before: &before.luma,
            columns: area.columns.clone(),
            rows: area.rows.clone(),
            apart: 1,
            ends: Some(field.raster.range),
        };
        self.luma.take(&luma, LUMA_QUOTA, lower);
        let Some(grid) = Grid::of(field, area) else {
            return;
        };
        if (before.cb.width, before.cb.rows) != (field.cb.width, field.cb.rows) {
            return;
        }
        let planes = [(&field.cb, &before.cb), (&field.cr, &before.cr)];
        for (channel, (now, before)) in self.chroma.iter_mut().zip(planes) {
            let view = View {
                now,
                before,
                columns: grid.columns.clone(),
                rows: grid.rows.clone(),
                apart: if grid.down > 1 {
                    CHROMA_APART_SPARSE
                } else {
                    CHROMA_APART
                },
                ends: None,
            };
            channel.take(&view, CHROMA_QUOTA, lower);
        }
    }

    fn read(&self, field: &Field) -> Reading {
        let raster = &field.raster;
        let mut reading = Reading::default();
        let Some((luma_band, chroma_band)) = &self.bands else {
            return reading;
        };
        let (black, peak) = raster.range.black_and_peak();
        let step = Hertz(band_rate(raster).0 / spectra::LENGTH as f64);
        if let Some(found) = self.luma.spectra.found() {
            read_luma(&mut reading, &found, luma_band, ((peak - black).0, step));
            if raster.sample_rate.is_none() {
                reading.luma_weighted = None;
                reading.spatial = None;
                reading.bandwidth = None;
            }
            if raster.progressive {
                reading.parity = None;
            }
        }
        let excursion = match raster.range {
            CodeRange::Studio => CHROMA_EXCURSION.0,
            CodeRange::Full => CHROMA_EXCURSION.1,
        };
        let [cb, cr] = &self.chroma;
        if field.cb.width > 0
            && let (Some(cb), Some(cr)) = (cb.spectra.found(), cr.spectra.found())
        {
            let found = mean_of(&cb, &cr);
            let weights = &chroma_band.plain;
            let (ratio, bound) = level(&found.within, (weights, weights), &found, excursion);
            let plain = found.texture.max(found.fine_texture) < MOST_TEXTURE
                && unrounded(&found.within, weights) > CHROMA_CLEAR * ROUNDING;
            reading.chroma = Some(ratio);
            reading.chroma_bound = if plain { bound } else { Bound::AtLeast };
            reading.chroma_temporal = if plain {
                temporal(&found, weights, CLEAR_OF_ROUNDING)
            } else {
                None
            };
        }
        reading
    }
}

/// The mean power of both colour differences.
fn mean_of(one: &Found, other: &Found) -> Found {
    let mean =
        |a: &[f64; BINS], b: &[f64; BINS]| std::array::from_fn(|bin| f64::midpoint(a[bin], b[bin]));
    Found {
        places: std::array::from_fn(|parity| one.places[parity] + other.places[parity]),
        of_parity: std::array::from_fn(|parity| {
            mean(&one.of_parity[parity], &other.of_parity[parity])
        }),
        within: mean(&one.within, &other.within),
        between: mean(&one.between, &other.between),
        texture: f64::midpoint(one.texture, other.texture),
        fine_texture: f64::midpoint(one.fine_texture, other.fine_texture),
    }
}

fn read_luma(reading: &mut Reading, found: &Found, band: &Band, (white, step): (f64, Hertz)) {
    let plain = found.texture < MOST_TEXTURE;
    let fine_only = found.fine_texture < MOST_TEXTURE;
    reading.temporal = if plain {
        temporal(found, &band.plain, CLEAR_OF_ROUNDING)
    } else if fine_only {
        // texture is coarse before it is fine: the upper band still has noise alone
        temporal(found, &mean_between(HIGH_BAND, step), CLEAR_OF_ROUNDING)
    } else {
        None
    };
    let density = if plain {
        found.within
    } else {
        without_texture(found, reading.temporal, &band.plain)
    };
    let (ratio, bound) = level(&density, (&band.plain, &band.plain), found, white);
    let (weighted, _) = level(&density, (&band.weighted, &band.plain), found, white);
    reading.luma = Some(ratio);
    reading.luma_bound = if plain { bound } else { Bound::AtLeast };
    reading.luma_weighted = Some(weighted);
    reading.spectrum = Some(Spectrum {
        density: density.map(|density| density as f32),
        step,
        places: found.all_places() as f32,
    });
    reading.bandwidth = bandwidth(&density, step, found);
    if plain {
        reading.spatial = spatial(found, step);
        reading.parity = parity(found, &band.plain);
    }
}

/// The noise of textured places. What stands still of texture is gone between fields; so is what noise reduction has carried over, which is
/// known by its ratio. Where that is not known, the strongest reduction there may be is made up for.
fn without_texture(
    found: &Found,
    temporal: Option<Estimate<Ratio>>,
    weights: &[f64; BINS],
) -> [f64; BINS] {
    let known = temporal.map_or(LEAST_RATIO, |ratio| ratio.value.0);
    let ratio = known.clamp(LEAST_RATIO, 1.0);
    let all = found
        .between
        .map(|density| (ROUNDING + (density - ROUNDING) / (ratio * ratio)).max(0.0));
    if power(&all, weights) < power(&found.within, weights) {
        all
    } else {
        found.within
    }
}

/// Least ratio of noise between fields to noise within that is reckoned with: a reduction that takes 6 % of each picture smears whatever
/// moves for a second.
const LEAST_RATIO: f64 = 0.25;

/// What is left of a power without that of rounding.
fn unrounded(density: &[f64; BINS], weights: &[f64; BINS]) -> f64 {
    power(density, weights) - ROUNDING * weights.iter().sum::<f64>()
}

/// Signal to noise under the weights of a band; at the noise of rounding over all frequencies, the ratio of that.
fn level(
    density: &[f64; BINS],
    (weights, plain): (&[f64; BINS], &[f64; BINS]),
    found: &Found,
    signal: f64,
) -> (Estimate<Decibels>, Bound) {
    let let_through = weights.iter().sum::<f64>() / plain.iter().sum::<f64>();
    let is_seen = unrounded(density, plain) > ROUNDING;
    let floor = ROUNDING * let_through;
    let noise = if is_seen {
        unrounded(density, weights).max(0.1 * floor)
    } else {
        floor
    };
    let relative = relative_sigma(density, weights, found.all_places()).hypot(POWER_FLOOR);
    // the error is one of the power before rounding was taken out
    let relative = relative * power(density, weights).max(0.0) / noise;
    let decibels = 10.0 * (signal * signal / noise).log10();
    let sigma = IN_DECIBELS * relative.min(1.0);
    let bound = if is_seen {
        Bound::Measured
    } else {
        Bound::AtLeast
    };
    let support = found.all_places() as u32;
    (
        Estimate::new(Decibels(decibels), Decibels(sigma), support),
        bound,
    )
}

/// Decibels of a small relative change of a power.
const IN_DECIBELS: f64 = 10.0 / std::f64::consts::LN_10;

/// Noise between fields over noise within; absent where rounding is much of it.
fn temporal(found: &Found, weights: &[f64; BINS], clear: f64) -> Option<Estimate<Ratio>> {
    let rounding = ROUNDING * weights.iter().sum::<f64>();
    let within = unrounded(&found.within, weights);
    if within < clear * rounding {
        return None;
    }
    let between = unrounded(&found.between, weights).max(0.0);
    let ratio = (between / within).sqrt();
    let relative = |density| relative_sigma(density, weights, found.all_places());
    let own = 0.5 * relative(&found.within) * (within + rounding) / within;
    // an error of a power that is nearly gone is one of the root: half of it over the root
    let other = 0.5 * relative(&found.between) * (between + rounding) / within / ratio.max(0.05);
    let sigma = (ratio * own).hypot(other).hypot(0.5 * POWER_FLOOR);
    Some(estimate(Ratio(ratio), Ratio(sigma), found))
}

fn estimate<U: crate::units::Unit>(value: U, sigma: U, found: &Found) -> Estimate<U> {
    Estimate::new(value, sigma, found.all_places() as u32)
}

/// The bins between two frequencies in MHz, as weights of their mean.
fn mean_between((low, high): (f64, f64), step: Hertz) -> [f64; BINS] {
    let is_inside = |bin: usize| {
        let mhz = bin as f64 * step.0 * 1e-6;
        (low..=high).contains(&mhz)
    };
    let count = (0..BINS).filter(|&bin| is_inside(bin)).count().max(1);
    std::array::from_fn(|bin| {
        if is_inside(bin) {
            1.0 / count as f64
        } else {
            0.0
        }
    })
}

/// How the density of the upper half of the luma band compares with that of the lower.
fn spatial(found: &Found, step: Hertz) -> Option<Estimate<Ratio>> {
    let bands = [LOW_BAND, HIGH_BAND].map(|band| mean_between(band, step));
    let [low, high] = bands.map(|weights| unrounded(&found.within, &weights));
    if low.max(high) < CLEAR_OF_ROUNDING * ROUNDING || low < 0.25 * ROUNDING {
        return None;
    }
    let ratio = (high.max(0.0) / low).sqrt();
    let [low_sigma, high_sigma] = bands.map(|weights| {
        let relative = relative_sigma(&found.within, &weights, found.all_places());
        relative * power(&found.within, &weights)
    });
    let sigma = 0.5 * (ratio * low_sigma / low).hypot(high_sigma / low / ratio.max(0.1));
    Some(estimate(Ratio(ratio), Ratio(sigma), found))
}

/// How much better the ratio of the top fields is than that of the bottom fields.
fn parity(found: &Found, weights: &[f64; BINS]) -> Option<Estimate<Decibels>> {
    if found.places.iter().any(|&places| places < LEAST_OF_PARITY) {
        return None;
    }
    let rounding = ROUNDING * weights.iter().sum::<f64>();
    let [top, bottom] = [0, 1].map(|parity| unrounded(&found.of_parity[parity], weights));
    if top.min(bottom) < CLEAR_OF_ROUNDING * rounding {
        return None;
    }
    let relative = |parity: usize, noise: f64| {
        let own = relative_sigma(&found.of_parity[parity], weights, found.places[parity]);
        own * (noise + rounding) / noise
    };
    let sigma = IN_DECIBELS * relative(0, top).hypot(relative(1, bottom));
    let difference = 10.0 * (bottom / top).log10();
    Some(estimate(Decibels(difference), Decibels(sigma), found))
}

/// Places of a parity without which the two are not compared.
const LEAST_OF_PARITY: f64 = 40.0;

/// Where the noise ends: 10 dB under its densest bin, where that is far enough over rounding to see it.
fn bandwidth(density: &[f64; BINS], step: Hertz, found: &Found) -> Option<Estimate<Megahertz>> {
    let noise = density.map(|density| density - ROUNDING);
    let densest = noise[1..].iter().copied().fold(0.0, f64::max);
    if densest < BAND_CLEAR * ROUNDING {
        return None;
    }
    let end = BAND_END * densest;
    let last = noise.iter().rposition(|&noise| noise > end)?;
    let place = match noise.get(last + 1) {
        // between bins by their decibels
        Some(&next) => {
            let fall = (noise[last] / next.max(0.1 * end)).ln();
            last as f64 + ((noise[last] / end).ln() / fall).clamp(0.0, 1.0)
        }
        None => last as f64,
    };
    let mhz = |bins: f64| Megahertz(bins * step.0 * 1e-6);
    // a third of a bin: the window smears an end over two
    Some(estimate(mhz(place), mhz(1.0 / 3.0), found))
}
