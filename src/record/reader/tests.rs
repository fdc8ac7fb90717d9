//! Tests of reading passes back, whole and damaged.

use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::stored::known_unit;
use super::*;
use crate::measures::{QuantityUnit, line_timing};
use crate::record::row::Row;
use crate::record::testing::{catalogue, closed, event, head, recorded, recorded_with_lines, row};

const EVERYTHING: Range<FieldIndex> = FieldIndex(0)..FieldIndex(u64::MAX);

fn all_rows(pass: &Pass<5>) -> Vec<Row<5>> {
    let rows: Result<Vec<_>, _> = pass.rows(EVERYTHING).collect();
    rows.expect("rows")
}

#[test]
fn what_was_recorded_comes_back() {
    let (_scratch, pass) = recorded(600, |sender| {
        sender.event(&event(1, 10)).expect("room");
        sender.event(&closed(event(1, 10), 20)).expect("room");
        sender.event(&event(2, 30)).expect("room");
    });
    assert_eq!(*pass.head(), head(false));
    assert_eq!(pass.closed_at(), Some("2026-03-01T19:05:00+00:00"));
    assert_eq!(
        pass.summary().expect("a summary"),
        Some(serde_json::json!({"fields": 600}))
    );
    let expected: Vec<_> = (0..600).map(row).collect();
    for (found, expected) in all_rows(&pass).iter().zip(&expected) {
        assert_eq!(found.values, expected.values, "{:?}", found.place);
        assert_eq!(found.place.field, expected.place.field);
        assert_eq!(found.place.parity, expected.place.parity);
        let off = found.place.seconds - expected.place.seconds;
        assert!(off.0.abs() < 1e-6, "{off:?}");
    }
    assert_eq!(all_rows(&pass).len(), expected.len());
    let events = pass.events().expect("events");
    assert_eq!(events.len(), 2);
    assert_eq!(events[0].end.map(|end| end.field), Some(FieldIndex(20)));
    assert_eq!(
        events[0]
            .end_timecode
            .map(|label| label.to_string())
            .as_deref(),
        Some("00:01:00;02")
    );
    assert_eq!(events[1].end, None);
    assert_eq!(events[1].note, event(2, 30).note);
}

#[test]
fn a_stretch_of_rows_is_that_stretch() {
    let (_scratch, pass) = recorded(700, |_| ());
    let fields: Vec<_> = pass
        .rows(FieldIndex(250)..FieldIndex(520))
        .map(|row| row.expect("a row").place.field.0)
        .collect();
    assert_eq!(fields, (250..520).collect::<Vec<_>>());
    let last = pass.last_place().expect("a place").expect("fields");
    assert_eq!(last.field, FieldIndex(699));
}

#[test]
fn each_second_has_the_least_middle_and_greatest_of_its_rows() {
    let (_scratch, pass) = recorded(150, |_| ());
    let seconds = pass.seconds(0, 0..100).expect("seconds");
    assert_eq!(seconds.len(), 3);
    let mut values: Vec<f64> = all_rows(&pass)
        .iter()
        .filter(|row| (1.0..2.0).contains(&row.place.seconds.0))
        .filter_map(|row| row.values[0]?.number())
        .collect();
    values.sort_by(f64::total_cmp);
    let second = seconds[1];
    assert_eq!(second.second, 1);
    assert_eq!(second.n as usize, values.len());
    assert_eq!(second.min.number(), values.first().copied());
    assert_eq!(second.max.number(), values.last().copied());
    let middle = second.median.number().expect("a number");
    assert!(values[values.len() / 2 - 1] <= middle && middle <= values[values.len() / 2]);
    let words = pass.seconds(2, 0..1).expect("seconds");
    assert_eq!(words[0].median, Value::Word("locked"));
}

#[test]
fn quantities_the_file_does_not_know_are_absent() {
    let (scratch, pass) = recorded(10, |_| ());
    drop(pass);
    let path = scratch.path().join("a.pass");
    let pass = Pass::open(&path).expect("a pass of other quantities");
    let rows: Result<Vec<_>, _> = pass.rows(EVERYTHING).collect();
    let rows = rows.expect("rows");
    assert_eq!(rows.len(), 10);
    assert!(
        rows.iter()
            .all(|row| row.values.iter().all(Option::is_none))
    );
    assert_eq!(pass.seconds(0, 0..9).expect("seconds"), []);
}

#[test]
fn lines_that_were_not_kept_are_an_error() {
    let (_scratch, pass) = recorded(1, |_| ());
    let error = pass.lines(EVERYTHING).expect_err("no lines").to_string();
    assert!(error.contains("--keep-lines"), "{error}");
}

#[test]
fn the_units_of_quantities_survive_in_events() {
    use QuantityUnit::{Count, Db, Deg, Ire, Line, Lines, Mhz, Ms, Ns, Pct, Ratio, Switch, Word};
    for unit in [
        Ns, Ms, Lines, Line, Ire, Pct, Db, Deg, Mhz, Ratio, Count, Switch, Word,
    ] {
        assert_eq!(known_unit(unit.symbol()), unit.symbol());
    }
}

