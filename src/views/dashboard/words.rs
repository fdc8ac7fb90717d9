//! Numbers as an operator reads them: a word for how bad, samples or codes first, then nanoseconds.
//!
//! In: values in the units of the readings. Out: a [`Grade`] and a sentence. The steps between words are about what the
//! eye makes of them on a monitor of the usual size (common practice, no source); alarms have their own limits.
//!
//! Does not know: where on the screen a sentence goes.

use crate::limits::{Kind, Severity};
use crate::measures::sync::State;
use crate::record::live::{Shown, Word};
use crate::units::{
    CodeRange, Hertz, Ire, LumaCode, Nanos, Samples, Seconds, samples_from_nanos,
    studio_code_from_ire,
};

use super::palette::Tone;

/// How bad a value is, in four steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Grade {
    /// As it should be.
    Fine,
    /// Seen by who looks for it.
    Slight,
    /// Seen by anyone.
    Marked,
    /// Spoils the picture.
    Bad,
}

impl Grade {
    /// The tone it is drawn in.
    pub(super) fn tone(self) -> Tone {
        match self {
            Self::Fine => Tone::Calm,
            Self::Slight => Tone::Plain,
            Self::Marked => Tone::Look,
            Self::Bad => Tone::Stop,
        }
    }

    /// The symbol that goes with the tone: the more corners, the worse.
    pub(super) fn symbol(self) -> &'static str {
        match self {
            Self::Fine => "●",
            Self::Slight => "◆",
            Self::Marked => "▲",
            Self::Bad => "■",
        }
    }
}

/// Symbol of what is not known.
pub(super) const UNKNOWN: &str = "?";

/// Where a quantity's grades begin, and what they are called.
pub(super) struct Scale {
    /// Badness at which Slight, Marked and Bad begin.
    pub(super) steps: [f64; 3],
    words: [&'static str; 4],
}

impl Scale {
    /// The grade of a badness.
    pub(super) fn grade(&self, badness: f64) -> Grade {
        match self.steps.iter().filter(|&&step| badness >= step).count() {
            0 => Grade::Fine,
            1 => Grade::Slight,
            2 => Grade::Marked,
            _ => Grade::Bad,
        }
    }

    /// What a grade is called.
    pub(super) fn word(&self, grade: Grade) -> &'static str {
        self.words[grade as usize]
    }

    /// A badness as a height from 0 to 1: each grade takes a quarter, the last one up to twice its beginning.
    pub(super) fn height(&self, badness: f64) -> f64 {
        let [slight, marked, bad] = self.steps;
        let bounds = [0.0, slight, marked, bad, 2.0 * bad];
        let quarter = bounds
            .iter()
            .rposition(|&bound| badness >= bound)
            .unwrap_or(0)
            .min(3);
        let (from, to) = (bounds[quarter], bounds[quarter + 1]);
        let within = ((badness - from) / (to - from)).clamp(0.0, 1.0);
        (quarter as f64 + within) / 4.0
    }
}

/// Wobble of the line starts, in samples.
const WOBBLE: Scale = Scale {
    steps: [0.3, 1.0, 3.0],
    words: ["steady", "just visible", "visible", "disturbing"],
};

/// Displacement at the top of the picture, in samples: a smooth bend is seen later than a rough edge.
const BEND: Scale = Scale {
    steps: [1.0, 3.0, 8.0],
    words: ["straight", "just visible", "visible", "disturbing"],
};

/// Distance of black from nominal, in IRE.
const BLACK: Scale = Scale {
    steps: [2.0, 5.0, 10.0],
    words: ["right", "off a bit", "off", "far off"],
};

/// Peak beyond nominal, in IRE; code 254, the last one, is 8.7 over.
const PEAK: Scale = Scale {
    steps: [1.0, 3.0, 6.0],
    words: ["fits", "a bit over", "over", "far over"],
};

/// Steps of the picture's lock; 2 is lost.
const LOCK: Scale = Scale {
    steps: [0.5, 1.0, 2.0],
    words: ["locked", "locked", "unstable", "lost"],
};

/// Fields lost or repeated at once.
const LOSSES: Scale = Scale {
    steps: [0.5, 1.0, 2.0],
    words: ["all here", "all here", "one lost", "several lost"],
};

