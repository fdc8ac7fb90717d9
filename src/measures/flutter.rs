//! Slow flutter: how the lines move over seconds, from 0.5 Hz to 3 kHz.
//!
//! In: the lines of the last seconds, field by field. Out: [`Spectrum`]: the largest amplitude in each of
//! [`FLUTTER_BANDS`] bands of frequency, and the strongest sinusoids. Made on request: it looks at some fifty thousand lines
//! at once and takes milliseconds.
//!
//! Every line has its place on one grid of whole lines in time, both parities and what lies in blanking included, so the
//! spectrum is that of the lines seen, by least squares ([`gappy`](super::dsp::gappy)). What each parity repeats is taken out
//! first: it turns with the drum, and at multiples of the drum's frequency nothing can be told from it.
//!
//! Read from the picture alone, a field's own place is not known (a camera that pans looks the same): slower than about
//! half the field rate the spectrum is then that of what is left. It assumes that fields are numbered as they came.
//!
//! Does not know: what the lines were read from, or when it is wanted.

use super::dsp::gappy::GappySpectrum;
use super::dsp::robust;
use super::line_timing::{HEAD_SWITCH_ROWS, LineTrace, MAX_ROWS};
use crate::fields::FieldPlace;
use crate::standard::{Parity, Standard};
use crate::units::{Hertz, Nanos, Seconds};

/// Bands of frequency: each about a fifth wider than the one before.
pub const FLUTTER_BANDS: usize = 48;

/// Frequencies the bands reach from and to, Hz: four seconds hold two turns of the slowest, and what is faster than the
/// last turns within five lines, where it is a wave down the field.
const LOWEST: f64 = 0.5;
const HIGHEST: f64 = 3_000.0;

/// Lines in time there is room for: eight seconds, twice what is looked at, so that no frequency falls between bins.
const LINES: usize = 1 << 17;

/// Sinusoids that are taken out one by one.
const STRONGEST: usize = 4;

/// Fields that a spectrum is made of at least: half a second of 625, one turn of the slowest bands.
const LEAST_FIELDS: usize = 25;

/// Fields of a parity from which its mean profile is known well enough to be taken out.
const LEAST_OF_PARITY: usize = 8;

/// Spreads beyond which a line is torn and not fluttering.
const WILD: f32 = 6.0;

/// Amplitude over the median of its surroundings from which a sinusoid stands out.
const STANDS_OUT: f32 = 4.0;

/// A sinusoid in the lines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Its frequency.
    pub frequency: Hertz,
    /// Half of peak to peak.
    pub amplitude: Nanos,
}

/// What a stretch of lines is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Largest amplitude by band in ns, slowest first.
    pub amplitudes_ns: [f32; FLUTTER_BANDS],
    /// The sinusoids that stand out, strongest first.
    pub strongest: [Option<Tone>; STRONGEST],
    /// From the first to the last field.
    pub span: Seconds,
}

impl Spectrum {
    /// The frequency at the slow side of a band; that of band [`FLUTTER_BANDS`] is where the last one ends.
    #[must_use]
    pub fn bound(band: usize) -> Hertz {
        Hertz(LOWEST * (HIGHEST / LOWEST).powf(band as f64 / FLUTTER_BANDS as f64))
    }
}

/// A row over the fields of a parity.
#[derive(Clone, Copy, Debug, Default)]
struct Row {
    /// Mean of the lines that are not torn.
    mean: f32,
    /// Middle of all lines, and how far from it one is torn.
    centre: f32,
    reach: f32,
    fields: usize,
}

impl Row {
    /// How far a line stands from the row's mean; `None` if it is torn, or too little is known of the row.
    fn rest(&self, shift: f32) -> Option<f32> {
        let known = self.fields >= LEAST_OF_PARITY;
        (known && (shift - self.centre).abs() <= self.reach).then_some(shift - self.mean)
    }
}

/// Plans and room; made once, when it is first wanted.
#[derive(Debug)]
pub struct Flutter {
    lines: GappySpectrum,
    profiles: [[Row; MAX_ROWS]; 2],
    values: Vec<(usize, f32)>,
    shifts: Vec<f32>,
    scratch: Vec<f32>,
}

