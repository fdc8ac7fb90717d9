//! The look before committing: whether a chain is ready to transfer a tape, and what else should be seen before saying so.
//!
//! In: what a pass can be judged by, so far. Out: a [`Readiness`]: its word, what to put right, what was found, what is still wanted.
//! A fault that is on the tape keeps nobody from transferring it; one that a setting takes away does, and so does one that makes
//! the pass unfit. Levels and colour are known only once something dark, bright and colourful has been on the screen.
//!
//! Does not know: how long was looked, or how it is told.

use super::advice;
use super::statistics::Figures;
use super::verdict::{Evidence, Remedy, Verdict, judge};
use crate::measures::levels::setup::Case;
use crate::standard::Standard;
use crate::units::{Ire, studio_code_from_ire};

/// Peaks that never reach this say nothing of the chain's white: no scene was bright (common practice, no source).
const BRIGHT_IRE: f64 = 70.0;

/// Colour that never exceeds this is that of noise: no scene was colourful (from memory of domestic tape, no source).
const COLOURFUL_PCT: f64 = 5.0;

/// Seconds of programme below which nothing is said: about one scene.
const LEAST_SECONDS: f64 = 10.0;

/// The word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// Nothing of the chain is wrong, and enough was seen.
    Ready,
    /// Something can be put right before.
    FixFirst,
    /// Too little was seen.
    CannotTell,
}

impl Word {
    /// As printed.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Ready => "ready",
            Self::FixFirst => "fix first",
            Self::CannotTell => "cannot tell",
        }
    }

    /// What to do then.
    #[must_use]
    pub fn next(self) -> &'static str {
        match self {
            Self::Ready => "wind back to the start and record the pass",
            Self::FixFirst => "put that right, wind back, and look again",
            Self::CannotTell => "look again at a place that has what is wanted",
        }
    }
}

/// What is said before a transfer.
#[derive(Clone, Debug, PartialEq)]
pub struct Readiness {
    /// The word.
    pub word: Word,
    /// What to put right, what matters most first.
    pub fixes: Vec<String>,
    /// What is wrong and no setting's to mend.
    pub known: Vec<String>,
    /// What was found.
    pub found: Vec<String>,
    /// What should be seen before more is said.
    pub wanted: Vec<String>,
}

impl Readiness {
    /// Of a pass in progress or at its end.
    #[must_use]
    pub fn of(evidence: Evidence<'_>) -> Self {
        let judgement = judge(evidence);
        let figures = Looked::of(evidence);
        let (mut fixes, mut known, mut wanted) = (Vec::new(), Vec::new(), Vec::new());
        let seconds =
            evidence.statistics.programme_fields() as f64 * evidence.clock.field_period().0;
        if seconds < LEAST_SECONDS {
            wanted.push(format!(
                "more programme: {seconds:.0} s were seen, {LEAST_SECONDS:.0} s are the least to say anything of"
            ));
        }
        let lacks = seconds < LEAST_SECONDS;
        let mut is_blind = lacks;
        for reason in &judgement.reasons {
            let sentence = reason.sentence.clone();
            match reason.remedy {
                Remedy::ChangeSetting => fixes.push(sentence),
                Remedy::PlayAgain if reason.verdict == Verdict::Unfit => fixes.push(sentence),
                Remedy::PlayAgain | Remedy::OnTape => known.push(sentence),
                Remedy::NotSeen => {
                    is_blind = true;
                    if !lacks {
                        wanted.push(sentence);
                    }
                }
            }
        }
        if !lacks {
            let scenes = figures.scenes_wanted();
            is_blind |= scenes.iter().any(|(_, withholds)| *withholds);
            wanted.extend(scenes.into_iter().map(|(wanted, _)| wanted.to_owned()));
        }
        let word = if !fixes.is_empty() && !lacks {
            Word::FixFirst
        } else if is_blind {
            Word::CannotTell
        } else {
            Word::Ready
        };
        Self {
            word,
            fixes,
            known,
            found: if lacks { Vec::new() } else { figures.found() },
            wanted,
        }
    }
}

/// What was looked at, by figures.
struct Looked<'a> {
    all: Vec<(&'static str, Figures)>,
    evidence: Evidence<'a>,
}

impl<'a> Looked<'a> {
    fn of(evidence: Evidence<'a>) -> Self {
        let all = evidence.statistics.figures();
        Self {
            all: all
                .map(|(quantity, figures)| (quantity.id, figures))
                .collect(),
            evidence,
        }
    }

    fn figures(&self, id: &str) -> Option<&Figures> {
        self.all
            .iter()
            .find(|(known, _)| *known == id)
            .map(|(_, figures)| figures)
    }

    fn median(&self, id: &str) -> Option<f64> {
        match self.figures(id)? {
            Figures::Numbers { median, .. } => *median,
            Figures::Words { .. } => None,
        }
    }

