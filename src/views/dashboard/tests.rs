//! Pictures of the whole screen, and what must hold at any size.

use std::sync::Mutex;

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use proptest::prelude::*;
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::style::Color;

use crate::record::live::{
    ChainDifference, Difference, Earlier, Held, Shown, Wanting, Whereabouts,
};
use crate::timecode::{Counting, FieldIndex, FrameIndex, Timecode};

use super::several::Desk;
use super::staged::{Scene, Stage};
use super::*;

/// Fields played before a picture is taken: ten seconds.
const PLAYED: u64 = 600;

fn press(screen: &mut Screen, keys: &str) -> Option<Request> {
    let mut asked = None;
    for letter in keys.chars() {
        let code = match letter {
            '\n' => KeyCode::Enter,
            '\x1b' => KeyCode::Esc,
            '\x08' => KeyCode::Backspace,
            letter => KeyCode::Char(letter),
        };
        asked = screen.key(KeyEvent::new(code, KeyModifiers::NONE));
    }
    asked
}

fn drawn(screen: &mut Screen, live: &Live, (width, height): (u16, u16)) -> Buffer {
    let mut terminal =
        Terminal::new(TestBackend::new(width, height)).expect("a terminal in memory cannot fail");
    terminal
        .draw(|frame| screen.draw(frame, live))
        .expect("a terminal in memory cannot fail");
    terminal.backend().buffer().clone()
}

fn text(buffer: &Buffer) -> String {
    let rows = buffer.content.chunks(usize::from(buffer.area.width).max(1));
    rows.map(|row| {
        let line: String = row.iter().map(ratatui::buffer::Cell::symbol).collect();
        line.trim_end().to_owned() + "\n"
    })
    .collect()
}

/// Compares a screen with the stored picture of that name.
fn check(name: &str, scene: Scene, keys: &str, size: (u16, u16)) {
    let stage = Stage::played(scene, PLAYED);
    let mut screen = Screen::new(Palette::new(true));
    press(&mut screen, keys);
    let picture = text(&drawn(&mut screen, &stage.live, size));
    compare(&format!("{name}_{}x{}", size.0, size.1), &picture);
}

fn compare(name: &str, picture: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/snapshots"));
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    let name = format!("dashboard_{name}");
    settings.bind(|| insta::assert_snapshot!(name, picture));
}

const SMALL: (u16, u16) = (80, 24);
const LARGE: (u16, u16) = (120, 40);
const HUGE: (u16, u16) = (200, 60);

#[test]
fn a_good_transfer_looks_quiet() {
    for size in [SMALL, LARGE, HUGE] {
        check("good", Scene::Good, "", size);
    }
}

#[test]
fn a_wobble_alarm_stands_out() {
    for size in [SMALL, LARGE] {
        check("wobble", Scene::Wobble, "", size);
    }
}

#[test]
fn standing_conditions_have_their_strip() {
    for size in [SMALL, LARGE] {
        check("standing", Scene::Standing, "z", size);
    }
}

#[test]
fn without_evidence_the_screen_says_so() {
    for size in [SMALL, LARGE] {
        check("blind", Scene::Blind, "", size);
    }
}

#[test]
fn lost_fields_and_high_black_are_told_in_words() {
    for size in [SMALL, LARGE] {
        check("losses", Scene::Losses, "", size);
    }
}

#[test]
fn what_to_do_about_the_set_up_stands_where_nothing_else_does() {
    let stage = Stage::played(Scene::Losses, 200);
    let mut screen = Screen::new(Palette::new(true));
    let shown = text(&drawn(&mut screen, &stage.live, LARGE));
    let wanted = "standing ▲ black high by 6.9 IRE (15 codes): set-up still in";
    assert!(shown.contains(wanted), "{shown}");
}

#[test]
fn gauges_stand_against_a_reference() {
    let mut stage = Stage::played(Scene::Good, PLAYED);
    let mut screen = Screen::new(Palette::new(true));
    assert_eq!(press(&mut screen, "r"), Some(Request::Reference));
    assert!(stage.live.take_reference());
    for size in [SMALL, LARGE, HUGE] {
        let shown = text(&drawn(&mut screen, &stage.live, size));
        assert!(shown.contains(", was ") && shown.contains('±'), "{shown}");
    }
}

