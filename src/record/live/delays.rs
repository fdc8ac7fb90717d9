//! How long readings take from the arrival of their frame to the screen.
//!
//! In: when each frame arrived, and when a picture that shows its reading was on screen. Out: the median and what 99 % stay
//! within. Of the first picture that shows a frame: later ones show it again.
//!
//! Does not know: clocks, or what is drawn.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use hdrhistogram::Histogram;

/// Frames that may wait for a picture: seconds of them, where a terminal does not take more.
const MOST_WAITING: usize = 256;

/// Longest delay told apart, in microseconds: a minute.
const LONGEST_MICROS: u64 = 60_000_000;

/// Digits that are told apart: a hundredth of the delay.
const DIGITS: u8 = 2;

/// The share that `most` stands for.
const MOST: f64 = 0.99;

/// Delays of a pass so far.
#[derive(Clone, Debug)]
pub(super) struct Tally {
    /// Arrivals of frames that no picture has shown, with the revision that has their reading.
    waiting: VecDeque<(u64, Instant)>,
    micros: Histogram<u32>,
}

/// What the delays of a pass are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delays {
    /// Of how many frames.
    pub frames: u64,
    /// Half of them took no longer.
    pub median: Duration,
    /// 99 % took no longer.
    pub most: Duration,
}

impl Default for Tally {
    fn default() -> Self {
        let micros = Histogram::new_with_bounds(1, LONGEST_MICROS, DIGITS);
        Self {
            waiting: VecDeque::with_capacity(MOST_WAITING),
            micros: micros
                .expect("the bounds are a factor of two apart and the digits at most five"),
        }
    }
}

impl Tally {
    /// A frame that came at `arrived` has its reading since `revision`; both its fields are one frame.
    pub(super) fn arrive(&mut self, revision: u64, arrived: Instant) {
        let known = self.waiting.back().is_some_and(|last| last.1 == arrived);
        if !known && self.waiting.len() < MOST_WAITING {
            self.waiting.push_back((revision, arrived));
        }
    }

    /// Everything up to `revision` is on screen since `now`.
    pub(super) fn draw(&mut self, revision: u64, now: Instant) {
        while let Some(&(_, arrived)) = self.waiting.front().filter(|it| it.0 <= revision) {
            let took = now.saturating_duration_since(arrived).as_micros();
            self.micros.saturating_record(took as u64);
            self.waiting.pop_front();
        }
    }

    /// The figures; `None` before the first picture of a reading.
    pub(super) fn figures(&self) -> Option<Delays> {
        let quantile = |share| Duration::from_micros(self.micros.value_at_quantile(share));
        (!self.micros.is_empty()).then(|| Delays {
            frames: self.micros.len(),
            median: quantile(0.5),
            most: quantile(MOST),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(millis: u64) -> Duration {
        Duration::from_millis(millis)
    }

    #[test]
    fn delays_are_those_of_the_first_picture_that_shows_a_frame() {
        let (mut tally, start) = (Tally::default(), Instant::now());
        assert_eq!(tally.figures(), None);
        // Frames 40 ms apart, two fields each; a picture every 80 ms, 10 ms after the second frame.
        for n in 0..100 {
            let at = start + ms(40 * n);
            tally.arrive(2 * n, at);
            tally.arrive(2 * n + 1, at);
            if n % 2 == 1 {
                tally.draw(2 * n + 1, at + ms(10));
            }
        }
        let delays = tally.figures().expect("pictures were drawn");
        assert_eq!(delays.frames, 100);
        // Half took 10 ms, half 50 ms, to the hundredth that is told apart.
        assert!((10..=11).contains(&delays.median.as_millis()), "{delays:?}");
        assert!((50..=51).contains(&delays.most.as_millis()), "{delays:?}");
    }

    #[test]
    fn a_frame_that_came_while_a_picture_was_drawn_waits_for_the_next() {
        let (mut tally, start) = (Tally::default(), Instant::now());
        tally.arrive(5, start);
        tally.draw(4, start + ms(3));
        assert_eq!(tally.figures(), None);
        tally.draw(5, start + ms(40));
        assert_eq!(tally.figures().map(|it| it.frames), Some(1));
    }

    #[test]
    fn a_terminal_that_takes_nothing_costs_no_memory_and_a_minute_is_the_most() {
        let (mut tally, start) = (Tally::default(), Instant::now());
        let room = tally.waiting.capacity();
        for n in 0..10 * MOST_WAITING as u64 {
            tally.arrive(n, start + ms(n));
        }
        assert_eq!(tally.waiting.capacity(), room);
        tally.draw(u64::MAX, start + Duration::from_secs(3600));
        let delays = tally.figures().expect("a picture was drawn");
        assert!(delays.most < Duration::from_secs(61), "{delays:?}");
    }
}
