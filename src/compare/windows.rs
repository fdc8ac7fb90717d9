//! How well a stretch of one pass fits on another at an offset, and whether one offset fits better than others for certain.
//!
//! In: the fields of two passes ([`Track`], [`Fields`]). Out: correlations, errors and offsets of half-second windows, after contrast and
//! brightness of the one chain are taken for those of the other.
//!
//! Does not know: where a pass begins, or what follows of an offset.

use std::ops::Range;

use super::anchor::STEP;
use super::series::{CELLS, Cells, Fields, Track};

/// Fields of a window: half a second.
pub(super) const WINDOW: i64 = 30;

/// Offsets that are tried beside the one expected: most losses are of a frame or a few.
const NEAR: [i64; 20] = [
    -30, -20, -16, -12, -10, -8, -6, -4, -2, -1, 1, 2, 4, 6, 8, 10, 12, 16, 20, 30,
];

/// How far offsets are looked for once one of these fits better: a second and a half.
const FAR: i64 = 90;

/// Standard errors by which another offset must fit better.
const CERTAIN: f64 = 5.0;

/// Windows from which on their spread says anything: two seconds.
const LEAST_WINDOWS: f64 = 4.0;

/// Fields that count as one, as neighbours err alike.
const ALIKE: f64 = 3.0;

/// Mean square error of a block that is still a fit, in codes: rounding, noise, a chain that shifts the picture a little.
const FIT: f64 = 6.0;

/// The same as a share of the picture's own variance.
const FIT_SHARE: f64 = 0.06;

/// Windows without a fit before a new anchor is looked for: two seconds.
pub(super) const LOST: u32 = 4;

/// Correlation over a whole stretch that makes a place certain.
pub(super) const SURE: f64 = 0.9;

/// Straight-line relation of the codes of two chains, from sums over what fits; older sums fade.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Tone {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

impl Tone {
    fn add(&mut self, from: &Cells, to: &Cells) {
        for (&from, &to) in from.iter().zip(to) {
            let (from, to) = (f64::from(from), f64::from(to));
            self.n += 1.0;
            self.x += from;
            self.y += to;
            self.xx += from * from;
            self.xy += from * to;
            self.yy += to * to;
        }
    }

    fn fade(&mut self, by: f64) {
        for sum in [
            &mut self.n,
            &mut self.x,
            &mut self.y,
            &mut self.xx,
            &mut self.xy,
            &mut self.yy,
        ] {
            *sum *= by;
        }
    }

    fn moments(&self) -> (f64, f64, f64) {
        let n = self.n.max(1.0);
        let (x, y) = (self.x / n, self.y / n);
        (
            self.xx / n - x * x,
            self.xy / n - x * y,
            self.yy / n - y * y,
        )
    }

    fn correlation(&self) -> f64 {
        let (xx, xy, yy) = self.moments();
        // pictures without contrast agree with everything
        if xx < 4.0 || yy < 4.0 {
            0.0
        } else {
            xy / (xx * yy).sqrt()
        }
    }

    /// Contrast and codes added.
    fn line(&self) -> (f32, f32) {
        let (xx, xy, _) = self.moments();
        let gain = if xx < 4.0 {
            1.0
        } else {
            (xy / xx).clamp(0.25, 4.0)
        };
        let n = self.n.max(1.0);
        (gain as f32, (self.y / n - gain * self.x / n) as f32)
    }
}

/// How a window fits at one offset.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fit {
    error: f64,
    pub(super) fields: i64,
}

/// Fields of two passes beside each other.
pub(super) struct Windows<'a, F> {
    pub(super) first: &'a Track,
    pub(super) second: &'a F,
    pub(super) tone: Tone,
}

/// An offset at which a stretch looks like another.
#[derive(Clone, Copy, Debug)]
pub(super) struct Likely {
    pub(super) correlation: f64,
    pub(super) offset: i64,
    tone: Tone,
}

