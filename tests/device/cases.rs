//! The claims, each on a freshly loaded driver. Each returns what it saw, for the record.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, Instant};

use trueline::sources::v4l2::V4l2Source;
use trueline::sources::{
    self, FieldOrder, Frame, FrameSize, InputState, News, NewsKind, POOL_FRAMES, Packing, Place,
    RowLayout, Source, SourceErrorKind, StandardWish, Wishes, devices, first_device, tape::Pace,
};
use trueline::standard::{Parity, RateTrust, Standard};
use trueline::units::{CodeRange, Hertz};

use crate::driver::{
    self, ALTERNATE, CAPTURE, INTERLACED, INTERLACED_BT, INTERLACED_TB, NTSC_M, OUTPUT, PAL,
    SEQ_BT, SEQ_TB, Setting,
};
use crate::output_node::Player;
use crate::pictures;

/// Half-second silences endured while waiting for a frame: an emulated machine on a busy host may stall.
const PATIENCE: usize = 20;

/// Frames waited for a change to show.
const SOON: usize = 300;

fn wishes(standard: StandardWish) -> Wishes {
    Wishes {
        input: Some("s-video".to_owned()),
        standard: Some(standard),
        ..Wishes::default()
    }
}

fn open_lines(standard: Standard) -> V4l2Source {
    open(&wishes(StandardWish::Lines(standard)))
}

/// Opens the node as it was set beforehand.
fn open_as_set() -> V4l2Source {
    open(&Wishes::default())
}

fn open(wishes: &Wishes) -> V4l2Source {
    V4l2Source::open(Path::new(CAPTURE), wishes).unwrap_or_else(|error| panic!("open: {error}"))
}

/// The next frame, however long the machine stalls.
fn next(source: &mut V4l2Source) -> Frame {
    for _ in 0..PATIENCE {
        match source.next_frame() {
            Ok(frame) => return frame.expect("a device has no end"),
            Err(error) if error.kind() == SourceErrorKind::Silent => {}
            Err(error) => panic!("{error}"),
        }
    }
    panic!("no frame at all");
}

/// The kind and words of the next error that is not silence.
fn next_error(source: &mut V4l2Source) -> (SourceErrorKind, String) {
    for _ in 0..SOON {
        match source.next_frame() {
            Err(error) if error.kind() != SourceErrorKind::Silent => {
                return (error.kind(), error.to_string());
            }
            _ => {}
        }
    }
    panic!("no error came");
}

fn detail<'a>(source: &'a V4l2Source, name: &str) -> &'a str {
    let details = &source.description().details;
    let found = details.iter().find(|(key, _)| key == name);
    found.map_or("absent", |(_, value)| value)
}

fn check_opens(standard: Standard, rows: usize, order: FieldOrder) -> String {
    let mut source = open_lines(standard);
    let format = (**source.format()).clone();
    assert_eq!((format.width, format.rows), (720, rows));
    assert_eq!(format.samples.packing, Packing::Yuyv);
    assert_eq!(format.standard, Some(standard));
    assert_eq!(format.field_order, Some(order));
    assert!(!format.field_order_forced);
    assert_eq!(format.range, CodeRange::Studio);
    assert_eq!(format.sample_rate, Some(Hertz(13.5e6)));
    assert_eq!(format.rate_trust, RateTrust::Known);
    let first = next(&mut source);
    let second = next(&mut source);
    assert_eq!(first.rows, RowLayout::Woven);
    assert_eq!(first.data.bytes().len(), 1440 * rows);
    assert_eq!(first.device_time, Some(Duration::ZERO));
    assert!(second.device_time > first.device_time);
    assert!(!first.damaged);
    assert_eq!(first.input, InputState::Locked);
    assert_eq!(detail(&source, "clock"), "monotonic");
    assert_eq!(detail(&source, "field layout"), "interlaced");
    let controls = &source.description().controls;
    assert!(
        controls.iter().any(|(name, _)| name == "Brightness"),
        "{controls:?}"
    );
    format!("{:?}", source.description())
}

pub(crate) fn a_525_line_signal_opens_with_its_format() -> String {
    check_opens(Standard::Lines525, 480, FieldOrder::Bottom)
}

pub(crate) fn a_625_line_signal_opens_with_its_format() -> String {
    check_opens(Standard::Lines625, 576, FieldOrder::Top)
}

