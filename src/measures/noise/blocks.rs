//! Which places of a field show noise best: those with the least picture in them.
//!
//! In: a plane of this field and of the one of its parity before. Out: places, each a pair of lines 64 samples wide, with a score of the
//! picture in it: how far cells of eight samples differ along the pair's sum over both fields, and how far the line above the
//! pair differs from the one below. Noise is measured in the *difference* of the pair's lines, which is independent of their sum
//! and of other lines; so choosing the lowest scores takes nothing off the noise.
//!
//! Places are spread evenly, others in each field (the R₂ sequence: M. Roberts 2018, from memory).
//!
//! Left out: places that are cut off at an end of the scale, and such as hold one code only, as titles and masks of the chain do.
//!
//! Does not know: what noise there is.

use std::ops::Range;

use multiversion::multiversion;

use super::spectra::LENGTH;
use crate::fields::Plane;
use crate::units::CodeRange;

/// Samples of a cell: long enough that noise of tape, which is fine, nearly averages out.
const CELL: usize = 8;

const CELLS: usize = LENGTH / CELL;

/// Steps of the evenly spread sequence, in 2³²nds.
const STEP_ACROSS: u32 = 3_242_174_889;
const STEP_DOWN: u32 = 2_447_445_414;

/// Share of a place's samples at its lowest or highest code, near the end of the scale, from which it is cut off there: the tail of
/// noise of two codes and more has a few percent at most.
const PILED_UP: usize = LENGTH * 4 / 12;

/// Codes about black and peak at which a chain may cut off.
const NEAR_END: u8 = 3;

/// What is looked at: one plane of two fields.
#[derive(Clone, Debug)]
pub(super) struct View<'a> {
    /// Of this field.
    pub(super) now: &'a Plane,
    /// Of the field of its parity before.
    pub(super) before: &'a Plane,
    /// Samples of a row that are picture.
    pub(super) columns: Range<usize>,
    /// Rows that are picture.
    pub(super) rows: Range<usize>,
    /// Lines from one of a pair to the other.
    pub(super) apart: usize,
    /// Where the scale ends, for luma.
    pub(super) ends: Option<CodeRange>,
}

/// The four stretches of a place: two lines of this field, the same of the one before.
#[derive(Clone, Copy, Debug)]
pub(super) struct Quad<'a> {
    pub(super) a: &'a [u8; LENGTH],
    pub(super) b: &'a [u8; LENGTH],
    pub(super) c: &'a [u8; LENGTH],
    pub(super) d: &'a [u8; LENGTH],
}

/// A place and how much picture is in it, in codes².
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub(super) column: usize,
    pub(super) row: usize,
    pub(super) score: f32,
}

impl<'a> View<'a> {
    fn stretch(plane: &'a Plane, column: usize, row: usize) -> &'a [u8; LENGTH] {
        plane.row(row)[column..]
            .first_chunk()
            .expect("places keep their length from the end of the row")
    }

    /// The samples of a place.
    pub(super) fn quad(&self, place: &Place) -> Quad<'a> {
        let (column, row, below) = (place.column, place.row, place.row + self.apart);
        Quad {
            a: Self::stretch(self.now, column, row),
            b: Self::stretch(self.now, column, below),
            c: Self::stretch(self.before, column, row),
            d: Self::stretch(self.before, column, below),
        }
    }

    fn score(&self, column: usize, row: usize) -> f32 {
        let place = Place {
            column,
            row,
            score: 0.0,
        };
        let above = Self::stretch(self.now, column, row - 1);
        let below = Self::stretch(self.now, column, row + self.apart + 1);
        picture_in(self.quad(&place), above, below)
    }

    /// Whether a place shows what the scale could hold.
    fn is_whole(&self, place: &Place) -> bool {
        let quad = self.quad(place);
        let parts = [quad.a, quad.b, quad.c, quad.d];
        let (mut low, mut high) = (u8::MAX, 0);
        for part in parts {
            let (least, most) = reach(part);
            (low, high) = (low.min(least), high.max(most));
        }
        if low == high {
            return false;
        }
        let Some(range) = self.ends else {
            return true;
        };
        let (black, peak) = range.black_and_peak();
        let piled_up = |code: u8| {
            let count: usize = parts.iter().map(|part| count(part, code)).sum();
            count > PILED_UP
        };
        let at_black = low <= (black.0 as u8).saturating_add(NEAR_END) && piled_up(low);
        let at_peak = high >= (peak.0 as u8).saturating_sub(NEAR_END) && piled_up(high);
        !at_black && !at_peak
    }
}

/// Chooses places, others each time.
#[derive(Debug, Default)]
pub(super) struct Chooser {
    turn: u32,
    places: Vec<Place>,
}

impl Chooser {
    /// Begins anew.
    pub(super) fn reset(&mut self) {
        self.turn = 0;
    }

    /// Looks at `looked` places and gives the `kept` with the least picture in them; none where the picture is too small.
    pub(super) fn choose(&mut self, view: &View<'_>, (looked, kept): (u32, usize)) -> &[Place] {
        self.places.clear();
        self.places.reserve(looked as usize);
        let across = (view.columns.len() + 1).saturating_sub(LENGTH);
        let down = view.rows.len().saturating_sub(view.apart + 2);
        if across == 0 || down == 0 {
            return &[];
        }
        for nth in 0..looked {
            let nth = self.turn.wrapping_mul(looked).wrapping_add(nth);
            let spread = |step: u32, span: usize| {
                ((u64::from(nth.wrapping_mul(step)) * span as u64) >> 32) as usize
            };
            let column = view.columns.start + spread(STEP_ACROSS, across);
            let row = view.rows.start + 1 + spread(STEP_DOWN, down);
            let score = view.score(column, row);
            self.places.push(Place { column, row, score });
        }
        self.turn = self.turn.wrapping_add(1);
        self.places.retain(|place| view.is_whole(place));
        let kept = kept.min(self.places.len());
        if kept < self.places.len() {
            self.places
                .select_nth_unstable_by(kept, |one, other| one.score.total_cmp(&other.score));
        }
        &self.places[..kept]
    }
}

