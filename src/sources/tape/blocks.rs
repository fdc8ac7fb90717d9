//! Blocks of an earlier picture in a new one: what a box shows that works on blocks and could not read some.
//!
//! In: two frames, planar 4:2:2. Out: the later one with some blocks of the earlier, converted once more.
//!
//! Does not know: when.

use super::layout::LUMA_WIDTH;
use super::random::Dice;
use super::reconvert;

/// Samples and lines of a block.
const BLOCK: usize = 16;

/// Strips of blocks as such boxes lose them: a row of blocks, the first block, the one after the last.
const STRIPS: [(usize, usize, usize); 3] = [(9, 10, 30), (10, 14, 36), (18, 24, 40)];

/// Leaves blocks of `from` standing in `to`.
pub(super) fn leave(from: &[u8], to: &mut [u8], rows: usize, dice: &mut Dice) {
    let luma = LUMA_WIDTH * rows;
    let chroma = luma / 2;
    // Colour has half the samples of luma and all of its lines.
    let planes = [
        (0..luma, LUMA_WIDTH, BLOCK),
        (luma..luma + chroma, LUMA_WIDTH / 2, BLOCK / 2),
        (luma + chroma..luma + 2 * chroma, LUMA_WIDTH / 2, BLOCK / 2),
    ];
    for (plane, width, across) in planes {
        let (from, to) = (&from[plane.clone()], &mut to[plane]);
        for (down, first, end) in STRIPS {
            for row in down * BLOCK..((down + 1) * BLOCK).min(rows) {
                let piece = row * width + first * across..row * width + end * across;
                reconvert(&from[piece.clone()], &mut to[piece], dice);
            }
        }
    }
}
