//! Whether a field shows an earlier picture again, and what that does to the running time.
//!
//! In: fields, and what their patches say. Out: repeated or not, and the slip.
//!
//! A field is repeated if it is the earlier field of its parity to the bit; or to one code; or with fresh noise far
//! under the noise that live fields of this pass have between them. All three need a pass that was seen live, with noise
//! from field to field: a synthetic still picture never counts.
//!
//! Does not know: why a picture was repeated.

use crate::fields::{Field, Neighbourhood};
use crate::units::{Millis, Seconds};

use super::patches::{PatchStatistics, Patches};
use super::thumbnail::SIDE;

/// Live fields that must have been seen before anything counts as repeated: of both parities, a fifth of a second.
const LIVE_FIELDS: u32 = 12;

/// Change between live fields, in codes of noise sigma, without which "the same to one code" says nothing: noise of 0.6 code
/// changes one sample in a hundred by two codes or more.
const LIVE_NOISE: f64 = 0.6;

/// Change in time over roughness along the line that makes a repeat: temporal noise reduction of the strongest kind
/// leaves about 0.3 of the noise between fields.
const REPEAT_RATIO: f64 = 0.25;

/// Change over the noise learned of live fields, at most.
const REPEAT_SHARE: f64 = 0.4;

/// Noise sigma of a converter, in codes, at most: more than twice that of a poor 8-bit one.
const CONVERTER_NOISE: f64 = 0.6;

/// How fast the learned noise of live fields follows downwards and upwards, a field: a still scene with plain ground shows
/// it at once, motion and texture only seem to have more.
const LEARN_DOWN: f64 = 0.25;
const LEARN_UP: f64 = 0.002;

/// Not exact repeats in a row after which they are taken for a live scene quieter than any before.
const LONGEST_INEXACT: u32 = 8;

/// Repeated fields in a row up to which pictures were inserted. A longer freeze stands in for pictures that played on
/// meanwhile: it takes no time from the sound.
const LONGEST_INSERT: u32 = 4;

/// Finds repeats.
#[derive(Debug, Default)]
pub(super) struct RepeatWatch {
    patches: Patches,
    live_fields: u32,
    /// Noise sigma between live fields, in codes; motion adds to it.
    live_change: f64,
    /// Noise sigma along the lines of live fields, in codes; texture adds to it.
    live_roughness: f64,
    inexact_run: u32,
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
    /// Whether the newest field is a repeat. `flat` fields are neither repeats nor live.
    pub(super) fn is_repeated(&mut self, around: &Neighbourhood<'_>, flat: bool) -> bool {
        let Some(before) = around.same_parity().filter(|_| !flat) else {
            return false;
        };
        if before.luma.width != around.field.luma.width
            || before.luma.rows != around.field.luma.rows
        {
            return false;
        }
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

    fn likeness(&mut self, field: &Field, before: &Field) -> Likeness {
        if same(field, before) {
            return Likeness::Exact;
        }
        let width = field.luma.width;
        let columns = SIDE.min(width / 4)..width - SIDE.min(width / 4);
        let Some(found) = self.patches.compare(&field.luma, &before.luma, columns) else {
            return Likeness::Live;
        };
        if self.is_near(&found) && self.inexact_run < LONGEST_INEXACT {
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
    run: u32,
}

impl Slip {
    /// Takes in the next field; the slip by now, as time.
    pub(super) fn follow(&mut self, missing: u64, repeated: bool, period: Seconds) -> Millis {
        let missing = i64::try_from(missing).unwrap_or(i64::MAX);
        self.fields = self.fields.saturating_add(missing);
        if repeated {
            self.run += 1;
        } else {
            if self.run <= LONGEST_INSERT {
                self.fields -= i64::from(self.run);
            }
            self.run = 0;
        }
        Millis(self.fields as f64 * period.0 * 1e3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PERIOD: Seconds = Seconds(0.02);

    fn slip_after(fields: &[(u64, bool)]) -> f64 {
        let mut slip = Slip::default();
        fields
            .iter()
            .map(|(missing, repeated)| slip.follow(*missing, *repeated, PERIOD).0)
            .last()
            .expect("there are fields")
    }

    #[test]
    fn lost_fields_add_and_inserted_ones_take_off() {
        assert_eq!(slip_after(&[(0, false), (2, false), (0, false)]), 40.0);
        assert_eq!(slip_after(&[(0, true), (0, true), (0, false)]), -40.0);
        assert_eq!(
            slip_after(&[(2, false), (0, true), (0, true), (0, false)]),
            0.0
        );
    }

    #[test]
    fn a_long_freeze_takes_no_time() {
        let mut fields = vec![(0, true); 30];
        fields.push((0, false));
        assert_eq!(slip_after(&fields), 0.0);
    }
}
