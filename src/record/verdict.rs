//! Is the pass good? One word for each group and for all, with its reasons.
//!
//! In: statistics, events and spans of programme, and the limits in force. Out: a [`Judgement`].
//!
//! Each group gets the heaviest word that anything found in it asks for: `unfit` before `undecided` before `usable`
//! before `clean`. Undecided outweighs usable because what was not seen may be worse than what was; unfit outweighs
//! undecided because no further evidence mends it. The pass gets the heaviest of its groups. A group that nothing
//! measures yet is `undecided` by itself and listed as not judged, but leaves the pass's word alone: it would only say
//! the same of every tape.
//!
//! What an alarm covers is counted in fields that were bad, not in the length of its events: those go on through pauses.
//!
//! Does not know: measures, files, or how a verdict is shown.

use serde::{Deserialize, Serialize};

use super::Statistics;
use crate::alarms::{Coverage, EventLog, PassClock, Span};
use crate::limits::{Kind, Limits};
use crate::measures::{Group, quantity};
use crate::units::Hertz;

use findings::{Finding, losses, of_kind, range, set_up, slip};

pub(crate) use findings::percent;
pub(super) use grounds::{Figured, Grounds};

mod findings;
mod grounds;

/// The word of a pass or a group, lightest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Nothing wrong was seen, and enough was seen.
    Clean,
    /// There are faults one can live with.
    Usable,
    /// Too little could be seen.
    Undecided,
    /// Play it again.
    Unfit,
}

impl Verdict {
    /// As printed.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Clean => "clean",
            Self::Usable => "usable",
            Self::Undecided => "undecided",
            Self::Unfit => "unfit",
        }
    }
}

/// What each group is judged by: the quantity whose absence means that nothing was seen.
const ANCHORS: [(Group, &str); 5] = [
    (Group::Steadiness, "line_timing.error_rms_ns"),
    (Group::Levels, "levels.black_ire"),
    (Group::Colour, "chroma.saturation_rms_pct"),
    (Group::Continuity, "sync.state"),
    (Group::Condition, "noise.luma_db"),
];

/// Whether a verdict looks at this quantity besides the limits on it.
#[must_use]
pub fn is_judged(id: &str) -> bool {
    is_judged_by_size(id) || ANCHORS.iter().any(|(_, anchor)| *anchor == id)
}

/// Whether the worst value of this quantity makes a verdict by itself.
pub(super) fn is_judged_by_size(id: &str) -> bool {
    id == SLIP
}

/// How far sound recorded beside the picture is off.
const SLIP: &str = "sync.slip_ms";

/// What a verdict rests on.
#[derive(Clone, Copy)]
pub struct Evidence<'a> {
    /// Figures over programme.
    pub statistics: &'a Statistics,
    /// Stretches of programme.
    pub spans: &'a [Span],
    /// What happened.
    pub log: &'a EventLog,
    /// How much of the programme it covers.
    pub coverage: &'a Coverage,
    /// Limits in force.
    pub limits: &'a Limits,
    /// To name places.
    pub clock: PassClock,
    /// To give times in samples too.
    pub sample_rate: Option<Hertz>,
}

/// A group without a word of its own, and why.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NotJudged {
    /// Which.
    pub group: Group,
    /// In a few words.
    pub why: String,
    /// Share of programme fields that could be measured, 0 to 1; `None` where nothing measures the group.
    pub share: Option<f64>,
}

/// The word for each group.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Groups {
    /// Where the lines stand.
    pub steadiness: Verdict,
    /// Black, peak and between.
    pub levels: Verdict,
    /// Chroma.
    pub colour: Verdict,
    /// Whether every picture came, once.
    pub continuity: Verdict,
    /// Noise, detail, dropouts.
    pub condition: Verdict,
}

impl Groups {
    fn from_each(word: impl Fn(Group) -> Verdict) -> Self {
        Self {
            steadiness: word(Group::Steadiness),
            levels: word(Group::Levels),
            colour: word(Group::Colour),
            continuity: word(Group::Continuity),
            condition: word(Group::Condition),
        }
    }

    /// The word for one group.
    #[must_use]
    pub fn of(&self, group: Group) -> Verdict {
        match group {
            Group::Steadiness => self.steadiness,
            Group::Levels => self.levels,
            Group::Colour => self.colour,
            Group::Continuity => self.continuity,
            Group::Condition => self.condition,
        }
    }
}

/// Where the way out of a fault lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Remedy {
    /// The next playing may be without it.
    PlayAgain,
    /// Another setting of player, box or device takes it away.
    ChangeSetting,
    /// It was recorded so.
    OnTape,
    /// More has to be seen first.
    NotSeen,
}

impl Remedy {
    /// All, in the order they are told.
    pub const ALL: [Self; 4] = [
        Self::PlayAgain,
        Self::ChangeSetting,
        Self::OnTape,
        Self::NotSeen,
    ];

    /// In two or three words.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::PlayAgain => "play again",
            Self::ChangeSetting => "change a setting",
            Self::OnTape => "on the tape",
            Self::NotSeen => "could not be judged",
        }
    }
}

