//! Noise that two plays have in common, which is the tape's, told from what each play adds.
//!
//! In: lines of a field and of the one of its parity before, in both plays, and where luma of each stands in the second. Out: a
//! [`SharedNoise`]. Where a picture is plain its two fields differ by noise alone. What the difference of the first play has in
//! common with that of the second, from 1 to 3 MHz, was on the tape; the rest is each play's own. The second play shows what is
//! on the tape by the response that pictures have ([`super::response`]), which is no matter of noise, so both can be set beside
//! each other.
//!
//! Where something moves, fields differ far more below 0.7 MHz than above; such windows are left out. So are fields of which they
//! are most, and fields that differ much more than the quiet ones do: there the camera moves, and fine texture with it. Of the
//! rest, plain is the quarter whose *sum* of both fields shows least. Sum and difference of equal noises are independent, so the
//! choice leaves the noise as it is. What one chain's reduction of noise takes of the tape's is counted as the other's own.
//!
//! Does not know: pictures, files, or which of the two is right.

use std::ops::RangeInclusive;

use realfft::num_complex::Complex;
use serde::Serialize;

use super::bootstrap::{Interval, block_length, bootstrap};
use super::response::{BINS, LEAST_SECONDS, LENGTH, Transformer, starts, turn_of, wide};

/// Bins in which noise is looked at: 1 to 3 MHz of 13.5 MHz. Below, what moves shows; above, tape carries little.
const NOISY: RangeInclusive<usize> = 10..=28;
const NOISY_BINS: usize = 19;

/// Bins in which it is seen that something moves: 0.2 to 0.7 MHz.
const MOVING: RangeInclusive<usize> = 2..=6;

/// Times that a bin of these may hold what one of the noise does. Of even noise one window in a hundred holds more.
const STILL: f64 = 3.0;

/// Share of the windows of a field that must be still.
const MOSTLY: f64 = 0.5;

/// Times the usual power of a quiet field that a field may have: noise of one tape differs by less, and what moves only adds to it.
const QUIET: f64 = 1.5;

/// Of so many fields one is quieter than the usual quiet one.
const QUIETEST: usize = 4;

/// Of so many still windows of a field the plainest one is looked at.
const PLAINEST: usize = 4;

/// Figures of a bin: power in the first, in the second, common to both.
const FIGURES: usize = 3;
const SUMS: usize = 1 + FIGURES * NOISY_BINS;

/// Sums of one field or second: windows, then the figures of each bin.
type Sums = [f64; SUMS];

/// Noise of two plays from 1 to 3 MHz.
#[derive(Clone, Debug, Serialize)]
pub struct SharedNoise {
    /// Seconds it rests on.
    pub seconds: usize,
    /// From this frequency, in MHz.
    pub from_megahertz: f64,
    /// To this frequency, in MHz.
    pub to_megahertz: f64,
    /// Of both, as the first shows it: the tape's, in IRE rms. `None` where it cannot be told from none.
    pub shared_ire: Option<Interval>,
    /// Of the first alone, in IRE rms; `None` where it cannot be told from none.
    pub first_own_ire: Option<Interval>,
    /// Of the second alone.
    pub second_own_ire: Option<Interval>,
    /// Share of the power of the first's noise that the second shows too, in %.
    pub shared_of_first_pct: Option<Interval>,
    /// Share of the power of the second's noise that the first shows too, in %.
    pub shared_of_second_pct: Option<Interval>,
}

/// One line of a field and of the one before, in both plays.
#[derive(Clone, Copy, Debug)]
pub(super) struct FourLines<'a> {
    /// Now and before.
    pub(super) first: [&'a [u8]; 2],
    pub(super) second: [&'a [u8]; 2],
    /// How far to the right the second stands, now and before, in samples.
    pub(super) displaced: [f64; 2],
}

/// A window of a line.
#[derive(Clone, Copy, Debug)]
struct Window {
    /// What the sum of both fields of the first shows: the slope's power.
    shows: f64,
    figures: [f64; FIGURES * NOISY_BINS],
}

/// What codes and frequencies stand for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scales<'a> {
    /// Amplitude of the second over that of the first, by bin.
    pub(super) gains: &'a [Option<f64>; BINS],
    /// IRE of a code, in the first and in the second.
    pub(super) ire_a_code: [f64; 2],
    pub(super) sampled_megahertz: f64,
}

