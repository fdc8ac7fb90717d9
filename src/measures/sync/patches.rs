//! Small patches all over the field: what noise is in them, and what changed in them since an earlier field.
//!
//! In: luma of a field and of the one before it of the same parity. Out: [`PatchStatistics`]: whether a picture was shown
//! again with, at most, fresh noise of a converter. In a live picture the difference of two fields holds the noise of
//! both; in a picture shown again the tape's noise is the same in both and drops out, while within the field it is
//! still there. So each patch compares the change in time with the roughness along the line, and the
//! patches where time changed most against roughness decide: any patch of plain ground keeps a static live scene from
//! looking repeated, whatever texture stands elsewhere.
//!
//! Does not know: the rest of the pass.

use crate::fields::Plane;
use crate::measures::dsp::codes::{
    absolute_difference, absolute_second_difference, largest_difference,
};
use crate::measures::dsp::robust::quantile;

/// Samples along a line of a patch.
const PATCH: usize = 32;

/// Patch rows down the field.
pub(super) const PATCH_ROWS: usize = 24;

/// Most patches across.
const MOST_ACROSS: usize = 64;

/// Lag of the second difference, in samples: most sensitive around 2.2 MHz, where any tape still has noise.
const LAG: usize = 3;

/// Mean absolute difference of two fields over their noise sigma: 2/√π.
const TEMPORAL_GAIN: f64 = 1.128;

/// Mean absolute second difference over the noise sigma, white: √6 · √(2/π).
const SPATIAL_GAIN: f64 = 1.954;

/// Roughness of a patch without which it says nothing, in codes: cut off or synthetic.
const LEAST_ROUGHNESS: f64 = 0.4;

/// Patches that must say something.
const ENOUGH_PATCHES: usize = 40;

/// Share of the patches that lie under the ratio that decides.
const DECIDING_SHARE: f64 = 0.95;

/// Share of the patches whose change is taken for noise alone.
const QUIET_SHARE: f64 = 0.2;

/// Share of the patches whose roughness is taken for noise alone.
const PLAIN_SHARE: f64 = 0.1;

/// What the patches show of a field against an earlier one.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct PatchStatistics {
    /// Noise sigma seen between the fields, in codes, in the quietest fifth of the patches.
    pub(super) quiet_change: f64,
    /// Noise sigma seen along the lines, in codes, in the plainest tenth of the patches that are rough at all; fine detail
    /// adds to it. `None` where too few are rough.
    pub(super) plain_roughness: Option<f64>,
    /// Change over roughness under which all but a twentieth of the patches lie; `None` where too few are rough.
    pub(super) change_ratio: Option<f64>,
    /// Largest change of any sample looked at.
    pub(super) largest_change: u8,
}

/// Looks at patches; the room is kept.
#[derive(Debug, Default)]
pub(super) struct Patches {
    changes: Vec<f32>,
    ratios: Vec<f32>,
    roughness: Vec<f32>,
}

/// Rows that patches lie in, spread over the field without its ends.
pub(super) fn patch_rows(rows: usize) -> impl Iterator<Item = usize> + Clone {
    let inner = rows.saturating_sub(16);
    (0..PATCH_ROWS.min(inner)).map(move |nth| 4 + nth * inner / PATCH_ROWS.min(inner).max(1))
}

impl Patches {
    /// Compares; `None` where the fields are too small.
    pub(super) fn compare(
        &mut self,
        now: &Plane,
        before: &Plane,
        columns: std::ops::Range<usize>,
    ) -> Option<PatchStatistics> {
        let across = (columns.len() / PATCH).min(MOST_ACROSS);
        if across * PATCH_ROWS < ENOUGH_PATCHES {
            return None;
        }
        self.changes.clear();
        self.ratios.clear();
        self.roughness.clear();
        let mut largest = 0;
        for row in patch_rows(now.rows) {
            let used = columns.start..columns.start + across * PATCH;
            let (now, before) = (&now.row(row)[used.clone()], &before.row(row)[used]);
            largest = largest.max(largest_difference(now, before));
            for (now, before) in now.chunks_exact(PATCH).zip(before.chunks_exact(PATCH)) {
                self.take(now, before);
            }
        }
        let enough = self.ratios.len() >= ENOUGH_PATCHES;
        let of_enough =
            |values: &mut [f32], share| quantile(values, share).filter(|_| enough).map(f64::from);
        Some(PatchStatistics {
            quiet_change: f64::from(quantile(&mut self.changes, QUIET_SHARE)?),
            plain_roughness: of_enough(&mut self.roughness, PLAIN_SHARE),
            change_ratio: of_enough(&mut self.ratios, DECIDING_SHARE),
            largest_change: largest,
        })
    }

    fn take(&mut self, now: &[u8], before: &[u8]) {
        let change = f64::from(absolute_difference(now, before)) / PATCH as f64 / TEMPORAL_GAIN;
        let roughness = f64::from(absolute_second_difference(now, LAG))
            / (PATCH - 2 * LAG) as f64
            / SPATIAL_GAIN;
        self.changes.push(change as f32);
        if roughness >= LEAST_ROUGHNESS {
            self.ratios.push((change / roughness) as f32);
            self.roughness.push(roughness as f32);
        }
    }
}