    /// The worst value, which is the largest where larger is worse and where it only describes.
    fn most(&self, id: &str) -> Option<f64> {
        match self.figures(id)? {
            Figures::Numbers { worst, .. } => *worst,
            Figures::Words { .. } => None,
        }
    }

    fn said(&self, id: &str, word: &str) -> u64 {
        match self.figures(id) {
            Some(Figures::Words { counts, .. }) => counts.get(word).copied().unwrap_or(0),
            _ => 0,
        }
    }

    /// Scenes that have not come yet, and whether the word must wait for them: black is told of nothing but dark scenes, while
    /// tapes without colour or detail exist.
    fn scenes_wanted(&self) -> Vec<(&'static str, bool)> {
        let mut wanted = Vec::new();
        if self.stated() == 0 {
            wanted.push((
                "no dark scene yet: black and set-up are told by one, best of several scenes",
                true,
            ));
        }
        if self
            .most("levels.peak_ire")
            .is_none_or(|peak| peak < BRIGHT_IRE)
        {
            wanted.push(("no bright scene yet: white is told by one", false));
        }
        let colour = self.most("chroma.saturation_rms_pct");
        if colour.is_none_or(|colour| colour < COLOURFUL_PCT) {
            wanted.push(("no colourful scene yet, if the tape has any", false));
        }
        if self.median("detail.bandwidth_mhz").is_none() {
            wanted.push((
                "no scene with fine detail yet: sharpness is told by one",
                false,
            ));
        }
        wanted
    }

    fn found(&self) -> Vec<String> {
        let timing = self
            .median("line_timing.error_rms_ns")
            .map(|ns| format!("time-base error {ns:.0} ns in the middle"));
        let level = |id: &str, name: &str| {
            self.median(id).map(|ire| {
                let code = studio_code_from_ire(Ire(ire)).0;
                format!("{name} {ire:.1} IRE, code {code:.0}, in the middle")
            })
        };
        let noise = self
            .median("noise.luma_db")
            .map(|db| format!("noise {db:.0} dB below white"));
        let set_up = (self.stated() > 0).then(|| self.set_up());
        [
            timing,
            level("levels.black_ire", "black"),
            level("levels.peak_ire", "peak"),
            set_up.flatten(),
            noise,
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    /// Fields that told how the tape's set-up came through.
    fn stated(&self) -> u64 {
        let cases = [Case::Correct, Case::Raised, Case::Crushed];
        let said = cases
            .iter()
            .map(|case| self.said("levels.setup_state", case.word()));
        said.sum()
    }

    fn set_up(&self) -> Option<String> {
        let said = |id: &str, word: &str| self.said(id, word);
        let has_setup = Standard::Lines525.field_period() == self.evidence.clock.field_period();
        let set_up = advice::of_pass(said, self.median("levels.setup_change_ire"), has_setup);
        set_up.ways.into_iter().next()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{blank, healthy, wobbling};
    use crate::measures::Readings;
    use crate::measures::sync::State;
    use crate::record::played::{Stretch, evidence, pass_of};

    fn looked_at(stretches: &[Stretch<'_>]) -> Readiness {
        Readiness::of(evidence(&pass_of(stretches)))
    }

    fn snow(field: u64) -> Readings {
        blank(field, State::Snow)
    }

    fn lossy(field: u64) -> Readings {
        let mut readings = healthy(field);
        readings.sync.missing_fields = u64::from(field.is_multiple_of(50));
        readings
    }

    #[test]
    fn without_programme_nothing_is_told() {
        let readiness = looked_at(&[(3_000, &snow)]);
        assert_eq!(readiness.word, Word::CannotTell);
        assert!(
            readiness.wanted[0].contains("more programme"),
            "{readiness:?}"
        );
        assert_eq!((readiness.fixes, readiness.found), (Vec::new(), Vec::new()));
    }

    #[test]
    fn what_no_dark_scene_told_is_wanted() {
        let readiness = looked_at(&[(3_000, &healthy)]);
        let told = readiness
            .wanted
            .iter()
            .any(|wanted| wanted.contains("no dark scene yet"));
        assert!(told, "{readiness:?}");
        assert_eq!(readiness.word, Word::CannotTell);
        assert!(
            readiness
                .found
                .iter()
                .any(|found| found.contains("time-base error 5 ns"))
        );
    }

    #[test]
    fn a_chain_that_loses_fields_or_wobbles_throughout_is_to_be_put_right_first() {
        let wobble = |field| wobbling(field, 60.0);
        let stretches: [Stretch<'_>; 2] = [(6_000, &lossy), (6_000, &wobble)];
        for stretch in stretches {
            let readiness = looked_at(&[stretch]);
            assert_eq!(readiness.word, Word::FixFirst, "{readiness:?}");
            assert!(!readiness.fixes.is_empty());
        }
    }
}
