use super::*;
use crate::alarms::WhyEnded;
use crate::alarms::script::{exactly, healthy};
use crate::compare::reel::Reel;
use crate::compare::series::GRID;
use crate::measures::fingerprint::{CHROMA_CELLS, ChromaMeans, LUMA_GRID};
use crate::record::live::shown_values;
use crate::record::testing::{closing, head};
use crate::record::{PassHead, ProgrammeSpan, Row, WhenFull, create};
use crate::units::{Ire, Nanos};

/// Fields of the earlier pass: a minute and a half.
const FIELDS: u64 = 5_400;

/// Where on it the play begins.
const FROM: u64 = 2_000;

/// A field of the tape, through a chain of this contrast, black and saturation.
fn print(reel: &Reel, field: u64, (gain, lift, saturation): (f64, f64, f64)) -> Fingerprint {
    let cells = &reel.fields[field as usize];
    let codes = |place: f64| {
        (16.0 + (place - 16.0) * gain + lift)
            .round()
            .clamp(1.0, 254.0) as u8
    };
    let colour = |shift: f64| {
        std::array::from_fn(|cell: usize| {
            let bright = cells[cell % cells.len()] - 100.0;
            (saturation * (3.0 * bright + 200.0 * (cell as f64 + shift).sin())) as i16
        })
    };
    Fingerprint {
        luma: std::array::from_fn(|at| {
            let (column, row) = (at % LUMA_GRID.0, at / LUMA_GRID.0);
            codes(cells[row / 2 * GRID.0 + column / 2])
        }),
        chroma: Some(ChromaMeans {
            cb: colour(0.0),
            cr: colour(2.0) as [i16; CHROMA_CELLS],
        }),
    }
}

/// Readings of a field of the tape: what is in the picture moves black by far more than chains do.
fn readings(field: u64, at: u64, black: f64) -> crate::measures::Readings {
    let mut readings = healthy(field);
    let scene = 10.0 * (at as f64 / 40.0).sin();
    let flicker = [0.0, 0.2, -0.2][(field % 3) as usize];
    readings.levels.black = exactly(Ire(black + scene + flicker));
    readings.line_timing.error_rms = exactly(Nanos(60.0));
    readings
}

/// The earlier pass; `prints` or none, `programme` or none.
fn record(path: &Path, head: &PassHead, reel: &Reel, prints: bool, programme: bool) -> Pass {
    let (mut sender, writer) = create(path, head, WhenFull::Wait).expect("a new pass");
    let writing = std::thread::spawn(move || writer.run());
    for field in 0..FIELDS {
        let row = Row::from(&readings(field, field, 2.0));
        let print = prints.then(|| print(reel, field, (1.0, 0.0, 1.0)));
        sender
            .printed_field(&row, None, print.as_ref())
            .expect("room");
    }
    if programme {
        let span = ProgrammeSpan {
            start: FieldIndex(0),
            end: Some(FieldIndex(FIELDS - 1)),
            why_ended: Some(WhyEnded::PassEnded),
        };
        sender.programme(&[span]).expect("room");
    }
    sender.close(closing(FIELDS)).expect("room");
    let _ = writing.join().expect("the writer does not panic");
    Pass::open(path).expect("the pass")
}

#[test]
fn what_this_chain_does_otherwise_is_told_at_the_same_place_of_the_tape() {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let reel = Reel::shot(21, FIELDS as usize);
    let pass = record(
        &scratch.path().join("bare.pass"),
        &head(false),
        &reel,
        true,
        true,
    );
    let clock = pass.head().clock();
    let against = Against::new(pass).expect("it has fingerprints");
    assert_eq!(against.name(), "bare.pass");
    let mut follower = against.follower(CodeRange::Studio).expect("it can be read");
    let mut last = None;
    let mut found = 0;
    for field in 0..2_400 {
        let mut readings = readings(field, FROM + field, 5.0);
        readings.fingerprint = Some(print(&reel, FROM + field, (0.93, 4.0, 0.8)));
        let taken = Taken {
            field: FieldIndex(field),
            print: readings.fingerprint,
            values: shown_values(&readings),
        };
        let Some(earlier) = follower.take(&taken).expect("it can be read") else {
            continue;
        };
        if let Whereabouts::At {
            field, timecode, ..
        } = &earlier.whereabouts
        {
            let there = FieldIndex(field.0 + FROM);
            assert_eq!(*timecode, clock.label(there.frame()));
            found += 1;
        }
        last = Some(earlier);
    }
    assert!(found > 20, "{found}");
    let last = last.expect("it was found");
    let black = last.difference(Shown::Black).expect("both have it");
    let Held { value, sigma } = black.difference;
    assert!(
        (value - 3.0).abs() <= 2.0 * sigma && sigma < 0.3,
        "{black:?}"
    );
    let steady = last.difference(Shown::LineError).expect("both have it");
    assert!(steady.difference.value.abs() < 0.1, "{steady:?}");
    assert_eq!(last.difference(Shown::Sync), None);
    assert_eq!(last.difference(Shown::Noise), None, "nobody measured it");
    for (label, expected, within) in [
        ("contrast", -7.0, 0.5),
        ("black", 4.0 / 2.19, 0.3),
        ("saturation", -20.0, 0.5),
        ("hue", 0.0, 0.5),
    ] {
        let told = last.chain.iter().find(|one| one.label == label);
        let told = told.unwrap_or_else(|| panic!("{label}: {:?}", last.chain));
        let off = (told.difference.value - expected).abs();
        assert!(off <= within, "{told:?}, {expected} was put in");
    }
    let account = follower.account();
    assert_eq!(account.fields, 2_400);
    assert!(
        account.followed >= 1_200 && account.last.is_some(),
        "{account:?}"
    );
}

#[test]
fn a_pass_without_fingerprints_or_programme_and_a_source_of_another_rate_are_refused() {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let reel = Reel::shot(22, FIELDS as usize);
    let made = |name: &str, prints, programme| {
        let path = scratch.path().join(name);
        Against::new(record(&path, &head(false), &reel, prints, programme))
    };
    let refused = made("old.pass", false, true).expect_err("no fingerprints");
    assert!(matches!(refused, CompareError::NoFingerprints(_)));
    let refused = made("snow.pass", true, false).expect_err("no programme");
    assert!(matches!(refused, CompareError::NoProgramme(_)));
    let against = made("bare.pass", true, true).expect("it suits");
    let of_525 = head(false).field_period;
    assert!(against.suits("tape:clean", of_525).is_ok());
    let refused = against
        .suits("tape:hall", Seconds(0.02))
        .expect_err("625 lines");
    let said = refused.to_string();
    assert!(said.contains("50.00") && said.contains("59.94"), "{said}");
}
