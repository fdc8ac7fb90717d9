//! Scripted passes, rule by rule, and random ones for what must always hold.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::script::{Played, blank, clock, exactly, healthy, place_at, wobbling};
use super::*;
use crate::limits::{Limit, Severity, Side, TABLE};
use crate::measures::dropouts::Streak;
use crate::measures::line_timing::Basis;
use crate::measures::sync::State;
use crate::measures::tracking::{self, Band, HeadState, Heads};
use crate::measures::{bars, chroma, quantity, tear};
use crate::units::{Decibels, Degrees, Estimate, Ire, Lines, Micros, Nanos, Percent};

/// Two seconds of a healthy tape: the programme has begun.
const LEAD_IN: u64 = 120;
/// Long enough without a fault for every event to be closed and passed on.
const LEAD_OUT: u64 = 400;

fn healthy_start() -> Played {
    Played::new().play(LEAD_IN, healthy)
}

fn count(played: &Played, kind: Kind, wanted: fn(&Change) -> bool) -> usize {
    let of_kind = played
        .changes
        .iter()
        .filter(|change| change.event().kind == kind);
    of_kind.filter(|change| wanted(change)).count()
}

fn torn(field: u64, lines: u32) -> Readings {
    let mut readings = healthy(field);
    readings.tear = tear::Reading { lines: Some(lines) };
    readings
}

fn after_a_gap(field: u64, lost: u64, by_us: u64) -> Readings {
    let mut readings = healthy(field);
    readings.sync.missing_fields = lost;
    readings.sync.missing_by_us = by_us;
    readings
}

#[test]
fn every_limit_names_a_quantity_and_its_unit() {
    for row in TABLE {
        let found = quantity(row.quantity);
        let Some((_, quantity)) = found else {
            panic!(
                "{} looks at {}, which no measure gives",
                row.id, row.quantity
            );
        };
        match row.threshold() {
            Some(threshold) if threshold.side != Side::Counted => {
                assert_eq!(threshold.unit, quantity.unit.symbol(), "{}", row.id);
            }
            Some(_) => {}
            None => assert!(!quantity.words.is_empty(), "{}", row.id),
        }
    }
    let rules = TABLE.iter().copied().filter_map(Rule::new);
    assert_eq!(rules.count(), TABLE.len());
}

#[test]
fn a_healthy_tape_has_no_events() {
    let played = Played::new().play(20_000, healthy).finish();
    assert_eq!(played.closed(), Vec::<&Event>::new());
}

#[test]
fn six_wobbling_fields_of_ten_are_an_event_from_the_first_of_them() {
    let wobbles = |field: u64| (field - LEAD_IN) % 10 < 6;
    let played = healthy_start().play(10, |field| {
        wobbling(field, if wobbles(field) { 50.0 } else { 5.0 })
    });
    let opened = played.alarms.open_events().next().expect("an event");
    assert_eq!(
        (opened.kind, opened.severity),
        (Kind::Wobble, Severity::Alarm)
    );
    assert_eq!(opened.start, place_at(LEAD_IN));
    let change = played.changes.last().map(Change::event);
    assert_eq!(
        change.map(|event| event.start.field),
        Some(opened.start.field)
    );
}

#[test]
fn five_wobbling_fields_of_ten_are_no_event() {
    let played = healthy_start()
        .play(600, |field| {
            wobbling(field, if field % 2 == 0 { 50.0 } else { 5.0 })
        })
        .finish();
    assert_eq!(played.closed(), Vec::<&Event>::new());
}

#[test]
fn the_event_opens_at_the_field_that_completes_the_rule() {
    let five = healthy_start().play(5, |field| wobbling(field, 50.0));
    assert_eq!(five.alarms.open_events().count(), 0);
    let six = five.play(1, |field| wobbling(field, 50.0));
    assert_eq!(six.alarms.open_events().count(), 1);
}

#[test]
fn a_field_between_leave_and_enter_keeps_the_event_open() {
    let played = healthy_start()
        .play(10, |field| wobbling(field, 50.0))
        .play(300, |field| wobbling(field, 30.0));
    assert_eq!(played.alarms.open_events().count(), 1);
    let played = played.play(LEAD_OUT, healthy);
    let event = played.only();
    assert_eq!(event.end, Some(place_at(LEAD_IN + 309)));
    assert_eq!(event.worst, Some(50.0));
}

