//! What was injected, told beside the pictures: for tests and for `FILE.truth.jsonl`.
//!
//! In: the simulation's own plan of a field. Out: [`FieldTruth`], one JSON object a field after a [`TruthHeader`].
//!
//! Does not know: what any measure made of it.

use serde::Serialize;

use crate::standard::{Parity, Standard};
use crate::timecode::FieldIndex;
use crate::units::{Hertz, nanos_from_samples};

use super::super::format::FieldOrder;
use super::defects::{Dropout, FieldDefects, Tear};
use super::heads::{Carrier, Heads, LostBand};
use super::kernel::Displacement;
use super::layout::MAX_FIELD_ROWS;

/// The first line of a truth file.
#[derive(Clone, Debug, Serialize)]
pub struct TruthHeader {
    /// Scene.
    pub scene: &'static str,
    /// Seed.
    pub seed: u64,
    /// `525` or `625`.
    pub standard: Standard,
    /// Older field.
    pub field_order: FieldOrder,
    /// Luma samples a row.
    pub width: usize,
    /// Rows of a frame.
    pub rows: usize,
    /// Luma samples a second.
    pub sample_rate: Hertz,
    /// Fields a second, as a fraction.
    pub field_rate: (u32, u32),
    /// Blanking seen at the left and right of an undisplaced row, in samples.
    pub margins: (f64, f64),
    /// Version of the program.
    pub version: &'static str,
}

/// Something that happened in a field.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum TruthEvent {
    /// A streak.
    Dropout(Dropout),
    /// Lines thrown aside.
    Tear(Tear),
    /// The whole field's level jumped.
    Flash {
        /// By so much.
        ire: f64,
    },
    /// The picture is moved down against where it belongs.
    Moved {
        /// By so many field lines.
        lines: f64,
    },
    /// Another picture begins with this field.
    Cut,
    /// An earlier picture is shown again.
    Repeated,
    /// Blocks of an earlier picture stayed.
    FrozenBlocks,
    /// Fields were lost before this one, and the device said so.
    Missing {
        /// How many.
        fields: u64,
    },
    /// Fields were lost before this one, and nothing says so but the picture.
    MissingSilently {
        /// How many.
        fields: u64,
    },
    /// Noise instead of a picture.
    Snow,
    /// A flat picture was put in.
    Muted,
    /// The device says there is no signal.
    NoSignal,
    /// Rows where too little of the track was read: a band of noise and streaks.
    LostBand(LostBand),
    /// The head lies beside the middle of its track.
    OffTrack {
        /// By so many track widths.
        offset: f64,
    },
    /// The head that read this field gives less than the other one.
    WeakHead {
        /// Its carrier against the other's in dB; absent where it is clogged.
        carrier_db: Option<f64>,
        /// Its level against the other's in dB.
        level_db: f64,
    },
}

impl TruthEvent {
    pub(super) fn of_heads(heads: &Heads) -> Self {
        Self::WeakHead {
            carrier_db: Some(heads.carrier.0).filter(|carrier| carrier.is_finite()),
            level_db: heads.level.0,
        }
    }
}

/// Levels as injected.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct TruthLevels {
    /// Where a black picture lands, in IRE on the digital scale.
    pub black_ire: f64,
    /// Where a peak picture lands.
    pub peak_ire: f64,
    /// Where blanking lands, before the chain cuts it off.
    pub blanking_ire: f64,
    /// Luma signal-to-noise ratio, before any box; absent when there is no noise.
    pub noise_luma_db: Option<f64>,
}

/// Everything injected into one field.
#[derive(Clone, Debug, Serialize)]
pub struct FieldTruth {
    /// Place on the time axis, counting fields the source said it lost.
    pub field: FieldIndex,
    /// Which rows.
    pub parity: Parity,
    /// Displacement of every row at mid-line in ns; empty where there is no picture from the tape.
    pub lines: Vec<f64>,
    /// What happened.
    pub events: Vec<TruthEvent>,
    /// Levels.
    pub levels: TruthLevels,
}

/// Room for events, so that none is allocated later.
const MOST_EVENTS: usize = 96;

impl FieldTruth {
    pub(super) fn new(parity: Parity) -> Self {
        Self {
            field: FieldIndex(0),
            parity,
            lines: Vec::with_capacity(MAX_FIELD_ROWS),
            events: Vec::with_capacity(MOST_EVENTS),
            levels: TruthLevels::default(),
        }
    }

    pub(super) fn set_lines(&mut self, rows: &[Displacement], rate: Hertz) {
        let shift =
            |row: &Displacement| nanos_from_samples(crate::units::Samples(row.middle), rate).0;
        self.lines.clear();
        self.lines.extend(rows.iter().map(shift));
    }

    pub(super) fn add_carrier(&mut self, carrier: &Carrier) {
        self.events
            .extend(carrier.lost_bands().map(TruthEvent::LostBand));
        self.events
            .extend(carrier.offset.map(|offset| TruthEvent::OffTrack { offset }));
    }

    pub(super) fn add_defects(&mut self, defects: &FieldDefects) {
        self.events
            .extend(defects.dropouts.iter().copied().map(TruthEvent::Dropout));
        self.events
            .extend(defects.tears.iter().copied().map(TruthEvent::Tear));
        self.events.extend(
            defects
                .flash
                .map(|flash| TruthEvent::Flash { ire: flash.0 }),
        );
        if defects.moved_down != 0.0 {
            self.events.push(TruthEvent::Moved {
                lines: defects.moved_down,
            });
        }
    }
}
