//! How far what moves in the picture moved between two fields of one parity.
//!
//! In: luma of both. Out: the median length of the moves of blocks that changed and are found again elsewhere, in samples
//! (a field line counts as two). Cameras and objects count alike: it is for comparing one frame's motion with another's.
//!
//! Costs about a millisecond, so it is asked only where a picture seems lost. Does not know: directions, or why.

use crate::fields::Plane;
use crate::measures::dsp::codes::absolute_difference;

/// Samples and rows of a block.
const BLOCK: (usize, usize) = (48, 4);

/// How far blocks are looked for, in samples and in rows.
const REACH: (usize, usize) = (30, 3);

/// Blocks down the field.
const BLOCK_ROWS: usize = 20;

/// Most blocks that are looked at: plenty for a median, and room without allocating.
const MOST_BLOCKS: usize = 320;

/// Mean change in codes that makes a block a moving one.
const LEAST_CHANGE: f64 = 4.0;

/// Best match over no move at all, at most.
const CLEAR_MATCH: f64 = 0.6;

/// Moving blocks without which nothing is said.
const ENOUGH_BLOCKS: usize = 8;

/// Samples that a field line is high, roughly.
const LINE_SAMPLES: f64 = 2.0;

/// The median move; `None` where too little moves, or too far.
pub(super) fn movement(now: &Plane, before: &Plane) -> Option<f64> {
    let mut lengths = [0.0; MOST_BLOCKS];
    let (mut count, mut lost) = (0, 0);
    for (column, row) in blocks(now).take(MOST_BLOCKS) {
        match block_move(now, before, column, row) {
            Move::Found(length) => {
                lengths[count] = length;
                count += 1;
            }
            Move::Lost => lost += 1,
            Move::None => {}
        }
    }
    let found = &mut lengths[..count];
    found.sort_unstable_by(f64::total_cmp);
    (count >= ENOUGH_BLOCKS && count > lost).then(|| found[count / 2])
}

/// Left upper corners of the blocks, all of them far enough from the borders.
fn blocks(plane: &Plane) -> impl Iterator<Item = (usize, usize)> {
    let columns = REACH.0..plane.width.saturating_sub(BLOCK.0 + REACH.0);
    let rows = REACH.1..plane.rows.saturating_sub(BLOCK.1 + REACH.1);
    let step = (rows.len() / BLOCK_ROWS).max(BLOCK.1);
    rows.step_by(step).flat_map(move |row| {
        columns
            .clone()
            .step_by(BLOCK.0)
            .map(move |column| (column, row))
    })
}

/// What became of a block.
enum Move {
    /// It is where it was.
    None,
    /// It came from so far.
    Found(f64),
    /// It changed, and is not to be found nearby.
    Lost,
}

fn block_move(now: &Plane, before: &Plane, column: usize, row: usize) -> Move {
    let change = |x: usize, y: usize| -> u32 {
        (0..BLOCK.1)
            .map(|line| {
                absolute_difference(
                    &now.row(row + line)[column..column + BLOCK.0],
                    &before.row(y + line)[x..x + BLOCK.0],
                )
            })
            .sum()
    };
    let unmoved = change(column, row);
    if f64::from(unmoved) < LEAST_CHANGE * (BLOCK.0 * BLOCK.1) as f64 {
        return Move::None;
    }
    let best = (row - REACH.1..=row + REACH.1)
        .flat_map(|y| (column - REACH.0..=column + REACH.0).map(move |x| (x, y)))
        .map(|(x, y)| (change(x, y), x, y))
        .min();
    let Some((best, x, y)) = best else {
        return Move::Lost;
    };
    let across = x.abs_diff(column);
    let down = y.abs_diff(row);
    let inside = across < REACH.0 && down < REACH.1;
    if inside && f64::from(best) < CLEAR_MATCH * f64::from(unmoved) {
        Move::Found((across as f64).hypot(down as f64 * LINE_SAMPLES))
    } else {
        Move::Lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::sketch::{Camera, Sketcher, World};

    /// Movement of a pan by `samples` a frame.
    fn panned(world: &World, samples: f64) -> Option<f64> {
        let mut sketcher = Sketcher::new(1);
        let mut at = |index, x| {
            sketcher.shot(
                index,
                world,
                Camera {
                    x,
                    ..Camera::default()
                },
            )
        };
        movement(&at(2, 100.0 + samples).luma, &at(0, 100.0).luma)
    }

    #[test]
    fn a_pan_moves_by_its_samples() {
        for samples in [4.0, 9.0, 20.0] {
            let found = panned(&World::street(1), samples).expect("houses move");
            assert!((found - samples).abs() <= 1.0, "{samples}: {found}");
        }
    }

    #[test]
    fn a_still_picture_and_one_too_fast_say_nothing() {
        assert_eq!(panned(&World::leaves(1), 0.0), None);
        assert_eq!(panned(&World::leaves(1), 170.0), None);
    }
}
