//! Runs of lines torn out of the picture.
//!
//! In: the displacement of every line, and the bend at the top. Out: how many picture lines lie in runs of three or more that stand beyond
//! max(1 sample, 6 standard deviations) from the lines around them, to one side, with a jump where the run starts or ends.
//! The bend at the top is taken off first; a wave has no jump and is no tear. Runs up to about 20 lines are seen; a longer one is the picture.
//! A tear displaces whole lines: lines of which one end alone stands apart are picture detail beside that edge.
//!
//! Nothing is said where fewer than three in ten picture lines show their timing, nor by the picture alone while the camera moves
//! it down: a thing that passes in front of a picture that is made anew from other lines in each field tears it too.
//!
//! Does not know: edges, and what tore the picture.

use crate::units::{Nanos, Samples, nanos_from_samples};

use super::dsp::robust;
use super::line_timing::{self, MAX_ROWS};
use super::{Better, Group, Measure, Quantity, QuantityUnit, Value, flagging};

/// Least displacement that is a tear.
const LEAST: Samples = Samples(1.0);

/// The same in standard deviations of a line.
const SIGMAS: f32 = 6.0;

/// Lines that a tear has at the least: fewer are dropouts or misread lines.
const LEAST_RUN: usize = 3;

/// Lines without evidence that do not end a run.
const LONGEST_GAP: usize = 2;

/// Rows between places where the surroundings are taken, and rows each of them looks at.
const STRIDE: usize = 12;
const REACH: usize = 48;

/// Least share of picture lines with evidence.
const LEAST_COVERAGE: f64 = 0.3;

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// Where the lines stand.
    pub timing: &'a line_timing::Reading,
    /// How the top is bent.
    pub flagging: &'a flagging::Reading,
}

/// What is said of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Picture lines in runs of three or more displaced beyond the tear limit.
    pub lines: Option<u32>,
}

/// A line's displacement, less that of its surroundings.
#[derive(Clone, Copy, Debug)]
struct Stand {
    row: usize,
    off: f32,
    sigma: f32,
    whole: bool,
}

/// The measure.
#[derive(Debug)]
pub struct Tear {
    lines: Vec<Stand>,
    knots: Vec<f32>,
    scratch: Vec<f32>,
}

impl Default for Tear {
    fn default() -> Self {
        Self {
            lines: Vec::with_capacity(MAX_ROWS),
            knots: Vec::with_capacity(MAX_ROWS / STRIDE + 2),
            scratch: Vec::with_capacity(MAX_ROWS),
        }
    }
}

impl Measure for Tear {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, Input { timing, flagging }: Input<'_>) -> Reading {
        let Some(rate) = timing.sample_rate else {
            return Reading::default();
        };
        if timing.is_against_remade_rows() {
            return Reading::default();
        }
        let rows = timing.picture_rows.clone();
        self.lines.clear();
        self.lines.extend(
            timing
                .lines
                .usable()
                .filter(|(row, _)| rows.contains(row))
                .map(|(row, line)| Stand {
                    row,
                    off: (line.displacement - flagging.at(row).unwrap_or(Nanos(0.0))).0 as f32,
                    sigma: line.sigma.0 as f32,
                    whole: timing.lines.is_whole(row),
                }),
        );
        if self.lines.is_empty() || (self.lines.len() as f64) < LEAST_COVERAGE * rows.len() as f64 {
            return Reading::default();
        }
        self.take_surroundings_off(&rows);
        let least = nanos_from_samples(LEAST, rate).0 as f32;
        Reading {
            lines: Some(self.count(least)),
        }
    }
}

impl Tear {
    /// Takes off each line what it stands from the medians at two places a few lines apart; a line between them stands with its
    /// surroundings. Where a thing that moves ends, they are far from each other, and a line that stands with either is no tear.
    fn take_surroundings_off(&mut self, rows: &std::ops::Range<usize>) {
        self.knots.clear();
        let mut last = 0.0;
        for centre in (rows.start..rows.end + STRIDE).step_by(STRIDE) {
            let start = centre
                .saturating_sub(REACH / 2)
                .min(rows.end.saturating_sub(REACH))
                .max(rows.start);
            let near = start..start + REACH;
            let from = self.lines.partition_point(|line| line.row < near.start);
            self.scratch.clear();
            let there = self.lines[from..]
                .iter()
                .take_while(|line| line.row < near.end);
            self.scratch.extend(there.map(|line| line.off));
            last = robust::median(&mut self.scratch).unwrap_or(last);
            self.knots.push(last);
        }
        for line in &mut self.lines {
            let place = (line.row - rows.start) as f32 / STRIDE as f32;
            let knot = place as usize;
            let (above, below) = (self.knots[knot], self.knots[knot + 1]);
            line.off -= line.off.clamp(above.min(below), above.max(below));
        }
    }

