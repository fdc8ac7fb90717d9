//! The ids of noise. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

use super::Bound;

/// What they have in common.
const NOISE: Quantity = Quantity {
    id: "",
    label: "",
    unit: QuantityUnit::Db,
    better: Better::High,
    group: Group::Condition,
    step: 0.01,
    words: &[],
    about: "",
    read: |_| None,
};

/// What ratios have in common.
const RATIO: Quantity = Quantity {
    unit: QuantityUnit::Ratio,
    better: Better::Neither,
    step: 0.001,
    ..NOISE
};

/// What words about a figure have in common.
const BOUND: Quantity = Quantity {
    unit: QuantityUnit::Word,
    better: Better::Neither,
    step: 1.0,
    words: Bound::WORDS,
    ..NOISE
};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "noise.luma_db",
        label: "luma noise",
        about: "Signal-to-noise ratio of luma, unweighted: black to peak over the rms of the noise from 10 kHz to 5 MHz (BT.1439-1), in \
                the plainest parts of the picture, over about a second. Camera, tape, player, box and converter are in it together. \
                40 dB is 2.2 codes of noise. Rounding to codes is taken out; a picture cleaner than rounding reads 57.6, and \
                noise.luma_bound then says at_least. Absent without a steady picture and until 40 plain places were seen.",
        read: |r| r.noise.luma.map(Value::from),
        ..NOISE
    },
    Quantity {
        id: "noise.luma_bound",
        label: "luma noise, how known",
        about: "Whether noise.luma_db is the ratio as measured, or the ratio is at least that: because the noise is under that of \
                rounding to codes, or because the picture is textured everywhere and part of what is read may be texture.",
        read: |r| {
            let said = r.noise.luma.map(|_| r.noise.luma_bound.word());
            said.map(Value::Word)
        },
        ..BOUND
    },
    Quantity {
        id: "noise.luma_weighted_db",
        label: "luma noise, weighted",
        about: "The same through the unified weighting network (BT.1439-1 Annex 2), which counts fine noise less, as the eye does. \
                It lies 7.4 dB over the unweighted ratio for level noise, 12.2 dB for triangular noise; tape lies between. \
                Published figures of recorders are weighted ones. Absent as noise.luma_db, and without a sample rate.",
        read: |r| r.noise.luma_weighted.map(Value::from),
        ..NOISE
    },
    Quantity {
        id: "noise.chroma_db",
        label: "colour noise",
        about: "Signal-to-noise ratio of colour, unweighted: the excursion of 224 codes over the rms of the noise, mean power of both \
                colour differences, in the plainest parts of the picture, over about a second. Camera, tape, player, box and \
                converter are in it together. Rounding is taken out; over 47 dB noise.chroma_bound says at_least. Absent in mono, without a \
                steady picture and until 40 plain places were seen.",
        read: |r| r.noise.chroma.map(Value::from),
        ..NOISE
    },
    Quantity {
        id: "noise.chroma_bound",
        label: "colour noise, how known",
        about: "Whether noise.chroma_db is the ratio as measured, or the ratio is at least that: under about one code, noise cannot be \
                told from the picture's own shades.",
        read: |r| {
            let said = r.noise.chroma.map(|_| r.noise.chroma_bound.word());
            said.map(Value::Word)
        },
        ..BOUND
    },
    Quantity {
        id: "noise.spatial_ratio",
        label: "fine noise",
        about: "How fine the luma noise is: its rms density from 1.5 to 2.5 MHz over that from 0.4 to 1 MHz. White noise is 1; noise of \
                tape rises with frequency, to 1.5 and more. Well under 1 something has taken the fine noise away, and fine \
                detail with it: noise reduction within the picture, or a soft box. Absent where the noise is near that of \
                rounding, in textured pictures and without a sample rate.",
        read: |r| r.noise.spatial.map(Value::from),
        ..RATIO
    },
    Quantity {
        id: "noise.temporal_ratio",
        label: "noise between fields",
        about: "Luma noise seen between two fields of one parity over noise seen within a field. 1 without noise reduction over time; a \
                recursive one that takes a share k of each new picture leaves the root of k: 0.7 for a half, 0.5 for a \
                quarter. Well under 1: it is at work, in box, device or player, and may smear what moves. Absent where the \
                noise is near that of rounding, in textured pictures, and before the second frame.",
        read: |r| r.noise.temporal.map(Value::from),
        ..RATIO
    },
    Quantity {
        id: "noise.chroma_temporal_ratio",
        label: "colour noise between fields",
        about: "Colour noise seen between two fields of one parity over noise seen within a field, as noise.temporal_ratio is of luma. \
                Boxes often reduce colour noise over time even where that of luma is left. Absent where the noise is under \
                a code, in mono, and before the second frame.",
        read: |r| r.noise.chroma_temporal.map(Value::from),
        ..RATIO
    },
    Quantity {
        id: "noise.parity_db",
        label: "noise of the heads",
        better: Better::NearZero,
        about: "Signal-to-noise ratio of luma in the top fields less that in the bottom fields. The two fields are read by two \
                heads: a standing difference of a decibel and more is a worn, dirty or badly set head. Absent with progressive \
                pictures, where the noise is near that of rounding, and until 40 plain places were seen of either.",
        read: |r| r.noise.parity.map(Value::from),
        ..NOISE
    },
    Quantity {
        id: "noise.bandwidth_mhz",
        label: "noise reaches to",
        unit: QuantityUnit::Mhz,
        better: Better::Neither,
        about: "Frequency up to which the luma noise reaches: where it has fallen 10 dB under its densest. What lets noise through lets \
                detail through: where noise reaches further than detail does (detail.bandwidth_mhz), the picture is unfocused or was \
                recorded soft, and the chain is not to blame. Absent where the noise is near that of rounding, and without a sample rate.",
        read: |r| r.noise.bandwidth.map(Value::from),
        ..NOISE
    },
];
