//! From displacements of lines to figures of a field.
//!
//! In: displacement and variance by row. Out: wobble without the estimator's noise, its spread, its rough and smooth part
//! and the slant.
//!
//! Standard errors are those of this field's own value: noise of the readings, doubt of their sigma, and the lines that
//! were not seen. They say nothing of the next field.
//!
//! Does not know: edges, content, units (it works in the unit it is given).

use std::ops::Range;

use crate::measures::dsp::fit::{Excess, Point, excess_variance};
use crate::measures::dsp::robust;
use crate::measures::dsp::smoother::{Smoother, stiffness_of_half_period, white_noise_shares};

use super::MAX_ROWS;
use super::wave::{WaveFinder, Waves};

/// Period, in field lines, at which a wave counts half as jitter and half as waving.
const SPLIT_PERIOD_LINES: f64 = 20.0;

/// Least share of picture lines for any figure.
pub(super) const LEAST_COVERAGE: f64 = 0.3;

/// Longest run of lines without evidence that a figure may span.
const LONGEST_GAP: usize = 40;

/// How far off the readings' own variance may be, as a share of it.
const VARIANCE_DOUBT: f64 = 0.1;

/// A value and its standard error.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Figure {
    pub value: f64,
    pub sigma: f64,
}

/// What is said of one field.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Figures {
    pub error_rms: Figure,
    pub error_pp: Figure,
    pub jitter_rms: Figure,
    pub waving_rms: Figure,
    pub slant: Figure,
    /// The spectrum of the rest.
    pub waves: Option<Waves>,
    pub lines: u32,
}

/// Room for the work; made once.
#[derive(Debug)]
pub(super) struct Decomposer {
    points: Vec<Point>,
    values: Vec<f64>,
    weights: Vec<f64>,
    curve: Vec<f64>,
    spread: Vec<f32>,
    smoother: Smoother,
    waves: WaveFinder,
    smooth_share: f64,
    rough_share: f64,
}

impl Decomposer {
    pub(super) fn new() -> Self {
        let stiffness = stiffness_of_half_period(SPLIT_PERIOD_LINES);
        let (smooth_share, rough_share) = white_noise_shares(stiffness);
        Self {
            points: Vec::with_capacity(MAX_ROWS),
            values: Vec::with_capacity(MAX_ROWS),
            weights: Vec::with_capacity(MAX_ROWS),
            curve: Vec::with_capacity(MAX_ROWS),
            spread: Vec::with_capacity(MAX_ROWS),
            smoother: Smoother::new(MAX_ROWS, stiffness),
            waves: WaveFinder::new(),
            smooth_share,
            rough_share,
        }
    }

    /// All figures of the rows in `rows`; `None` where too few of them are seen or a gap is too long.
    pub(super) fn figures(
        &mut self,
        rows: Range<usize>,
        shift: impl Fn(usize) -> Option<(f64, f64)>,
    ) -> Option<Figures> {
        let excess = self.excess(rows.clone(), shift)?;
        let lines = self.points.len();
        let unseen = 1.0 - lines as f64 / rows.len() as f64;
        let error_rms = self.error_rms(excess.variance, unseen);
        let (jitter_rms, waving_rms) = self.split(rows.clone(), excess, unseen);
        let span = rows.len().saturating_sub(1) as f64;
        Some(Figures {
            error_rms,
            error_pp: self.error_pp(excess, error_rms),
            jitter_rms,
            waving_rms,
            slant: Figure {
                value: excess.line.slope * span,
                sigma: excess.line.slope_variance.sqrt() * span,
            },
            waves: self.waves.look(&self.values, &self.weights),
            lines: lines as u32,
        })
    }

    /// What remains of a row of the last figures when their straight line is taken out; `None` where it was not seen.
    pub(super) fn residual(&self, rows: &Range<usize>, row: usize) -> Option<f64> {
        let place = row.checked_sub(rows.start)?;
        (*self.weights.get(place)? > 0.0).then(|| self.values[place])
    }

    /// Only the rms.
    pub(super) fn rms(
        &mut self,
        rows: Range<usize>,
        shift: impl Fn(usize) -> Option<(f64, f64)>,
    ) -> Option<(Figure, u32)> {
        let excess = self.excess(rows.clone(), shift)?;
        let unseen = 1.0 - self.points.len() as f64 / rows.len() as f64;
        Some((
            self.error_rms(excess.variance, unseen),
            self.points.len() as u32,
        ))
    }

