//! How much of the programme each kind of event covers, counted field by field.
//!
//! An event goes on through short pauses, so its length says more than the fields that were bad. Fields whose
//! belonging to the programme is not yet known are kept apart until it is.

use super::programme::Phase;
use crate::limits::Kind;

/// Programme fields covered, by kind.
#[derive(Clone, Debug)]
pub struct Coverage {
    sure: [u64; Kind::ALL.len()],
    pending: [u64; Kind::ALL.len()],
    now: [u64; Kind::ALL.len()],
}

impl Coverage {
    pub(super) fn new() -> Self {
        Self {
            sure: [0; Kind::ALL.len()],
            pending: [0; Kind::ALL.len()],
            now: [0; Kind::ALL.len()],
        }
    }

    /// Programme fields in which an event of this kind was going on and the quantity was over its limit; of what is
    /// counted, the number.
    #[must_use]
    pub fn fields(&self, kind: Kind) -> u64 {
        self.sure[kind as usize]
    }

    /// A rule found so many more fields at the newest one; two rules of one kind do not cover a field twice.
    pub(super) fn add(&mut self, kind: Kind, fields: u64) {
        let now = &mut self.now[kind as usize];
        *now = fields.max(*now);
    }

    /// All rules have looked at the newest field.
    pub(super) fn settle(&mut self, phase: Phase) {
        for ((sure, pending), now) in self
            .sure
            .iter_mut()
            .zip(&mut self.pending)
            .zip(&mut self.now)
        {
            *pending += std::mem::take(now);
            match phase {
                Phase::Inside => *sure += std::mem::take(pending),
                Phase::Outside => *pending = 0,
                Phase::Starting | Phase::Ending => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn covered(fields: &[(u64, Phase)]) -> u64 {
        let mut coverage = Coverage::new();
        for &(fields, phase) in fields {
            coverage.add(Kind::Snow, fields);
            coverage.settle(phase);
        }
        coverage.fields(Kind::Snow)
    }

    #[test]
    fn fields_count_once_they_are_known_to_be_programme() {
        assert_eq!(covered(&[(1, Phase::Starting), (1, Phase::Inside)]), 2);
        assert_eq!(covered(&[(1, Phase::Ending), (1, Phase::Outside)]), 0);
        assert_eq!(covered(&[(1, Phase::Ending)]), 0);
    }

    #[test]
    fn two_rules_of_a_kind_do_not_cover_a_field_twice() {
        let mut coverage = Coverage::new();
        coverage.add(Kind::Clipping, 1);
        coverage.add(Kind::Clipping, 1);
        coverage.settle(Phase::Inside);
        assert_eq!(coverage.fields(Kind::Clipping), 1);
    }
}
