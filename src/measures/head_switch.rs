//! The jump where one head hands over to the other, a few lines above the bottom.
//!
//! In: the displacement of every line. Out: the row of the jump, its size, and how many rows are spoiled. The jump is the
//! place in the bottom zone where the means of the few lines on either side differ most. It must stand out from what
//! the same difference is all over the picture, so that neither rough lines nor waves pass for it, and the lines below must
//! stay on their side of it to the bottom, though a fast loop may bring them back a part of the way. A switch
//! inside a line counts as its row or the next.
//!
//! Nothing is said where the lines above are not seen. Rows that show nothing at the bottom because they are black are
//! masked and not spoiled; the jump itself may then be out of sight.
//!
//! Does not know: tape formats; it looks at the last [`ZONE`] rows, whatever stands there.

use std::collections::VecDeque;

use crate::units::{Estimate, Nanos, Samples, nanos_from_samples};

use super::dsp::fit::{Excess, Point, excess_variance, straight_line};
use super::dsp::robust;
use super::line_timing::{self, MAX_ROWS};
use super::{Better, Group, Measure, Quantity, QuantityUnit, Value};

/// Rows from the bottom in which the jump is looked for: formats switch 5 to 8 lines before vertical sync, which is at
/// most 5 rows below the raster (common practice, no source), and a worn or mis-set switch comes earlier.
pub const ZONE: usize = 20;

/// Rows above the zone that say where the bottom should stand.
const ABOVE: usize = 40;

/// Lines above that must be seen.
const LEAST_ABOVE: usize = 16;

/// Lines on either side of a place that say whether there is a jump, and rows that they may be spread over.
const NEAR: usize = 3;
const SPREAD: usize = 10;

/// Least jump in its standard deviations.
const SIGNIFICANT: f64 = 5.0;

/// Least jump that matters: what the eye does not see on an upright edge does not spoil a row.
const LEAST_STEP: Samples = Samples(0.5);

/// The same difference over the picture: its quantile that the jump is held against, and how often it must exceed that.
/// Of normal values the quantile is 2.3 standard deviations: twice in a thousand fields noise alone is as large.
const USUAL: f64 = 0.98;
const OVER_USUAL: f64 = 1.6;

/// Places in the picture from which the quantile means something.
const LEAST_PLACES: usize = 40;

/// Share of the jump that a line below must keep, one before it may have, and share of the lines that must do so.
const KEPT: f64 = 0.25;
const NOT_YET: f64 = 0.5;
const MOST_LINES: f64 = 0.75;

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
    steps: Vec<f32>,
    recent: VecDeque<Option<u32>>,
}

