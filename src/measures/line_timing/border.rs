//! Whether the border moves with the tape or was put there by the chain.
//!
//! In: what the sides saw of one field. Out: a slow, two-threshold decision. A regenerated border shows itself by any two
//! of: samples with far less noise than the picture; edges steadier than the picture's noise allows; the same sample
//! phase always. Each alone occurs on tapes: re-blanking in the player, a time-base corrector, a very clean picture.
//! Detail that fills the picture passes for noise, so a border that is noisy in itself is the tape's, and
//! sides that move together settle it: only a tape does that.
//!
//! Does not know: lines, and what is made of the decision.

use crate::fields::Plane;
use crate::measures::dsp::robust;

/// Share of the picture's noise power that a border from the tape keeps at the least.
const QUIET_SHARE: f32 = 0.15;

/// Noise power, in codes², that a border put in by the chain can have: the converter's own, and rounding.
const MOST_BORDER_NOISE: f32 = 0.6;

/// Share of the variance foretold from the picture's noise below which an edge is too steady to have come with it.
const STEADY_SHARE: f32 = 0.7;

/// Spread and drift of the edge, in samples, that pass for one sample phase: below what a time-base corrector leaves.
const SAME_PHASE: f32 = 0.03;

/// Picture noise power, in codes², below which it cannot be told from rounding.
const LEAST_PICTURE_NOISE: f32 = 0.4;

/// Fields over which the evidence is averaged: half a second to decide, against single quiet fields.
const MEMORY_FIELDS: f32 = 20.0;

/// Share of fields with two signs above which the border is regenerated, and below which it is the tape's again.
const ENTER: f32 = 0.6;
const LEAVE: f32 = 0.3;

/// What one field shows of its border.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Evidence {
    /// Power of the noise in the blanking, in codes².
    pub border_noise: Option<f32>,
    /// Power of the noise in the picture, in codes².
    pub picture_noise: Option<f32>,
    /// Both sides move alike by more than chance.
    pub moves_together: bool,
    /// Variance of the place of one line, from line to line, in samples².
    pub place_variance: f32,
    /// The field's median place against the reference, in samples.
    pub place: f32,
    /// The variance that white noise of power 1 gives a place.
    pub variance_by_white_noise: f32,
}

/// The decision over the fields.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BorderJudge {
    score: f32,
    regenerated: bool,
}

impl BorderJudge {
    /// Takes one field's evidence.
    pub(super) fn see(&mut self, evidence: &Evidence) {
        let noisy = evidence
            .border_noise
            .is_some_and(|noise| noise > MOST_BORDER_NOISE);
        let suspect = signs(evidence) >= 2 && !evidence.moves_together && !noisy;
        let suspect = f32::from(u8::from(suspect));
        self.score += (suspect - self.score) / MEMORY_FIELDS;
        self.regenerated = self.score > if self.regenerated { LEAVE } else { ENTER };
    }

    /// Whether the border is no evidence, or may turn out to be none.
    pub(super) fn doubtful(self) -> bool {
        self.regenerated || self.score > LEAVE
    }

    /// Whether the border is no evidence.
    pub(super) fn regenerated(self) -> bool {
        self.regenerated
    }
}

fn signs(evidence: &Evidence) -> usize {
    let noise = evidence
        .picture_noise
        .filter(|&noise| noise > LEAST_PICTURE_NOISE);
    let quiet = noise
        .zip(evidence.border_noise)
        .is_some_and(|(picture, border)| border < QUIET_SHARE * picture);
    let foretold = noise.map(|noise| noise * evidence.variance_by_white_noise);
    let steady = foretold.is_some_and(|foretold| evidence.place_variance < STEADY_SHARE * foretold);
    let allowed = SAME_PHASE * SAME_PHASE;
    let same_phase = evidence.place_variance < allowed && evidence.place.abs() < SAME_PHASE;
    [quiet, steady, same_phase]
        .into_iter()
        .filter(|&sign| sign)
        .count()
}

/// Samples of a block that noise is read from.
const BLOCK: usize = 16;

/// Rows between those that are looked at.
const ROW_STRIDE: usize = 12;

/// The blocks with the least difference hold the least picture.
const QUIETEST: f64 = 0.2;

/// Mean power of a block over that of the quietest fifth's edge, for white noise: the 20 % point of χ² with 15 degrees of
/// freedom is 10.31.
const MEAN_OVER_QUIETEST: f32 = 15.0 / 10.31;