#[test]
fn an_event_is_over_after_sixty_clear_fields_in_a_row() {
    let wobble = |field| wobbling(field, 50.0);
    let played = healthy_start().play(6, wobble).play(59, healthy);
    assert_eq!(played.alarms.open_events().count(), 1);
    let again = played.play(1, wobble).play(59, healthy);
    assert_eq!(again.alarms.open_events().count(), 1);
    let over = again.play(1, healthy);
    assert_eq!(over.alarms.open_events().count(), 0);
}

#[test]
fn fields_without_evidence_neither_open_nor_clear() {
    let dark = |field| blank(field, State::Locked);
    let played = healthy_start()
        .play(3, |field| wobbling(field, 50.0))
        .play(20, dark)
        .play(3, |field| wobbling(field, 50.0));
    let start = played.alarms.open_events().next().map(|event| event.start);
    assert_eq!(start, Some(place_at(LEAD_IN)));
    let held = played.play(29 * 60, dark);
    assert_eq!(held.alarms.open_events().count(), 1);
}

#[test]
fn waiting_for_evidence_has_an_end() {
    let played = healthy_start()
        .play(10, |field| wobbling(field, 50.0))
        .play(31 * 60 + LEAD_OUT, |field| blank(field, State::Locked));
    assert_eq!(played.only().end, Some(place_at(LEAD_IN + 9)));
}

#[test]
fn hits_far_apart_are_not_counted_together() {
    let played = healthy_start()
        .play(5, |field| wobbling(field, 50.0))
        .play(90, |field| blank(field, State::Locked))
        .play(1, |field| wobbling(field, 50.0));
    assert_eq!(played.alarms.open_events().count(), 0);
}

#[test]
fn a_minute_of_wobble_stands_once_and_then_is_quiet() {
    let played = healthy_start()
        .play(59 * 60, |field| wobbling(field, 50.0))
        .play(10 * 60, |field| wobbling(field, 50.0));
    let standing = |change: &Change| matches!(change, Change::Standing(_));
    assert_eq!(count(&played, Kind::Wobble, standing), 1);
    let before = played.changes.len();
    let played = played.play(60 * 60, |field| wobbling(field, 60.0));
    assert_eq!(played.changes.len(), before);
    let played = played.play(10, |field| wobbling(field, 130.0));
    let worsened = |change: &Change| matches!(change, Change::Worsened(_));
    assert_eq!(count(&played, Kind::Wobble, worsened), 1);
    let played = played.play(LEAD_OUT, healthy);
    assert!(played.only().standing);
}

#[test]
fn one_wild_field_is_no_worsening() {
    let played = healthy_start()
        .play(20, |field| wobbling(field, 50.0))
        .play(1, |field| wobbling(field, 900.0))
        .play(20, |field| wobbling(field, 50.0))
        .finish();
    let worsened = |change: &Change| matches!(change, Change::Worsened(_));
    assert_eq!(count(&played, Kind::Wobble, worsened), 0);
    assert_eq!(played.only().worst, Some(900.0));
}

#[test]
fn six_hours_of_a_bare_player_are_one_standing_event() {
    let mut alarms = Alarms::new(&Limits::default(), clock());
    let mut changes = Vec::new();
    let mut readings = healthy(0);
    let mut noise = 1_u64;
    let fields = 6 * 3600 * 60_000 / 1001;
    for field in 0..fields {
        noise = noise
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        let spread = (noise >> 40) as f64 / f64::from(1 << 24);
        readings.place = place_at(field);
        readings.line_timing.error_rms = exactly(Nanos(150.0 + 300.0 * spread));
        readings.flagging.offset = exactly(Nanos(600.0 + 400.0 * spread));
        alarms.observe(&readings, &mut changes);
    }
    alarms.finish(place_at(fields - 1), WhyEnded::PassEnded, &mut changes);
    for kind in [Kind::Wobble, Kind::Flagging] {
        let of_kind = || changes.iter().filter(|change| change.event().kind == kind);
        let rings = of_kind().count();
        assert!(rings <= 6, "{kind} was announced {rings} times");
        let closed: Vec<_> = of_kind()
            .filter(|change| matches!(change, Change::Closed(_)))
            .collect();
        assert_eq!(closed.len(), 1);
        assert!(closed[0].event().standing);
    }
}