pub(crate) fn the_standard_of_the_signal_is_found() -> String {
    let found = |mode: &str, selected: &str| {
        driver::choose("standard_signal_mode", mode);
        driver::choose("standard", selected);
        let source = open(&wishes(StandardWish::Auto));
        // The driver's automatic gain is remarked upon too.
        let remarks = &source.description().remarks;
        let on_standard = remarks.iter().filter(|it| it.contains("standard"));
        (source.format().standard, on_standard.count())
    };
    assert_eq!(
        found("Selected Standard", "PAL-BGH"),
        (Some(Standard::Lines625), 0)
    );
    assert_eq!(
        found("Selected Standard", "NTSC-M"),
        (Some(Standard::Lines525), 0)
    );
    assert_eq!(
        found("Selected Standard", "PAL-60"),
        (Some(Standard::Lines525), 0)
    );
    // Without a signal the last standard stays, and the operator hears of it.
    assert_eq!(found("No Signal", "PAL-BGH"), (Some(Standard::Lines525), 1));
    String::new()
}

/// Plays numbered pictures and compares each captured one with what was played under its number.
///
/// The loop may show a picture twice or leave one out, so pictures are compared by number.
fn check_loop(setting: Setting, standard: Standard, rows: &[RowLayout]) -> String {
    const WANTED: usize = 30;
    let player = Player::start(setting);
    let mut source = open_as_set();
    assert_eq!(source.format().standard, Some(standard));
    let mut expected = vec![0; setting.bytes()];
    let mut seen = BTreeSet::new();
    let mut captured = 0;
    while seen.len() < WANTED {
        assert!(captured < 20 * WANTED, "only {} of ours came", seen.len());
        let frame = next(&mut source);
        captured += 1;
        assert!(rows.contains(&frame.rows), "{:?}", frame.rows);
        let Some(number) = pictures::number(Setting::ROW_BYTES, frame.data.bytes()) else {
            assert!(seen.is_empty(), "a picture that is not ours after {seen:?}");
            continue;
        };
        assert!(
            seen.last().is_none_or(|&last| last <= number),
            "{number} after {seen:?}"
        );
        pictures::paint(number, Setting::ROW_BYTES, &mut expected);
        assert!(
            frame.data.bytes() == expected,
            "picture {number} is altered"
        );
        if let RowLayout::Single(parity) = frame.rows {
            let older = rows[0];
            let is_older = RowLayout::Single(parity) == older;
            assert_eq!(is_older, number % 2 == 0, "field {number} is {parity:?}");
        }
        seen.insert(number);
    }
    let played = player.stop();
    format!(
        "{played} played, {captured} captured, {} distinct",
        seen.len()
    )
}

pub(crate) fn frames_through_the_loop_arrive_byte_for_byte() -> String {
    check_loop(
        Setting::woven(NTSC_M, INTERLACED),
        Standard::Lines525,
        &[RowLayout::Woven],
    )
}

pub(crate) fn frames_of_625_lines_arrive_byte_for_byte() -> String {
    check_loop(
        Setting::woven(PAL, INTERLACED),
        Standard::Lines625,
        &[RowLayout::Woven],
    )
}

pub(crate) fn uyvy_frames_arrive_byte_for_byte() -> String {
    let setting = Setting {
        code: *b"UYVY",
        ..Setting::woven(NTSC_M, INTERLACED)
    };
    let seen = check_loop(setting, Standard::Lines525, &[RowLayout::Woven]);
    assert_eq!(open_as_set().format().samples.packing, Packing::Uyvy);
    seen
}

pub(crate) fn frames_woven_top_field_older_arrive_byte_for_byte() -> String {
    let setting = Setting::woven(NTSC_M, INTERLACED_TB);
    let seen = check_loop(setting, Standard::Lines525, &[RowLayout::Woven]);
    assert_eq!(open_as_set().format().field_order, Some(FieldOrder::Top));
    seen
}

pub(crate) fn frames_woven_bottom_field_older_arrive_byte_for_byte() -> String {
    let setting = Setting::woven(PAL, INTERLACED_BT);
    let seen = check_loop(setting, Standard::Lines625, &[RowLayout::Woven]);
    assert_eq!(open_as_set().format().field_order, Some(FieldOrder::Bottom));
    seen
}

