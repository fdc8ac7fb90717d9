//! The ids of detail. Does not know: how it is measured.

use crate::measures::noise::Bound;
use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

/// What they have in common.
const DETAIL: Quantity = Quantity {
    id: "",
    label: "",
    unit: QuantityUnit::Mhz,
    better: Better::High,
    group: Group::Condition,
    step: 0.001,
    words: &[],
    about: "",
    read: |_| None,
};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "detail.bandwidth_mhz",
        label: "detail reaches to",
        about: "Luma frequency at which picture detail is 20 dB under the trend of its low band: the best of the scenes of the last two \
                minutes, read from their sharpest places. Times 78.98 (525) or 78.00 (625) it is lines per picture height. Camera, \
                tape, player, box and converter are in it together; it counts from below, as no scene need be in focus: \
                noise.bandwidth_mhz is the other end of the interval. detail.bandwidth_bound says at_least where noise covers the detail \
                first. Absent until a second of sharp places was seen, without a steady picture and without a sample rate.",
        read: |r| r.detail.bandwidth.map(Value::from),
        ..DETAIL
    },
    Quantity {
        id: "detail.bandwidth_bound",
        label: "detail, how known",
        unit: QuantityUnit::Word,
        better: Better::Neither,
        step: 1.0,
        words: Bound::WORDS,
        about: "Whether detail.bandwidth_mhz is where detail ends, or it reaches at least there: noise, or the end of the converter's \
                own band, hides the rest.",
        read: |r| {
            let said = r.detail.bandwidth.map(|_| r.detail.bandwidth_bound.word());
            said.map(Value::Word)
        },
        ..DETAIL
    },
    Quantity {
        id: "detail.ringing_pct",
        label: "ringing",
        unit: QuantityUnit::Pct,
        better: Better::Low,
        step: 0.01,
        about: "How far the mean of many lone sharp edges shoots beyond its two levels, in percent of the step; the larger of both \
                sides. A sharp end of the band rings by some percent by itself (an ideal low-pass by 9 %); more is sharpening, in \
                camera, player, box or device, and adds no detail. Absent until 60 edges were seen.",
        read: |r| r.detail.ringing.map(Value::from),
        ..DETAIL
    },
];