#[test]
fn a_player_that_hovers_about_the_limit_does_not_ring_all_evening() {
    let hovering = |field: u64| wobbling(field, if field % 300 < 30 { 45.0 } else { 20.0 });
    let hour = 3600 * 60;
    let played = Played::new().play(hour, hovering).finish();
    let opened = |change: &Change| matches!(change, Change::Opened(_));
    assert!(count(&played, Kind::Wobble, opened) <= 4);
    let last = played.closed().last().copied().cloned().expect("an event");
    assert!(last.standing);
    assert_eq!(last.end.map(|end| end.field.0), Some(hour - 300 + 29));
    // it went on through the pauses, and yet covers no more than the fields that were bad
    assert_eq!(played.alarms.coverage().fields(Kind::Wobble), hour / 10);
}

#[test]
fn what_comes_back_after_a_long_while_is_over_as_soon_as_before() {
    let played = healthy_start()
        .play(10, |field| wobbling(field, 50.0))
        .play(70 * 60, healthy)
        .play(10, |field| wobbling(field, 50.0))
        .play(59, healthy);
    assert_eq!(played.alarms.open_events().count(), 1);
    assert_eq!(played.play(1, healthy).alarms.open_events().count(), 0);
}

#[test]
fn fields_right_after_a_cut_do_not_count() {
    let cutting = |field: u64| {
        let mut readings = wobbling(field, if field % 10 < 6 { 50.0 } else { 5.0 });
        // a cut every second field: the six that wobble are never six usable ones
        readings.levels.mean = exactly(Ire(if field % 4 < 2 { 20.0 } else { 60.0 }));
        readings
    };
    let played = healthy_start().play(300, cutting).finish();
    assert_eq!(played.closed(), Vec::<&Event>::new());
}

#[test]
fn a_repeated_picture_shows_no_new_wobble() {
    let repeating = |field: u64| {
        let mut readings = wobbling(field, if field < LEAD_IN + 3 { 50.0 } else { 5.0 });
        if field >= LEAD_IN + 3 {
            readings = wobbling(field, 50.0);
            readings.sync.repeated = true;
        }
        readings
    };
    let played = healthy_start().play(20, repeating).play(LEAD_OUT, healthy);
    assert_eq!(played.only().kind, Kind::Repeated);
}

#[test]
fn a_head_that_tears_every_other_field_is_seen() {
    let tearing = |field: u64| torn(field, if field.is_multiple_of(2) { 12 } else { 0 });
    let played = healthy_start().play(4, tearing);
    let opened = played.alarms.open_events().next().expect("an event");
    assert_eq!((opened.kind, opened.start), (Kind::Tear, place_at(LEAD_IN)));
}

#[test]
fn tears_of_two_heads_are_not_added_up() {
    let once_each = |field: u64| torn(field, if field < LEAD_IN + 2 { 12 } else { 0 });
    let played = healthy_start().play(100, once_each).finish();
    let event = played.only();
    assert_eq!((event.kind, event.severity), (Kind::Tear, Severity::Notice));
}

#[test]
fn a_loss_is_one_event_over_the_fields_that_are_missing() {
    let mut played = healthy_start();
    played.next += 4;
    let played = played
        .play(1, |field| after_a_gap(field, 4, 0))
        .play(LEAD_OUT, healthy);
    let event = played.only();
    assert_eq!(event.kind, Kind::Missing);
    assert_eq!(event.start.field, place_at(LEAD_IN).field);
    assert_eq!(
        event.end.map(|end| end.field),
        Some(place_at(LEAD_IN + 3).field)
    );
    assert_eq!(event.start.parity, place_at(LEAD_IN).parity);
    assert_eq!((event.worst, event.unit), (Some(4.0), "fields"));
    assert_eq!(event.note, "4 fields are missing.");
}

#[test]
fn losses_less_than_a_second_apart_are_one_burst() {
    let played = healthy_start()
        .play(30, healthy)
        .play(1, |field| after_a_gap(field, 2, 0))
        .play(20, healthy)
        .play(1, |field| after_a_gap(field, 1, 0))
        .play(LEAD_OUT, healthy);
    let event = played.only();
    assert_eq!(event.worst, Some(3.0));
    assert_eq!(event.note, "3 fields are missing in 2 places within 0.4 s.");
    let played = played
        .play(1, |field| after_a_gap(field, 2, 0))
        .play(LEAD_OUT, healthy);
    assert_eq!(played.closed().len(), 2);
}

