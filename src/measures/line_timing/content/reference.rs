//! What a line should show: the mean of the last fields, each put straight by its own timing and moved as the camera moved.
//!
//! In: the kept fields and how each is reached from the present one. Out: for a row, the samples expected of it without any
//! line timing, and over how many fields each stretch is averaged.
//!
//! Rows of one field alias when the picture moves down by a fraction of a line: what stood between two rows was never
//! sampled. So of the kept fields those are taken that saw the very line, to a tenth; only where none did, the nearest two
//! rows of one field stand in. What changed at a place since is not looked for in older fields.
//!
//! Does not know: the present field.

use multiversion::multiversion;

use crate::measures::dsp::spline::{STRETCH, Shifted, Tap};

use super::super::HEAD_SWITCH_ROWS;
use super::MAX_STRETCHES;
use super::memory::{KEPT, SAME_LINE, Shot};
use super::warp::Warp;

/// The kept fields, newest first, and how each is reached from the present one.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Past<'a> {
    shots: [Option<(&'a Shot, Warp)>; KEPT],
    count: usize,
    same_line: f64,
}

impl<'a> Past<'a> {
    /// All of `shots`, from a field that reaches the newest by `now`.
    pub(super) fn of_all(shots: impl Iterator<Item = &'a Shot>, now: &Warp) -> Self {
        Self {
            same_line: SAME_LINE,
            ..Self::new(shots, now)
        }
    }

    /// Only the field before, by `now`, followed to any part of a line.
    pub(super) fn of_last(last: &'a Shot, now: &Warp) -> Self {
        Self::new(std::iter::once(last), now)
    }

    fn new(shots: impl Iterator<Item = &'a Shot>, now: &Warp) -> Self {
        let mut past = Self::default();
        for (slot, shot) in past.shots.iter_mut().zip(shots) {
            *slot = Some((shot, now.after(&shot.warp, shot.frame())));
            past.count += 1;
        }
        past
    }

    fn iter(&self) -> impl Iterator<Item = (usize, &'a Shot)> {
        self.shots[..self.count]
            .iter()
            .flatten()
            .enumerate()
            .map(|(nth, (shot, _))| (nth, *shot))
    }
}

/// Part of one kept row that goes into an expected stretch.
#[derive(Clone, Copy, Debug, Default)]
struct Term {
    shot: usize,
    start: usize,
    weights: [f32; 4],
}

/// What a row's reference is made of.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Made {
    /// Over how many fields each stretch is averaged; 0 where nothing is expected.
    pub averaged: [f32; MAX_STRETCHES],
    /// Mean of how far the kept rows have moved.
    pub moved: f32,
    /// Mean of how many fields they have seen.
    pub seen: f32,
}

impl Made {
    /// The stretches of which something is known, a bit each.
    pub(super) fn known(&self) -> u32 {
        let bits = self.averaged.iter().enumerate();
        bits.fold(0, |bits, (nth, &fields)| {
            bits | u32::from(fields > 0.0) << nth
        })
    }

    /// Fields averaged over, on the mean of the stretches that are known.
    pub(super) fn fields(&self) -> f32 {
        let known = self.averaged.iter().filter(|&&fields| fields > 0.0);
        let (sum, count) = known.fold((0.0, 0.0_f32), |(sum, count), fields| {
            (sum + fields, count + 1.0)
        });
        sum / count.max(1.0)
    }
}

/// Makes rows of the reference; its room is that of one row.
#[derive(Debug)]
pub(super) struct Composer {
    /// Stretch after stretch.
    terms: [Term; KEPT * MAX_STRETCHES],
    count: usize,
    /// By stretch, the first term of the next.
    ends: [usize; MAX_STRETCHES],
    /// Weights; weighted, how far rows have moved and how many fields they have seen.
    sums: [f32; 3],
}

/// A stretch's place in a kept field.
struct Found {
    row: usize,
    /// Beyond `row`, in lines: −0.5 to 0.5.
    beyond: f64,
    x: f64,
}

