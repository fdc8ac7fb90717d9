//! A bar of mains hum: a sine over time, at the mains' frequency or twice it, in the blanking beside the picture.
//!
//! In: fields, and which columns are blanking. Out: how far the blanking swings, and at which frequency, once that is certain.
//!
//! A supply that leaks, or a loop through the earth, lays the mains over the signal. A field takes about as long as a period of the mains, so
//! it shows as one bar, dark and light, or two where the supply rectifies both half waves. The light of a scene has bars as well; blanking
//! has none, so it is read there, and what the picture beside it leaks in is fitted with it and set aside. What stands still in the field, as a
//! level that sags from top to bottom does, is no hum: the mains are never quite at the rate of the fields, so hum drifts, evenly, through
//! all scenes. One that would take longer than half a minute for a turn is not told from what stands.
//!
//! Does not know: limits, whose blanking it is.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use crate::fields::{Field, Plane};
use crate::measures::dsp::fit::invert;
use crate::measures::line_timing::MAX_ROWS;
use crate::units::{Estimate, Ire, LumaCode, Seconds, ire_from_code_step};

/// Frequencies of mains (IEC 60038, from memory).
const MAINS: [f64; 2] = [50.0, 60.0];

/// How far mains are off them at most, in Hz, a camera's or player's own clock included: large networks keep within 0.2 and mostly within
/// 0.05 (common practice, no source).
const MOST_OFF: f64 = 0.15;

/// Columns that the rise of the picture's edge takes of the blanking beside it.
const RISE_COLUMNS: usize = 2;

/// Columns of the picture, counted from its first, that may leak into the blanking beside them.
const INNER: std::ops::Range<usize> = 4..12;

/// Rows left out at either end: half lines, the bent top, the switched heads.
const END_ROWS: usize = 12;

/// Time of a block within which hum hardly turns.
const BLOCK: Seconds = Seconds(0.5);

/// Fields that a block has at the least.
const LEAST_FIELDS: u32 = 8;

/// Blocks looked at together, and those of them that must be there: 40 s, and 30.
const RING: i64 = 80;
const BLOCKS: usize = RING as usize;
const LEAST_BLOCKS: usize = 60;

/// Kept from the matrix' diagonal being nothing where no row of the picture has any light.
const RIDGE: f64 = 1e-6;

/// Frequencies tried, from end to end of what mains may be off.
const TRIED: usize = 61;

/// Turns within the time looked at by which hum drifts against what stands still in the field.
const LEAST_TURNS: f64 = 1.5;

/// Share of what does not stand still that an even turn must explain. A level that jumps from scene to scene turns both ways alike: half at
/// the most.
const MOSTLY: f64 = 0.7;

/// Least swing that is told, in codes from peak to peak: a third of an IRE.
const LEAST_SWING: f64 = 0.7;

/// Unknowns of a field: level, leak, and sine and cosine at a frequency and twice it.
const UNKNOWNS: usize = 6;

/// A frequency that hum may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ripple {
    /// Mains of 50 Hz.
    At50,
    /// Both half waves of 50 Hz.
    At100,
    /// Mains of 60 Hz.
    At60,
    /// Both half waves of 60 Hz.
    At120,
}

impl Ripple {
    const ALL: [Self; 4] = [Self::At50, Self::At100, Self::At60, Self::At120];

    /// The words of all, and of one.
    pub(super) const WORDS: &[&str] = &["50_hz", "100_hz", "60_hz", "120_hz"];

    /// As exported.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS[self as usize]
    }

    fn hertz(self) -> f64 {
        match self {
            Self::At50 => 50.0,
            Self::At60 => 60.0,
            Self::At100 => 100.0,
            Self::At120 => 120.0,
        }
    }
}

/// The hum that was found.
#[derive(Clone, Copy, Debug)]
pub struct Bar {
    /// From peak to peak; supported by so many half seconds.
    pub swing: Estimate<Ire>,
    /// At which frequency.
    pub ripple: Ripple,
}

/// A block of fields: sums while it lasts, then means of what was fitted to each.
#[derive(Clone, Copy, Debug, Default)]
struct Block {
    fields: u32,
    waves: [Complex<f64>; 4],
}

/// Looks for hum, field by field.
#[derive(Debug)]
pub(super) struct Hum {
    blocks: Box<[Block; BLOCKS]>,
    /// Of the field's rows, all but those at the ends: level of the blanking, and of the picture beside it.
    margins: Vec<[f64; 2]>,
    /// Number of the block that is being filled, counted from time zero.
    newest: i64,
    said: Option<Bar>,
}

