//! Moments of tape to look at in two plays, the one laid upon the other.
//!
//! In: fields of both that show the same moment, and how the second picture lies. Out: a few [`Moment`]s, chosen by rule: the
//! one of middling detail, the darkest that shows anything, and the one at which both differ most; of each both fields, one half of
//! either side by side, and what they differ by. The second is moved by a fraction of a sample with a windowed sinc (Lanczos, four
//! lobes), which leaves what tape carries as sharp as it was.
//!
//! Does not know: files, how pictures are packed, or where they are shown.

use std::f64::consts::PI;

use serde::Serialize;

use crate::alarms::PassClock;
use crate::fields::{Field, Plane};
use crate::record::JpegScale;

use super::{inner, rows};

/// By how much differences are made larger: a code becomes four, so that noise of a good tape can just be seen, and levels that
/// are a tenth off do not yet fill the scale.
pub const AMPLIFIED: f64 = 4.0;

/// Bytes of fields that are held until all are seen: a minute of moments of a standard picture take a third of it. Of larger
/// pictures fewer moments are held.
const MOST_HELD: usize = 128 << 20;

/// Samples of a picture across at most; rows of more are halved, over and over.
const WIDEST: usize = 800;

/// A moment with less than this part of the middling detail is a fade or a blank, and not taken for the darkest.
const SHOWS: f64 = 0.25;

/// Lobes of the windowed sinc on either side.
const LOBES: usize = 4;
const TAPS: usize = 2 * LOBES;

/// From one row that tells how far two fields differ to the next: more would tell the same.
const ROW_STEP: usize = 3;

/// Samples between those whose difference is detail: noise lies largely above what they show.
const APART: usize = 2;

/// Codes of JPEG's scale from black to peak, and its grey.
const JPEG_PEAK: f64 = 255.0;
const GREY: f32 = 128.0;

/// Rows and samples of the marks that show where a split picture is split.
const MARK_ROWS: usize = 10;
const MARK_HALF: usize = 2;

/// Why a moment is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// Of those looked at, it has middling detail in the first pass.
    UsualDetail,
    /// It is the darkest in the first pass that shows anything.
    Darkest,
    /// Both differ most.
    DiffersMost,
}

/// One moment of tape in both passes.
#[derive(Clone, Debug, Serialize)]
pub struct Moment {
    /// Why it is shown.
    pub why: Why,
    /// The field of the first pass.
    pub first_field: u64,
    /// The same moment in the other.
    pub second_field: u64,
    /// Timecode in the first.
    pub first_timecode: String,
    /// Timecode in the other.
    pub second_timecode: String,
    /// Mean luma in the first, in IRE.
    pub mean_ire: f64,
    /// What luma differs by once one lies upon the other, rms, in IRE.
    pub difference_rms_ire: f64,
    /// The pictures.
    #[serde(skip)]
    pub stills: Stills,
}

/// Pictures of one moment, the second moved onto the first.
#[derive(Clone, Debug)]
pub struct Stills {
    /// The first.
    pub first: Still,
    /// The second.
    pub second: Still,
    /// The left half of the first and the right half of the second.
    pub split: Still,
    /// Second less first, [`AMPLIFIED`], about mid grey.
    pub difference: Still,
    /// Width and height by which they are shown: a field has every second line of the frame.
    pub aspect: (usize, usize),
}

/// A picture.
#[derive(Clone, Debug)]
pub struct Still {
    /// Luma and both colour differences of each sample, on JPEG's scale (ITU-T T.871), row by row.
    pub samples: Vec<u8>,
    /// Samples a row, and rows.
    pub size: (usize, usize),
}

/// How the second picture lies on the first.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Lie {
    /// Samples of luma to the right, in the middle of the line.
    pub(super) right: f64,
    /// Growth to the right of that, in samples a sample.
    pub(super) wider: f64,
    /// Rows of the field lower.
    pub(super) down: i32,
}

/// Fields of both, held until all are seen.
#[derive(Debug)]
pub(super) struct Gallery {
    kept: Vec<[Field; 2]>,
    offered: usize,
    /// Of so many that are offered one is kept.
    every: usize,
    most_held: usize,
}

impl Default for Gallery {
    fn default() -> Self {
        Self {
            kept: Vec::new(),
            offered: 0,
            every: 1,
            most_held: MOST_HELD,
        }
    }
}

/// A moment that may be chosen.
#[derive(Clone, Copy, Debug)]
struct Candidate {
    place: usize,
    mean: f64,
    detail: f64,
    difference: f64,
}