impl Composer {
    pub(super) fn new() -> Self {
        Self {
            terms: [Term::default(); KEPT * MAX_STRETCHES],
            count: 0,
            ends: [0; MAX_STRETCHES],
            sums: [0.0; 3],
        }
    }

    /// The samples expected of `row` into `values`, a whole number of stretches.
    pub(super) fn compose(&mut self, past: &Past<'_>, row: usize, values: &mut [f32]) -> Made {
        let mut made = Made::default();
        self.count = 0;
        self.sums = [0.0; 3];
        let ways: [Option<Way>; KEPT] =
            std::array::from_fn(|nth| Way::of(past.shots[nth].as_ref()?, row));
        let mut planes: [&[f32]; KEPT] = [&[]; KEPT];
        for (nth, shot) in past.iter() {
            planes[nth] = shot.coefficients();
        }
        let stretches = values.len() / STRETCH;
        if let Some(rows) = LevelRows::of(&ways, &planes) {
            self.sums = average_level(&rows, &mut made.averaged, values);
        } else {
            for stretch in 0..stretches {
                made.averaged[stretch] = self.plan(past, &ways, row, stretch);
                self.ends[stretch] = self.count;
            }
            average(&self.terms, &self.ends, &planes, &made.averaged, values);
        }
        let [weight, moved, seen] = self.sums;
        if weight > 0.0 {
            (made.moved, made.seen) = (moved / weight, seen / weight);
        }
        if made.averaged[..stretches].contains(&0.0) {
            carry_on(&made.averaged, values);
        }
        made
    }

    /// Chooses where a stretch is taken from; returns how many fields it is the mean of.
    fn plan(
        &mut self,
        past: &Past<'_>,
        ways: &[Option<Way>; KEPT],
        row: usize,
        stretch: usize,
    ) -> f32 {
        let mut fields = 0.0;
        let mut nearest: Option<(usize, &Shot, Found)> = None;
        for (nth, shot) in past.iter() {
            let slanted = match &ways[nth] {
                Some(Way::Level(level)) => {
                    fields += f32::from(u8::from(self.add_level(nth, level, stretch)));
                    if level.changed >> stretch & 1 != 0 {
                        break;
                    }
                    continue;
                }
                Some(Way::Slanted(slanted)) => slanted,
                None => continue,
            };
            let Some(found) = slanted.find(shot, row, stretch) else {
                continue;
            };
            let changed = shot.changed[found.row] >> stretch & 1 != 0;
            if found.beyond.abs() <= past.same_line {
                if self.add(nth, shot, found.row, &found, 1.0) {
                    fields += 1.0;
                }
            } else if nearest
                .as_ref()
                .is_none_or(|(_, _, best)| found.beyond.abs() < best.beyond.abs())
            {
                nearest = Some((nth, shot, found));
            }
            if changed {
                break;
            }
        }
        if fields > 0.0 {
            return fields;
        }
        let Some((nth, shot, found)) = nearest else {
            return 0.0;
        };
        self.between(nth, shot, &found)
    }

    /// Takes a stretch between two rows of one field.
    fn between(&mut self, nth: usize, shot: &Shot, found: &Found) -> f32 {
        let other = found
            .row
            .checked_add_signed(if found.beyond > 0.0 { 1 } else { -1 });
        let part = found.beyond.abs() as f32;
        let before = self.count;
        let both = other.is_some_and(|other| {
            self.add(nth, shot, found.row, found, 1.0 - part)
                && self.add(nth, shot, other, found, part)
        });
        if both {
            1.0
        } else {
            self.count = before;
            0.0
        }
    }

    fn add_level(&mut self, nth: usize, level: &Level, stretch: usize) -> bool {
        let Some(start) = level.taps.start(stretch).filter(|_| level.sound) else {
            return false;
        };
        for (sum, own) in self.sums.iter_mut().zip(level.own) {
            *sum += own;
        }
        self.terms[self.count] = Term {
            shot: nth,
            start: level.start + start,
            weights: level.taps.weights,
        };
        self.count += 1;
        true
    }

