//! Area stuck at the lowest or the highest code that the chain delivers.
//!
//! In: raw samples of the picture area, unfiltered. Out: the share of them at the end of the scale beyond what the
//! neighbouring codes foretell. A natural tail thins out towards its end; samples cut off there pile up. Which code is
//! the end is learned over the pass: many devices stop short of 0 and 255.
//!
//! Bias: noise clipped less than about half its sigma below its mean is not told from a tail (2 % of the noisy area is
//! lost there at most). A synthetic flat area at the end of the scale counts as stuck, as nothing tells it apart.
//!
//! Every second row is looked at: what is stuck is stuck in areas, and a row says little that its neighbour does not.
//!
//! Does not know: IRE, time.

use std::cmp::Ordering;

use crate::fields::Plane;
use crate::measures::dsp::codes::{count_codes, extremes};

use super::area::PictureArea;

/// Samples that must reach a code for it to be delivered in a field: fewer may be dropouts.
const ENOUGH_SAMPLES: u32 = 8;

/// Fields that must have delivered a code before the chain is taken to deliver it.
const ENOUGH_FIELDS: u32 = 5;

/// How far the end code must exceed its neighbours to be a pile: a change of range doubles single codes.
const PILE_FACTOR: f64 = 2.2;

/// Standard errors of the counts on top of that.
const PILE_SIGMAS: f64 = 4.0;

/// Rows from one that is looked at to the next.
const ROW_STEP: usize = 2;

/// Codes looked at from the end inwards.
const CODES: usize = 4;

/// An end of the scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum End {
    /// Black.
    Low,
    /// Peak.
    High,
}

impl End {
    /// Codes from the end to the code: how far inwards it lies from 0 or 255.
    fn depth(self, code: u8) -> u8 {
        match self {
            Self::Low => code,
            Self::High => u8::MAX - code,
        }
    }

    /// The code and its neighbours inwards, in terms of depth; the scale is long enough for all but its far end.
    fn inwards(self, depth: u8) -> [u8; CODES] {
        std::array::from_fn(|step| self.depth(depth.saturating_add(step as u8)))
    }
}

/// What was seen at one end of the scale.
#[derive(Debug)]
pub(super) struct ClipWatch {
    end: End,
    /// Fields that ended at each depth.
    fields_ending: [u32; 256],
}

/// Lowest and highest code of each row of the picture area that is looked at.
pub(super) type RowExtremes = Vec<(u8, u8)>;

/// Fills `extremes` for the rows of the area.
pub(super) fn row_extremes(luma: &Plane, area: &PictureArea, found: &mut RowExtremes) {
    found.clear();
    found.extend(
        area.rows
            .clone()
            .step_by(ROW_STEP)
            .map(|row| extremes(&luma.row(row)[area.columns.clone()])),
    );
}

impl ClipWatch {
    pub(super) fn new(end: End) -> Self {
        Self {
            end,
            fields_ending: [0; 256],
        }
    }

    /// Share of the area stuck at the end, 0 to 1.
    pub(super) fn share(
        &mut self,
        luma: &Plane,
        area: &PictureArea,
        rows: &RowExtremes,
        native_at_end: Option<u32>,
    ) -> f64 {
        let Some(outermost) = rows.iter().map(|row| self.depth_of(*row)).min() else {
            return 0.0;
        };
        let counts = self.counts(luma, area, rows, outermost);
        self.learn(outermost, counts);
        let delivered = self.delivered();
        let counts = match outermost.cmp(&delivered) {
            Ordering::Equal => counts,
            // A few samples reach farther out than the chain does: dropouts.
            Ordering::Less => self.counts(luma, area, rows, delivered),
            Ordering::Greater => return 0.0,
        };
        let samples = rows.len() * area.columns.len();
        stuck(counts, native_at_end) / samples.max(1) as f64
    }

    /// The outermost code the chain has delivered often enough.
    pub(super) fn delivered_code(&self) -> u8 {
        self.end.depth(self.delivered())
    }

    fn depth_of(&self, (lowest, highest): (u8, u8)) -> u8 {
        self.end.depth(match self.end {
            End::Low => lowest,
            End::High => highest,
        })
    }

    /// How often the code at a depth and those inwards occur; rows that do not reach them are skipped.
    fn counts(
        &self,
        luma: &Plane,
        area: &PictureArea,
        rows: &RowExtremes,
        depth: u8,
    ) -> [u32; CODES] {
        let codes = self.end.inwards(depth);
        let reach = depth.saturating_add(CODES as u8 - 1);
        let mut sum = [0; CODES];
        for (row, ends) in area.rows.clone().step_by(ROW_STEP).zip(rows) {
            if self.depth_of(*ends) > reach {
                continue;
            }
            let counts = count_codes(&luma.row(row)[area.columns.clone()], codes);
            for (sum, count) in sum.iter_mut().zip(counts) {
                *sum += count;
            }
        }
        sum
    }

    fn learn(&mut self, outermost: u8, counts: [u32; CODES]) {
        let mut reached = 0;
        let single = counts.iter().take_while(|count| {
            reached += **count;
            reached < ENOUGH_SAMPLES
        });
        let ends_at = outermost.saturating_add(single.count() as u8);
        self.fields_ending[usize::from(ends_at)] += 1;
    }

