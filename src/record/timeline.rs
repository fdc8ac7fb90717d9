//! A quantity over the length of a pass in few steps, and how its values spread.
//!
//! In: seconds. Out: the least, middle and greatest value of each step, absent where nothing was measured; and counts of
//! the seconds' middles by size.
//!
//! Does not know: pixels, limits, or what the quantity means.

use super::reader::PerSecond;

/// One step of a timeline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Least value.
    pub min: f64,
    /// Middle of the middles.
    pub median: f64,
    /// Greatest value.
    pub max: f64,
}

/// A quantity over time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Timeline {
    /// Seconds a step.
    pub step_seconds: u64,
    /// From the start of the pass; `None` where nothing was measured.
    pub steps: Vec<Option<Band>>,
}

impl Timeline {
    /// Least and greatest value of all; `None` where nothing was measured.
    #[must_use]
    pub fn range(&self) -> Option<(f64, f64)> {
        let bands = self.steps.iter().flatten();
        bands.fold(None, |range, band| {
            let (least, most) = range.unwrap_or((band.min, band.max));
            Some((f64::min(least, band.min), f64::max(most, band.max)))
        })
    }
}

/// A pass of `length` seconds in steps of whole seconds, at most `most` of them.
#[must_use]
pub(super) fn timeline(seconds: &[PerSecond], length: u64, most: usize) -> Timeline {
    let (step_seconds, steps) = in_steps(seconds, length, most, band);
    Timeline {
        step_seconds,
        steps,
    }
}

/// What the value spans within a second of each of the same steps, in the middle; `None` where nothing was measured.
#[must_use]
pub(super) fn unrest(seconds: &[PerSecond], length: u64, most: usize) -> Vec<Option<f64>> {
    let span = |second: &PerSecond| Some(second.max.number()? - second.min.number()?);
    let of_step = |step: &[PerSecond]| middle(step.iter().filter_map(span).collect());
    in_steps(seconds, length, most, of_step).1
}

/// Seconds a step, and what `of_step` says of each that has any.
fn in_steps<T: Clone>(
    seconds: &[PerSecond],
    length: u64,
    most: usize,
    of_step: impl Fn(&[PerSecond]) -> Option<T>,
) -> (u64, Vec<Option<T>>) {
    let step_seconds = length.div_ceil(most.max(1) as u64).max(1);
    let mut steps = vec![None; length.div_ceil(step_seconds) as usize];
    let step_of = |second: &PerSecond| second.second / step_seconds;
    for chunk in seconds.chunk_by(|a, b| step_of(a) == step_of(b)) {
        let at = usize::try_from(step_of(&chunk[0])).ok();
        if let Some(step) = at.and_then(|at| steps.get_mut(at)) {
            *step = of_step(chunk);
        }
    }
    (step_seconds, steps)
}

/// The lower middle one.
fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len().checked_sub(1)? / 2).copied()
}

fn band(seconds: &[PerSecond]) -> Option<Band> {
    let numbers = seconds.iter().filter_map(|second| {
        Some((
            second.min.number()?,
            second.median.number()?,
            second.max.number()?,
        ))
    });
    let (mut least, mut most, mut middles) = (f64::INFINITY, f64::NEG_INFINITY, Vec::new());
    for (min, median, max) in numbers {
        least = least.min(min);
        most = most.max(max);
        middles.push(median);
    }
    Some(Band {
        min: least,
        median: middle(middles)?,
        max: most,
    })
}

/// How the middles of seconds spread.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// Lower end of the first class.
    pub from: f64,
    /// Upper end of the last class.
    pub to: f64,
    /// Seconds by class; the first and the last hold what lies beyond as well.
    pub counts: Vec<u32>,
}

/// Classes of a spread.
const CLASSES: usize = 24;

/// Share of seconds at either end that lie beyond the classes: one odd second must not squeeze all others into one class.
const BEYOND: f64 = 0.005;

/// Counts the middles of seconds; `None` where there are none.
#[must_use]
pub(super) fn spread(seconds: &[PerSecond]) -> Option<Spread> {
    let middles = seconds.iter().filter_map(|second| second.median.number());
    let mut middles: Vec<f64> = middles.collect();
    middles.sort_unstable_by(f64::total_cmp);
    let last = middles.len().checked_sub(1)?;
    let skipped = (BEYOND * last as f64) as usize;
    let (from, to) = (middles[skipped], middles[last - skipped]);
    let mut counts = vec![0; CLASSES];
    for middle in middles {
        let at = if to > from {
            ((middle - from) / (to - from) * CLASSES as f64).floor()
        } else {
            0.0
        };
        counts[at.clamp(0.0, CLASSES as f64 - 1.0) as usize] += 1;
    }
    Some(Spread { from, to, counts })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::Value;

    fn second(at: u64, value: f64) -> PerSecond {
        let number = |value| Value::Number { value, sigma: None };
        PerSecond {
            second: at,
            min: number(value - 1.0),
            median: number(value),
            max: number(value + 1.0),
            n: 60,
        }
    }

    #[test]
    fn a_step_has_the_ends_of_its_seconds_and_what_is_absent_is_a_gap() {
        let seconds = [second(0, 5.0), second(1, 7.0), second(6, 1.0)];
        let timeline = timeline(&seconds, 8, 4);
        assert_eq!(timeline.step_seconds, 2);
        let (min, median, max) = (4.0, 5.0, 8.0);
        let first = Some(Band { min, median, max });
        assert_eq!(timeline.steps[..3], [first, None, None]);
        assert_eq!(timeline.range(), Some((0.0, 8.0)));
    }

    #[test]
    fn unrest_is_what_a_second_spans_however_far_the_seconds_are_apart() {
        let seconds = [second(0, 5.0), second(1, 7.0), second(6, 1.0)];
        let unrest = unrest(&seconds, 8, 4);
        assert_eq!(unrest, [Some(2.0), None, None, Some(2.0)]);
    }

    #[test]
    fn six_hours_fit_into_the_steps_and_a_short_pass_has_one_a_second() {
        let six_hours: Vec<_> = (0..21_600).map(|at| second(at, 1.0)).collect();
        let long = timeline(&six_hours, 21_600, 360);
        assert_eq!((long.step_seconds, long.steps.len()), (60, 360));
        assert!(long.steps.iter().all(Option::is_some));
        assert_eq!(timeline(&six_hours[..5], 5, 360).steps.len(), 5);
        assert_eq!(
            timeline(&[], 0, 360),
            Timeline {
                step_seconds: 1,
                steps: Vec::new()
            }
        );
    }

    #[test]
    fn a_spread_holds_every_second_and_is_not_squeezed_by_one() {
        let mut seconds: Vec<_> = (0..1_000).map(|at| second(at, at as f64)).collect();
        seconds.push(second(1_000, 1e9));
        let spread = spread(&seconds).expect("seconds");
        assert_eq!(spread.counts.iter().sum::<u32>(), 1_001);
        assert!(spread.to < 1_001.0, "{spread:?}");
        assert!(
            spread.counts[1..23].iter().all(|&n| (38..=44).contains(&n)),
            "{spread:?}"
        );
        assert_eq!(super::spread(&[]), None);
        let flat = super::spread(&[second(0, 3.0), second(1, 3.0)]).expect("seconds");
        assert_eq!((flat.from, flat.to, flat.counts[0]), (3.0, 3.0, 2));
    }
}