    fn add(&mut self, nth: usize, shot: &Shot, row: usize, found: &Found, weight: f32) -> bool {
        if row >= shot.rows() || !shot.sound[row] {
            return false;
        }
        let Some(tap) = Tap::stretch_at(found.x as f32 + shot.place[row], shot.width()) else {
            return false;
        };
        let own = [1.0, shot.moved[row], shot.seen[row]];
        for (sum, own) in self.sums.iter_mut().zip(own) {
            *sum += weight * own;
        }
        self.terms[self.count] = Term {
            shot: nth,
            start: row * shot.stride() + tap.start,
            weights: tap.weights.map(|tap| tap * weight),
        };
        self.count += 1;
        true
    }
}

/// How the stretches of a row are reached in a kept field.
#[derive(Clone, Copy, Debug)]
enum Way {
    Level(Level),
    Slanted(Slanted),
}

/// A row of a kept field that stands for a whole row of this one, moved across alike everywhere: what holds for all its
/// stretches.
#[derive(Clone, Copy, Debug)]
struct Level {
    /// Coefficient that the row begins with.
    start: usize,
    taps: Shifted,
    sound: bool,
    own: [f32; 3],
    changed: u32,
}

/// Every stretch has its own place: that of the first, and how much further the next ones lie.
#[derive(Clone, Copy, Debug)]
struct Slanted {
    x: [f64; 2],
    y: [f64; 2],
}

impl Way {
    fn of((shot, warp): &(&Shot, Warp), row: usize) -> Option<Self> {
        let middle_of = |stretch: usize| {
            let middle = (stretch * STRETCH) as f64 + 0.5 * STRETCH as f64;
            warp.at(shot.frame().relative(middle, row as f64))
        };
        let ([across, down], [next_across, next_down]) = (middle_of(0), middle_of(1));
        if warp.moves_down() || warp.across[1] != 0.0 {
            return Some(Self::Slanted(Slanted {
                x: [-across, STRETCH as f64 - (next_across - across)],
                y: [row as f64 - down, down - next_down],
            }));
        }
        (row < shot.rows()).then(|| {
            Self::Level(Level {
                start: row * shot.stride(),
                taps: Shifted::by(shot.place[row] - across as f32, shot.width()),
                sound: shot.sound[row],
                own: [1.0, shot.moved[row], shot.seen[row]],
                changed: shot.changed[row],
            })
        })
    }
}

