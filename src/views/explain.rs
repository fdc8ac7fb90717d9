//! What a quantity or an event means, what usually causes it, what to try.
//!
//! In: a topic as typed. Out: text. The texts stand in `explain/texts.toml`, one entry a topic; a test holds them to what is
//! measured and told.
//!
//! Does not know: readings, limits in force.

use std::fmt::Write as _;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::limits::{Kind, TABLE};
use crate::measures::{Quantity, quantities, quantity};

const TEXTS: &str = include_str!("explain/texts.toml");

/// Columns of a line.
const WIDTH: usize = 80;

/// Names offered for one that is not known.
const OFFERED: usize = 3;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Topic {
    id: String,
    means: String,
    causes: Vec<String>,
    r#try: Vec<String>,
    caution: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Texts {
    topic: Vec<Topic>,
}

static TOPICS: LazyLock<Vec<Topic>> = LazyLock::new(|| {
    let texts: Texts = toml::from_str(TEXTS).expect("a test reads the texts");
    texts.topic
});

/// Everything that can be explained: quantities in the order of columns, then kinds of events.
fn names() -> impl Iterator<Item = &'static str> {
    let kinds = Kind::ALL.iter().map(|kind| kind.word());
    quantities().map(|quantity| quantity.id).chain(kinds)
}

/// The list of topics, each with what it is in a few words.
#[must_use]
pub fn list() -> String {
    let mut text = String::from("Quantities\n");
    for quantity in quantities() {
        let _ = writeln!(text, "  {:<30} {}", quantity.id, quantity.label);
    }
    text.push_str("\nEvents\n");
    for kind in Kind::ALL {
        let means = TOPICS.iter().find(|topic| topic.id == kind.word());
        let first = means.map_or("", |topic| first_sentence(&topic.means));
        let _ = writeln!(text, "  {:<30} {first}", kind.word());
    }
    text.push_str("\ntrueline explain TOPIC says more of one.\n");
    text
}

fn first_sentence(text: &str) -> &str {
    text.find([':', '.']).map_or(text, |end| &text[..end])
}

/// The text of a topic.
///
/// # Errors
/// There is no such topic: the nearest names.
pub fn explain(topic: &str) -> Result<String, Vec<&'static str>> {
    let wanted = topic.trim().to_lowercase().replace([' ', '-'], "_");
    let Some(found) = TOPICS.iter().find(|topic| topic.id == wanted) else {
        return Err(nearest(&wanted));
    };
    let mut text = String::new();
    match quantity(&found.id) {
        Some((_, quantity)) => head_of_quantity(&mut text, quantity),
        None => {
            let _ = writeln!(text, "{} (event)", found.id);
        }
    }
    text.push('\n');
    paragraph(&mut text, "", &found.means);
    items(&mut text, "What usually causes it", &found.causes);
    items(&mut text, "What to try", &found.r#try);
    if let Some(caution) = &found.caution {
        text.push('\n');
        paragraph(&mut text, "", &format!("Caution: {caution}"));
    }
    if let Some((_, quantity)) = quantity(&found.id) {
        text.push_str("\nDefinition\n");
        paragraph(&mut text, "  ", quantity.about);
    }
    limits_of(&mut text, &found.id);
    Ok(text)
}

fn head_of_quantity(text: &mut String, quantity: &Quantity) {
    let unit = quantity.unit.symbol();
    let unit = if unit.is_empty() {
        String::new()
    } else {
        format!(", in {unit}")
    };
    let _ = writeln!(text, "{} ({}{unit})", quantity.id, quantity.label);
}

/// The limits that judge it, or that make it.
fn limits_of(text: &mut String, id: &str) {
    let rows = TABLE
        .iter()
        .filter(|row| row.quantity == id || row.kind.word() == id);
    for (nth, row) in rows.enumerate() {
        if nth == 0 {
            text.push_str("\nLimits (trueline limits prints those in force)\n");
        }
        let when = match row.threshold() {
            Some(threshold) => format!("{} {}", threshold.enter, threshold.unit),
            None => String::from("by word"),
        };
        let said = format!(
            "{} ({}, {}): {}",
            row.id,
            row.quantity,
            when.trim(),
            row.why
        );
        paragraph(text, "  ", &said);
    }
}

