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
use super::series::{Fields, Track};
use super::windows::{LOST, SURE, Tone, WINDOW, Windows};

/// Fields of the second pass whose counterpart stands so many fields further on.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Piece {
    /// Fields of the second pass.
    pub fields: Range<i64>,
    /// Field of the first pass less field of the second.
    pub offset: i64,
}

/// Shortest piece worth keeping, in fields: a quarter of a second.
const SHORTEST: i64 = 15;

/// Aligns the second pass with the first.
pub(super) fn align(first: &Track, second: &Track) -> Vec<Piece> {
    let (ours, theirs) = (Features::of(first, 0), Features::of(second, 0));
    let finder = Finder::new(&ours);
    let mut follower = Follower {
        windows: Windows {
            first,
            second,
            tone: Tone::default(),
        },
        pieces: Vec::new(),
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
    windows: Windows<'a, Track>,
    pieces: Vec<Piece>,
}

impl Follower<'_> {
    /// The exact offset of a stretch, where one is certain.
    fn anchor(&mut self, finder: &Finder, theirs: &Features, step: usize) -> Option<i64> {
        let from = step as i64 * STEP;
        let middles = finder.find(theirs, step).into_iter();
        let near = self.windows.near(
            middles.map(|(steps, _)| steps * STEP),
            &(from..from + STRETCH as i64 * STEP),
        );
        let best = near.first().filter(|best| best.correlation >= SURE)?;
        self.windows.settle(best);
        Some(best.offset)
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
        while at < self.windows.second.end() {
            let window = at..(at + WINDOW).min(self.windows.second.end());
            let here = self.windows.fit(window.clone(), offset);
            let better = self.windows.better(window.clone(), offset);
            if let Some(other) = better {
                // an offset that nothing spoke for was a guess: still pictures take that of what comes after
                if is_told {
                    let cut = self.windows.cut(sure..window.end, offset, other);
                    self.close(open..cut, offset);
                    open = cut + (offset - other).max(0);
                }
                (offset, is_told) = (other, true);
                (sure, fitted_to, misses) = (window.start.max(open), window.end, 0);
            } else if here.map_or(self.windows.is_empty(window.clone()), |here| {
                self.windows.fits(here, window.clone())
            }) {
                misses = 0;
                fitted_to = window.end;
                if self.windows.is_telling(window.clone(), offset) {
                    (sure, is_told) = (window.start, true);
                }
                self.windows.learn(window.clone(), offset);
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

    /// Where a stretch that was anchored begins to fit, and by which offset: it may begin before the loss of a picture.
    fn begin(&self, start: i64, offset: &mut i64) -> i64 {
        let mut at = start;
        while at < self.windows.second.end() {
            let window = at..at + WINDOW;
            if let Some(best) = self.windows.best(window.clone(), *offset)
                && self
                    .windows
                    .fit(window.clone(), best)
                    .is_some_and(|fit| self.windows.fits(fit, window.clone()))
            {
                if self.windows.is_certain(window.clone(), *offset, best) {
                    *offset = best;
                }
                return self.windows.first_fitting(window, *offset);
            }
            at += WINDOW;
        }
        at
    }

    fn close(&mut self, fields: Range<i64>, offset: i64) {
        if fields.end > fields.start {
            // neither before the first field of the other pass nor behind its last
            let start = fields.start.max(-offset);
            let end = fields.end.min(self.windows.first.end() - offset);
            if end > start {
                self.pieces.push(Piece {
                    fields: start..end,
                    offset,
                });
            }
        }
    }
}

#[cfg(test)]
mod tests;
