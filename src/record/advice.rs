//! What to do about the set-up, as a sentence: how black stands, and what to change by how much in IRE and in codes.
//!
//! In: what the adviser says of the set-up. Out: sentences, longest first, and whether there is anything to do. The words fit
//! 625 lines, which have no set-up, as well.
//!
//! Does not know: where the sentence is shown, or how the case was found.

use crate::measures::levels::setup::{Case, RangeDoubt, Reading};
use crate::record::live::Proposal;
use crate::sources::ControlListing;
use crate::units::{Ire, studio_code_from_ire};

/// Changes this near to the set-up, in IRE, are its own: its broadcast tolerance (BT.470-6 Table 1 item 4).
const SETUP_TOLERANCE: f64 = 2.5;

/// Set-up, and how far removing it once too often takes black down, in IRE (standards rows 3.21 and 3.22).
const SETUP: f64 = 7.5;
const ONCE_TOO_OFTEN: f64 = 8.1;

/// Something to say of the set-up.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// The same in some lengths, longest first.
    pub ways: Vec<String>,
    /// Something is to be changed.
    pub is_urgent: bool,
}

/// What is to be said of a case and the change that puts it right, in IRE, + = up.
#[must_use]
pub fn of_case(case: Case, change: f64, has_setup: bool) -> Option<Advice> {
    of_case_by(case, change, has_setup, None)
}

/// The same where a control of the device is known to do it.
fn of_case_by(
    case: Case,
    change: f64,
    has_setup: bool,
    by: Option<Proposal<'_>>,
) -> Option<Advice> {
    let by = by.map(|Proposal { control, value }| {
        let ControlListing { name, setting, .. } = control;
        format!("set {name} from {setting} to {value} (d)")
    });
    let codes =
        (studio_code_from_ire(Ire(change.abs())).0 - studio_code_from_ire(Ire(0.0)).0).round();
    let amount = format!("{:.1} IRE ({codes:.0} codes)", change.abs());
    let urgent = |short: String, cause: &str, remedy: String| Advice {
        ways: vec![
            format!("{short}: {cause}; {remedy}"),
            format!("{short}: {cause}"),
            short,
        ],
        is_urgent: true,
    };
    Some(match case {
        Case::Unknown => return None,
        Case::Correct => Advice {
            ways: vec![
                format!(
                    "over all scenes black is right, within {amount}: leave set-up and brightness as they are"
                ),
                String::from("over all scenes black is right: leave set-up as it is"),
                String::from("over all scenes black is right"),
            ],
            is_urgent: false,
        },
        Case::Raised => {
            let short = format!("black high by {amount}");
            let down = by.unwrap_or_else(|| format!("lower brightness by {codes:.0} codes"));
            match ((change + SETUP).abs() < SETUP_TOLERANCE, has_setup) {
                (true, true) => urgent(
                    short,
                    "set-up still in",
                    format!("let the box or the device remove it (7.5 IRE), or {down}"),
                ),
                (true, false) => urgent(
                    short,
                    "as if a set-up were added",
                    format!("turn set-up off in the box or the device, or {down}"),
                ),
                (false, _) => urgent(short, "brightness is up", down),
            }
        }
        Case::Crushed => {
            let short = format!("black low by {amount}");
            let up = by.unwrap_or_else(|| format!("raise brightness by {codes:.0} codes"));
            match ((change - ONCE_TOO_OFTEN).abs() < SETUP_TOLERANCE, has_setup) {
                (true, true) => urgent(
                    short,
                    "set-up removed twice",
                    format!("let only one of box and device remove it, or {up}"),
                ),
                (true, false) => urgent(
                    short,
                    "a set-up is removed that is not there",
                    format!("turn set-up off in the box and the device, or {up}"),
                ),
                (false, _) => urgent(short, "brightness is down", up),
            }
        }
    })
}

/// What is to be said now.
#[must_use]
pub fn of(reading: &Reading) -> Advice {
    with_control(reading, |_| None)
}

/// The same, with the value of a control that makes a change of black, where one is known to.
#[must_use]
pub fn with_control<'a>(reading: &Reading, by: impl FnOnce(Ire) -> Option<Proposal<'a>>) -> Advice {
    if let Some(doubt) = reading.range_doubt {
        return of_range(doubt);
    }
    let change = reading.change.map(|change| change.value);
    let stated =
        change.and_then(|change| of_case_by(reading.case, change.0, reading.has_setup, by(change)));
    stated.unwrap_or_else(|| not_yet(reading))
}

/// What is to be said of a finished pass: `said` counts the fields for which a quantity was a word, `change` is the middle of what would
/// put black right.
#[must_use]
pub fn of_pass(said: impl Fn(&str, &str) -> u64, change: Option<f64>, has_setup: bool) -> Advice {
    if let Some(doubt) = doubted(&said) {
        return of_range(doubt);
    }
    let said = |case: Case| said("levels.setup_state", case.word());
    let stated = said(Case::Correct) + said(Case::Raised) + said(Case::Crushed);
    let most = [Case::Correct, Case::Raised, Case::Crushed]
        .into_iter()
        .find(|&case| 2 * said(case) > stated);
    let of_most = most
        .zip(change)
        .and_then(|(case, change)| of_case(case, change, has_setup));
    of_most.unwrap_or_else(|| {
        let why = if stated == 0 {
            "set-up: cannot be told from this pass: no dark scenes enough, and no blanking of the tape's own in view"
        } else {
            "set-up: cannot be told from this pass: parts of it say different things"
        };
        Advice {
            ways: vec![String::from(why)],
            is_urgent: false,
        }
    })
}

