//! The two heads against each other: noise and level of the fields that one wrote or reads, against those of the other.
//!
//! In: one field after another. Out: [`Heads`], over the last second. Each field is held against the mean of the one before and
//! the one after it, so that fades drop out; the median over the differences drops cuts.
//!
//! Noise is that between fields of one parity (`rows`). Level is the ratio of the means of larger blocks at the same place; of
//! all blocks the quartile nearer to none is taken, so that stripes one line high, and things that move, make no difference. A head
//! whose output is lower gives less noise as well; so noise is judged with the difference in level taken off.
//!
//! Does not know: whether there is a picture. Of snow and flat pictures both fields are alike.

use crate::fields::{Field, FieldRaster};
use crate::measures::levels::{ParityWatch, PictureArea};
use crate::standard::Parity;
use crate::units::{Decibels, Estimate};

/// How the heads compare.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heads {
    /// In a word.
    pub state: HeadState,
    /// Noise of the top fields over that of the bottom fields.
    pub noise: Option<Estimate<Decibels>>,
    /// Level of the top fields over that of the bottom fields.
    pub level: Option<Estimate<Decibels>>,
}

/// What is the matter with which head. Which of the two reads the top fields depends on the recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeadState {
    /// Nothing.
    Alike,
    /// The one of the top fields gives less.
    TopWeak,
    /// The one of the bottom fields gives less.
    BottomWeak,
    /// The one of the top fields gives nothing but noise.
    TopClogged,
    /// The one of the bottom fields gives nothing but noise.
    BottomClogged,
}

impl HeadState {
    /// Every word, in the order of the states.
    pub const WORDS: &[&str] = &[
        "alike",
        "top_weak",
        "bottom_weak",
        "top_clogged",
        "bottom_clogged",
    ];

    /// As printed.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS[self as usize]
    }
}

/// Difference in noise from which a head is weak: 2 dB are to be found, of which detail that moves hides some, and pairs of good
/// heads differ by one (common practice, no source).
const WEAK_NOISE_DB: f64 = 1.4;

/// Difference in level from which a head is weak: 3 dB are to be found.
const WEAK_LEVEL_DB: f64 = 2.0;

/// Difference in noise from which a head is clogged: snow is 30 dB over a usable tape's noise, and a picture with 12 dB more noise
/// than its neighbour is none any more.
const CLOGGED_DB: f64 = 12.0;

/// Standard errors a difference must be of.
const TOLD: f64 = 4.0;

/// Every so many rows are read.
const ROW_STEP: usize = 4;

/// Blocks of which levels are compared.
const ACROSS: usize = 12;
const DOWN: usize = 8;

/// Level over black, in codes, from which a block tells a ratio, and how many must.
const LEAST_LEVEL: f64 = 26.0;
const ENOUGH_BLOCKS: usize = 16;

type Levels = [[f64; ACROSS]; DOWN];

/// Follows both heads.
#[derive(Debug)]
pub(super) struct Watch {
    raster: Option<FieldRaster>,
    noise: ParityWatch,
    level: ParityWatch,
    /// Levels of the two fields before, newest first.
    levels: [Option<(Parity, Levels)>; 2],
    ratios: Vec<f64>,
}

impl Default for Watch {
    fn default() -> Self {
        Self {
            raster: None,
            noise: ParityWatch::default(),
            level: ParityWatch::default(),
            levels: [None; 2],
            ratios: Vec::with_capacity(ACROSS * DOWN),
        }
    }
}

impl Watch {
    /// Takes in the next field, and the rms of the noise in the one of its parity before it.
    pub(super) fn follow(
        &mut self,
        field: &Field,
        area: &PictureArea,
        rms: Option<f64>,
    ) -> Option<Heads> {
        if self.raster != Some(field.raster) {
            self.raster = Some(field.raster);
            self.noise.reset();
            self.level.reset();
            self.levels = [None; 2];
        }
        if field.gap.fields() > 0 {
            self.noise.interrupt();
            self.levels = [None; 2];
        }
        let parity = field.place.parity;
        match rms {
            Some(rms) => self.noise.follow(parity, 20.0 * rms.log10()),
            None => self.noise.interrupt(),
        }
        let area = reading_area(field, area)?;
        self.compare_levels(parity, &levels_of(field, &area));
        self.say()
    }

