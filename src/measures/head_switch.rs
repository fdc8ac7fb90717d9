//! The jump where one head hands over to the other, a few lines above the bottom.
//!
//! In: the displacement of every line. Out: the row of the jump, its size, and how many rows are spoiled. The lines above
//! the bottom zone are continued by a straight line; the jump is put where lines before it follow that line and lines
//! after it share another displacement, with the least misfit.
//!
//! Nothing is said where the lines above are not seen. Rows that show nothing at the bottom because they are black are
//! masked and not spoiled; the jump itself may then be out of sight.
//!
//! Does not know: tape formats; it looks at the last [`ZONE`] rows, whatever stands there.

use std::collections::VecDeque;

use crate::units::{Estimate, Nanos, Samples, nanos_from_samples};

use super::dsp::fit::{Excess, Point, excess_variance};
use super::line_timing;
use super::{Better, Group, Measure, Quantity, QuantityUnit, Value};

/// Rows from the bottom in which the jump is looked for: formats switch 5 to 8 lines before vertical sync, which is at
/// most 5 rows below the raster (common practice, no source), and a worn or mis-set switch comes earlier.
pub const ZONE: usize = 20;

/// Rows above the zone that say where the bottom should stand.
const ABOVE: usize = 40;

/// Lines above that must be seen.
const LEAST_ABOVE: usize = 16;

/// Least jump in standard deviations of the displacement after it.
const SIGNIFICANT: f64 = 5.0;

/// Least jump that matters.
const LEAST_STEP: Samples = Samples(0.3);

/// Least jump against the scatter of the lines above, rms: their own waves go on below and are no jump.
const ABOVE_SCATTER: f64 = 3.0;

/// Gain in misfit that a jump must bring: against the best of twenty places in noise. More than one line can give.
const LEAST_GAIN: f64 = 25.0;

/// A line's misfit counts up to this, so that one wild line decides nothing.
const WORST_MISFIT: f64 = 16.0;

/// Fields over which the row settles.
const SETTLING_FIELDS: usize = 25;

/// Of these, fields that must show the jump.
const LEAST_FIELDS: usize = 8;

/// What is said of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Row where the bottom jumps.
    pub line: Option<u32>,
    /// Size of the jump.
    pub step: Option<Estimate<Nanos>>,
    /// Spoiled rows from the bottom; 0 when masked.
    pub lines: Option<u32>,
}

/// The measure.
#[derive(Debug)]
pub struct HeadSwitch {
    points: Vec<Point>,
    below: Vec<Point>,
    recent: VecDeque<Option<u32>>,
}

impl Default for HeadSwitch {
    fn default() -> Self {
        Self {
            points: Vec::with_capacity(ABOVE),
            below: Vec::with_capacity(ZONE),
            recent: VecDeque::with_capacity(SETTLING_FIELDS + 1),
        }
    }
}

impl Measure for HeadSwitch {
    type Input<'a> = &'a line_timing::Reading;
    type Reading = Reading;

    fn measure(&mut self, timing: &line_timing::Reading) -> Reading {
        let reading = self.look(timing).unwrap_or_default();
        if self.recent.len() == SETTLING_FIELDS {
            self.recent.pop_front();
        }
        self.recent.push_back(reading.line);
        reading
    }
}

/// A jump that explains the bottom rows.
#[derive(Clone, Copy, Debug)]
struct Jump {
    row: f64,
    size: f64,
    sigma: f64,
    support: u32,
    gain: f64,
}