    fn count(&mut self, least: f32) -> u32 {
        self.scratch.clear();
        self.scratch.extend(self.lines.iter().map(|line| line.off));
        let usual = robust::median_and_spread(&mut self.scratch).map_or(0.0, |(_, spread)| spread);
        let limit = |line: &Stand| least.max(SIGMAS * line.sigma.hypot(usual));
        let torn = |line: &Stand| line.off.abs() > limit(line);
        let mut count = 0;
        let mut from = 0;
        while from < self.lines.len() {
            let first = self.lines[from];
            if !torn(&first) {
                from += 1;
                continue;
            }
            let belongs = |pair: &&[Stand]| {
                torn(&pair[1])
                    && pair[1].off.signum() == first.off.signum()
                    && pair[1].row - pair[0].row <= LONGEST_GAP + 1
            };
            let run = 1 + self.lines[from..].windows(2).take_while(belongs).count();
            let jump = |a: Option<&Stand>, b: &Stand| {
                a.is_some_and(|a| (a.off - b.off).abs() > 0.7 * limit(b))
            };
            let before = from.checked_sub(1).and_then(|i| self.lines.get(i));
            let starts = jump(before, &first);
            let ends = jump(self.lines.get(from + run), &self.lines[from + run - 1]);
            let lines = &self.lines[from..from + run];
            let whole = lines.iter().filter(|line| line.whole).count();
            if whole >= LEAST_RUN && 2 * whole > run && (starts || ends) {
                count += run as u32;
            }
            from += run;
        }
        count
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[Quantity {
    id: "tear.lines",
    label: "torn lines",
    unit: QuantityUnit::Lines,
    better: Better::Low,
    group: Group::Steadiness,
    step: 1.0,
    words: &[],
    about: "Picture lines in runs of three or more that stand far to one side of the lines around them: beyond one sample and \
            beyond six standard deviations, with a jump at an end. Usually a moment where the decoder or box lost line \
            sync: dropouts, a crease, an edit, a weak head. Try: play the stretch again, clean the heads, adjust tracking, a \
            box with better sync recovery. Absent where fewer than 30 % of the lines could be read, and by the picture alone while the camera tilts, zooms or \
            turns.",
    read: |r| r.tear.lines.map(|lines| Value::Count(u64::from(lines))),
}];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::line_timing::Basis;
    use crate::measures::line_timing::testing::reading_of;

    const ONE: f64 = 1000.0 / 13.5;

    fn torn(shift: impl Fn(usize) -> Option<f64>) -> Option<u32> {
        look(&reading_of(240, shift))
    }

    fn look(timing: &line_timing::Reading) -> Option<u32> {
        let flagging = flagging::Flagging::default().measure(timing);
        let input = Input {
            timing,
            flagging: &flagging,
        };
        Tear::default().measure(input).lines
    }

    fn jitter(row: usize) -> f64 {
        4.0 * ((row * 7919 % 101) as f64 / 50.0 - 1.0)
    }

    /// Jitter everywhere, and `rows` five samples late besides.
    fn displaced(rows: std::ops::Range<usize>) -> impl Fn(usize) -> Option<f64> {
        move |row| {
            let late = if rows.contains(&row) { 5.0 * ONE } else { 0.0 };
            Some(jitter(row) + late)
        }
    }

    #[test]
    fn lines_of_a_tear_are_counted() {
        assert_eq!(torn(displaced(100..112)), Some(12));
    }

    #[test]
    fn the_picture_alone_says_nothing_of_tears_while_the_camera_moves_it_down() {
        let mut reading = reading_of(240, displaced(100..112));
        reading.picture_moves_down = true;
        assert_eq!(look(&reading), Some(12));
        reading.basis = Basis::Content;
        assert_eq!(look(&reading), None);
        reading.picture_moves_down = false;
        assert_eq!(look(&reading), Some(12));
    }

    #[test]
    fn two_lines_are_no_tear() {
        assert_eq!(torn(displaced(100..102)), Some(0));
    }

    #[test]
    fn a_bent_top_and_a_wave_are_no_tear() {
        let shift = |row: usize| {
            let bend = 6.0 * ONE * (-(row as f64) / 12.0).exp();
            Some(jitter(row) + bend + 2.0 * ONE * (row as f64 / 20.0).sin())
        };
        assert_eq!(torn(shift), Some(0));
    }

    #[test]
    fn a_steep_hook_is_no_tear_and_hides_none() {
        for decay in [5.0, 14.0, 40.0] {
            let hook = |row: usize| 9.0 * ONE * (-(row as f64) / decay).exp();
            assert_eq!(
                torn(|row| Some(jitter(row) + hook(row))),
                Some(0),
                "{decay}"
            );
            let late = displaced(100..112);
            let both = |row: usize| Some(hook(row) + late(row)?);
            assert_eq!(torn(both), Some(12), "{decay}");
        }
    }

    #[test]
    fn lines_beside_a_large_thing_that_moves_are_no_tear() {
        let mut reading = reading_of(240, |row| {
            let passing = (60..100).contains(&row);
            Some(jitter(row) - if passing { 6.0 * ONE } else { 0.0 })
        });
        let mut lines = line_timing::LineTrace::blank(240);
        for (row, shift) in reading.lines.usable() {
            lines.set(row, shift);
            if !(60..100).contains(&row) {
                lines.set_whole(row);
            }
        }
        reading.lines = lines;
        assert_eq!(look(&reading), Some(0));
    }

    #[test]
    fn lines_of_which_one_end_alone_stands_apart_are_no_tear() {
        let mut reading = reading_of(240, |row| {
            Some(
                jitter(row)
                    + if (100..112).contains(&row) {
                        5.0 * ONE
                    } else {
                        0.0
                    },
            )
        });
        let mut lines = line_timing::LineTrace::blank(240);
        for (row, shift) in reading.lines.usable() {
            lines.set(row, shift);
        }
        reading.lines = lines;
        assert_eq!(look(&reading), Some(0));
    }

    #[test]
    fn a_tear_with_lines_missing_counts_those_that_are_there() {
        let shift = |row: usize| {
            (!row.is_multiple_of(3)).then(|| {
                jitter(row)
                    - if (60..72).contains(&row) {
                        8.0 * ONE
                    } else {
                        0.0
                    }
            })
        };
        assert_eq!(torn(shift), Some(8));
    }

    #[test]
    fn without_evidence_nothing_is_said() {
        assert_eq!(torn(|_| None), None);
        assert_eq!(torn(|row| (row < 30).then_some(0.0)), None);
        assert_eq!(look(&line_timing::Reading::default()), None);
    }
}