pub(crate) fn single_fields_arrive_byte_for_byte() -> String {
    let [top, bottom] = [Parity::Top, Parity::Bottom].map(RowLayout::Single);
    driver::load_with_scaler();
    let at_525 = Setting::woven(NTSC_M, ALTERNATE);
    let seen = check_loop(at_525, Standard::Lines525, &[bottom, top]);
    driver::load_with_scaler();
    let at_625 = Setting::woven(PAL, ALTERNATE);
    format!(
        "{seen}; {}",
        check_loop(at_625, Standard::Lines625, &[top, bottom])
    )
}

/// Where a frame begins on the time axis, in fields, by the driver's own number.
fn place(source: &V4l2Source, frame: &Frame) -> u64 {
    let number = u64::from(source.sequence().expect("a frame was read"));
    let older = source.format().field_order.expect("said").first();
    let younger = matches!(frame.rows, RowLayout::Single(parity) if parity != older);
    2 * number + u64::from(younger)
}

fn fields_in(frame: &Frame) -> u64 {
    match frame.rows {
        RowLayout::Single(_) => 1,
        RowLayout::Woven | RowLayout::Sequential(_) => 2,
    }
}

/// Fields between the beginnings of two frames by the device's clock.
fn fields_by_clock(earlier: &Frame, later: &Frame) -> f64 {
    let period = later.format.standard.expect("has one").field_period().0;
    let [from, to] = [earlier, later].map(|it| it.device_time.expect("has a clock"));
    to.saturating_sub(from).as_secs_f64() / period
}

/// The driver stamps frames when its thread gets to them: on a busy host that may be half a second late.
pub(crate) const CLOCK_TOLERANCE_FIELDS: f64 = 30.0;

/// Has the driver leave numbers out until one is missing: before that, a late frame might be taken for a loss.
fn prove_numbers(source: &mut V4l2Source) {
    driver::set("percentage_of_dropped_buffers", 50);
    let mut last = None;
    for _ in 0..SOON {
        next(source);
        let number = source.sequence().expect("a frame was read");
        if last.is_some_and(|last: u32| number.wrapping_sub(last) > 1) {
            driver::set("percentage_of_dropped_buffers", 0);
            return;
        }
        last = Some(number);
    }
    panic!("no number was left out");
}

/// Reads frames and holds each gap against the driver's numbers, and all of them against the clock; fields lost in all.
fn check_gaps(source: &mut V4l2Source, frames: usize) -> u64 {
    // The driver numbers 32 bits of frames; a run here wraps once at most.
    const WRAP: u64 = 1 << 33;
    let first = next(source);
    let mut end = place(source, &first) + fields_in(&first);
    let (mut lost, mut delivered) = (0, 0);
    let mut trace = Vec::new();
    let mut last = first.clone();
    for _ in 1..frames {
        delivered += fields_in(&last);
        last = next(source);
        let begin = place(source, &last);
        // On a busy machine the driver may give two frames the same number: nothing is missing then.
        let ahead = (begin + WRAP - end % WRAP) % WRAP;
        let missing = if ahead == WRAP - fields_in(&last) {
            0
        } else {
            ahead
        };
        trace.push((begin, last.device_time, last.gap));
        let lately = &trace[trace.len().saturating_sub(5)..];
        assert_eq!(last.gap.lost_by_source, missing, "lately {lately:?}");
        assert_eq!(last.gap.lost_by_us, 0);
        assert!(!last.gap.timed, "counted by number");
        lost += missing;
        end = begin + fields_in(&last);
    }
    let off = fields_by_clock(&first, &last) - (lost + delivered) as f64;
    assert!(
        off.abs() < CLOCK_TOLERANCE_FIELDS,
        "{off} fields off the clock"
    );
    lost
}

pub(crate) fn dropped_frames_are_counted_exactly() -> String {
    let mut source = open_lines(Standard::Lines525);
    prove_numbers(&mut source);
    driver::set("percentage_of_dropped_buffers", 30);
    let lost = check_gaps(&mut source, 120);
    assert!(lost > 0 && lost.is_multiple_of(2), "whole frames: {lost}");
    format!("{lost} fields lost beside 120 frames")
}

pub(crate) fn dropped_single_fields_are_counted_exactly() -> String {
    driver::preset(Setting::woven(PAL, ALTERNATE));
    let mut source = open_as_set();
    prove_numbers(&mut source);
    driver::set("percentage_of_dropped_buffers", 30);
    let lost = check_gaps(&mut source, 200);
    assert!(lost > 0);
    format!("{lost} fields lost beside 200")
}