/// Something that speaks against a clean pass, in words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// What it speaks against; `None` for the pass as a whole.
    pub group: Option<Group>,
    /// The word it asks for.
    pub verdict: Verdict,
    /// Where the way out lies.
    pub remedy: Remedy,
    /// A sentence.
    pub sentence: String,
}

/// The word for a pass, and how it came about.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// The word.
    pub verdict: Verdict,
    /// The word for each group.
    pub groups: Groups,
    /// Groups without enough evidence.
    pub not_judged: Vec<NotJudged>,
    /// Why it is not `clean`, what matters most first.
    pub reasons: Vec<Reason>,
}

impl Judgement {
    /// The reasons with one way out, what matters most first.
    pub fn with_remedy(&self, remedy: Remedy) -> impl Iterator<Item = &Reason> {
        let reasons = self.reasons.iter();
        reasons.filter(move |reason| reason.remedy == remedy)
    }

    /// What matters most in one sentence.
    #[must_use]
    pub fn in_a_sentence(&self) -> String {
        match self.reasons.as_slice() {
            [] => String::from("Nothing wrong was seen, and enough was seen."),
            [only] => only.sentence.clone(),
            [first, second, ..] => {
                let (first, second) = (&first.sentence, &second.sentence);
                let first = first.strip_suffix('.').unwrap_or(first);
                format!("{first}; {}", with_small_letter(second))
            }
        }
    }
}

/// As it stands after a semicolon.
fn with_small_letter(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(letters).collect()
    })
}

/// Judges a pass, finished or in progress.
#[must_use]
pub fn judge(evidence: Evidence<'_>) -> Judgement {
    let covered = |kind| evidence.coverage.fields(kind);
    judge_on(Grounds {
        figures: evidence.statistics,
        spans: evidence.spans,
        events: evidence.log.events(),
        unlisted: evidence.log.unlisted(),
        covered: &covered,
        limits: evidence.limits,
        clock: evidence.clock,
        sample_rate: evidence.sample_rate,
    })
}

/// The rules, whatever the figures were made of.
pub(super) fn judge_on(grounds: Grounds<'_>) -> Judgement {
    let lacking = |(group, anchor)| lack_of_evidence(grounds, group, anchor);
    let not_judged: Vec<NotJudged> = ANCHORS.into_iter().filter_map(lacking).collect();
    let mut findings: Vec<Finding> = not_judged.iter().filter_map(undecided).collect();
    findings.extend(losses(grounds));
    findings.extend(slip(grounds));
    findings.extend(range(grounds).or_else(|| set_up(grounds)));
    findings.extend(Kind::ALL.iter().filter_map(|&kind| of_kind(grounds, kind)));
    findings.sort_by(|a, b| {
        let heavier = b.verdict.cmp(&a.verdict);
        heavier.then(b.weight.total_cmp(&a.weight))
    });
    let heaviest = findings.iter().map(|finding| finding.verdict).max();
    let groups = Groups::from_each(|group| {
        let found = findings.iter().filter(|finding| finding.group == group);
        let words = found.map(|finding| finding.verdict);
        words.fold(without_findings(group, &not_judged), Verdict::max)
    });
    let reasons = if grounds.figures.programme_fields() == 0 {
        vec![Reason {
            group: None,
            verdict: Verdict::Undecided,
            remedy: Remedy::NotSeen,
            sentence: String::from("No programme was found: there is nothing to judge."),
        }]
    } else {
        findings.into_iter().map(Finding::into_reason).collect()
    };
    Judgement {
        verdict: heaviest.unwrap_or(Verdict::Clean),
        groups,
        not_judged,
        reasons,
    }
}

fn without_findings(group: Group, not_judged: &[NotJudged]) -> Verdict {
    if not_judged.iter().any(|missing| missing.group == group) {
        Verdict::Undecided
    } else {
        Verdict::Clean
    }
}

fn lack_of_evidence(grounds: Grounds<'_>, group: Group, anchor: &str) -> Option<NotJudged> {
    if quantity(anchor).is_none() {
        return Some(NotJudged {
            group,
            why: String::from("not measured"),
            share: None,
        });
    }
    let fields = grounds.figures.programme_fields();
    if fields == 0 {
        return Some(NotJudged {
            group,
            why: String::from("no programme"),
            share: Some(0.0),
        });
    }
    let share = grounds.figures.measured(anchor) as f64 / fields as f64;
    (share * 100.0 < grounds.limits.numbers.evidence_pct).then(|| NotJudged {
        group,
        why: if share > 0.0 {
            format!("measurable on {} of the programme only", percent(share))
        } else {
            String::from("not measurable anywhere in the programme")
        },
        share: Some(share),
    })
}

/// A group that could not be judged, unless nothing measures it at all.
fn undecided(missing: &NotJudged) -> Option<Finding> {
    let share = missing.share?;
    let (first, rest) = missing.group.word().split_at(1);
    let name = format!("{}{rest}", first.to_uppercase());
    Some(Finding {
        group: missing.group,
        verdict: Verdict::Undecided,
        weight: 1.0 - share,
        remedy: Remedy::NotSeen,
        sentence: format!("{name} could not be judged: {}.", missing.why),
    })
}

#[cfg(test)]
mod tests;
