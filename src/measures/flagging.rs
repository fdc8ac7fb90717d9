//! The bend at the top of the picture (flagging).
//!
//! In: the displacement of every line. Out: how far the first picture line stands from the settled picture, and over how
//! many lines that dies away. Positive = late = to the right.
//!
//! A line-locked loop that met a step a few lines before the picture is still settling at the top, as a second-order
//! system does: two decaying exponentials of either sign, or a damped oscillation. A bank of such pairs is fitted to the
//! top, each pair linearly with the level of the settled picture, and the best is taken. One exponential of one sign would
//! miss the overshoot that faster loops show instead of a hook.
//!
//! Slow waves look like a bend: what lines further down wave by is in the standard error. Nothing is said where the first
//! lines are not seen.
//!
//! Does not know: which box or decoder the loop is in.

use crate::units::{Estimate, Lines, Nanos};

use super::dsp::fit::invert;
use super::dsp::robust;
use super::{Better, Group, Measure, Quantity, QuantityUnit, Value, line_timing};

/// Rows from the top that are fitted: the slowest decay in the bank, three times.
const ZONE: usize = 96;

/// Rows within which the first line must be seen, and how many of the first ones.
const FIRST_SEEN: usize = 4;
const TOP: usize = 12;
const LEAST_TOP: usize = 6;

/// Lines of the zone that must be seen.
const LEAST_LINES: usize = 30;

/// Decays of the bank in lines, for exponentials (taken in pairs) and for oscillations.
const DECAYS: [f64; 5] = [2.5, 5.0, 10.0, 18.0, 30.0];

/// Periods of the bank's oscillations in lines.
const PERIODS: [f64; 3] = [24.0, 48.0, 96.0];

/// Pairs in the bank: each two decays, and each decay with each period.
const PAIRS: usize = DECAYS.len() * (DECAYS.len() - 1) / 2 + DECAYS.len() * PERIODS.len();

/// Offset over its standard error from which the decay is worth stating.
const SIGNIFICANT: f64 = 3.0;

/// A line's misfit, in standard deviations, beyond which it is left out of the second fit.
const WILD: f64 = 4.0;

/// What is said of one field.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Displacement at the first picture line against the settled picture.
    pub offset: Option<Estimate<Nanos>>,
    /// 1/e length.
    pub decay: Option<Estimate<Lines>>,
}

/// Two shapes a settling loop is made of, line by line.
type Pair = [[f64; 2]; ZONE];

/// A line of the zone: row from the first picture line, displacement, weight.
#[derive(Clone, Copy, Debug)]
struct Line {
    row: usize,
    y: f64,
    weight: f64,
}

/// A pair fitted to the zone.
#[derive(Clone, Copy, Debug)]
struct Fit {
    pair: usize,
    level: f64,
    amounts: [f64; 2],
    offset_variance: f64,
    /// Weighted squares that it explains.
    explained: f64,
}

/// The measure.
#[derive(Debug)]
pub struct Flagging {
    bank: Vec<Pair>,
    lines: Vec<Line>,
    scratch: Vec<f32>,
}

impl Default for Flagging {
    fn default() -> Self {
        Self {
            bank: bank(),
            lines: Vec::with_capacity(ZONE),
            scratch: Vec::with_capacity(line_timing::MAX_ROWS),
        }
    }
}

impl Measure for Flagging {
    type Input<'a> = &'a line_timing::Reading;
    type Reading = Reading;

    fn measure(&mut self, timing: &line_timing::Reading) -> Reading {
        self.look(timing).unwrap_or_default()
    }
}

impl Flagging {
    fn look(&mut self, timing: &line_timing::Reading) -> Option<Reading> {
        self.gather(timing);
        let first = self.lines.first()?.row;
        let top = self.lines.iter().filter(|line| line.row < TOP).count();
        if first >= FIRST_SEEN || top < LEAST_TOP || self.lines.len() < LEAST_LINES {
            return None;
        }
        let rough = self.best()?;
        let scatter = self.drop_wild(&rough);
        let fit = self.best()?;
        let waving = waving(timing);
        let sigma = (fit.offset_variance * scatter.max(1.0) + waving).sqrt();
        let offset = self.at(&fit, 0);
        let support = self.lines.len() as u32;
        let significant = offset.abs() > SIGNIFICANT * sigma;
        let decay = self.decay(&fit).filter(|_| significant).map(|lines| {
            let share = (1.5 * sigma / offset.abs()).max(0.1);
            Estimate::new(Lines(lines), Lines(lines * share), support)
        });
        Some(Reading {
            offset: Some(Estimate::new(Nanos(offset), Nanos(sigma), support)),
            decay,
        })
    }

