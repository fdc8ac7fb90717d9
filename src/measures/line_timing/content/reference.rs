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

use crate::measures::dsp::spline::{MARGIN, STRETCH, Tap};

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

    fn iter(&self) -> impl Iterator<Item = (usize, &'a Shot, &Warp)> {
        self.shots[..self.count]
            .iter()
            .flatten()
            .enumerate()
            .map(|(nth, (shot, warp))| (nth, *shot, warp))
    }
}

/// Part of one kept row that goes into an expected stretch.
#[derive(Clone, Copy, Debug)]
struct Term {
    shot: usize,
    stretch: usize,
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
    pub(super) fn knows(&self, stretch: usize) -> bool {
        self.averaged[stretch] > 0.0
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

/// Makes rows of the reference; keeps its room.
#[derive(Debug)]
pub(super) struct Composer {
    terms: Vec<Term>,
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
            terms: Vec::with_capacity(2 * KEPT * MAX_STRETCHES),
            sums: [0.0; 3],
        }
    }

    /// The samples expected of `row` into `values`, a whole number of stretches.
    pub(super) fn compose(&mut self, past: &Past<'_>, row: usize, values: &mut [f32]) -> Made {
        let mut made = Made::default();
        self.terms.clear();
        self.sums = [0.0; 3];
        let ways: [Option<Level>; KEPT] =
            std::array::from_fn(|nth| Level::of(past.shots[nth].as_ref()?, row));
        for stretch in 0..values.len() / STRETCH {
            made.averaged[stretch] = self.plan(past, &ways, row, stretch);
        }
        let [weight, moved, seen] = self.sums;
        if weight > 0.0 {
            (made.moved, made.seen) = (moved / weight, seen / weight);
        }
        let mut planes: [&[f32]; KEPT] = [&[]; KEPT];
        for (nth, shot, _) in past.iter() {
            planes[nth] = shot.coefficients();
        }
        values.fill(0.0);
        accumulate(&self.terms, &planes, values);
        finish(&made.averaged, values);
        made
    }

