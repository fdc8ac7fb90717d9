//! What speaks against a clean pass: losses, slip, and the events of each kind, each as a sentence with a weight.
//!
//! Does not know: what a group's word becomes of it.

use super::grounds::Grounds;
use super::{Reason, Remedy, SLIP, Verdict};
use crate::alarms::Event;
use crate::alarms::wording::{amount, duration};
use crate::limits::{Kind, Severity, Side};
use crate::measures::levels::setup::{Case, RangeDoubt};
use crate::measures::{Group, quantity};
use crate::record::advice::{self, Advice};
use crate::timecode::{Counting, Timecode};

/// Something that speaks against a clean pass.
pub(super) struct Finding {
    pub(super) group: Group,
    pub(super) verdict: Verdict,
    /// Orders findings of one verdict; larger matters more.
    pub(super) weight: f64,
    pub(super) remedy: Remedy,
    pub(super) sentence: String,
}

impl Finding {
    pub(super) fn into_reason(self) -> Reason {
        Reason {
            group: Some(self.group),
            verdict: self.verdict,
            remedy: self.remedy,
            sentence: self.sentence,
        }
    }
}

/// Weight of what is gone for good: before any share of programme.
const GONE: f64 = 2.0;
/// Weight of sound that is off: after losses, before any share of programme.
const OFF: f64 = 1.5;

pub(super) fn losses(grounds: Grounds<'_>) -> Option<Finding> {
    // Those that only the picture tells of are in no reading's count, but they are in what events cover.
    let told = (grounds.covered)(Kind::Missing) + (grounds.covered)(Kind::Overrun);
    let lost = grounds.figures.lost_fields().max(told);
    if lost == 0 {
        return None;
    }
    let seconds = programme_seconds(grounds);
    let numbers = &grounds.limits.numbers;
    let allowed = numbers
        .losses_floor_fields
        .max(numbers.losses_per_10_min * seconds / 600.0);
    let places = places(grounds, &[Kind::Missing, Kind::Overrun]);
    let fields = if lost == 1 { "field is" } else { "fields are" };
    let what = format!("{lost} {fields} missing in {}", duration(seconds));
    let (verdict, sentence) = if lost as f64 > allowed {
        (Verdict::Unfit, format!("{what}, {places}."))
    } else {
        (Verdict::Usable, format!("{what}: play again {places}."))
    };
    Some(Finding {
        group: Group::Continuity,
        verdict,
        weight: GONE,
        remedy: Remedy::PlayAgain,
        sentence,
    })
}

pub(super) fn slip(grounds: Grounds<'_>) -> Option<Finding> {
    let worst = grounds.figures.worst(SLIP)?;
    let limit = grounds.limits.numbers.slip_ms;
    (worst.value.abs() > limit).then(|| Finding {
        group: Group::Continuity,
        verdict: Verdict::Unfit,
        weight: OFF,
        remedy: Remedy::PlayAgain,
        sentence: format!(
            "Sound recorded beside it is off by up to {:.0} ms, as at {}.",
            worst.value.abs(),
            grounds.clock.label(worst.place.frame())
        ),
    })
}

/// That the range of codes was told wrong, as most of the programme shows.
pub(super) fn range(grounds: Grounds<'_>) -> Option<Finding> {
    let figures = grounds.figures;
    let said = |id: &str, word: &str| figures.said(id, word);
    let doubt = advice::doubted(said)?;
    let word = RangeDoubt::word(Some(doubt));
    let fields = figures.programme_fields().max(1);
    Some(Finding {
        group: Group::Levels,
        verdict: Verdict::Usable,
        weight: said("levels.range_doubt", word) as f64 / fields as f64,
        remedy: Remedy::ChangeSetting,
        sentence: as_sentence(&advice::of_range(doubt))?,
    })
}

/// The longest way to give an advice, as a sentence.
fn as_sentence(advice: &Advice) -> Option<String> {
    let way = advice.ways.first()?;
    let (first, rest) = way.split_at_checked(1)?;
    Some(format!("{}{rest}.", first.to_uppercase()))
}

/// What became of the set-up, where it is stated on most of the programme that could tell and black is not right.
pub(super) fn set_up(grounds: Grounds<'_>) -> Option<Finding> {
    let figures = grounds.figures;
    let said = |case: Case| figures.said("levels.setup_state", case.word());
    let stated = said(Case::Correct) + said(Case::Raised) + said(Case::Crushed);
    let case = [Case::Raised, Case::Crushed]
        .into_iter()
        .find(|&case| 2 * said(case) > stated)?;
    let change = figures.median("levels.setup_change_ire")?;
    let has_setup = matches!(
        grounds.clock.start.counting(),
        Counting::At30 | Counting::At30Drop
    );
    let advice = advice::of_case(case, change, has_setup)?;
    let fields = figures.programme_fields().max(1);
    Some(Finding {
        group: Group::Levels,
        verdict: Verdict::Usable,
        weight: said(case) as f64 / fields as f64,
        remedy: Remedy::ChangeSetting,
        sentence: as_sentence(&advice)?,
    })
}

