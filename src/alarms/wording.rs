//! The sentence of an event: what, how much at worst, where; as a person would say it.

use super::event::{Event, field_period};
use crate::limits::{Kind, Limit};
use crate::measures::dropouts::Streak;
use crate::measures::tracking::{Band, HeadState, Heads};
use crate::measures::{Readings, bars};
use crate::timecode::Timecode;
use crate::units::{
    Decibels, Estimate, Hertz, Ire, Nanos, samples_from_nanos, studio_code_from_ire,
};

/// Kinds whose quantity is a difference of levels, so that no code stands for it.
fn is_difference(kind: Kind) -> bool {
    matches!(kind, Kind::Flash | Kind::LevelDrift)
}

/// The limit on losses that nobody tells of but the picture.
pub(super) const UNNOTICED: &str = "missing_unnoticed";

/// How large an event is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Size {
    /// Worst value, or how many fields in all.
    pub(super) value: f64,
    /// Where the worst value stands.
    pub(super) at: Timecode,
    /// Runs of fields.
    pub(super) incidents: u32,
    /// Settled value, for quantities judged against it.
    pub(super) usual: Option<f64>,
    /// To give times in samples too.
    pub(super) sample_rate: Option<Hertz>,
    /// Colour bars seen last, of events about them.
    pub(super) bars: Option<bars::Found>,
    /// What was seen, of other events whose notes tell more than a number.
    pub(super) detail: Option<Detail>,
}

/// What an event's note tells besides a number.
#[derive(Clone, Copy, Debug)]
pub(super) enum Detail {
    /// The longest streak.
    Streak(Streak),
    /// A band of noise.
    Band(Band),
    /// How the heads compare.
    Heads(Heads),
}

impl Detail {
    /// What a field shows of it.
    pub(super) fn of(kind: Kind, readings: &Readings) -> Option<Self> {
        match kind {
            Kind::DropoutBurst => readings.dropouts.longest.map(Self::Streak),
            Kind::Tracking => readings.tracking.band.map(Self::Band),
            Kind::HeadFault => readings.tracking.heads.map(Self::Heads),
            _ => None,
        }
    }

    /// Which of two is told: the longer streak, the higher band; of others the later one.
    pub(super) fn over(before: Option<Self>, now: Option<Self>) -> Option<Self> {
        match (before, now) {
            (Some(Self::Streak(old)), Some(Self::Streak(new))) if old.samples >= new.samples => {
                before
            }
            (Some(Self::Band(old)), Some(Self::Band(new))) if old.lines >= new.lines => before,
            (before, now) => now.or(before),
        }
    }

    /// After the sentence about the number.
    fn words(&self) -> String {
        match self {
            Self::Heads(_) => String::new(),
            Self::Streak(streak) => format!(
                "; the longest {:.0} µs, on line {} from sample {}",
                streak.length.0, streak.row, streak.sample
            ),
            Self::Band(band) => format!("; the highest from line {}", band.row),
        }
    }
}

/// The sentence; in the past tense once the event has an end.
pub(super) fn sentence(limit: &Limit, event: &Event, size: &Size) -> String {
    if let Some(counted) = counted(limit, size, event) {
        return counted;
    }
    let (now, was) = verbs(limit);
    let amount = amount(limit, size.value, size.sample_rate);
    let beside = beside(limit, size.usual);
    let over = event.end.is_some();
    if let Some(found) = &size.bars {
        return bars_sentence(found, over);
    }
    if let Some(Detail::Heads(heads)) = &size.detail {
        return heads_sentence(heads, over);
    }
    let detail = size.detail.as_ref().map_or(String::new(), Detail::words);
    let Some(end) = event.end else {
        return match amount {
            Some(amount) => format!("{now}: {amount}{beside}{detail}."),
            None => format!("{now}."),
        };
    };
    let period = field_period(event.start_timecode.counting());
    let lasted = duration((end.seconds - event.start.seconds + period).0);
    match amount {
        Some(amount) => format!(
            "{was} for {lasted}, worst {amount} at {}{beside}{detail}.",
            size.at
        ),
        None => format!("{was} for {lasted}."),
    }
}

/// Colour bars and what is wrong with each of them.
fn bars_sentence(found: &bars::Found, over: bool) -> String {
    let verb = if over { "were" } else { "are" };
    let each = bars::COLOURS.iter().zip(&found.bars).map(|(name, bar)| {
        format!(
            "{name} {:+.1} IRE {:+.1} % {:+.1}°",
            bar.luma.value.0, bar.saturation.value.0, bar.hue.value.0
        )
    });
    let each: Vec<String> = each.collect();
    let black = found.black.map_or(String::new(), |black| {
        format!(", black {:+.1} IRE", black.value.0)
    });
    format!(
        "Colour bars {verb} shown ({}): saturation {:+.1} %, hue {:+.1}°; white {:+.1} IRE{black}, {}.",
        found.kind.name(),
        found.saturation().value.0,
        found.hue().value.0,
        found.white.value.0,
        each.join(", ")
    )
}