impl HeadSwitch {
    fn look(&mut self, timing: &line_timing::Reading) -> Option<Reading> {
        let rows = timing.lines.rows();
        let zone = rows.checked_sub(ZONE)?;
        let above = zone.saturating_sub(ABOVE)..zone;
        let settled = self.settled(timing, above)?;
        self.below.clear();
        for row in zone..rows {
            if !timing.lines.is_whole(row) {
                continue; // a switch moves the whole line, detail beside an edge one end of it
            }
            if let Some(line) = timing.lines.get(row) {
                let expected = settled.line.at(row as f64);
                self.below.push(Point {
                    x: row as f64,
                    y: line.displacement.0 - expected,
                    variance: line.sigma.0.powi(2) + settled.variance,
                });
            }
        }
        let least = nanos_from_samples(LEAST_STEP, timing.sample_rate?)
            .0
            .max(ABOVE_SCATTER * settled.variance.sqrt());
        let jump = (1..self.below.len())
            .filter(|&first| is_abrupt(&self.below, first))
            .filter_map(|first| jump_at(&self.below, first))
            .filter(|jump| {
                jump.size.abs() > least.max(SIGNIFICANT * jump.sigma) && jump.gain > LEAST_GAIN
            })
            .max_by(|a, b| a.gain.total_cmp(&b.gain));
        Some(report(jump, rows, self.below.len(), timing.masked_rows))
    }

    /// Where the rows above the zone stand, and how far they scatter.
    fn settled(
        &mut self,
        timing: &line_timing::Reading,
        above: std::ops::Range<usize>,
    ) -> Option<Excess> {
        self.points.clear();
        self.points.extend(above.filter_map(|row| {
            let line = timing.lines.get(row)?;
            Some(Point {
                x: row as f64,
                y: line.displacement.0,
                variance: line.sigma.0.powi(2),
            })
        }));
        if self.points.len() < LEAST_ABOVE {
            return None;
        }
        excess_variance(&self.points)
    }

    /// Running median of the switch row over the last fields: what lies below is no picture line.
    #[must_use]
    pub fn settled_line(&self) -> Option<usize> {
        let mut rows = [0_u32; SETTLING_FIELDS];
        let mut count = 0;
        for row in self.recent.iter().flatten() {
            rows[count] = *row;
            count += 1;
        }
        if count < LEAST_FIELDS {
            return None;
        }
        let (_, middle, _) = rows[..count].select_nth_unstable(count / 2);
        Some(*middle as usize)
    }
}

/// Whether most of the way from the lines above to those below is gone in one step there: a wave has no such place.
fn is_abrupt(below: &[Point], first: usize) -> bool {
    const SHARE: f64 = 0.5;
    const NEAR: usize = 3;
    let mean =
        |points: &[Point]| points.iter().map(|point| point.y).sum::<f64>() / points.len() as f64;
    let (before, after) = below.split_at(first);
    let step =
        mean(&after[..NEAR.min(after.len())]) - mean(&before[before.len().saturating_sub(NEAR)..]);
    step.abs() > SHARE * mean(after).abs() && step.signum() == mean(after).signum()
}

/// The jump before the given one of the bottom lines, and how much better it explains them than none.
fn jump_at(below: &[Point], first: usize) -> Option<Jump> {
    let after = &below[first..];
    let weight: f64 = after.iter().map(|point| 1.0 / point.variance).sum();
    let size = after
        .iter()
        .map(|point| point.y / point.variance)
        .sum::<f64>()
        / weight;
    let misfit =
        |point: &Point, size: f64| ((point.y - size).powi(2) / point.variance).min(WORST_MISFIT);
    let gain = after
        .iter()
        .map(|point| misfit(point, 0.0) - misfit(point, size))
        .sum();
    Some(Jump {
        row: after.first()?.x,
        size,
        sigma: weight.recip().sqrt(),
        support: after.len() as u32,
        gain,
    })
}

