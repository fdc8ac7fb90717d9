//! Cuts, as far as the level of the picture shows them: fields whose picture cannot be compared with the one before.

use crate::measures::Readings;
use crate::standard::Parity;

/// A jump of the mean by this many IRE between fields of one parity is taken for a cut. Fades and pans stay under a
/// tenth of it; a cut that stays under it too is one that quantities hardly feel.
const CUT_IRE: f64 = 8.0;

/// Fields after a gap that stand beside a picture from before it.
const FIELDS_AFTER_A_GAP: u32 = 2;

/// Remembers the mean level of either parity.
///
/// Comparing within a parity makes a cut last exactly two fields, and keeps a weak head from looking like one.
#[derive(Debug, Default)]
pub(super) struct Cuts {
    means: [Option<f64>; 2],
    after_a_gap: u32,
}

impl Cuts {
    /// Whether this field's picture cannot be compared with the one before, or is the same again.
    pub(super) fn observe(&mut self, readings: &Readings) -> bool {
        self.after_a_gap = if readings.sync.missing_fields > 0 {
            FIELDS_AFTER_A_GAP
        } else {
            self.after_a_gap.saturating_sub(1)
        };
        let mean = readings.levels.mean.map(|mean| mean.value.0);
        let before = &mut self.means[usize::from(readings.place.parity == Parity::Bottom)];
        let jumped = match (mean, *before) {
            (Some(mean), Some(before)) => (mean - before).abs() > CUT_IRE,
            _ => false,
        };
        *before = mean;
        jumped || self.after_a_gap > 0 || readings.sync.repeated
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{exactly, healthy};
    use crate::units::Ire;

    fn cuts_at(means: &[f64]) -> Vec<usize> {
        let mut cuts = Cuts::default();
        let fields = means.iter().enumerate().filter(|&(field, &mean)| {
            let mut readings = healthy(field as u64);
            readings.levels.mean = exactly(Ire(mean));
            cuts.observe(&readings)
        });
        fields.map(|(field, _)| field).collect()
    }

    #[test]
    fn a_cut_holds_two_fields() {
        assert_eq!(cuts_at(&[40.0, 40.0, 40.0, 60.0, 60.0, 60.0]), [3, 4]);
    }

    #[test]
    fn a_weak_head_and_a_fade_are_no_cuts() {
        assert_eq!(cuts_at(&[40.0, 60.0, 40.0, 60.0, 40.0]), [0_usize; 0]);
        assert_eq!(cuts_at(&[40.0, 41.0, 42.0, 43.0, 44.0]), [0_usize; 0]);
    }
}
