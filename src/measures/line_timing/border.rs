//! Whether a side's border moves with the tape or was put there by the chain.
//!
//! In: what each side saw of one field. Out: a slow, two-threshold decision for each side. A regenerated border shows
//! itself by any two of: samples with far less noise than the picture; edges steadier than the picture's noise allows; all
//! lines on the same sample phase; lines that move far less than at the other side; an edge that stands still while the picture's
//! lines move. Each alone occurs on tapes: a camera noisier than its tape, a time-base corrector, a very
//! clean picture. Detail that fills the picture passes for noise, so a border that is noisy in itself is the tape's.
//!
//! What draws a border draws it at both sides: a side that is quiet beside one that is regenerated is regenerated too, even
//! where the tape's own blanking, a little inside, makes its edge move. And nothing changes the border while a tape plays:
//! a decision stands until the border is noisy, or moves.
//!
//! Does not know: lines, and what is made of the decision.

use crate::fields::Plane;
use crate::measures::dsp::robust;

use super::side::ROUNDING;

/// Share of the picture's noise power that a border from the tape keeps at the least, rounding apart: of a border between two
/// codes it is nearly all.
const QUIET_SHARE: f32 = 0.15;

/// Noise power, in codes², that a border put in by the chain can have: the converter's own, and rounding.
const MOST_BORDER_NOISE: f32 = 0.6;

/// Share of the variance foretold from the picture's noise below which an edge is too steady to have come with it.
const STEADY_SHARE: f32 = 0.7;

/// Spread of the edge beyond its noise, in samples, that passes for one sample phase: below what a time-base corrector leaves.
const SAME_PHASE: f32 = 0.03;

/// Drift of the edge, in samples, that passes for none: the picture beside it pulls a little.
const NO_DRIFT: f32 = 0.06;

/// Motion of one side over that of the other below which its border holds it back: lines do not change their length by
/// half of what they move.
const HELD_BACK: f32 = 0.5;

/// Least motion of the other side, in samples, rms, for that.
const LEAST_MOTION: f32 = 0.06;

/// Spread of the edge, as a multiple of what passes for one sample phase, that is a border in motion.
const MOVING: f32 = 4.0;

/// Picture noise power, in codes², below which it cannot be told from rounding.
const LEAST_PICTURE_NOISE: f32 = 0.4;

/// Share of the picture's motion below which an edge is left behind by it, and above which it follows it.
const LEFT_BEHIND: f32 = 0.3;
const FOLLOWS: f32 = 0.85;

/// Fields over which the evidence is averaged: half a second to decide, against single quiet fields.
const MEMORY_FIELDS: f32 = 20.0;

/// Share of fields with two signs above which the border is regenerated, and below which it is the tape's again.
const ENTER: f32 = 0.6;
const LEAVE: f32 = 0.3;

/// Score above which a side is looked at more closely: half of where it is in doubt.
const LEAST_SUSPICION: f32 = 0.15;

/// What one field shows of the border at one side.
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
    /// Spread of the places of all lines, in samples.
    pub spread: f32,
    /// The same of the lines that the picture beside them disturbs least, where these may be asked; no more than that of all.
    pub calm_spread: f32,
    /// The field's median place against the reference, in samples.
    pub place: f32,
    /// The variance that white noise of power 1 gives a place.
    pub variance_by_white_noise: f32,
    /// How much of the picture's own motion, line by line, the edge shares: 1 on a tape, 0 where it was put in.
    pub shared_motion: Option<f32>,
}

/// The decision over the fields, for the left and the right side.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BorderJudge {
    sides: [Decision; 2],
}

#[derive(Clone, Copy, Debug, Default)]
struct Decision {
    /// Whether the side has shown anything yet.
    seen: bool,
    score: f32,
    regenerated: bool,
    /// The last field's picture moved and the edge did not.
    left_behind: bool,
}

impl BorderJudge {
    /// Takes one field's evidence of the left and the right side.
    pub(super) fn see(&mut self, evidence: [Option<Evidence>; 2]) {
        let regenerated = self.sides.map(|side| side.regenerated);
        for (hand, own) in evidence.iter().enumerate() {
            if let Some(own) = own {
                let held = evidence[1 - hand].is_some_and(|other| own.held_back(&other));
                self.sides[hand].see(own, held, regenerated[1 - hand]);
            }
        }
    }

    /// Whether no side is evidence, or each may turn out to be none.
    pub(super) fn doubtful(self) -> bool {
        self.every(|side| side.regenerated || side.score > LEAVE)
    }