fn items(text: &mut String, heading: &str, items: &[String]) {
    let _ = writeln!(text, "\n{heading}");
    for item in items {
        paragraph(text, "  - ", item);
    }
}

/// Words wrapped at [`WIDTH`]; further lines stand under the first word.
fn paragraph(text: &mut String, lead: &str, words: &str) {
    let mut line = String::from(lead);
    let indent = " ".repeat(lead.len());
    let mut is_empty = true;
    for word in words.split_whitespace() {
        let longer = line.chars().count() + 1 + word.chars().count();
        if !is_empty && longer > WIDTH {
            let _ = writeln!(text, "{line}");
            line.clone_from(&indent);
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    let _ = writeln!(text, "{line}");
}

/// The names nearest to one that is not known: those it is a part of first, then by letters that differ.
fn nearest(wanted: &str) -> Vec<&'static str> {
    let mut all: Vec<(bool, usize, &'static str)> = names()
        .map(|name| {
            let last = name.rsplit('.').next().unwrap_or(name);
            let distance = letters_apart(wanted, name).min(letters_apart(wanted, last));
            let is_part = !wanted.is_empty() && name.contains(wanted);
            (!is_part, distance, name)
        })
        .collect();
    all.sort_unstable();
    all.into_iter()
        .take(OFFERED)
        .map(|(.., name)| name)
        .collect()
}

/// Letters to be put in, taken out or changed to make one word of the other.
fn letters_apart(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (at, letter) in one.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = at + 1;
        for (column, wanted) in other.iter().enumerate() {
            let changed = diagonal + usize::from(letter != *wanted);
            diagonal = row[column + 1];
            row[column + 1] = changed.min(row[column] + 1).min(diagonal + 1);
        }
    }
    row[other.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_quantity_and_every_kind_of_event_is_explained_once_and_nothing_else() {
        let mut wanted: Vec<&str> = names().collect();
        let mut written: Vec<&str> = TOPICS.iter().map(|topic| &*topic.id).collect();
        wanted.sort_unstable();
        written.sort_unstable();
        assert_eq!(written, wanted);
    }

    #[test]
    fn every_topic_says_what_it_means_what_causes_it_and_what_to_try() {
        for topic in TOPICS.iter() {
            assert!(topic.means.len() > 30, "{}", topic.id);
            assert!(
                !topic.causes.is_empty() && !topic.r#try.is_empty(),
                "{}",
                topic.id
            );
            let text = explain(&topic.id).expect("it is a topic");
            for line in text.lines() {
                assert!(line.chars().count() <= WIDTH, "{}: {line}", topic.id);
            }
        }
    }

    #[test]
    fn steps_that_touch_heads_or_mould_come_with_a_caution() {
        for topic in TOPICS.iter() {
            let touches = topic
                .r#try
                .iter()
                .any(|step| step.contains("clean the heads"));
            assert!(!touches || topic.caution.is_some(), "{}", topic.id);
        }
    }

    #[test]
    fn an_unknown_topic_gets_the_nearest_names() {
        assert_eq!(explain("levels.blck_ire"), Err(nearest("levels.blck_ire")));
        assert_eq!(nearest("levels.blck_ire")[0], "levels.black_ire");
        assert_eq!(nearest("wobbel")[0], "wobble");
        assert!(nearest("setup")[0].starts_with("levels.setup"));
    }

    #[test]
    fn topics_may_be_typed_with_spaces_and_capitals() {
        assert_eq!(explain("Level drift"), explain("level_drift"));
    }

    #[test]
    fn the_list_names_everything() {
        let list = list();
        for name in names() {
            assert!(list.contains(name), "{name}");
        }
    }
}