pub(crate) fn frames_dropped_by_us_are_told_apart() -> String {
    let mut source = open_lines(Standard::Lines525);
    prove_numbers(&mut source);
    let mut held: Vec<_> = (0..POOL_FRAMES).map(|_| next(&mut source)).collect();
    let last_place = place(&source, &held[POOL_FRAMES - 1]);
    let error = source.next_frame().expect_err("every buffer is held");
    assert_eq!(error.kind(), SourceErrorKind::Silent);
    assert!(error.to_string().contains("held"), "{error}");
    held.clear();
    let frame = next(&mut source);
    assert!(frame.gap.lost_by_us > 0, "{:?}", frame.gap);
    // Each frame with a number given twice is one more than the numbers say.
    let by_number = place(&source, &frame) - last_place - 2;
    let twice = frame.gap.fields() - by_number;
    assert!(twice <= 8, "{:?}, {by_number} by number", frame.gap);
    format!("{:?}", frame.gap)
}

fn check_turns(standard: u64, older: Parity) {
    driver::preset(Setting::woven(standard, ALTERNATE));
    let mut source = open_as_set();
    assert_eq!(
        source.format().field_order.map(FieldOrder::first),
        Some(older)
    );
    let frame_rows = source.format().rows;
    let mut due = 0;
    let mut last_place = None;
    for _ in 0..40 {
        let frame = next(&mut source);
        assert_eq!(frame.data.bytes().len(), 1440 * frame_rows / 2);
        due += frame.gap.fields();
        let expected = if due % 2 == 0 { older } else { older.other() };
        // On a busy machine the driver may give a field twice.
        if last_place != Some(place(&source, &frame)) {
            assert_eq!(frame.rows, RowLayout::Single(expected), "field {due}");
            due += 1;
        }
        last_place = Some(place(&source, &frame));
    }
}

pub(crate) fn alternate_fields_come_in_turn() -> String {
    check_turns(NTSC_M, Parity::Bottom);
    check_turns(PAL, Parity::Top);
    String::new()
}

pub(crate) fn sequential_layouts_hold_the_fields_of_the_woven_picture() -> String {
    // Sequential layouts do not loop: the driver's own still picture, whose two fields differ in every row.
    driver::choose("test_pattern", "Alternating Hor Lines");
    for standard in [NTSC_M, PAL] {
        driver::preset(Setting::woven(standard, INTERLACED));
        let woven = next(&mut open_as_set()).data.bytes().to_vec();
        assert_ne!(woven[1440..2880], woven[2880..4320], "the fields differ");
        check_sequential(Setting::woven(standard, SEQ_TB), Parity::Top, &woven);
        check_sequential(Setting::woven(standard, SEQ_BT), Parity::Bottom, &woven);
    }
    String::new()
}

fn check_sequential(setting: Setting, older: Parity, woven: &[u8]) {
    driver::preset(setting);
    let mut source = open_as_set();
    assert_eq!(
        source.format().field_order.map(FieldOrder::first),
        Some(older)
    );
    let frame = next(&mut source);
    assert_eq!(frame.rows, RowLayout::Sequential(older));
    let (first, second) = frame.data.bytes().split_at(setting.bytes() / 2);
    let (top, bottom) = match older {
        Parity::Top => (first, second),
        Parity::Bottom => (second, first),
    };
    let rows = top.chunks(1440).zip(bottom.chunks(1440));
    let rewoven: Vec<u8> = rows.flat_map(|(a, b)| [a, b].concat()).collect();
    // Row 0 begins with random wide-screen signalling at 625 lines.
    let rows = rewoven.chunks(1440).zip(woven.chunks(1440)).enumerate();
    let unlike: Vec<usize> = rows
        .skip(1)
        .filter(|(_, (a, b))| a != b)
        .map(|(row, _)| row)
        .collect();
    assert!(unlike.is_empty(), "{setting:?}: {unlike:?}");
}

pub(crate) fn frame_numbers_go_on_across_their_wrap() -> String {
    // The driver starts 128 frames before the wrap.
    driver::set("wrap_sequence_number", 1);
    let mut source = open_lines(Standard::Lines525);
    prove_numbers(&mut source);
    let lost = check_gaps(&mut source, 150);
    format!("{lost} fields lost")
}