#[test]
fn an_earlier_pass_has_a_row_and_stands_in_the_gauges() {
    let earlier = |whereabouts| Earlier {
        whereabouts,
        ..Earlier::new("reel-3-bare.pass".into())
    };
    let mut found = earlier(Whereabouts::At {
        field: FieldIndex(PLAYED),
        timecode: Timecode::from_frame(FrameIndex(21_790), Counting::At30Drop),
        certain: true,
    });
    for (shown, then, value, sigma) in [
        (Shown::LineError, 41.3, -34.2, 1.6),
        (Shown::Flagging, 120.0, -112.0, 9.0),
        (Shown::Black, 2.31, 1.83, 0.04),
        (Shown::Peak, 99.1, -6.4, 0.3),
        (Shown::Noise, 38.2, 2.7, 0.2),
    ] {
        let [then, difference] =
            [(then, 0.3), (value, sigma)].map(|(value, sigma)| Held { value, sigma });
        found.differences[shown as usize] = Some(Difference { then, difference });
    }
    found.chain = [
        ("contrast", "%", -6.9, 0.2),
        ("black", "IRE", 1.8, 0.1),
        ("saturation", "%", -18.2, 0.6),
        ("hue", "°", 9.0, 0.4),
    ]
    .map(|(label, unit, value, sigma)| ChainDifference {
        label,
        unit,
        difference: Held { value, sigma },
    })
    .into();
    let missing = earlier(Whereabouts::Missing(Wanting::Likeness));
    for (name, earlier, keys) in [
        ("against", &found, ""),
        ("against_grain", &found, "n"),
        ("against_missing", &missing, ""),
    ] {
        let mut stage = Stage::played(Scene::Good, PLAYED);
        stage.live.set_earlier(earlier.clone());
        for size in [SMALL, LARGE] {
            let mut screen = Screen::new(Palette::new(true));
            press(&mut screen, keys);
            let picture = text(&drawn(&mut screen, &stage.live, size));
            compare(&format!("{name}_{}x{}", size.0, size.1), &picture);
        }
    }
}

#[test]
fn what_the_operator_took_last_is_what_gauges_stand_against() {
    let mut stage = Stage::played(Scene::Good, PLAYED);
    let mut earlier = Earlier::new("reel-3-bare.pass".into());
    let held = |value| Held { value, sigma: 0.1 };
    let (then, difference) = (held(40.0), held(-30.0));
    earlier.differences[Shown::LineError as usize] = Some(Difference { then, difference });
    stage.live.set_earlier(earlier);
    let mut screen = Screen::new(Palette::new(true));
    let mut shown = |live: &Live| text(&drawn(&mut screen, live, LARGE));
    assert!(shown(&stage.live).contains(", then "));
    assert!(stage.live.take_reference());
    let against_reference = shown(&stage.live);
    assert!(against_reference.contains(", was ") && !against_reference.contains(", then "));
    stage.live.drop_reference();
    assert!(shown(&stage.live).contains(", then "));
}

#[test]
fn help_freeze_entries_and_views_have_their_places() {
    check("help", Scene::Good, "?", SMALL);
    check("freeze", Scene::Good, "f", SMALL);
    check("note", Scene::Good, "mboat at the lock", SMALL);
    check("counter", Scene::Good, "c12:3x4", SMALL);
    check("leaving", Scene::Good, "q", SMALL);
    check("waveform", Scene::Good, "v", SMALL);
    check("waveform", Scene::Good, "", LARGE);
    check("history", Scene::Wobble, "vv", LARGE);
}

#[test]
fn the_tracking_aid_shows_points_now_and_at_best_and_where_that_was() {
    for size in [SMALL, LARGE] {
        check_tracking("tracking", Scene::Sweep, size);
    }
    let stage = Stage::new(Scene::Good);
    let mut screen = Screen::new(Palette::new(true));
    press(&mut screen, "t");
    let shown = text(&drawn(&mut screen, &stage.live, SMALL));
    assert!(shown.contains("no steady picture"), "{shown}");
}