#[test]
fn what_we_dropped_is_told_apart_from_what_the_source_lost() {
    let played = healthy_start()
        .play(1, |field| after_a_gap(field, 5, 2))
        .play(LEAD_OUT, healthy);
    let closed: BTreeMap<Kind, Option<f64>> = played
        .closed()
        .iter()
        .map(|event| (event.kind, event.worst))
        .collect();
    let expected = [(Kind::Missing, Some(3.0)), (Kind::Overrun, Some(2.0))];
    assert_eq!(closed, BTreeMap::from(expected));
}

#[test]
fn snow_rings_in_the_programme_and_not_before_it() {
    let snow = |field| blank(field, State::Snow);
    let played = Played::new().play(100, snow).play(300, healthy).finish();
    assert_eq!(played.only().severity, Severity::Notice);
    let played = healthy_start().play(60, snow).play(LEAD_OUT, healthy);
    assert_eq!(played.only().severity, Severity::Alarm);
}

#[test]
fn a_fault_near_a_join_says_so_in_its_note() {
    let played = Played::new()
        .play(600, healthy)
        .play(60, |field| blank(field, State::Snow))
        .play(30, healthy)
        .play(6, |field| torn(field, 40))
        .play(LEAD_OUT, healthy);
    let closed = played.closed();
    let tear = closed.iter().find(|event| event.kind == Kind::Tear);
    let note = &tear.expect("a tear").note;
    assert_eq!(
        note,
        "Lines were torn for 0.1 s, worst 40 lines at 00:00:11;15, 0.5 s after a join between recordings."
    );
}

#[test]
fn a_fault_just_before_a_join_says_so_too() {
    let played = Played::new()
        .play(600, healthy)
        .play(6, |field| torn(field, 40))
        .play(30, healthy)
        .play(200, |field| blank(field, State::Snow))
        .play(LEAD_OUT, healthy);
    let closed = played.closed();
    let tear = closed.iter().find(|event| event.kind == Kind::Tear);
    let note = &tear.expect("a tear").note;
    assert!(note.ends_with("before the end of the recording."), "{note}");
}

#[test]
fn a_standing_condition_and_a_missing_picture_are_no_faults_of_a_join() {
    let played = Played::new()
        .play(4_000, |field| wobbling(field, 50.0))
        .play(60, |field| blank(field, State::Snow))
        .play(LEAD_OUT, healthy)
        .finish();
    let closed = played.closed();
    let kinds: Vec<Kind> = closed.iter().map(|event| event.kind).collect();
    assert_eq!(kinds, [Kind::Wobble, Kind::Snow]);
    let noted = closed.iter().find(|event| event.note.contains("recording"));
    assert_eq!(noted, None);
}

#[test]
fn the_end_of_the_programme_ends_what_rests_on_its_picture() {
    let played = healthy_start()
        .play(100, |field| wobbling(field, 50.0))
        .play(700, |field| blank(field, State::NoSignal));
    let closed = played.closed();
    assert_eq!(closed.len(), 1, "no signal goes on: {closed:#?}");
    assert_eq!(closed[0].kind, Kind::Wobble);
    assert_eq!(closed[0].end, Some(place_at(LEAD_IN + 99)));
}

#[test]
fn a_loose_cable_is_a_fault_in_the_programme() {
    let played = healthy_start()
        .play(180, |field| blank(field, State::NoSignal))
        .play(300, healthy)
        .finish();
    let event = played.only();
    assert_eq!(
        (event.kind, event.severity),
        (Kind::NoSignal, Severity::Alarm)
    );
    assert_eq!(played.alarms.programme().spans().len(), 1);
    assert_eq!(played.alarms.coverage().fields(Kind::NoSignal), 180);
}

#[test]
fn a_value_that_its_own_error_explains_is_no_event() {
    let waving = |field: u64| {
        let mut readings = healthy(field);
        readings.flagging.offset = Some(Estimate::new(Nanos(300.0), Nanos(100.0), 200));
        readings
    };
    let played = healthy_start().play(300, waving).finish();
    assert_eq!(played.closed(), Vec::<&Event>::new());
}

