//! The level of the blanking that stands beside the picture.
//!
//! In: fields, and whether the border is the tape's. Out: the level of the outermost columns, in codes, once they have been
//! seen as blanking for three seconds. Blanking that the chain draws is nothing of the tape's and says nothing.
//!
//! Does not know: IRE, black.

use crate::measures::dsp::running::RunningMedian;
use crate::measures::line_timing::Border;

use super::Look;

/// Fields that the border must have been the tape's: what the chain draws is found out within two seconds.
const TRUSTED_FIELDS: u32 = 180;

/// Columns outside the first of the picture that there must be: its edge, and one more.
const LEAST_COLUMNS: usize = 2;

/// Columns of the picture beside its edge, counted from the first, whose level is set against the blanking.
const INNER: std::ops::Range<usize> = 5..13;

/// Rows that must show both.
const LEAST_ROWS: f64 = 8.0;

/// Largest share of the step to the picture that rings into the blanking.
const MOST_RINGING: f64 = 0.15;

/// Levels kept: each of every second field, two seconds.
const LEVELS: usize = 51;

/// A level that is off the median by so many codes, for [`MOVED_LOOKS`] looks in a row, has moved: a setting was changed. A set-up
/// moves it by 18.
const MOVED_CODES: f64 = 9.0;
const MOVED_LOOKS: u32 = 15;

/// Rows looked at: every fourth, between the bent top and the head switch.
const ROW_STEP: usize = 4;

/// Watches the blanking.
#[derive(Debug, Default)]
pub(super) struct BlankingWatch {
    trusted: u32,
    levels: RunningMedian<LEVELS>,
    odd: bool,
    moved: u32,
}

impl BlankingWatch {
    /// Takes in a field; whether the blanking has moved, so that what was seen before is void.
    pub(super) fn follow(&mut self, look: &Look<'_>) -> bool {
        self.trusted = match look.border {
            Border::Tape => self.trusted.saturating_add(1),
            Border::Regenerated | Border::Absent => 0,
        };
        if look.border == Border::Regenerated {
            self.levels = RunningMedian::default();
        }
        self.odd = !self.odd;
        if self.odd {
            return false;
        }
        let Some(level) = level_of(look) else {
            return false;
        };
        let usual = self.levels.median().map(f64::from);
        let off = usual.is_some_and(|usual| (level - usual).abs() > MOVED_CODES);
        self.moved = if off { self.moved + 1 } else { 0 };
        if !off {
            self.levels.push(level as f32);
        } else if self.moved >= MOVED_LOOKS {
            self.levels = RunningMedian::default();
            self.levels.push(level as f32);
            self.moved = 0;
            return true;
        }
        false
    }

    /// The level and its spread, in codes; `None` where no blanking of the tape was in view for long enough.
    pub(super) fn level(&self) -> Option<(f64, f64)> {
        let enough = self.trusted >= TRUSTED_FIELDS && self.levels.len() >= LEVELS / 2;
        let quantile = |p| self.levels.quantile(p).map(f64::from);
        let (low, middle, high) = (quantile(0.25)?, quantile(0.5)?, quantile(0.75)?);
        enough.then_some((middle, (high - low) / 1.35))
    }
}

/// The level of the outermost columns, in codes, without what the picture beside them adds to it.
///
/// Blanking of 525 lines is four columns wide, and the band limit of a tape lets the picture ring into them. What it adds goes
/// with the step from blanking to picture: a line through outermost against inner levels is read where the two are the same.
fn level_of(look: &Look<'_>) -> Option<f64> {
    let luma = &look.field.luma;
    let mut pairs = Pairs::default();
    for row in (luma.rows * 2 / 5..luma.rows * 17 / 20).step_by(ROW_STEP) {
        let row = luma.row(row);
        let [left, right] = look.blanking;
        if left >= LEAST_COLUMNS {
            pairs.add(row[0], &row[left + INNER.start..left + INNER.end]);
        }
        if right >= LEAST_COLUMNS {
            let first = luma.width - right;
            pairs.add(
                row[luma.width - 1],
                &row[first - INNER.end..first - INNER.start],
            );
        }
    }
    pairs.where_equal()
}

/// Sums over rows: inner level `x`, outermost sample `y`.
#[derive(Clone, Copy, Debug, Default)]
struct Pairs {
    count: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
}

impl Pairs {
    fn add(&mut self, outermost: u8, inner: &[u8]) {
        let sum: u32 = inner.iter().map(|code| u32::from(*code)).sum();
        let (x, y) = (
            f64::from(sum) / inner.len().max(1) as f64,
            f64::from(outermost),
        );
        self.count += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
    }

    /// The level at which inner and outermost are the same.
    fn where_equal(&self) -> Option<f64> {
        if self.count < LEAST_ROWS {
            return None;
        }
        let (x, y) = (self.x / self.count, self.y / self.count);
        let square = self.xx / self.count - x * x;
        let slope = if square > 1.0 {
            ((self.xy / self.count - x * y) / square).clamp(-MOST_RINGING, MOST_RINGING)
        } else {
            0.0
        };
        Some(((y - slope * x) / (1.0 - slope)).clamp(0.0, 255.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_picture_adds_to_blanking_is_taken_out() {
        for (blanking, ringing) in [(16.0, 0.05), (16.0, -0.06), (30.0, 0.0)] {
            let mut pairs = Pairs::default();
            for row in 0..20_u8 {
                let inner = 40.0 + 8.0 * f64::from(row);
                let seen = blanking + ringing * (inner - blanking);
                pairs.add(seen.round() as u8, &[inner as u8; 8]);
            }
            let found = pairs.where_equal().expect("twenty rows");
            assert!((found - blanking).abs() < 0.6, "{found} {blanking}");
        }
    }

    #[test]
    fn too_few_rows_say_nothing() {
        let mut pairs = Pairs::default();
        pairs.add(16, &[100; 8]);
        assert_eq!(pairs.where_equal(), None);
    }
}
