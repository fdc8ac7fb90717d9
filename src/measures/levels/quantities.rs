//! The ids of the levels. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};
use crate::units::Percent;

/// Areas carry no standard error: they are counted, not estimated.
fn area(share: Percent) -> Value {
    Value::Number {
        value: share.0,
        sigma: None,
    }
}

/// What most levels have in common.
const LEVEL: Quantity = Quantity {
    id: "",
    label: "",
    unit: QuantityUnit::Ire,
    better: Better::Neither,
    group: Group::Levels,
    step: 0.01,
    words: &[],
    about: "",
    read: |_| None,
};

/// What areas have in common.
const AREA: Quantity = Quantity {
    unit: QuantityUnit::Pct,
    better: Better::Low,
    ..LEVEL
};

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "levels.black_ire",
        label: "black",
        about: "Where black lands: the level that the darkest 0.5 % of the picture area lies under, in low-passed luma. \
                0 IRE is code 16. Around 7.5 IRE on 525-line tapes the set-up was not removed (525-line decoder set for \
                no set-up, or the box passes it on); clearly under 0 it was removed twice, or brightness is set too low. \
                Noise pulls the reading down by about 0.3 IRE at 47 dB and 0.9 IRE at 37 dB. A picture without \
                any black reads its darkest part. Absent without a picture.",
        read: |r| r.levels.black.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.peak_ire",
        label: "peak",
        about: "Where white lands: the level that all but the brightest 0.5 % of the picture area lies under, in \
                low-passed luma. 100 IRE is code 235. Camcorders write up to 110 IRE, which codes 236 to 254 can \
                hold up to 108.7; more is cut off and lost. Too high: gain or contrast of the box or device set too high, \
                or automatic gain thrown off by copy protection or a bad sync level. Absent without a picture.",
        read: |r| r.levels.peak.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.mean_ire",
        label: "mean level",
        about: "Mean luma of the picture area. It follows the picture; a slow drift that the picture does not explain, or \
                pumping, points to an automatic gain control in the chain. Absent without a picture.",
        read: |r| r.levels.mean.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.below_black_pct",
        label: "below black",
        about: "Share of the picture area under code 5, that is more than 5 % under nominal black, in low-passed luma, \
                so that short undershoots do not count. Set-up removed twice, brightness too low, or dark picture \
                parts recorded below black. Absent without a picture and with full-range codes, which end at black.",
        read: |r| r.levels.below_black.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.above_peak_pct",
        label: "above peak",
        about: "Share of the picture area over code 246, that is more than 5 % over nominal peak, in low-passed luma, so \
                that short overshoots do not count. Up to 1 % is commonly accepted. Gain too high, or highlights \
                the camera recorded that way. Absent without a picture and with full-range codes, which end at peak.",
        read: |r| r.levels.above_peak.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.low_clip_pct",
        label: "black cut off",
        about: "Share of the picture area stuck at the lowest code that this chain delivers, beyond what the neighbouring \
                codes foretell: shadow detail that is gone. The lowest code is learned over the pass, from unfiltered \
                samples. Brightness too low, set-up removed twice, or a full-range picture squeezed by a wrong setting. \
                A synthetic flat black at that code counts too. Absent without a picture.",
        read: |r| r.levels.low_clip.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.high_clip_pct",
        label: "peak cut off",
        about: "Share of the picture area stuck at the highest code that this chain delivers, beyond what the \
                neighbouring codes foretell: highlight detail that is gone. The highest code is learned over the pass, \
                from unfiltered samples. Gain or contrast too high, or a device that stops at code 235. A highlight \
                the camera itself clipped shows noise of the tape and does not count. Absent without a picture.",
        read: |r| r.levels.high_clip.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.spread_ire",
        label: "level spread",
        about: "Distance from the 5th to the 95th percentile of low-passed luma in the picture area: how much of the range \
                the picture uses. Small in fog and in the dark; small all through a tape where gain is too low. \
                Absent without a picture.",
        read: |r| r.levels.spread.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.shadow_contrast_ire",
        label: "shadow contrast",
        about: "Mean difference between low-passed luma values 0.3 µs apart on a line, where both are darker than the picture's \
                own 10th percentile. Noise is included: with 1 code of noise even flat black reads some hundredths of an IRE. \
                At 0 the shadows are cut off or were never lit. Absent without a picture, and where no two dark \
                places touch.",
        read: |r| r.levels.shadow_contrast.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.parity_ire",
        label: "field difference",
        better: Better::NearZero,
        about: "Mean luma of the top fields minus that of the bottom fields: running median over the last second, each \
                field against the mean of its two neighbours, so fades, flashes and cuts drop out. The two fields are \
                written by two heads: a standing difference is a worn or dirty head, or a box that clamps its fields \
                differently. Absent until five frames were seen without interruption, and without a picture.",
        read: |r| r.levels.parity_difference.map(Value::from),
        ..LEVEL
    },
];
