//! What is left in the picture while a line-locked loop settles: a bank of shapes, each of two amounts.
//!
//! A loop of second order that met a jump of phase or of frequency settles as one of three pairs: a damped oscillation, two
//! exponentials, or in between one exponential and the same times its line. Amounts of either sign make hooks, overshoots and
//! what starts in the middle of them; a loop of first order is any of them with one amount. Neighbours in the bank overlap:
//! what lies between two decays is fitted by either to better than a percent.
//!
//! Does not know: displacements.

use std::f64::consts::TAU;

use crate::units::Lines;

/// Two shapes over the lines from the top, each 1 or 0 at the first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// Damping below 1: e^(−i/decay) times cosine and sine.
    Turning {
        /// 1/e length of the envelope.
        decay: Lines,
        /// Lines a turn.
        period: Lines,
    },
    /// Damping 1: e^(−i/decay), and i/decay times that.
    Critical {
        /// 1/e length of the exponential.
        decay: Lines,
    },
    /// Damping above 1: two exponentials.
    Split {
        /// 1/e length of the slower one.
        slow: Lines,
        /// 1/e length of the faster one.
        fast: Lines,
    },
}

impl Shape {
    /// Both shapes, so many lines from the top.
    #[must_use]
    pub fn at(self, lines: f64) -> [f64; 2] {
        let fall = |decay: Lines| (-lines / decay.0).exp();
        match self {
            Self::Turning { decay, period } => {
                let (sine, cosine) = (TAU * lines / period.0).sin_cos();
                [fall(decay) * cosine, fall(decay) * sine]
            }
            Self::Critical { decay } => [fall(decay), lines / decay.0 * fall(decay)],
            Self::Split { slow, fast } => [fall(slow), fall(fast)],
        }
    }
}

/// What shapes of one kind have in common.
#[derive(Clone, Copy, Debug)]
enum Family {
    /// Lines a turn over the decay.
    Turning(f64),
    Critical,
    /// The slower decay over the faster one.
    Split(f64),
}

/// 2π (1/ζ² − 1)^(−1/2) at damping ζ of 0.5 and 0.7; 1; and the ratio of both decays at 1.15 and 1.6. In between, and
/// beyond, amounts and decay make up for it.
const FAMILIES: [Family; 5] = [
    Family::Turning(3.6),
    Family::Turning(6.2),
    Family::Critical,
    Family::Split(3.0),
    Family::Split(8.0),
];

/// Kinds of shapes in the bank.
pub(super) const KINDS: usize = FAMILIES.len();

/// Decays in the bank: from loops of 600 Hz to loops of 20 Hz.
pub(super) const DECAYS: usize = 16;

/// The shortest of them, and each over the one before.
const SHORTEST: Lines = Lines(3.0);
const RATIO: f64 = 1.28;

/// Exponentials are not faster than this: they would fit the first line alone.
const FASTEST: Lines = Lines(1.5);

/// A shape of the bank; places between two decays are allowed.
pub(super) fn shape(kind: usize, place: f64) -> Shape {
    let decay = SHORTEST * RATIO.powf(place);
    match FAMILIES[kind] {
        Family::Turning(turn) => Shape::Turning {
            decay,
            period: decay * turn,
        },
        Family::Critical => Shape::Critical { decay },
        Family::Split(ratio) => Shape::Split {
            slow: decay,
            fast: Lines((decay.0 / ratio).max(FASTEST.0)),
        },
    }
}

/// Every shape of the bank, kind by kind, each with its place among the decays.
pub(super) fn bank() -> impl Iterator<Item = Shape> {
    (0..KINDS).flat_map(|kind| (0..DECAYS).map(move |place| shape(kind, place as f64)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bank_is_as_large_as_it_says() {
        assert_eq!(bank().count(), KINDS * DECAYS);
    }

    #[test]
    fn the_first_shape_is_one_at_the_top_and_all_die_away() {
        for shape in bank() {
            assert!((shape.at(0.0)[0] - 1.0).abs() < 1e-12, "{shape:?}");
            let [a, b] = shape.at(2000.0);
            assert!(a.abs() < 1e-3 && b.abs() < 1e-3, "{shape:?}");
        }
    }
}