/// Cast, in percent of 100 % colour: a scene's own light makes some.
const CAST: Scale = Scale {
    steps: [4.0, 8.0, 16.0],
    words: ["neutral", "slight cast", "cast", "strong cast"],
};

/// Weighted luma noise under a ratio of 60 dB: steps at 46, 40 and 34 dB. Good tape of its first generation has 40 to 46 dB (common
/// practice, no source).
const NOISE: Scale = Scale {
    steps: [14.0, 20.0, 26.0],
    words: ["clean", "fine grain", "grainy", "noisy"],
};

/// Detail short of 5 MHz: steps at 2.6, 2.0 and 1.5 MHz, 205, 158 and 118 lines. Domestic tape carries about 3 MHz (common practice, no
/// source).
const DETAIL: Scale = Scale {
    steps: [2.4, 3.0, 3.5],
    words: ["sharp", "a bit soft", "soft", "very soft"],
};

/// The scale a quantity is graded on.
pub(super) fn scale(shown: Shown) -> &'static Scale {
    match shown {
        Shown::LineError => &WOBBLE,
        Shown::Flagging => &BEND,
        Shown::Black => &BLACK,
        Shown::Peak => &PEAK,
        Shown::Sync => &LOCK,
        Shown::Source => &LOSSES,
        Shown::Cast => &CAST,
        Shown::Noise => &NOISE,
        Shown::Detail => &DETAIL,
    }
}

/// How far a value is on the bad side, in the unit of the quantity's scale.
pub(super) fn badness(shown: Shown, value: f64, rate: Option<Hertz>) -> f64 {
    match shown {
        Shown::LineError | Shown::Flagging => in_samples(value, rate).abs(),
        Shown::Black => value.abs(),
        Shown::Peak => (value - 100.0).max(0.0),
        Shown::Noise => (60.0 - value).max(0.0),
        Shown::Detail => (5.0 - value).max(0.0),
        Shown::Sync | Shown::Source | Shown::Cast => value,
    }
}

/// Samples of a time in ns; without a rate, of 13.5 MHz, which is what the steps of the words were chosen at.
pub(super) fn in_samples(ns: f64, rate: Option<Hertz>) -> f64 {
    let Samples(samples) =
        samples_from_nanos(Nanos(ns), rate.unwrap_or(crate::standard::BT601_LUMA_RATE));
    samples
}

/// `0.8 sample (59 ns)`; without a sample rate `59 ns`.
pub(super) fn timing(ns: f64, rate: Option<Hertz>) -> String {
    let Some(_) = rate else {
        return format!("{ns:.0} ns");
    };
    let samples = tidy(in_samples(ns, rate));
    let plural = if samples.trim_start_matches('-') == "1.0" || in_samples(ns, rate).abs() < 1.0 {
        ""
    } else {
        "s"
    };
    format!("{samples} sample{plural} ({ns:.0} ns)")
}

/// One decimal below ten, none above: three digits are read at a glance.
pub(super) fn tidy(value: f64) -> String {
    let rounded = (value * 10.0).round() / 10.0;
    if rounded.abs() >= 10.0 {
        format!("{value:.0}")
    } else {
        // no "-0.0"
        format!("{:.1}", rounded + 0.0)
    }
}

/// `6.9 IRE, code 31; 16 wanted`.
pub(super) fn level(ire: f64, wanted: &str) -> String {
    let code = studio_code_from_ire(Ire(ire)).0;
    format!("{} IRE, code {code:.0}; {wanted}", tidy(ire))
}

/// The code a level has in the source's own range.
pub(super) fn source_code(level: Ire, range: CodeRange) -> f64 {
    let (LumaCode(black), LumaCode(peak)) = range.black_and_peak();
    black + (peak - black) / 100.0 * level.0
}

/// A picture state in words.
pub(super) fn state(state: State) -> &'static str {
    match state {
        State::Locked => "locked",
        State::Unstable => "unstable",
        State::Lost => "lost",
        State::Snow => "snow",
        State::Muted => "flat inserted picture",
        State::NoSignal => "no signal",
    }
}

