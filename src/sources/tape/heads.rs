//! What the two heads read off their tracks: the share of the carrier that arrives, row by row.
//!
//! In: how the heads lie on the tracks, what is wrong with one of them, and the time. Out: for each field the carrier's share of
//! every row, and what that does to a line. A head reads as much of its own track as it covers; the neighbouring tracks are
//! recorded at another azimuth and add nothing. Noise behind an FM demodulator grows as the carrier shrinks, decibel by decibel,
//! down to a threshold: below it the demodulator loses cycles, and the picture drowns in noise and streaks.
//!
//! Does not know: the picture.

use serde::Serialize;

use crate::units::Decibels;

use super::layout::{CHROMA_WIDTH, LUMA_WIDTH, MAX_FIELD_ROWS};
use super::noise::NoiseBank;
use super::random::Dice;

/// How the heads lie on the tracks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tracking {
    /// Distance of the head from the middle of its track when the segment begins, in track widths; 0 is right.
    pub offset: f64,
    /// What turning the player's knob adds, in track widths a second.
    pub sweep: f64,
    /// How far the track is bent aside where it is most, in track widths.
    pub bow: f64,
    /// Where that is, as a share of the field's height, and how it travels, in shares a second.
    pub bow_at: f64,
    /// See [`Self::bow_at`].
    pub bow_travel: f64,
    /// Half the height of the bend, as a share of the field's.
    pub bow_reach: f64,
}

/// What is wrong with the head that reads the newer fields, against the other one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heads {
    /// Its carrier: worn or dirty below 0 dB, clogged at minus infinity.
    pub carrier: Decibels,
    /// The level of what it gives, where the player does not even it out.
    pub level: Decibels,
}

impl Tracking {
    /// In the middle of the track.
    pub const RIGHT: Self = Self {
        offset: 0.0,
        sweep: 0.0,
        bow: 0.0,
        bow_at: 0.5,
        bow_travel: 0.0,
        bow_reach: 0.1,
    };

    /// Where the knob has put the head after some seconds, in track widths.
    fn offset_at(&self, seconds: f64) -> f64 {
        self.offset + self.sweep * seconds
    }

    /// Share of the track's width that is read, at a share of the field's height.
    fn share(&self, height: f64, seconds: f64) -> f64 {
        let middle = self.bow_at + self.bow_travel * seconds;
        // The bend comes back at the other end of the field when it has left at one.
        let distance = (height - middle - (height - middle).round()) / self.bow_reach;
        let bend = if distance.abs() < 1.0 {
            self.bow * (1.0 - distance * distance)
        } else {
            0.0
        };
        (1.0 - (self.offset_at(seconds) + bend).abs()).max(0.0)
    }
}

impl Heads {
    /// Both alike.
    pub const ALIKE: Self = Self {
        carrier: Decibels(0.0),
        level: Decibels(0.0),
    };

    /// Factor on the levels of the newer field.
    pub(super) fn level_factor(&self) -> f64 {
        libm::exp10(self.level.0 / 20.0)
    }
}

/// Share of the carrier below which the demodulator loses cycles: 8 dB under full.
const THRESHOLD: f64 = 0.4;

/// Share below which a row is told as lost: its noise is 13 codes, 6 IRE, and streaks begin.
const LOST: f64 = 0.3;

/// Share from which nothing is to be seen.
const WHOLE: f32 = 0.999;

/// A band of rows in which the picture is lost.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LostBand {
    /// First row.
    pub row: usize,
    /// Rows.
    pub lines: usize,
}

/// What was read of a field.
#[derive(Debug)]
pub(super) struct Carrier {
    shares: [f32; MAX_FIELD_ROWS],
    rows: usize,
    /// Distance from the middle of the track; `None` where nothing is told of it.
    pub(super) offset: Option<f64>,
}

impl Carrier {
    pub(super) const fn whole() -> Self {
        Self {
            shares: [1.0; MAX_FIELD_ROWS],
            rows: 0,
            offset: None,
        }
    }

    /// Reads a field of `rows` rows.
    pub(super) fn read(
        &mut self,
        (tracking, heads): (&Tracking, &Heads),
        newer: bool,
        rows: usize,
        seconds: f64,
    ) {
        let whole = *tracking == Tracking::RIGHT && (*heads == Heads::ALIKE || !newer);
        self.rows = if whole { 0 } else { rows };
        self.offset = (*tracking != Tracking::RIGHT).then(|| tracking.offset_at(seconds));
        let head = if newer {
            libm::exp10(heads.carrier.0 / 20.0)
        } else {
            1.0
        };
        for (row, share) in self.shares[..self.rows].iter_mut().enumerate() {
            let height = (row as f64 + 0.5) / rows as f64;
            *share = (head * tracking.share(height, seconds)) as f32;
        }
    }

