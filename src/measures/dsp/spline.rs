//! Rows between their samples: cubic B-spline coefficients of a slightly blurred row, and values anywhere on it.
//!
//! A row of coefficients has [`MARGIN`] more at either end than the row has samples, so that values can be taken up to the
//! ends. The blur (a Gaussian) makes the noise of a value the same wherever it is taken between samples; without it least
//! squares is drawn to half samples, where interpolation averages noise away.
//!
//! Source: M. Unser, "Splines: a perfect fit for signal and image processing", IEEE Signal Processing Magazine 16(6),
//! 1999, eq. 7-9 (direct B-spline transform of degree 3, pole √3 − 2).
//!
//! Does not know: what the rows show.

use multiversion::multiversion;

/// Coefficients before the first sample and after the last.
pub const MARGIN: usize = 4;

/// Samples a stretch has: rows are worked on in such pieces.
pub const STRETCH: usize = 32;

/// Samples of a row at most.
pub const LONGEST: usize = 800;

/// Taps of the filter on either side of its middle: with a blur of 0.8 those beyond move a value by a hundredth of a code
/// at most.
const HALF: usize = 7;

/// Added to a number from 0 to 2²², leaves the nearest whole number in the lowest bits: a cast that every machine does wide.
const ROUNDER: f32 = 8_388_608.0;

/// The nearest 8-bit code.
#[inline]
#[must_use]
pub fn nearest_code(value: f32) -> u8 {
    (value.clamp(0.0, 255.0) + ROUNDER).to_bits() as u8
}

/// Turns samples into coefficients.
#[derive(Clone, Debug)]
pub struct Prefilter {
    /// From the middle outwards.
    taps: [f32; HALF + 1],
    blur: f64,
}

impl Prefilter {
    /// A filter that blurs with a Gaussian of standard deviation `blur`, in samples.
    #[must_use]
    pub fn new(blur: f64) -> Self {
        let pole = 3.0_f64.sqrt() - 2.0;
        let gauss = |n: i32| (-0.5 * (f64::from(n) / blur).powi(2)).exp();
        let reach = 5_i32;
        let area: f64 = (-reach..=reach).map(gauss).sum();
        let direct = |n: i32| -6.0 * pole / (1.0 - pole * pole) * pole.powi(n.abs());
        let tap = |n: i32| -> f64 {
            (-reach..=reach)
                .map(|k| gauss(k) * direct(n - k))
                .sum::<f64>()
                / area
        };
        let mut taps = [0.0_f64; HALF + 1];
        for (n, slot) in (0..).zip(&mut taps) {
            *slot = tap(n);
        }
        let sum = taps[0] + 2.0 * taps[1..].iter().sum::<f64>();
        for tap in &mut taps {
            *tap /= sum;
        }
        Self {
            taps: taps.map(|tap| tap as f32),
            blur,
        }
    }

    /// Variance of the slope of a blurred row by white noise of variance 1.
    #[must_use]
    pub fn slope_noise(&self) -> f32 {
        // ∫ g′² of a Gaussian: 1 / (4 √π σ³).
        (1.0 / (4.0 * std::f64::consts::PI.sqrt() * self.blur.powi(3))) as f32
    }

    /// Variance of a value of a blurred row by white noise of variance 1.
    #[must_use]
    pub fn value_noise(&self) -> f32 {
        (1.0 / (2.0 * std::f64::consts::PI.sqrt() * self.blur)) as f32
    }

    /// The coefficients of a row; `coefficients` is longer than `row` by twice [`MARGIN`].
    ///
    /// # Panics
    /// When the lengths don't fit, or the row is longer than [`LONGEST`].
    pub fn apply(&self, row: &[u8], coefficients: &mut [f32]) {
        let ends = MARGIN + HALF;
        assert_eq!(
            coefficients.len(),
            row.len() + 2 * MARGIN,
            "a coefficient a sample, and margins"
        );
        let mut room = [0.0_f32; LONGEST + 2 * (MARGIN + HALF)];
        let padded = &mut room[..row.len() + 2 * ends];
        if let (Some(&first), Some(&last)) = (row.first(), row.last()) {
            padded[..ends].fill(f32::from(first));
            padded[ends + row.len()..].fill(f32::from(last));
        }
        for (slot, &sample) in padded[ends..].iter_mut().zip(row) {
            *slot = f32::from(sample);
        }
        convolve(padded, &self.taps, coefficients);
    }
}

/// A symmetric filter; `out` is shorter than `padded` by twice [`HALF`].
#[multiversion(targets("x86_64+avx2"))]
fn convolve(padded: &[f32], taps: &[f32; HALF + 1], out: &mut [f32]) {
    const WIDE: usize = 16;
    let last = out.len().saturating_sub(WIDE);
    let mut start = 0;
    loop {
        // The last piece overlaps the one before: the row need not be a multiple of the width.
        let at = start.min(last);
        let mut sums = [0.0; WIDE];
        if let Some(middle) = padded[at + HALF..].first_chunk::<WIDE>() {
            for (sum, value) in sums.iter_mut().zip(middle) {
                *sum = taps[0] * value;
            }
        }
        for k in 1..=HALF {
            let before = padded[at + HALF - k..].first_chunk::<WIDE>();
            let after = padded[at + HALF + k..].first_chunk::<WIDE>();
            if let (Some(before), Some(after)) = (before, after) {
                for ((sum, a), b) in sums.iter_mut().zip(before).zip(after) {
                    *sum += taps[k] * (a + b);
                }
            }
        }
        if let Some(out) = out[at..].first_chunk_mut::<WIDE>() {
            *out = sums;
        }
        if start >= last {
            return;
        }
        start += WIDE;
    }
}

