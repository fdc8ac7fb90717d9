//! The cast: where the greys of the picture gather on the colour plane.
//!
//! In: blocks of both colour differences. Out: the mean of those within [`REACH`] of it. It is looked for from the zero; each
//! round takes the blocks about the mean of the round before, so that a cast is not cut in half by the circle it is
//! looked for in.
//!
//! Does not know: percent, or whether the greys were grey.

use super::blocks::Blocks;

/// How far from the mean a block still counts as grey: an eighth of the excursion. Walls, roads, clouds and stone are
/// within; skin and sky are not.
const REACH: f64 = 0.12;

/// Rounds; it stands after two or three.
const ROUNDS: usize = 4;

/// Least share of the picture that must be grey.
const LEAST_SHARE: f64 = 0.02;

/// Blocks that hang together, at least: things in a picture are larger than a block.
const TOGETHER: f64 = 16.0;

/// A cast, in codes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) cb: f64,
    pub(super) cr: f64,
    /// Standard errors of both, as the greys of this picture scatter.
    pub(super) sigma: (f64, f64),
    /// Blocks that are grey.
    pub(super) blocks: u32,
}

/// The cast; `excursion` is that of 100 % colour, in codes.
pub(super) fn find(cb: &Blocks, cr: &Blocks, excursion: f64) -> Option<Found> {
    let reach = (REACH * excursion).powi(2) as f32;
    let mut centre = (0.0_f64, 0.0_f64);
    let mut sums = Sums::default();
    for _ in 0..ROUNDS {
        sums = Sums::default();
        let (at_cb, at_cr) = (centre.0 as f32, centre.1 as f32);
        for (cb, cr) in cb.blocks().iter().zip(cr.blocks()) {
            let (x, y) = (cb.mean - at_cb, cr.mean - at_cr);
            if x * x + y * y <= reach {
                sums.add(x, y);
            }
        }
        if f64::from(sums.count) < LEAST_SHARE * cb.blocks().len() as f64 || sums.count < 2 {
            return None;
        }
        let (x, y) = sums.means();
        centre = (centre.0 + x, centre.1 + y);
    }
    Some(Found {
        cb: centre.0,
        cr: centre.1,
        sigma: sums.errors(),
        blocks: sums.count,
    })
}

#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    count: u32,
    x: f32,
    y: f32,
    xx: f32,
    yy: f32,
}

impl Sums {
    fn add(&mut self, x: f32, y: f32) {
        self.count += 1;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.yy += y * y;
    }

    fn means(&self) -> (f64, f64) {
        let count = f64::from(self.count);
        (f64::from(self.x) / count, f64::from(self.y) / count)
    }

    fn errors(&self) -> (f64, f64) {
        let count = f64::from(self.count);
        let (x, y) = self.means();
        let evidence = (count / TOGETHER).max(1.0);
        let error = |squares: f32, mean: f64| {
            // rounding of a block's 32 samples, at least
            let variance = (f64::from(squares) / count - mean * mean).max(1.0 / 384.0);
            (variance / evidence).sqrt()
        };
        (error(self.xx, x), error(self.yy, y))
    }
}