#[test]
fn recordings_and_the_end_of_the_tape_are_events() {
    let snow = |field| blank(field, State::Snow);
    let played = Played::new()
        .play(50, snow)
        .play(300, healthy)
        .play(200, snow)
        .play(300, healthy)
        .play(1300, snow);
    let at = |kind| -> Vec<u64> {
        let closed = played
            .changes
            .iter()
            .filter(|change| matches!(change, Change::Closed(_)));
        let of_kind = closed.map(Change::event).filter(|event| event.kind == kind);
        of_kind.map(|event| event.start.field.0).collect()
    };
    assert_eq!(at(Kind::RecordingStart), [50, 550]);
    assert_eq!(at(Kind::TapeEnd), [849]);
}

#[test]
fn the_switch_zone_is_an_event_only_when_it_grows_or_moves() {
    let switching = |lines: u32, line: u32| {
        move |field: u64| {
            let mut readings = healthy(field);
            readings.head_switch.lines = Some(lines);
            readings.head_switch.line = Some(line);
            readings
        }
    };
    let usual = Played::new().play(600, switching(6, 234));
    assert_eq!(usual.alarms.open_events().count(), 0);
    let grown = usual
        .play(60, switching(12, 234))
        .play(LEAD_OUT, switching(6, 234));
    let event = grown.only();
    assert_eq!((event.kind, event.worst), (Kind::HeadSwitch, Some(12.0)));
    assert!(
        event.note.contains("worst 12 lines at") && event.note.ends_with("; 6 is usual."),
        "{}",
        event.note
    );
    let moved = grown
        .play(60, switching(6, 220))
        .play(LEAD_OUT, switching(6, 234));
    assert_eq!(moved.closed().len(), 2);
}

#[test]
fn what_the_picture_alone_shows_is_wobble_only_while_it_changes() {
    let by_content = |change: f64| {
        move |field: u64| {
            let mut readings = wobbling(field, 120.0);
            readings.line_timing.basis = Basis::Content;
            readings.line_timing.change_rms = Some(Nanos(change));
            readings
        }
    };
    let fading = Played::new().play(120, by_content(20.0)).finish();
    assert!(fading.closed().is_empty(), "{:?}", fading.closed());
    let wobbling = Played::new().play(120, by_content(160.0)).finish();
    assert_eq!(wobbling.only().kind, Kind::Wobble);
}

#[test]
fn what_the_picture_alone_shows_is_flagging_only_while_it_changes_and_the_camera_does_not_move_down()
 {
    let by_content = |change: f64, moves_down: bool| {
        move |field: u64| {
            let mut readings = healthy(field);
            readings.flagging.offset = exactly(Nanos(900.0));
            readings.line_timing.basis = Basis::Content;
            readings.line_timing.error_rms = exactly(Nanos(120.0));
            readings.line_timing.change_rms = Some(Nanos(change));
            readings.line_timing.picture_moves_down = moves_down;
            readings
        }
    };
    let kinds = |change, moves_down| -> Vec<Kind> {
        let played = Played::new()
            .play(120, by_content(change, moves_down))
            .finish();
        let closed = played.closed();
        let flagged = closed.iter().filter(|event| event.kind == Kind::Flagging);
        flagged.map(|event| event.kind).collect()
    };
    assert_eq!(kinds(160.0, false), [Kind::Flagging]);
    assert!(kinds(20.0, false).is_empty());
    assert!(kinds(160.0, true).is_empty());
}

#[test]
fn the_picture_alone_says_nothing_of_the_switch_zone() {
    let by_content = |lines: u32| {
        move |field: u64| {
            let mut readings = healthy(field);
            readings.line_timing.basis = Basis::Content;
            readings.head_switch.lines = Some(lines);
            readings
        }
    };
    let played = Played::new().play(600, by_content(0));
    let grown = played.play(60, by_content(12)).finish();
    assert!(grown.closed().is_empty(), "{:?}", grown.closed());
}