    /// Chooses where a stretch is taken from; returns how many fields it is the mean of.
    fn plan(
        &mut self,
        past: &Past<'_>,
        ways: &[Option<Level>; KEPT],
        row: usize,
        stretch: usize,
    ) -> f32 {
        let mut fields = 0.0;
        let mut nearest: Option<(usize, &Shot, Found)> = None;
        for (nth, shot, warp) in past.iter() {
            if let Some(level) = &ways[nth] {
                fields += f32::from(u8::from(self.add_level(nth, level, stretch)));
                if level.changed >> stretch & 1 != 0 {
                    break;
                }
                continue;
            }
            let Some(found) = find(shot, warp, row, stretch) else {
                continue;
            };
            let changed = shot.changed[found.row] >> stretch & 1 != 0;
            if found.beyond.abs() <= past.same_line {
                if self.add(nth, shot, found.row, &found, stretch, 1.0) {
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
        self.between(nth, shot, &found, stretch)
    }

    /// Takes a stretch between two rows of one field.
    fn between(&mut self, nth: usize, shot: &Shot, found: &Found, stretch: usize) -> f32 {
        let other = found
            .row
            .checked_add_signed(if found.beyond > 0.0 { 1 } else { -1 });
        let part = found.beyond.abs() as f32;
        let before = self.terms.len();
        let both = other.is_some_and(|other| {
            self.add(nth, shot, found.row, found, stretch, 1.0 - part)
                && self.add(nth, shot, other, found, stretch, part)
        });
        if both {
            1.0
        } else {
            self.terms.truncate(before);
            0.0
        }
    }

    fn add_level(&mut self, nth: usize, level: &Level, stretch: usize) -> bool {
        let first = (stretch * STRETCH).checked_add_signed(level.further);
        let Some(first) = first.filter(|first| level.sound && first + STRETCH < level.width) else {
            return false;
        };
        for (sum, own) in self.sums.iter_mut().zip(level.own) {
            *sum += own;
        }
        self.terms.push(Term {
            shot: nth,
            stretch,
            start: level.start + first,
            weights: level.weights,
        });
        true
    }

    fn add(
        &mut self,
        nth: usize,
        shot: &Shot,
        row: usize,
        found: &Found,
        stretch: usize,
        weight: f32,
    ) -> bool {
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
        self.terms.push(Term {
            shot: nth,
            stretch,
            start: row * shot.stride() + tap.start,
            weights: tap.weights.map(|tap| tap * weight),
        });
        true
    }
}

/// A row of a kept field that stands for a whole row of this one, moved across alike everywhere: what holds for all its
/// stretches.
#[derive(Clone, Copy, Debug)]
struct Level {
    /// Coefficient of the row's first, and how many samples further the first stretch begins.
    start: usize,
    further: isize,
    width: usize,
    weights: [f32; 4],
    sound: bool,
    own: [f32; 3],
    changed: u32,
}

impl Level {
    /// `None` where stretches must be looked for one by one.
    fn of((shot, warp): &(&Shot, Warp), row: usize) -> Option<Self> {
        if warp.moves_down() || warp.across[1] != 0.0 || row >= shot.rows() {
            return None;
        }
        let place = find(shot, warp, row, 0)?.x as f32 + shot.place[row];
        // In the middle of the row, so that no end is in the way of a tap.
        let middle = shot.stretches() / 2 * STRETCH;
        let tap = Tap::stretch_at(middle as f32 + place, shot.width())?;
        Some(Self {
            start: row * shot.stride() + MARGIN - 1,
            further: (tap.start + 1).cast_signed() - (MARGIN + middle).cast_signed(),
            width: shot.width(),
            weights: tap.weights,
            sound: shot.sound[row],
            own: [1.0, shot.moved[row], shot.seen[row]],
            changed: shot.changed[row],
        })
    }
}

fn find(shot: &Shot, warp: &Warp, row: usize, stretch: usize) -> Option<Found> {
    let first = (stretch * STRETCH) as f64;
    let place = shot
        .frame()
        .relative(first + 0.5 * STRETCH as f64, row as f64);
    let [across, down] = warp.at(place);
    let y = row as f64 - down;
    let nearest = y.round();
    let inside = nearest >= 0.0 && nearest < shot.rows() as f64;
    (inside && may_stand_for(row, nearest as usize, shot.rows())).then_some(Found {
        row: nearest as usize,
        beyond: y - nearest,
        x: first - across,
    })
}

/// Whether a kept row can stand for a row: those where the heads are switched are displaced by a step that is always there,
/// so they stand for nothing but themselves.
fn may_stand_for(row: usize, kept: usize, rows: usize) -> bool {
    let switched = |row: usize| row + HEAD_SWITCH_ROWS >= rows;
    row == kept || !switched(row) && !switched(kept)
}

#[multiversion(targets("x86_64+avx2"))]
fn accumulate(terms: &[Term], planes: &[&[f32]; KEPT], values: &mut [f32]) {
    for term in terms {
        let from = planes[term.shot]
            .get(term.start..)
            .and_then(|from| from.first_chunk::<{ STRETCH + 3 }>());
        let to = values[term.stretch * STRETCH..].first_chunk_mut::<STRETCH>();
        if let (Some(from), Some(to)) = (from, to) {
            let [a, b, c, d] = term.weights;
            for x in 0..STRETCH {
                to[x] += a * from[x] + b * from[x + 1] + c * from[x + 2] + d * from[x + 3];
            }
        }
    }
}

/// Sums to means; a stretch of which nothing is known carries on from its neighbour, so that no edge stands there.
fn finish(averaged: &[f32], values: &mut [f32]) {
    let mut last = None;
    for (stretch, &fields) in values.chunks_exact_mut(STRETCH).zip(averaged) {
        if fields > 0.0 {
            for value in stretch.iter_mut() {
                *value /= fields;
            }
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
    slopes[..count].fill(0.0);
    if count <= 2 * REACH {
        return;
    }
    let inner = count - 2 * REACH;
    let at = |offset: usize| &values[offset..offset + inner];
    let (a, b, c, d, e, f) = (at(0), at(1), at(2), at(4), at(5), at(6));
    let slopes = &mut slopes[REACH..REACH + inner];
    for x in 0..inner {
        slopes[x] = ((f[x] - a[x]) - 9.0 * (e[x] - b[x]) + 45.0 * (d[x] - c[x])) * (1.0 / 60.0);
    }
}