impl Gallery {
    /// Keeps a moment, so that those kept are spread over all that are offered.
    pub(super) fn keep(&mut self, first: &Field, second: &Field) {
        let offered = self.offered;
        self.offered += 1;
        let bytes_of = |field: &Field| {
            let planes = [&field.luma, &field.cb, &field.cr];
            planes
                .iter()
                .map(|plane| plane.samples.len())
                .sum::<usize>()
        };
        let bytes = bytes_of(first) + bytes_of(second);
        if self.kept.len() > 1 && bytes * (self.kept.len() + 1) > self.most_held {
            let mut at = 0;
            self.kept.retain(|_| {
                at += 1;
                at % 2 == 1
            });
            self.every *= 2;
        }
        if offered.is_multiple_of(self.every) {
            self.kept.push([first.clone(), second.clone()]);
        }
    }

    /// The moments that are shown, in the order of the tape.
    pub(super) fn moments(&self, lie: Lie, clocks: &[PassClock; 2]) -> Vec<Moment> {
        let candidates = self.kept.iter().enumerate();
        let candidates: Vec<Candidate> = candidates
            .map(|(place, pair)| candidate(place, pair, lie))
            .collect();
        let mut moments: Vec<Moment> = chosen(&candidates)
            .into_iter()
            .map(|(why, one)| {
                let [first, second] = &self.kept[one.place];
                let label =
                    |at: usize, field: &Field| clocks[at].label(field.place.frame()).to_string();
                Moment {
                    why,
                    first_field: first.place.field.0,
                    second_field: second.place.field.0,
                    first_timecode: label(0, first),
                    second_timecode: label(1, second),
                    mean_ire: one.mean,
                    difference_rms_ire: one.difference,
                    stills: stills(first, second, lie),
                }
            })
            .collect();
        moments.sort_by_key(|moment| moment.first_field);
        moments
    }
}

/// One moment by each rule, each but once.
fn chosen(candidates: &[Candidate]) -> Vec<(Why, Candidate)> {
    let mut left = candidates.to_vec();
    let mut chosen = Vec::new();
    left.sort_by(|a, b| a.detail.total_cmp(&b.detail));
    if left.is_empty() {
        return chosen;
    }
    let usual = left.remove(left.len() / 2);
    chosen.push((Why::UsualDetail, usual));
    let showing = |one: &&Candidate| one.detail >= SHOWS * usual.detail;
    let darkest = left.iter().filter(showing);
    if let Some(&darkest) = darkest.min_by(|a, b| a.mean.total_cmp(&b.mean)) {
        left.retain(|one| one.place != darkest.place);
        chosen.push((Why::Darkest, darkest));
    }
    let most = left
        .iter()
        .max_by(|a, b| a.difference.total_cmp(&b.difference));
    chosen.extend(most.map(|&most| (Why::DiffersMost, most)));
    chosen
}

fn candidate(place: usize, [first, second]: &[Field; 2], lie: Lie) -> Candidate {
    let scales = [first, second].map(|field| JpegScale::luma(field.raster.range));
    let taken = Taken::of(second.luma.width, second.luma.width, lie);
    let mut moved = vec![0.0; second.luma.width];
    let (mut sum, mut detail, mut squares, mut count, mut steps) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (row, other) in rows(&first.luma, &second.luma, lie.down).step_by(ROW_STEP) {
        taken.row(second.luma.row(other), &mut moved);
        let Some(ours) = inner(first.luma.row(row), first.luma.width, 0) else {
            continue;
        };
        let side = (first.luma.width - ours.len()) / 2;
        for (&code, &theirs) in ours.iter().zip(&moved[side..]) {
            let value = scales[0].exact(f64::from(code));
            sum += value;
            squares += (scales[1].exact(f64::from(theirs)) - value).powi(2);
            count += 1.0;
        }
        for (a, b) in ours.iter().zip(&ours[APART.min(ours.len())..]) {
            detail += f64::from(a.abs_diff(*b));
            steps += 1.0;
        }
    }
    let ire = 100.0 / JPEG_PEAK;
    let count = f64::max(count, 1.0);
    Candidate {
        place,
        mean: ire * sum / count,
        detail: detail / f64::max(steps, 1.0),
        difference: ire * (squares / count).sqrt(),
    }
}

/// Where each sample of a row is taken from, and by which weights.
#[derive(Debug)]
struct Taken(Vec<(isize, [f32; TAPS])>);

impl Taken {
    /// For a plane of so many samples a row, beside one of luma.
    fn of(width: usize, luma_width: usize, lie: Lie) -> Self {
        let share = width as f64 / luma_width.max(1) as f64;
        let taps = (0..width).map(|at| {
            let across = at as f64 / share - 0.5 * luma_width as f64;
            let place = at as f64 + share * (lie.right + lie.wider * across);
            let whole = place.floor();
            let first = whole as isize + 1 - LOBES as isize;
            let weights: [f64; TAPS] =
                std::array::from_fn(|tap| lanczos(place - (first as f64 + tap as f64)));
            let sum: f64 = weights.iter().sum();
            (first, weights.map(|weight| (weight / sum) as f32))
        });
        Self(taps.collect())
    }

