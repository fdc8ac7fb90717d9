//! Scripted passes through a real file and back.

use super::*;
use crate::alarms::script::{blank, clock, exactly, healthy, wobbling};
use crate::measures::{Group, Readings, sync::State};
use crate::record::played::{End, Stretch as Scripted, evidence, stored};
use crate::record::testing::head;
use crate::record::verdict::{Verdict, judge};
use crate::units::Ire;

/// A pass whose labels begin at zero, as those of scripted events do.
fn a_head() -> PassHead {
    PassHead {
        start: clock().start,
        limits: Limits::default().to_toml(),
        ..head(false)
    }
}

fn finished(stretches: &[Scripted<'_>], end: End) -> (Finished, Judgement) {
    let (_scratch, pass, played) = stored(&a_head(), stretches, end);
    let finished = Finished::of(&pass).expect("a pass that can be read");
    (finished, judge(evidence(&played)))
}

fn snow(field: u64) -> Readings {
    blank(field, State::Snow)
}

fn wobble(field: u64) -> Readings {
    // worst at one field, so that there is a place to name
    wobbling(field, if field == 9_003 { 81.3 } else { 55.0 })
}

fn lossy(field: u64) -> Readings {
    let mut readings = healthy(field);
    readings.sync.missing_fields = 1;
    readings
}

fn low(field: u64) -> Readings {
    let mut readings = healthy(field);
    readings.levels.black = exactly(Ire(-5.0));
    readings
}

/// Fields of a minute of 525 lines, rounded up.
const A_MINUTE: u64 = 3_597;

#[test]
fn a_closed_pass_is_judged_as_it_was_while_it_ran() {
    let stretches: [&[Scripted<'_>]; 5] = [
        &[(5_000, &healthy)],
        &[
            (300, &snow),
            (8_000, &healthy),
            (900, &wobble),
            (5_000, &healthy),
        ],
        &[
            (2_000, &healthy),
            (1, &lossy),
            (9_000, &healthy),
            (40, &wobble),
            (9_000, &healthy),
        ],
        &[(100, &healthy), (9_000, &low), (400, &snow)],
        &[(2_000, &snow)],
    ];
    for stretches in stretches {
        let (finished, expected) = finished(stretches, End::Closed);
        assert_eq!(finished.judgement, expected);
        assert!(finished.is_summed_up);
    }
}

#[test]
fn a_pass_that_was_cut_short_is_judged_alike_by_its_seconds() {
    let stretches: [Scripted<'_>; 4] = [
        (300, &snow),
        (8_000, &healthy),
        (900, &wobble),
        (5_000, &healthy),
    ];
    let (finished, expected) = finished(&stretches, End::CutShort);
    assert!(!finished.is_summed_up);
    assert_eq!(finished.judgement.groups, expected.groups);
    // the share is that of fields over the limit, and the place that of the worst one, in both
    assert_eq!(finished.judgement.reasons, expected.reasons);
    let (fields, expected) = (finished.programme_fields, 13_900);
    assert!(fields.abs_diff(expected) < 60, "{fields}");
}

#[test]
fn minutes_are_judged_one_by_one() {
    let (finished, _) = finished(
        &[
            (A_MINUTE, &snow),
            (A_MINUTE, &healthy),
            (A_MINUTE + 600, &wobble),
            (2_990, &healthy),
            (A_MINUTE - 50, &low),
        ],
        End::Closed,
    );
    let words: Vec<Option<(Verdict, Verdict)>> = finished
        .minutes
        .iter()
        .map(|minute| {
            let judged = minute.judged.as_ref()?;
            Some((judged.groups.steadiness, judged.groups.levels))
        })
        .collect();
    let (clean, usable, unfit) = (Verdict::Clean, Verdict::Usable, Verdict::Unfit);
    let expected = [
        None,
        Some((clean, clean)),
        Some((unfit, clean)),
        Some((unfit, clean)),
        Some((clean, usable)),
    ];
    assert_eq!(words, expected);
    assert_eq!(finished.minutes[2].start.to_string(), "00:01:59;28");
    let kinds = finished.minutes[2]
        .judged
        .as_ref()
        .map(|judged| &judged.kinds);
    assert_eq!(kinds, Some(&vec![Kind::Wobble]));
}

#[test]
fn a_fault_of_a_few_fields_makes_its_minute_usable_and_not_unfit() {
    let brief = |field: u64| wobbling(field, if field % 100 < 9 { 60.0 } else { 5.0 });
    let (finished, _) = finished(
        &[(4 * A_MINUTE, &healthy), (80, &brief), (A_MINUTE, &healthy)],
        End::Closed,
    );
    let minutes: Vec<Verdict> = finished
        .minutes
        .iter()
        .filter_map(|minute| Some(minute.judged.as_ref()?.groups.of(Group::Steadiness)))
        .collect();
    let usable = minutes.iter().filter(|word| **word == Verdict::Usable);
    assert_eq!(usable.count(), 1, "{minutes:?}");
    assert!(!minutes.contains(&Verdict::Unfit), "{minutes:?}");
}

#[test]
fn what_could_not_be_seen_in_a_minute_is_undecided() {
    let dark = |field| blank(field, State::Locked);
    let (finished, _) = finished(&[(A_MINUTE, &healthy), (A_MINUTE, &dark)], End::Closed);
    let second = finished.minutes[1].judged.as_ref().expect("programme");
    assert_eq!(second.groups.steadiness, Verdict::Undecided);
    assert_eq!(second.groups.continuity, Verdict::Clean);
}

#[test]
fn every_quantity_has_its_timeline_and_spread() {
    let (finished, _) = finished(&[(600, &snow), (1_200, &healthy)], End::Closed);
    let error = finished
        .quantities
        .iter()
        .find(|overview| overview.quantity.id == "line_timing.error_rms_ns")
        .expect("it is measured");
    assert_eq!(error.timeline.step_seconds, 1);
    assert!(error.timeline.steps[..9].iter().all(Option::is_none));
    assert_eq!(error.timeline.range(), Some((5.0, 5.0)));
    assert!(error.spread.is_some());
    let Figures::Numbers { median, n, .. } = error.figures else {
        panic!("a number");
    };
    assert!(n == 1_200 && median.is_some_and(|median| (median - 5.0).abs() < 0.03));
}

#[test]
fn an_empty_pass_is_undecided() {
    let (finished, _) = finished(&[], End::CutShort);
    assert_eq!(finished.judgement.verdict, Verdict::Undecided);
    assert!(finished.minutes.is_empty() && finished.last.is_none());
}

#[test]
fn limits_that_make_no_sense_are_damage() {
    let (scratch, pass, _) = stored(&a_head(), &[(10, &healthy)], End::Closed);
    drop(pass);
    let path = scratch.path().join("a.pass");
    let connection = rusqlite::Connection::open(&path).expect("the pass");
    connection
        .execute("UPDATE pass SET limits = 'wobble = '", ())
        .expect("a change");
    drop(connection);
    let pass = Pass::open(&path).expect("the pass");
    assert!(matches!(
        Finished::of(&pass),
        Err(RecordError::Damaged { .. })
    ));
}