    /// The straight line taken out of the last rows looked at, and what remains, by row.
    fn excess(
        &mut self,
        rows: Range<usize>,
        shift: impl Fn(usize) -> Option<(f64, f64)>,
    ) -> Option<Excess> {
        self.points.clear();
        let (mut gap, mut longest_gap) = (0, 0);
        for row in rows.clone() {
            if let Some((y, variance)) = shift(row) {
                self.points.push(Point {
                    x: row as f64,
                    y,
                    variance,
                });
                gap = 0;
            } else {
                gap += 1;
                longest_gap = longest_gap.max(gap);
            }
        }
        let covered = self.points.len() as f64 >= LEAST_COVERAGE * rows.len() as f64;
        if !covered || longest_gap > LONGEST_GAP {
            return None;
        }
        excess_variance(&self.points)
    }

    fn error_rms(&self, variance: f64, unseen: f64) -> Figure {
        let n = self.points.len() as f64;
        let own = self.points.iter().map(|point| point.variance);
        let (sum, squares) = own.fold((0.0, 0.0), |(s, q), v| (s + v, q + v * v));
        let noise = (4.0 * variance * sum + 2.0 * squares) / (n * n);
        let doubt = (VARIANCE_DOUBT * mean_noise(&self.points, variance)).powi(2);
        let sampling = 2.0 * variance * variance / n * unseen;
        root_figure(variance, noise + doubt + sampling)
    }

    /// Spread of the residuals, each drawn in until the whole varies as much as without noise.
    fn error_pp(&mut self, excess: Excess, rms: Figure) -> Figure {
        self.spread.clear();
        for point in &self.points {
            let share = excess.variance / (excess.variance + point.variance);
            self.spread
                .push(((point.y - excess.line.at(point.x)) * share.sqrt()) as f32);
        }
        let low = robust::quantile(&mut self.spread, 0.025).unwrap_or(0.0);
        let high = robust::quantile(&mut self.spread, 0.975).unwrap_or(0.0);
        let value = f64::from(high - low);
        let relative = if rms.value > 0.0 {
            rms.sigma / rms.value
        } else {
            0.0
        };
        let noise = mean_noise(&self.points, excess.variance);
        // The standard error of a 2.5 % point of n normal values is 2.67/√n of their deviation.
        let ends = 2.67 * (2.0 * noise / self.points.len() as f64).sqrt();
        Figure {
            value,
            sigma: ends.hypot(value * relative.min(1.0)),
        }
    }

    /// Jitter and waving: the rest and the smooth curve.
    fn split(&mut self, rows: Range<usize>, excess: Excess, unseen: f64) -> (Figure, Figure) {
        let noise = mean_noise(&self.points, excess.variance);
        self.values.clear();
        self.weights.clear();
        self.values.resize(rows.len(), 0.0);
        self.weights.resize(rows.len(), 0.0);
        self.curve.clear();
        self.curve.resize(rows.len(), 0.0);
        let floor = 1e-6 * (noise + excess.variance) + f64::MIN_POSITIVE;
        let usual = noise + excess.variance + floor;
        for point in &self.points {
            let place = point.x as usize - rows.start;
            self.values[place] = point.y - excess.line.at(point.x);
            self.weights[place] = usual / (point.variance + excess.variance + floor);
        }
        if !self
            .smoother
            .smooth(&self.values, &self.weights, &mut self.curve)
        {
            return (Figure::default(), Figure::default());
        }
        let (mut sum, mut rough, mut smooth) = (0.0, 0.0, 0.0);
        for ((value, weight), curve) in self.values.iter().zip(&self.weights).zip(&self.curve) {
            sum += weight;
            rough += weight * (value - curve).powi(2);
            smooth += weight * curve * curve;
        }
        let part = |power: f64, share: f64| {
            let variance = (power / sum - share * noise).max(0.0);
            let n = self.points.len() as f64;
            let error = (4.0 * variance * noise * share + 2.0 * share * noise * noise) / n
                + (VARIANCE_DOUBT * share * noise).powi(2)
                + 2.0 * variance * variance / n * unseen;
            root_figure(variance, error)
        };
        (
            part(rough, self.rough_share),
            part(smooth, self.smooth_share),
        )
    }
}