/// The doubt about the range that most of a pass's fields have, if they have one.
pub(super) fn doubted(said: impl Fn(&str, &str) -> u64) -> Option<RangeDoubt> {
    let said = |doubt| said("levels.range_doubt", RangeDoubt::word(doubt));
    let doubts = [RangeDoubt::LooksFull, RangeDoubt::LooksStudio];
    let most = |doubt: &RangeDoubt| said(Some(*doubt)) > said(None);
    doubts.into_iter().find(most)
}

/// What is to be said where the range was told wrong.
pub(super) fn of_range(doubt: RangeDoubt) -> Advice {
    let (seen, told) = match doubt {
        RangeDoubt::LooksFull => ("codes run from 0 to 255, not from 16 to 235", "full"),
        RangeDoubt::LooksStudio => ("codes keep within 16 to 235, not 0 to 255", "studio"),
    };
    Advice {
        ways: vec![
            format!("{seen}: the range is told wrong; start again with --range {told}"),
            format!("range told wrong: use --range {told}"),
        ],
        is_urgent: true,
    }
}

fn not_yet(reading: &Reading) -> Advice {
    let scenes = match reading.looks {
        1 => String::from("1 scene"),
        count => format!("{count} scenes"),
    };
    let wanted = if reading.blanking.is_some() {
        "dark scenes are wanted"
    } else {
        "more dark scenes are wanted, or the tape's own blanking in view"
    };
    Advice {
        ways: vec![
            format!("set-up: cannot tell yet from {scenes}; {wanted}"),
            format!("set-up: cannot tell yet from {scenes}"),
            String::from("set-up: cannot tell yet"),
        ],
        is_urgent: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Estimate, Ratio};

    fn check(case: Case, change: f64, has_setup: bool, expected: &str) {
        let advice = of_case(case, change, has_setup).expect("a case is stated");
        assert_eq!(advice.ways[0], expected);
    }

    #[test]
    fn the_cases_of_525_lines_name_the_set_up() {
        check(
            Case::Raised,
            -7.5,
            true,
            "black high by 7.5 IRE (16 codes): set-up still in; let the box or the device remove it (7.5 IRE), or lower \
             brightness by 16 codes",
        );
        check(
            Case::Crushed,
            8.1,
            true,
            "black low by 8.1 IRE (18 codes): set-up removed twice; let only one of box and device remove it, or raise \
             brightness by 18 codes",
        );
    }

    #[test]
    fn other_amounts_and_625_lines_speak_of_black_alone() {
        check(
            Case::Raised,
            -4.0,
            true,
            "black high by 4.0 IRE (9 codes): brightness is up; lower brightness by 9 codes",
        );
        check(
            Case::Raised,
            -7.0,
            false,
            "black high by 7.0 IRE (15 codes): as if a set-up were added; turn set-up off in the box or the device, or lower \
             brightness by 15 codes",
        );
    }

    #[test]
    fn a_control_that_is_known_to_do_it_is_named_with_its_value() {
        let control = ControlListing::of_role(1, crate::sources::ControlRole::Brightness, 128);
        let by = Some(Proposal {
            control: &control,
            value: 105,
        });
        let advice = of_case_by(Case::Raised, -7.5, true, by).expect("a case is stated");
        assert_eq!(
            advice.ways[0],
            "black high by 7.5 IRE (16 codes): set-up still in; let the box or the device remove it (7.5 IRE), or set \
             Brightness from 128 to 105 (d)"
        );
    }

    #[test]
    fn a_finished_pass_is_advised_by_what_most_of_it_said() {
        let said = |of: Case, other: Case| {
            move |_: &str, word: &str| match word {
                _ if word == of.word() => 900,
                _ if word == other.word() => 100,
                _ => 0,
            }
        };
        let raised = of_pass(said(Case::Raised, Case::Correct), Some(-7.4), true);
        assert!(raised.is_urgent && raised.ways[0].starts_with("black high by 7.4 IRE"));
        let right = of_pass(said(Case::Correct, Case::Unknown), Some(0.2), true);
        assert!(!right.is_urgent && right.ways[0].starts_with("over all scenes black is right"));
        let nothing = of_pass(said(Case::Unknown, Case::Unknown), None, true);
        assert!(!nothing.is_urgent && nothing.ways[0].contains("no dark scenes"));
        let each =
            |_: &str, word: &str| u64::from(["correct", "raised", "crushed"].contains(&word));
        let divided = of_pass(each, Some(0.0), false);
        assert!(divided.ways[0].contains("different things"), "{divided:?}");
        let doubted = |_: &str, word: &str| match word {
            "looks_studio" => 600,
            "none" | "raised" => 400,
            _ => 0,
        };
        let wrong = of_pass(doubted, Some(-7.4), true);
        assert!(
            wrong.is_urgent && wrong.ways[0].ends_with("--range studio"),
            "{wrong:?}"
        );
    }

    #[test]
    fn what_cannot_be_told_says_what_is_wanted_and_a_wrong_range_comes_first() {
        let mut reading = Reading {
            case: Case::Unknown,
            likeliest: Case::Raised,
            probability: Ratio(0.7),
            change: None,
            blanking: None,
            looks: 3,
            dark_looks: 1,
            has_setup: true,
            range_doubt: None,
            range_judged: true,
        };
        let advice = of(&reading);
        assert!(!advice.is_urgent);
        assert!(advice.ways[0].starts_with("set-up: cannot tell yet from 3 scenes"));
        reading.case = Case::Raised;
        reading.change = Some(Estimate::new(Ire(-7.4), Ire(0.4), 3));
        assert!(of(&reading).is_urgent);
        reading.range_doubt = Some(RangeDoubt::LooksFull);
        assert!(of(&reading).ways[0].ends_with("--range full"));
    }
}
