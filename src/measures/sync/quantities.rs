//! The ids of sync. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};

use super::State;

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "sync.state",
        label: "sync",
        unit: QuantityUnit::Word,
        better: Better::Neither,
        group: Group::Continuity,
        step: 1.0,
        words: State::WORDS,
        about: "locked: a steady picture. unstable: the picture jumped within the last half second, or the device says it \
                is not locked. lost: rolling, or lines slipping so that no field shows what the one before did. snow: noise without a picture (blank tape, tape end, no tape). muted: a flat \
                picture, of whatever colour, that the player, the box or the device put in. no_signal: the device says \
                so. A fade to black on tape is no mute: its noise is still there, unless the chain cuts black off so hard \
                that none is left and the tape has no colour noise.",
        read: |r| Some(Value::Word(r.sync.state.word())),
    },
    Quantity {
        id: "sync.vertical_shift_lines",
        label: "vertical shift",
        unit: QuantityUnit::Lines,
        better: Better::NearZero,
        group: Group::Continuity,
        step: 0.01,
        words: &[],
        about: "How far the picture moved against the field before, in field lines, + = down, from five bands across the \
                picture. Camera tilts are in it: they are smooth and last, a jump of the signal lasts one field. Jumps come \
                from bad edits, damaged control track, worn tape at the head switch. Absent across cuts and losses, in \
                pictures without horizontal detail, for moves over 32 lines, without a picture.",
        read: |r| r.sync.vertical_shift.map(Value::from),
    },
    Quantity {
        id: "sync.vertical_jitter_lines",
        label: "vertical bounce",
        unit: QuantityUnit::Lines,
        better: Better::Low,
        group: Group::Continuity,
        step: 0.01,
        words: &[],
        about: "Up-and-down bounce over the last second, rms, in field lines; motion slower than about 5 Hz is taken for the \
                camera's and left out, and so is what alternates with the fields. A shaken camera is in it. Without one: a \
                box that finds the vertical sync anew in each field, or a worn transport. Absent until half a second was seen \
                without a cut.",
        read: |r| r.sync.vertical_jitter.map(Value::from),
    },
    Quantity {
        id: "sync.missing_fields",
        label: "fields lost",
        unit: QuantityUnit::Count,
        better: Better::Low,
        group: Group::Continuity,
        step: 1.0,
        words: &[],
        about: "Fields lost right before this one, by the source's own count or clock, and by this program where it was too \
                slow. Usual causes: a bus or disk that cannot keep up, a device that drops what it cannot lock to.",
        read: |r| Some(Value::Count(r.sync.missing_fields)),
    },
    Quantity {
        id: "sync.repeated",
        label: "repeated",
        unit: QuantityUnit::Switch,
        better: Better::Low,
        group: Group::Continuity,
        step: 1.0,
        words: &[],
        about: "1 where the field shows the earlier field of its parity again: to the bit, to one code, or with fresh \
                noise of a converter far under the tape's. A frame synchroniser or the device filled in for a missing \
                picture, or a box froze. Says nothing before a fifth of a second was seen live; flat pictures never count. Pictures that \
                were repeated on purpose (film at 24 or 25 frames in a digital file) do count.",
        read: |r| Some(Value::Count(u64::from(r.sync.repeated))),
    },
    Quantity {
        id: "sync.frozen_pct",
        label: "frozen patches",
        unit: QuantityUnit::Pct,
        better: Better::Low,
        group: Group::Continuity,
        step: 0.01,
        words: &[],
        about: "Share of the picture that shows an earlier picture while the rest goes on: pieces in which even the noise stands \
                still. A box or player with a digital memory fills in so for what it could not read. Absent where the tape's noise \
                is under 0.8 code, where a whole field is repeated, and before a fifth of a second was seen live.",
        read: |r| {
            r.sync.frozen.map(|share| Value::Number {
                value: share.0,
                sigma: None,
            })
        },
    },
    Quantity {
        id: "sync.slip_ms",
        label: "slip",
        unit: QuantityUnit::Ms,
        better: Better::NearZero,
        group: Group::Continuity,
        step: 0.01,
        words: &[],
        about: "Running sum of pictures lost minus pictures inserted, as time: how far sound recorded beside the picture is \
                off by now; + = picture ahead. A repeated picture counts as inserted, once it is over, if the motion then goes on \
                where it stopped; if it has gone on meanwhile the repeat stood in for a lost picture and takes no time. \
                Repeats without motion to judge by, and losses that only the picture shows, do not count. Absent for rasters without a field rate.",
        read: |r| {
            r.sync.slip.map(|slip| Value::Number {
                value: slip.0,
                sigma: None,
            })
        },
    },
];