/// Which head, and by how much it falls short.
fn heads_sentence(heads: &Heads, over: bool) -> String {
    let verb = if over { "gave" } else { "gives" };
    let (fields, clogged) = match heads.state {
        HeadState::TopWeak => ("top", false),
        HeadState::BottomWeak => ("bottom", false),
        HeadState::TopClogged => ("top", true),
        HeadState::BottomClogged => ("bottom", true),
        HeadState::Alike => return String::from("The heads are alike again."),
    };
    let by = |found: Option<Estimate<Decibels>>| found.map_or(0.0, |found| found.value.0.abs());
    let (noise, level) = (by(heads.noise), by(heads.level));
    if clogged {
        format!(
            "The head of the {fields} fields {verb} nothing but noise: {noise:.0} dB more than the other."
        )
    } else {
        format!(
            "The head of the {fields} fields {verb} less than the other: {noise:.1} dB more noise, levels differ by {level:.1} dB."
        )
    }
}

/// A time in samples where the rate is known, and in nanoseconds.
pub(crate) fn time(ns: f64, rate: Option<Hertz>) -> String {
    let Some(rate) = rate else {
        return format!("{ns:.0} ns");
    };
    let samples = samples_from_nanos(Nanos(ns), rate).0;
    let word = if samples.abs() < 1.05 {
        "sample"
    } else {
        "samples"
    };
    format!("{samples:.1} {word} ({ns:.0} ns)")
}

/// A level in IRE and as the code it has on the studio scale.
pub(crate) fn level(ire: f64) -> String {
    format!(
        "{ire:.1} IRE (code {:.0})",
        studio_code_from_ire(Ire(ire)).0
    )
}

/// A duration, as finely as it matters.
pub(crate) fn duration(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round() as u64;
    match seconds {
        s if s < 9.95 => format!("{s:.1} s"),
        s if s < 119.5 => format!("{s:.0} s"),
        s if s < 5_970.0 => format!("{minutes} min"),
        _ => format!("{} h {:02} min", minutes / 60, minutes % 60),
    }
}

fn counted(limit: &Limit, size: &Size, event: &Event) -> Option<String> {
    let fields = if size.value == 1.0 {
        String::from("1 field")
    } else {
        format!("{:.0} fields", size.value)
    };
    let is = if size.value == 1.0 { "is" } else { "are" };
    let spread = match (size.incidents, event.end) {
        (2.., Some(end)) => {
            let seconds = (end.seconds - event.start.seconds).0;
            format!(" in {} places within {}", size.incidents, duration(seconds))
        }
        (2.., None) => format!(" in {} places", size.incidents),
        _ => String::new(),
    };
    match limit.kind {
        Kind::Missing if limit.id == UNNOTICED => Some(format!(
            "About {fields} {is} missing{spread} that the device did not count: the picture jumps ahead."
        )),
        Kind::Repeated => Some(
            format!("{fields}{spread} only repeat an earlier picture.")
                .replace("1 field only repeat", "1 field only repeats"),
        ),
        Kind::Missing => Some(format!("{fields} {is} missing{spread}.")),
        Kind::Overrun => Some(format!(
            "{fields} {is} missing{spread}: they arrived, but this computer was too slow."
        )),
        _ => None,
    }
}