#[test]
fn raised_black_needs_half_a_minute_without_any_real_black() {
    let raised = |field: u64| {
        let mut readings = healthy(field);
        readings.levels.black = exactly(Ire(7.5));
        readings
    };
    let bright_scene = healthy_start().play(25 * 60, raised).play(600, healthy);
    assert_eq!(bright_scene.finish().closed(), Vec::<&Event>::new());
    let setup_left_in = healthy_start().play(60 * 60, raised).finish();
    let event = setup_left_in.only();
    assert_eq!(
        (event.kind, event.severity),
        (Kind::BlackHigh, Severity::Notice)
    );
    assert!(
        event
            .note
            .contains("7.5 IRE (code 32) at 00:00:02;00; code 16 wanted"),
        "{}",
        event.note
    );
}

#[test]
fn signed_quantities_keep_the_sign_of_their_worst() {
    let bent = |field: u64| {
        let mut readings = healthy(field);
        readings.flagging.offset = exactly(Nanos(if field.is_multiple_of(7) {
            -900.0
        } else {
            400.0
        }));
        readings
    };
    let played = healthy_start().play(60, bent).play(LEAD_OUT, healthy);
    assert_eq!(played.only().worst, Some(-900.0));
}

#[test]
fn a_roll_is_two_jumps_within_five_fields() {
    let jumping = |every: u64| {
        move |field: u64| {
            let mut readings = healthy(field);
            let jump = if field.is_multiple_of(every) {
                14.0
            } else {
                0.1
            };
            readings.sync.vertical_shift = exactly(Lines(jump));
            readings
        }
    };
    assert_eq!(
        healthy_start()
            .play(600, jumping(7))
            .finish()
            .closed()
            .len(),
        0
    );
    let rolling = healthy_start().play(60, jumping(3)).finish();
    assert_eq!(rolling.only().kind, Kind::Roll);
}

#[test]
fn a_mark_opens_and_closes_at_once() {
    let mut played = healthy_start();
    let place = place_at(LEAD_IN - 1);
    let Played {
        alarms, changes, ..
    } = &mut played;
    alarms.note(Kind::Mark, place, "Counter reads 0:12:04.", changes);
    let event = played.only();
    assert_eq!((event.start, event.end), (place, Some(place)));
    assert_eq!((event.kind, event.severity), (Kind::Mark, Severity::Notice));
    assert_eq!(event.note, "Counter reads 0:12:04.");
}

#[test]
fn notes_give_times_in_samples_too() {
    let played = healthy_start()
        .play(300, |field| {
            wobbling(field, if field == 200 { 410.0 } else { 60.0 })
        })
        .play(LEAD_OUT, healthy);
    let note = &played.only().note;
    // 120 fields are 2.002 s: too far from the start of the recording to be its
    let expected = "Line starts wobbled for 5.0 s, worst 5.5 samples (410 ns) at 00:00:03;10.";
    assert_eq!(note, expected);
}

/// A field of a random pass: each quantity healthy, faulty or absent.
fn random_field() -> impl Strategy<Value = (u8, u8, u8, u8, u8)> {
    (0_u8..12, 0_u8..4, 0_u8..4, 0_u8..30, 0_u8..5)
}

fn readings_of(
    field: u64,
    (state, wobble, torn_lines, gap, levels): (u8, u8, u8, u8, u8),
) -> Readings {
    let state = match state {
        0 => State::Snow,
        1 => State::NoSignal,
        2 => State::Lost,
        _ => State::Locked,
    };
    let mut readings = if state == State::Snow || state == State::NoSignal {
        blank(field, state)
    } else {
        torn(field, u32::from(torn_lines) * 4)
    };
    readings.sync.state = state;
    readings.sync.missing_fields = u64::from(gap == 0);
    readings.sync.repeated = gap == 1;
    if wobble > 0 && state == State::Locked {
        readings.line_timing.error_rms = exactly(Nanos(f64::from(wobble) * 30.0));
    }
    if levels == 0 {
        readings.levels.black = None;
        readings.levels.high_clip = Some(crate::units::Percent(3.0));
    }
    readings
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn events_are_well_formed_whatever_comes(
        stretches in prop::collection::vec((random_field(), 1_u64..150), 1..40)
    ) {
        let mut played = Played::new();
        for (kind, fields) in stretches {
            played = played.play(fields, |field| readings_of(field, kind));
        }
        let last = played.next - 1;
        let played = played.finish();
        prop_assert_eq!(played.alarms.open_events().count(), 0);
        let mut log = EventLog::new();
        let mut lives: BTreeMap<EventId, (u32, u32)> = BTreeMap::new();
        let mut newest = EventId(0);
        for change in &played.changes {
            log.apply(change);
            let event = change.event();
            let life = lives.entry(event.id).or_default();
            match change {
                Change::Opened(_) => {
                    prop_assert!(event.id > newest, "ids rise");
                    newest = event.id;
                    life.0 += 1;
                }
                Change::Closed(_) => life.1 += 1,
                Change::Worsened(_) | Change::Standing(_) => prop_assert_eq!(*life, (1, 0)),
            }
            prop_assert!(event.note.ends_with('.'), "{}", event.note);
        }
        prop_assert!(lives.values().all(|life| *life == (1, 1)), "{:?}", lives);
        for event in log.events() {
            let end = event.end.expect("all are closed");
            prop_assert!(event.start.field <= end.field, "{:?}", event);
            prop_assert!(end.field.0 <= last);
            prop_assert!(event.start.seconds <= end.seconds);
        }
        for pair in played.alarms.programme().spans().windows(2) {
            prop_assert!(pair[0].end.is_some_and(|end| end.field < pair[1].start.field));
        }
    }
}

