//! The ids of interference. Does not know: how it is measured.

use super::hum::Ripple;
use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

/// What they have in common.
const INTERFERENCE: Quantity = Quantity {
    id: "",
    label: "",
    unit: QuantityUnit::Ire,
    better: Better::Low,
    group: Group::Condition,
    step: 0.01,
    words: &[],
    about: "",
    read: |_| None,
};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "interference.pattern_ire",
        label: "pattern",
        about: "Peak to peak of the one frequency, from 0.6 MHz up, that stands out of the luma spectrum all over the picture, over the \
                last four seconds: fine slanting or woven stripes. A supply or a transmitter nearby, a bad cable screen, or the beat of two \
                carriers. A picture that is striped all over has one too, while its shot lasts. Absent where nothing stands out, \
                without a steady picture, and without a sample rate.",
        read: |r| r.interference.pattern.map(Value::from),
        ..INTERFERENCE
    },
    Quantity {
        id: "interference.frequency_mhz",
        label: "of frequency",
        unit: QuantityUnit::Mhz,
        better: Better::Neither,
        about: "The frequency of that pattern along the line. One that stays the same through all scenes comes from the chain. Absent with \
                the pattern.",
        read: |r| r.interference.frequency.map(Value::from),
        ..INTERFERENCE
    },
    Quantity {
        id: "interference.hum_ire",
        label: "hum",
        about: "Peak to peak of a bar of mains hum, over the last forty seconds: a darker and a lighter band, or two, that roll slowly or \
                fast. Read in the blanking beside the picture. Absent where none is certain, where fewer than two columns of \
                blanking are in view, before half a minute, and of a bar that drifts less than a turn in half a minute.",
        read: |r| Some(Value::from(r.interference.bar?.swing)),
        ..INTERFERENCE
    },
    Quantity {
        id: "interference.hum_of",
        label: "of mains",
        unit: QuantityUnit::Word,
        better: Better::Neither,
        words: Ripple::WORDS,
        about: "At which frequency the hum is: that of the mains where it was made, or twice that where a supply rectifies both half \
                waves. Of other mains than those here, it is on the tape. Absent with the hum.",
        read: |r| Some(Value::Word(r.interference.bar?.ripple.word())),
        ..INTERFERENCE
    },
];