    /// Whether anything speaks against a side.
    pub(super) fn suspects(self) -> bool {
        self.sides
            .iter()
            .any(|side| side.regenerated || side.left_behind || side.score > LEAST_SUSPICION)
    }

    /// Whether no side is evidence.
    pub(super) fn regenerated(self) -> bool {
        self.every(|side| side.regenerated)
    }

    /// Which sides are no evidence.
    pub(super) fn regenerated_sides(self) -> [bool; 2] {
        self.sides.map(|side| side.regenerated)
    }

    fn every(self, is: fn(&Decision) -> bool) -> bool {
        let seen = || self.sides.iter().filter(|side| side.seen);
        seen().next().is_some() && seen().all(is)
    }
}

impl Decision {
    fn see(&mut self, evidence: &Evidence, held_back: bool, beside_regenerated: bool) {
        self.seen = true;
        self.left_behind = evidence.left_behind();
        let quiet = evidence.quiet();
        let stands = quiet != Some(false) && !evidence.noisy();
        if self.regenerated && stands && (beside_regenerated || !evidence.moving()) {
            return;
        }
        let alone = evidence.signs() >= 2 && (evidence.same_phase() || !evidence.moves_together);
        let beside = (beside_regenerated || held_back) && quiet == Some(true);
        let follows = evidence
            .shared_motion
            .is_some_and(|shared| shared > FOLLOWS);
        let suspect = !evidence.noisy() && !follows && (alone || beside);
        self.score += (f32::from(u8::from(suspect)) - self.score) / MEMORY_FIELDS;
        self.regenerated = self.score > if self.regenerated { LEAVE } else { ENTER };
    }
}

impl Evidence {
    fn signs(&self) -> usize {
        let foretold = self.told_noise().map(|_| self.foretold());
        let steady = foretold.is_some_and(|foretold| self.place_variance < STEADY_SHARE * foretold);
        [
            self.quiet() == Some(true),
            steady,
            self.same_phase(),
            self.left_behind(),
        ]
        .into_iter()
        .filter(|&sign| sign)
        .count()
    }

    fn left_behind(&self) -> bool {
        self.shared_motion
            .is_some_and(|shared| shared < LEFT_BEHIND)
    }

    /// The picture's noise, where it can be told from rounding.
    fn told_noise(&self) -> Option<f32> {
        self.picture_noise
            .filter(|&noise| noise > LEAST_PICTURE_NOISE)
    }

    fn quiet(&self) -> Option<bool> {
        let (picture, border) = self.told_noise().zip(self.border_noise)?;
        Some(border - ROUNDING < QUIET_SHARE * (picture - ROUNDING))
    }

    fn noisy(&self) -> bool {
        self.border_noise
            .is_some_and(|noise| noise > MOST_BORDER_NOISE)
    }

    /// Variance of a place by the picture's noise.
    fn foretold(&self) -> f32 {
        self.picture_noise.unwrap_or(0.0) * self.variance_by_white_noise
    }

    /// Spread that noise makes of lines on one sample phase.
    fn allowed(&self) -> f32 {
        (SAME_PHASE * SAME_PHASE + self.foretold()).sqrt()
    }

    fn same_phase(&self) -> bool {
        self.calm_spread < self.allowed() && self.place.abs() < NO_DRIFT
    }

    /// Variance of the places beyond what noise makes.
    fn motion(&self) -> f32 {
        (self.spread * self.spread - self.foretold()).max(0.0)
    }

    fn held_back(&self, other: &Self) -> bool {
        let most = HELD_BACK * HELD_BACK * other.motion();
        let moved = other.motion() > LEAST_MOTION * LEAST_MOTION;
        moved && self.motion() < most && !self.moving()
    }