#[test]
fn a_limit_of_the_operators_is_the_one_that_rings() {
    let limits =
        Limits::from_toml("[wobble]\nenter = 100\nseverity = \"notice\"\n").expect("valid");
    let wobble = limits.of_kind(Kind::Wobble).and_then(Limit::threshold);
    assert_eq!(wobble.map(|threshold| threshold.enter), Some(100.0));
    let mut played = Played::new();
    played.alarms = Alarms::new(&limits, clock());
    let played = played
        .play(60, |field| wobbling(field, 90.0))
        .play(60, |field| wobbling(field, 110.0))
        .finish();
    let event = played.only();
    assert_eq!(event.start, place_at(60));
    assert_eq!(
        (event.severity, event.limit),
        (Severity::Notice, Some(100.0))
    );
}

fn in_colour(field: u64, presence: chroma::Presence) -> Readings {
    let mut readings = healthy(field);
    readings.chroma.presence = Some(presence);
    readings
}

#[test]
fn lost_colour_is_an_alarm_and_a_grey_stretch_or_none_at_all_a_notice() {
    for (presence, kind, severity) in [
        (chroma::Presence::Lost, Kind::ColourLoss, Severity::Alarm),
        (chroma::Presence::Grey, Kind::ColourLoss, Severity::Notice),
        (chroma::Presence::Mono, Kind::Monochrome, Severity::Notice),
    ] {
        let played = healthy_start()
            .play(100, |field| in_colour(field, presence))
            .play(LEAD_OUT, healthy)
            .finish();
        let event = played.only();
        assert_eq!((event.kind, event.severity), (kind, severity));
        assert_eq!(event.start.field.0, LEAD_IN);
    }
}

#[test]
fn colour_bars_are_told_with_the_error_of_each_bar() {
    let found = bars::Found {
        kind: bars::Kind::Split75,
        white: Estimate::new(Ire(1.5), Ire(0.1), 100),
        black: None,
        bars: [0.1, 0.2, 0.3, 0.4, 0.5, 0.6].map(|luma| bars::Bar {
            luma: Estimate::new(Ire(luma), Ire(0.1), 100),
            saturation: Estimate::new(Percent(-4.0), Percent(0.1), 100),
            hue: Estimate::new(Degrees(2.5), Degrees(0.1), 100),
        }),
    };
    let shown = |field| {
        let mut readings = healthy(field);
        readings.bars.found = Some(found);
        readings
    };
    let played = healthy_start()
        .play(60, shown)
        .play(LEAD_OUT, healthy)
        .finish();
    let event = played.only();
    assert_eq!(
        (event.kind, event.severity),
        (Kind::ColourBars, Severity::Notice)
    );
    for part in [
        "75 % bars, split field",
        "saturation -4.0 %",
        "hue +2.5°",
        "white +1.5 IRE",
        "blue +0.6 IRE -4.0 % +2.5°",
    ] {
        assert!(event.note.contains(part), "{part}: {}", event.note);
    }
}

fn with_streaks(field: u64, count: u64) -> Readings {
    let mut readings = healthy(field);
    readings.dropouts.count = Some(count);
    readings.dropouts.longest = (count > 0).then(|| Streak {
        row: 80 + field as usize % 7,
        sample: 340,
        samples: 100 + (field as usize % 5) * 50,
        length: Micros(7.4 + (field % 5) as f64 * 3.7),
    });
    readings
}