impl Default for Hum {
    fn default() -> Self {
        Self {
            blocks: Box::new([Block::default(); BLOCKS]),
            margins: Vec::with_capacity(MAX_ROWS),
            newest: i64::MIN,
            said: None,
        }
    }
}

impl Hum {
    /// Forgets what was seen.
    pub(super) fn forget(&mut self) {
        self.blocks.fill(Block::default());
        self.newest = i64::MIN;
        self.said = None;
    }

    /// Takes in a field with so many columns of blanking at its left and its right.
    pub(super) fn see(&mut self, field: &Field, blanking: [usize; 2]) -> Option<Bar> {
        let standard = field.raster.standard?;
        self.turn_to((field.place.seconds.0 / BLOCK.0).floor() as i64, field);
        let line = standard.line_period().0 * 1e-9;
        let start = field.place.seconds.0;
        if !read_margins(&field.luma, blanking, &mut self.margins) {
            return self.said;
        }
        for (nth, mains) in MAINS.into_iter().enumerate() {
            let Some(waves) = fit(&self.margins, start * mains, line * mains) else {
                return self.said;
            };
            let block = &mut self.blocks[slot(self.newest)];
            block.fields += u32::from(nth == 0);
            for (sum, wave) in block.waves[2 * nth..].iter_mut().zip(waves) {
                *sum += wave;
            }
        }
        self.said
    }

    /// Goes on to a block; looks at those that are finished.
    fn turn_to(&mut self, number: i64, field: &Field) {
        if number == self.newest {
            return;
        }
        let passed = number.saturating_sub(self.newest);
        if (1..RING).contains(&passed) {
            let finished = &mut self.blocks[slot(self.newest)];
            if finished.fields < LEAST_FIELDS {
                *finished = Block::default();
            }
            let share = 1.0 / f64::from(finished.fields.max(1));
            for wave in &mut finished.waves {
                *wave *= share;
            }
            for gone in self.newest + 1..=number {
                self.blocks[slot(gone)] = Block::default();
            }
            self.newest = number;
            self.said = self.find(field);
        } else {
            self.forget();
        }
        self.newest = number;
    }

    fn find(&self, field: &Field) -> Option<Bar> {
        let rate = 1.0 / field.raster.standard?.field_period().0;
        let turning = Ripple::ALL
            .into_iter()
            .enumerate()
            .filter_map(|(nth, ripple)| Some((ripple, self.turning(nth, ripple.hertz(), rate)?)));
        let (ripple, (swing, sigma, blocks)) = turning.max_by(|a, b| a.1.0.total_cmp(&b.1.0))?;
        let ire = |codes| ire_from_code_step(LumaCode(codes), field.raster.range);
        Some(Bar {
            swing: Estimate::new(ire(swing), ire(sigma), blocks),
            ripple,
        })
    }

    /// Swing from peak to peak, its standard error and the number of blocks of what turns evenly at about a frequency, where that is most of what
    /// does not stand still in the field.
    fn turning(&self, nth: usize, hertz: f64, rate: f64) -> Option<(f64, f64, u32)> {
        // All but the block that is being filled, from the oldest.
        let order = (1..RING).map(|after| slot(self.newest + after));
        let seen = || {
            let blocks = order.clone().map(|slot| &self.blocks[slot]);
            let wave = |block: &Block| (block.fields > 0).then(|| block.waves[nth]);
            blocks
                .enumerate()
                .filter_map(move |(at, block)| Some((at, wave(block)?)))
        };
        let count = seen().count();
        if count < LEAST_BLOCKS {
            return None;
        }
        let n = count as f64;
        // Of both half waves everything turns twice as far.
        let harmonic = (1 + nth % 2) as f64;
        // What stands still in the field turns at the difference of its nearest harmonic.
        let still = (hertz / rate).round() * rate - hertz;
        let stands = still.abs() < 0.5 / BLOCK.0;
        let turn = |hertz: f64, at: usize| Complex::cis(-TAU * hertz * BLOCK.0 * at as f64);
        let mean = |hertz: f64| {
            seen()
                .map(|(at, wave)| wave * turn(hertz, at))
                .sum::<Complex<f64>>()
                / n
        };
        let standing = if stands { mean(still) } else { Complex::ZERO };
        let power = seen().map(|(_, wave)| wave.norm_sqr()).sum::<f64>() / n - standing.norm_sqr();
        let mut best = (0.0, 0.0, 1.0);
        for tried in 0..TRIED {
            let most = MOST_OFF * harmonic;
            let off = most * (2.0 * tried as f64 / (TRIED - 1) as f64 - 1.0);
            if stands && (off - still).abs() * BLOCK.0 * BLOCKS as f64 <= LEAST_TURNS {
                continue;
            }
            let shared = if stands {
                seen()
                    .map(|(at, _)| turn(off - still, at))
                    .sum::<Complex<f64>>()
                    / n
            } else {
                Complex::ZERO
            };
            let own = 1.0 - shared.norm_sqr();
            let beyond = mean(off) - shared * standing;
            let explained = beyond.norm_sqr() / own;
            if explained > best.0 {
                best = (explained, beyond.norm() / own, own);
            }
        }
        let (explained, amplitude, own) = best;
        let left = (power - explained).max(0.0) / ((n - 4.0) * own);
        let swing = 2.0 * amplitude;
        (explained > MOSTLY * power && swing > LEAST_SWING)
            .then(|| (swing, (2.0 * left).sqrt(), count as u32))
    }
}

