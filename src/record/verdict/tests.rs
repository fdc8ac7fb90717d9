//! Scripted passes, rule by rule.

use super::findings::percent;
use super::*;
use crate::alarms::script::{blank, clock, exactly, healthy, wobbling};
use crate::measures::Readings;
use crate::measures::sync::State;
use crate::record::played::{PlayedPass, Stretch, pass_of};
use crate::units::{Ire, Millis, Percent};

fn evidence(pass: &PlayedPass) -> Evidence<'_> {
    Evidence {
        statistics: &pass.statistics,
        spans: pass.played.alarms.programme().spans(),
        log: &pass.log,
        coverage: pass.played.alarms.coverage(),
        limits: &pass.limits,
        clock: clock(),
        sample_rate: Some(Hertz(13.5e6)),
    }
}

fn judged(stretches: &[Stretch<'_>]) -> Judgement {
    judge(evidence(&pass_of(stretches)))
}

fn sentences(judgement: &Judgement) -> Vec<String> {
    let reasons = judgement.reasons.iter();
    reasons.map(|reason| reason.sentence.clone()).collect()
}

fn lossy(field: u64) -> Readings {
    let mut readings = healthy(field);
    readings.sync.missing_fields = 1;
    readings
}

fn wobble(field: u64) -> Readings {
    wobbling(field, 50.0)
}

#[test]
fn a_healthy_pass_is_clean_and_says_what_was_not_judged() {
    let judgement = judged(&[(2_000, &healthy)]);
    assert_eq!(judgement.verdict, Verdict::Clean);
    assert_eq!(sentences(&judgement), Vec::<String>::new());
    for (group, anchor) in ANCHORS {
        if quantity(anchor).is_some() {
            assert_eq!(judgement.groups.of(group), Verdict::Clean);
            continue;
        }
        assert_eq!(judgement.groups.of(group), Verdict::Undecided);
        let missing = judgement.not_judged.iter().find(|m| m.group == group);
        assert_eq!(missing.map(|m| m.why.as_str()), Some("not measured"));
    }
}

#[test]
fn nothing_seen_is_undecided_and_never_clean() {
    let snow = |field| blank(field, State::Snow);
    let judgement = judged(&[(2_000, &snow)]);
    assert_eq!(judgement.verdict, Verdict::Undecided);
    assert_eq!(
        sentences(&judgement),
        ["No programme was found: there is nothing to judge."]
    );
    let dark = |field| blank(field, State::Locked);
    let judgement = judged(&[(600, &healthy), (700, &dark)]);
    assert_eq!(judgement.verdict, Verdict::Undecided);
    assert_eq!(judgement.groups.continuity, Verdict::Clean);
    let reason = "Steadiness could not be judged: measurable on 46 % of the programme only.";
    assert!(
        sentences(&judgement).iter().any(|r| r == reason),
        "{:?}",
        judgement.reasons
    );
}

#[test]
fn half_of_the_programme_measured_is_enough() {
    let dark = |field| blank(field, State::Locked);
    assert_eq!(
        judged(&[(600, &healthy), (600, &dark)]).verdict,
        Verdict::Clean
    );
    assert_eq!(
        judged(&[(600, &healthy), (601, &dark)]).verdict,
        Verdict::Undecided
    );
}

#[test]
fn an_alarm_on_more_than_one_percent_is_unfit_and_on_less_usable() {
    let brief = judged(&[(5_000, &healthy), (50, &wobble), (5_000, &healthy)]);
    assert_eq!(brief.verdict, Verdict::Usable);
    assert_eq!(brief.groups.steadiness, Verdict::Usable);
    assert_eq!(brief.groups.levels, Verdict::Clean);
    let long = judged(&[(5_000, &healthy), (310, &wobble), (5_000, &healthy)]);
    assert_eq!(long.verdict, Verdict::Unfit);
    let expected = "Wobble on 3.0 % of the programme, worst 0.7 sample (50 ns) at 00:01:23;12.";
    assert_eq!(sentences(&long), [expected]);
}

#[test]
fn an_event_that_goes_on_through_pauses_covers_its_bad_fields_only() {
    let now_and_then =
        |bad: u64| move |field: u64| wobbling(field, if field % 1_200 < bad { 50.0 } else { 5.0 });
    let judgement = judged(&[(36_000, &now_and_then(9))]);
    assert_eq!(
        judgement.verdict,
        Verdict::Usable,
        "{:?}",
        judgement.reasons
    );
    let judgement = judged(&[(36_000, &now_and_then(18))]);
    assert_eq!(judgement.verdict, Verdict::Unfit);
    assert!(
        judgement.reasons[0].sentence.starts_with("Wobble on 1.5 %"),
        "{:?}",
        judgement.reasons
    );
}

#[test]
fn faults_outside_the_programme_do_not_count() {
    let snow = |field| blank(field, State::Snow);
    let judgement = judged(&[(600, &snow), (2_000, &healthy), (3_000, &snow)]);
    assert_eq!(judgement.verdict, Verdict::Clean);
}

#[test]
fn single_losses_are_usable_and_listed_to_play_again() {
    let judgement = judged(&[(1_000, &healthy), (1, &lossy), (1_000, &healthy)]);
    assert_eq!(judgement.verdict, Verdict::Usable);
    assert_eq!(judgement.reasons.len(), 1);
    let reason = &judgement.reasons[0].sentence;
    assert!(
        reason.starts_with("1 field is missing in 33 s: play again at 00:00:16;19"),
        "{reason}"
    );
}

#[test]
fn more_losses_than_one_in_ten_minutes_are_unfit() {
    let ten_minutes = 600 * 60;
    let twice = judged(&[(1_000, &healthy), (2, &lossy), (ten_minutes * 2, &healthy)]);
    assert_eq!(twice.verdict, Verdict::Usable);
    let thrice = judged(&[(1_000, &healthy), (3, &lossy), (ten_minutes * 2, &healthy)]);
    assert_eq!(thrice.verdict, Verdict::Unfit);
    assert_eq!(thrice.groups.continuity, Verdict::Unfit);
}

#[test]
fn slip_beyond_its_limit_is_unfit() {
    for (slip, verdict) in [(-40.0, Verdict::Clean), (-41.0, Verdict::Unfit)] {
        let slipping = |field: u64| {
            let mut readings = healthy(field);
            readings.sync.slip = Some(Millis(if field < 700 { 0.0 } else { slip }));
            readings
        };
        let judgement = judged(&[(1_000, &slipping)]);
        assert_eq!(judgement.verdict, verdict, "{slip}");
    }
}

#[test]
fn levels_wrong_throughout_are_usable_and_now_and_then_are_not_worth_a_word() {
    let low = |field: u64| {
        let mut readings = healthy(field);
        readings.levels.black = exactly(Ire(-5.0));
        readings
    };
    let judgement = judged(&[(100, &healthy), (2_000, &low)]);
    assert_eq!(
        (judgement.verdict, judgement.groups.levels),
        (Verdict::Usable, Verdict::Usable)
    );
    let reason = &judgement.reasons[0].sentence;
    assert!(
        reason.starts_with("Black too low on 95 % of the programme, worst -5.0 IRE (code 5)"),
        "{reason}"
    );
    assert_eq!(
        judged(&[(1_000, &healthy), (1_000, &low)]).verdict,
        Verdict::Clean
    );
}

#[test]
fn unfit_outweighs_undecided_and_undecided_usable() {
    let clipped_and_dark = |field: u64| {
        let mut readings = blank(field, State::Locked);
        readings.levels.black = exactly(Ire(0.0));
        readings.levels.high_clip = Some(Percent(4.0));
        readings
    };
    let dark = |field: u64| {
        let mut readings = clipped_and_dark(field);
        readings.levels.high_clip = Some(Percent(0.0));
        readings
    };
    let judgement = judged(&[(2_000, &clipped_and_dark)]);
    assert_eq!(judgement.groups.steadiness, Verdict::Undecided);
    assert_eq!(
        (judgement.groups.levels, judgement.verdict),
        (Verdict::Unfit, Verdict::Unfit)
    );
    let judgement = judged(&[(9_000, &dark), (60, &clipped_and_dark), (900, &dark)]);
    assert_eq!(
        (judgement.groups.levels, judgement.verdict),
        (Verdict::Usable, Verdict::Undecided)
    );
}

#[test]
fn reasons_are_ordered_by_how_much_they_matter() {
    let torn = |field: u64| {
        let mut readings = healthy(field);
        readings.tear.lines = Some(30);
        readings
    };
    let judgement = judged(&[
        (2_000, &healthy),
        (20, &torn),
        (2_000, &healthy),
        (1_000, &wobble),
        (1, &lossy),
        (3_000, &healthy),
    ]);
    let firsts: Vec<&str> = judgement
        .reasons
        .iter()
        .filter_map(|reason| reason.sentence.split(' ').next())
        .collect();
    assert_eq!(firsts, ["Wobble", "1", "Torn"], "{:?}", judgement.reasons);
}

#[test]
fn a_verdict_can_be_asked_for_while_the_pass_goes_on() {
    let mut pass = pass_of(&[(2_000, &wobble)]);
    let opened = pass.played.changes.iter().take(3);
    let mut log = EventLog::new();
    opened.for_each(|change| log.apply(change));
    assert_eq!(log.open().count(), 1);
    pass.log = log;
    let spans = [Span {
        start: pass.played.alarms.programme().spans()[0].start,
        end: None,
        why_ended: None,
    }];
    let judgement = judge(Evidence {
        spans: &spans,
        ..evidence(&pass)
    });
    assert_eq!(judgement.verdict, Verdict::Unfit);
}

#[test]
fn shares_are_said_as_finely_as_it_matters() {
    let said: Vec<String> = [0.0, 0.0004, 0.031, 0.46].map(percent).into();
    assert_eq!(said, ["none", "less than 0.1 %", "3.1 %", "46 %"]);
}

#[test]
fn each_reason_says_where_the_way_out_lies() {
    let low = |field: u64| {
        let mut readings = wobble(field);
        readings.levels.black = exactly(Ire(-5.0));
        readings
    };
    let judgement = judged(&[(100, &healthy), (2_000, &low), (1, &lossy), (60, &low)]);
    let remedies: Vec<Remedy> = judgement.reasons.iter().map(|r| r.remedy).collect();
    // wobble throughout is the chain's, one lost field may come the next time
    let expected = [
        Remedy::ChangeSetting,
        Remedy::PlayAgain,
        Remedy::ChangeSetting,
    ];
    assert_eq!(remedies, expected, "{:?}", judgement.reasons);
    assert_eq!(judgement.with_remedy(Remedy::PlayAgain).count(), 1);
    let sentence = judgement.in_a_sentence();
    assert!(
        sentence.starts_with("Wobble on") && sentence.contains("; 1 field is missing"),
        "{sentence}"
    );
    let brief = judged(&[(5_000, &healthy), (50, &wobble), (5_000, &healthy)]);
    assert_eq!(brief.reasons[0].remedy, Remedy::PlayAgain);
}

#[test]
fn a_clean_pass_has_a_sentence_too() {
    let sentence = judged(&[(2_000, &healthy)]).in_a_sentence();
    assert_eq!(sentence, "Nothing wrong was seen, and enough was seen.");
}