/// Power of the picture's noise in codes², from differences of neighbouring lines where they are least.
///
/// Blocks as dark as blanking or beyond peak are left out: they may be clipped. `None` where too few remain.
pub(super) fn picture_noise(luma: &Plane, blanking: f32, powers: &mut Vec<f32>) -> Option<f32> {
    const LEAST_BLOCKS: usize = 40;
    let margin = super::side::REACH;
    powers.clear();
    let inside = margin..luma.width.checked_sub(margin)?;
    for row in (0..luma.rows.saturating_sub(1)).step_by(ROW_STRIDE) {
        let upper = luma.row(row).get(inside.clone())?;
        let lower = luma.row(row + 1).get(inside.clone())?;
        let blocks = upper
            .as_chunks::<BLOCK>()
            .0
            .iter()
            .zip(lower.as_chunks::<BLOCK>().0);
        powers.extend(blocks.filter_map(|(upper, lower)| block_power(upper, lower, blanking)));
    }
    if powers.len() < LEAST_BLOCKS {
        return None;
    }
    robust::quantile(powers, QUIETEST).map(|power| power * MEAN_OVER_QUIETEST)
}

/// Variance of one line's noise from the difference of two; `None` where the block may be clipped.
fn block_power(upper: &[u8; BLOCK], lower: &[u8; BLOCK], blanking: f32) -> Option<f32> {
    let (mut level, mut sum, mut squares) = (0_i32, 0_i32, 0_i32);
    for (&a, &b) in upper.iter().zip(lower) {
        // Sixteen bits: there is an instruction that multiplies and adds those.
        let difference = i16::from(a) - i16::from(b);
        level += i32::from(a);
        sum += i32::from(difference);
        squares += i32::from(difference) * i32::from(difference);
    }
    let n = BLOCK as f32;
    let level = level as f32 / n;
    let sum = sum as f32;
    let power = (squares as f32 - sum * sum / n) / (n - 1.0) / 2.0;
    (level > blanking + 12.0 && level < 230.0).then_some(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tape() -> Evidence {
        Evidence {
            border_noise: Some(4.0),
            picture_noise: Some(4.0),
            moves_together: false,
            place_variance: 0.01,
            place: 0.02,
            variance_by_white_noise: 0.001,
        }
    }

    fn decided(evidence: &Evidence, fields: usize, judge: &mut BorderJudge) -> bool {
        for _ in 0..fields {
            judge.see(evidence);
        }
        judge.regenerated()
    }

    #[test]
    fn a_quiet_straight_border_is_regenerated_within_two_seconds() {
        let straight = Evidence {
            border_noise: Some(0.0),
            place_variance: 1e-5,
            place: 0.0,
            ..tape()
        };
        let mut judge = BorderJudge::default();
        assert!(!decided(&straight, 5, &mut judge), "not from a few fields");
        assert!(decided(&straight, 95, &mut judge));
    }

    #[test]
    fn one_sign_alone_is_a_tape() {
        for alone in [
            Evidence {
                border_noise: Some(0.0),
                ..tape()
            },
            Evidence {
                place_variance: 1e-3,
                ..tape()
            },
            Evidence {
                place_variance: 5e-4,
                variance_by_white_noise: 1e-4,
                place: 0.0,
                ..tape()
            },
        ] {
            assert!(
                !decided(&alone, 500, &mut BorderJudge::default()),
                "{alone:?}"
            );
        }
    }

    #[test]
    fn sides_that_move_together_are_a_tape_whatever_else() {
        let straight = Evidence {
            border_noise: Some(0.0),
            place_variance: 1e-5,
            place: 0.0,
            moves_together: true,
            ..tape()
        };
        assert!(!decided(&straight, 500, &mut BorderJudge::default()));
    }

    #[test]
    fn a_clean_picture_says_nothing_against_its_border() {
        let clean = Evidence {
            border_noise: Some(0.0),
            picture_noise: Some(0.0),
            place_variance: 0.0,
            place: 0.0,
            ..tape()
        };
        assert!(!decided(&clean, 500, &mut BorderJudge::default()));
    }

    #[test]
    fn the_decision_has_hysteresis() {
        let straight = Evidence {
            border_noise: Some(0.0),
            place_variance: 1e-5,
            place: 0.0,
            ..tape()
        };
        let mut judge = BorderJudge::default();
        assert!(decided(&straight, 100, &mut judge));
        assert!(decided(&tape(), 10, &mut judge));
        assert!(!decided(&tape(), 60, &mut judge));
    }
}