/// `1:02:45`.
pub(super) fn clock(time: Seconds) -> String {
    let whole = time.0.max(0.0) as u64;
    format!("{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
}

/// The tone and symbol of the strip's word.
pub(super) fn word(word: Word) -> (Tone, &'static str) {
    match word {
        Word::Good => (Tone::Calm, "●"),
        Word::Unsure => (Tone::Unsure, UNKNOWN),
        Word::Look => (Tone::Look, "▲"),
        Word::Stop => (Tone::Stop, "■"),
    }
}

/// The tone and symbol of an event.
pub(super) fn severity(severity: Severity, going_on: bool) -> (Tone, &'static str) {
    match (severity, going_on) {
        (Severity::Alarm, true) => (Tone::Stop, "■"),
        (Severity::Alarm, false) => (Tone::Stop, "□"),
        (Severity::Notice, true) => (Tone::Look, "▲"),
        (Severity::Notice, false) => (Tone::Plain, "△"),
    }
}

/// An event's kind in words.
pub(super) fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Wobble => "wobble",
        Kind::Flagging => "flagging",
        Kind::Tear => "tear",
        Kind::HeadSwitch => "head switch",
        Kind::LockLost => "lock lost",
        Kind::Roll => "roll",
        Kind::Bounce => "bounce",
        Kind::NoSignal => "no signal",
        Kind::Snow => "snow",
        Kind::Muted => "muted",
        Kind::Repeated => "repeated",
        Kind::PatchFrozen => "frozen part",
        Kind::Missing => "missing",
        Kind::BlackLow => "black low",
        Kind::BlackHigh => "black high",
        Kind::PeakHigh => "peak high",
        Kind::Clipping => "clipping",
        Kind::Flash => "flash",
        Kind::LevelDrift => "level drift",
        Kind::ColourLoss => "colour loss",
        Kind::Monochrome => "no colour",
        Kind::Interference => "interference",
        Kind::ColourBars => "colour bars",
        Kind::DropoutBurst => "dropouts",
        Kind::Tracking => "tracking",
        Kind::HeadFault => "head fault",
        Kind::Worsening => "worsening",
        Kind::RecordingStart => "recording",
        Kind::TapeEnd => "tape end",
        Kind::FieldOrderChanged => "field order",
        Kind::StandardChanged => "standard",
        Kind::ControlChanged => "control",
        Kind::SourceLost => "source lost",
        Kind::Overrun => "overrun",
        Kind::Reduced => "reduced",
        Kind::NotStored => "not stored",
        Kind::Mark => "mark",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: Option<Hertz> = Some(Hertz(13.5e6));

    #[test]
    fn timing_is_said_in_samples_then_ns() {
        assert_eq!(timing(59.26, RATE), "0.8 sample (59 ns)");
        assert_eq!(timing(911.0, RATE), "12 samples (911 ns)");
        assert_eq!(timing(-222.2, RATE), "-3.0 samples (-222 ns)");
        assert_eq!(timing(59.26, None), "59 ns");
    }

    #[test]
    fn levels_are_said_in_ire_and_code() {
        assert_eq!(level(6.9, "16 wanted"), "6.9 IRE, code 31; 16 wanted");
        assert_eq!(level(-0.01, "16 wanted"), "0.0 IRE, code 16; 16 wanted");
        assert_eq!(
            level(100.0, "235 at most"),
            "100 IRE, code 235; 235 at most"
        );
    }

    #[test]
    fn grades_follow_the_steps_and_heights_grow_with_badness() {
        for shown in Shown::ALL {
            let scale = scale(shown);
            assert!(scale.steps.is_sorted());
            assert_eq!(scale.grade(0.0), Grade::Fine);
            assert_eq!(scale.grade(scale.steps[2]), Grade::Bad);
            let heights: Vec<f64> = (0..200).map(|i| scale.height(f64::from(i) * 0.1)).collect();
            assert!(heights.is_sorted(), "{heights:?}");
            assert!(heights.iter().all(|height| (0.0..=1.0).contains(height)));
        }
    }

    #[test]
    fn a_wobble_of_59_ns_is_just_visible() {
        let badness = badness(Shown::LineError, 59.26, RATE);
        let grade = scale(Shown::LineError).grade(badness);
        assert_eq!(scale(Shown::LineError).word(grade), "just visible");
        assert_eq!(grade.symbol(), "◆");
    }

    #[test]
    fn a_peak_below_nominal_is_no_fault() {
        assert_eq!(badness(Shown::Peak, 70.0, RATE), 0.0);
        assert_eq!(badness(Shown::Black, -3.0, RATE), 3.0);
    }

    #[test]
    fn times_read_as_people_say_them() {
        assert_eq!(clock(Seconds(3765.9)), "1:02:45");
    }
}
