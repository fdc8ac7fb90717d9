//! What is said of passes at their end: short, aligned, on a terminal with colour.
//!
//! In: a [`Summary`], or rows of many. Out: lines without their ends. Colours are those of the dashboard, and none says
//! anything that a word does not.
//!
//! Does not know: where the lines go.

use std::io::{self, IsTerminal};

use crossterm::style::{Attribute, Color, ContentStyle};
use unicode_width::UnicodeWidthStr;

use crate::alarms::wording::duration;
use crate::measures::Group;
use crate::record::{Readiness, ReadinessWord, Summary, Verdict};
use crate::text::one_line;

/// Whether words are coloured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ink {
    coloured: bool,
}

impl Ink {
    /// Colours where stderr is a terminal, unless the environment asks for none (`NO_COLOR` set and not empty).
    #[must_use]
    pub fn of_stderr() -> Self {
        let refused = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        Self {
            coloured: io::stderr().is_terminal() && !refused,
        }
    }

    /// With or without.
    #[must_use]
    pub fn new(coloured: bool) -> Self {
        Self { coloured }
    }

    /// The word of a look before a transfer.
    fn ready(self, word: ReadinessWord) -> String {
        let like = match word {
            ReadinessWord::Ready => Verdict::Clean,
            ReadinessWord::FixFirst => Verdict::Usable,
            ReadinessWord::CannotTell => Verdict::Undecided,
        };
        let style = Word::Judged(like).style();
        if self.coloured {
            style.apply(word.text()).to_string()
        } else {
            word.text().to_owned()
        }
    }

    /// A word, filled up to `width` columns.
    fn word(self, word: Word, width: usize) -> String {
        let text = word.text();
        let fill = " ".repeat(width.saturating_sub(text.width()));
        let style = word.style();
        if self.coloured {
            format!("{}{fill}", style.apply(text))
        } else {
            format!("{text}{fill}")
        }
    }
}

/// What became of a pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// It was judged.
    Judged(Verdict),
    /// It could not be measured to its end.
    Failed,
    /// It was interrupted.
    Stopped,
}

impl Word {
    fn text(self) -> &'static str {
        match self {
            Self::Judged(verdict) => verdict.word(),
            Self::Failed => "failed",
            Self::Stopped => "stopped",
        }
    }

    fn style(self) -> ContentStyle {
        let mut style = ContentStyle::new();
        style.foreground_color = match self {
            Self::Judged(Verdict::Clean) => Some(Color::DarkCyan),
            Self::Judged(Verdict::Usable) => Some(Color::DarkYellow),
            Self::Judged(Verdict::Undecided) | Self::Stopped => Some(Color::DarkMagenta),
            Self::Judged(Verdict::Unfit) | Self::Failed => Some(Color::Red),
        };
        if matches!(
            self,
            Self::Judged(Verdict::Usable | Verdict::Unfit) | Self::Failed
        ) {
            style.attributes.set(Attribute::Bold);
        }
        style
    }
}

/// The groups in the order they are told.
const GROUPS: [Group; 5] = [
    Group::Steadiness,
    Group::Levels,
    Group::Colour,
    Group::Continuity,
    Group::Condition,
];

/// One pass: its word, that of each group with why where it is none, and the reasons.
#[must_use]
pub fn summary(summary: &Summary, ink: Ink) -> Vec<String> {
    let word = |verdict, width| ink.word(Word::Judged(verdict), width);
    let mut lines = vec![format!(
        "{}: {} fields ({}), {}",
        one_line(&summary.source),
        summary.fields,
        duration(summary.seconds),
        word(summary.verdict, 0)
    )];
    for group in GROUPS {
        let mut missing = summary.not_judged.iter();
        let line = match missing.find(|missing| missing.group == group) {
            Some(missing) => format!(
                "  {:<11} {} {}",
                group.word(),
                word(summary.groups.of(group), WORD_WIDTH),
                one_line(&missing.why)
            ),
            None => format!(
                "  {:<11} {}",
                group.word(),
                word(summary.groups.of(group), 0)
            ),
        };
        lines.push(line);
    }
    let reasons = summary.reasons.iter();
    lines.extend(reasons.map(|reason| format!("  {}", one_line(reason))));
    lines
}

/// The look before a transfer: its word and what to do next, then what to fix, what was found, what is wanted.
#[must_use]
pub fn readiness(readiness: &Readiness, ink: Ink) -> Vec<String> {
    let word = readiness.word;
    let mut lines = vec![format!("{}: {}", ink.ready(word), word.next())];
    let lists = [
        ("fix", &readiness.fixes),
        ("found", &readiness.found),
        ("on the tape", &readiness.known),
        ("wanted", &readiness.wanted),
    ];
    for (name, list) in lists {
        for (at, text) in list.iter().enumerate() {
            let name = if at == 0 { name } else { "" };
            lines.push(format!("  {name:<11} {}", one_line(text)));
        }
    }
    lines
}

/// Columns of the longest word and a space.
const WORD_WIDTH: usize = 10;