    /// Takes a row; what lies beyond its ends is as they are.
    fn row(&self, row: &[u8], out: &mut [f32]) {
        let last = row.len() as isize - 1;
        for (out, (first, weights)) in out.iter_mut().zip(&self.0) {
            let taps = weights.iter().zip(0_isize..);
            *out = taps
                .map(|(weight, tap)| weight * f32::from(row[(first + tap).clamp(0, last) as usize]))
                .sum();
        }
    }
}

fn lanczos(x: f64) -> f64 {
    let reach = LOBES as f64;
    if x.abs() < 1e-9 {
        return 1.0;
    }
    if x.abs() >= reach {
        return 0.0;
    }
    let turn = PI * x;
    turn.sin() / turn * (turn / reach).sin() / (turn / reach)
}

/// A field on JPEG's scale, colour as wide as luma; neither rounded nor clipped.
struct Laid {
    planes: [Vec<f32>; 3],
    width: usize,
}

impl Laid {
    fn of(field: &Field, lie: Lie) -> Self {
        let range = field.raster.range;
        let (width, rows) = (field.luma.width, field.luma.rows);
        let chroma = JpegScale::chroma(range);
        let plane = |plane: &Plane, scale: JpegScale, nothing: f32| {
            let mut all = vec![nothing; width * rows];
            if plane.width == 0 || plane.rows == 0 {
                return all;
            }
            let taken = Taken::of(plane.width, width, lie);
            let mut moved = vec![0.0; plane.width];
            for (row, out) in all.chunks_exact_mut(width).enumerate() {
                let other = row.checked_add_signed(lie.down as isize);
                let Some(other) = other.filter(|&other| other < rows) else {
                    continue;
                };
                let own = (other * plane.rows / rows).min(plane.rows - 1);
                taken.row(plane.row(own), &mut moved);
                for (at, sample) in out.iter_mut().enumerate() {
                    let code = moved[at * plane.width / width];
                    *sample = scale.exact(f64::from(code)) as f32;
                }
            }
            all
        };
        Self {
            planes: [
                plane(&field.luma, JpegScale::luma(range), 0.0),
                plane(&field.cb, chroma, GREY),
                plane(&field.cr, chroma, GREY),
            ],
            width,
        }
    }

    fn at(&self, column: usize, row: usize) -> [f32; 3] {
        let at = row * self.width + column;
        [0, 1, 2].map(|plane| self.planes[plane][at])
    }
}

fn stills(first: &Field, second: &Field, lie: Lie) -> Stills {
    let (width, rows) = (first.luma.width, first.luma.rows);
    let (ours, theirs) = (Laid::of(first, Lie::default()), Laid::of(second, lie));
    let middle = width / 2;
    let split = |column: usize, row: usize| {
        let marked = row < MARK_ROWS || row + MARK_ROWS >= rows;
        if marked && column.abs_diff(middle) < MARK_HALF {
            [JPEG_PEAK as f32, GREY, GREY]
        } else if column < middle {
            ours.at(column, row)
        } else {
            theirs.at(column, row)
        }
    };
    let difference = |column: usize, row: usize| {
        let (a, b) = (ours.at(column, row), theirs.at(column, row));
        [0, 1, 2].map(|plane| GREY + AMPLIFIED as f32 * (b[plane] - a[plane]))
    };
    let size = (width, rows);
    Stills {
        first: still(size, |column, row| ours.at(column, row)),
        second: still(size, |column, row| theirs.at(column, row)),
        split: still(size, split),
        difference: still(size, difference),
        aspect: if first.raster.standard.is_some() {
            (4, 3)
        } else {
            (width, first.raster.frame_rows)
        },
    }
}

/// A picture of what stands at each sample and row.
fn still((width, rows): (usize, usize), at: impl Fn(usize, usize) -> [f32; 3]) -> Still {
    let mut step = 1;
    while width / step > WIDEST {
        step *= 2;
    }
    let columns = width / step;
    let mut samples = Vec::with_capacity(3 * columns * rows);
    for row in 0..rows {
        for column in 0..columns {
            let mut sum = [0.0; 3];
            for part in 0..step {
                let one = at(column * step + part, row);
                sum.iter_mut().zip(one).for_each(|(sum, one)| *sum += one);
            }
            samples.extend(sum.map(|sum| (sum / step as f32).round().clamp(0.0, 255.0) as u8));
        }
    }
    Still {
        samples,
        size: (columns, rows),
    }
}

#[cfg(test)]
pub(super) use tests::test_field;

#[cfg(test)]
mod tests;