/// Rows of kept fields that all stand for a whole row of this one: nothing must be looked for stretch by stretch.
#[derive(Clone, Copy, Debug, Default)]
struct LevelRows<'a> {
    rows: [Option<(&'a [f32], Level)>; KEPT],
}

impl<'a> LevelRows<'a> {
    /// `None` where a row must be looked for.
    fn of(ways: &[Option<Way>; KEPT], planes: &[&'a [f32]; KEPT]) -> Option<Self> {
        let mut rows = Self::default();
        for ((slot, way), plane) in rows.rows.iter_mut().zip(ways).zip(planes) {
            match way {
                Some(Way::Level(level)) => *slot = Some((plane.get(level.start..)?, *level)),
                Some(Way::Slanted(_)) => return None,
                None => {}
            }
        }
        Some(rows)
    }
}

impl Slanted {
    fn find(&self, shot: &Shot, row: usize, stretch: usize) -> Option<Found> {
        let nth = stretch as f64;
        let y = self.y[0] + nth * self.y[1];
        // A cast where `round` would do: before SSE 4.1 that is a call.
        let nearest = (y + 0.5) as usize;
        let inside = y >= -0.5 && nearest < shot.rows();
        (inside && may_stand_for(row, nearest, shot.rows())).then_some(Found {
            row: nearest,
            beyond: y - nearest as f64,
            x: self.x[0] + nth * self.x[1],
        })
    }
}

/// Whether a kept row can stand for a row: those where the heads are switched are displaced by a step that is always there,
/// so they stand for nothing but themselves.
fn may_stand_for(row: usize, kept: usize, rows: usize) -> bool {
    let switched = |row: usize| row + HEAD_SWITCH_ROWS >= rows;
    row == kept || !switched(row) && !switched(kept)
}

/// The mean of each stretch's terms; 0 where it has none.
#[multiversion(targets("x86_64+avx2"))]
fn average(
    terms: &[Term],
    ends: &[usize],
    planes: &[&[f32]; KEPT],
    averaged: &[f32],
    values: &mut [f32],
) {
    let mut first = 0;
    let stretches = values.as_chunks_mut::<STRETCH>().0.iter_mut();
    for ((values, &end), &fields) in stretches.zip(ends).zip(averaged) {
        let mut sums = [0.0; STRETCH];
        for term in &terms[first..end] {
            let from = planes[term.shot]
                .get(term.start..)
                .and_then(|from| from.first_chunk::<{ STRETCH + 3 }>());
            let Some(from) = from else { continue };
            let [a, b, c, d] = term.weights;
            for x in 0..STRETCH {
                sums[x] += (a * from[x] + b * from[x + 1]) + (c * from[x + 2] + d * from[x + 3]);
            }
        }
        first = end;
        let share = 1.0 / fields.max(1.0);
        for x in 0..STRETCH {
            values[x] = share * sums[x];
        }
    }
}

/// The mean of level rows, with over how many fields each stretch is averaged; returns the sums of what rows have of their
/// own.
#[multiversion(targets("x86_64+avx2"))]
fn average_level(
    rows: &LevelRows<'_>,
    averaged: &mut [f32; MAX_STRETCHES],
    values: &mut [f32],
) -> [f32; 3] {
    let mut own = [0.0; 3];
    let stretches = values.as_chunks_mut::<STRETCH>().0.iter_mut();
    for (stretch, (values, averaged)) in stretches.zip(averaged).enumerate() {
        let mut sums = [0.0; STRETCH];
        let mut fields = 0.0_f32;
        for (coefficients, level) in rows.rows.iter().flatten() {
            let start = level.taps.start(stretch).filter(|_| level.sound);
            let from = start.and_then(|start| {
                let from = coefficients.get(start..)?;
                from.first_chunk::<{ STRETCH + 3 }>()
            });
            if let Some(from) = from {
                let [a, b, c, d] = level.taps.weights;
                for x in 0..STRETCH {
                    sums[x] +=
                        (a * from[x] + b * from[x + 1]) + (c * from[x + 2] + d * from[x + 3]);
                }
                fields += 1.0;
                for (own, of_row) in own.iter_mut().zip(level.own) {
                    *own += of_row;
                }
            }
            if level.changed >> stretch & 1 != 0 {
                break;
            }
        }
        let share = 1.0 / fields.max(1.0);
        for x in 0..STRETCH {
            values[x] = share * sums[x];
        }
        *averaged = fields;
    }
    own
}

/// A stretch of which nothing is known carries on from its neighbour, so that no edge stands there.
fn carry_on(averaged: &[f32], values: &mut [f32]) {
    let mut last = None;
    for (stretch, &fields) in values.chunks_exact_mut(STRETCH).zip(averaged) {
        if fields > 0.0 {
            last = stretch.last().copied();
        } else if let Some(last) = last {
            stretch.fill(last);
        }
    }
    let known = averaged.iter().position(|&fields| fields > 0.0);
    if let Some(known) = known {
        let first = values[known * STRETCH];
        values[..known * STRETCH].fill(first);
    }
}

/// The slope of a row, by a central difference that is right to the sixth order, into `slopes`.
#[multiversion(targets("x86_64+avx2"))]
pub(super) fn slopes(values: &[f32], slopes: &mut [f32]) {
    const REACH: usize = 3;
    let count = values.len();
    if count <= 2 * REACH {
        slopes[..count].fill(0.0);
        return;
    }
    slopes[..REACH].fill(0.0);
    slopes[count - REACH..count].fill(0.0);
    let inner = count - 2 * REACH;
    let at = |offset: usize| &values[offset..offset + inner];
    let (a, b, c, d, e, f) = (at(0), at(1), at(2), at(4), at(5), at(6));
    let slopes = &mut slopes[REACH..REACH + inner];
    for x in 0..inner {
        slopes[x] = ((f[x] - a[x]) - 9.0 * (e[x] - b[x]) + 45.0 * (d[x] - c[x])) * (1.0 / 60.0);
    }
}
