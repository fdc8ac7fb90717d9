//! Readings held against earlier ones: what a change of a setting did.
//!
//! In: the newest values of the shown quantities. Out: a [`Reference`], and a [`Difference`] from it with its uncertainty. Levels
//! depend on what is shown, so the spread of levels is kept beside: where no change of brightness and contrast makes the one of
//! the other, the picture is another and the difference means little.
//!
//! Does not know: how it is drawn, what was changed.

use crate::fields::FieldPlace;
use crate::measures::Readings;

use super::trend::{SHOWN, Shown, Trends};

/// Fields a reference is taken over: two seconds.
pub const REFERENCE_FIELDS: usize = 120;

/// Fields that count as one piece of evidence: neighbours show the same picture.
pub const FIELDS_PER_EVIDENCE: f32 = 12.0;

/// Shares of the area at which the spread of levels is kept.
const SHARES: [f64; 7] = [0.02, 0.1, 0.25, 0.5, 0.75, 0.9, 0.98];

/// Distance of the levels from the best change of brightness and contrast, rms in codes, up to which the picture is alike.
const ALIKE_CODES: f64 = 7.0;

/// A value and its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Held {
    /// The middle one of some fields.
    pub value: f64,
    /// Its standard error.
    pub sigma: f64,
}

/// Readings that later ones are held against.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// Where they were taken.
    pub place: FieldPlace,
    values: [Option<Held>; SHOWN],
    levels: Option<[f64; SHARES.len()]>,
}

/// Now against then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// Then.
    pub then: Held,
    /// Now less then, with the standard error of both.
    pub difference: Held,
}

/// What readings are held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Yardstick {
    /// Readings of this pass.
    Reference,
    /// The same place of the tape on an earlier pass.
    Earlier,
}

impl Reference {
    /// Of what was read last.
    pub(super) fn take(latest: &Readings, trends: &Trends) -> Self {
        Self {
            place: latest.place,
            values: Shown::ALL.map(|shown| held(trends, shown)),
            levels: spread_of(&latest.levels.ladder),
        }
    }

    /// What has changed of a quantity since; `None` where it could not be read then or cannot now.
    pub(super) fn difference(&self, shown: Shown, trends: &Trends) -> Option<Difference> {
        let (then, now) = (self.values[shown as usize]?, held(trends, shown)?);
        Some(Difference {
            then,
            difference: Held {
                value: now.value - then.value,
                sigma: now.sigma.hypot(then.sigma),
            },
        })
    }

    /// Whether the picture is so much another that differences of levels mean nothing.
    pub(super) fn is_of_another_picture(&self, latest: &Readings) -> bool {
        let (Some(then), Some(now)) = (self.levels, spread_of(&latest.levels.ladder)) else {
            return true;
        };
        misfit(&then, &now) > ALIKE_CODES
    }
}

impl Held {
    /// The middle of values field by field, which are put in order, with its standard error by their quartiles where so many
    /// fields count as one piece of evidence; `None` of nothing.
    #[must_use]
    pub fn of(values: &mut [f32], fields_per_evidence: f32) -> Option<Self> {
        let count = values.len();
        values.sort_unstable_by(f32::total_cmp);
        let value = *values.get(count / 2)?;
        // Half the distance of the quartiles is 0.6745 sigma; a median's error is 1.25 of a mean's (normal noise).
        let spread = (values[count * 3 / 4] - values[count / 4]) / 2.0 / 0.6745;
        let evidence = (count as f32 / fields_per_evidence).max(1.0);
        Some(Self {
            value: f64::from(value),
            sigma: f64::from(1.2533 * spread / evidence.sqrt()),
        })
    }
}

/// The middle of the last fields.
fn held(trends: &Trends, shown: Shown) -> Option<Held> {
    let mut values = [0.0_f32; REFERENCE_FIELDS];
    let mut count = 0;
    for (kept, value) in values
        .iter_mut()
        .zip(trends.latest(shown, REFERENCE_FIELDS))
    {
        *kept = value;
        count += 1;
    }
    Held::of(&mut values[..count], FIELDS_PER_EVIDENCE)
}

/// The codes under which [`SHARES`] of the area lie; `None` without a picture.
fn spread_of(ladder: &[u32; 256]) -> Option<[f64; SHARES.len()]> {
    let total: u64 = ladder.iter().map(|&count| u64::from(count)).sum();
    if total == 0 {
        return None;
    }
    Some(SHARES.map(|share| {
        let wanted = share * total as f64;
        let mut below = 0.0;
        let code = ladder.iter().position(|&count| {
            below += f64::from(count);
            below >= wanted
        });
        code.unwrap_or(255) as f64
    }))
}

/// How far the levels lie from a straight line through those before, rms in codes.
fn misfit(then: &[f64; SHARES.len()], now: &[f64; SHARES.len()]) -> f64 {
    let count = SHARES.len() as f64;
    let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
    let (x, y) = (mean(then), mean(now));
    let pairs = || then.iter().zip(now).map(|(a, b)| (a - x, b - y));
    let square: f64 = pairs().map(|(a, _)| a * a).sum();
    let product: f64 = pairs().map(|(a, b)| a * b).sum();
    // Contrast controls reach from half to twice.
    let slope = (product / square.max(1.0)).clamp(0.5, 2.0);
    let rest: f64 = pairs().map(|(a, b)| (b - slope * a).powi(2)).sum();
    (rest / count).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{exactly, healthy};
    use crate::record::Live;
    use crate::record::live::tests::head;
    use crate::units::Ire;

    /// Fields whose black lies at `black` and whose levels follow `code`.
    fn play(
        live: &mut Live,
        fields: std::ops::Range<u64>,
        black: f64,
        code: impl Fn(usize) -> usize,
    ) {
        for field in fields {
            let mut readings = healthy(field);
            let flicker = [0.0, 0.2, -0.2][field as usize % 3];
            readings.levels.black = exactly(Ire(black + flicker));
            for level in 0..100 {
                readings.levels.ladder[code(level)] += 1;
            }
            live.observe(&readings, &[]);
        }
    }

    #[test]
    fn a_change_of_brightness_is_a_difference_with_its_error_and_no_other_picture() {
        let mut live = Live::new(head());
        assert!(!live.take_reference());
        play(&mut live, 0..150, 1.0, |level| 20 + level);
        assert!(live.take_reference());
        play(&mut live, 150..300, 5.0, |level| 29 + level * 9 / 10);
        let found = live
            .against_reference(Shown::Black)
            .expect("both were read");
        assert!((found.difference.value - 4.0).abs() < 0.05, "{found:?}");
        assert!((0.01..0.3).contains(&found.difference.sigma), "{found:?}");
        assert!(!live.shows_another_picture());
    }

    #[test]
    fn another_picture_is_warned_of() {
        let mut live = Live::new(head());
        play(&mut live, 0..150, 1.0, |level| 20 + level);
        live.take_reference();
        // Mostly dark, with a bright tenth.
        play(
            &mut live,
            150..300,
            1.0,
            |level| if level < 88 { 20 } else { 200 },
        );
        assert!(live.shows_another_picture());
    }

    #[test]
    fn what_was_not_read_then_has_no_difference() {
        let mut live = Live::new(head());
        play(&mut live, 0..10, 1.0, |level| level);
        assert_eq!(live.against_reference(Shown::Black), None);
    }
}
