//! The line-locked loop of a decoder: second order, type 2, one step a line.
//!
//! In: the time error of each line's sync, and what noise the sync separator adds to it. Out: by how much the line is
//! displaced in the captured picture: what the loop has not followed. So the picture shows the tape's error through
//! the high-pass s²/(s² + 2ζωn·s + ωn²): what is slower than the loop disappears, and the recovery from the head-switch
//! step is what bends the top of the picture.
//!
//! Does not know: where the time error comes from.

use std::f64::consts::TAU;

use crate::standard::Standard;
use crate::units::{Hertz, Nanos};

/// How a decoder follows the line syncs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineLock {
    /// Natural frequency fn.
    pub natural: Hertz,
    /// Damping ζ.
    pub damping: f64,
    /// Correction rests for nine lines from the vertical sync, where half-line pulses confuse the detector.
    pub coasts: bool,
    /// The phase jump of the head switch is measured and passed around the loop filter.
    pub feeds_forward: bool,
}

/// Lines without correction while coasting: the equalising and sync pulses of the vertical interval.
pub(super) const COAST_LINES: f64 = 9.0;

/// The loop as it runs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Loop {
    proportional: f64,
    integral: f64,
    phase: f64,
    frequency: f64,
}

impl Loop {
    pub(super) fn new(spec: LineLock, standard: Standard) -> Self {
        let line_rate = 1e9 / standard.line_period().0;
        let step = TAU * spec.natural.0 / line_rate;
        Self {
            proportional: 2.0 * spec.damping * step,
            integral: step * step,
            phase: 0.0,
            frequency: 0.0,
        }
    }

    /// One line: its error `theta`, and the separator's noise, or `None` while the loop coasts. Returns the displacement.
    pub(super) fn step(&mut self, theta: Nanos, noise: Option<Nanos>) -> Nanos {
        let left = theta.0 - self.phase;
        let seen = noise.map_or(0.0, |noise| left + noise.0);
        self.frequency += self.integral * seen;
        self.phase += self.proportional * seen + self.frequency;
        Nanos(left)
    }

    /// Moves the phase at once, past the filter.
    pub(super) fn jump(&mut self, by: Nanos) {
        self.phase += by.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STANDARD: Standard = Standard::Lines525;

    fn spec(natural: f64, damping: f64) -> LineLock {
        LineLock {
            natural: Hertz(natural),
            damping,
            coasts: false,
            feeds_forward: false,
        }
    }

    #[test]
    fn what_is_left_of_a_step_is_what_theory_says() {
        // Left of a unit step after 7, 27, 47 and 87 lines at 15 734 Hz, by an independent simulation in double
        // precision, rounded to 0.01.
        let cases = [
            (30.0, 0.7, [0.88, 0.59, 0.36, 0.03]),
            (30.0, 1.0, [0.84, 0.48, 0.24, -0.02]),
            (60.0, 1.0, [0.70, 0.17, -0.05, -0.13]),
            (100.0, 0.7, [0.63, 0.00, -0.20, -0.12]),
            (100.0, 1.0, [0.53, -0.04, -0.14, -0.07]),
            (100.0, 2.0, [0.27, -0.04, -0.05, -0.03]),
            (200.0, 1.0, [0.21, -0.13, -0.06, -0.01]),
            (300.0, 0.7, [0.09, -0.13, 0.00, 0.00]),
            (600.0, 1.0, [-0.15, -0.01, 0.00, 0.00]),
        ];
        for (natural, damping, expected) in cases {
            let mut tracking = Loop::new(spec(natural, damping), STANDARD);
            let left: Vec<f64> = (0..=87)
                .map(|_| tracking.step(Nanos(1.0), Some(Nanos(0.0))).0)
                .collect();
            for (lines, want) in [7, 27, 47, 87].into_iter().zip(expected) {
                let got = left[lines];
                assert!(
                    (got - want).abs() < 0.0151,
                    "fn {natural}, ζ {damping}: {got} left after {lines} lines, not {want}"
                );
            }
        }
    }

    #[test]
    fn sync_noise_passes_as_theory_says() {
        use crate::sources::tape::random::{Dice, Stream};
        for (natural, damping, expected) in
            [(30.0, 1.0, 0.12), (100.0, 1.0, 0.23), (300.0, 0.7, 0.38)]
        {
            let mut tracking = Loop::new(spec(natural, damping), STANDARD);
            let mut dice = Dice::new(5, Stream::Sync);
            let lines = 60_000;
            let square: f64 = (0..lines)
                .map(|_| tracking.step(Nanos(0.0), Some(Nanos(dice.normal()))).0)
                .map(|left| left * left)
                .sum();
            let rms = (square / f64::from(lines)).sqrt();
            assert!((rms - expected).abs() < 0.02, "fn {natural}: {rms}");
        }
    }

    #[test]
    fn a_coasting_loop_keeps_its_frequency() {
        let mut tracking = Loop::new(spec(100.0, 1.0), STANDARD);
        for line in 0..5000 {
            tracking.step(Nanos(f64::from(line) * 2.0), Some(Nanos(0.0)));
        }
        let settled = tracking.step(Nanos(10_000.0), Some(Nanos(0.0))).0;
        for line in 1..10 {
            tracking.step(Nanos(10_000.0 + f64::from(line) * 2.0), None);
        }
        let after = tracking.step(Nanos(10_020.0), Some(Nanos(0.0))).0;
        assert!(
            settled.abs() < 1e-6 && after.abs() < 1e-6,
            "{settled} {after}"
        );
    }
}
