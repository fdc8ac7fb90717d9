//! The ids of colour bars. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

use super::Kind;

/// What they have in common.
const BARS: Quantity = Quantity {
    id: "",
    label: "",
    unit: QuantityUnit::Pct,
    better: Better::NearZero,
    group: Group::Colour,
    step: 0.01,
    words: &[],
    about: "",
    read: |_| None,
};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "bars.kind",
        label: "colour bars",
        unit: QuantityUnit::Word,
        better: Better::Neither,
        step: 1.0,
        words: Kind::WORDS,
        about: "Which colour bars the picture shows: 75 or 100 % of amplitude, over the full field or the upper two thirds of a \
                split one. Absent where it shows anything else.",
        read: |r| r.bars.found.map(|found| Value::Word(found.kind.word())),
        ..BARS
    },
    Quantity {
        id: "bars.luma_error_ire",
        label: "bars luma error",
        unit: QuantityUnit::Ire,
        about: "The luma error of largest size among white, the six colours and black, against their BT.601 levels. All high \
                or low alike: brightness; growing towards white: contrast or gain; black alone: set-up. Absent without bars.",
        read: |r| r.bars.found.map(|found| found.worst_luma().into()),
        ..BARS
    },
    Quantity {
        id: "bars.saturation_error_pct",
        label: "bars saturation error",
        about: "Mean saturation error of the six colours: chroma magnitude over its BT.601 value, less one. Bars that were \
                recorded say what player and chain do to colour, as far as they were right when recorded. Turn the \
                colour control of box or device until it is near zero. Absent without bars.",
        read: |r| r.bars.found.map(|found| found.saturation().into()),
        ..BARS
    },
    Quantity {
        id: "bars.hue_error_deg",
        label: "bars hue error",
        unit: QuantityUnit::Deg,
        about: "Mean hue error of the six colours, as an angle on the composite axes; + turns blue towards red. \
                NTSC decoders have a hue control for it; with PAL it should be near zero by itself. \
                Absent without bars.",
        read: |r| r.bars.found.map(|found| found.hue().into()),
        ..BARS
    },
];
