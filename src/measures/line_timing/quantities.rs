//! The quantities of line timing, as everything downstream sees them.
//!
//! Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Readings, Value};
use crate::units::{Estimate, Nanos};

use super::{Basis, Border, StaticError};

/// A time of this measure that is better the smaller it is.
const fn time(
    id: &'static str,
    label: &'static str,
    better: Better,
    about: &'static str,
    read: fn(&Readings) -> Option<Value>,
) -> Quantity {
    Quantity {
        id,
        label,
        unit: QuantityUnit::Ns,
        better,
        group: Group::Steadiness,
        step: 0.1,
        words: &[],
        about,
        read,
    }
}

const fn word(
    id: &'static str,
    label: &'static str,
    words: &'static [&'static str],
    about: &'static str,
    read: fn(&Readings) -> Option<Value>,
) -> Quantity {
    Quantity {
        id,
        label,
        unit: QuantityUnit::Word,
        better: Better::Neither,
        group: Group::Steadiness,
        step: 1.0,
        words,
        about,
        read,
    }
}

fn number(estimate: Option<Estimate<Nanos>>) -> Option<Value> {
    estimate.map(Value::from)
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    word(
        "line_timing.basis",
        "timing basis",
        &["edge", "content", "none"],
        "What the timing of the lines was read from: the blanking edges at the sides of the picture (edge), the wobble in \
         the picture itself against the last fields of the scene (content), or nothing (none). Content is read where the \
         border is cropped, was put there by the chain, or is dark: it shows how lines change from field to field, not an \
         error that stands still, changes slower than about one a second, or a shift or slant of the whole field. None means \
         that no other timing figure is given: no picture, too dark or plain a picture, a scene that has just begun, or a \
         raster that was scaled or deinterlaced. To have edges, capture the full width (720 samples at 13.5 MHz) and switch \
         cropping and masking off.",
        |r| {
            Some(Value::Word(match r.line_timing.basis {
                Basis::Edge => "edge",
                Basis::Content => "content",
                Basis::None => "none",
            }))
        },
    ),
    word(
        "line_timing.border",
        "border",
        &["tape", "regenerated", "absent"],
        "What stands at the sides of the picture. Tape: a blanking edge that moves with the lines, so it tells their \
         timing. Regenerated: a straight border that a box or the capture device put there after the fact; it is noiseless \
         or always on the same sample, or stays where it is while the picture beside it moves, and says nothing of the lines. \
         Absent: the picture reaches the sides. Without a border of the tape's, timing is read from the picture.",
        |r| {
            Some(Value::Word(match r.line_timing.border {
                Border::Tape => "tape",
                Border::Regenerated => "regenerated",
                Border::Absent => "absent",
            }))
        },
    ),
    word(
        "line_timing.static",
        "static error",
        &["included", "removed", "unknown"],
        "What became of a line error that every field repeats, such as a bend at the top that stands still. The blanking \
         edges show it (included); so does the picture, where edges were seen for long enough before to learn it from them. \
         The picture alone cannot tell it from what the scene shows (unknown): such an error may be there, and is in no \
         figure. No reading takes it out at present (removed).",
        |r| {
            Some(Value::Word(match r.line_timing.static_error {
                StaticError::Included => "included",
                StaticError::Removed => "removed",
                StaticError::Unknown => "unknown",
            }))
        },
    ),
    Quantity {
        id: "line_timing.coverage_ratio",
        label: "lines read",
        unit: QuantityUnit::Ratio,
        better: Better::High,
        group: Group::Steadiness,
        step: 0.001,
        words: &[],
        about: "Share of picture lines whose timing could be read to a quarter of a sample (one standard error) or better, \
                from their edges or from the picture. At the edges, dark scenes, dropouts and lines that leave the raster \
                lower it; in the picture, lines without upright detail (sky, walls), fields after a cut, noise, and a camera \
                that moves up or down. Below 0.3 no timing figures are given.",
        read: |r| {
            r.line_timing.coverage.map(|share| Value::Number {
                value: share.0,
                sigma: None,
            })
        },
    },
    time(
        "line_timing.error_rms_ns",
        "line error",
        Better::Low,
        "How unevenly the lines of a field stand: rms of their displacement about a straight line, over picture lines, \
         without the noise of the reading itself. One sample of 13.5 MHz is 74 ns; a tenth is hard to see, half a sample is \
         visible on vertical edges. Caused by the player's mechanics and by weak signal, and removed by a time-base \
         corrector or a pass-through box that has a line memory. Try: cleaning heads and tape path, tracking, another player, a \
         box with line correction. Absent below 30 % of lines read, or over a gap of more than 40 lines.",
        |r| number(r.line_timing.error_rms),
    ),
    time(
        "line_timing.error_sigma_ns",
        "line error ±",
        Better::Neither,
        "Standard error of the line error of this field: from the noise of the edges or the picture, and the lines that were \
         not read. Noise, dark sides, little detail and few lines raise it; it says nothing about the tape's timing.",
        |r| {
            let sigma = r.line_timing.error_rms?.sigma.0;
            Some(Value::Number {
                value: sigma,
                sigma: None,
            })
        },
    ),
    time(
        "line_timing.error_pp_ns",
        "line error, spread",
        Better::Low,
        "Spread of the line error within a field: from its 2.5 % to its 97.5 % point, each line drawn in by its own \
         uncertainty. For even jitter about four times the rms; much more means a few lines far out: look at flagging, \
         tears and the head switch.",
        |r| number(r.line_timing.error_pp),
    ),
    time(
        "line_timing.jitter_rms_ns",
        "line jitter",
        Better::Low,
        "The rough part of the line error: what changes within about 20 field lines (half of a wave of 20 lines counts). \
         Vertical edges look frayed and fine detail is lost. Usual causes: weak or noisy sync, a worn tape, a box or decoder \
         that follows noise. Try: tracking, head cleaning, a player with a line time-base corrector.",
        |r| number(r.line_timing.jitter_rms),
    ),
    time(
        "line_timing.waving_rms_ns",
        "waving",
        Better::Low,
        "The smooth part of the line error: waves longer than about 20 field lines. Vertical edges look bent. Usual \
         causes: drum eccentricity, tape tension, stretched tape. Try: another player, tension and guides, a box with line \
         correction.",
        |r| number(r.line_timing.waving_rms),
    ),
    time(
        "line_timing.left_rms_ns",
        "line error, left",
        Better::Low,
        "The line error at the left side of the picture: at its blanking edge or, by content, over its left third, where that \
         shows enough by itself. A box that locks each line by its sync holds this side and may not hold the right one: \
         compare both.",
        |r| number(r.line_timing.left_rms),
    ),
    time(
        "line_timing.right_rms_ns",
        "line error, right",
        Better::Low,
        "The line error at the right side of the picture: at its blanking edge or, by content, over its right third. Larger \
         than at the left: the speed changes within the line, and the box corrects where a line starts but not how long it is.",
        |r| number(r.line_timing.right_rms),
    ),
    time(
        "line_timing.length_rms_ns",
        "line length error",
        Better::Low,
        "How unevenly long the lines are: rms of right displacement less left displacement, between the blanking edges or, by \
         content, between the middles of the outer thirds of the picture, which are two thirds as far apart and show as much \
         less. Speed errors of the tape within a line; only correctors that measure both ends of a line take it out.",
        |r| number(r.line_timing.length_rms),
    ),
    Quantity {
        id: "line_timing.wave_period_lines",
        label: "wave period",
        unit: QuantityUnit::Lines,
        better: Better::Neither,
        group: Group::Steadiness,
        step: 0.1,
        words: &[],
        about: "Period of the strongest wave down the field, in field lines, where one stands far above the rest of the \
                error. A steady period points to something that turns or resonates: drum, guides, tape against the head. Absent \
                where nothing stands out.",
        read: |r| r.line_timing.wave_period.map(Value::from),
    },
    time(
        "line_timing.slant_ns",
        "slant",
        Better::NearZero,
        "The straight line that was taken out of the line error, from first to last picture line; positive = the bottom \
         stands further right. A steady slant comes from a small constant speed difference, or a decoder that drifts over the \
         field. By content, a slant cannot be told from a camera that turns, and is left out.",
        |r| number(r.line_timing.slant),
    ),
    time(
        "line_timing.field_shift_ns",
        "field shift",
        Better::NearZero,
        "The field's median position against the running mean of its parity over the last second; positive = to the right. \
         Large values make the whole picture jump sideways: unstable sync, or a switch of source. By blanking edges only, \
         and absent by content: the picture itself cannot tell it from a camera that pans.",
        |r| number(r.line_timing.field_shift),
    ),
];
