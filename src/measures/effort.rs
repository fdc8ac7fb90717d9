//! How much is measured while the computer is too slow for all of it: what is left out, in which order.
//!
//! Line timing is three quarters of the work of a field and says the same of two pictures in a row, so it is thinned out
//! first; what speaks of the condition of the tape over seconds and minutes follows. What tells that a picture was lost, that
//! the signal is gone, or that levels or colour are wrong is never left out. What is left out is absent, never a guess.
//!
//! Does not know: when to leave something out.

/// How much is measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Effort {
    /// Everything.
    #[default]
    Full,
    /// The lines of every second picture.
    HalfLines,
    /// The lines of every fourth picture.
    QuarterLines,
    /// The lines of every fourth picture, and nothing of noise, detail, interference, tracking and dropouts.
    Least,
}

/// What is said of lines that are left out.
pub(super) const LINES_LEFT_OUT: &str = "left out, this computer is too slow";

impl Effort {
    /// All, from everything to the least.
    pub const ALL: [Self; 4] = [Self::Full, Self::HalfLines, Self::QuarterLines, Self::Least];

    /// One step less; `None` at the least.
    #[must_use]
    pub fn less(self) -> Option<Self> {
        Self::ALL.get(self as usize + 1).copied()
    }

    /// One step more; `None` at everything.
    #[must_use]
    pub fn more(self) -> Option<Self> {
        (self as usize)
            .checked_sub(1)
            .and_then(|at| Self::ALL.get(at).copied())
    }

    /// What is left out, in words; `None` where nothing is.
    #[must_use]
    pub fn left_out(self) -> Option<&'static str> {
        match self {
            Self::Full => None,
            Self::HalfLines => Some("the lines of every second picture are not timed"),
            Self::QuarterLines => Some("the lines of three pictures in four are not timed"),
            Self::Least => Some(
                "the lines of three pictures in four are not timed, and noise, detail, interference, tracking and dropouts \
                 are not measured",
            ),
        }
    }

    /// Whether the lines of a frame are timed: both fields or none, since each field is held against others of its parity.
    pub(super) fn times_lines(self, frame: u64) -> bool {
        match self {
            Self::Full => true,
            Self::HalfLines => frame.is_multiple_of(2),
            Self::QuarterLines | Self::Least => frame.is_multiple_of(4),
        }
    }

    /// Whether the condition of tape and heads is looked at.
    pub(super) fn looks_at_condition(self) -> bool {
        self < Self::Least
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fields::{History, Splitter};
    use crate::measures::line_timing::Basis;
    use crate::measures::{Readings, Suite};
    use crate::sources::tape::{Pace, Tape};
    use crate::sources::{Source as _, Wishes};

    fn measured(scene: &str, frames: u64, mut effort: impl FnMut(u64) -> Effort) -> Vec<Readings> {
        let pace = Pace::Free {
            frames: Some(frames),
        };
        let mut tape = Tape::open(scene, &Wishes::default(), pace).expect("a scene");
        let (mut splitter, mut history) = (Splitter::new(), History::default());
        let mut suite = Suite::new();
        let mut all = Vec::new();
        while let Some(frame) = tape.next_frame().expect("a tape") {
            splitter.split(&frame, &mut history, &mut |history: &History| {
                let Some(around) = history.neighbourhood() else {
                    return;
                };
                suite.set_effort(effort(around.field.place.frame().0));
                all.push(suite.measure(&around));
            });
        }
        all
    }

    fn median_error(readings: &[Readings]) -> f64 {
        let timed = readings
            .iter()
            .filter_map(|readings| readings.line_timing.error_rms);
        let mut errors: Vec<f64> = timed.map(|error| error.value.0).collect();
        errors.sort_by(f64::total_cmp);
        errors[errors.len() / 2]
    }

    #[test]
    fn steps_go_down_and_up_again_one_by_one() {
        let mut down = vec![Effort::Full];
        down.extend(std::iter::successors(Effort::Full.less(), |effort| {
            effort.less()
        }));
        assert_eq!(down, Effort::ALL);
        let mut up = vec![Effort::Least];
        up.extend(std::iter::successors(Effort::Least.more(), |effort| {
            effort.more()
        }));
        up.reverse();
        assert_eq!(up, Effort::ALL);
        assert!(Effort::ALL.is_sorted());
    }

    /// White jitter of 37 ns, timed by edges: the figure is a property of the tape, and does not depend on how many pictures
    /// are looked at.
    #[test]
    fn lines_of_fewer_pictures_say_the_same_of_the_tape() {
        let full = measured("jitter", 60, |_| Effort::Full);
        for (effort, share) in [(Effort::HalfLines, 2), (Effort::QuarterLines, 4)] {
            let some = measured("jitter", 60, |_| effort);
            let timed = some
                .iter()
                .filter(|readings| readings.line_timing.basis != Basis::None)
                .count();
            assert!(
                timed >= 120 / share - 8,
                "{effort:?}: {timed} of 120 fields"
            );
            let skipped = some
                .iter()
                .filter(|readings| readings.line_timing.why_none == Some(LINES_LEFT_OUT))
                .count();
            assert_eq!(skipped, 120 - 120 / share, "{effort:?}");
            let (all, few) = (median_error(&full), median_error(&some));
            // The median of 30 fields, each with a relative error of 1/sqrt(2 * 240), is 1 % off; five of that.
            assert!(
                (few - all).abs() < 0.05 * all,
                "{effort:?}: {few} and {all}"
            );
        }
    }

    #[test]
    fn what_is_left_out_is_absent_and_comes_back() {
        let all = measured("clean", 100, |frame| {
            if (30..60).contains(&frame) {
                Effort::Least
            } else {
                Effort::Full
            }
        });
        let within = |frames: std::ops::Range<usize>| &all[2 * frames.start..2 * frames.end];
        let condition = |it: &Readings| (it.noise.luma.is_some(), it.dropouts.count.is_some());
        for frames in [0..30, 60..100] {
            let seen = within(frames).iter().map(condition);
            let seen = seen.fold((false, false), |a, b| (a.0 | b.0, a.1 | b.1));
            assert_eq!(seen, (true, true));
        }
        for readings in within(30..60) {
            assert_eq!(condition(readings), (false, false));
            assert!(readings.levels.black.is_some());
            assert!(readings.chroma.saturation_rms.is_some());
            assert_eq!(readings.sync.state, all[2 * 29].sync.state);
        }
    }
}