/// Waits for silence, which must come in bounded time, then lets frames flow again.
fn check_silence(source: &mut V4l2Source) -> String {
    let (silence, took) = (0..SOON)
        .find_map(|_| {
            let asked = Instant::now();
            source
                .next_frame()
                .err()
                .map(|error| (error, asked.elapsed()))
        })
        .expect("the device falls silent");
    assert_eq!(silence.kind(), SourceErrorKind::Silent);
    // Half a second is promised; ten times that is an emulated machine's share.
    assert!(took < Duration::from_secs(5), "{took:?}");
    driver::set("percentage_of_dropped_buffers", 0);
    silence.to_string()
}

pub(crate) fn a_silent_device_is_reported_and_recovers() -> String {
    let mut source = open_lines(Standard::Lines525);
    next(&mut source);
    prove_numbers(&mut source);
    driver::set("percentage_of_dropped_buffers", 100);
    let words = check_silence(&mut source);
    let last = source.sequence().expect("a frame was read");
    let frame = next(&mut source);
    let missing = source.sequence().expect("a frame was read") - last - 1;
    assert!(missing > 0);
    assert_eq!(frame.gap.lost_by_source, 2 * u64::from(missing));
    check_gaps(&mut source, 10);
    format!("{words}; {:?}", frame.gap)
}

pub(crate) fn a_device_silent_from_the_start_is_reported_and_recovers() -> String {
    driver::set("percentage_of_dropped_buffers", 100);
    let mut source = open_lines(Standard::Lines525);
    let words = check_silence(&mut source);
    prove_numbers(&mut source);
    check_gaps(&mut source, 10);
    words
}

pub(crate) fn a_buffer_with_the_error_flag_is_damaged() -> String {
    let mut source = open_lines(Standard::Lines525);
    assert!(!next(&mut source).damaged);
    driver::press("inject_v4l2_buf_flag_error");
    let damaged = (0..40).filter(|_| next(&mut source).damaged).count();
    assert_eq!(damaged, 1);
    String::new()
}

pub(crate) fn a_fatal_error_ends_the_stream_and_reopening_works() -> String {
    let mut source = open_lines(Standard::Lines525);
    next(&mut source);
    driver::press("inject_fatal_streaming_error");
    let (kind, words) = next_error(&mut source);
    assert_eq!(kind, SourceErrorKind::Other, "{words}");
    // Asked again, it fails again: neither a hang nor an end.
    assert_eq!(next_error(&mut source).0, SourceErrorKind::Other);
    drop(source);
    next(&mut open_lines(Standard::Lines525));
    words
}

pub(crate) fn a_device_that_vanishes_is_gone_and_reopening_works() -> String {
    let mut source = open_lines(Standard::Lines525);
    next(&mut source);
    driver::press("disconnect");
    let (kind, words) = next_error(&mut source);
    assert_eq!(kind, SourceErrorKind::Gone, "{words}");
    drop(source);
    next(&mut open_lines(Standard::Lines525));
    words
}

pub(crate) fn the_input_state_follows_the_signal() -> String {
    let mut source = open_lines(Standard::Lines525);
    assert_eq!(next(&mut source).input, InputState::Locked);
    let turns = [
        ("No Signal", InputState::NoSignal),
        ("Current Standard", InputState::Locked),
        ("No Lock", InputState::Unlocked),
        ("Current Standard", InputState::Locked),
    ];
    for (mode, state) in turns {
        driver::choose("standard_signal_mode", mode);
        let followed = (0..SOON).any(|_| next(&mut source).input == state);
        assert!(followed, "{mode} should show as {state:?}");
    }
    String::new()
}

pub(crate) fn a_second_reader_finds_the_device_busy() -> String {
    let mut source = open_lines(Standard::Lines525);
    next(&mut source);
    let second = V4l2Source::open(Path::new(CAPTURE), &Wishes::default());
    let error = second.expect_err("the first still streams");
    assert_eq!(error.kind(), SourceErrorKind::Busy);
    next(&mut source);
    error.to_string()
}

