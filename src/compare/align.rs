//! Which field of one pass shows the same moment of the tape as a field of another.
//!
//! In: two [`Track`]s. Out: [`Piece`]s of constant offset, in the order of the second pass. `anchor` says roughly where a stretch lies;
//! from there the offset is followed field by field: half-second windows are compared at the offset they should have and at
//! some around it, after contrast and brightness of the one chain are taken for those of the other. Where another offset fits
//! better for certain, a picture was lost or shown again, and the field at which it happened is the one that makes both sides
//! fit best. A still picture fits at every offset: it keeps the one that the pictures around it have. Where nothing fits, fields
//! are left out until a new anchor is found.
//!
//! Does not know: what is compared of the fields.

use std::ops::Range;

use super::anchor::{Features, Finder, STEP, STRETCH};
use super::series::{CELLS, Cells, Track};

/// Fields of the second pass whose counterpart stands so many fields further on.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Piece {
    /// Fields of the second pass.
    pub fields: Range<i64>,
    /// Field of the first pass less field of the second.
    pub offset: i64,
}

/// Fields of a window: half a second.
const WINDOW: i64 = 30;

/// Offsets that are tried beside the one expected: most losses are of a frame or a few.
const NEAR: [i64; 20] = [
    -30, -20, -16, -12, -10, -8, -6, -4, -2, -1, 1, 2, 4, 6, 8, 10, 12, 16, 20, 30,
];

/// How far offsets are looked for once one of these fits better: a second and a half.
const FAR: i64 = 90;

/// Windows without a fit before a new anchor is looked for: two seconds.
const LOST: u32 = 4;

/// Standard errors by which another offset must fit better.
const CERTAIN: f64 = 5.0;

/// Fields that count as one, as neighbours err alike.
const ALIKE: f64 = 3.0;

/// Mean square error of a block that is still a fit, in codes: rounding, noise, a chain that shifts the picture a little.
const FIT: f64 = 6.0;

/// The same as a share of the picture's own variance.
const FIT_SHARE: f64 = 0.06;

/// Correlation over a whole stretch that makes a place certain.
const SURE: f64 = 0.9;

/// Shortest piece worth keeping, in fields: a quarter of a second.
const SHORTEST: i64 = 15;

/// Straight-line relation of the codes of two chains, from sums over what fits; older sums fade.
#[derive(Clone, Copy, Debug, Default)]
struct Tone {
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

/// Aligns the second pass with the first.
pub(super) fn align(first: &Track, second: &Track) -> Vec<Piece> {
    let (ours, theirs) = (Features::of(first), Features::of(second));
    let finder = Finder::new(&ours);
    let mut follower = Follower {
        first,
        second,
        pieces: Vec::new(),
        tone: Tone::default(),
    };
    let mut at = 0;
    while at < second.end() {
        let step = (at / STEP) as usize;
        match follower.anchor(&finder, &theirs, step) {
            Some(offset) => at = follower.follow(at, offset),
            // half a stretch on, so that a part that begins within this one is found whole
            None => at += STRETCH as i64 / 2 * STEP,
        }
    }
    let mut pieces = follower.pieces;
    pieces.retain(|piece| piece.fields.end - piece.fields.start >= SHORTEST);
    pieces
}

struct Follower<'a> {
    first: &'a Track,
    second: &'a Track,
    pieces: Vec<Piece>,
    tone: Tone,
}

/// How a window fits at one offset.
#[derive(Clone, Copy, Debug)]
struct Fit {
    error: f64,
    fields: i64,
}

