//! How a quantity goes over minutes: the middle of the last two minutes, and the best two minutes of the recording so far.
//!
//! In: a value a field, with its time. Out: a [`Course`]. Values are kept as means over ten seconds, of which the median is taken:
//! a burst of some seconds is no trend. Any quantity may be watched, whichever way is better.
//!
//! Does not know: what the values mean, or what is too much.

/// Seconds over which values are averaged.
const SLOT_S: f64 = 10.0;

/// Slots that the median is taken over: two minutes.
const SLOTS: usize = 12;

/// Fields without which a slot says nothing: two of its ten seconds.
const LEAST_FIELDS: u32 = 100;

/// Which way a quantity is better.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Better {
    Lower,
    Higher,
}

/// How it goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Course {
    /// Median of the last two minutes.
    pub(super) lately: f64,
    /// The best that this has been in the recording.
    pub(super) best: f64,
}

/// Follows a quantity.
#[derive(Clone, Debug)]
pub(super) struct Slow {
    better: Better,
    /// The slot that is filling: its number, sum and fields.
    slot: i64,
    sum: f64,
    fields: u32,
    /// Means of the last slots, oldest replaced first.
    means: [f64; SLOTS],
    next: usize,
    kept: usize,
    course: Option<Course>,
}

impl Slow {
    pub(super) fn new(better: Better) -> Self {
        Self {
            better,
            slot: i64::MIN,
            sum: 0.0,
            fields: 0,
            means: [0.0; SLOTS],
            next: 0,
            kept: 0,
            course: None,
        }
    }

    /// The course so far; `None` before two minutes.
    pub(super) fn course(&self) -> Option<Course> {
        self.course
    }

    /// Takes in the value of a field.
    pub(super) fn follow(&mut self, seconds: f64, value: f64) {
        let slot = (seconds / SLOT_S).floor() as i64;
        if slot != self.slot {
            self.close_slot();
            self.slot = slot;
        }
        self.sum += value;
        self.fields += 1;
    }

    fn close_slot(&mut self) {
        let (sum, fields) = (
            std::mem::take(&mut self.sum),
            std::mem::take(&mut self.fields),
        );
        if fields < LEAST_FIELDS {
            return;
        }
        self.means[self.next] = sum / f64::from(fields);
        self.next = (self.next + 1) % SLOTS;
        self.kept = (self.kept + 1).min(SLOTS);
        if self.kept < SLOTS {
            return;
        }
        let mut sorted = self.means;
        sorted.sort_unstable_by(f64::total_cmp);
        let lately = f64::midpoint(sorted[SLOTS / 2 - 1], sorted[SLOTS / 2]);
        let best = self.course.map_or(lately, |course| match self.better {
            Better::Lower => course.best.min(lately),
            Better::Higher => course.best.max(lately),
        });
        self.course = Some(Course { lately, best });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The course after each second of fifty fields.
    fn after(better: Better, seconds: u32, value: impl Fn(u32) -> f64) -> Vec<Option<Course>> {
        let mut slow = Slow::new(better);
        (0..seconds)
            .map(|second| {
                for field in 0..50 {
                    slow.follow(
                        f64::from(second) + f64::from(field) / 50.0,
                        value(second) + f64::from(field % 3) - 1.0 + 0.02,
                    );
                }
                slow.course()
            })
            .collect()
    }

    #[test]
    fn nothing_is_said_before_two_minutes() {
        let courses = after(Better::Lower, 122, |_| 1.0);
        assert_eq!(courses[119], None);
        let course = courses[121].expect("twelve slots are over");
        assert!((course.lately - 1.0).abs() < 1e-9, "{course:?}");
    }

    #[test]
    fn a_step_is_seen_after_a_minute_and_a_burst_never() {
        let step = |second| if second < 300 { 0.1 } else { 2.0 };
        let courses = after(Better::Lower, 500, step);
        let seen = courses
            .iter()
            .position(|course| course.is_some_and(|course| course.lately > 1.0));
        assert!(seen.is_some_and(|second| (350..=380).contains(&second)));
        let course = courses[499].expect("long since");
        assert!((course.best - 0.1).abs() < 1e-9, "{course:?}");
        let burst = |second| {
            if (300..340).contains(&second) {
                30.0
            } else {
                0.1
            }
        };
        let most = after(Better::Lower, 600, burst);
        let most = most.iter().flatten().map(|course| course.lately);
        assert!(most.fold(0.0, f64::max) < 0.2);
    }

    #[test]
    fn a_ratio_that_falls_is_held_against_its_highest() {
        let falling = |second| 44.0 - f64::from(second) / 60.0;
        let course = after(Better::Higher, 600, falling)[599].expect("long since");
        assert!(course.best - course.lately > 7.0, "{course:?}");
        assert!(course.best <= 44.0, "{course:?}");
    }

    #[test]
    fn seconds_without_evidence_are_passed_over() {
        let mut slow = Slow::new(Better::Lower);
        for slot in 0..40 {
            // every other slot has a second of nonsense only
            let (fields, value) = if slot % 2 == 0 {
                (400, 1.0)
            } else {
                (50, 99.0)
            };
            for _ in 0..fields {
                slow.follow(f64::from(slot) * SLOT_S, value);
            }
        }
        let course = slow.course().expect("twelve slots are over");
        assert_eq!((course.lately, course.best), (1.0, 1.0));
    }
}