/// Adds lines up.
#[derive(Debug)]
pub(super) struct NoiseComparer {
    transformer: Transformer,
    /// Of the first and of the second, now and before.
    spectra: [[Vec<Complex<f32>>; 2]; 2],
    windows: Vec<Window>,
    /// By the second they are of.
    fields: Vec<(usize, Sums)>,
    seconds: usize,
}

impl NoiseComparer {
    pub(super) fn new() -> Self {
        let transformer = Transformer::default();
        Self {
            spectra: transformer.rooms(),
            transformer,
            windows: Vec::new(),
            fields: Vec::new(),
            seconds: 0,
        }
    }

    /// Begins another second of tape.
    pub(super) fn begin_second(&mut self) {
        self.seconds += 1;
    }

    /// Adds a field and the one before in both plays.
    pub(super) fn add<'a>(&mut self, lines: impl Iterator<Item = FourLines<'a>>) {
        self.windows.clear();
        let mut looked_at = 0;
        for line in lines {
            for start in starts(line.first[0].len()) {
                let window = self.window(line, start);
                self.windows.extend(window);
                looked_at += 1;
            }
        }
        if (self.windows.len() as f64) < MOSTLY * f64::from(looked_at) {
            return;
        }
        let plainest = self.windows.len() / PLAINEST;
        if plainest == 0 {
            return;
        }
        let mut sums = [0.0; SUMS];
        self.windows
            .select_nth_unstable_by(plainest, |a, b| a.shows.total_cmp(&b.shows));
        for window in &self.windows[..plainest] {
            sums[0] += 1.0;
            for (sum, one) in sums[1..].iter_mut().zip(&window.figures) {
                *sum += one;
            }
        }
        self.fields.push((self.seconds, sums));
    }

    /// Sums of the quiet fields of each second that has any.
    fn quiet_seconds(&self) -> Vec<Sums> {
        let power = |sums: &Sums| {
            let first = sums[1..].iter().step_by(FIGURES);
            first.sum::<f64>() / sums[0]
        };
        let mut powers: Vec<f64> = self.fields.iter().map(|(_, sums)| power(sums)).collect();
        powers.sort_unstable_by(f64::total_cmp);
        let usual = powers
            .get(powers.len() / QUIETEST)
            .copied()
            .unwrap_or_default();
        let of_seconds = self.fields.chunk_by(|(one, _), (other, _)| one == other);
        let mut seconds: Vec<Sums> = of_seconds
            .map(|fields| {
                let mut second = [0.0; SUMS];
                let all = fields.iter().map(|(_, sums)| sums);
                for field in all.filter(|sums| power(sums) <= QUIET * usual) {
                    second
                        .iter_mut()
                        .zip(field)
                        .for_each(|(sum, one)| *sum += one);
                }
                second
            })
            .collect();
        seconds.retain(|sums| sums[0] > 0.0);
        seconds
    }

    /// `None` of what lies beyond the end of one of the lines, and where something moves.
    fn window(&mut self, line: FourLines<'_>, start: usize) -> Option<Window> {
        // By whole samples first, so that the windows hold the same.
        let whole = line.displaced.map(f64::round);
        for at in 0..2 {
            let moved = start.checked_add_signed(whole[at] as isize)?;
            let [first, second] = &mut self.spectra;
            let has_both = self
                .transformer
                .transform(line.first[at], start, &mut first[at])
                && self
                    .transformer
                    .transform(line.second[at], moved, &mut second[at]);
            if !has_both {
                return None;
            }
        }
        let [first, second] = &self.spectra;
        let shown = |bin: usize| {
            let sum = wide(first[0][bin]) + wide(first[1][bin]);
            turn_of(bin).powi(2) * sum.norm_sqr()
        };
        let shows = (1..=*NOISY.end()).map(shown).sum();
        let mut figures = [0.0; FIGURES * NOISY_BINS];
        for (own, bin) in figures.chunks_exact_mut(FIGURES).zip(NOISY) {
            let turned = |at: usize| {
                let left = line.displaced[at] - whole[at];
                wide(second[at][bin]) * Complex::from_polar(1.0, turn_of(bin) * left)
            };
            let x = wide(first[0][bin]) - wide(first[1][bin]);
            let y = turned(0) - turned(1);
            own.copy_from_slice(&[x.norm_sqr(), y.norm_sqr(), (x.conj() * y).re]);
        }
        let power = |bins: RangeInclusive<usize>| {
            let count = bins.clone().count() as f64;
            let each = bins.map(|bin| (wide(first[0][bin]) - wide(first[1][bin])).norm_sqr());
            each.sum::<f64>() / count
        };
        let is_still = power(MOVING) <= STILL * power(NOISY);
        is_still.then_some(Window { shows, figures })
    }

    /// What it comes to; `None` of too little tape.
    pub(super) fn shared(&self, scales: Scales<'_>) -> Option<SharedNoise> {
        let seconds = self.quiet_seconds();
        if seconds.len() < LEAST_SECONDS {
            return None;
        }
        let of_first: Vec<f64> = seconds
            .iter()
            .filter_map(|sums| Some(Powers::of(sums, scales)?.shared_of_first()))
            .collect();
        let block = block_length(&of_first, 1);
        let told = |of: fn(&Powers) -> f64| {
            bootstrap(&seconds, block, |sums| {
                Some(of(&Powers::of(sums, scales)?)).filter(|value| value.is_finite())
            })
        };
        // The root of what may be nothing has no interval that holds nothing.
        let rms = |power: fn(&Powers) -> f64, rms: fn(&Powers) -> f64| {
            told(power)
                .filter(|power| power.low > 0.0)
                .and_then(|_| told(rms))
        };
        let megahertz = |bin: usize| bin as f64 * scales.sampled_megahertz / LENGTH as f64;
        Some(SharedNoise {
            seconds: seconds.len(),
            from_megahertz: megahertz(*NOISY.start()),
            to_megahertz: megahertz(*NOISY.end()),
            shared_ire: rms(|own| own.shared, |own| own.shared.sqrt()),
            first_own_ire: rms(
                |own| own.first - own.shared,
                |own| (own.first - own.shared).sqrt(),
            ),
            second_own_ire: rms(
                |own| own.second - own.shared_in_second,
                |own| (own.second - own.shared_in_second).sqrt(),
            ),
            shared_of_first_pct: told(Powers::shared_of_first),
            shared_of_second_pct: told(|own| 100.0 * own.shared_in_second / own.second),
        })
    }
}