/// The page opened before the sweep begins, and looked at after it.
fn check_tracking(name: &str, scene: Scene, size: (u16, u16)) {
    let mut screen = Screen::new(Palette::new(true));
    press(&mut screen, "tzzz");
    let stage = Stage::played(scene, PLAYED);
    let picture = text(&drawn(&mut screen, &stage.live, size));
    compare(&format!("{name}_{}x{}", size.0, size.1), &picture);
}

#[test]
fn the_best_place_is_sought_anew_on_the_key_and_the_page_left_on_another() {
    let stage = Stage::played(Scene::Sweep, PLAYED);
    let mut screen = Screen::new(Palette::new(true));
    let best = |screen: &mut Screen| text(&drawn(screen, &stage.live, SMALL));
    press(&mut screen, "t");
    assert!(
        best(&mut screen).contains("under the best of 3.0 s ago"),
        "{}",
        best(&mut screen)
    );
    // now the moment is known, and nothing before it counts
    press(&mut screen, "t");
    assert!(
        !best(&mut screen).contains("under the best"),
        "{}",
        best(&mut screen)
    );
    assert_eq!(press(&mut screen, "a"), Some(Request::Acknowledge));
    press(&mut screen, "q");
    assert!(!best(&mut screen).contains("tracking aid"));
    assert_eq!(press(&mut screen, "qn"), None);
}

/// The page of controls after some keys.
fn controls_page(keys: &[KeyCode], size: (u16, u16)) -> (Screen, String) {
    let mut stage = Stage::played(Scene::Losses, PLAYED);
    staged::controlled(&mut stage);
    let mut screen = Screen::new(Palette::new(true));
    drawn(&mut screen, &stage.live, size);
    for &code in [KeyCode::Char('d')].iter().chain(keys) {
        screen.key(KeyEvent::new(code, KeyModifiers::NONE));
    }
    let picture = text(&drawn(&mut screen, &stage.live, size));
    (screen, picture)
}

#[test]
fn controls_of_the_device_stand_beside_the_readings_they_move() {
    for size in [SMALL, LARGE] {
        let (_, picture) = controls_page(&[KeyCode::Down, KeyCode::Down], size);
        compare(&format!("controls_{}x{}", size.0, size.1), &picture);
    }
    check("no_controls", Scene::Good, "d", SMALL);
}

#[test]
fn arrows_step_the_selected_control_and_one_key_restores_all() {
    let (mut screen, _) = controls_page(&[], SMALL);
    let mut key = |code| screen.key(KeyEvent::new(code, KeyModifiers::NONE));
    let step = |id, steps| Some(Request::StepControl { id, steps });
    // In the order of setting, the automatic gain is the first and the gain the second.
    assert_eq!(key(KeyCode::Right), step(7, 1));
    assert_eq!(key(KeyCode::Down), None);
    assert_eq!(key(KeyCode::Char('o')), Some(Request::RestoreControls));
    assert_eq!(key(KeyCode::Char('m')), None);
    assert_eq!(key(KeyCode::Esc), None);
    assert_eq!(key(KeyCode::Char('q')), None);
    assert_eq!(key(KeyCode::Char('y')), Some(Request::Quit));
    // Which control is selected is known once the page was drawn.
    let (mut screen, _) = controls_page(&[KeyCode::Down], SMALL);
    let mut key = |code| screen.key(KeyEvent::new(code, KeyModifiers::NONE));
    assert_eq!(key(KeyCode::Left), step(6, -1));
    assert_eq!(key(KeyCode::PageUp), step(6, CONTROL_PAGE));
}

#[test]
fn without_controls_there_is_nothing_to_step() {
    let stage = Stage::played(Scene::Good, 3);
    let mut screen = Screen::new(Palette::new(true));
    drawn(&mut screen, &stage.live, SMALL);
    press(&mut screen, "d");
    for code in [KeyCode::Down, KeyCode::Right, KeyCode::PageDown] {
        let asked = screen.key(KeyEvent::new(code, KeyModifiers::NONE));
        assert_eq!(asked, None);
    }
}

