//! Pictures of the whole screen, what keys do, and what must hold at any size, on invented passes read from their files.

use crossterm::event::KeyEvent;
use proptest::prelude::*;
use ratatui::buffer::Cell;

use super::*;
use crate::alarms::script::{blank, clock, healthy, wobbling};
use crate::limits::{Limits, Severity};
use crate::measures::Readings;
use crate::measures::sync::State;
use crate::record::PassHead;
use crate::record::played::{End, Stretch, stored};
use crate::record::testing::head;

/// Fields of a minute of 525 lines, rounded up.
const A_MINUTE: u64 = 3_597;

fn snow(field: u64) -> Readings {
    blank(field, State::Snow)
}

fn dark(field: u64) -> Readings {
    blank(field, State::Locked)
}

/// Worse and worse, so that there is a place to name.
fn wobble(field: u64) -> Readings {
    wobbling(field, 45.0 + (field % 500) as f64 / 10.0)
}

fn lossy(field: u64) -> Readings {
    let mut readings = healthy(field);
    readings.sync.missing_fields = 1;
    readings
}

/// Nine minutes: leader, a steady part, wobble, a loss, a part without evidence.
const STRETCHES: [Stretch<'static>; 7] = [
    (900, &snow),
    (2 * A_MINUTE, &healthy),
    (1_500, &wobble),
    (A_MINUTE, &healthy),
    (1, &lossy),
    (2 * A_MINUTE, &healthy),
    (2 * A_MINUTE, &dark),
];

/// A review of a pass, with the directory that its file is in.
struct Reviewed {
    review: Review,
    _scratch: tempfile::TempDir,
}