impl Default for Flutter {
    fn default() -> Self {
        Self {
            lines: GappySpectrum::new(LINES),
            profiles: [[Row::default(); MAX_ROWS]; 2],
            values: Vec::with_capacity(LINES / 2),
            shifts: Vec::new(),
            scratch: Vec::new(),
        }
    }
}

impl Flutter {
    /// The spectrum of these fields, oldest first; `None` of too few of them, or without lines.
    pub fn look<'a>(
        &mut self,
        fields: impl Iterator<Item = (FieldPlace, &'a LineTrace)> + Clone,
        standard: Standard,
    ) -> Option<Spectrum> {
        let first = fields
            .clone()
            .find(|(_, lines)| lines.usable().next().is_some())?
            .0;
        let last = fields.clone().last()?.0;
        let span = Seconds(last.seconds.0 - first.seconds.0);
        self.learn_profiles(&fields);
        let seen = self.gather(fields, standard);
        if seen < LEAST_FIELDS {
            return None;
        }
        self.lines.load(self.values.iter().copied());
        let line_rate = line_rate(standard).0;
        Some(self.spectrum(line_rate, span))
    }

    fn learn_profiles<'a>(
        &mut self,
        fields: &(impl Iterator<Item = (FieldPlace, &'a LineTrace)> + Clone),
    ) {
        for parity in [Parity::Top, Parity::Bottom] {
            let own = fields.clone().filter(|(place, _)| place.parity == parity);
            for row in 0..MAX_ROWS {
                self.shifts.clear();
                self.shifts.extend(own.clone().filter_map(|(_, lines)| {
                    let shift = lines.get(row)?;
                    Some(shift.displacement.0 as f32)
                }));
                self.profiles[parity_index(parity)][row] = self.learn_row();
            }
        }
    }

    fn learn_row(&mut self) -> Row {
        self.scratch.clone_from(&self.shifts);
        let Some((centre, spread)) = robust::median_and_spread(&mut self.scratch) else {
            return Row::default();
        };
        let reach = WILD * spread + f32::EPSILON * centre.abs();
        let kept = |shift: &&f32| (**shift - centre).abs() <= reach;
        let (sum, count) = self
            .shifts
            .iter()
            .filter(kept)
            .fold((0.0, 0), |(sum, count), shift| (sum + shift, count + 1));
        Row {
            mean: sum / count.max(1) as f32,
            centre,
            reach,
            fields: count,
        }
    }

    /// Puts the lines on the grid of time, each against its row's mean; gives the number of fields that have any.
    fn gather<'a>(
        &mut self,
        fields: impl Iterator<Item = (FieldPlace, &'a LineTrace)> + Clone,
        standard: Standard,
    ) -> usize {
        let newest = fields
            .clone()
            .last()
            .map_or(0, |(place, _)| line_of(place, standard));
        let oldest = (newest + MAX_ROWS as u64).saturating_sub(LINES as u64);
        let mut seen = 0;
        self.values.clear();
        for (place, lines) in fields {
            let Some(start) = line_of(place, standard).checked_sub(oldest) else {
                continue;
            };
            let profile = &self.profiles[parity_index(place.parity)];
            let before = self.values.len();
            self.values
                .extend(picture(lines).filter_map(|(row, shift)| {
                    Some((start as usize + row, profile[row].rest(shift)?))
                }));
            seen += usize::from(self.values.len() > before);
        }
        seen
    }

    fn spectrum(&mut self, line_rate: f64, span: Seconds) -> Spectrum {
        let bin = |hertz: f64| (hertz / line_rate * LINES as f64).round() as usize;
        let all = bin(LOWEST)..bin(HIGHEST);
        let mut strongest = [None; STRONGEST];
        for slot in &mut strongest {
            let Some(found) = self.lines.peel(all.clone()) else {
                break;
            };
            let tone = Tone {
                frequency: Hertz(found.frequency * line_rate),
                amplitude: Nanos(found.amplitude),
            };
            *slot = Some(tone);
        }
        let amplitudes = self.lines.amplitudes();
        let mut amplitudes_ns: [f32; FLUTTER_BANDS] = std::array::from_fn(|band| {
            let from = bin(Spectrum::bound(band).0);
            let to = bin(Spectrum::bound(band + 1).0).max(from + 1);
            amplitudes[from..to].iter().copied().fold(0.0, f32::max)
        });
        for slot in &mut strongest {
            let Some(tone) = *slot else { continue };
            let band = (0..FLUTTER_BANDS)
                .rev()
                .find(|&band| Spectrum::bound(band).0 <= tone.frequency.0)
                .unwrap_or(0);
            let amplitude = tone.amplitude.0 as f32;
            // What is no higher than what is left around it is one of many: it is in the bands, but no tone.
            let around = &amplitudes_ns[band.saturating_sub(2)..(band + 3).min(FLUTTER_BANDS)];
            let rest = around.iter().sum::<f32>() / around.len() as f32;
            amplitudes_ns[band] = amplitudes_ns[band].max(amplitude);
            if amplitude < STANDS_OUT * rest {
                *slot = None;
            }
        }
        strongest.sort_by(|a, b| {
            let size = |tone: &Option<Tone>| tone.map_or(0.0, |tone| tone.amplitude.0);
            size(b).total_cmp(&size(a))
        });
        Spectrum {
            amplitudes_ns,
            strongest,
            span,
        }
    }
}

fn parity_index(parity: Parity) -> usize {
    usize::from(parity == Parity::Bottom)
}

/// Lines of a frame, blanking included (SMPTE 170M; BT.470-6).
fn lines_a_frame(standard: Standard) -> u64 {
    match standard {
        Standard::Lines525 => 525,
        Standard::Lines625 => 625,
    }
}

fn line_rate(standard: Standard) -> Hertz {
    Hertz(1e9 / standard.line_period().0)
}

/// Rows above the head switch and where they stand, in ns.
fn picture(lines: &LineTrace) -> impl Iterator<Item = (usize, f32)> + '_ {
    let end = lines.rows().saturating_sub(HEAD_SWITCH_ROWS);
    let usable = lines.usable().take_while(move |(row, _)| *row < end);
    usable.map(|(row, shift)| (row, shift.displacement.0 as f32))
}