#[test]
fn nonsense_in_a_table_is_damage_and_not_a_panic() {
    for nonsense in [
        "UPDATE readings SET test_error_ns = 'x'",
        "UPDATE pass SET field_order = 'sideways'",
        "UPDATE pass SET start_timecode = '99:00:00;00'",
        "UPDATE pass SET source = '{'",
        "UPDATE pass SET summary = '{'",
        "UPDATE event_rows SET kind = 'earthquake'",
        "UPDATE event_rows SET start_timecode = ''",
        "UPDATE event_rows SET start_micros = 1 << 60",
        "UPDATE event_rows SET start_field = -1",
        "UPDATE event_rows SET note = hex(zeroblob(70000))",
        "UPDATE readings SET field = field + (1 << 60)",
        "UPDATE readings SET micros = -1000000",
        "UPDATE pass SET field_seconds = 9e999",
        "UPDATE pass SET setup_ire = -9e999",
        "UPDATE pass SET sample_rate_hz = 0",
        "UPDATE pass SET tape = zeroblob(10)",
        "UPDATE pass SET summary = zeroblob(70 << 20)",
        "INSERT INTO programme VALUES (1 << 40, NULL, NULL)",
        "UPDATE quantities SET step = -1",
        "DELETE FROM pass",
        "DROP TABLE event_rows",
        "DROP TABLE words",
        "DROP TABLE readings; CREATE VIEW readings AS SELECT 1 AS field, 0 AS parity, 0 AS micros",
    ] {
        let (scratch, pass) = recorded(3, |sender| sender.event(&event(1, 0)).expect("room"));
        drop(pass);
        let path = scratch.path().join("a.pass");
        let connection = Connection::open(&path).expect("the pass");
        connection.execute_batch(nonsense).expect(nonsense);
        drop(connection);
        let read = Pass::open_with(&path, catalogue()).and_then(|pass| {
            pass.events()?;
            pass.summary()?;
            pass.programme()?;
            pass.rows(EVERYTHING).try_for_each(|row| row.map(drop))
        });
        assert!(
            matches!(
                read,
                Err(RecordError::Damaged { .. } | RecordError::Strange { .. })
            ),
            "{nonsense}: {read:?}"
        );
    }
}

#[test]
fn a_lines_blob_that_is_nonsense_is_damage() {
    let (scratch, pass) = recorded_with_lines(1, &line_timing::Reading::default());
    drop(pass);
    let path = scratch.path().join("a.pass");
    for nonsense in ["x'0102'", "zeroblob(100000000)", "'text'"] {
        let connection = Connection::open(&path).expect("the pass");
        let change = format!("UPDATE lines SET packed = {nonsense}");
        connection.execute(&change, ()).expect(nonsense);
        drop(connection);
        let pass = Pass::open_with(&path, catalogue()).expect("the pass");
        let mut lines = pass.lines(EVERYTHING).expect("lines");
        let first = lines.next();
        assert!(
            matches!(first, Some(Err(RecordError::Damaged { .. }))),
            "{nonsense}: {first:?}"
        );
        assert!(lines.next().is_none());
    }
}

#[test]
fn bytes_changed_anywhere_are_read_or_refused() {
    let (scratch, pass) = recorded(300, |sender| sender.event(&event(1, 0)).expect("room"));
    drop(pass);
    let path = scratch.path().join("a.pass");
    let whole = std::fs::read(&path).expect("the pass");
    let mut random = Xoshiro256PlusPlus::seed_from_u64(7);
    for _ in 0..200 {
        let mut bytes = whole.clone();
        for _ in 0..8 {
            let at = random.random_range(0..bytes.len());
            bytes[at] = random.random();
        }
        std::fs::write(&path, &bytes).expect("the file");
        let rows = Pass::open_with(&path, catalogue()).and_then(|pass| {
            pass.events()?;
            pass.seconds(0, 0..99)?;
            pass.rows(EVERYTHING)
                .try_fold(0, |rows, row| row.map(|_| rows + 1))
        });
        assert!(rows.is_err() || rows.is_ok_and(|rows: u32| rows < 10_000));
    }
}

fn any_value(place: usize) -> BoxedStrategy<Option<Value>> {
    let number = prop_oneof![-1e6_f64..1e6, Just(f64::MAX), Just(f64::MIN), Just(0.0)];
    let value = match place {
        0 | 1 => (number, prop::option::of(0.0_f64..1e4))
            .prop_map(|(value, sigma)| Value::Number { value, sigma })
            .boxed(),
        2 => prop::sample::select(catalogue()[2].words)
            .prop_map(Value::Word)
            .boxed(),
        _ => (0_u64..1 << 50).prop_map(Value::Count).boxed(),
    };
    prop::option::of(value).boxed()
}

/// Checks a value against what came back: within half a step, at most the largest that can be stored.
fn check_value(sent: Option<Value>, found: Option<Value>, step: f64) {
    let (
        Some(Value::Number { value, sigma }),
        Some(Value::Number {
            value: back,
            sigma: back_sigma,
        }),
    ) = (sent, found)
    else {
        return assert_eq!(sent, found);
    };
    let most = i64::MAX as f64 * step;
    let off = (back - value.clamp(-most, most)).abs();
    assert!(
        off <= step / 2.0 + 1e-9 * value.abs().min(most),
        "{value} {back}"
    );
    assert_eq!(sigma.is_some(), back_sigma.is_some());
    for (sigma, back) in sigma.iter().zip(back_sigma) {
        assert!((back - sigma).abs() <= step / 10.0 + 1e-9, "{sigma} {back}");
        assert!(back > 0.0 || *sigma == 0.0);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 16, ..ProptestConfig::default() })]

    #[test]
    fn any_row_comes_back_within_half_a_step(rows in prop::collection::vec(
        [any_value(0), any_value(1), any_value(2), any_value(3), any_value(4)], 1..40,
    )) {
        let (_scratch, pass) = recorded(0, |sender| {
            for (field, values) in (0..).zip(&rows) {
                sender.field(&Row { values: *values, ..row(field) }, None).expect("room");
            }
        });
        let found = all_rows(&pass);
        prop_assert_eq!(found.len(), rows.len());
        for (sent, found) in rows.iter().zip(&found) {
            for ((sent, found), quantity) in sent.iter().zip(found.values).zip(catalogue()) {
                check_value(*sent, found, quantity.step);
            }
        }
    }
}
