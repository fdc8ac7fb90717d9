//! What passes say in words over the same stretch: set-up, border, basis of timing and the like.
//!
//! Does not know: what a word means.

use serde::Serialize;

use crate::measures::quantities;

use super::tally::Tally;

/// One quantity in words.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct State {
    /// Permanent name.
    pub id: &'static str,
    /// For a screen.
    pub label: &'static str,
    /// Of each pass the word it says most; `None` where it says none.
    pub words: Vec<Option<Said>>,
    /// Whether they differ.
    pub differs: bool,
}

/// A word and how often it is said.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Said {
    /// The word.
    pub word: &'static str,
    /// Share of the fields that say any.
    pub share: f64,
}

/// Every quantity in words that any pass has.
pub(super) fn states(tallies: &[Tally]) -> Vec<State> {
    let mut all = Vec::new();
    for (place, quantity) in quantities()
        .enumerate()
        .filter(|(_, quantity)| !quantity.words.is_empty())
    {
        let words: Vec<Option<Said>> = tallies
            .iter()
            .map(|tally| most(tally.words(place), quantity.words))
            .collect();
        if words.iter().all(Option::is_none) {
            continue;
        }
        let word = |said: &Option<Said>| said.map(|said| said.word);
        all.push(State {
            id: quantity.id,
            label: quantity.label,
            differs: words.iter().any(|said| word(said) != word(&words[0])),
            words,
        });
    }
    all
}

fn most(counts: &[u64], words: &'static [&'static str]) -> Option<Said> {
    let all: u64 = counts.iter().sum();
    let (at, count) = counts.iter().enumerate().max_by_key(|(_, count)| **count)?;
    (all > 0).then(|| Said {
        word: words[at],
        share: *count as f64 / all as f64,
    })
}