/// Where a block stands.
fn slot(number: i64) -> usize {
    number.rem_euclid(RING) as usize
}

/// Reads the rows; `false` where no blanking is in view, or the field is too small.
fn read_margins(luma: &Plane, blanking: [usize; 2], margins: &mut Vec<[f64; 2]>) -> bool {
    margins.clear();
    let columns = blanking.map(|columns| columns.saturating_sub(RISE_COLUMNS));
    let count = columns[0] + columns[1];
    let widest = blanking[0].max(blanking[1]) + INNER.end;
    if count == 0 || luma.width < 2 * widest || luma.rows < 4 * END_ROWS {
        return false;
    }
    for row in END_ROWS..luma.rows - END_ROWS {
        let codes = luma.row(row);
        let [mut level, mut beside] = [0_u32; 2];
        for (hand, &columns) in columns.iter().enumerate() {
            let code = |outside: usize| {
                let column = if hand == 0 {
                    outside
                } else {
                    luma.width - 1 - outside
                };
                u32::from(codes[column])
            };
            level += (0..columns).map(code).sum::<u32>();
            if columns > 0 {
                let inner = blanking[hand] + INNER.start..blanking[hand] + INNER.end;
                beside += inner.map(code).sum::<u32>();
            }
        }
        margins.push([
            f64::from(level) / count as f64,
            f64::from(beside) / (255 * INNER.len()) as f64,
        ]);
    }
    true
}

