//! Where on one pass a stretch of another lies, looked for everywhere at once.
//!
//! In: the [`Fields`] of two passes. Out: a few places that look like it, best first. Each fifth of a second becomes twelve numbers: what each part
//! of the picture does against the seconds around it, made as long as one step of change, so that neither contrast nor
//! brightness of a chain matters and no single cut outweighs the rest; a still picture says next to nothing. The stretch is
//! correlated with the whole of the other pass by Fourier transform.
//!
//! Does not know: exact fields; `align` finds those.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::series::{Fields, GRID};

/// Fields that are put together: about a fifth of a second.
pub(super) const STEP: i64 = 12;

/// Steps of a stretch: about a minute.
pub(super) const STRETCH: usize = 300;

/// Steps to either side that a step is compared with: about a second.
const AROUND: usize = 5;

/// Parts of the picture across and down.
const PARTS: (usize, usize) = (4, 3);

const DIMENSIONS: usize = PARTS.0 * PARTS.1;

/// Length of a change, over all parts, that counts half: a code in every part is what noise and rounding do.
const SOFT: f32 = 3.5;

/// Changes that a stretch and its counterpart must have before what they share counts in full.
const EVIDENCE: f64 = 6.0;

/// Least likeness worth a closer look. Stretches of unlike tapes reach 0.3 in hours.
const LEAST: f64 = 0.35;

/// Places that are looked at more closely.
const CANDIDATES: usize = 6;

type Feature = [f32; DIMENSIONS];

/// A pass as steps of change.
pub(super) struct Features {
    steps: Vec<Feature>,
}

impl Features {
    /// Of the fields from one on.
    pub(super) fn of(track: &impl Fields, from: i64) -> Self {
        let count = ((track.end() - from) / STEP).max(0) as usize;
        let plain: Vec<Option<Feature>> = (0..count)
            .map(|step| mean_of(track, from + step as i64 * STEP))
            .collect();
        let steps = (0..count).map(|at| change(&plain, at)).collect();
        Self { steps }
    }

    pub(super) fn len(&self) -> usize {
        self.steps.len()
    }

    /// How much changes: a step of clear change counts almost one.
    pub(super) fn energy(&self) -> f64 {
        self.steps.iter().map(energy).sum()
    }
}

fn mean_of(track: &impl Fields, from: i64) -> Option<Feature> {
    let mut sums = [0_u32; DIMENSIONS];
    let mut fields = 0;
    for cells in (from..from + STEP).filter_map(|field| track.cells(field)) {
        fields += 1;
        for (cell, &code) in cells.iter().enumerate() {
            let (column, row) = (cell % GRID.0, cell / GRID.0);
            let part = row * PARTS.1 / GRID.1 * PARTS.0 + column * PARTS.0 / GRID.0;
            sums[part] += u32::from(code);
        }
    }
    let cells = (GRID.0 * GRID.1 / DIMENSIONS) as f32;
    (2 * fields >= STEP).then(|| sums.map(|sum| sum as f32 / (fields as f32 * cells)))
}

fn change(plain: &[Option<Feature>], at: usize) -> Feature {
    let mut change = [0.0; DIMENSIONS];
    let Some(here) = plain[at] else {
        return change;
    };
    let around = &plain[at.saturating_sub(AROUND)..(at + AROUND + 1).min(plain.len())];
    let count = around.iter().flatten().count() as f32;
    for (part, change) in change.iter_mut().enumerate() {
        let mean: f32 = around.iter().flatten().map(|step| step[part]).sum::<f32>() / count;
        *change = here[part] - mean;
    }
    let length: f32 = change.iter().map(|part| part * part).sum();
    change.map(|part| part / (length + SOFT * SOFT).sqrt())
}

fn energy(step: &Feature) -> f64 {
    step.iter().map(|part| f64::from(part * part)).sum()
}

/// A pass in which stretches of others are looked for.
pub(super) struct Finder {
    forward: Arc<dyn RealToComplex<f32>>,
    backward: Arc<dyn ComplexToReal<f32>>,
    spectra: Vec<Vec<Complex<f32>>>,
    /// Energy of all steps before each.
    energy: Vec<f64>,
}

impl Finder {
    pub(super) fn new(features: &Features) -> Self {
        let length = (features.len() + STRETCH).next_power_of_two().max(16);
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(length);
        let spectra = (0..DIMENSIONS)
            .map(|part| spectrum(&*forward, &features.steps, part))
            .collect();
        let mut sum = 0.0;
        let mut energies = vec![0.0];
        for step in &features.steps {
            sum += energy(step);
            energies.push(sum);
        }
        Self {
            backward: planner.plan_fft_inverse(length),
            forward,
            spectra,
            energy: energies,
        }
    }

    /// Offsets in steps (a step of the stretch's pass plus it is the step here), likeliest first.
    pub(super) fn find(&self, other: &Features, from: usize) -> Vec<(i64, f64)> {
        let stretch = &other.steps[from.min(other.len())..(from + STRETCH).min(other.len())];
        let mut product = vec![Complex::default(); self.forward.len() / 2 + 1];
        for (part, here) in self.spectra.iter().enumerate() {
            let there = spectrum(&*self.forward, stretch, part);
            for ((product, here), there) in product.iter_mut().zip(here).zip(&there) {
                *product += here * there.conj();
            }
        }
        // rounding leaves a trace of an imaginary part where a real signal has none
        product[0].im = 0.0;
        let last = product.len() - 1;
        product[last].im = 0.0;
        let mut shared = self.backward.make_output_vec();
        if self.backward.process(&mut product, &mut shared).is_err() {
            return Vec::new();
        }
        self.peaks(stretch, &shared, from)
    }

    fn peaks(&self, stretch: &[Feature], shared: &[f32], from: usize) -> Vec<(i64, f64)> {
        let (here, length) = (self.energy.len() as i64 - 1, shared.len() as i64);
        let mut before = vec![0.0];
        for step in stretch {
            before.push(before[before.len() - 1] + energy(step));
        }
        let mut found: Vec<(i64, f64)> = Vec::new();
        for lag in 1 - stretch.len() as i64..here {
            let first = (-lag).max(0);
            let last = (here - lag).min(stretch.len() as i64);
            let mine = before[last as usize] - before[first as usize];
            let theirs = self.energy[(lag + last) as usize] - self.energy[(lag + first) as usize];
            let sum = f64::from(shared[lag.rem_euclid(length) as usize]) / length as f64;
            let likeness = sum / ((mine + EVIDENCE) * (theirs + EVIDENCE)).sqrt();
            if likeness >= LEAST {
                found.push((lag - from as i64, likeness));
            }
        }
        found.sort_by(|a, b| b.1.total_cmp(&a.1));
        let mut apart: Vec<(i64, f64)> = Vec::new();
        for one in found {
            if apart.len() == CANDIDATES {
                break;
            }
            if apart.iter().all(|known| (known.0 - one.0).abs() > 2) {
                apart.push(one);
            }
        }
        apart
    }
}

fn spectrum(forward: &dyn RealToComplex<f32>, steps: &[Feature], part: usize) -> Vec<Complex<f32>> {
    let mut input = forward.make_input_vec();
    for (input, step) in input.iter_mut().zip(steps) {
        *input = step[part];
    }
    let mut output = forward.make_output_vec();
    match forward.process(&mut input, &mut output) {
        Ok(()) => output,
        Err(error) => unreachable!("both are as long as the plan asks: {error}"),
    }
}
