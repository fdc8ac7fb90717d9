//! Hostile input: what fuzzing found worth keeping, replayed; and properties that hold for any input.
//!
//! `bodies` holds what each kind of input is put through. `tests/fuzz` puts the same through it under a fuzzer; the inputs that it
//! keeps in `tests/fuzz/corpus` are replayed here.

use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use proptest::prelude::*;

mod base;
mod bodies;
mod found;
mod memory;

/// The pass that is tampered with, recorded once.
fn base() -> &'static [u8] {
    static BASE: OnceLock<Vec<u8>> = OnceLock::new();
    BASE.get_or_init(base::base_pass)
}

fn pass(data: &[u8]) {
    bodies::pass(base(), data);
}

/// Puts every kept input of a target through its body.
fn replay(target: &str, body: impl Fn(&[u8])) {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fuzz/corpus")
        .join(target);
    let entries = fs::read_dir(&corpus).expect("a target has a corpus");
    let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    assert!(paths.len() >= 3, "{target}: {} inputs", paths.len());
    for path in paths {
        let input = fs::read(&path).expect("an input");
        let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| body(&input)));
        assert!(done.is_ok(), "{target}: {}", path.display());
    }
}

#[test]
fn kept_inputs_of_y4m_are_read_or_refused() {
    replay("y4m", bodies::y4m);
}

#[test]
fn kept_inputs_of_limits_are_read_or_refused() {
    replay("limits", bodies::limits);
}

#[test]
fn kept_inputs_of_weights_are_read_or_refused() {
    replay("weights", bodies::weights);
}

#[test]
fn kept_inputs_of_probe_are_read_or_refused() {
    replay("probe", bodies::probe);
}

#[test]
fn kept_inputs_of_timecode_are_read_or_refused() {
    replay("timecode", bodies::timecode);
}

#[test]
fn kept_inputs_of_words_lose_what_acts() {
    replay("words", bodies::words);
}

#[test]
fn kept_inputs_of_pass_are_read_or_refused() {
    replay("pass", pass);
}

#[test]
fn kept_inputs_of_measures_give_finite_readings_or_none() {
    replay("measures", bodies::measures);
}

#[test]
fn a_pass_that_nobody_tampered_with_is_read_in_full() {
    let scratch = tempfile::tempdir().expect("a directory");
    let path = scratch.path().join("a.pass");
    fs::write(&path, base()).expect("room");
    let pass = trueline::record::Pass::open(&path).expect("the pass");
    assert_eq!(
        pass.rows(trueline::timecode::FieldIndex(0)..trueline::timecode::FieldIndex(99))
            .count(),
        16
    );
    assert_eq!(pass.events().expect("events").len(), 3);
    assert!(!pass.exhibited().expect("pictures").is_empty());
    assert!(pass.prints().count() > 0);
    assert_eq!(pass.handed_on().expect("turns").len(), 2);
    trueline::record::Finished::of(&pass).expect("a whole pass");
}

/// Printed limits with something cut out and something put in.
fn nearly_limits() -> impl Strategy<Value = Vec<u8>> {
    let printed = trueline::limits::Limits::default().to_toml().into_bytes();
    let length = printed.len();
    let put_in = prop_oneof![
        "[-+0-9.einfa_\\[\\]\"'#=\n ]{0,12}".prop_map(String::into_bytes),
        proptest::collection::vec(any::<u8>(), 0..8),
    ];
    (0..length, 0_usize..40, put_in).prop_map(move |(at, cut, put_in)| {
        let end = (at + cut).min(printed.len());
        [&printed[..at], &put_in, &printed[end..]].concat()
    })
}

/// An answer of the right shape with any words in it.
fn nearly_probe() -> impl Strategy<Value = Vec<u8>> {
    let word = || prop_oneof!["[a-z0-9/:._-]{0,16}", any::<String>()];
    let number = || {
        prop_oneof![
            any::<i64>().prop_map(|it| it.to_string()),
            Just("720".to_owned()),
            Just("1e999".to_owned())
        ]
    };
    (number(), number(), word(), word(), word(), word(), number()).prop_map(
        |(width, height, pixels, rate, order, duration, rotation)| {
            let text = |it: &str| serde_json::Value::from(it).to_string();
            format!(
                r#"{{"program_version":{{"version":{0}}},"frames":[{{"interlaced_frame":1}}],"streams":[{{"width":{width},
                "height":{height},"pix_fmt":{1},"avg_frame_rate":{2},"field_order":{3},"duration":{4},
                "side_data_list":[{{"rotation":{rotation}}}]}}],"format":{{"duration":{4},"format_name":{0}}}}}"#,
                text(&order), text(&pixels), text(&rate), text(&order), text(&duration)
            )
            .into_bytes()
        },
    )
}

fn any_bytes() -> impl Strategy<Value = Vec<u8>> {
    proptest::collection::vec(any::<u8>(), 0..400)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 256, ..ProptestConfig::default() })]

    #[test]
    fn parsers_take_or_refuse_any_bytes(data in any_bytes()) {
        bodies::y4m(&data);
        bodies::limits(&data);
        bodies::weights(&data);
        bodies::probe(&data);
        bodies::timecode(&data);
        bodies::words(&data);
    }

    #[test]
    fn limits_take_or_refuse_what_is_nearly_right(data in nearly_limits()) {
        bodies::limits(&data);
        bodies::weights(&data);
    }

    #[test]
    fn answers_of_a_probe_are_taken_or_refused(data in nearly_probe()) {
        bodies::probe(&data);
    }

    #[test]
    fn labels_are_taken_or_refused(data in "[0-9]{8}[0-9:;]{0,12}") {
        bodies::timecode(data.as_bytes());
    }
}

proptest! {
    // Each is a file that is written, opened and read in every way: a tenth of a second.
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn a_pass_with_anything_in_it_is_read_or_refused(
        kind in 1_u8..4, data in proptest::collection::vec(any::<u8>(), 1..120),
    ) {
        pass(&[&[kind], data.as_slice()].concat());
    }
}

proptest! {
    // Each is up to a second of frames through every measure.
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn measures_give_finite_readings_or_none_on_any_frames(
        data in proptest::collection::vec(any::<u8>(), 4..90),
    ) {
        bodies::measures(&data);
    }
}