/// The line in time at which row 0 of a field begins, counted from the pass's first.
///
/// Fields follow each other by half the lines of a frame, which is odd, and the rows of the bottom parity stand half a line
/// lower: in half lines every row has the same remainder, so that whole lines tell them apart.
fn line_of(place: FieldPlace, standard: Standard) -> u64 {
    let half_lines = place.field.0 * lines_a_frame(standard);
    u64::midpoint(half_lines, u64::from(place.parity == Parity::Bottom))
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::measures::line_timing::LineShift;
    use crate::timecode::FieldIndex;

    /// Four seconds of fields whose lines stand where `at` says for their time in seconds, field and row.
    fn fields(
        standard: Standard,
        top_first: bool,
        at: impl Fn(f64, u64, usize) -> Option<f64>,
    ) -> Vec<(FieldPlace, LineTrace)> {
        let rows = if standard == Standard::Lines525 {
            240
        } else {
            288
        };
        let period = standard.field_period().0;
        let line = 1.0 / line_rate(standard).0;
        (0..(4.0 / period) as u64)
            .map(|field| {
                let parity = if field.is_multiple_of(2) == top_first {
                    Parity::Top
                } else {
                    Parity::Bottom
                };
                // rows of the bottom parity stand half a line lower in the raster
                let lower = if parity == Parity::Bottom { 0.5 } else { 0.0 };
                let start = field as f64 * period + 21.0 * line;
                let mut trace = LineTrace::blank(rows);
                for row in 0..rows {
                    let time = start + (row as f64 + lower) * line;
                    if let Some(ns) = at(time, field, row) {
                        let displacement = Nanos(ns);
                        let sigma = Nanos(2.0);
                        trace.set(
                            row,
                            LineShift {
                                displacement,
                                sigma,
                            },
                        );
                    }
                }
                let place = FieldPlace {
                    field: FieldIndex(1_000 + field),
                    parity,
                    seconds: Seconds(field as f64 * period),
                };
                (place, trace)
            })
            .collect()
    }

    fn look(fields: &[(FieldPlace, LineTrace)], standard: Standard) -> Option<Spectrum> {
        let fields = fields.iter().map(|(place, lines)| (*place, lines));
        Flutter::default().look(fields, standard)
    }

    #[test]
    fn flutter_is_found_with_frequency_and_amplitude_in_both_standards_and_field_orders() {
        for standard in [Standard::Lines525, Standard::Lines625] {
            for top_first in [true, false] {
                for hertz in [1.3, 7.7, 22.0, 137.0, 1_234.0, 2_790.0] {
                    let wave = |time: f64, _, _| Some(400.0 + 50.0 * (TAU * hertz * time).sin());
                    let spectrum = look(&fields(standard, top_first, wave), standard);
                    let tone = spectrum.as_ref().and_then(|found| found.strongest[0]);
                    let tone = tone.expect("it stands out");
                    assert!(
                        (tone.frequency.0 - hertz).abs() < 0.05,
                        "{standard:?} {hertz} {tone:?}"
                    );
                    assert!(
                        (tone.amplitude.0 - 50.0).abs() < 2.5,
                        "{standard:?} {hertz} {tone:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn two_tones_are_told_apart_and_blanking_makes_no_third() {
        let standard = Standard::Lines625;
        let wave = |time: f64, _, _| {
            Some(80.0 * (TAU * 9.0 * time).sin() + 12.0 * (TAU * 431.0 * time).cos())
        };
        let spectrum = look(&fields(standard, true, wave), standard).expect("four seconds");
        let [first, second, third, _] = spectrum.strongest;
        let found = [first, second].map(|tone| tone.expect("it stands out").frequency.0);
        assert!(
            (found[0] - 9.0).abs() < 0.05 && (found[1] - 431.0).abs() < 0.05,
            "{found:?}"
        );
        if let Some(third) = third {
            assert!(third.amplitude.0 < 1.0, "{third:?}");
        }
    }

    #[test]
    fn what_each_parity_repeats_is_no_flutter() {
        let standard = Standard::Lines525;
        let locked = |_, field: u64, row: usize| {
            let sign = if field.is_multiple_of(2) { 1.0 } else { -1.0 };
            Some(sign * 90.0 + 60.0 * (row as f64 / 17.0).sin())
        };
        let spectrum = look(&fields(standard, true, locked), standard).expect("four seconds");
        let largest = spectrum.amplitudes_ns.iter().copied().fold(0.0, f32::max);
        assert!(largest < 0.1, "{largest}");
    }

    #[test]
    fn torn_lines_and_unseen_ones_do_not_spoil_it() {
        let standard = Standard::Lines525;
        let wave = |time: f64, field: u64, row: usize| {
            if (row as u64 * 31 + field * 17) % 100 < 40 {
                return None;
            }
            let torn = field % 23 == 5 && (40..60).contains(&row);
            Some(30.0 * (TAU * 5.0 * time).sin() + if torn { 5_000.0 } else { 0.0 })
        };
        let spectrum = look(&fields(standard, true, wave), standard).expect("four seconds");
        let tone = spectrum.strongest[0].expect("it stands out");
        assert!((tone.frequency.0 - 5.0).abs() < 0.05, "{tone:?}");
        assert!((tone.amplitude.0 - 30.0).abs() < 1.5, "{tone:?}");
    }

    #[test]
    fn too_few_fields_and_no_lines_say_nothing() {
        let standard = Standard::Lines625;
        let still = fields(standard, true, |_, _, _| Some(1.0));
        assert!(look(&still[..20], standard).is_none());
        assert!(look(&fields(standard, true, |_, _, _| None), standard).is_none());
        assert!(look(&[], standard).is_none());
    }
}
