//! The best of many scenes.
//!
//! In: where detail ended in one second of the pass after the other. Out: the upper envelope of the last two minutes: what is out of focus
//! or moves too fast shows less than the chain can carry, and no scene shows more.
//!
//! Does not know: scenes; a second may show two.

use super::rolloff::End;
use crate::measures::noise::Bound;
use crate::units::Megahertz;

/// Seconds that are remembered.
const SECONDS: usize = 120;

/// Share of the seconds that may show more: single ones err upwards by noise.
const UPPER: f64 = 0.85;

/// Doubt that the one scene seen is in focus, relative, and how many seconds halve it.
const FOCUS_DOUBT: f64 = 0.1;
const SECONDS_OF_DOUBT: f64 = 4.0;

/// Ends of the last seconds.
#[derive(Debug)]
pub(super) struct Envelope {
    ends: [Option<End>; SECONDS],
    next: usize,
}

impl Default for Envelope {
    fn default() -> Self {
        Self {
            ends: [None; SECONDS],
            next: 0,
        }
    }
}

impl Envelope {
    /// Forgets all.
    pub(super) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Takes in one more second.
    pub(super) fn push(&mut self, end: End) {
        self.ends[self.next] = Some(end);
        self.next = (self.next + 1) % SECONDS;
    }

    /// The envelope and the seconds it rests on; `None` before the first.
    pub(super) fn upper(&self) -> Option<(End, u32)> {
        let mut sorted = [(0.0, 0); SECONDS];
        let mut count = 0;
        for (at, end) in self.ends.iter().enumerate() {
            if let Some(end) = end {
                sorted[count] = (end.mhz.0, at);
                count += 1;
            }
        }
        let sorted = &mut sorted[..count];
        sorted.sort_unstable_by(|one, other| one.0.total_cmp(&other.0));
        let place = (UPPER * (count.checked_sub(1)?) as f64).ceil() as usize;
        let end = self.ends[sorted[place].1]?;
        // one that was followed further than the envelope without an end makes it a lower bound
        let unended =
            |&(_, at): &(f64, usize)| self.ends[at].is_some_and(|end| end.bound == Bound::AtLeast);
        let open = sorted[place..]
            .iter()
            .filter(|second| unended(second))
            .count();
        let bound = if 2 * open > sorted.len() - place {
            Bound::AtLeast
        } else {
            Bound::Measured
        };
        let doubt = FOCUS_DOUBT * SECONDS_OF_DOUBT / (SECONDS_OF_DOUBT + count as f64);
        let best = End {
            sigma: Megahertz(end.sigma.0.hypot(doubt * end.mhz.0)),
            bound,
            ..end
        };
        Some((best, count as u32))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end(mhz: f64, bound: Bound) -> End {
        End {
            mhz: Megahertz(mhz),
            sigma: Megahertz(0.05),
            bound,
        }
    }

    #[test]
    fn scenes_out_of_focus_do_not_lower_the_envelope() {
        let mut envelope = Envelope::default();
        assert_eq!(envelope.upper(), None);
        for second in 0..300 {
            let mhz = if second % 3 == 0 { 2.9 } else { 1.4 };
            envelope.push(end(mhz, Bound::Measured));
        }
        let (best, seconds) = envelope.upper().expect("seconds were seen");
        assert_eq!(
            (best.mhz.0, best.bound, seconds),
            (2.9, Bound::Measured, 120)
        );
    }

    #[test]
    fn a_best_scene_that_noise_covered_is_a_lower_bound() {
        let mut envelope = Envelope::default();
        for second in 0..60 {
            let (mhz, bound) = if second % 2 == 0 {
                (2.9, Bound::AtLeast)
            } else {
                (1.4, Bound::Measured)
            };
            envelope.push(end(mhz, bound));
        }
        let (best, _) = envelope.upper().expect("seconds were seen");
        assert_eq!((best.mhz.0, best.bound), (2.9, Bound::AtLeast));
    }

    #[test]
    fn one_scene_alone_is_doubted_more_than_many() {
        let sigma = |seconds: usize| {
            let mut envelope = Envelope::default();
            (0..seconds).for_each(|_| envelope.push(end(3.0, Bound::Measured)));
            envelope.upper().expect("seconds were seen").0.sigma.0
        };
        assert!(sigma(1) > 2.0 * sigma(60), "{} {}", sigma(1), sigma(60));
    }
}
