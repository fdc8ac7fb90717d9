//! Up-and-down bounce over the last second, and jumps.
//!
//! In: the vertical shift of one field after another. Out: the rms bounce without what a camera does, and whether the
//! picture has just jumped. A camera tilts smoothly: its shift changes little from field to field and stays. A jump of
//! the signal is one field long: the shift before it and the shift after it are alike.
//!
//! Does not know: pictures.

use crate::units::{Estimate, Lines};

/// Shifts kept: about a second.
const KEPT: usize = 50;

/// Fields of the running mean whose difference is bounce: slower motion (under about 5 Hz) is the camera's.
const SMOOTH: usize = 9;

/// Shifts in a row without which nothing is said.
const ENOUGH: usize = 25;

/// A move of at least this, in lines, against the shifts before and after is a jump: a bounce of a worn transport is under
/// a line, a lost vertical sync is many.
const JUMP_LINES: f64 = 2.5;

/// How alike the shifts before and after a jump are, in lines.
const SETTLED_LINES: f64 = 1.5;

/// A jump counts only if known at least this well, in lines.
const CERTAIN_LINES: f64 = 0.3;

/// Follows vertical shifts.
#[derive(Clone, Debug)]
pub(super) struct Bounce {
    /// Newest last.
    shifts: [f64; KEPT],
    count: usize,
    sigma: f64,
    /// The last three, newest last, with `None` where unknown.
    recent: [Option<Estimate<Lines>>; 3],
}

impl Default for Bounce {
    fn default() -> Self {
        Self {
            shifts: [0.0; KEPT],
            count: 0,
            sigma: 0.0,
            recent: [None; 3],
        }
    }
}

impl Bounce {
    /// Takes in the next shift.
    pub(super) fn follow(&mut self, shift: Option<Estimate<Lines>>) {
        self.recent = [self.recent[1], self.recent[2], shift];
        let Some(shift) = shift else {
            self.count = 0;
            return;
        };
        self.shifts.rotate_left(1);
        self.shifts[KEPT - 1] = shift.value.0;
        self.count = (self.count + 1).min(KEPT);
        self.sigma = shift.sigma.0;
    }

    /// Whether the shift before the newest was a jump of the signal.
    pub(super) fn jumped(&self) -> bool {
        let [Some(before), Some(jump), Some(after)] = self.recent else {
            return false;
        };
        let between = (before.value + after.value) * 0.5;
        (jump.value - between).abs().0 > JUMP_LINES
            && (after.value - before.value).abs().0 < SETTLED_LINES
            && jump.sigma.0 < CERTAIN_LINES
    }

    /// Rms bounce; `None` while there are too few shifts in a row.
    pub(super) fn jitter(&self) -> Option<Estimate<Lines>> {
        if self.count < ENOUGH {
            return None;
        }
        let mut place = [0.0; KEPT];
        let shifts = self.without_alternation();
        for (at, shift) in shifts[..self.count].iter().enumerate().skip(1) {
            place[at] = place[at - 1] + shift;
        }
        let (mut power, mut fields) = (0.0, 0u32);
        for around in place[..self.count].windows(SMOOTH) {
            let smooth = around.iter().sum::<f64>() / SMOOTH as f64;
            power += (around[SMOOTH / 2] - smooth).powi(2);
            fields += 1;
        }
        // A running mean takes 1/SMOOTH of white bounce with it.
        let power = power / f64::from(fields) * SMOOTH as f64 / (SMOOTH - 1) as f64;
        let noise = self.sigma * self.sigma / 2.0;
        Some(Estimate::new(
            Lines((power - noise).max(0.0).sqrt()),
            Lines(
                (noise / f64::from(fields))
                    .sqrt()
                    .hypot(power.sqrt() / f64::from(2 * fields).sqrt()),
            ),
            fields,
        ))
    }

    /// The shifts, oldest first, without the part that changes sign every field: fields that stand a little apart from where
    /// their parity belongs are a matter of geometry and no bounce.
    fn without_alternation(&self) -> [f64; KEPT] {
        let mut shifts = self.shifts;
        shifts.rotate_left(KEPT - self.count);
        let kept = &mut shifts[..self.count];
        let sign = |at: usize| if at.is_multiple_of(2) { 1.0 } else { -1.0 };
        let alternation = kept
            .iter()
            .enumerate()
            .map(|(at, shift)| shift * sign(at))
            .sum::<f64>()
            / self.count as f64;
        for (at, shift) in kept.iter_mut().enumerate() {
            *shift -= alternation * sign(at);
        }
        shifts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn followed(shifts: impl IntoIterator<Item = f64>) -> Bounce {
        let mut bounce = Bounce::default();
        for shift in shifts {
            bounce.follow(Some(Estimate::new(Lines(shift), Lines(0.05), 5)));
        }
        bounce
    }

    fn jitter(shifts: impl IntoIterator<Item = f64>) -> f64 {
        followed(shifts).jitter().expect("enough shifts").value.0
    }

    #[test]
    fn a_steady_tilt_is_no_bounce() {
        assert!(jitter([3.0; 50]) < 0.01);
    }

    #[test]
    fn an_accelerating_tilt_is_no_bounce() {
        assert!(jitter((0..50).map(|field| f64::from(field) * 0.02)) < 0.1);
    }

    #[test]
    fn a_bounce_every_third_field_is_measured() {
        // Places 1 0 0 1 0 0 …: rms √(2/9) = 0.47 lines.
        let found = jitter((0..50).map(|field| [1.0, -1.0, 0.0][field % 3]));
        assert!((found - 0.471).abs() < 0.06, "{found}");
    }

    #[test]
    fn a_jump_of_one_field_is_one_and_a_tilt_that_starts_is_none() {
        assert!(followed([0.1, 0.0, 6.0, 0.2]).jumped());
        assert!(!followed([0.1, 0.0, 6.0, 6.1]).jumped());
        assert!(!followed([0.1, 0.0, 1.0, 0.1]).jumped());
    }

    #[test]
    fn an_unknown_shift_starts_anew() {
        let mut bounce = followed([0.0; 40]);
        bounce.follow(None);
        assert_eq!(bounce.jitter(), None);
    }
}