/// How a kind is said while it goes on, and afterwards.
fn verbs(limit: &Limit) -> (&'static str, &'static str) {
    match limit.kind {
        Kind::Wobble => ("Line starts wobble", "Line starts wobbled"),
        Kind::Flagging => (
            "The top of the picture is bent",
            "The top of the picture was bent",
        ),
        Kind::Tear => ("Lines are torn", "Lines were torn"),
        Kind::HeadSwitch if limit.id == "head_switch" => (
            "The spoiled zone at the bottom has grown",
            "The spoiled zone at the bottom was larger",
        ),
        Kind::HeadSwitch => (
            "The head switch has moved",
            "The head switch stood elsewhere",
        ),
        Kind::LockLost => ("The picture has lost lock", "The picture had lost lock"),
        Kind::Roll => ("The picture rolls", "The picture rolled"),
        Kind::Bounce => (
            "The picture bounces up and down",
            "The picture bounced up and down",
        ),
        Kind::PatchFrozen => (
            "Parts of the picture stand still while the rest goes on",
            "Parts of the picture stood still while the rest went on",
        ),
        Kind::NoSignal => (
            "The device reports no signal",
            "The device reported no signal",
        ),
        Kind::Snow => (
            "There is noise and no picture",
            "There was noise and no picture",
        ),
        Kind::Muted => (
            "The chain shows a flat picture of its own",
            "The chain showed a flat picture of its own",
        ),
        Kind::BlackLow => ("Black is too low", "Black was too low"),
        Kind::BlackHigh => (
            "Black is too high: set-up left in, or a picture without black",
            "Black was too high, from set-up left in or a picture without black,",
        ),
        Kind::PeakHigh => ("Peaks are too high", "Peaks were too high"),
        Kind::Clipping if limit.id == "clipping_low" => {
            ("Dark parts are cut off", "Dark parts were cut off")
        }
        Kind::Clipping => ("Bright parts are cut off", "Bright parts were cut off"),
        Kind::Flash => (
            "The level of the picture jumped for a moment",
            "The level of the picture jumped for a moment",
        ),
        Kind::LevelDrift => (
            "Levels drift within one picture",
            "Levels drifted within one picture",
        ),
        Kind::ColourLoss if limit.id == "colour_loss" => (
            "The colour is gone, and its noise with it, as when a colour killer acts",
            "The colour was gone",
        ),
        Kind::ColourLoss => (
            "Nothing in colour has been seen for 20 s, in a recording that had colour",
            "Nothing in colour was seen",
        ),
        Kind::Interference if limit.id == "interference_hum" => (
            "A bar of mains hum rolls through the picture",
            "A bar of mains hum rolled through the picture",
        ),
        Kind::Interference => (
            "One frequency lies over the whole picture: fine stripes from a supply, a transmitter or a bad screen",
            "One frequency lay over the whole picture",
        ),
        Kind::Monochrome => (
            "No colour so far: a black-and-white recording, S-Video with its chroma wire off, or player and device set to \
             different colour standards",
            "No colour was seen (a black-and-white recording, a chroma wire that is off, or different colour standards)",
        ),
        Kind::ColourBars => ("Colour bars are shown", "Colour bars were shown"),
        Kind::DropoutBurst => (
            "Streaks of lost signal",
            "There were streaks of lost signal",
        ),
        Kind::Tracking => (
            "A band of noise lies across the picture",
            "A band of noise lay across the picture",
        ),
        Kind::HeadFault => (
            "One head gives less than the other",
            "One head gave less than the other",
        ),
        Kind::Worsening if limit.id == "worsening_dropouts" => (
            "Dropouts have become more over the last minutes",
            "Dropouts were more than at first",
        ),
        Kind::Worsening => (
            "Noise has grown over the last minutes",
            "Noise was more than at first",
        ),
        other => (other.word(), other.word()),
    }
}

/// What a value is held against: `; code 16 wanted`, `; line 237 is usual`, or nothing.
fn beside(limit: &Limit, usual: Option<f64>) -> String {
    let unit = limit.threshold().map_or("", |threshold| threshold.unit);
    match (limit.kind, unit, usual) {
        (Kind::BlackLow | Kind::BlackHigh, ..) => String::from("; code 16 wanted"),
        (Kind::PeakHigh, ..) => String::from("; code 235 wanted"),
        (Kind::Worsening, _, Some(best)) => format!("; {best:.1} at best"),
        (Kind::HeadSwitch, "lines", Some(usual)) => format!("; {usual:.0} is usual"),
        (Kind::HeadSwitch, _, Some(usual)) => format!("; line {usual:.0} is usual"),
        _ => String::new(),
    }
}

/// A value of a limit's quantity as it is said; `None` for limits about words.
pub(crate) fn amount(limit: &Limit, value: f64, rate: Option<Hertz>) -> Option<String> {
    let threshold = limit.threshold()?;
    Some(match (limit.kind, threshold.unit) {
        (Kind::Roll, _) => format!("{value:.0} lines a field"),
        (Kind::Bounce, _) => format!("{value:.1} lines"),
        (Kind::HeadSwitch, "") => format!("line {value:.0}"),
        (Kind::DropoutBurst, _) => format!("{value:.0} in a field"),
        (Kind::Worsening, "") => format!("{value:.1} a field"),
        (Kind::Worsening, unit) => format!("{value:.1} {unit}"),
        (_, "ns") => time(value, rate),
        (kind, "IRE") if is_difference(kind) => format!("{value:.1} IRE"),
        (_, "IRE") => level(value),
        (_, "%") => format!("{value:.1} % of the picture"),
        (_, unit) => format!("{value:.0} {unit}"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_given_in_samples_first_where_the_rate_is_known() {
        assert_eq!(time(410.0, Some(Hertz(13.5e6))), "5.5 samples (410 ns)");
        assert_eq!(time(52.0, Some(Hertz(13.5e6))), "0.7 sample (52 ns)");
        assert_eq!(time(-52.0, None), "-52 ns");
    }

    #[test]
    fn levels_are_given_as_codes_too() {
        assert_eq!(level(7.5), "7.5 IRE (code 32)");
        assert_eq!(level(-4.0), "-4.0 IRE (code 7)");
    }

    #[test]
    fn durations_are_as_fine_as_it_matters() {
        assert_eq!(duration(0.34), "0.3 s");
        assert_eq!(duration(73.2), "73 s");
        assert_eq!(duration(1234.0), "21 min");
        assert_eq!(duration(6.0 * 3600.0 + 70.0), "6 h 01 min");
    }
}
