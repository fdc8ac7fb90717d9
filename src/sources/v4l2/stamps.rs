//! Steady time out of a device's stamps.
//!
//! The kernel stamps buffers with its monotonic clock, so a buffer cannot be stamped later than it reaches us, and no
//! stamp can lie before the one before it. Drivers break both: a clock of their own wraps, or is set anew. Such a jump is
//! taken out, so that time goes on by what really passed, and told once.
//!
//! A buffer that waited for us is no jump: it arrives late, and its stamp is right.
//!
//! Does not know: buffers, numbers of frames.

use std::time::Duration;

/// How far a stamp may be off what arrival allows before the clock has jumped: stamps taken by interrupts are good to
/// milliseconds, and a second is more than any queue of buffers holds.
const JUMP_NANOS: i128 = 1_000_000_000;

/// A stamp's place on the steady axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Steady {
    /// The time, never before that of the stamp before.
    pub(super) time: Duration,
    /// The clock jumped right before it: by how many seconds, and whether forward.
    pub(super) jumped: Option<Jump>,
}

/// A jump of the device's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Jump {
    /// How far.
    pub(super) by: Duration,
    /// Into the future.
    pub(super) forward: bool,
}

/// Takes jumps out of stamps.
#[derive(Clone, Debug, Default)]
pub(super) struct Stamps {
    last: Option<Last>,
    /// Added to each stamp since the last jump.
    shift: i128,
}

#[derive(Clone, Copy, Debug)]
struct Last {
    time: i128,
    /// The least any buffer came after its stamp, on the difference of the two clocks.
    closest: i128,
}

impl Stamps {
    /// The steady time of a stamp that reached us at `arrived` on a clock of ours.
    pub(super) fn steady(&mut self, stamp: Duration, arrived: Duration) -> Steady {
        let arrived = nanos(arrived);
        let mut time = nanos(stamp) + self.shift;
        let Some(last) = self.last else {
            self.last = Some(Last {
                time,
                closest: arrived - time,
            });
            return Steady {
                time: stamp,
                jumped: None,
            };
        };
        let ahead = last.closest - (arrived - time);
        let behind = last.time - time;
        let mut jumped = None;
        if ahead > JUMP_NANOS || behind > JUMP_NANOS {
            let due = (arrived - last.closest).max(last.time);
            jumped = Some(Jump {
                by: duration((time - due).abs()),
                forward: time > due,
            });
            self.shift += due - time;
            time = due;
        }
        time = time.max(last.time);
        self.last = Some(Last {
            time,
            closest: last.closest.min(arrived - time),
        });
        Steady {
            time: duration(time),
            jumped,
        }
    }
}

fn nanos(time: Duration) -> i128 {
    i128::from(time.as_secs()) * 1_000_000_000 + i128::from(time.subsec_nanos())
}

/// Times of the steady axis are not negative: it begins with a stamp and runs forward.
fn duration(nanos: i128) -> Duration {
    let nanos = u128::try_from(nanos).unwrap_or(0);
    Duration::new(
        u64::try_from(nanos / 1_000_000_000).unwrap_or(u64::MAX),
        (nanos % 1_000_000_000) as u32,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(millis: u64) -> Duration {
        Duration::from_millis(millis)
    }

    /// Steady milliseconds and whether the clock jumped, for pairs of stamp and arrival in milliseconds.
    fn run(pairs: &[(u64, u64)]) -> Vec<(u64, bool)> {
        let mut stamps = Stamps::default();
        let steady = pairs
            .iter()
            .map(|&(stamp, arrived)| stamps.steady(ms(stamp), ms(arrived)));
        steady
            .map(|it| (it.time.as_millis() as u64, it.jumped.is_some()))
            .collect()
    }

    #[test]
    fn stamps_of_a_steady_clock_are_kept() {
        assert_eq!(
            run(&[(5000, 1), (5040, 43), (5080, 81)]),
            [(5000, false), (5040, false), (5080, false)]
        );
    }

    #[test]
    fn buffers_that_waited_for_us_are_no_jump() {
        // Eight buffers wait while we stand still for three seconds; then frames come as they are made.
        let late = [
            (5000, 1),
            (5040, 3000),
            (5080, 3001),
            (7990, 3002),
            (8030, 3032),
        ];
        assert!(run(&late).iter().all(|&(_, jumped)| !jumped));
        assert_eq!(run(&late)[3].0, 7990);
    }

    #[test]
    fn a_clock_that_leaps_ahead_goes_on_by_what_passed() {
        let far = 2_147_483_632_000;
        assert_eq!(
            run(&[(5000, 0), (5040, 40), (far, 80), (far + 40, 120)]),
            [(5000, false), (5040, false), (5080, true), (5120, false)]
        );
    }

    #[test]
    fn a_clock_set_back_goes_on_by_what_passed() {
        assert_eq!(
            run(&[(50_000, 0), (50_040, 40), (17, 80), (57, 120)]),
            [
                (50_000, false),
                (50_040, false),
                (50_080, true),
                (50_120, false)
            ]
        );
    }

    #[test]
    fn a_jump_says_how_far_and_which_way() {
        let mut stamps = Stamps::default();
        stamps.steady(ms(5000), ms(0));
        let jump = stamps.steady(ms(65_040), ms(40)).jumped;
        let by = ms(60_000);
        assert_eq!(jump, Some(Jump { by, forward: true }));
        let jump = stamps.steady(ms(5080), ms(80)).jumped;
        assert_eq!(jump, Some(Jump { by, forward: false }));
    }

    #[test]
    fn a_stamp_a_little_before_the_last_does_not_turn_time_back() {
        assert_eq!(
            run(&[(5000, 0), (5040, 40), (5039, 42), (5080, 80)]),
            [(5000, false), (5040, false), (5040, false), (5080, false)]
        );
    }
}