/// Powers of noise, in IRE².
#[derive(Clone, Copy, Debug)]
struct Powers {
    first: f64,
    second: f64,
    /// As the first shows it, and as the second does.
    shared: f64,
    shared_in_second: f64,
}

impl Powers {
    /// Of all bins whose response is known; `None` where none is.
    fn of(sums: &Sums, scales: Scales<'_>) -> Option<Self> {
        let mut powers = [0.0; 4];
        let mut known = 0;
        for (own, bin) in sums[1..].chunks_exact(FIGURES).zip(NOISY) {
            let Some(gain) = scales.gains[bin] else {
                continue;
            };
            known += 1;
            let both = [own[0], own[1], own[2] / gain, own[2] * gain];
            for (power, one) in powers.iter_mut().zip(both) {
                *power += one;
            }
        }
        // Noise of variance 1 has in each bin the sum of the squares of the weights, 3/8 of their number, and bins stand for both
        // signs of frequency; the difference of two fields has twice the power of one, which takes the two back.
        let of_window = sums[0] * 0.375 * (LENGTH * LENGTH) as f64;
        let [a, b] = scales.ire_a_code.map(|ire| ire * ire / of_window);
        let [first, second, shared, shared_in_second] = powers;
        (known > 0).then_some(Self {
            first: a * first,
            second: b * second,
            shared: a * shared,
            shared_in_second: b * shared_in_second,
        })
    }

    fn shared_of_first(&self) -> f64 {
        100.0 * self.shared / self.first
    }
}

#[cfg(test)]
mod tests;