impl<F: Fields> Windows<'_, F> {
    /// The best exact offset near each of some rough ones, likeliest first.
    pub(super) fn near(
        &self,
        middles: impl IntoIterator<Item = i64>,
        fields: &Range<i64>,
    ) -> Vec<Likely> {
        let mut all: Vec<Likely> = Vec::new();
        for middle in middles {
            let mut best: Option<Likely> = None;
            for offset in middle - 2 * STEP..=middle + 2 * STEP {
                let tone = self.tone_at(fields.clone(), offset);
                let correlation = tone.correlation();
                if best.is_none_or(|known| correlation > known.correlation) {
                    best = Some(Likely {
                        correlation,
                        offset,
                        tone,
                    });
                }
            }
            all.extend(best);
        }
        // of equals the one that was likelier before stays first
        all.sort_by(|a, b| b.correlation.total_cmp(&a.correlation));
        all
    }

    /// Takes the tone of a stretch, as much of it as a few windows: what follows may differ.
    pub(super) fn settle(&mut self, on: &Likely) {
        self.tone = on.tone;
        self.tone
            .fade((4.0 * (WINDOW as f64) * CELLS as f64 / on.tone.n).min(1.0));
    }

    fn tone_at(&self, fields: Range<i64>, offset: i64) -> Tone {
        let mut tone = Tone::default();
        // every third field tells as much about a stretch
        for field in fields.step_by(3) {
            if let (Some(here), Some(there)) =
                (self.first.cells(field + offset), self.second.cells(field))
            {
                tone.add(here, there);
            }
        }
        tone
    }

    /// Fields of a stretch that both passes have.
    pub(super) fn beside(&self, fields: Range<i64>, offset: i64) -> i64 {
        let both = fields.filter(|&field| {
            self.second.cells(field).is_some() && self.first.cells(field + offset).is_some()
        });
        both.count() as i64
    }

    /// Whether the second pass has nothing there.
    pub(super) fn is_empty(&self, mut window: Range<i64>) -> bool {
        window.all(|field| self.second.cells(field).is_none())
    }

    pub(super) fn first_fitting(&self, window: Range<i64>, offset: i64) -> i64 {
        let fits = |field: &i64| {
            self.fit(*field..field + 1, offset)
                .is_some_and(|fit| self.fits(fit, window.clone()))
        };
        window.clone().find(fits).unwrap_or(window.start)
    }

    /// Square error of a field at an offset, per block.
    fn error(&self, field: i64, offset: i64) -> Option<f64> {
        let (gain, lift) = self.tone.line();
        let here = self.first.cells(field + offset)?;
        let there = self.second.cells(field)?;
        let sum: f32 = here
            .iter()
            .zip(there)
            .map(|(&here, &there)| {
                let off = gain * f32::from(here) + lift - f32::from(there);
                off * off
            })
            .sum();
        Some(f64::from(sum) / CELLS as f64)
    }

    pub(super) fn fit(&self, window: Range<i64>, offset: i64) -> Option<Fit> {
        let mut fit = Fit {
            error: 0.0,
            fields: 0,
        };
        for field in window {
            if let Some(error) = self.error(field, offset) {
                fit.error += error;
                fit.fields += 1;
            }
        }
        (fit.fields > 0).then(|| Fit {
            error: fit.error / fit.fields as f64,
            ..fit
        })
    }

    pub(super) fn fits(&self, fit: Fit, window: Range<i64>) -> bool {
        let mut all = Tone::default();
        for cells in window
            .step_by(5)
            .filter_map(|field| self.second.cells(field))
        {
            all.add(cells, cells);
        }
        fit.error <= FIT + FIT_SHARE * all.moments().0
    }

    /// Whether one offset fits a window better than another for certain.
    pub(super) fn is_certain(&self, window: Range<i64>, than: i64, offset: i64) -> bool {
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for field in window {
            if let (Some(one), Some(other)) = (self.error(field, than), self.error(field, offset)) {
                n += 1.0;
                sum += one - other;
                squares += (one - other) * (one - other);
            }
        }
        if n < ALIKE * 4.0 {
            return false;
        }
        let mean = sum / n;
        let deviation = (squares / n - mean * mean).max(0.0).sqrt();
        mean > 0.0 && mean > CERTAIN * deviation / (n / ALIKE).sqrt() + 1e-3
    }

    /// By how many standard errors one offset fits a stretch better than another, by the shares of its windows: two fields at a cut must
    /// not outweigh all others, and slow motion tells little in each window and much in many. 0 where it cannot be told.
    pub(super) fn lead(&self, fields: Range<i64>, than: i64, offset: i64) -> f64 {
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for start in fields.clone().step_by(WINDOW as usize) {
            let window = start..(start + WINDOW).min(fields.end);
            let (mut one, mut other, mut count) = (0.0, 0.0, 0);
            for field in window {
                if let (Some(here), Some(there)) =
                    (self.error(field, than), self.error(field, offset))
                {
                    (one, other, count) = (one + here, other + there, count + 1);
                }
            }
            if 2 * count >= WINDOW && one + other > 0.0 {
                let share = (one - other) / (one + other);
                n += 1.0;
                sum += share;
                squares += share * share;
            }
        }
        if n < LEAST_WINDOWS {
            return 0.0;
        }
        let mean = sum / n;
        let deviation = (squares / n - mean * mean).max(0.0).sqrt();
        // windows that are all alike to the last digit are a still picture, or unlike everywhere
        mean * n.sqrt() / deviation.max(1e-3)
    }

    /// Whether a window tells its offset from its neighbours.
    pub(super) fn is_telling(&self, window: Range<i64>, offset: i64) -> bool {
        [-2, 2]
            .iter()
            .all(|step| self.is_certain(window.clone(), offset + step, offset))
    }

    pub(super) fn best(&self, window: Range<i64>, around: i64) -> Option<i64> {
        let offsets = (around - FAR..=around + FAR).filter_map(|offset| {
            let fit = self.fit(window.clone(), offset)?;
            (2 * fit.fields >= WINDOW.min(window.end - window.start)).then_some((offset, fit.error))
        });
        offsets
            .min_by(|a, b| {
                a.1.total_cmp(&b.1)
                    .then((a.0 - around).abs().cmp(&(b.0 - around).abs()))
            })
            .map(|(offset, _)| offset)
    }

    /// Another offset that this window and the next have for certain.
    pub(super) fn better(&self, window: Range<i64>, offset: i64) -> Option<i64> {
        let doubtful = NEAR
            .iter()
            .any(|step| self.is_certain(window.clone(), offset, offset + step));
        let here = self.fit(window.clone(), offset);
        let astray = here.is_some_and(|here| !self.fits(here, window.clone()));
        if !doubtful && !astray {
            return None;
        }
        let best = self.best(window.clone(), offset)?;
        let fits = self
            .fit(window.clone(), best)
            .is_some_and(|fit| self.fits(fit, window.clone()));
        let next = window.end..window.end + WINDOW;
        let lasts = match self.fit(next.clone(), best) {
            Some(fit) => {
                let other = self.fit(next.clone(), offset);
                self.fits(fit, next.clone()) && other.is_none_or(|other| other.error >= fit.error)
            }
            None => true,
        };
        (best != offset && fits && lasts && self.is_certain(window, offset, best)).then_some(best)
    }

    /// The field at which one offset gives way to another. Where the other comes earlier in the first pass, so many fields of the
    /// second have no counterpart; they begin at it.
    pub(super) fn cut(&self, within: Range<i64>, before: i64, after: i64) -> i64 {
        let without = (before - after).max(0);
        let errors: Vec<(f64, f64)> = within
            .clone()
            .map(|field| {
                let error = |offset| self.error(field, offset).unwrap_or(0.0);
                (error(before), error(after))
            })
            .collect();
        let mut right: f64 = errors
            .iter()
            .skip(without as usize)
            .map(|error| error.1)
            .sum();
        let mut left = 0.0;
        let mut best = (f64::INFINITY, within.start);
        for (at, cut) in within.clone().enumerate() {
            if left + right < best.0 - 1e-9 {
                best = (left + right, cut);
            }
            left += errors[at].0;
            right -= errors
                .get(at + without as usize)
                .map_or(0.0, |error| error.1);
        }
        if left + right < best.0 - 1e-9 {
            best.1 = within.end;
        }
        best.1
    }

    pub(super) fn learn(&mut self, window: Range<i64>, offset: i64) {
        // half of what is known is of the last three seconds
        self.tone.fade(0.9);
        for field in window.step_by(3) {
            if let (Some(here), Some(there)) =
                (self.first.cells(field + offset), self.second.cells(field))
            {
                self.tone.add(here, there);
            }
        }
    }
}
