//! The fields a field is compared with: the last few of its parity, each with where its lines stood and how the camera
//! moved since.
//!
//! Does not know: how any of that was found.

use std::collections::VecDeque;

use crate::fields::Plane;
use crate::measures::dsp::spline::{MARGIN, Prefilter, STRETCH, nearest_code};
use crate::measures::hands::{Hands, Rows};

use super::warp::{Frame, Warp};
use super::{BLOCK_ROWS, coarse};

/// Fields kept a parity: by Dirichlet's approximation theorem one of six is within 1/7 line of a whole number of lines of a
/// picture that moves down evenly, at whatever rate.
pub(super) const KEPT: usize = 6;

/// Part of a line by which a row may miss a wanted one and still pass for it.
pub(super) const SAME_LINE: f64 = 0.1;

/// A field as it is kept.
#[derive(Debug, Default)]
pub(super) struct Shot {
    /// Spline coefficients, row after row, with their margins.
    coefficients: Vec<f32>,
    /// The blurred picture in whole codes, with [`coarse::REACH`] more at either end of a row.
    codes: Vec<u8>,
    width: usize,
    /// By row: displacement against the scene, in samples.
    pub place: Vec<f32>,
    /// By row: how far the reference has moved to the mean of where the line stands, since the scene began.
    pub moved: Vec<f32>,
    /// By row: fields that this mean is of.
    pub seen: Vec<f32>,
    /// By row: the line can serve as a reference.
    pub sound: Vec<bool>,
    /// By row, a bit a stretch: what it shows is not what stood there before.
    pub changed: Vec<u32>,
    /// From the newest field to this one.
    pub warp: Warp,
}

impl Shot {
    /// Takes a picture's columns in.
    fn take(
        &mut self,
        luma: &Plane,
        columns: &std::ops::Range<usize>,
        filter: &Prefilter,
        hands: Hands,
    ) {
        self.width = columns.len();
        let (stride, padded) = (self.stride(), self.padded());
        self.coefficients.resize(luma.rows * stride, 0.0);
        self.codes.resize(luma.rows * padded, 0);
        hands.share(
            luma.rows,
            BLOCK_ROWS,
            Rows::new(&mut self.coefficients, stride),
            Rows::new(&mut self.codes, padded),
            &|first, coefficients, codes| {
                let rows = coefficients.chunks_exact_mut(stride);
                let rows = rows.zip(codes.chunks_exact_mut(padded));
                for (row, (coefficients, codes)) in (first..).zip(rows) {
                    filter.apply(&luma.row(row)[columns.clone()], coefficients);
                    let inside = coarse::REACH..padded - coarse::REACH;
                    round_row(&coefficients[MARGIN - 1..], &mut codes[inside.clone()]);
                    let ends = [codes[inside.start], codes[inside.end - 1]];
                    codes[..inside.start].fill(ends[0]);
                    codes[inside.end..].fill(ends[1]);
                }
            },
        );
        for list in [&mut self.place, &mut self.moved, &mut self.seen] {
            list.clear();
            list.resize(luma.rows, 0.0);
        }
        self.sound.clear();
        self.sound.resize(luma.rows, true);
        self.changed.clear();
        self.changed.resize(luma.rows, 0);
        self.warp = Warp::default();
    }

    pub(super) fn stride(&self) -> usize {
        self.width + 2 * MARGIN
    }

    pub(super) fn width(&self) -> usize {
        self.width
    }

    pub(super) fn rows(&self) -> usize {
        self.place.len()
    }

    pub(super) fn stretches(&self) -> usize {
        self.width / STRETCH
    }

    /// All coefficients; those of a row begin at `row` times [`Self::stride`].
    pub(super) fn coefficients(&self) -> &[f32] {
        &self.coefficients
    }

    pub(super) fn row(&self, row: usize) -> &[f32] {
        &self.coefficients[row * self.stride()..(row + 1) * self.stride()]
    }

    /// Codes of a row with the room at its ends.
    pub(super) fn padded_codes(&self, row: usize) -> &[u8] {
        &self.codes[row * self.padded()..(row + 1) * self.padded()]
    }

    pub(super) fn codes(&self, row: usize) -> &[u8] {
        &self.padded_codes(row)[coarse::REACH..][..self.width]
    }

    fn padded(&self) -> usize {
        self.width + 2 * coarse::REACH
    }

    pub(super) fn frame(&self) -> Frame {
        Frame::of(self.width, self.rows())
    }
}

/// Values at the samples themselves, rounded; `from` begins at the coefficient before the first sample.
#[multiversion::multiversion(targets("x86_64+avx2"))]
fn round_row(from: &[f32], codes: &mut [u8]) {
    let (at, after) = (&from[1..], &from[2..]);
    let three = from.iter().zip(at).zip(after);
    for (code, ((a, b), c)) in codes.iter_mut().zip(three) {
        *code = nearest_code((a + 4.0 * b + c) * (1.0 / 6.0));
    }
}

/// The last fields of one parity, newest first.
#[derive(Debug, Default)]
pub(super) struct Memory {
    shots: VecDeque<Shot>,
    /// Buffers to use again: what a cut gives back, the next scene fills.
    spare: Vec<Shot>,
}

impl Memory {
    pub(super) fn clear(&mut self) {
        self.spare.extend(self.shots.drain(..));
    }

    pub(super) fn newest(&self) -> Option<&Shot> {
        self.shots.front()
    }

    /// The kept fields, newest first.
    pub(super) fn shots(&self) -> impl Iterator<Item = &Shot> + Clone {
        self.shots.iter()
    }

    /// Moves what kept rows show by `steps` to the right, row by row of a field that reaches the newest by `now`.
    pub(super) fn follow(&mut self, steps: &[f32], now: &Warp) {
        for shot in &mut self.shots {
            let frame = shot.frame();
            let warp = now.after(&shot.warp, frame);
            for (row, step) in steps.iter().enumerate() {
                let middle = frame.relative(frame.half_width, row as f64);
                let place = row as f64 - warp.at(middle)[1];
                let there = place.round();
                // Rows that lie between are other lines of the scene.
                let same = (place - there).abs() <= SAME_LINE;
                if same && there >= 0.0 && (there as usize) < shot.rows() {
                    shot.place[there as usize] -= step;
                    shot.moved[there as usize] += step;
                }
            }
        }
    }

    /// Forgets how far references have moved: the picture moves down, so they no longer belong to their rows.
    pub(super) fn forget_moves(&mut self) {
        for shot in &mut self.shots {
            shot.moved.fill(0.0);
        }
    }

    /// A field's picture in a buffer of its own, not yet among those kept.
    pub(super) fn shoot(
        &mut self,
        luma: &Plane,
        columns: &std::ops::Range<usize>,
        filter: &Prefilter,
        hands: Hands,
    ) -> Shot {
        let mut shot = self.spare.pop().unwrap_or_default();
        shot.take(luma, columns, filter, hands);
        shot
    }

    /// Keeps a field, reached from those before by `warp`.
    pub(super) fn keep(&mut self, shot: Shot, warp: &Warp) {
        let frame = shot.frame();
        for older in &mut self.shots {
            older.warp = warp.after(&older.warp, frame);
        }
        self.shots.push_front(shot);
        if self.shots.len() > KEPT {
            self.spare.extend(self.shots.pop_back());
        }
    }
}