    /// The carrier's share in a row; `None` where all of it arrives.
    pub(super) fn share(&self, row: usize) -> Option<f32> {
        let share = *self.shares[..self.rows].get(row)?;
        (share < WHOLE).then_some(share)
    }

    /// Bands of rows that are lost.
    pub(super) fn lost_bands(&self) -> impl Iterator<Item = LostBand> + '_ {
        let shares = &self.shares[..self.rows];
        let lost = move |row: usize| shares.get(row).is_some_and(|&s| f64::from(s) < LOST);
        (0..self.rows)
            .filter(move |&row| lost(row) && (row == 0 || !lost(row - 1)))
            .map(move |row| LostBand {
                row,
                lines: (row..self.rows).take_while(|&at| lost(at)).count(),
            })
    }
}

/// Rms of the noise behind a demodulator without a carrier, in codes, and the grey it is about.
const LOST_RMS: f32 = 52.0;
const LOST_MEAN: f32 = 105.0;

/// Streaks in a row that is quite lost, and their longest in samples: 12 µs.
const STREAKS: f64 = 4.0;
const LONGEST_STREAK: f64 = 162.0;

/// A line's planes being worked on, and the noise that it has when all of the carrier arrives.
pub(super) struct ReadLine<'a> {
    pub(super) luma: &'a mut [f32; LUMA_WIDTH],
    pub(super) chroma: &'a mut [[f32; CHROMA_WIDTH]; 2],
    /// Rms of luma and chroma noise, in codes.
    pub(super) noise: (f32, f32),
}

impl ReadLine<'_> {
    /// Does to the line what a carrier of this share does to it.
    pub(super) fn lose(
        &mut self,
        share: f32,
        (luma, chroma): (&NoiseBank, &NoiseBank),
        dice: &mut Dice,
    ) {
        // Noise powers add: what the line has by now is in it already.
        let growth = (1.0 / (share * share).max(0.01) - 1.0).max(0.0).sqrt();
        let depth = (1.0 - share / THRESHOLD as f32).max(0.0);
        let rms = (self.noise.0 * growth).hypot(LOST_RMS * depth);
        let left = 1.0 - depth * depth;
        let stretch = luma.stretch(LUMA_WIDTH, dice);
        for (sample, noise) in self.luma.iter_mut().zip(stretch) {
            *sample = LOST_MEAN + (*sample - LOST_MEAN) * left + rms * noise;
        }
        for line in &mut *self.chroma {
            let stretch = chroma.stretch(CHROMA_WIDTH, dice);
            for (sample, noise) in line.iter_mut().zip(stretch) {
                *sample = 128.0
                    + (*sample - 128.0) * (1.0 - depth)
                    + self.noise.1 * growth * left * noise;
            }
        }
        for _ in 0..dice.poisson(STREAKS * f64::from(depth), 12) {
            let first = dice.below(LUMA_WIDTH);
            let samples = dice.between(8.0, LONGEST_STREAK) as usize;
            let code = if dice.unit() < 0.7 { 225.0 } else { 20.0 };
            self.luma[first..(first + samples).min(LUMA_WIDTH)].fill(code);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_head_beside_its_track_reads_what_it_covers() {
        let beside = Tracking {
            offset: -0.25,
            sweep: 0.05,
            ..Tracking::RIGHT
        };
        assert!((beside.share(0.5, 0.0) - 0.75).abs() < 1e-12);
        assert!((beside.share(0.1, 5.0) - 1.0).abs() < 1e-12);
        assert!((beside.share(0.9, 10.0) - 0.75).abs() < 1e-12);
        assert_eq!(beside.share(0.9, 100.0), 0.0);
    }

    #[test]
    fn a_bent_track_is_lost_in_one_band() {
        let bent = Tracking {
            bow: 0.9,
            bow_at: 0.25,
            bow_reach: 0.1,
            ..Tracking::RIGHT
        };
        let mut carrier = Carrier::whole();
        carrier.read((&bent, &Heads::ALIKE), false, 240, 0.0);
        let bands: Vec<LostBand> = carrier.lost_bands().collect();
        // 0.9·(1 − d²) > 0.7 for |d| < 0.471: 0.0471 of 240 rows to either side of row 60
        assert_eq!(bands, [LostBand { row: 49, lines: 22 }]);
    }

    #[test]
    fn only_the_newer_field_has_the_bad_head() {
        let clogged = Heads {
            carrier: Decibels(f64::NEG_INFINITY),
            ..Heads::ALIKE
        };
        let mut carrier = Carrier::whole();
        carrier.read((&Tracking::RIGHT, &clogged), false, 240, 0.0);
        assert_eq!(carrier.share(100), None);
        carrier.read((&Tracking::RIGHT, &clogged), true, 240, 0.0);
        assert_eq!(carrier.share(100), Some(0.0));
        assert_eq!(carrier.share(240), None);
    }
}