/// What the events of one kind say.
pub(super) fn of_kind(grounds: Grounds<'_>, kind: Kind) -> Option<Finding> {
    let group = group_of(kind)?;
    let events: Vec<&Event> = within_programme(grounds, kind).collect();
    let unlisted = grounds.unlisted.iter().find(|more| more.kind == kind);
    let severity = events.iter().map(|event| event.severity).max()?;
    let covered = (grounds.covered)(kind) as f64;
    let share = (covered / programme_length(grounds).max(1) as f64).min(1.0);
    let numbers = &grounds.limits.numbers;
    let verdict = match severity {
        Severity::Alarm if share * 100.0 > numbers.alarm_share_pct => Verdict::Unfit,
        Severity::Alarm => Verdict::Usable,
        // each is a place to play again
        Severity::Notice if kind == Kind::Tear => Verdict::Usable,
        Severity::Notice if group == Group::Levels && share * 100.0 >= numbers.throughout_pct => {
            Verdict::Usable
        }
        Severity::Notice => return None,
    };
    let count = events.len() as u64 + unlisted.map_or(0, |more| more.events);
    let throughout = severity == Severity::Notice && kind != Kind::Tear;
    let place = if verdict == Verdict::Unfit || throughout {
        format!("on {} of the programme", percent(share))
    } else if count == 1 {
        format!("at {}", events[0].start_timecode)
    } else {
        format!("in {count} places, first at {}", events[0].start_timecode)
    };
    let worst = worst_of(grounds, kind, &events, count).unwrap_or_default();
    Some(Finding {
        group,
        verdict,
        weight: share,
        remedy: remedy_of(kind, verdict),
        sentence: format!("{} {place}{worst}.", name(kind)),
    })
}

/// `, worst 5.5 samples (410 ns) at 00:41:12;08`; `None` for what is counted and for words.
fn worst_of(grounds: Grounds<'_>, kind: Kind, events: &[&Event], count: u64) -> Option<String> {
    let limit = grounds.limits.of_kind(kind)?;
    let threshold = limit.threshold()?;
    if threshold.side == Side::Counted {
        return None;
    }
    let sized = events
        .iter()
        .filter_map(|event| Some((event.worst?, event)));
    let (value, event) = sized.max_by(|(a, _), (b, _)| {
        let badness = |value| threshold.badness(value, 0.0);
        badness(*a).total_cmp(&badness(*b))
    })?;
    let amount = amount(limit, value, grounds.sample_rate)?;
    let label = match place_of(grounds, kind, value) {
        Some(label) => label,
        None if count == 1 => return Some(format!(", worst {amount}")),
        None => event.start_timecode,
    };
    Some(format!(", worst {amount} at {label}"))
}

/// Where a value stands, if it is the worst of its quantity in the programme.
fn place_of(grounds: Grounds<'_>, kind: Kind, value: f64) -> Option<Timecode> {
    let mut rows = grounds.limits.rows().iter().filter(|row| row.kind == kind);
    rows.find_map(|row| {
        let step = quantity(row.quantity).map_or(0.0, |(_, quantity)| quantity.step);
        let worst = grounds.figures.worst(row.quantity)?;
        // a stored value is as near as its step
        ((worst.value - value).abs() <= step).then(|| grounds.clock.label(worst.place.frame()))
    })
}

/// Where events of these kinds are: all of a few, the first of many.
fn places(grounds: Grounds<'_>, kinds: &[Kind]) -> String {
    const MOST_NAMED: usize = 4;
    let all = kinds
        .iter()
        .flat_map(|&kind| within_programme(grounds, kind));
    let mut events: Vec<&Event> = all.collect();
    events.sort_by_key(|event| event.start.field);
    let labels: Vec<String> = events
        .iter()
        .map(|event| event.start_timecode.to_string())
        .collect();
    match labels.as_slice() {
        [] => String::from("at a place that is not listed"),
        few if few.len() <= MOST_NAMED => format!("at {}", few.join(", ")),
        many => format!("in {} places, first at {}", many.len(), many[0]),
    }
}

fn within_programme(grounds: Grounds<'_>, kind: Kind) -> impl Iterator<Item = &Event> {
    let of_kind = grounds
        .events
        .iter()
        .filter(move |event| event.kind == kind);
    of_kind.filter(move |event| overlaps_programme(grounds, event))
}

fn overlaps_programme(grounds: Grounds<'_>, event: &Event) -> bool {
    let last = last_field(grounds);
    let to = event.end.map_or(last, |end| end.field.0);
    grounds.spans.iter().any(|span| {
        let end = span.end.map_or(last, |end| end.field.0);
        event.start.field.0 <= end && to >= span.start.field.0
    })
}

fn programme_length(grounds: Grounds<'_>) -> u64 {
    let last = last_field(grounds);
    let spans = grounds.spans.iter().map(|span| {
        let end = span.end.map_or(last, |end| end.field.0);
        (end + 1).saturating_sub(span.start.field.0)
    });
    spans.sum()
}