impl Follower<'_> {
    /// The exact offset of a stretch, where one is certain.
    fn anchor(&mut self, finder: &Finder, theirs: &Features, step: usize) -> Option<i64> {
        let from = step as i64 * STEP;
        let fields = from..from + STRETCH as i64 * STEP;
        let mut best: Option<(f64, i64, Tone)> = None;
        for (steps, _) in finder.find(theirs, step) {
            let middle = steps * STEP;
            for offset in middle - 2 * STEP..=middle + 2 * STEP {
                let tone = self.tone_at(fields.clone(), offset);
                let correlation = tone.correlation();
                if best.is_none_or(|(known, ..)| correlation > known) {
                    best = Some((correlation, offset, tone));
                }
            }
        }
        let (correlation, offset, mut tone) = best?;
        if correlation < SURE {
            return None;
        }
        // as much as a few windows: what follows may differ
        tone.fade((4.0 * (WINDOW as f64) * CELLS as f64 / tone.n).min(1.0));
        self.tone = tone;
        Some(offset)
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

    /// Follows from a field on; the field at which nothing fits any more.
    fn follow(&mut self, start: i64, offset: i64) -> i64 {
        let mut offset = offset;
        let mut open = self.begin(start, &mut offset);
        // the last window that told this offset from others, and whether there was one
        let (mut sure, mut is_told) = (open, false);
        let mut at = open;
        let mut misses = 0;
        let mut fitted_to = open;
        while at < self.second.end() {
            let window = at..(at + WINDOW).min(self.second.end());
            let here = self.fit(window.clone(), offset);
            let better = self.better(window.clone(), offset);
            if let Some(other) = better {
                // an offset that nothing spoke for was a guess: still pictures take that of what comes after
                if is_told {
                    let cut = self.cut(sure..window.end, offset, other);
                    self.close(open..cut, offset);
                    open = cut + (offset - other).max(0);
                }
                (offset, is_told) = (other, true);
                (sure, fitted_to, misses) = (window.start.max(open), window.end, 0);
            } else if here.map_or(self.is_empty(window.clone()), |here| {
                self.fits(here, window.clone())
            }) {
                misses = 0;
                fitted_to = window.end;
                if self.is_telling(window.clone(), offset) {
                    (sure, is_told) = (window.start, true);
                }
                self.learn(window.clone(), offset);
            } else {
                misses += 1;
                if misses == LOST {
                    self.close(open..fitted_to, offset);
                    return window.end;
                }
            }
            at = window.end;
        }
        self.close(open..fitted_to, offset);
        at
    }

    /// Whether the second pass has nothing there.
    fn is_empty(&self, mut window: Range<i64>) -> bool {
        window.all(|field| self.second.cells(field).is_none())
    }

    /// Where a stretch that was anchored begins to fit, and by which offset: it may begin before the loss of a picture.
    fn begin(&self, start: i64, offset: &mut i64) -> i64 {
        let mut at = start;
        while at < self.second.end() {
            let window = at..at + WINDOW;
            if let Some(best) = self.best(window.clone(), *offset)
                && self
                    .fit(window.clone(), best)
                    .is_some_and(|fit| self.fits(fit, window.clone()))
            {
                if self.is_certain(window.clone(), *offset, best) {
                    *offset = best;
                }
                return self.first_fitting(window, *offset);
            }
            at += WINDOW;
        }
        at
    }

    fn first_fitting(&self, window: Range<i64>, offset: i64) -> i64 {
        let fits = |field: &i64| {
            self.fit(*field..field + 1, offset)
                .is_some_and(|fit| self.fits(fit, window.clone()))
        };
        window.clone().find(fits).unwrap_or(window.start)
    }

    fn close(&mut self, fields: Range<i64>, offset: i64) {
        if fields.end > fields.start {
            // neither before the first field of the other pass nor behind its last
            let start = fields.start.max(-offset);
            let end = fields.end.min(self.first.end() - offset);
            if end > start {
                self.pieces.push(Piece {
                    fields: start..end,
                    offset,
                });
            }
        }
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

    fn fit(&self, window: Range<i64>, offset: i64) -> Option<Fit> {
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

    fn fits(&self, fit: Fit, window: Range<i64>) -> bool {
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
    fn is_certain(&self, window: Range<i64>, than: i64, offset: i64) -> bool {
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

    /// Whether a window tells its offset from its neighbours.
    fn is_telling(&self, window: Range<i64>, offset: i64) -> bool {
        [-2, 2]
            .iter()
            .all(|step| self.is_certain(window.clone(), offset + step, offset))
    }

    fn best(&self, window: Range<i64>, around: i64) -> Option<i64> {
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
    fn better(&self, window: Range<i64>, offset: i64) -> Option<i64> {
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
    fn cut(&self, within: Range<i64>, before: i64, after: i64) -> i64 {
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

    fn learn(&mut self, window: Range<i64>, offset: i64) {
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

#[cfg(test)]
mod tests;
