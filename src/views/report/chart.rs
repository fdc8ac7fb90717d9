//! Shapes of the charts, as paths of a picture 1000 wide and 100 high that is stretched to its place.
//!
//! Everything is drawn by class, so that the style sheet decides colours; letters stand beside the picture, where they keep their
//! size on a narrow screen.
//!
//! Does not know: which quantity, or what a limit means.

use std::fmt::Write as _;

use crate::record::{Band, Spread, Timeline};

/// Width of a picture.
const WIDTH: f64 = 1000.0;

/// Height of a picture.
const HEIGHT: f64 = 100.0;

/// A value more than so many times beyond what is usual does not decide the height of the picture.
const SPIKE: f64 = 4.0;

/// Share of the steps that is usual.
const USUAL: f64 = 0.98;

/// Least and greatest value of a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    pub(super) from: f64,
    pub(super) to: f64,
}

impl Scale {
    /// Holds the values of a timeline and these marks; a few spikes far beyond the rest are cut off.
    pub(super) fn of(timeline: &Timeline, marks: &[f64]) -> Option<Self> {
        let (least, most) = timeline.range()?;
        let bands = || timeline.steps.iter().flatten();
        let high = usual(bands().map(|band| band.max), marks);
        let low = usual(bands().map(|band| -band.min), marks);
        // zero is the foot of what is never negative
        let from = if least >= 0.0 {
            let lowest = marks.iter().copied().fold(least, f64::min);
            if lowest < 0.5 * most { 0.0 } else { lowest }
        } else {
            least.max(-low)
        };
        let to = most.min(high);
        let (from, to) = marks.iter().fold((from, to), |(from, to), &mark| {
            (from.min(mark), to.max(mark))
        });
        let margin = if to > from { 0.04 * (to - from) } else { 1.0 };
        let foot = if from == 0.0 { 0.0 } else { from - margin };
        Some(Self {
            from: foot,
            to: to + margin,
        })
    }

    /// How far down a value lies, from 0 to 100.
    pub(super) fn y(self, value: f64) -> f64 {
        let share = (value - self.from) / (self.to - self.from);
        HEIGHT * (1.0 - share.clamp(0.0, 1.0))
    }
}

/// What most values stay under, [`SPIKE`] times over; no bound where most are nothing.
fn usual(values: impl Iterator<Item = f64>, marks: &[f64]) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    let at = (USUAL * values.len().saturating_sub(1) as f64) as usize;
    let most = values.get(at).copied().unwrap_or(0.0).abs();
    let most = marks.iter().fold(most, |most, mark| most.max(mark.abs()));
    if most > 0.0 {
        SPIKE * most
    } else {
        f64::INFINITY
    }
}

/// The band from least to greatest, and the line of the middles.
pub(super) fn paths(timeline: &Timeline, scale: Scale) -> (String, String) {
    let (mut band, mut line) = (String::new(), String::new());
    let width = WIDTH / timeline.steps.len().max(1) as f64;
    let mut at = 0;
    for run in timeline.steps.chunk_by(|a, b| a.is_some() == b.is_some()) {
        let bands: Vec<Band> = run.iter().flatten().copied().collect();
        if !bands.is_empty() {
            draw_run(&bands, at, width, scale, &mut band, &mut line);
        }
        at += run.len();
    }
    (band, line)
}

fn draw_run(
    bands: &[Band],
    first: usize,
    width: f64,
    scale: Scale,
    band: &mut String,
    line: &mut String,
) {
    let x = |at: usize| (first + at) as f64 * width;
    let _ = write!(band, "M{:.1} {:.1}", x(0), scale.y(bands[0].max));
    let _ = write!(line, "M{:.1} {:.1}", x(0), scale.y(bands[0].median));
    for (at, step) in bands.iter().enumerate() {
        let _ = write!(band, "V{:.1}H{:.1}", scale.y(step.max), x(at + 1));
        let _ = write!(line, "V{:.1}H{:.1}", scale.y(step.median), x(at + 1));
    }
    for (at, step) in bands.iter().enumerate().rev() {
        let _ = write!(band, "V{:.1}H{:.1}", scale.y(step.min), x(at));
    }
    band.push('Z');
}

/// A point of a curve with its interval.
#[derive(Clone, Copy, Debug)]
pub(super) struct Knot {
    /// How far across the picture, 0 to 1.
    pub(super) across: f64,
    pub(super) low: f64,
    pub(super) value: f64,
    pub(super) high: f64,
}

/// Half the width of a point that has no neighbour.
const LONE: f64 = 5.0;

/// The band of the intervals, and the line through the points; where a point is missing there is a gap.
pub(super) fn curve(knots: &[Option<Knot>], scale: Scale) -> (String, String) {
    let (mut band, mut line) = (String::new(), String::new());
    for run in knots.chunk_by(|a, b| a.is_some() == b.is_some()) {
        let run: Vec<Knot> = run.iter().flatten().copied().collect();
        if let [lone] = run.as_slice() {
            let (x, y) = (WIDTH * lone.across, scale.y(lone.value));
            let _ = write!(line, "M{:.1} {y:.1}H{:.1}", x - LONE, x + LONE);
        }
        let mut letter = 'M';
        for knot in run.iter().filter(|_| run.len() > 1) {
            let x = WIDTH * knot.across;
            let _ = write!(line, "{letter}{x:.1} {:.1}", scale.y(knot.value));
            let _ = write!(band, "{letter}{x:.1} {:.1}", scale.y(knot.high));
            letter = 'L';
        }
        for knot in run.iter().rev().filter(|_| run.len() > 1) {
            let _ = write!(band, "L{:.1} {:.1}", WIDTH * knot.across, scale.y(knot.low));
        }
        if run.len() > 1 {
            band.push('Z');
        }
    }
    (band, line)
}

