//! What every measure must do, whatever it measures: the whole suite over fields of every odd kind.

use std::collections::HashSet;

use crate::fields::{Field, FieldRaster, Plane};
use crate::record::Row;
use crate::sources::{Gap, InputState};
use crate::standard::Parity;
use crate::units::CodeRange;

use super::sketch::{Camera, Screening, Sketcher, World, field, plane, raster};
use super::{QUANTITY_COUNT, Quantity, QuantityUnit, Suite, Value, quantities, quantity};

/// Rows of all fields in turn, by one suite.
fn rows_of(suite: &mut Suite, fields: &[Field]) -> Vec<Row> {
    let mut screening = Screening::new();
    fields
        .iter()
        .map(|field| Row::from(&suite.measure(&screening.show(field.clone()))))
        .collect()
}

/// Whether a value is one that its quantity may have.
fn fits(quantity: &Quantity, value: Value) -> bool {
    match value {
        Value::Number { value, sigma } => {
            value.is_finite() && sigma.is_none_or(|sigma| sigma.is_finite() && sigma >= 0.0)
        }
        Value::Count(count) => quantity.unit != QuantityUnit::Switch || count <= 1,
        Value::Word(word) => quantity.words.contains(&word),
    }
}

/// Measures the fields with a fresh suite; every value must fit its quantity.
fn check(what: &str, fields: &[Field]) {
    for row in rows_of(&mut Suite::new(), fields) {
        for (quantity, value) in quantities().zip(row.values) {
            if let Some(value) = value {
                assert!(
                    fits(quantity, value),
                    "{what}: {} is {value:?}",
                    quantity.id
                );
            }
        }
    }
}

/// The same field several times, as parities in turn.
fn several(raster: FieldRaster, luma: &Plane) -> Vec<Field> {
    (0..6)
        .map(|index| field(index, raster, luma.clone()))
        .collect()
}

#[test]
fn flat_fields_of_every_code_give_finite_readings_or_none() {
    for code in [0, 1, 16, 128, 235, 254, 255] {
        check(
            "flat",
            &several(raster(720, 288), &plane(720, 288, |_, _| code)),
        );
    }
}

#[test]
fn fields_of_every_size_give_finite_readings_or_none() {
    let sizes = [
        (0, 0),
        (1, 1),
        (2, 1),
        (1, 300),
        (8, 2),
        (16, 16),
        (63, 47),
        (191, 288),
        (193, 49),
        (225, 72),
        (352, 240),
        (640, 240),
        (704, 243),
        (720, 288),
        (768, 288),
        (1921, 313),
    ];
    for (width, rows) in sizes {
        let checks = plane(width, rows, |column, row| (column * 7 + row * 13) as u8);
        check(
            &format!("{width}x{rows}"),
            &several(raster(width, rows), &checks),
        );
    }
}

#[test]
fn fields_of_every_kind_give_finite_readings_or_none() {
    let luma = plane(720, 288, |column, row| (column ^ row) as u8);
    let usual = raster(720, 288);
    let kinds = [
        FieldRaster {
            sample_rate: None,
            standard: None,
            ..usual
        },
        FieldRaster {
            progressive: true,
            range: CodeRange::Full,
            ..usual
        },
    ];
    for kind in kinds {
        check("kind", &several(kind, &luma));
    }
    let mut mono = several(usual, &luma);
    for field in &mut mono {
        (field.cb, field.cr) = (Plane::default(), Plane::default());
    }
    check("mono", &mono);
    let mut one_parity = several(usual, &luma);
    for field in &mut one_parity {
        field.place.parity = Parity::Bottom;
    }
    check("one parity", &one_parity);
}

#[test]
fn huge_gaps_and_every_input_state_give_finite_readings() {
    let mut fields = several(raster(720, 288), &plane(720, 288, |column, _| column as u8));
    let inputs = [
        InputState::Unsaid,
        InputState::Locked,
        InputState::Unlocked,
        InputState::NoSignal,
    ];
    for (field, input) in fields.iter_mut().zip(inputs.into_iter().cycle()) {
        field.input = input;
        field.damaged = true;
        field.gap = Gap {
            lost_by_source: 1 << 40,
            lost_by_us: 1 << 40,
            timed: true,
        };
    }
    check("gaps", &fields);
}

#[test]
fn noise_alone_gives_finite_readings_or_none() {
    let mut sketcher = Sketcher::new(1);
    for sigma in [0.3, 5.0, 60.0] {
        let snow: Vec<Field> = (0..6).map(|index| sketcher.snow(index, sigma)).collect();
        check("snow", &snow);
    }
}

#[test]
fn a_suite_that_has_seen_another_source_reads_as_a_fresh_one() {
    let mut sketcher = Sketcher::new(2);
    let street = World::street(2);
    let scene: Vec<Field> = (0..30)
        .map(|index| sketcher.shot(index, &street, Camera::default()))
        .collect();
    let mut used = Suite::new();
    sketcher.raster = raster(704, 240);
    let other: Vec<Field> = (0..9)
        .map(|index| sketcher.shot(index, &street, Camera::default()))
        .collect();
    rows_of(&mut used, &other);
    let fresh = rows_of(&mut Suite::new(), &scene);
    let again = rows_of(&mut used, &scene);
    for (fresh, again) in fresh.iter().zip(&again) {
        for ((quantity, fresh), again) in quantities().zip(fresh.values).zip(again.values) {
            assert_eq!(fresh, again, "{}", quantity.id);
        }
    }
}

#[test]
fn ids_are_unique_and_end_in_their_unit() {
    let mut seen = HashSet::new();
    for quantity in quantities() {
        assert!(seen.insert(quantity.id), "{} twice", quantity.id);
        if let Some(suffix) = quantity.unit.suffix() {
            assert!(quantity.id.ends_with(suffix), "{}", quantity.id);
        }
    }
    assert_eq!(seen.len(), QUANTITY_COUNT);
}

#[test]
fn every_quantity_explains_itself() {
    for quantity in quantities() {
        assert!(!quantity.label.is_empty(), "{}", quantity.id);
        assert!(quantity.about.len() > 40, "{} says too little", quantity.id);
        assert!(
            !quantity.about.contains("  "),
            "{} has a run of spaces",
            quantity.id
        );
        assert!(quantity.step > 0.0, "{}", quantity.id);
        let is_word = quantity.unit == QuantityUnit::Word;
        assert_eq!(is_word, !quantity.words.is_empty(), "{}", quantity.id);
    }
}

#[test]
fn quantities_are_found_by_id() {
    for (place, listed) in quantities().enumerate() {
        let (found, _) = quantity(listed.id).expect("it is listed");
        assert_eq!(found, place, "{}", listed.id);
    }
    assert!(quantity("levels.nonsense").is_none());
}
