//! Good places of a pass to try a setting at: where timing is worst, where it is dark, colourful, detailed and still.
//!
//! In: every quantity over the length of a pass. Out: a [`TestStretch`] of each sort, where there is one. The darkest scene shows what black
//! does, the most colourful what colour does, the most detailed sharpness and noise reduction, if it can be had of a camera at rest: a hand that
//! holds it is seen by the shake up and down, a pan or something large that passes by the mean level.
//!
//! Does not know: what is set, or how a stretch is shown.

use super::finished::{Finished, Overview};
use super::timeline::Band;
use crate::units::Seconds;

/// Seconds played of a stretch at least: a few scenes, and time to look.
const LEAST_SECONDS: u64 = 60;

/// The same where the camera is at rest: as long as a shot.
const STILL_SECONDS: u64 = 15;

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

/// A kind of place.
struct Sort {
    why: &'static str,
    quantity: &'static str,
    wanted: Wanted,
    /// Seconds of it at least.
    seconds: u64,
}

const SORTS: [Sort; 3] = [
    Sort {
        why: "worst for timing",
        quantity: "line_timing.error_rms_ns",
        wanted: Wanted::Greatest,
        seconds: LEAST_SECONDS,
    },
    Sort {
        why: "dark, for black and set-up",
        quantity: "levels.mean_ire",
        wanted: Wanted::Least,
        seconds: LEAST_SECONDS,
    },
    Sort {
        why: "colourful, for colour",
        quantity: "chroma.saturation_rms_pct",
        wanted: Wanted::Greatest,
        seconds: LEAST_SECONDS,
    },
];

const DETAILED: Sort = Sort {
    why: "detailed, for sharpness and noise",
    quantity: "detail.bandwidth_mhz",
    wanted: Wanted::Greatest,
    seconds: LEAST_SECONDS,
};

const DETAILED_AND_STILL: Sort = Sort {
    why: "detailed and still, for sharpness and noise",
    seconds: STILL_SECONDS,
    ..DETAILED
};

/// What a camera at rest leaves as it is, and what it may span within a second: half of what a calm hand moves the picture up and down,
/// in field lines, and a tenth of what a pan changes of the level, in IRE (from simulated tape; no source).
const AT_REST: [(&str, f64); 2] = [("sync.vertical_shift_lines", 0.3), ("levels.mean_ire", 0.3)];

/// One place of each sort, as far as the pass has any.
#[must_use]
pub fn test_stretches(finished: &Finished) -> Vec<TestStretch> {
    let overview = |id: &str| {
        let mut all = finished.quantities.iter();
        all.find(|one| one.quantity.id == id)
    };
    let sorts = SORTS.iter().filter_map(|sort| {
        let one = overview(sort.quantity)?;
        best(one, &one.timeline.steps, sort)
    });
    let detailed = overview(DETAILED.quantity).and_then(|one| {
        let calm = AT_REST.map(|(id, most)| (overview(id), most));
        let all = &one.timeline.steps;
        let still: Vec<Option<Band>> = (0..)
            .zip(all)
            .map(|(at, step)| {
                step.filter(|_| calm.iter().all(|(one, most)| is_calm(*one, at, *most)))
            })
            .collect();
        best(one, &still, &DETAILED_AND_STILL).or_else(|| best(one, all, &DETAILED))
    });
    sorts.chain(detailed).collect()
}

fn is_calm(one: Option<&Overview>, at: usize, most: f64) -> bool {
    let unrest = one.and_then(|one| one.unrest.get(at).copied().flatten());
    unrest.is_some_and(|unrest| unrest <= most)
}

/// The best run of `steps` that is long enough, by the mean of its medians; of a shorter pass, all of it tells nothing.
fn best(one: &Overview, steps: &[Option<Band>], sort: &Sort) -> Option<TestStretch> {
    let step = one.timeline.step_seconds.max(1);
    let count = sort.seconds.div_ceil(step) as usize;
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
    let signed = |value: f64| match sort.wanted {
        Wanted::Greatest => value,
        Wanted::Least => -value,
    };
    let (at, found) = rated.max_by(|a, b| signed(a.1).total_cmp(&signed(b.1)))?;
    let usual = mean_of(&one.timeline.steps)?;
    // where all of it is alike, no place is better than another
    if (found - usual).abs() <= one.quantity.step {
        return None;
    }
    Some(TestStretch {
        why: sort.why,
        start: Seconds((at as u64 * step) as f64),
        length: Seconds((count as u64 * step) as f64),
    })
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
    use crate::units::{Ire, Lines, Megahertz};

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

    /// Something detailed, by so much, before a camera that goes up and down by so much each field.
    fn detailed(field: u64, megahertz: f64, lines: f64) -> Readings {
        let mut readings = healthy(field);
        let sign = if field.is_multiple_of(2) { 1.0 } else { -1.0 };
        readings.detail.bandwidth = exactly(Megahertz(megahertz));
        readings.sync.vertical_shift = exactly(Lines(sign * lines));
        readings
    }

    #[test]
    fn detail_is_looked_for_where_the_camera_is_at_rest() {
        let held = |field| detailed(field, 3.5, 0.4);
        let coarse = |field| detailed(field, 2.0, 0.02);
        let fine = |field| detailed(field, 3.0, 0.02);
        let of_detail = |stretches: &[Stretch<'_>]| {
            let found = found(stretches);
            let one = found.iter().find(|one| one.why.starts_with("detailed"));
            one.map(|one| (one.why, one.start.0))
        };
        let (why, start) = of_detail(&[
            (TWO_MINUTES, &held),
            (TWO_MINUTES, &coarse),
            (TWO_MINUTES, &fine),
        ])
        .expect("there is one");
        assert_eq!(why, "detailed and still, for sharpness and noise");
        assert!((239.0..=301.0).contains(&start), "{start}");

        // The best there is, and no word of rest, where nothing is still.
        let coarse = |field| detailed(field, 2.0, 0.4);
        let (why, start) =
            of_detail(&[(TWO_MINUTES, &coarse), (TWO_MINUTES, &held)]).expect("there is one");
        assert_eq!(why, "detailed, for sharpness and noise");
        assert!((119.0..=181.0).contains(&start), "{start}");
    }

    #[test]
    fn a_pass_of_less_than_a_minute_has_none() {
        assert_eq!(found(&[(1_800, &healthy)]), []);
    }
}