/// What is seen of some sources after some keys.
fn several(scenes: &[Scene], keys: &[KeyCode], (width, height): (u16, u16)) -> String {
    let mut stages: Vec<Stage> = scenes
        .iter()
        .map(|&scene| Stage::played(scene, PLAYED))
        .collect();
    if let Some(last) = stages.last_mut() {
        last.live.set_over("at its end".into());
    }
    let lives: Vec<Mutex<Live>> = stages
        .into_iter()
        .map(|stage| Mutex::new(stage.live))
        .collect();
    let lives: Vec<&Mutex<Live>> = lives.iter().collect();
    let mut desk = Desk::new(lives.len(), Palette::new(true));
    let area = Rect::new(0, 0, width, height);
    let mut buffer = Buffer::empty(area);
    desk.draw(&mut buffer, area, &lives);
    for &code in keys {
        desk.key(KeyEvent::new(code, KeyModifiers::NONE));
    }
    buffer.reset();
    desk.draw(&mut buffer, area, &lives);
    text(&buffer)
}

#[test]
fn words_of_others_cannot_act_on_the_terminal() {
    let hostile = "\u{1b}[2J\u{1b}]0;owned\u{7}\u{9b}31m\u{202e}reel\r\n\u{7f}2";
    let acting = |buffer: &Buffer| {
        let cells = buffer.content.iter();
        let symbols = cells.map(ratatui::buffer::Cell::symbol);
        symbols.collect::<String>().chars().any(crate::text::acts)
    };
    let mut stage = Stage::of_words(hostile);
    for size in [SMALL, LARGE] {
        for keys in ["", "c", "w", "h", "?", "m"] {
            let mut screen = Screen::new(Palette::new(true));
            press(&mut screen, keys);
            let buffer = drawn(&mut screen, &stage.live, size);
            assert!(!acting(&buffer), "{keys:?}: {}", text(&buffer));
        }
    }
    let seen = text(&drawn(
        &mut Screen::new(Palette::new(true)),
        &stage.live,
        LARGE,
    ));
    assert!(seen.contains("reel"), "{seen}");
    stage.step();
    let (first, second) = (
        Mutex::new(stage.live),
        Mutex::new(Stage::of_words(hostile).live),
    );
    let lives = [&first, &second];
    let area = Rect::new(0, 0, LARGE.0, LARGE.1);
    let mut buffer = Buffer::empty(area);
    Desk::new(2, Palette::new(true)).draw(&mut buffer, area, &lives);
    assert!(!acting(&buffer), "{}", text(&buffer));
}

#[test]
fn several_sources_have_a_row_each_and_a_full_view_one_key_away() {
    let scenes = [Scene::Good, Scene::Wobble, Scene::Blind, Scene::Losses];
    for size in [SMALL, LARGE] {
        let rows = several(&scenes, &[KeyCode::Down], size);
        compare(&format!("rows_{}x{}", size.0, size.1), &rows);
        let full = several(&scenes, &[KeyCode::Down, KeyCode::Enter], size);
        compare(&format!("rows_full_{}x{}", size.0, size.1), &full);
        for keys in [&[KeyCode::Char('2')][..], &[KeyCode::Down, KeyCode::Tab]] {
            assert_eq!(several(&scenes, keys, size), full);
        }
        let back = [KeyCode::Char('2'), KeyCode::Tab];
        assert_eq!(several(&scenes, &back, size), rows);
    }
}

#[test]
fn what_is_asked_for_at_the_rows_is_asked_of_the_selected_source() {
    let stages =
        [Scene::Good, Scene::Wobble].map(|scene| Mutex::new(Stage::played(scene, 99).live));
    let mut desk = Desk::new(2, Palette::new(true));
    let mut buffer = Buffer::empty(Rect::new(0, 0, 80, 24));
    let mut key = |code| {
        let asked = desk.key(KeyEvent::new(code, KeyModifiers::NONE));
        desk.draw(
            &mut buffer,
            Rect::new(0, 0, 80, 24),
            &[&stages[0], &stages[1]],
        );
        asked
    };
    assert_eq!(key(KeyCode::Char('a')), Some((0, Request::Acknowledge)));
    key(KeyCode::Down);
    assert_eq!(key(KeyCode::Char('a')), Some((1, Request::Acknowledge)));
    // While a note is typed, figures and Tab belong to it.
    for code in [KeyCode::Char('m'), KeyCode::Char('1'), KeyCode::Tab] {
        assert_eq!(key(code), None);
    }
    let asked = key(KeyCode::Enter);
    assert!(
        matches!(&asked, Some((1, Request::Mark { at: Some(_), note })) if note == "1"),
        "{asked:?}"
    );
    assert_eq!(key(KeyCode::Char('9')), None, "there is no ninth source");
    assert_eq!(key(KeyCode::Char('d')), None, "its page is not in sight");
    key(KeyCode::Char('q'));
    assert_eq!(key(KeyCode::Char('y')), Some((1, Request::Quit)));
}