    /// The lines of the zone, weighted by their own variance and what lines scatter from one to the next.
    fn gather(&mut self, timing: &line_timing::Reading) {
        let start = timing.picture_rows.start;
        let zone = start..(start + ZONE).min(timing.picture_rows.end);
        self.lines.clear();
        self.lines.extend(zone.filter_map(|row| {
            let line = timing.lines.get(row)?;
            Some(Line {
                row: row - start,
                y: line.displacement.0,
                weight: line.sigma.0.powi(2),
            })
        }));
        self.scratch.clear();
        self.scratch.extend(
            self.lines
                .windows(2)
                .map(|pair| (pair[1].y - pair[0].y).abs() as f32),
        );
        let step = robust::SIGMA_PER_MAD * robust::median(&mut self.scratch).unwrap_or(0.0);
        let scatter = 0.5 * f64::from(step * step);
        for line in &mut self.lines {
            line.weight = 1.0 / (line.weight.max(scatter) + f64::MIN_POSITIVE);
        }
    }

    fn best(&self) -> Option<Fit> {
        (0..self.bank.len())
            .filter_map(|pair| self.fit(pair))
            .max_by(|a, b| a.explained.total_cmp(&b.explained))
    }

    /// Least squares of level and both amounts.
    fn fit(&self, pair: usize) -> Option<Fit> {
        let shapes = &self.bank[pair];
        let mut normal = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        for line in &self.lines {
            let [a, b] = shapes[line.row];
            let columns = [1.0, a, b];
            for (i, &column) in columns.iter().enumerate() {
                right[i] += line.weight * column * line.y;
                for (cell, &other) in normal[i].iter_mut().zip(&columns) {
                    *cell += line.weight * column * other;
                }
            }
        }
        if !invert(&mut normal) {
            return None;
        }
        let solved = normal.map(|row| row.iter().zip(right).map(|(a, b)| a * b).sum::<f64>());
        let [a, b] = shapes[0];
        let offset_variance =
            a * a * normal[1][1] + 2.0 * a * b * normal[1][2] + b * b * normal[2][2];
        Some(Fit {
            pair,
            level: solved[0],
            amounts: [solved[1], solved[2]],
            offset_variance,
            explained: solved.iter().zip(right).map(|(a, b)| a * b).sum(),
        })
    }

    /// Bend at a row of the zone.
    fn at(&self, fit: &Fit, row: usize) -> f64 {
        let [a, b] = self.bank[fit.pair][row];
        fit.amounts[0] * a + fit.amounts[1] * b
    }

    fn miss(&self, fit: &Fit, line: &Line) -> f64 {
        line.y - fit.level - self.at(fit, line.row)
    }

    /// Leaves out lines that the fit misses by far (tears); returns the scatter of the others over what was expected.
    fn drop_wild(&mut self, fit: &Fit) -> f64 {
        let mut misses = std::mem::take(&mut self.scratch);
        misses.clear();
        misses.extend(
            self.lines
                .iter()
                .map(|line| (line.weight.sqrt() * self.miss(fit, line)).abs() as f32),
        );
        let usual = f64::from(robust::SIGMA_PER_MAD * robust::median(&mut misses).unwrap_or(0.0));
        let mut lines = std::mem::take(&mut self.lines);
        lines.retain(|line| {
            line.weight.sqrt() * self.miss(fit, line).abs() <= WILD * usual.max(1.0)
        });
        self.lines = lines;
        self.scratch = misses;
        usual * usual
    }

    /// Row from which on the bend stays below 1/e of its first value.
    fn decay(&self, fit: &Fit) -> Option<f64> {
        let limit = self.at(fit, 0).abs() / std::f64::consts::E;
        let last = (0..ZONE)
            .rev()
            .find(|&row| self.at(fit, row).abs() > limit)?;
        let (above, below) = (
            self.at(fit, last).abs(),
            self.at(fit, (last + 1).min(ZONE - 1)).abs(),
        );
        let part = if above > below {
            (above - limit) / (above - below)
        } else {
            0.0
        };
        (last + 1 < ZONE).then_some(last as f64 + part)
    }
}

/// Variance of the means of ten lines, below the part where the bend is: what a wave may do to the top.
fn waving(timing: &line_timing::Reading) -> f64 {
    const BLOCK: usize = 10;
    let from = timing.picture_rows.start + ZONE / 2;
    let (mut sum, mut squares, mut blocks) = (0.0, 0.0, 0.0);
    let mut start = from;
    while start + BLOCK <= timing.picture_rows.end {
        let seen = (start..start + BLOCK).filter_map(|row| timing.lines.get(row));
        let (mut total, mut count) = (0.0, 0.0);
        for line in seen {
            total += line.displacement.0;
            count += 1.0;
        }
        if count > 3.0 {
            let mean = total / count;
            sum += mean;
            squares += mean * mean;
            blocks += 1.0;
        }
        start += BLOCK;
    }
    if blocks < 3.0 {
        0.0
    } else {
        (squares / blocks - (sum / blocks).powi(2)).max(0.0)
    }
}