fn report(jump: Option<Jump>, rows: usize, seen: usize, masked: usize) -> Reading {
    let visible = rows.saturating_sub(masked);
    match jump {
        Some(jump) => Reading {
            line: Some(jump.row as u32),
            step: Some(Estimate::new(
                Nanos(jump.size),
                Nanos(jump.sigma),
                jump.support,
            )),
            lines: Some(visible.saturating_sub(jump.row as usize) as u32),
        },
        // Enough of the bottom is seen, or known to be masked, to say that nothing of it is spoiled.
        None if 2 * (seen + masked) > ZONE => Reading {
            lines: Some(0),
            ..Reading::default()
        },
        None => Reading::default(),
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "head_switch.line",
        label: "head switch row",
        unit: QuantityUnit::Line,
        better: Better::Neither,
        group: Group::Steadiness,
        step: 1.0,
        words: &[],
        about: "Row of the field, from 0, where the bottom of the picture jumps sideways because the other head takes over. Rows \
                below are not counted as picture. On most tapes within the last eight rows; higher up means a switch point \
                that is off, on the recorder or the player. Absent when no jump is seen.",
        read: |r| r.head_switch.line.map(|line| Value::Count(u64::from(line))),
    },
    Quantity {
        id: "head_switch.step_ns",
        label: "head switch step",
        unit: QuantityUnit::Ns,
        better: Better::NearZero,
        group: Group::Steadiness,
        step: 1.0,
        words: &[],
        about: "How far the bottom rows jump where the other head takes over; positive = to the right. Caused by tape tension \
                or stretch that differs between recording and playing (skew), and by heads that are not exactly opposite \
                (then it alternates from field to field). Try: tension adjustment where the player has one, another player, a \
                box that replaces line sync. Absent when no jump is seen.",
        read: |r| r.head_switch.step.map(Value::from),
    },
    Quantity {
        id: "head_switch.lines",
        label: "spoiled rows at bottom",
        unit: QuantityUnit::Lines,
        better: Better::Low,
        group: Group::Steadiness,
        step: 1.0,
        words: &[],
        about: "Rows from the bottom that stand beyond the head switch; 0 when they stand straight or are masked. Hidden by \
                overscan on old sets and usual at up to eight rows a field. More than that, or growing: the switch point is \
                off. Absent when the bottom of the picture shows no timing.",
        read: |r| {
            r.head_switch
                .lines
                .map(|lines| Value::Count(u64::from(lines)))
        },
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::line_timing::testing::reading_of;

    fn jitter(row: usize) -> f64 {
        10.0 * ((row * 7919 % 101) as f64 / 50.0 - 1.0)
    }

    fn look(shift: impl Fn(usize) -> Option<f64>) -> Reading {
        HeadSwitch::default().measure(&reading_of(288, shift))
    }

    #[test]
    fn the_row_and_size_of_a_jump_are_found() {
        for row in [272, 276, 280, 284, 286] {
            for step in [400.0, -150.0] {
                let found = look(|r| Some(jitter(r) + if r >= row { step } else { 0.0 }));
                assert!(
                    found
                        .line
                        .is_some_and(|line| line.abs_diff(row as u32) <= 1),
                    "{row} {found:?}"
                );
                let size = found.step.expect("a jump has a size");
                assert!(
                    (size.value.0 - step).abs() < 4.0 * size.sigma.0,
                    "{row} {found:?}"
                );
                assert_eq!(found.lines, Some(288 - found.line.expect("as asserted")));
            }
        }
    }

    #[test]
    fn a_straight_bottom_has_no_spoiled_rows() {
        let found = look(|row| Some(jitter(row) + 0.5 * row as f64));
        assert_eq!((found.line, found.lines), (None, Some(0)));
    }

    #[test]
    fn a_wave_is_no_jump() {
        for phase in 0..8 {
            let wave = |row: usize| 150.0 * (row as f64 / 15.0 + f64::from(phase)).sin();
            let found = look(|row| Some(0.3 * jitter(row) + wave(row)));
            assert_eq!(found.line, None, "{phase} {found:?}");
        }
    }

    #[test]
    fn an_unseen_bottom_is_not_called_clean() {
        let found = look(|row| (row < 268).then(|| jitter(row)));
        assert_eq!((found.line, found.lines), (None, None));
        assert_eq!(look(|_| None).lines, None);
    }

    #[test]
    fn the_row_settles_over_fields() {
        let mut measure = HeadSwitch::default();
        for field in 0..10 {
            assert_eq!(measure.settled_line().is_some(), field >= LEAST_FIELDS);
            let wild = if field == 3 { 270 } else { 278 };
            measure.measure(&reading_of(288, |r| {
                Some(jitter(r) + if r >= wild { 500.0 } else { 0.0 })
            }));
        }
        assert!(
            measure
                .settled_line()
                .is_some_and(|line| line.abs_diff(278) <= 1)
        );
    }
}