#[test]
fn waves_uncertain_lines_the_bend_and_the_head_switch_are_drawn() {
    for size in [SMALL, LARGE] {
        check("waves", Scene::Waves, "w", size);
        check("flutter", Scene::Standing, "ww", size);
    }
}

#[test]
fn colours_and_bars_have_their_view() {
    for size in [SMALL, LARGE] {
        check("colours", Scene::Good, "k", size);
        check("bars", Scene::Bars, "k", size);
    }
    check("bars", Scene::Bars, "k", HUGE);
}

#[test]
fn noise_and_detail_have_their_view() {
    for size in [SMALL, LARGE] {
        check("grain", Scene::Good, "n", size);
        check("grain_soft", Scene::Wobble, "n", size);
    }
}

#[test]
fn a_screen_that_is_too_small_says_which_size_it_wants() {
    check("tiny", Scene::Wobble, "", (60, 8));
}

#[test]
fn before_the_first_field_the_screen_is_unsure() {
    let stage = Stage::new(Scene::Good);
    let picture = text(&drawn(
        &mut Screen::new(Palette::new(true)),
        &stage.live,
        SMALL,
    ));
    assert!(picture.contains("no picture has come yet"), "{picture}");
    assert!(picture.contains("no field has come yet"), "{picture}");
}

#[test]
fn a_mark_carries_the_moment_of_the_key_and_not_of_the_last_letter() {
    let mut stage = Stage::played(Scene::Good, 100);
    let mut screen = Screen::new(Palette::new(true));
    drawn(&mut screen, &stage.live, SMALL);
    let at = stage.live.place();
    press(&mut screen, "m");
    stage.step();
    drawn(&mut screen, &stage.live, SMALL);
    let asked = press(&mut screen, "boatz\x08\n");
    let note = "boat".to_owned();
    assert_eq!(asked, Some(Request::Mark { at, note }));
}

#[test]
fn a_counter_takes_figures_only_and_nothing_is_no_reading() {
    let mut screen = Screen::new(Palette::new(true));
    let asked = press(&mut screen, "c0x1:2y3\n");
    let reading = "01:23".to_owned();
    assert_eq!(asked, Some(Request::Counter { at: None, reading }));
    assert_eq!(press(&mut screen, "c\n"), None);
    assert_eq!(press(&mut screen, "c1\x1b\n"), None);
}

#[test]
fn leaving_asks_first_and_control_c_does_not() {
    let mut screen = Screen::new(Palette::new(true));
    assert_eq!(press(&mut screen, "qn"), None);
    assert_eq!(press(&mut screen, "qq"), None);
    assert_eq!(press(&mut screen, "qy"), Some(Request::Quit));
    let interrupt = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
    assert_eq!(screen.key(interrupt), Some(Request::Interrupt));
}

#[test]
fn a_note_ends_at_its_length_and_typing_commands_is_typing() {
    let mut screen = Screen::new(Palette::new(true));
    let long = "q".repeat(NOTE_CHARACTERS + 50);
    press(&mut screen, "m");
    press(&mut screen, &long);
    let note = "q".repeat(NOTE_CHARACTERS);
    assert_eq!(
        press(&mut screen, "\n"),
        Some(Request::Mark { at: None, note })
    );
}