/// Waves of the blanking's level along the rows: at a frequency, and at twice it. Turns of the first since time zero where the field
/// begins, and turns a line.
fn fit(margins: &[[f64; 2]], start: f64, step: f64) -> Option<[Complex<f64>; 2]> {
    let mut matrix = [[0.0; UNKNOWNS]; UNKNOWNS];
    let mut sums = [0.0; UNKNOWNS];
    let step_of_turn = Complex::cis(TAU * step);
    let first = Complex::cis(TAU * (start + step * END_ROWS as f64).fract());
    let turns = std::iter::successors(Some(first), |turn| Some(turn * step_of_turn));
    for (&[level, beside], turn) in margins.iter().zip(turns) {
        let twice = turn * turn;
        let known = [1.0, beside, turn.re, turn.im, twice.re, twice.im];
        for (line, (sum, one)) in matrix.iter_mut().zip(sums.iter_mut().zip(known)) {
            *sum += one * level;
            for (cell, other) in line.iter_mut().zip(known) {
                *cell += one * other;
            }
        }
    }
    matrix[1][1] += RIDGE;
    if !invert(&mut matrix) {
        return None;
    }
    let value = |nth: usize| -> f64 { matrix[nth].iter().zip(sums).map(|(a, b)| a * b).sum() };
    Some([
        Complex::new(value(2), -value(3)),
        Complex::new(value(4), -value(5)),
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::sketch::{Sketcher, field, plane, raster};
    use crate::standard::Standard;

    const MARGIN: usize = 4;
    const WIDTH: usize = 32;

    /// What lies over a tape of 525 or 625 lines.
    struct Tape {
        standard: Standard,
        /// Hum in Hz and codes from peak to peak.
        hum: Option<(f64, f64)>,
        /// Codes by which blanking sags from top to bottom of each field, as a sine that stands still.
        sag: f64,
        /// Share of the picture beside it that leaks into the blanking.
        leak: f64,
        /// Length of a scene, each with light of its own.
        scene_seconds: f64,
    }

    const CLEAN: Tape = Tape {
        standard: Standard::Lines625,
        hum: None,
        sag: 0.0,
        leak: 0.0,
        scene_seconds: 7.0,
    };

    /// What is found in the last of so many seconds.
    fn found(tape: &Tape, seconds: f64) -> Option<Bar> {
        let (rows, period) = match tape.standard {
            Standard::Lines525 => (240, 1.001 / 60.0),
            Standard::Lines625 => (288, 0.02),
        };
        let line = tape.standard.line_period().0 * 1e-9;
        let mut dice = Sketcher::new(5);
        let grains: Vec<f64> = (0..10_007).map(|_| dice.bell()).collect();
        let mut grain = (0..grains.len()).cycle();
        let mut noise = || grain.next().map_or(0.0, |at| grains[at]);
        let mut scene = (0, [0.0; 4]);
        let mut hum = Hum::default();
        let mut last = None;
        for index in 0..(seconds / period) as u64 {
            let start = index as f64 * period;
            let shot = 1 + (start / tape.scene_seconds) as u64;
            if scene.0 != shot {
                scene = (shot, [(); 4].map(|()| 25.0 * dice.bell()));
            }
            let [a, b, c, d] = scene.1;
            let light = |row: usize| {
                let at = row as f64 / rows as f64;
                110.0
                    + a * (TAU * at).sin()
                    + b * (TAU * at).cos()
                    + c * (2.0 * TAU * at).sin()
                    + d * at
            };
            let levels: Vec<f64> = (0..rows)
                .map(|row| {
                    let seconds = start + row as f64 * line;
                    let swing = tape.hum.map_or(0.0, |(hertz, codes)| {
                        0.5 * codes * (TAU * hertz * seconds).sin()
                    });
                    swing + tape.sag * (TAU * row as f64 / rows as f64).sin()
                })
                .collect();
            let luma = plane(WIDTH, rows, |column, row| {
                let blank = !(MARGIN..WIDTH - MARGIN).contains(&column);
                let picture = light(row) + 6.0 * noise();
                let level = if blank {
                    16.0 + tape.leak * picture
                } else {
                    picture
                };
                (level + levels[row] + 1.5 * noise())
                    .round()
                    .clamp(1.0, 254.0) as u8
            });
            let mut field = field(index, raster(WIDTH, rows), luma);
            field.place.seconds = Seconds(start);
            last = hum.see(&field, [MARGIN; 2]);
        }
        last
    }

    #[test]
    fn hum_is_found_at_either_mains_in_either_standard() {
        let cases = [
            (Standard::Lines625, 50.05, 4.0, Ripple::At50),
            (Standard::Lines625, 100.12, 3.0, Ripple::At100),
            (Standard::Lines625, 60.02, 2.0, Ripple::At60),
            (Standard::Lines525, 60.0, 2.0, Ripple::At60),
            (Standard::Lines525, 120.04, 4.0, Ripple::At120),
            (Standard::Lines525, 50.0, 2.0, Ripple::At50),
        ];
        for (standard, hertz, codes, ripple) in cases {
            let tape = Tape {
                standard,
                hum: Some((hertz, codes)),
                leak: 0.01,
                ..CLEAN
            };
            let bar = found(&tape, 44.0).unwrap_or_else(|| panic!("{standard:?} {hertz}: nothing"));
            let [swing, sigma] = [bar.swing.value, bar.swing.sigma].map(|ire| ire.0 * 2.19);
            assert_eq!(bar.ripple, ripple, "{standard:?} {hertz}");
            let off = (swing - codes).abs();
            assert!(
                off < 0.05 * codes + 3.0 * sigma && sigma < 0.1 * codes,
                "{standard:?} {hertz}: {swing} ± {sigma} for {codes}"
            );
        }
    }

    #[test]
    fn what_stands_or_changes_with_the_scene_is_no_hum() {
        for (sag, leak, scene_seconds) in [
            (0.0, 0.0, 7.0),
            (3.0, 0.0, 7.0),
            (0.0, 0.03, 3.0),
            (2.0, 0.03, 17.0),
        ] {
            for standard in [Standard::Lines525, Standard::Lines625] {
                let tape = Tape {
                    standard,
                    sag,
                    leak,
                    scene_seconds,
                    ..CLEAN
                };
                assert!(
                    found(&tape, 44.0).is_none(),
                    "{standard:?} {sag} {leak} {scene_seconds}"
                );
            }
        }
    }

    #[test]
    fn hum_is_told_over_a_sag_and_not_before_half_a_minute() {
        let tape = Tape {
            hum: Some((50.06, 4.0)),
            sag: 2.0,
            leak: 0.02,
            ..CLEAN
        };
        assert!(found(&tape, 25.0).is_none());
        let swing = found(&tape, 44.0).expect("it is there").swing.value.0 * 2.19;
        assert!((swing - 4.0).abs() < 0.4, "{swing}");
    }

    #[test]
    fn without_blanking_in_view_nothing_is_said() {
        let fields = field(0, raster(WIDTH, 288), plane(WIDTH, 288, |_, _| 90));
        assert!(Hum::default().see(&fields, [0, 2]).is_none());
        assert!(!read_margins(&fields.luma, [0, 2], &mut Vec::new()));
    }
}