fn reviewed_of(stretches: &[Stretch<'_>], end: End) -> Reviewed {
    let head = PassHead {
        start: clock().start,
        limits: Limits::default().to_toml(),
        tape: Some("Ferry Street Film Club, reel 7".to_owned()),
        ..head(false)
    };
    let (scratch, pass, _) = stored(&head, stretches, end);
    let finished = Finished::of(&pass).expect("it can be read");
    Reviewed {
        review: Review::new(pass, finished, Palette::new(true), Graphics::blocks()),
        _scratch: scratch,
    }
}

fn reviewed() -> Reviewed {
    reviewed_of(&STRETCHES, End::Closed)
}

fn press(review: &mut Review, code: KeyCode) -> Option<Request> {
    review.key(KeyEvent::new(code, KeyModifiers::NONE))
}

fn type_all(review: &mut Review, keys: &str) -> Option<Request> {
    let mut asked = None;
    for letter in keys.chars() {
        let code = match letter {
            '\n' => KeyCode::Enter,
            '\x1b' => KeyCode::Esc,
            '\x08' => KeyCode::Backspace,
            '→' => KeyCode::Right,
            '←' => KeyCode::Left,
            '↓' => KeyCode::Down,
            letter => KeyCode::Char(letter),
        };
        asked = press(review, code);
    }
    asked
}

fn drawn(review: &mut Review, (width, height): (u16, u16)) -> Buffer {
    let mut buffer = Buffer::empty(Rect::new(0, 0, width, height));
    let area = buffer.area;
    review.draw_on(&mut buffer, area);
    buffer
}

fn text(buffer: &Buffer) -> String {
    let rows = buffer.content.chunks(usize::from(buffer.area.width).max(1));
    rows.map(|row| {
        let line: String = row.iter().map(Cell::symbol).collect();
        line.trim_end().to_owned() + "\n"
    })
    .collect()
}

/// Compares a screen with the stored picture of that name, at both sizes.
fn check(name: &str, keys: &str) {
    for size in [(80, 24), (120, 40)] {
        let mut reviewed = reviewed();
        // drawn once first: the cursor's step is a column of what is seen
        drawn(&mut reviewed.review, size);
        type_all(&mut reviewed.review, keys);
        let picture = text(&drawn(&mut reviewed.review, size));
        let mut settings = insta::Settings::clone_current();
        settings.set_snapshot_path(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/snapshots"));
        settings.set_prepend_module_to_snapshot(false);
        settings.set_omit_expression(true);
        let name = format!("review_{name}_{}x{}", size.0, size.1);
        settings.bind(|| insta::assert_snapshot!(name, picture));
    }
}

#[test]
fn the_whole_length_and_the_reasons() {
    check("whole", "");
}

#[test]
fn the_chosen_event_and_why_its_minute_is_so() {
    check("event", "nnn");
}

#[test]
fn a_quantity_is_opened_with_its_limit_and_zoomed() {
    check("quantity", "o↓↓↓↓\nnnnz");
}

#[test]
fn only_one_kind_of_event_is_kept() {
    check("filter", "f↓↓↓\n");
}

#[test]
fn the_list_of_quantities() {
    check("list", "o");
}

#[test]
fn places_to_try_a_setting_at() {
    check("stretches", "t");
}

#[test]
fn the_help() {
    check("help", "?");
}

#[test]
fn a_note_is_typed() {
    check("note", "nnnmsplice, by hand");
}

#[test]
fn evidence_of_an_event_without_a_picture() {
    check("evidence", "nnnv");
}

#[test]
fn jumping_goes_through_all_events_in_the_order_of_time_and_says_where_they_end() {
    let mut reviewed = reviewed();
    let review = &mut reviewed.review;
    drawn(review, (80, 24));
    let count = review.events.len();
    let mut seen = Vec::new();
    for _ in 0..count {
        type_all(review, "n");
        let event = review.chosen_event().expect("one is chosen").clone();
        assert_eq!(review.cursor, event.start.seconds);
        seen.push((event.start.field, event.id));
    }
    assert!(seen.is_sorted());
    seen.dedup();
    assert_eq!(seen.len(), count);
    type_all(review, "n");
    assert_eq!(review.said.as_deref(), Some("no event after this"));
    for _ in 1..count {
        type_all(review, "p");
    }
    assert_eq!(review.chosen, Some(seen[0].1));
    type_all(review, "p");
    assert_eq!(review.said.as_deref(), Some("no event before this"));
}

#[test]
fn a_filter_keeps_jumping_to_its_kind() {
    let mut reviewed = reviewed();
    let review = &mut reviewed.review;
    drawn(review, (80, 24));
    // all, then alarms
    type_all(review, "f↓\n");
    let alarms = review.events.iter();
    let alarms = alarms
        .filter(|event| event.severity == Severity::Alarm)
        .count();
    assert!(alarms > 0 && alarms < review.events.len());
    for _ in 0..alarms {
        type_all(review, "n");
        let event = review.chosen_event().expect("one is chosen");
        assert_eq!(event.severity, Severity::Alarm);
    }
    type_all(review, "n");
    assert_eq!(review.said.as_deref(), Some("no alarm after this"));
}

#[test]
fn a_mark_is_asked_for_at_the_cursor_and_changed_afterwards() {
    let mut reviewed = reviewed();
    let review = &mut reviewed.review;
    drawn(review, (80, 24));
    type_all(review, "n");
    let at = review.chosen_event().expect("one is chosen").start;
    let asked = type_all(review, "m wet splicr\x08e \n");
    let note = "wet splice".to_owned();
    assert_eq!(asked, Some(Request::Mark { at, note }));
    // what is no mark cannot be changed
    assert_eq!(type_all(review, "e"), None);
    assert!(review.said.is_some());
    // as the program does with the request
    let path = review.pass().path().to_owned();
    let mark = crate::record::marks::add(&path, review.pass().head().clock(), at, "wet splice");
    let mark = mark.expect("it is closed");
    review.read_events(Some(mark)).expect("readable");
    assert!(text(&drawn(review, (80, 24))).contains("wet splice"));
    let asked = type_all(review, "e at reel 2\n");
    let note = "wet splice at reel 2".to_owned();
    assert_eq!(asked, Some(Request::Edit { mark, note }));
    // Esc asks for nothing
    assert_eq!(type_all(review, "mxyz\x1b"), None);
    assert_eq!(type_all(review, "q"), Some(Request::Quit));
}

#[test]
fn a_mark_between_events_is_at_the_field_under_the_cursor() {
    let mut reviewed = reviewed();
    let review = &mut reviewed.review;
    drawn(review, (80, 24));
    for _ in 0..10 {
        type_all(review, "→");
    }
    let Some(Request::Mark { at, .. }) = type_all(review, "m\n") else {
        panic!("a mark");
    };
    let off = at.seconds - review.cursor;
    assert!(off.0.abs() < 0.02, "{off:?}");
    assert!(at.seconds.0 > 30.0);
}

#[test]
fn an_empty_pass_can_be_looked_at() {
    let mut reviewed = reviewed_of(&[], End::CutShort);
    let review = &mut reviewed.review;
    for keys in ["", "n", "p", "zzx", "v", "o\n", "f\n", "m", "→←"] {
        type_all(review, keys);
        let picture = text(&drawn(review, (80, 24)));
        assert!(
            picture.contains("No programme was found"),
            "{keys}: {picture}"
        );
        type_all(review, "\x1b");
    }
}

#[test]
fn a_terminal_that_is_too_small_is_told_so() {
    let mut reviewed = reviewed();
    let picture = text(&drawn(&mut reviewed.review, (79, 24)));
    assert!(picture.contains("at least 80x24; it is 79x24"), "{picture}");
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn any_keys_at_any_size_draw_a_screen(
        keys in "[npzxfovme?q→←↓\n\x1b ab]{0,40}",
        width in 1_u16..160,
        height in 1_u16..60,
    ) {
        let mut reviewed = reviewed_of(&[(900, &snow), (900, &wobble)], End::Closed);
        for key in keys.chars() {
            type_all(&mut reviewed.review, &key.to_string());
            drawn(&mut reviewed.review, (width, height));
        }
    }
}