/// What lies between stretches, each given by its start and end as shares of the whole.
pub(super) fn outside(stretches: &[(f64, f64)]) -> String {
    let mut path = String::new();
    let mut from = 0.0;
    let ends = stretches.iter().copied().chain([(1.0, 1.0)]);
    for (start, end) in ends {
        if start - from > 1e-6 {
            let (left, right) = (WIDTH * from, WIDTH * start);
            let _ = write!(path, "M{left:.1} 0H{right:.1}V100H{left:.1}Z");
        }
        from = f64::max(from, end);
    }
    path
}

/// Columns of a spread, as high as the fullest class allows.
pub(super) fn columns(spread: &Spread) -> String {
    let most = spread.counts.iter().copied().max().unwrap_or(0).max(1);
    let width = WIDTH / spread.counts.len().max(1) as f64;
    let mut path = String::new();
    for (at, &count) in spread
        .counts
        .iter()
        .enumerate()
        .filter(|(_, count)| **count > 0)
    {
        // a class of one second must not vanish
        let height = (HEIGHT * f64::from(count) / f64::from(most)).max(2.0);
        let _ = write!(
            path,
            "M{:.1} 100V{:.1}h{:.1}V100Z",
            at as f64 * width,
            HEIGHT - height,
            0.9 * width
        );
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    fn timeline(steps: &[Option<(f64, f64, f64)>]) -> Timeline {
        let steps = steps
            .iter()
            .map(|step| step.map(|(min, median, max)| Band { min, median, max }));
        Timeline {
            step_seconds: 1,
            steps: steps.collect(),
        }
    }

    #[test]
    fn what_was_not_measured_is_a_gap_in_the_path() {
        let line = timeline(&[
            Some((1.0, 2.0, 3.0)),
            None,
            Some((0.0, 0.0, 4.0)),
            Some((0.0, 4.0, 4.0)),
        ]);
        let scale = Scale { from: 0.0, to: 4.0 };
        let (band, median) = paths(&line, scale);
        assert_eq!(
            band,
            "M0.0 25.0V25.0H250.0V75.0H0.0ZM500.0 0.0V0.0H750.0V0.0H1000.0V100.0H750.0V100.0H500.0Z"
        );
        assert_eq!(
            median,
            "M0.0 50.0V50.0H250.0M500.0 100.0V100.0H750.0V0.0H1000.0"
        );
    }

    #[test]
    fn one_spike_does_not_flatten_the_rest_and_a_limit_is_always_in_view() {
        let mut steps = vec![Some((4.0, 5.0, 6.0)); 200];
        steps[7] = Some((4.0, 5.0, 90_000.0));
        let scale = Scale::of(&timeline(&steps), &[37.0]).expect("values");
        assert!(
            scale.from == 0.0 && (100.0..300.0).contains(&scale.to),
            "{scale:?}"
        );
        let scale = Scale::of(&timeline(&[Some((45.0, 46.0, 47.0))]), &[]).expect("values");
        assert!(scale.from > 40.0 && scale.to < 50.0, "{scale:?}");
        let scale = Scale::of(&timeline(&[Some((-9.0, -6.0, -4.0))]), &[-3.0]).expect("values");
        assert!(scale.from < -9.0 && scale.to > -3.0, "{scale:?}");
        assert_eq!(Scale::of(&timeline(&[None]), &[37.0]), None);
    }

    #[test]
    fn what_is_counted_shows_its_few_and_is_whole_where_there_are_none() {
        let mut steps = vec![Some((0.0, 0.0, 0.0)); 200];
        let none = Scale::of(&timeline(&steps), &[]).expect("values");
        assert_eq!((none.from, none.to), (0.0, 1.0));
        steps[9] = Some((0.0, 0.0, 2.0));
        let few = Scale::of(&timeline(&steps), &[]).expect("values");
        assert!(few.from == 0.0 && few.to >= 2.0, "{few:?}");
    }

    #[test]
    fn a_value_that_never_moves_has_a_height_to_lie_in() {
        let scale = Scale::of(&timeline(&[Some((0.0, 0.0, 0.0))]), &[]).expect("values");
        assert!(scale.to > scale.from);
        assert!(scale.y(0.0).is_finite());
    }

    #[test]
    fn a_curve_has_a_band_and_a_gap_where_nothing_is_known() {
        let knot = |across: f64, value: f64| {
            Some(Knot {
                across,
                low: value - 1.0,
                value,
                high: value + 1.0,
            })
        };
        let scale = Scale { from: 0.0, to: 4.0 };
        let knots = [knot(0.0, 1.0), knot(0.5, 2.0), None, knot(1.0, 3.0)];
        let (band, line) = curve(&knots, scale);
        assert_eq!(band, "M0.0 50.0L500.0 25.0L500.0 75.0L0.0 100.0Z");
        assert_eq!(line, "M0.0 75.0L500.0 50.0M995.0 25.0H1005.0");
    }

    #[test]
    fn what_is_no_programme_is_shaded() {
        assert_eq!(outside(&[(0.0, 1.0)]), "");
        assert_eq!(outside(&[]), "M0.0 0H1000.0V100H0.0Z");
        assert_eq!(
            outside(&[(0.1, 0.5), (0.6, 1.0)]),
            "M0.0 0H100.0V100H0.0ZM500.0 0H600.0V100H500.0Z"
        );
    }
}