#[test]
fn frozen_panels_hold_still_while_the_strip_goes_on() {
    let mut stage = Stage::played(Scene::Losses, 470);
    let mut screen = Screen::new(Palette::new(true));
    press(&mut screen, "f");
    let before = text(&drawn(&mut screen, &stage.live, SMALL));
    for _ in 0..30 {
        stage.step();
    }
    let after = text(&drawn(&mut screen, &stage.live, SMALL));
    let rows = |picture: &str, range: std::ops::Range<usize>| -> Vec<String> {
        picture
            .lines()
            .skip(range.start)
            .take(range.len())
            .map(str::to_owned)
            .collect()
    };
    assert_eq!(rows(&before, 4..17), rows(&after, 4..17));
    assert!(after.contains("source loses fields"), "{after}");
    press(&mut screen, "f");
    let live = text(&drawn(&mut screen, &stage.live, SMALL));
    assert_ne!(rows(&live, 4..17), rows(&after, 4..17));
}

#[test]
fn the_log_scrolls_as_far_as_the_oldest_event_and_back() {
    let stage = Stage::played(Scene::Wobble, PLAYED);
    let mut screen = Screen::new(Palette::new(true));
    let newest = text(&drawn(&mut screen, &stage.live, SMALL));
    for _ in 0..9 {
        screen.key(KeyEvent::new(KeyCode::Down, KeyModifiers::NONE));
    }
    let oldest = text(&drawn(&mut screen, &stage.live, SMALL));
    assert!(oldest.contains("2 newer above"), "{oldest}");
    assert!(oldest.contains("recording"), "{oldest}");
    for _ in 0..2 {
        screen.key(KeyEvent::new(KeyCode::Up, KeyModifiers::NONE));
    }
    assert_eq!(text(&drawn(&mut screen, &stage.live, SMALL)), newest);
}

const SCENES: [Scene; 6] = [
    Scene::Good,
    Scene::Wobble,
    Scene::Standing,
    Scene::Blind,
    Scene::Losses,
    Scene::Waves,
];

#[test]
fn only_the_sixteen_colours_are_used_and_none_is_green() {
    for scene in SCENES {
        let stage = Stage::played(scene, PLAYED);
        let buffer = drawn(&mut Screen::new(Palette::new(true)), &stage.live, LARGE);
        for cell in &buffer.content {
            for colour in [cell.fg, cell.bg] {
                let beyond = matches!(colour, Color::Rgb(..) | Color::Indexed(_));
                let green = matches!(colour, Color::Green | Color::LightGreen);
                assert!(!beyond && !green, "{scene:?} {colour:?}");
            }
        }
    }
}

#[test]
fn without_colours_the_same_words_and_symbols_stand_there() {
    for scene in SCENES {
        let stage = Stage::played(scene, PLAYED);
        let coloured = drawn(&mut Screen::new(Palette::new(true)), &stage.live, LARGE);
        let plain = drawn(&mut Screen::new(Palette::new(false)), &stage.live, LARGE);
        assert_eq!(text(&coloured), text(&plain));
        for cell in &plain.content {
            assert_eq!(
                (cell.fg, cell.bg),
                (Color::Reset, Color::Reset),
                "{scene:?}"
            );
        }
    }
}

#[test]
fn large_letters_stand_on_an_even_ground() {
    for scene in SCENES {
        let stage = Stage::played(scene, PLAYED);
        let buffer = drawn(&mut Screen::new(Palette::new(true)), &stage.live, LARGE);
        for row in 7..10 {
            let grounds = (0..LARGE.0).map(|x| buffer[(x, row)].bg);
            assert!(
                grounds.clone().all(|ground| ground == buffer[(0, row)].bg),
                "{scene:?}"
            );
        }
    }
}

#[test]
fn what_a_colour_says_stands_beside_it_in_words() {
    let expected: [&[&str]; 6] = [
        &[
            "● nothing wrong",
            "● error",
            "steady",
            "● black",
            ": ok",
            "no alarm",
        ],
        &[
            "■ lines wobble",
            "▲ error",
            ": visible",
            "■ ALARM wobble",
            "■ wobble",
            "goes on",
        ],
        &[
            "▲ top of picture bends",
            "▲ flag",
            ": visible",
            "▲ flagging since",
            "▲ wobble since",
        ],
        &[
            "? line timing cannot be read",
            "? error no reading",
            "? no timing",
        ],
        &[
            "■ source loses fields",
            "▲ black",
            ": high",
            "◆ source 2 lost",
            "□ missing",
        ],
        &["border re-inserted by the chain", "○", "┈"],
    ];
    for (scene, words) in SCENES.into_iter().zip(expected) {
        let stage = Stage::played(scene, PLAYED);
        let plain = text(&drawn(
            &mut Screen::new(Palette::new(false)),
            &stage.live,
            SMALL,
        ));
        for word in words {
            assert!(plain.contains(word), "{word} in\n{plain}");
        }
    }
}

