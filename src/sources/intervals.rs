//! How evenly a device delivers: the time from a frame to the next, by the device's own clock.
//!
//! In: the time of each frame and the gap before it. Out: mean, rms about the mean, and the furthest off it. Only frames
//! that follow each other without a loss count. The figures are of the device and of its driver's stamps, not of the tape.
//!
//! Does not know: devices, pictures.

use std::time::Duration;

use super::Frame;
use crate::units::{Millis, Seconds, millis_from_seconds};

/// Intervals of a pass so far.
#[derive(Clone, Copy, Debug, Default)]
pub struct Intervals {
    last: Option<Duration>,
    count: u64,
    /// Seconds.
    mean: f64,
    /// Sum of squared deviations from the mean, seconds squared (Welford's recurrence).
    squares: f64,
    shortest: f64,
    longest: f64,
}

/// What the intervals of a pass are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IntervalFigures {
    /// How many.
    pub count: u64,
    /// Their mean.
    pub mean: Millis,
    /// Root mean square about the mean.
    pub jitter: Millis,
    /// The furthest that one was off the mean.
    pub worst: Millis,
}

/// Under this many there is no figure: a second of frames.
const FEWEST: u64 = 25;

impl Intervals {
    /// Takes in the next frame.
    pub fn observe(&mut self, frame: &Frame) {
        self.observe_time(frame.device_time, frame.gap.fields() > 0);
    }

    fn observe_time(&mut self, time: Option<Duration>, after_a_gap: bool) {
        let Some(last) = std::mem::replace(&mut self.last, time) else {
            return;
        };
        let Some(interval) = time.and_then(|time| time.checked_sub(last)) else {
            return;
        };
        if after_a_gap {
            return;
        }
        let seconds = interval.as_secs_f64();
        self.count += 1;
        if self.count == 1 {
            (self.shortest, self.longest) = (seconds, seconds);
        }
        let before = seconds - self.mean;
        self.mean += before / self.count as f64;
        self.squares += before * (seconds - self.mean);
        self.shortest = self.shortest.min(seconds);
        self.longest = self.longest.max(seconds);
    }

    /// The figures; `None` without a clock or before a second of frames.
    #[must_use]
    pub fn figures(&self) -> Option<IntervalFigures> {
        if self.count < FEWEST {
            return None;
        }
        let millis = |seconds| millis_from_seconds(Seconds(seconds));
        let worst = (self.longest - self.mean).max(self.mean - self.shortest);
        Some(IntervalFigures {
            count: self.count,
            mean: millis(self.mean),
            jitter: millis((self.squares / self.count as f64).sqrt()),
            worst: millis(worst),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figures(micros: impl Iterator<Item = u64>) -> Option<IntervalFigures> {
        let mut intervals = Intervals::default();
        for at in micros {
            intervals.observe_time(Some(Duration::from_micros(at)), false);
        }
        intervals.figures()
    }

    #[test]
    fn an_even_device_has_no_jitter() {
        let even = figures((0..100).map(|n| n * 40_000)).expect("enough frames");
        assert_eq!(even.count, 99);
        assert!((even.mean.0 - 40.0).abs() < 1e-9);
        assert!(even.jitter.0 < 1e-6 && even.worst.0 < 1e-6, "{even:?}");
    }

    #[test]
    fn jitter_is_the_rms_of_intervals_about_their_mean() {
        // Stamps early and late in turn by 0.5 ms: intervals of 39.5 and 40.5 ms.
        let uneven = figures((0..101).map(|n| n * 40_000 + 500 * (n % 2) + 500));
        let uneven = uneven.expect("enough frames");
        assert!((uneven.jitter.0 - 0.5).abs() < 1e-3, "{uneven:?}");
        assert!((uneven.worst.0 - 0.5).abs() < 1e-3, "{uneven:?}");
    }

    #[test]
    fn an_interval_with_a_loss_in_it_does_not_count() {
        let mut intervals = Intervals::default();
        for n in 0..30 {
            intervals.observe_time(Some(Duration::from_millis(40 * n)), false);
        }
        intervals.observe_time(Some(Duration::from_secs(9)), true);
        let figures = intervals.figures().expect("enough frames");
        assert_eq!(figures.count, 29);
        assert!(figures.worst.0 < 1e-6);
    }

    #[test]
    fn without_a_clock_or_for_a_moment_there_is_no_figure() {
        assert_eq!(figures((0..10).map(|n| n * 40_000)), None);
        let mut intervals = Intervals::default();
        (0..100).for_each(|_| intervals.observe_time(None, false));
        assert_eq!(intervals.figures(), None);
    }
}
