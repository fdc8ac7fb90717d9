//! The ids of the levels. Does not know: how they are measured.

use crate::measures::{Better, Group, Quantity, QuantityUnit, Value};
use crate::units::Percent;

use super::setup;

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
                any black reads its darkest part. Absent without a steady picture.",
        read: |r| r.levels.black.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.peak_ire",
        label: "peak",
        about: "Where white lands: the level that all but the brightest 0.5 % of the picture area lies under, in \
                low-passed luma. 100 IRE is code 235. Camcorders write up to 110 IRE, which codes 236 to 254 can \
                hold up to 108.7; more is cut off and lost. Too high: gain or contrast of the box or device set too high, \
                or automatic gain thrown off by copy protection or a bad sync level. Absent without a steady picture.",
        read: |r| r.levels.peak.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.mean_ire",
        label: "mean level",
        about: "Mean luma of the picture area. It follows the picture; a slow drift that the picture does not explain, or \
                pumping, points to an automatic gain control in the chain. Absent without a steady picture.",
        read: |r| r.levels.mean.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.below_black_pct",
        label: "below black",
        about: "Share of the picture area under code 5, that is more than 5 % under nominal black, in low-passed luma, \
                so that short undershoots do not count. Set-up removed twice, brightness too low, or dark picture \
                parts recorded below black. Absent without a steady picture and with full-range codes, which end at black.",
        read: |r| r.levels.below_black.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.above_peak_pct",
        label: "above peak",
        about: "Share of the picture area over code 246, that is more than 5 % over nominal peak, in low-passed luma, so \
                that short overshoots do not count. Up to 1 % is commonly accepted. Gain too high, or highlights \
                the camera recorded that way. Absent without a steady picture and with full-range codes, which end at peak.",
        read: |r| r.levels.above_peak.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.low_clip_pct",
        label: "black cut off",
        about: "Share of the picture area stuck at the lowest code that this chain delivers, beyond what the neighbouring \
                codes foretell: shadow detail that is gone. The lowest code is learned over the pass, from unfiltered \
                samples. Brightness too low, set-up removed twice, or a full-range picture squeezed by a wrong setting. \
                A synthetic flat black at that code counts too. Absent without a steady picture, and while colour bars are shown.",
        read: |r| r.levels.low_clip.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.high_clip_pct",
        label: "peak cut off",
        about: "Share of the picture area stuck at the highest code that this chain delivers, beyond what the \
                neighbouring codes foretell: highlight detail that is gone. The highest code is learned over the pass, \
                from unfiltered samples. Gain or contrast too high, or a device that stops at code 235. A highlight \
                the camera itself clipped shows noise of the tape and does not count. Absent without a steady picture, and \
                while colour bars are shown.",
        read: |r| r.levels.high_clip.map(area),
        ..AREA
    },
    Quantity {
        id: "levels.spread_ire",
        label: "level spread",
        about: "Distance from the 5th to the 95th percentile of low-passed luma in the picture area: how much of the range \
                the picture uses. Small in fog and in the dark; small all through a tape where gain is too low. \
                Absent without a steady picture.",
        read: |r| r.levels.spread.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.shadow_contrast_ire",
        label: "shadow contrast",
        about: "Mean difference between low-passed luma values 0.3 µs apart on a line, where both are darker than the picture's \
                own 10th percentile. Noise is included: with 1 code of noise even flat black reads some hundredths of an IRE. \
                At 0 the shadows are cut off or were never lit. Absent without a steady picture, and where no two dark \
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
    Quantity {
        id: "levels.flash_ire",
        label: "flash",
        better: Better::NearZero,
        about: "How far a field stands from the fields before and after it, + = brighter, where most of the picture, or a band of \
                24 lines or more, jumps alike for one to four fields; the middle of its blocks. It stands four fields late: \
                the row tells of the field four before it. A cut jumps on one side only and is none. Sync that was disturbed for a \
                moment, a bad splice, an automatic gain that was thrown off, or lightning and a photographer's flash in the picture. \
                Absent beside missing fields, and where another picture was shown for some fields.",
        read: |r| r.levels.flash.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.drift_ire",
        label: "level drift",
        better: Better::Low,
        about: "The most that the levels of one and the same picture have moved within the last eight seconds, looked at every \
                24 fields: of its darker or its brighter half. An automatic gain that hunts, in the box, the device or the camera \
                of the recording; a lamp that is switched, a fade and a cut are left out. Absent where the picture does not stay \
                for a second and a half.",
        read: |r| r.levels.drift.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.setup_state",
        label: "set-up",
        unit: QuantityUnit::Word,
        step: 1.0,
        words: setup::Case::WORDS,
        about: "What became of the set-up of 7.5 IRE that 525-line tapes carry (Japan and 625 lines have none): `correct` where \
                black is at code 16, `raised` where it is too high because the set-up is still there (code 32) or brightness is up, \
                `crushed` where it is too low because the set-up was removed twice, and `unknown` while the picture cannot tell. \
                It takes blanking of the tape in view, black that is cut off, or many scenes with one black; fog alone looks like \
                set-up. Judged over five minutes. Absent without a picture that is locked.",
        read: |r| {
            let setup = r.levels.setup.as_ref()?;
            Some(Value::Word(setup.case.word()))
        },
        ..LEVEL
    },
    Quantity {
        id: "levels.setup_probability",
        label: "set-up, how likely",
        unit: QuantityUnit::Probability,
        step: 0.001,
        about: "Probability of the likeliest of the three cases of the set-up, 0 to 1. From 0.9 on it is stated, if anything but \
                levels speaks for it; else it stays under 0.9. Absent without a picture that is locked.",
        read: |r| {
            let setup = r.levels.setup.as_ref()?;
            Some(Value::Number {
                value: setup.probability.0,
                sigma: None,
            })
        },
        ..LEVEL
    },
    Quantity {
        id: "levels.setup_change_ire",
        label: "black to be moved",
        better: Better::NearZero,
        about: "By how much black should be moved, + = up, once the case of the set-up is stated: by the set-up switch of the box or \
                the device where it is near 7.5 IRE, else by brightness. 1 IRE is 2.19 codes. Black that is cut off says no more \
                than how far it is down by rule. Absent while the case is unknown.",
        read: |r| r.levels.setup.as_ref()?.change.map(Value::from),
        ..LEVEL
    },
    Quantity {
        id: "levels.range_doubt",
        label: "range of codes",
        unit: QuantityUnit::Word,
        step: 1.0,
        words: setup::RangeDoubt::WORDS,
        about: "Whether the codes that occur fit the range that was told: `none` where nothing speaks against it, `looks_full` where \
                16-235 was told and the picture reaches to 0 and to 255, `looks_studio` where 0-255 was told and the picture keeps \
                within 16 and 254, with the tape's blanking or the black of several scenes at 16. Black and peak are read wrong \
                then. Absent without a picture that is locked, and for the first 20 s.",
        read: |r| {
            let setup = r.levels.setup.as_ref()?;
            let word = setup::RangeDoubt::word(setup.range_doubt);
            setup.range_judged.then_some(Value::Word(word))
        },
        ..LEVEL
    },
];