    fn moving(&self) -> bool {
        self.spread > MOVING * self.allowed()
    }
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
            spread: 0.1,
            calm_spread: 0.1,
            place: 0.02,
            variance_by_white_noise: 0.001,
            shared_motion: None,
        }
    }

    fn decided(evidence: &Evidence, fields: usize, judge: &mut BorderJudge) -> bool {
        for _ in 0..fields {
            judge.see([Some(*evidence), None]);
        }
        judge.regenerated()
    }

    #[test]
    fn a_quiet_straight_border_is_regenerated_within_two_seconds() {
        let straight = Evidence {
            border_noise: Some(0.0),
            place_variance: 1e-5,
            spread: 3e-3,
            calm_spread: 3e-3,
            place: 0.0,
            ..tape()
        };
        let mut judge = BorderJudge::default();
        assert!(!decided(&straight, 5, &mut judge), "not from a few fields");
        assert!(decided(&straight, 95, &mut judge));
    }

    #[test]
    fn a_straight_border_that_flickers_between_two_codes_is_regenerated() {
        let flickering = Evidence {
            border_noise: Some(3.0 / 16.0), // one sample in four
            picture_noise: Some(1.0),
            place_variance: 8e-5,
            spread: 8e-3,
            calm_spread: 8e-3,
            place: 0.0,
            variance_by_white_noise: 1e-4,
            ..tape()
        };
        assert!(decided(&flickering, 100, &mut BorderJudge::default()));
    }

    #[test]
    fn detail_beside_some_lines_hides_no_straight_border() {
        let busy = Evidence {
            border_noise: Some(0.0),
            picture_noise: Some(1.1),
            place_variance: 4e-3,
            spread: 0.09,
            calm_spread: 0.03,
            place: -0.02,
            variance_by_white_noise: 2e-3,
            ..tape()
        };
        assert!(decided(&busy, 100, &mut BorderJudge::default()));
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
                spread: 0.02,
                calm_spread: 0.02,
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

    fn straight() -> Evidence {
        Evidence {
            border_noise: Some(0.0),
            place_variance: 1e-5,
            spread: 3e-3,
            calm_spread: 3e-3,
            place: 0.0,
            ..tape()
        }
    }

    #[test]
    fn sides_that_wave_together_are_a_tape_even_if_quiet_and_smooth() {
        let waving = Evidence {
            spread: 0.5,
            calm_spread: 0.5,
            moves_together: true,
            ..straight()
        };
        assert!(!decided(&waving, 500, &mut BorderJudge::default()));
    }

    #[test]
    fn a_quiet_side_that_moves_is_regenerated_beside_a_straight_one() {
        let moving = Evidence {
            border_noise: Some(0.0),
            moves_together: true,
            ..tape()
        };
        let mut judge = BorderJudge::default();
        for _ in 0..100 {
            judge.see([Some(moving), Some(straight())]);
        }
        assert!(judge.regenerated());
    }

    #[test]
    fn a_quiet_side_that_moves_far_less_than_the_other_is_regenerated() {
        let moving = Evidence {
            border_noise: Some(0.0),
            spread: 0.4,
            calm_spread: 0.4,
            moves_together: true,
            ..tape()
        };
        let held = Evidence {
            spread: 0.1,
            calm_spread: 0.1,
            ..moving
        };
        let mut judge = BorderJudge::default();
        for _ in 0..100 {
            judge.see([Some(moving), Some(held)]);
        }
        assert!(judge.regenerated());
    }

    #[test]
    fn a_side_that_moves_less_than_the_other_and_yet_moves_is_a_tape() {
        // Behind a box that reduces noise both sides are quiet, and detail beside the left edge moves it more.
        let left = Evidence {
            border_noise: Some(0.0),
            picture_noise: Some(1.0),
            spread: 0.38,
            calm_spread: 0.38,
            moves_together: true,
            variance_by_white_noise: 2e-4,
            ..tape()
        };
        let right = Evidence {
            spread: 0.17,
            calm_spread: 0.17,
            ..left
        };
        let mut judge = BorderJudge::default();
        for _ in 0..500 {
            judge.see([Some(left), Some(right)]);
        }
        assert_eq!(judge.regenerated_sides(), [false, false]);
    }

    #[test]
    fn a_noisy_side_beside_a_straight_one_stays_evidence() {
        let mut judge = BorderJudge::default();
        for _ in 0..100 {
            judge.see([Some(tape()), Some(straight())]);
        }
        assert_eq!(judge.regenerated_sides(), [false, true]);
        assert!(!judge.regenerated() && !judge.doubtful());
    }

    #[test]
    fn a_decision_stands_while_the_border_is_quiet_and_still() {
        let unclear = Evidence {
            spread: 0.12,
            calm_spread: 0.12,
            place: 0.1,
            ..straight()
        };
        let mut judge = BorderJudge::default();
        assert!(decided(&straight(), 100, &mut judge));
        assert!(decided(&unclear, 500, &mut judge));
    }

    #[test]
    fn a_clean_picture_says_nothing_against_its_border() {
        let clean = Evidence {
            border_noise: Some(0.0),
            picture_noise: Some(0.0),
            place_variance: 0.0,
            spread: 0.0,
            calm_spread: 0.0,
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
            spread: 3e-3,
            calm_spread: 3e-3,
            place: 0.0,
            ..tape()
        };
        let mut judge = BorderJudge::default();
        assert!(decided(&straight, 100, &mut judge));
        assert!(decided(&tape(), 10, &mut judge));
        assert!(!decided(&tape(), 60, &mut judge));
    }
}