/// One of several files.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Its name.
    pub file: String,
    /// How long it is; `None` where nobody knows.
    pub seconds: Option<f64>,
    /// What became of it.
    pub word: Word,
    /// The first reason, or what went wrong.
    pub note: String,
}

impl Row {
    /// The same without what could act on a terminal.
    fn fit(&self) -> Self {
        Self {
            file: one_line(&self.file).into_owned(),
            note: one_line(&self.note).into_owned(),
            ..*self
        }
    }
}

/// Several files: a row each, and how many of each word there are.
#[must_use]
pub fn table(rows: &[Row], ink: Ink) -> Vec<String> {
    let rows: Vec<Row> = rows.iter().map(Row::fit).collect();
    let rows = rows.as_slice();
    let length = |row: &Row| row.seconds.map_or(String::new(), duration);
    let widest = |heading: &str, texts: &dyn Fn(&Row) -> String| {
        let widths = rows.iter().map(|row| texts(row).width());
        widths.max().unwrap_or(0).max(heading.len())
    };
    let file_width = widest("file", &|row| row.file.clone());
    let length_width = widest("length", &length);
    let filled = |text: &str, width: usize| {
        let fill = " ".repeat(width.saturating_sub(text.width()));
        format!("{text}{fill}")
    };
    let mut lines = vec![format!(
        "{}  {:>length_width$}  {}",
        filled("file", file_width),
        "length",
        "verdict"
    )];
    for row in rows {
        let length = length(row);
        let fill = " ".repeat(length_width.saturating_sub(length.width()));
        let line = format!(
            "{}  {fill}{length}  {} {}",
            filled(&row.file, file_width),
            ink.word(row.word, WORD_WIDTH),
            row.note
        );
        lines.push(line.trim_end().to_owned());
    }
    lines.push(count(rows));
    lines
}

/// `4 files: 2 clean, 1 unfit, 1 failed`.
fn count(rows: &[Row]) -> String {
    let words = [
        Word::Judged(Verdict::Clean),
        Word::Judged(Verdict::Usable),
        Word::Judged(Verdict::Undecided),
        Word::Judged(Verdict::Unfit),
        Word::Failed,
        Word::Stopped,
    ];
    let counts = words.into_iter().filter_map(|word| {
        let count = rows.iter().filter(|row| row.word == word).count();
        (count > 0).then(|| format!("{count} {}", word.text()))
    });
    let counts: Vec<String> = counts.collect();
    let files = if rows.len() == 1 { "file" } else { "files" };
    format!("{} {files}: {}", rows.len(), counts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows() -> Vec<Row> {
        vec![
            Row {
                file: "Fähre.mkv".to_owned(),
                seconds: Some(1_800.0),
                word: Word::Judged(Verdict::Clean),
                note: String::new(),
            },
            Row {
                file: "low tide, reel 2.mkv".to_owned(),
                seconds: Some(4.0),
                word: Word::Judged(Verdict::Unfit),
                note: "Wobble on 12 % of the programme.".to_owned(),
            },
            Row {
                file: "notes.mkv".to_owned(),
                seconds: None,
                word: Word::Failed,
                note: "notes.mkv is empty".to_owned(),
            },
        ]
    }

    #[test]
    fn columns_of_the_table_are_aligned() {
        let expected = [
            "file                  length  verdict",
            "Fähre.mkv             30 min  clean",
            "low tide, reel 2.mkv   4.0 s  unfit      Wobble on 12 % of the programme.",
            "notes.mkv                     failed     notes.mkv is empty",
            "3 files: 1 clean, 1 unfit, 1 failed",
        ];
        assert_eq!(table(&rows(), Ink::new(false)), expected);
    }

    #[test]
    fn colour_changes_no_column() {
        let coloured = table(&rows(), Ink::new(true));
        let bare: Vec<String> = coloured.iter().map(|line| without_colour(line)).collect();
        let plain = table(&rows(), Ink::new(false));
        let trimmed: Vec<String> = bare.iter().map(|line| line.trim_end().to_owned()).collect();
        assert_eq!(trimmed, plain);
        assert!(coloured[2].contains("\u{1b}["), "{}", coloured[2]);
    }

    #[test]
    fn words_of_others_cannot_act_on_the_terminal() {
        let mut rows = rows();
        rows[0].file = "\u{1b}[2Jreel\n2".to_owned();
        rows[1].note = "\u{9b}31m\u{202e}".to_owned();
        let lines = table(&rows, Ink::new(false));
        assert_eq!(lines.len(), 5);
        assert!(lines[1].contains("\u{fffd}[2Jreel\u{fffd}2"), "{lines:?}");
        assert!(!lines.iter().any(|line| line.chars().any(crate::text::acts)));
    }

    /// A line less its escape sequences.
    fn without_colour(line: &str) -> String {
        let mut parts = line.split('\u{1b}');
        let first = parts.next().unwrap_or_default().to_owned();
        parts.fold(first, |text, part| {
            text + part.split_once('m').map_or("", |(_, rest)| rest)
        })
    }
}