fn programme_seconds(grounds: Grounds<'_>) -> f64 {
    let last = grounds.figures.last();
    let spans = grounds.spans.iter().filter_map(|span| {
        let end = span.end.or(last)?;
        Some((end.seconds - span.start.seconds).0)
    });
    spans.sum()
}

fn last_field(grounds: Grounds<'_>) -> u64 {
    grounds.figures.last().map_or(0, |place| place.field.0)
}

/// Where the way out lies for events of a kind that came to this word.
fn remedy_of(kind: Kind, verdict: Verdict) -> Remedy {
    match kind {
        // A place here and there may come out better the next time; what goes on and on is how the chain is set up.
        Kind::Wobble | Kind::Flagging | Kind::Tear | Kind::HeadSwitch | Kind::Roll
            if verdict == Verdict::Unfit =>
        {
            Remedy::ChangeSetting
        }
        Kind::Tracking
        | Kind::BlackLow
        | Kind::BlackHigh
        | Kind::PeakHigh
        | Kind::Clipping
        | Kind::LevelDrift
        | Kind::StandardChanged
        | Kind::FieldOrderChanged => Remedy::ChangeSetting,
        // streaks and stripes are played off the tape as they are; a flash may be a photographer's
        Kind::DropoutBurst | Kind::Interference | Kind::Flash | Kind::Monochrome => Remedy::OnTape,
        _ => Remedy::PlayAgain,
    }
}

/// The group that events of a kind speak against; `None` for those whose events say nothing here.
fn group_of(kind: Kind) -> Option<Group> {
    match kind {
        Kind::Wobble
        | Kind::Flagging
        | Kind::Tear
        | Kind::HeadSwitch
        | Kind::LockLost
        | Kind::Roll
        | Kind::Bounce => Some(Group::Steadiness),
        Kind::BlackLow
        | Kind::BlackHigh
        | Kind::PeakHigh
        | Kind::Clipping
        | Kind::Flash
        | Kind::LevelDrift => Some(Group::Levels),
        Kind::ColourLoss | Kind::Monochrome => Some(Group::Colour),
        Kind::Interference
        | Kind::DropoutBurst
        | Kind::Tracking
        | Kind::HeadFault
        | Kind::Worsening => Some(Group::Condition),
        Kind::NoSignal
        | Kind::Snow
        | Kind::Muted
        | Kind::Repeated
        | Kind::PatchFrozen
        | Kind::SourceLost
        | Kind::StandardChanged
        | Kind::FieldOrderChanged => Some(Group::Continuity),
        // losses are counted field by field, see `losses`; the others are no fault
        Kind::Missing
        | Kind::Overrun
        | Kind::Reduced
        | Kind::NotStored
        | Kind::ColourBars
        | Kind::RecordingStart
        | Kind::TapeEnd
        | Kind::ControlChanged
        | Kind::Mark => None,
    }
}

fn name(kind: Kind) -> &'static str {
    match kind {
        Kind::Wobble => "Wobble",
        Kind::Flagging => "Bent top (flagging)",
        Kind::Tear => "Torn lines",
        Kind::HeadSwitch => "Disturbed head-switch zone",
        Kind::LockLost => "Lost lock",
        Kind::Roll => "Rolling picture",
        Kind::Bounce => "Picture that bounces up and down",
        Kind::NoSignal => "No signal",
        Kind::Snow => "Noise without a picture",
        Kind::Muted => "Flat picture put in by the chain",
        Kind::Repeated => "Repeated pictures",
        Kind::PatchFrozen => "Parts of pictures that stood still",
        Kind::Missing => "Missing fields",
        Kind::Overrun => "Fields this computer was too slow for",
        Kind::Reduced => "Measures left out",
        Kind::NotStored => "Fields not kept in the pass",
        Kind::BlackLow => "Black too low",
        Kind::BlackHigh => "Black too high",
        Kind::PeakHigh => "Peaks too high",
        Kind::Clipping => "Levels cut off",
        Kind::Flash => "Flashes",
        Kind::LevelDrift => "Levels that drift",
        Kind::ColourLoss => "Colour lost",
        Kind::Monochrome => "No colour",
        Kind::Interference => "A pattern over the picture",
        Kind::ColourBars => "Colour bars",
        Kind::DropoutBurst => "Bursts of dropouts",
        Kind::Tracking => "Bands of noise (mistracking)",
        Kind::HeadFault => "A weak or clogged head",
        Kind::Worsening => "Noise or dropouts that grow",
        Kind::SourceLost => "Source lost",
        Kind::FieldOrderChanged => "Field order other than said",
        Kind::StandardChanged => "Signal of another standard",
        Kind::ControlChanged => "Changed controls of the device",
        Kind::RecordingStart => "Start of a recording",
        Kind::TapeEnd => "End of the tape",
        Kind::Mark => "Mark",
    }
}

/// A share as a person would say it.
pub(crate) fn percent(share: f64) -> String {
    match share * 100.0 {
        0.0 => String::from("none"),
        p if p < 0.1 => String::from("less than 0.1 %"),
        p if p < 9.95 => format!("{p:.1} %"),
        p => format!("{p:.0} %"),
    }
}