pub(crate) fn a_device_without_standards_opens() -> String {
    let webcam = Wishes {
        input: Some("webcam".to_owned()),
        standard: Some(StandardWish::Auto),
        ..Wishes::default()
    };
    let mut source = open(&webcam);
    let format = (**source.format()).clone();
    assert_eq!(format.standard, None, "{}x{}", format.width, format.rows);
    assert_eq!(format.field_order, Some(FieldOrder::Progressive));
    let frame = next(&mut source);
    assert_eq!(frame.data.bytes().len(), format.buffer_bytes(format.rows));
    assert_eq!(frame.input, InputState::Unsaid);
    let remarks = &source.description().remarks;
    assert!(
        remarks.iter().any(|it| it.contains("no video standards")),
        "{remarks:?}"
    );
    let size = FrameSize::One {
        width: format.width as u32,
        rows: format.rows as u32,
    };
    let listed = devices();
    let yuyv = listed[0].formats.iter().find(|it| it.code == "YUYV");
    assert!(yuyv.is_some_and(|it| it.sizes.contains(&size)), "{yuyv:?}");
    format!("{}x{}", format.width, format.rows)
}

pub(crate) fn a_size_the_device_cannot_deliver_is_remarked() -> String {
    let square = Wishes {
        raster: Some((640, 480)),
        ..wishes(StandardWish::Lines(Standard::Lines525))
    };
    let source = open(&square);
    assert_eq!((source.format().width, source.format().rows), (720, 480));
    let remarks = source.description().remarks.join(" ");
    assert!(remarks.contains("640x480 was asked for"), "{remarks}");
    drop(source);
    driver::load_with_scaler();
    let source = open(&square);
    assert_eq!((source.format().width, source.format().rows), (640, 480));
    assert_eq!(source.format().rate_trust, RateTrust::Presumed);
    remarks
}

pub(crate) fn an_output_node_is_refused() -> String {
    let opened = V4l2Source::open(Path::new(OUTPUT), &Wishes::default());
    let error = opened.expect_err("it only puts video out");
    assert_eq!(error.kind(), SourceErrorKind::Unsupported);
    error.to_string()
}

pub(crate) fn an_unknown_input_is_refused_by_name() -> String {
    let scart = Wishes {
        input: Some("scart".to_owned()),
        ..Wishes::default()
    };
    let error = V4l2Source::open(Path::new(CAPTURE), &scart).expect_err("there is none");
    assert_eq!(error.kind(), SourceErrorKind::Unsupported);
    let words = error.to_string();
    assert!(
        words.contains("scart") && words.contains("S-Video"),
        "{words}"
    );
    words
}

pub(crate) fn the_listing_shows_what_the_device_offers() -> String {
    assert_eq!(first_device().as_deref(), Some(Path::new(CAPTURE)));
    let listed = devices();
    assert_eq!(listed.len(), 1, "the output node is left out: {listed:?}");
    let device = &listed[0];
    assert_eq!(device.driver, "vivid");
    let current: Vec<_> = device.inputs.iter().filter(|it| it.current).collect();
    assert_eq!(current.len(), 1);
    assert!(current[0].name.contains("S-Video"), "{current:?}");
    assert_eq!(current[0].state, InputState::Locked);
    assert!(
        device.standards.iter().any(|it| it == "PAL-60"),
        "{:?}",
        device.standards
    );
    let yuyv = device
        .formats
        .iter()
        .find(|it| it.code == "YUYV")
        .expect("offered");
    assert!(yuyv.readable, "{yuyv:?}");
    assert!(device.formats.iter().any(|it| !it.readable));
    assert!(device.controls.iter().any(|it| it.name == "Brightness"));
    serde_json::to_string(device).expect("it is plain data")
}

/// The device as the program opens it: what fails is opened again.
fn open_to_last(standard: StandardWish) -> Box<dyn Source> {
    let place = Place::Device(CAPTURE.into());
    sources::open(&place, &wishes(standard), Pace::RealTime)
        .unwrap_or_else(|error| panic!("open: {error}"))
}

/// The next frame of a source that lasts, whatever happens to its device, and what it told meanwhile.
fn next_of_lasting(source: &mut dyn Source, told: &mut Vec<News>) -> Frame {
    next_and_whether_away(source, told).0
}

