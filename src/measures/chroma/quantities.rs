//! The ids of chroma. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

use super::Presence;

/// What they have in common.
const CHROMA: Quantity = Quantity {
    id: "",
    label: "",
    unit: QuantityUnit::Pct,
    better: Better::Neither,
    group: Group::Colour,
    step: 0.01,
    words: &[],
    about: "",
    read: |_| None,
};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "chroma.saturation_rms_pct",
        label: "saturation",
        about: "Rms of the chroma magnitude over the picture; 100 % is the excursion of 100 % colour, 112 codes. Each sample is \
                multiplied with the one a line below, so that noise drops out. It follows the picture: compare the same \
                scene. Lower than through another chain: chroma gain or colour control too low, a worn tape; \
                higher: a box that adds colour. Absent in mono, and without a steady picture.",
        read: |r| r.chroma.saturation_rms.map(Value::from),
        ..CHROMA
    },
    Quantity {
        id: "chroma.mean_cb_pct",
        label: "blue cast",
        better: Better::NearZero,
        about: "Mean of the blue colour difference where there is hardly any colour; 100 % is the excursion of 100 % colour. \
                + is blue, - is yellow. The scene has a part in it; the same cast in every scene is the camera's white \
                balance, or an offset in the decoder. Absent without a steady picture, and where less than 2 % of it is grey.",
        read: |r| r.chroma.mean_cb.map(Value::from),
        ..CHROMA
    },
    Quantity {
        id: "chroma.mean_cr_pct",
        label: "red cast",
        better: Better::NearZero,
        about: "Mean of the red colour difference where there is hardly any colour; 100 % is the excursion of 100 % colour. \
                + is red, - is cyan. The scene has a part in it; the same cast in every scene is the camera's white \
                balance, or an offset in the decoder. Absent without a steady picture, and where less than 2 % of it is grey.",
        read: |r| r.chroma.mean_cr.map(Value::from),
        ..CHROMA
    },
    Quantity {
        id: "chroma.delay_ns",
        label: "chroma delay",
        unit: QuantityUnit::Ns,
        better: Better::NearZero,
        step: 0.1,
        about: "How much later than luma edges the chroma edges come, + = late, moved right: median over the last seconds, siting of \
                the colour samples taken out. Tape players and boxes delay luma to match chroma and miss by up to a few \
                hundred ns; each copy adds its own. Absent until 60 edges with colour were seen, in mono, without a steady picture \
                and without a sample rate.",
        read: |r| r.chroma.delay.map(Value::from),
        ..CHROMA
    },
    Quantity {
        id: "chroma.delay_lines",
        label: "chroma lower",
        unit: QuantityUnit::Lines,
        better: Better::NearZero,
        about: "How many lines of the field chroma edges lie below luma edges: median over the last seconds, siting of the colour \
                samples taken out. Comb filters and delay-line decoders take colour from the line above: half a \
                line with PAL, one with a box that averages, one more each copy. Absent until 60 level edges with colour were seen, in mono, \
                and without a steady picture.",
        read: |r| r.chroma.delay_down.map(Value::from),
        ..CHROMA
    },
    Quantity {
        id: "chroma.bandwidth_mhz",
        label: "chroma bandwidth",
        unit: QuantityUnit::Mhz,
        better: Better::High,
        about: "Frequency at which colour along the line is 6 dB down against luma: from edges that both have in common, over the last \
                twenty seconds. Colour-under tape carries 0.4 to 0.5 MHz (common practice, no source); each copy and many boxes take \
                some of it. Absent until 160 edges with colour were seen, over 2.7 MHz, in mono, and without a \
                steady picture or a sample rate.",
        read: |r| r.chroma.bandwidth.map(Value::from),
        ..CHROMA
    },
    Quantity {
        id: "chroma.dot_crawl_pct",
        label: "dot crawl",
        better: Better::Low,
        about: "Colour subcarrier left in luma, peak to peak, in percent of black to peak, as rms over the picture: 3.58 MHz of 525 \
                lines, 4.43 MHz of 625, told from detail by how it turns from line to line. A composite cable where \
                S-Video is possible, or a decoder or box whose notch or comb filter lets it through. Detail of that frequency that is \
                stronger hides it. Absent in mono, without a steady picture, standard or sample rate.",
        read: |r| r.chroma.dot_crawl.map(Value::from),
        ..CHROMA
    },
    Quantity {
        id: "chroma.presence",
        label: "colour",
        unit: QuantityUnit::Word,
        step: 1.0,
        words: Presence::WORDS,
        about: "Whether there is colour. lost: the recording had colour, and now it is gone together with its noise, as when a \
                colour killer acts: weak chroma on the tape, a signal of another standard, a loose chroma wire. grey: \
                nothing coloured for 20 s though the colour noise is there, which may be the scene. mono: no colour since the \
                recording began: a black-and-white recording, S-Video with only its luma wire, or a wrong standard. \
                Absent until it is known, and without a steady picture.",
        read: |r| {
            r.chroma
                .presence
                .map(|presence| Value::Word(presence.word()))
        },
        ..CHROMA
    },
];