/// How much picture there is in a place, in codes²: about the power of the noise where there is none.
#[multiversion(targets("x86_64+avx2"))]
fn picture_in(quad: Quad<'_>, above: &[u8; LENGTH], below: &[u8; LENGTH]) -> f32 {
    let mut along = [0.0_f32; CELLS];
    let mut steps = 0.0;
    for (cell, along) in along.iter_mut().enumerate() {
        let at = cell * CELL..(cell + 1) * CELL;
        let sum = |part: &[u8; LENGTH]| -> i32 {
            part[at.clone()].iter().map(|&code| i32::from(code)).sum()
        };
        let cell = sum(quad.a) + sum(quad.b) + sum(quad.c) + sum(quad.d);
        *along = cell as f32 / (4 * CELL) as f32;
        let step = (sum(above) - sum(below)) as f32 / CELL as f32;
        steps += step * step;
    }
    let mean = along.iter().sum::<f32>() / CELLS as f32;
    let uneven: f32 = along.iter().map(|cell| (cell - mean) * (cell - mean)).sum();
    // a cell averages 32 samples, a step two times 8
    let noise_of_cell = (4 * CELL) as f32 / (CELLS - 1) as f32;
    let noise_of_step = CELL as f32 / 2.0 / CELLS as f32;
    noise_of_cell * uneven + noise_of_step * steps
}

#[multiversion(targets("x86_64+avx2"))]
fn reach(part: &[u8; LENGTH]) -> (u8, u8) {
    let (mut low, mut high) = (u8::MAX, 0);
    for &code in part {
        low = low.min(code);
        high = high.max(code);
    }
    (low, high)
}

#[multiversion(targets("x86_64+avx2"))]
fn count(part: &[u8; LENGTH], code: u8) -> usize {
    part.iter()
        .map(|&other| u8::from(other == code))
        .sum::<u8>()
        .into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::sketch::{Sketcher, plane};

    fn view<'a>(now: &'a Plane, before: &'a Plane) -> View<'a> {
        View {
            now,
            before,
            columns: 16..704,
            rows: 2..280,
            apart: 1,
            ends: Some(CodeRange::Studio),
        }
    }

    fn noisy(sketcher: &mut Sketcher, sigma: f64, picture: impl Fn(usize, usize) -> f64) -> Plane {
        plane(720, 288, |column, row| {
            let code = picture(column, row) + sigma * sketcher.bell();
            code.round().clamp(1.0, 254.0) as u8
        })
    }

    #[test]
    fn the_plain_part_of_a_picture_is_chosen() {
        let mut sketcher = Sketcher::new(1);
        // the right half striped, the lower half of the left one brighter from line to line
        let picture = |column: usize, row: usize| match (column < 360, row < 140) {
            (true, true) => 120.0,
            (true, false) => 60.0 + 2.0 * (row % 40) as f64,
            (false, _) => 100.0 + 25.0 * ((column / 6) % 2) as f64,
        };
        let (now, before) = (
            noisy(&mut sketcher, 2.0, picture),
            noisy(&mut sketcher, 2.0, picture),
        );
        let mut chooser = Chooser::default();
        let places = chooser.choose(&view(&now, &before), (320, 40)).to_vec();
        assert_eq!(places.len(), 40);
        for place in &places {
            assert!(place.column <= 296 && place.row <= 140, "{place:?}");
        }
        let other = chooser.choose(&view(&now, &before), (320, 40));
        assert!(places.iter().zip(other).any(|(a, b)| a.column != b.column));
    }

    #[test]
    fn the_score_of_level_noise_is_about_twice_its_power() {
        let mut sketcher = Sketcher::new(2);
        let (now, before) = (
            noisy(&mut sketcher, 4.0, |_, _| 120.0),
            noisy(&mut sketcher, 4.0, |_, _| 120.0),
        );
        let mut chooser = Chooser::default();
        let places = chooser.choose(&view(&now, &before), (320, 320));
        let mean = places.iter().map(|place| place.score).sum::<f32>() / places.len() as f32;
        assert!((mean - 32.0).abs() < 3.0, "{mean}");
    }

    #[test]
    fn what_is_cut_off_or_one_code_only_is_left_out() {
        let mut sketcher = Sketcher::new(3);
        let cut = noisy(&mut sketcher, 3.0, |_, _| 14.0);
        let mut cut = cut.clone();
        cut.samples
            .iter_mut()
            .for_each(|code| *code = (*code).max(16));
        let mut chooser = Chooser::default();
        assert!(chooser.choose(&view(&cut, &cut), (320, 64)).is_empty());
        let mask = plane(720, 288, |_, _| 90);
        assert!(chooser.choose(&view(&mask, &mask), (320, 64)).is_empty());
        let dark = noisy(&mut sketcher, 3.0, |_, _| 17.0);
        assert_eq!(chooser.choose(&view(&dark, &dark), (320, 64)).len(), 64);
    }

    #[test]
    fn small_pictures_have_no_places() {
        let small = plane(64, 4, |column, row| (column + row) as u8);
        let view = View {
            columns: 0..64,
            rows: 0..3,
            ..view(&small, &small)
        };
        assert!(Chooser::default().choose(&view, (320, 64)).is_empty());
    }
}
