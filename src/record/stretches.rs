//! Good places of a pass to try a setting at: where timing is worst, where it is dark, colourful, detailed.
//!
//! In: every quantity over the length of a pass. Out: a [`TestStretch`] of each sort, where there is one. The darkest scene shows what black
//! does, the most colourful what colour does, the most detailed sharpness and noise reduction.
//!
//! Does not know: what is set, or how a stretch is shown.

use super::finished::{Finished, Overview};
use super::timeline::Band;
use crate::units::Seconds;

/// Seconds played of a stretch at least: a few scenes, and time to look.
const LEAST_SECONDS: u64 = 60;

/// A place to try a setting at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TestStretch {
    /// What it is good for.
    pub why: &'static str,
    /// Where it begins.
    pub start: Seconds,
    /// How long it is.
    pub length: Seconds,
}

/// Which end of a quantity is looked for.
enum Wanted {
    Greatest,
    Least,
}

const SORTS: [(&str, &str, Wanted); 4] = [
    (
        "worst for timing",
        "line_timing.error_rms_ns",
        Wanted::Greatest,
    ),
    (
        "dark, for black and set-up",
        "levels.mean_ire",
        Wanted::Least,
    ),
    (
        "colourful, for colour",
        "chroma.saturation_rms_pct",
        Wanted::Greatest,
    ),
    (
        "detailed, for sharpness and noise",
        "detail.bandwidth_mhz",
        Wanted::Greatest,
    ),
];

/// One place of each sort, as far as the pass has any.
#[must_use]
pub fn test_stretches(finished: &Finished) -> Vec<TestStretch> {
    let sorts = SORTS.iter().filter_map(|(why, id, wanted)| {
        let mut all = finished.quantities.iter();
        let one = all.find(|one| one.quantity.id == *id)?;
        let (start, length) = best(one, wanted)?;
        Some(TestStretch {
            why,
            start: Seconds(start as f64),
            length: Seconds(length as f64),
        })
    });
    sorts.collect()
}

/// Start and length of the best run of steps that is at least [`LEAST_SECONDS`] long, by the mean of its medians; of a shorter pass,
/// all of it tells nothing.
fn best(one: &Overview, wanted: &Wanted) -> Option<(u64, u64)> {
    let step = one.timeline.step_seconds.max(1);
    let count = LEAST_SECONDS.div_ceil(step) as usize;
    let steps = &one.timeline.steps;
    if steps.len() <= count {
        return None;
    }
    // a run with gaps is no better than its half
    let mean = |run: &[Option<Band>]| {
        let is_known = 2 * run.iter().flatten().count() > run.len();
        mean_of(run).filter(|_| is_known)
    };
    // from the end, so that of equals the earliest is taken
    let runs = steps.windows(count).enumerate().rev();
    let rated = runs.filter_map(|(at, run)| Some((at, mean(run)?)));
    let signed = |value: f64| match wanted {
        Wanted::Greatest => value,
        Wanted::Least => -value,
    };
    let (at, found) = rated.max_by(|a, b| signed(a.1).total_cmp(&signed(b.1)))?;
    let usual = mean_of(steps)?;
    // where all of it is alike, no place is better than another
    if (found - usual).abs() <= one.quantity.step {
        return None;
    }
    Some((at as u64 * step, count as u64 * step))
}

/// Mean of the medians; `None` where nothing was measured.
fn mean_of(steps: &[Option<Band>]) -> Option<f64> {
    let known: Vec<f64> = steps.iter().flatten().map(|band| band.median).collect();
    (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{exactly, healthy, wobbling};
    use crate::limits::Limits;
    use crate::measures::Readings;
    use crate::record::PassHead;
    use crate::record::played::{End, Stretch, stored};
    use crate::record::testing::head;
    use crate::units::Ire;

    /// Fields of two minutes of 525 lines.
    const TWO_MINUTES: u64 = 7_194;

    fn found(stretches: &[Stretch<'_>]) -> Vec<TestStretch> {
        let head = PassHead {
            limits: Limits::default().to_toml(),
            ..head(false)
        };
        let (_scratch, pass, _) = stored(&head, stretches, End::Closed);
        test_stretches(&Finished::of(&pass).expect("it can be read"))
    }

    #[test]
    fn each_stretch_lies_where_the_pass_has_most_of_it() {
        let wobble = |field| wobbling(field, 30.0);
        let dark = |field: u64| -> Readings {
            let mut readings = healthy(field);
            readings.levels.mean = exactly(Ire(4.0));
            readings
        };
        let lit = |field: u64| -> Readings {
            let mut readings = healthy(field);
            readings.levels.mean = exactly(Ire(40.0));
            readings
        };
        let stretches: [Stretch<'_>; 3] = [
            (TWO_MINUTES, &lit),
            (TWO_MINUTES, &wobble),
            (TWO_MINUTES, &dark),
        ];
        let found = found(&stretches);
        let start = |word: &str| {
            let one = found.iter().find(|one| one.why.starts_with(word));
            one.map(|one| (one.start.0, one.length.0))
        };
        let (timing, length) = start("worst for timing").expect("it was measured");
        assert!(
            (119.0..=181.0).contains(&timing) && length >= 60.0,
            "{timing} {length}"
        );
        let (dark, _) = start("dark").expect("it was measured");
        assert!((239.0..=301.0).contains(&dark), "{dark}");
    }

    #[test]
    fn a_pass_of_less_than_a_minute_has_none() {
        assert_eq!(found(&[(1_800, &healthy)]), []);
    }
}
