//! The spectrum of waves down the field over time: a minute by quarters of a second, an hour by seconds.
//!
//! In: one spectrum a field, where it has one. Out: one spectrum a column of a chart, rms over the fields in it. Both rings
//! have their full size from the start; a field costs two additions a band.
//!
//! Does not know: units of periods, or how a spectrum is drawn.

use std::collections::VecDeque;

use super::trend::{Axis, SECOND_POINTS};
use crate::measures::line_timing::{WAVE_BANDS, WaveSpectrum};
use crate::units::Seconds;

/// Slots of a second in the ring of short ones.
const SLOTS_A_SECOND: f64 = 4.0;

/// The longest span drawn from short slots.
const SHORT_SPAN: Seconds = Seconds(60.0);

/// Short slots: those of the span, and of the column that is still filling.
const SHORT_SLOTS: usize = 256;

/// What the fields of one slot add up to.
#[derive(Clone, Copy, Debug)]
struct Slot {
    number: u64,
    squares: [f32; WAVE_BANDS],
    fields: u32,
}

#[derive(Clone, Debug)]
struct Ring {
    slots: VecDeque<Slot>,
    size: usize,
    a_second: f64,
}

impl Ring {
    fn new(size: usize, a_second: f64) -> Self {
        Self {
            slots: VecDeque::with_capacity(size),
            size,
            a_second,
        }
    }

    fn push(&mut self, at: Seconds, spectrum: &WaveSpectrum) {
        let number = (at.0.max(0.0) * self.a_second) as u64;
        if self.slots.back().is_none_or(|slot| slot.number != number) {
            if self.slots.len() == self.size {
                self.slots.pop_front();
            }
            self.slots.push_back(Slot {
                number,
                squares: [0.0; WAVE_BANDS],
                fields: 0,
            });
        }
        if let Some(slot) = self.slots.back_mut() {
            slot.fields += 1;
            for (sum, amplitude) in slot.squares.iter_mut().zip(spectrum.amplitudes_ns()) {
                *sum += amplitude * amplitude;
            }
        }
    }

    fn columns(&self, now: Seconds, span: Seconds, columns: &mut [Option<WaveSpectrum>]) {
        let axis = Axis::ending(now.0, span, columns.len());
        let mut sums: Option<(usize, Slot)> = None;
        for slot in &self.slots {
            let start = slot.number as f64 / self.a_second;
            let end = (slot.number as f64 + 0.999) / self.a_second;
            let last = axis.column(end).or_else(|| axis.column(start));
            let Some(last) = last else { continue };
            let first = axis.column(start).unwrap_or(0).min(last);
            // Where columns are shorter than slots, a slot fills several; where they are longer, several fill one.
            columns[first..last].fill(Some(mean(slot)));
            let sum = match sums.take() {
                Some((column, sum)) if column == last => joined(&sum, slot),
                _ => *slot,
            };
            columns[last] = Some(mean(&sum));
            sums = Some((last, sum));
        }
    }
}

fn joined(a: &Slot, b: &Slot) -> Slot {
    Slot {
        number: b.number,
        squares: std::array::from_fn(|band| a.squares[band] + b.squares[band]),
        fields: a.fields + b.fields,
    }
}

fn mean(slot: &Slot) -> WaveSpectrum {
    let fields = slot.fields.max(1) as f32;
    WaveSpectrum::new(slot.squares.map(|sum| (sum / fields).sqrt()))
}

/// The kept spectra.
#[derive(Clone, Debug)]
pub struct WaveHistory {
    short: Ring,
    long: Ring,
    now: Seconds,
}

impl Default for WaveHistory {
    fn default() -> Self {
        Self {
            short: Ring::new(SHORT_SLOTS, SLOTS_A_SECOND),
            long: Ring::new(SECOND_POINTS, 1.0),
            now: Seconds(0.0),
        }
    }
}

impl WaveHistory {
    /// Takes one field's spectrum, if it has one; fields come in the order of time.
    pub fn push(&mut self, at: Seconds, spectrum: Option<&WaveSpectrum>) {
        self.now = at;
        if let Some(spectrum) = spectrum {
            self.short.push(at, spectrum);
            self.long.push(at, spectrum);
        }
    }

    /// The spectra over the last `span`, one a column, newest last; `None` where no field had one.
    pub fn columns(&self, span: Seconds, columns: &mut [Option<WaveSpectrum>]) {
        columns.fill(None);
        if columns.is_empty() {
            return;
        }
        let ring = if span <= SHORT_SPAN {
            &self.short
        } else {
            &self.long
        };
        ring.columns(self.now, span, columns);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(ns: f32) -> WaveSpectrum {
        WaveSpectrum::new([ns; WAVE_BANDS])
    }

    /// `seconds` seconds of 50 fields; each field's amplitude is its second.
    fn filled(seconds: u32) -> WaveHistory {
        let mut history = WaveHistory::default();
        for field in 0..seconds * 50 {
            let spectrum = level((field / 50) as f32);
            history.push(Seconds(f64::from(field) / 50.0), Some(&spectrum));
        }
        history
    }

    fn shown(history: &WaveHistory, span: f64, columns: usize) -> Vec<Option<f64>> {
        let mut found = vec![None; columns];
        history.columns(Seconds(span), &mut found);
        let first_band = |spectrum: &WaveSpectrum| spectrum.amplitude(0).0;
        found
            .iter()
            .map(|column| column.as_ref().map(first_band))
            .collect()
    }

    #[test]
    fn rings_stay_at_their_size_however_long_a_pass_lasts() {
        let history = filled(SECOND_POINTS as u32 + 100);
        assert_eq!(history.long.slots.len(), SECOND_POINTS);
        assert_eq!(history.long.slots.capacity(), SECOND_POINTS);
        assert_eq!(history.short.slots.len(), SHORT_SLOTS);
        assert_eq!(history.short.slots.capacity(), SHORT_SLOTS);
    }

    #[test]
    fn every_span_is_filled_in_order_whatever_the_number_of_columns() {
        let history = filled(4_000);
        for (span, columns) in [
            (10.0, 24),
            (10.0, 150),
            (60.0, 24),
            (600.0, 100),
            (3600.0, 40),
        ] {
            let amplitudes = shown(&history, span, columns);
            let all: Vec<f64> = amplitudes.iter().copied().flatten().collect();
            // the newest columns may still be filling
            assert!(all.len() + 3 >= columns, "{span} {columns} {}", all.len());
            assert!(all.is_sorted(), "{span} {columns} {all:?}");
            assert!(
                (all[0] - (4_000.0 - span)).abs() < 0.03 * span + 1.0,
                "{all:?}"
            );
        }
    }

    #[test]
    fn a_column_is_the_rms_of_its_fields() {
        let mut history = WaveHistory::default();
        for field in 0..50 {
            let ns = if field % 2 == 0 { 10.0 } else { 70.0 };
            history.push(Seconds(f64::from(field) / 50.0), Some(&level(ns)));
        }
        let newest = shown(&history, 10.0, 5)[4].expect("fields");
        assert!((newest - 50.0).abs() < 0.01, "{newest}");
    }

    #[test]
    fn fields_without_a_spectrum_are_gaps() {
        let mut history = filled(20);
        for field in 1_000..1_250 {
            history.push(Seconds(f64::from(field) / 50.0), None);
        }
        let columns = shown(&history, 10.0, 10);
        assert_eq!(columns.iter().flatten().count(), 5, "{columns:?}");
        assert_eq!(columns[9], None);
    }
}
