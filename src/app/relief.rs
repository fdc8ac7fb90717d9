//! When to leave measures out because this computer is too slow, and when to take them up again.
//!
//! In: after each frame, how many wait. Out: the [`Effort`] to go on with, where it changes. Counted in frames that the source
//! delivers, not in time: a source at rest says nothing of how busy the computer is.
//!
//! Does not know: what the efforts leave out, or who says so.

use crate::measures::Effort;

/// Frames between two steps down: what a step saves must show in the queue first.
const SETTLE: u32 = 6;

/// Frames in a row that found the queue empty before a step up is tried: ten seconds.
const CALM: u32 = 300;

/// Frames at the start of a pass that may pile up while the program gets going: a second.
const START: u32 = 30;

/// Longest such wait: after each step up that did not hold, it doubles up to this (five minutes).
const LONGEST_CALM: u32 = 9_000;

/// Share of the queue from which on it is too full: a half leaves a quarter of a second to work it off before a frame is lost.
const TOO_FULL: f64 = 0.5;

/// Frames waiting behind the one that was taken while all is well.
const IDLE: usize = 2;

/// Keeps a live source's queue short.
#[derive(Debug)]
pub(super) struct Relief {
    effort: Effort,
    /// Frames since the last step.
    since: u32,
    /// The last step was up.
    stepped_up: bool,
    /// Frames in a row that found the queue empty.
    calm: u32,
    /// So many are wanted.
    wanted: u32,
    /// Frames for which a full queue is only the start's.
    grace: u32,
}

impl Default for Relief {
    fn default() -> Self {
        Self {
            effort: Effort::Full,
            since: SETTLE,
            stepped_up: false,
            calm: 0,
            wanted: CALM,
            grace: START,
        }
    }
}

impl Relief {
    /// Takes how many frames wait of so many that may; the effort from now on, where it is another.
    pub(super) fn observe(&mut self, waiting: usize, capacity: usize) -> Option<Effort> {
        self.since = self.since.saturating_add(1);
        self.grace = self.grace.saturating_sub(1);
        self.calm = if waiting <= IDLE {
            self.calm.saturating_add(1)
        } else {
            0
        };
        let too_full = waiting as f64 >= TOO_FULL * capacity as f64;
        if too_full && self.since > SETTLE && self.grace == 0 {
            let less = self.effort.less()?;
            if self.stepped_up && self.since < self.wanted {
                self.wanted = (2 * self.wanted).min(LONGEST_CALM);
            }
            return Some(self.step(less, false));
        }
        if self.calm >= self.wanted {
            self.calm = 0;
            let Some(more) = self.effort.more() else {
                self.wanted = CALM; // everything has been measured for long: what was too much is over
                return None;
            };
            return Some(self.step(more, true));
        }
        None
    }

    fn step(&mut self, effort: Effort, up: bool) -> Effort {
        self.effort = effort;
        self.since = 0;
        self.calm = 0;
        self.stepped_up = up;
        effort
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const QUEUE: usize = 12;

    /// The frames, from one, at which the effort changed, and to what, with so many waiting at each.
    fn course(
        relief: &mut Relief,
        frames: u32,
        waiting: impl Fn(u32, Effort) -> usize,
    ) -> Vec<(u32, Effort)> {
        let mut changes = Vec::new();
        for frame in 1..=frames {
            let now = waiting(frame, relief.effort);
            changes.extend(relief.observe(now, QUEUE).map(|effort| (frame, effort)));
        }
        changes
    }

    #[test]
    fn a_queue_that_stays_full_steps_down_to_the_least_and_no_further() {
        let changes = course(&mut Relief::default(), 1000, |_, _| QUEUE - 1);
        let efforts: Vec<Effort> = changes.iter().map(|(_, effort)| *effort).collect();
        assert_eq!(efforts, Effort::ALL[1..]);
        assert!(changes[0].0 >= START, "{changes:?}");
        assert!(changes[2].0 <= START + 3 * (SETTLE + 1), "{changes:?}");
    }

    #[test]
    fn a_queue_that_is_nearly_empty_changes_nothing() {
        assert_eq!(course(&mut Relief::default(), 2000, |_, _| 2), []);
    }

    #[test]
    fn what_was_left_out_comes_back_step_by_step_once_all_is_calm() {
        let mut relief = Relief::default();
        course(&mut relief, 100, |_, _| QUEUE);
        let back = course(&mut relief, 4 * CALM, |_, _| 0);
        let expected = [
            (CALM, Effort::QuarterLines),
            (2 * CALM, Effort::HalfLines),
            (3 * CALM, Effort::Full),
        ];
        assert_eq!(back, expected);
    }

    #[test]
    fn a_step_up_that_does_not_hold_is_tried_ever_more_seldom() {
        let mut relief = Relief::default();
        // Full effort is too much all the time, half of the lines is not.
        let full_is_too_much = |_, effort| if effort == Effort::Full { QUEUE } else { 0 };
        let changes = course(&mut relief, 100_000, full_is_too_much);
        let ups: Vec<u32> = changes
            .iter()
            .filter(|(_, effort)| *effort == Effort::Full)
            .map(|(frame, _)| *frame)
            .collect();
        let waits: Vec<u32> = ups.windows(2).map(|pair| pair[1] - pair[0]).collect();
        assert!(waits[0] >= 2 * CALM && waits.is_sorted(), "{waits:?}");
        assert!(waits.last() >= Some(&LONGEST_CALM), "{waits:?}");
        // The strain is over: after a long calm it is as it was at first.
        course(&mut relief, 3 * LONGEST_CALM, |_, _| 0);
        assert_eq!((relief.effort, relief.wanted), (Effort::Full, CALM));
    }
}