#[test]
fn a_burst_of_dropouts_begins_two_fields_back_and_its_note_has_the_longest() {
    let played = healthy_start()
        .play(60, |field| with_streaks(field, 4))
        .play(LEAD_OUT, |field| with_streaks(field, 0))
        .finish();
    let event = played.only();
    assert_eq!(
        (event.kind, event.severity, event.worst),
        (Kind::DropoutBurst, Severity::Alarm, Some(4.0))
    );
    assert_eq!(event.start.field.0, LEAD_IN - 2);
    // field 124 is the first with 100 + 4·50 samples, and 124 is 5 past a multiple of 7
    let part = "the longest 22 µs, on line 85 from sample 340";
    assert!(event.note.contains(part), "{}", event.note);
    // one or two now and then are no burst
    let rare = healthy_start()
        .play(600, |field| {
            with_streaks(field, if field % 4 == 0 { 3 } else { 1 })
        })
        .finish();
    assert_eq!(rare.closed().len(), 0);
}

#[test]
fn a_band_is_told_with_its_height_and_place() {
    let banded = |field| {
        let mut readings = healthy(field);
        readings.tracking.judged = true;
        readings.tracking.band = (field % 3 > 0).then_some(Band { row: 46, lines: 22 });
        readings
    };
    let played = healthy_start()
        .play(60, banded)
        .play(LEAD_OUT, |field| {
            let mut readings = healthy(field);
            readings.tracking.judged = true;
            readings
        })
        .finish();
    let event = played.only();
    assert_eq!((event.kind, event.worst), (Kind::Tracking, Some(22.0)));
    assert!(event.note.contains("from line 46"), "{}", event.note);
}

#[test]
fn a_weak_head_and_a_clogged_one_are_told_of_by_name() {
    let with = |state: HeadState, noise: f64| {
        move |field| {
            let mut readings = healthy(field);
            readings.tracking = tracking::Reading {
                heads: Some(Heads {
                    state,
                    noise: Some(Estimate::new(Decibels(noise), Decibels(0.1), 51)),
                    level: None,
                }),
                ..tracking::Reading::default()
            };
            readings
        }
    };
    for (state, noise, note) in [
        (
            HeadState::BottomWeak,
            -2.4,
            "The head of the bottom fields gave less than the other: 2.4 dB",
        ),
        (
            HeadState::TopClogged,
            31.0,
            "The head of the top fields gave nothing but noise: 31 dB",
        ),
    ] {
        let played = healthy_start()
            .play(200, with(state, noise))
            .play(LEAD_OUT, with(HeadState::Alike, 0.1))
            .finish();
        let event = played.only();
        assert_eq!(
            (event.kind, event.severity),
            (Kind::HeadFault, Severity::Alarm)
        );
        assert!(event.note.starts_with(note), "{}", event.note);
    }
}

#[test]
fn dropouts_that_grow_over_minutes_are_told_and_a_bad_minute_is_not() {
    // 60 fields a second, near enough
    let minutes = |minutes: u64| 3600 * minutes;
    let every =
        |nth: u64| move |field: u64| with_streaks(field, u64::from(field.is_multiple_of(nth)));
    let worsening = |played: &Played| {
        played.changes.iter().find_map(|change| match change {
            Change::Opened(event) if event.kind == Kind::Worsening => Some(event.clone()),
            _ => None,
        })
    };
    let bad_minute = healthy_start()
        .play(minutes(4), every(100))
        .play(minutes(1) - 900, every(1))
        .play(minutes(4), every(100));
    assert_eq!(worsening(&bad_minute), None);
    let grown = healthy_start()
        .play(minutes(4), every(100))
        .play(minutes(3), every(2));
    let event = worsening(&grown).expect("it has grown for three minutes");
    let after = event.start.seconds.0 - 240.0;
    assert!((50.0..100.0).contains(&after), "{after}");
    let note = "Dropouts have become more over the last minutes: 0.";
    assert!(event.note.starts_with(note), "{}", event.note);
    assert!(
        event.note.ends_with(" a field; 0.0 at best."),
        "{}",
        event.note
    );
}
