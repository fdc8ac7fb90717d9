//! The ids of dropouts. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "dropouts.count",
        label: "dropouts",
        unit: QuantityUnit::Count,
        better: Better::Low,
        group: Group::Condition,
        step: 1.0,
        words: &[],
        about: "Streaks of 1.5 µs and longer in the field two fields earlier: fragments of a line that stand 12 IRE or more outside of \
                the lines above and below and of the same place a frame before and after. Dust, worn coating or a crease on the \
                tape, dirty or worn heads; a streak that comes again at the same place of the tape is the tape's. Those of a band that \
                mistracking spoils are not counted. Absent without a steady picture.",
        read: |r| r.dropouts.count.map(Value::Count),
    },
    Quantity {
        id: "dropouts.longest_us",
        label: "longest dropout",
        unit: QuantityUnit::Us,
        better: Better::Low,
        group: Group::Condition,
        step: 0.1,
        words: &[],
        about: "The longest streak of the field two fields earlier, as far as it stands out by 12 IRE; a line's picture lasts 52 µs. \
                Players replace dropouts by the line above; what is seen here was not. Absent where there is none, and without a steady picture.",
        read: |r| {
            r.dropouts.longest.map(|streak| Value::Number {
                value: streak.length.0,
                sigma: None,
            })
        },
    },
];
