//! Whether a field shows an earlier picture again, and the running sum of pictures too few and too many.
//!
//! In: fields, and what their patches say. Out: repeated or not; the slip.
//!
//! A field is repeated if it is the earlier field of its parity to the bit; or to one code; or with fresh noise far
//! under the noise that live fields of this pass have between them. All three need a pass that was seen live, with noise
//! from field to field: a synthetic still picture never counts.
//!
//! Does not know: why a picture was repeated.

use std::ops::Range;

use crate::fields::{Field, Neighbourhood};
use crate::units::{Millis, Percent, Seconds};

use super::frozen;
use super::patches::{PatchStatistics, Patches};
use super::thumbnail::SIDE;

/// Live fields that must have been seen before anything counts as repeated: of both parities, a fifth of a second.
const LIVE_FIELDS: u32 = 12;

/// Change between live fields, in codes of noise sigma, without which "the same to one code" says nothing: noise of 0.6 code
/// changes one sample in a hundred by two codes or more.
const LIVE_NOISE: f64 = 0.6;

/// Change in time over roughness along the line that makes a repeat, in all but a twentieth of the patches: recursive noise
/// reduction that keeps nine tenths of the field before leaves 0.32 between fields on average, more in the roughest.
const REPEAT_RATIO: f64 = 0.32;

/// Change over the noise learned of live fields, at most: the same, in the quietest fifth.
const REPEAT_SHARE: f64 = 0.3;

/// Noise sigma of a converter, in codes, at most: more than twice that of a poor 8-bit one.
const CONVERTER_NOISE: f64 = 0.6;

/// How fast the learned noise of live fields follows downwards and upwards, a field: a still scene with plain ground shows
/// it at once, motion and texture only seem to have more.
const LEARN_DOWN: f64 = 0.25;
const LEARN_UP: f64 = 0.002;

/// Fields after a cut in which only exact repeats count: noise reduction that starts anew changes less from field to field
/// than it ever does later.
const AFTER_CUT_FIELDS: u32 = 16;

/// Not exact repeats in a row after which they are taken for a live scene quieter than any before.
const LONGEST_INEXACT: u32 = 8;

/// Finds repeats.
#[derive(Debug, Default)]
pub(super) struct RepeatWatch {
    patches: Patches,
    live_fields: u32,
    /// Noise sigma between live fields, in codes; motion adds to it.
    live_change: f64,
    /// Noise sigma along the lines of live fields, in codes; texture adds to it.
    live_roughness: f64,
    /// The same of the newest field alone: what came before may have been noise without a picture.
    roughness: Option<f64>,
    inexact_run: u32,
    /// Fields still to go after a cut.
    after_cut: u32,
}

/// How a field compares with the earlier one of its parity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Likeness {
    /// To the bit.
    Exact,
    /// To one code, or but for a converter's noise.
    Near,
    /// Not.
    Live,
}

impl RepeatWatch {
    /// Another scene may begin with the field that is followed next.
    pub(super) fn note_cut(&mut self) {
        self.after_cut = AFTER_CUT_FIELDS;
    }

    /// Whether the newest field shows an earlier picture again. `flat` fields are neither repeats nor live.
    pub(super) fn follow(&mut self, around: &Neighbourhood<'_>, flat: bool) -> bool {
        let before = around
            .same_parity()
            .filter(|before| !flat && same_size(around.field, before));
        let Some(before) = before else {
            return false;
        };
        self.after_cut = self.after_cut.saturating_sub(1);
        let likeness = self.likeness(around.field, before);
        self.inexact_run = if likeness == Likeness::Near {
            self.inexact_run + 1
        } else {
            0
        };
        likeness != Likeness::Live
            && self.live_fields >= LIVE_FIELDS
            && self.inexact_run <= LONGEST_INEXACT
    }

    /// The share of a field, not itself repeated, that stands still with its noise; `None` where that cannot be told.
    pub(super) fn frozen(&self, around: &Neighbourhood<'_>) -> Option<Percent> {
        let field = around.field;
        let before = around
            .same_parity()
            .filter(|before| same_size(field, before))
            .filter(|_| self.live_fields >= LIVE_FIELDS && self.after_cut == 0)?;
        let noise = self
            .live_change
            .min(self.live_roughness)
            .min(self.roughness?);
        frozen::share((&field.luma, &before.luma), inner(field), noise)
    }

    fn likeness(&mut self, field: &Field, before: &Field) -> Likeness {
        if same(field, before) {
            return Likeness::Exact;
        }
        let found = self
            .patches
            .compare(&field.luma, &before.luma, inner(field));
        let Some(found) = found else {
            return Likeness::Live;
        };
        self.roughness = found.plain_roughness;
        if self.is_near(&found) && self.inexact_run < LONGEST_INEXACT && self.after_cut == 0 {
            return Likeness::Near;
        }
        self.learn(&found);
        Likeness::Live
    }

    fn is_near(&self, found: &PatchStatistics) -> bool {
        let within_one = found.largest_change <= 1 && self.live_change >= LIVE_NOISE;
        let fresh_noise = found.change_ratio.is_some_and(|ratio| ratio < REPEAT_RATIO)
            && found.quiet_change < REPEAT_SHARE * self.live_change.min(self.live_roughness)
            && found.quiet_change < CONVERTER_NOISE;
        within_one || fresh_noise
    }

    fn learn(&mut self, found: &PatchStatistics) {
        if found.largest_change == 0 {
            return;
        }
        let first = self.live_fields == 0;
        learn(&mut self.live_change, found.quiet_change, first);
        if let Some(roughness) = found.plain_roughness {
            learn(&mut self.live_roughness, roughness, first);
        }
        self.live_fields = self.live_fields.saturating_add(1);
    }
}

/// Columns without the sides, where blanking may stand.
fn inner(field: &Field) -> Range<usize> {
    let width = field.luma.width;
    SIDE.min(width / 4)..width - SIDE.min(width / 4)
}

fn same_size(one: &Field, other: &Field) -> bool {
    one.luma.width == other.luma.width && one.luma.rows == other.luma.rows
}

/// Follows the least of what is seen: down fast, up slowly, at once from nothing.
fn learn(learned: &mut f64, seen: f64, first: bool) {
    let pace = if first || *learned == 0.0 {
        1.0
    } else if seen < *learned {
        LEARN_DOWN
    } else {
        LEARN_UP
    };
    *learned += pace * (seen - *learned);
}

/// Whether two fields are the same to the bit; the first row that differs ends it.
fn same(one: &Field, other: &Field) -> bool {
    one.luma == other.luma && one.cb == other.cb && one.cr == other.cr
}

/// The running sum of pictures lost minus inserted.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Slip {
    fields: i64,
}

impl Slip {
    /// Takes in the next field; the slip by now, as time.
    pub(super) fn follow(&mut self, missing: u64, inserted: u32, period: Seconds) -> Millis {
        let missing = i64::try_from(missing).unwrap_or(i64::MAX);
        self.fields = self.fields.saturating_add(missing) - i64::from(inserted);
        Millis(self.fields as f64 * period.0 * 1e3)
    }
}
