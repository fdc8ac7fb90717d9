//! The ids of tracking. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

use super::HeadState;

/// What they have in common.
const TRACKING: Quantity = Quantity {
    id: "",
    label: "",
    unit: QuantityUnit::Lines,
    better: Better::Low,
    group: Group::Condition,
    step: 1.0,
    words: &[],
    about: "",
    read: |_| None,
};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "tracking.band_line",
        label: "band from line",
        unit: QuantityUnit::Line,
        better: Better::Neither,
        about: "First row of the highest band of noise or streaks in the field two fields earlier. A band that stands is a track that \
                is bent against the player's; one that travels, a speed that is a little off. Absent where there is none, and without a steady \
                picture.",
        read: |r| r.tracking.band.map(|band| Value::Count(band.row as u64)),
        ..TRACKING
    },
    Quantity {
        id: "tracking.band_lines",
        label: "band of noise",
        about: "Lines of the highest band of noise or streaks that reaches across the whole width in the field two fields earlier, 6 or \
                more; 0 without one. The head leaves its track there: tracking set wrong, a tape recorded on a player with other \
                guides, stretched tape. Absent without a steady picture.",
        read: |r| {
            r.tracking
                .band_lines()
                .map(|lines| Value::Count(lines as u64))
        },
        ..TRACKING
    },
    Quantity {
        id: "tracking.heads",
        label: "heads",
        unit: QuantityUnit::Word,
        better: Better::Neither,
        words: HeadState::WORDS,
        about: "How the two heads compare over the last second: alike; weak, where the top or the bottom fields have 1.4 dB more \
                noise than the others, or a level 2 dB lower; clogged, where they have 12 dB more noise. A dirty or worn head of the \
                player, or of the recorder: another tape tells which. Absent in the first fields.",
        read: |r| {
            r.tracking
                .heads
                .map(|heads| Value::Word(heads.state.word()))
        },
        ..TRACKING
    },
];
