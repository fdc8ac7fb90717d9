//! What is said of the set-up on spans that are known; `cargo bench --bench setup` has a thousand.

use trueline::measures::levels::setup::{Case, RangeDoubt};
use trueline::sources::tape::{Picture, Setup, Sides};
use trueline::standard::Standard;
use trueline::units::CodeRange;

use super::setup::Span;
use super::wrong_of;

/// Half a minute of four scenes with the tape's own blanking in view.
fn span(setup: Setup, standard: Standard) -> Span {
    Span {
        setup,
        standard,
        seconds: 32.0,
        pictures: vec![
            Picture::Street,
            Picture::Night,
            Picture::Hall,
            Picture::Park,
        ],
        fog: 0.0,
        noise: 42.0,
        clip: (1.0, 254.0),
        sides: Sides::Tape,
        seed: 3,
    }
}

#[test]
fn each_case_is_told_where_blanking_or_dead_black_shows_it() {
    let mut spans: Vec<Span> = [
        Setup::Never,
        Setup::Removed,
        Setup::Kept,
        Setup::RemovedTwice,
    ]
    .map(|setup| span(setup, Standard::Lines525))
    .into();
    spans.extend([Setup::Never, Setup::RemovedTwice].map(|setup| span(setup, Standard::Lines625)));
    spans.push(Span {
        clip: (16.0, 235.0),
        ..span(Setup::RemovedTwice, Standard::Lines525)
    });
    let wrong = wrong_of(&spans, |span| {
        let said = span.judged(CodeRange::Studio);
        let change = said.change.map_or(f64::NAN, |change| change.value.0);
        // What puts black right: 7.5 IRE down, or 7.5 · 100 / 92.5 up, of which an end of the scale at code 1 shows 6.9.
        let right = match span.truth() {
            Case::Raised => (-9.0..-6.0).contains(&change),
            Case::Crushed => (5.5..9.5).contains(&change),
            _ => change.abs() < 3.0,
        };
        let right = said.case == span.truth() && right && said.range_doubt.is_none();
        (!right).then(|| format!("{span:?}: {said:?}"))
    });
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// Blanking does not move with a set-up that 625 lines do not have: four scenes, of which one is black, cannot tell.
#[test]
fn black_that_is_high_in_625_lines_takes_more_than_one_dark_scene() {
    let said = span(Setup::Kept, Standard::Lines625).judged(CodeRange::Studio);
    assert_eq!(said.likeliest, Case::Raised, "{said:?}");
    assert!(
        said.case == Case::Raised || said.probability.0 < 0.9,
        "{said:?}"
    );
}

#[test]
fn a_border_of_the_chain_is_no_evidence() {
    let said = Span {
        pictures: vec![Picture::Street],
        sides: Sides::Border {
            left: 9.0,
            right: 9.0,
        },
        ..span(Setup::Kept, Standard::Lines525)
    }
    .judged(CodeRange::Studio);
    assert_eq!(said.blanking, None, "{said:?}");
    assert_eq!(said.case, Case::Unknown, "{said:?}");
}

#[test]
fn a_range_that_was_told_wrong_is_noticed() {
    let said = span(Setup::Never, Standard::Lines625).judged(CodeRange::Full);
    assert_eq!(said.range_doubt, Some(RangeDoubt::LooksStudio), "{said:?}");
    assert_eq!(said.case, Case::Unknown, "{said:?}");
}