    /// The outermost depth the chain has delivered often enough; while the pass is young, in any field.
    fn delivered(&self) -> u8 {
        let all: u32 = self.fields_ending.iter().sum();
        let mut fields = 0;
        let before = self.fields_ending.iter().take_while(|count| {
            fields += **count;
            fields < ENOUGH_FIELDS.min(all)
        });
        before.count().min(255) as u8
    }
}

/// Samples at the end code beyond what its neighbours foretell; 0 where they are no pile.
///
/// A deeper source has several codes of its own in one of ours: a true pile sits on one of them.
fn stuck(counts: [u32; CODES], native_at_end: Option<u32>) -> f64 {
    let [at_end, next, then, last] = counts.map(f64::from);
    let neighbours = next.max(then).max(last);
    let limit = PILE_FACTOR * neighbours + PILE_SIGMAS * (neighbours + 1.0).sqrt();
    let in_field = at_end * ROW_STEP as f64;
    let on_one_code = native_at_end.is_none_or(|native| 2.0 * f64::from(native) >= in_field);
    if at_end <= limit || !on_one_code {
        return 0.0;
    }
    let natural = if then > next {
        next * next / then
    } else {
        next
    };
    at_end - natural
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt as _, SeedableRng as _};

    const WIDTH: usize = 360;
    const ROWS: usize = 100;

    /// Noise of `sigma` codes around `mean`, cut off below `floor`; the upper half of the picture, below it mid-grey.
    fn noisy(mean: f64, sigma: f64, floor: f64) -> Plane {
        let mut random = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(11);
        let samples = (0..WIDTH * ROWS)
            .map(|at| {
                let bell = (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
                let level = if at < WIDTH * ROWS / 2 { mean } else { 120.0 };
                (level + sigma * bell).round().max(floor) as u8
            })
            .collect();
        Plane {
            samples,
            width: WIDTH,
            rows: ROWS,
        }
    }

    fn share(end: End, planes: &[Plane]) -> f64 {
        let mut watch = ClipWatch::new(end);
        let area = PictureArea {
            columns: 0..WIDTH,
            rows: 0..ROWS,
        };
        let mut rows = RowExtremes::new();
        planes
            .iter()
            .map(|plane| {
                row_extremes(plane, &area, &mut rows);
                watch.share(plane, &area, &rows, None)
            })
            .last()
            .expect("there is a plane")
    }

    #[test]
    fn noise_cut_off_at_its_mean_is_stuck() {
        let found = share(End::Low, &[noisy(16.0, 2.0, 16.0)]);
        // Half of the half picture, and half a code more by rounding; less the code that is there by right.
        assert!((0.19..0.31).contains(&found), "{found}");
    }

    #[test]
    fn a_natural_tail_is_not_stuck() {
        for mean in [16.0, 20.0, 30.0] {
            assert_eq!(share(End::Low, &[noisy(mean, 2.0, 0.0)]), 0.0);
            assert_eq!(share(End::High, &[noisy(mean, 2.0, 0.0)]), 0.0);
        }
    }

    #[test]
    fn a_ramp_that_stops_at_the_end_is_not_stuck_and_one_that_is_cut_off_is() {
        let ramp = |gain: usize| Plane {
            samples: (0..WIDTH * ROWS)
                .map(|at| (16 + at % WIDTH * gain / 2).min(235) as u8)
                .collect(),
            width: WIDTH,
            rows: ROWS,
        };
        assert_eq!(share(End::High, &[ramp(1)]), 0.0);
        let found = share(End::High, &[ramp(2)]);
        // Columns 219 to 359 of 360 are at 235, one of them by right.
        assert!((found - 140.0 / 360.0).abs() < 1e-9, "{found}");
    }

    #[test]
    fn a_field_that_stops_short_of_the_code_the_chain_delivers_is_not_stuck() {
        let deep = noisy(10.0, 3.0, 0.0);
        let flat = noisy(16.0, 0.0, 0.0);
        let mut planes = vec![deep; 6];
        planes.push(flat);
        assert_eq!(share(End::Low, &planes), 0.0);
    }

    #[test]
    fn a_single_dropout_does_not_move_the_end() {
        let mut torn = noisy(16.0, 2.0, 16.0);
        torn.samples[..40].fill(1);
        let clipped = noisy(16.0, 2.0, 16.0);
        let mut planes = vec![clipped.clone(); 6];
        planes.push(torn);
        planes.push(clipped);
        assert!(share(End::Low, &planes) > 0.19);
    }

    #[test]
    fn every_second_code_missing_is_no_pile() {
        let mut comb = noisy(20.0, 3.0, 0.0);
        for sample in &mut comb.samples {
            *sample &= !1;
        }
        assert_eq!(share(End::Low, &[comb]), 0.0);
    }

    #[test]
    fn a_pile_spread_over_several_codes_of_a_deeper_source_is_none() {
        assert_eq!(stuck([1000, 0, 0, 0], Some(520)), 0.0);
        assert_eq!(stuck([1000, 0, 0, 0], Some(1980)), 1000.0);
    }
}