/// Where in a row of coefficients a value stands, and how much each of four counts.
#[derive(Clone, Copy, Debug)]
pub struct Tap {
    /// First of the four coefficients.
    pub start: usize,
    /// Their weights.
    pub weights: [f32; 4],
}

impl Tap {
    /// The value at `place`, in samples from the row's first; `None` unless a stretch from there on lies in a row of `width`.
    #[must_use]
    pub fn stretch_at(place: f32, width: usize) -> Option<Self> {
        // A cast where `floor` would do: before SSE 4.1 that is a call.
        let whole = place as usize;
        if !(place >= 0.0 && whole + STRETCH < width) {
            return None;
        }
        Some(Self {
            start: whole + MARGIN - 1,
            weights: Self::weights_at(place - whole as f32),
        })
    }

    /// The weights `t` beyond the second of the four coefficients, 0 to 1.
    fn weights_at(t: f32) -> [f32; 4] {
        const SIXTH: f32 = 1.0 / 6.0;
        let u = 1.0 - t;
        [
            SIXTH * u * u * u,
            SIXTH * (4.0 - 6.0 * t * t + 3.0 * t * t * t),
            SIXTH * (4.0 - 6.0 * u * u + 3.0 * u * u * u),
            SIXTH * t * t * t,
        ]
    }
}

/// A row moved as a whole: where its stretches stand, all with the same four weights.
#[derive(Clone, Copy, Debug)]
pub struct Shifted {
    /// Whole samples to the right at which values are taken.
    further: isize,
    width: usize,
    /// Weights of the coefficients.
    pub weights: [f32; 4],
}

impl Shifted {
    /// Values `shift` samples to the right of where they are asked for, of a row of `width`.
    #[must_use]
    pub fn by(shift: f32, width: usize) -> Self {
        let whole = shift.floor();
        Self {
            further: whole as isize,
            // Nowhere is a place in a row without samples.
            width: if shift.is_finite() { width } else { 0 },
            weights: Tap::weights_at(shift - whole),
        }
    }

    /// The first coefficient of a stretch; `None` unless all of it lies in the row.
    #[inline]
    #[must_use]
    pub fn start(&self, stretch: usize) -> Option<usize> {
        let first = (stretch * STRETCH).checked_add_signed(self.further)?;
        (first + STRETCH < self.width).then_some(first + MARGIN - 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 720;

    fn tone(cycles_a_sample: f64) -> (Vec<u8>, impl Fn(f64) -> f64) {
        let value =
            move |x: f64| 126.0 + 90.0 * (std::f64::consts::TAU * cycles_a_sample * x + 0.4).sin();
        let row = (0..WIDTH).map(|x| value(x as f64).round() as u8).collect();
        (row, value)
    }

    fn values_at(row: &[u8], blur: f64, place: f32) -> Vec<f64> {
        let filter = Prefilter::new(blur);
        let mut coefficients = vec![0.0; WIDTH + 2 * MARGIN];
        filter.apply(row, &mut coefficients);
        let tap = Tap::stretch_at(place, WIDTH).expect("inside");
        (0..STRETCH)
            .map(|x| {
                (0..4)
                    .map(|k| f64::from(tap.weights[k] * coefficients[tap.start + x + k]))
                    .sum()
            })
            .collect()
    }

    #[test]
    fn values_between_samples_are_those_of_the_blurred_tone() {
        for frequency in [0.02, 0.1, 0.2] {
            let (row, value) = tone(frequency);
            let gain = (-0.5 * (std::f64::consts::TAU * frequency * 0.8).powi(2)).exp();
            for place in [300.0_f32, 300.25, 300.5, 300.9] {
                for (x, got) in values_at(&row, 0.8, place).iter().enumerate() {
                    let want = 126.0 + gain * (value(f64::from(place) + x as f64) - 126.0);
                    assert!(
                        (got - want).abs() < 0.6,
                        "{frequency} {place} {x}: {got} {want}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_flat_row_stays_flat_up_to_its_ends() {
        let row = [77_u8; WIDTH];
        for place in [0.0, 0.4, 687.0] {
            assert!(
                values_at(&row, 0.8, place)
                    .iter()
                    .all(|v| (v - 77.0).abs() < 1e-3)
            );
        }
    }

    #[test]
    fn the_nearest_code_is_that_of_rounding() {
        for tenth in -20..2600 {
            let value = 0.1 * tenth as f32 + 0.01;
            assert_eq!(nearest_code(value), value.round().clamp(0.0, 255.0) as u8);
        }
    }

    #[test]
    fn a_shifted_row_has_its_stretches_where_they_stand_by_themselves() {
        for shift in [-3.7_f32, -1.0, 0.0, 0.25, 5.5] {
            let taps = Shifted::by(shift, WIDTH);
            for stretch in 0..WIDTH / STRETCH {
                let alone = Tap::stretch_at((stretch * STRETCH) as f32 + shift, WIDTH);
                assert_eq!(taps.start(stretch), alone.map(|tap| tap.start), "{shift}");
                for (one, other) in taps
                    .weights
                    .iter()
                    .zip(alone.map_or(taps.weights, |t| t.weights))
                {
                    assert!((one - other).abs() < 1e-4, "{shift} {stretch}");
                }
            }
        }
        assert_eq!(Shifted::by(f32::NAN, WIDTH).start(3), None);
    }

    #[test]
    fn a_stretch_that_leaves_the_row_has_no_place() {
        assert!(Tap::stretch_at(-0.1, WIDTH).is_none());
        assert!(Tap::stretch_at((WIDTH - STRETCH) as f32, WIDTH).is_none());
        assert!(Tap::stretch_at(f32::NAN, WIDTH).is_none());
    }
}