/// The same, and whether the device had to be opened again for it.
fn next_and_whether_away(source: &mut dyn Source, told: &mut Vec<News>) -> (Frame, bool) {
    let mut away = false;
    let begun = Instant::now();
    while begun.elapsed() < Duration::from_secs(60) {
        let found = source.next_frame();
        told.extend(std::iter::from_fn(|| source.news()));
        match found {
            Ok(frame) => return (frame.expect("a device has no end"), away),
            Err(error) => {
                assert!(error.is_silence(), "{error}");
                away |= error.kind() == SourceErrorKind::Away;
            }
        }
    }
    panic!("no frame in a minute");
}

/// Has a fault happen and reads on: the first frame after it stands where the device's clock has it.
fn check_outlives(fault: impl Fn()) -> String {
    let mut source = open_to_last(StandardWish::Lines(Standard::Lines525));
    let mut told = Vec::new();
    let mut last = next_of_lasting(source.as_mut(), &mut told);
    for _ in 0..5 {
        last = next_of_lasting(source.as_mut(), &mut told);
    }
    fault();
    for _ in 0..SOON {
        let (frame, was_away) = next_and_whether_away(source.as_mut(), &mut told);
        // A device that is quick to open again may lose nothing.
        if was_away {
            assert!(
                frame.gap.timed || frame.gap.fields() == 0,
                "{:?}",
                frame.gap
            );
            let by_clock = fields_by_clock(&last, &frame);
            let by_gap = (frame.gap.fields() + fields_in(&last)) as f64;
            assert!(
                (by_clock - by_gap).abs() <= 1.01,
                "{by_clock} fields by the clock, {by_gap} counted"
            );
            let after = next_of_lasting(source.as_mut(), &mut told);
            assert!(after.device_time > frame.device_time);
            return format!("{:?}", frame.gap);
        }
        last = frame;
    }
    panic!("nothing was bridged");
}

pub(crate) fn the_source_outlives_a_device_that_vanishes() -> String {
    check_outlives(|| driver::press("disconnect"))
}

pub(crate) fn the_source_outlives_a_fatal_error() -> String {
    check_outlives(|| driver::press("inject_fatal_streaming_error"))
}

pub(crate) fn the_source_outlives_a_clock_set_elsewhere() -> String {
    check_outlives(|| {
        // The driver begins its next stream 68 years later.
        driver::set("wrap_timestamp", 2);
        driver::press("inject_fatal_streaming_error");
    })
}

pub(crate) fn the_source_outlives_a_change_of_standard() -> String {
    driver::choose("standard_signal_mode", "Selected Standard");
    driver::choose("standard", "NTSC-M");
    let mut source = open_to_last(StandardWish::Auto);
    let mut told = Vec::new();
    let first = next_of_lasting(source.as_mut(), &mut told);
    assert_eq!(first.format.standard, Some(Standard::Lines525));
    driver::choose("standard", "PAL-BGH");
    let changed = (0..SOON).find_map(|_| {
        let frame = next_of_lasting(source.as_mut(), &mut told);
        (frame.format.standard == Some(Standard::Lines625)).then_some(frame)
    });
    let changed = changed.expect("the signal's own lines");
    assert_eq!(changed.format.rows, 576);
    assert!(changed.gap.timed);
    let of_standard = told.iter().filter(|it| it.kind == NewsKind::Standard);
    let words: Vec<_> = of_standard.map(|it| it.text.as_str()).collect();
    assert_eq!(words.len(), 1, "{told:?}");
    assert!(words[0].contains("from 525 to 625"), "{words:?}");
    format!("{words:?}, {:?}", changed.gap)
}

pub(crate) fn changes_of_controls_and_signal_are_told() -> String {
    let mut source = open_lines(Standard::Lines525);
    next(&mut source);
    driver::set("contrast", 99);
    driver::choose("standard_signal_mode", "No Signal");
    let mut told = Vec::new();
    for _ in 0..SOON {
        next(&mut source);
        told.extend(std::iter::from_fn(|| source.news()));
        if told.iter().any(|it| it.text == "no signal") {
            break;
        }
    }
    let words: Vec<_> = told.iter().map(|it| (it.kind, it.text.as_str())).collect();
    assert!(
        words.contains(&(NewsKind::Input, "signal locked")),
        "{words:?}"
    );
    assert!(words.contains(&(NewsKind::Input, "no signal")), "{words:?}");
    let contrast = "Contrast was changed from 128 to 99.";
    assert!(words.contains(&(NewsKind::Control, contrast)), "{words:?}");
    format!("{words:?}")
}