    /// Holds the field before against this one and the one before it.
    fn compare_levels(&mut self, parity: Parity, now: &Levels) {
        if let [Some((middle_parity, middle)), Some((first_parity, first))] = &self.levels
            && *first_parity == parity
            && *middle_parity == parity.other()
        {
            self.ratios.clear();
            for ((now, middle), first) in now.iter().zip(middle).zip(first) {
                for ((now, middle), first) in now.iter().zip(middle).zip(first) {
                    if now.min(*middle).min(*first) >= LEAST_LEVEL {
                        self.ratios
                            .push(20.0 * (middle / (now * first).sqrt()).log10());
                    }
                }
            }
            if self.ratios.len() >= ENOUGH_BLOCKS {
                let ratio = nearest_to_none(&mut self.ratios);
                // The ratio is one already: the neighbours are what it is against.
                self.level.interrupt();
                self.level.follow(parity, 0.0);
                self.level.follow(parity.other(), ratio);
                self.level.follow(parity, 0.0);
            }
        }
        self.levels = [Some((parity, *now)), self.levels[0]];
    }

    fn say(&self) -> Option<Heads> {
        let estimate = |watch: &ParityWatch| {
            let found = watch.difference()?;
            Some(Estimate::new(
                Decibels(found.value),
                Decibels(found.sigma),
                found.fields,
            ))
        };
        let (noise, level) = (estimate(&self.noise), estimate(&self.level));
        let level_db = level.map_or(0.0, |level| level.value.0);
        let told = |value: f64, sigma: f64, least: f64| {
            (value.abs() >= least && value.abs() > TOLD * sigma).then_some(value)
        };
        let noisier = noise.map(|noise| (noise.value.0 - level_db, noise.sigma.0));
        let clogged = noisier.and_then(|(db, sigma)| told(db, sigma, CLOGGED_DB));
        let noisier = noisier.and_then(|(db, sigma)| told(db, sigma, WEAK_NOISE_DB));
        let brighter = level.and_then(|level| told(level.value.0, level.sigma.0, WEAK_LEVEL_DB));
        // The head of the darker fields is the weak one, or that of the noisier ones.
        let weaker = brighter.map(|level| -level).or(noisier);
        let state = match (clogged, weaker) {
            (Some(noise), _) if noise > 0.0 => HeadState::TopClogged,
            (Some(_), _) => HeadState::BottomClogged,
            (None, Some(weaker)) if weaker > 0.0 => HeadState::TopWeak,
            (None, Some(_)) => HeadState::BottomWeak,
            (None, None) => HeadState::Alike,
        };
        noise.is_some().then_some(Heads {
            state,
            noise,
            level,
        })
    }
}

/// The picture's area, or without one the middle of the field: a clogged head may leave nothing that looks like a picture.
fn reading_area(field: &Field, area: &PictureArea) -> Option<PictureArea> {
    let (width, rows) = (field.luma.width, field.luma.rows);
    if width < 8 * ACROSS || rows < 6 * DOWN {
        return None;
    }
    let inside = area.columns.end <= width && area.rows.end <= rows;
    if inside && area.columns.len() >= 6 * ACROSS && area.rows.len() >= 4 * DOWN {
        return Some(area.clone());
    }
    Some(PictureArea {
        columns: width / 16..width - width / 16,
        rows: rows / 16..rows - rows / 16,
    })
}

/// Mean codes over black of blocks.
fn levels_of(field: &Field, area: &PictureArea) -> Levels {
    let (black, _) = field.raster.range.black_and_peak();
    let (width, height) = (area.columns.len() / ACROSS, area.rows.len() / DOWN);
    let mut sums = [[0_u32; ACROSS]; DOWN];
    let mut rows = 0;
    for (band, sums) in sums.iter_mut().enumerate() {
        let first = area.rows.start + band * height;
        rows = 0;
        for row in (first..first + height).step_by(ROW_STEP) {
            let line = &field.luma.row(row)[area.columns.clone()];
            for (sum, block) in sums.iter_mut().zip(line.chunks_exact(width)) {
                *sum += block.iter().map(|&code| u32::from(code)).sum::<u32>();
            }
            rows += 1;
        }
    }
    let samples = (rows.max(1) * width.max(1)) as f64;
    sums.map(|sums| sums.map(|sum| f64::from(sum) / samples - black.0))
}

/// Of the quartiles, the one nearer to zero; zero where they lie to both sides.
fn nearest_to_none(ratios: &mut [f64]) -> f64 {
    ratios.sort_unstable_by(f64::total_cmp);
    let low = ratios[ratios.len() / 4];
    let high = ratios[ratios.len() - 1 - ratios.len() / 4];
    if low > 0.0 {
        low
    } else if high < 0.0 {
        high
    } else {
        0.0
    }
}