impl Default for HeadSwitch {
    fn default() -> Self {
        Self {
            points: Vec::with_capacity(MAX_ROWS),
            below: Vec::with_capacity(ZONE),
            steps: Vec::with_capacity(MAX_ROWS),
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
        let least = nanos_from_samples(LEAST_STEP, timing.sample_rate?).0;
        let least = least.max(OVER_USUAL * self.usual_step(timing, zone)?);
        let jump = (1..self.below.len())
            .filter_map(|first| Place::of(&self.below, first))
            .filter(|place| place.step.abs() > least.max(SIGNIFICANT * place.sigma))
            .filter(Place::lasts)
            .max_by(|a, b| a.step.abs().total_cmp(&b.step.abs()))
            .and_then(|place| place.jump());
        Some(report(jump, rows, self.below.len(), timing.masked_rows))
    }

    /// How far the means of the few lines on either side of a place differ in the picture, but for a few places.
    fn usual_step(&mut self, timing: &line_timing::Reading, zone: usize) -> Option<f64> {
        self.points.clear();
        let picture = timing.picture_rows.start..zone;
        self.points.extend(picture.filter_map(|row| {
            let line = timing.lines.get(row)?;
            Some(Point {
                x: row as f64,
                y: line.displacement.0,
                variance: line.sigma.0.powi(2),
            })
        }));
        self.steps.clear();
        let near = self.points.windows(2 * NEAR);
        let near = near.filter(|lines| lines[2 * NEAR - 1].x - lines[0].x <= SPREAD as f64);
        self.steps.extend(near.map(|lines| {
            let (before, after) = lines.split_at(NEAR);
            (mean(after) - mean(before)).abs() as f32
        }));
        if self.steps.len() < LEAST_PLACES {
            return None;
        }
        robust::quantile(&mut self.steps, USUAL).map(f64::from)
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

/// A place between two lines of the zone.
#[derive(Clone, Copy, Debug)]
struct Place<'a> {
    before: &'a [Point],
    after: &'a [Point],
    /// Mean of the few lines after over that of the few before.
    step: f64,
    sigma: f64,
}

impl<'a> Place<'a> {
    fn of(below: &'a [Point], first: usize) -> Option<Self> {
        let (before, after) = below.split_at_checked(first)?;
        let near_before = &before[before.len().saturating_sub(NEAR)..];
        let near_after = &after[..NEAR.min(after.len())];
        let variance = variance_of_mean(near_before) + variance_of_mean(near_after);
        Some(Self {
            before,
            after,
            step: mean(near_after) - mean(near_before),
            sigma: variance.sqrt(),
        })
    }

    /// Whether the lines after stay on their side of the jump, and those before on theirs, which is where the lines above
    /// the zone would have them: else it is the end of something that began in the zone.
    fn lasts(&self) -> bool {
        let base = self.base();
        if base.abs() > NOT_YET * self.step.abs() {
            return false;
        }
        let share = |points: &[Point], is: &dyn Fn(f64) -> bool| {
            let such = points
                .iter()
                .filter(|point| is((point.y - base) / self.step));
            such.count() as f64 >= MOST_LINES * points.len() as f64
        };
        share(self.after, &|moved| moved > KEPT) && share(self.before, &|moved| moved < NOT_YET)
    }

    /// Where the lines right before stand.
    fn base(&self) -> f64 {
        mean(&self.before[self.before.len().saturating_sub(NEAR)..])
    }

    /// The jump, its size that at the first row: the lines after may be on their way back.
    fn jump(&self) -> Option<Jump> {
        let first = self.after.first()?;
        let near = &self.after[..(NEAR + 1).min(self.after.len())];
        let (size, variance) = match straight_line(near, 0.0) {
            Some(line) => {
                let lever = first.x - line.centre;
                (
                    line.at(first.x),
                    variance_of_mean(near) + line.slope_variance * lever * lever,
                )
            }
            None => (mean(near), variance_of_mean(near)),
        };
        Some(Jump {
            row: first.x,
            size: size - self.base(),
            sigma: (variance + self.sigma.powi(2)).sqrt(),
            support: self.after.len() as u32,
        })
    }
}

fn mean(points: &[Point]) -> f64 {
    points.iter().map(|point| point.y).sum::<f64>() / points.len() as f64
}

fn variance_of_mean(points: &[Point]) -> f64 {
    let sum: f64 = points.iter().map(|point| point.variance).sum();
    sum / (points.len() as f64).powi(2)
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

    /// Lines under rough jitter that neighbours share in part, as a loop passes it: a hash of row and seed, averaged.
    fn rough(row: usize, seed: usize) -> f64 {
        let white = |row: usize| {
            let hash = (row + 1000 * seed).wrapping_mul(0x9E37_79B9_7F4A_7C15);
            ((hash >> 40) % 2001) as f64 / 1000.0 - 1.0
        };
        60.0 * (white(row) + white(row + 1) + white(row + 2)) / 3.0
    }

    #[test]
    fn rough_lines_are_no_jump() {
        let found = (0..500).filter(|&seed| look(|row| Some(rough(row, seed))).line.is_some());
        let found = found.count();
        assert!(found <= 5, "in {found} of 500 fields");
    }

    #[test]
    fn a_few_lines_displaced_in_the_zone_are_no_switch() {
        for rows in [268..271, 270..273, 274..278] {
            let found =
                look(|row| Some(jitter(row) - if rows.contains(&row) { 90.0 } else { 0.0 }));
            assert_eq!(found.line, None, "{rows:?} {found:?}");
        }
    }

    #[test]
    fn a_jump_stands_out_from_rough_lines() {
        for seed in 0..50 {
            let step = |row: usize| if row >= 281 { 300.0 } else { 0.0 };
            let found = look(|row| Some(rough(row, seed) + step(row)));
            assert!(
                found.line.is_some_and(|line| line.abs_diff(281) <= 1),
                "{seed} {found:?}"
            );
        }
    }

    #[test]
    fn a_jump_that_a_loop_pulls_back_has_the_size_of_its_first_row() {
        for row in [276, 280, 284] {
            let back = |at: usize| {
                if at >= row {
                    -1500.0 * (-((at - row) as f64) / 12.0).exp()
                } else {
                    0.0
                }
            };
            let found = look(|at| Some(jitter(at) + back(at)));
            assert!(
                found
                    .line
                    .is_some_and(|line| line.abs_diff(row as u32) <= 1),
                "{row} {found:?}"
            );
            let size = found.step.expect("a jump has a size").value.0;
            assert!((size + 1500.0).abs() < 90.0, "{row} {found:?}");
        }
    }

    #[test]
    fn a_switch_inside_a_line_counts_as_its_row_or_the_next() {
        for share in [0.2, 0.5, 0.8] {
            // The line starts where it should and goes over within: neither of its ends speaks for it.
            let mut reading = reading_of(288, |row| {
                let moved = match row {
                    ..280 => 0.0,
                    280 => 1.0 - share,
                    _ => 1.0,
                };
                Some(jitter(row) + 600.0 * moved)
            });
            let mut lines = line_timing::LineTrace::blank(288);
            for (row, shift) in reading.lines.usable() {
                lines.set(row, shift);
                if row != 280 {
                    lines.set_whole(row);
                }
            }
            reading.lines = lines;
            let found = HeadSwitch::default().measure(&reading);
            assert!(
                found.line.is_some_and(|line| line.abs_diff(280) <= 1),
                "{share} {found:?}"
            );
            let size = found.step.expect("a jump has a size").value.0;
            assert!((size - 600.0).abs() < 40.0, "{share} {found:?}");
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