/// The variance of a reading of ordinary weight: what all lines would need to carry as much information as they do.
fn mean_noise(points: &[Point], excess: f64) -> f64 {
    let information: f64 = points
        .iter()
        .map(|point| 1.0 / (point.variance + excess))
        .sum();
    (points.len() as f64 / information - excess).max(0.0)
}

/// The root of a variance with the standard error that the variance's own error leads to.
pub(super) fn root_figure(variance: f64, error: f64) -> Figure {
    let value = variance.sqrt();
    let error = error.sqrt();
    let far = if value > 0.0 {
        error / (2.0 * value)
    } else {
        f64::INFINITY
    };
    Figure {
        value,
        sigma: far.min(error.sqrt()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROWS: Range<usize> = 0..232;

    /// Numbers without visible order, evenly spread over −√3 … √3 (variance 1).
    fn scatter(row: usize, seed: u64) -> f64 {
        let mut x = (row as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15)
            ^ seed.wrapping_mul(0xD1B5_4A32_D192_ED03);
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        x ^= x >> 31;
        ((x >> 11) as f64 / (1_u64 << 53) as f64 - 0.5) * 12.0_f64.sqrt()
    }

    fn figures(shift: impl Fn(usize) -> Option<(f64, f64)>) -> Figures {
        Decomposer::new()
            .figures(ROWS, shift)
            .expect("enough lines")
    }

    #[test]
    fn the_readings_noise_is_not_in_the_wobble() {
        let (mut sum, seeds) = (0.0, 20);
        for seed in 0..seeds {
            let noisy = |row| {
                Some((
                    3.0 * scatter(row, seed) + 4.0 * scatter(row, seed + 1000),
                    16.0,
                ))
            };
            sum += figures(noisy).error_rms.value.powi(2);
        }
        let rms = (sum / seeds as f64).sqrt();
        assert!((rms - 3.0).abs() < 0.25, "{rms}");
    }

    #[test]
    fn pure_noise_is_no_wobble_within_its_own_error() {
        for seed in 0..20 {
            let figure = figures(|row| Some((4.0 * scatter(row, seed), 16.0))).error_rms;
            assert!(figure.value < 2.5 * figure.sigma + 1e-9, "{figure:?}");
        }
    }

    #[test]
    fn a_shift_and_a_slant_of_the_whole_field_leave_the_wobble_alone() {
        let plain = figures(|row| Some((scatter(row, 7), 0.01)));
        let moved = figures(|row| Some((scatter(row, 7) + 40.0 + 0.1 * row as f64, 0.01)));
        assert!((plain.error_rms.value - moved.error_rms.value).abs() < 1e-6);
        assert!((plain.jitter_rms.value - moved.jitter_rms.value).abs() < 1e-6);
        assert!((moved.slant.value - plain.slant.value - 23.1).abs() < 1e-6);
    }

    #[test]
    fn slow_waves_are_waving_and_fast_ones_jitter() {
        let wave = |period: f64| {
            move |row: usize| Some(((row as f64 * std::f64::consts::TAU / period).sin(), 1e-6))
        };
        let slow = figures(wave(70.0));
        assert!(
            slow.waving_rms.value > 0.68 && slow.jitter_rms.value < 0.05,
            "{slow:?}"
        );
        let fast = figures(wave(5.0));
        assert!(
            fast.jitter_rms.value > 0.68 && fast.waving_rms.value < 0.05,
            "{fast:?}"
        );
    }

    #[test]
    fn spread_of_even_scatter_is_that_of_its_quantiles() {
        let figure = figures(|row| Some((scatter(row, 3), 1e-9))).error_pp;
        assert!(
            (figure.value - 0.95 * 12.0_f64.sqrt()).abs() < 0.2,
            "{figure:?}"
        );
    }

    #[test]
    fn too_few_lines_or_too_long_a_gap_give_nothing() {
        let mut decomposer = Decomposer::new();
        let sparse = |row: usize| row.is_multiple_of(4).then_some((0.0, 1.0));
        assert_eq!(decomposer.figures(ROWS, sparse), None);
        let holed = |row: usize| (!(100..141).contains(&row)).then_some((0.0, 1.0));
        assert_eq!(decomposer.figures(ROWS, holed), None);
        let whole = |row: usize| (!(100..140).contains(&row)).then_some((0.0, 1.0));
        assert!(decomposer.figures(ROWS, whole).is_some());
        assert_eq!(decomposer.figures(0..0, |_| None), None);
    }
}