fn bank() -> Vec<Pair> {
    let exponential = |row: usize, decay: f64| (-(row as f64) / decay).exp();
    let mut bank = Vec::with_capacity(PAIRS);
    for (i, &fast) in DECAYS.iter().enumerate() {
        for &slow in &DECAYS[i + 1..] {
            bank.push(std::array::from_fn(|row| {
                [exponential(row, fast), exponential(row, slow)]
            }));
        }
        for &period in &PERIODS {
            bank.push(std::array::from_fn(|row| {
                let turn = std::f64::consts::TAU * row as f64 / period;
                [
                    exponential(row, fast) * turn.cos(),
                    exponential(row, fast) * turn.sin(),
                ]
            }));
        }
    }
    bank
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "flagging.offset_ns",
        label: "flagging",
        unit: QuantityUnit::Ns,
        better: Better::NearZero,
        group: Group::Steadiness,
        step: 1.0,
        words: &[],
        about: "How far the first picture line stands from where the picture settles; positive = bent to the right. Left over \
                from the step at the head switch when tape tension or stretch differs between recording and playing, while the \
                decoder or box is still catching up. Try: tension adjustment, another player, a box or decoder that locks \
                faster or forgets at the head switch. Absent where the first lines show no timing.",
        read: |r| r.flagging.offset.map(Value::from),
    },
    Quantity {
        id: "flagging.decay_lines",
        label: "flagging length",
        unit: QuantityUnit::Lines,
        better: Better::Low,
        group: Group::Steadiness,
        step: 0.1,
        words: &[],
        about: "Field lines after which the bend at the top stays below 1/e (37 %) of its first value: how slowly the decoder \
                or box catches up. Absent when there is no bend to speak of.",
        read: |r| r.flagging.decay.map(Value::from),
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
        Flagging::default().measure(&reading_of(240, shift))
    }

    fn check_offset(bend: impl Fn(f64) -> f64, expected: f64, tolerance: f64) {
        let found = look(|row| Some(30.0 + jitter(row) + bend(row as f64)));
        let offset = found.offset.expect("the top is seen");
        assert!(
            (offset.value.0 - expected).abs() < tolerance,
            "{expected} {found:?}"
        );
    }

    #[test]
    fn a_hook_is_measured_with_its_length() {
        let found = look(|row| Some(jitter(row) + 400.0 * (-(row as f64) / 12.0).exp()));
        let offset = found.offset.expect("the top is seen");
        assert!(
            (offset.value.0 - 400.0).abs() < 3.0 * offset.sigma.0 + 5.0,
            "{found:?}"
        );
        let decay = found.decay.expect("it is large");
        assert!((decay.value.0 - 12.0).abs() < 1.5, "{found:?}");
    }

    #[test]
    fn the_offset_keeps_its_sign() {
        check_offset(|i| -250.0 * (-i / 8.0).exp(), -250.0, 25.0);
        check_offset(|i| 250.0 * (-i / 8.0).exp(), 250.0, 25.0);
    }

    #[test]
    fn an_overshoot_of_the_other_sign_is_followed() {
        check_offset(
            |i| 300.0 * (-i / 6.0).exp() - 120.0 * (-i / 20.0).exp(),
            180.0,
            25.0,
        );
        check_offset(|i| 200.0 * (-i / 14.0).exp() * (i / 8.0).cos(), 200.0, 25.0);
    }

    #[test]
    fn a_straight_top_is_zero_within_its_error() {
        let found = look(|row| Some(jitter(row)));
        let offset = found.offset.expect("the top is seen");
        assert!(offset.value.0.abs() < 3.0 * offset.sigma.0, "{found:?}");
        assert!(found.decay.is_none());
    }

    #[test]
    fn a_tear_in_the_zone_is_left_out() {
        check_offset(
            |i| {
                200.0 * (-i / 10.0).exp()
                    + if (50.0..58.0).contains(&i) {
                        900.0
                    } else {
                        0.0
                    }
            },
            200.0,
            25.0,
        );
    }

    #[test]
    fn an_unseen_top_says_nothing() {
        assert!(look(|row| (row > 6).then(|| jitter(row))).offset.is_none());
        assert!(look(|_| None).offset.is_none());
    }
}