#[test]
fn every_state_has_a_symbol_and_a_word_of_its_own() {
    let pairs = SCENES.map(|scene| {
        let status = Stage::played(scene, PLAYED).live.status();
        (
            words::word(status.word).1,
            status.word.text(),
            status.reason,
        )
    });
    let expected = [
        ("●", "GOOD", "nothing wrong, lines steady"),
        ("■", "STOP", "lines wobble"),
        ("▲", "LOOK", "lines wobble"),
        ("?", "UNSURE", "line timing cannot be read"),
        ("■", "STOP", "source loses fields"),
    ];
    // flagging is the newer of the two standing conditions
    assert_eq!(pairs[2].1, "LOOK");
    for (pair, expected) in pairs
        .iter()
        .zip(expected)
        .filter(|(pair, _)| pair.1 != "LOOK")
    {
        assert_eq!(*pair, expected);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 32, ..ProptestConfig::default() })]

    #[test]
    fn no_size_and_no_contents_break_the_screen(
        sizes in prop::collection::vec((1_u16..=250, 1_u16..=80), 1..4),
        scene in prop::sample::select(SCENES.to_vec()),
        fields in 0_u64..300,
        keys in "[macfzvwd?q\n]{0,6}",
        coloured: bool,
    ) {
        let stage = Stage::played(scene, fields);
        let mut screen = Screen::new(Palette::new(coloured));
        press(&mut screen, &keys);
        for size in sizes {
            drawn(&mut screen, &stage.live, size);
        }
    }

    #[test]
    fn no_readings_and_no_events_break_the_screen(
        numbers in prop::array::uniform6(prop::option::of(-1e12_f64..1e12)),
        ladder in prop::collection::vec(any::<u32>(), 256),
        events in prop::collection::vec((0_usize..3, any::<bool>(), any::<bool>(), -1e9_f64..1e9, ".{0,60}"), 0..12),
        seconds in 0.0_f64..1e6,
        size in (1_u16..=250, 1_u16..=80),
    ) {
        let mut stage = Stage::played(Scene::Losses, 3);
        let mut readings = stage.live.latest().expect("three fields have played").clone();
        readings.place.seconds = Seconds(seconds);
        staged::overwrite(&mut readings, &numbers, &ladder);
        let changes: Vec<_> = events
            .iter()
            .map(|(kind, alarm, standing, worst, note)| {
                stage.invented(*kind, (*alarm, *standing), *worst, note)
            })
            .collect();
        stage.live.observe(&readings, &changes);
        drawn(&mut Screen::new(Palette::new(true)), &stage.live, size);
        let mut mute = Screen::new(Palette::new(false));
        press(&mut mute, "vz");
        drawn(&mut mute, &stage.live, size);
    }

    #[test]
    fn no_trace_breaks_the_plumb_line(
        shifts in prop::collection::vec(prop::option::of(-1e7_f64..1e7), 0..313),
        size in (80_u16..=250, 24_u16..=80),
    ) {
        use crate::measures::line_timing::{LineShift, LineTrace};
        use crate::units::Nanos;

        let mut stage = Stage::played(Scene::Good, 3);
        let mut readings = stage.live.latest().expect("three fields have played").clone();
        readings.line_timing.lines = LineTrace::blank(shifts.len());
        for (row, shift) in shifts.iter().enumerate() {
            if let Some(ns) = *shift {
                let shift = LineShift { displacement: Nanos(ns), sigma: Nanos(1.0) };
                readings.line_timing.lines.set(row, shift);
            }
        }
        stage.live.observe(&readings, &[]);
        drawn(&mut Screen::new(Palette::new(true)), &stage.live, size);
    }
}
