//! Limits read from TOML.
//!
//! A file overrides by id: what it does not name stays as it is. Errors name the key, its line, and what is allowed.

use std::fs::File;
use std::io::{self, Read as _};
use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Limit, Limits, NUMBERS, Severity, Side, TABLE, Test, Threshold};

/// Longest limits text that is read: ten times what [`Limits::to_toml`] prints.
pub const MOST_BYTES: usize = 128 * 1024;

/// Longest window and longest stay: ten minutes of fields.
const MOST_FIELDS: i64 = 36_000;

/// Longest window of a k-of-n rule: a minute of fields, kept in memory for each row.
const MOST_OF: i64 = 3_600;

/// Why a limits text is refused.
#[derive(Debug, thiserror::Error)]
pub enum LimitsError {
    /// The file could not be read.
    #[error("the limits file cannot be read")]
    Unreadable(#[source] io::Error),
    /// Longer than any limits file.
    #[error(
        "the limits file is longer than {} KiB: this is no limits file (`trueline limits` prints one)",
        MOST_BYTES / 1024
    )]
    TooLong,
    /// Not UTF-8.
    #[error("the limits file is not text: write it in UTF-8")]
    NotText,
    /// Not TOML.
    #[error("line {line}: not TOML: {message}")]
    Syntax {
        /// Line, from 1.
        line: usize,
        /// The parser's words.
        message: String,
    },
    /// A table that is none of ours.
    #[error("line {line}: there is no limit [{name}]; there are {known}")]
    UnknownTable {
        /// Line, from 1.
        line: usize,
        /// What was read.
        name: String,
        /// What there is.
        known: String,
    },
    /// A key that its table does not have.
    #[error("line {line}: [{table}] has no '{key}'; it has {known}")]
    UnknownKey {
        /// Line, from 1.
        line: usize,
        /// Table.
        table: String,
        /// What was read.
        key: String,
        /// What there is.
        known: String,
    },
    /// A value of another type, or out of bounds.
    #[error("line {line}: {table}.{key} = {found}: {allowed}")]
    Value {
        /// Line, from 1.
        line: usize,
        /// Table.
        table: String,
        /// Key.
        key: String,
        /// What was read.
        found: String,
        /// What is allowed.
        allowed: String,
    },
}

/// A value with where it stands, for messages.
struct Entry<'a> {
    text: &'a str,
    table: &'a str,
    key: &'a str,
    value: &'a Spanned<DeValue<'a>>,
}

impl Limits {
    /// The default limits with those of a text in their place.
    ///
    /// # Errors
    /// A text that is no TOML, an unknown table or key, a value of a wrong type or out of bounds, `leave` outside
    /// `enter`, more `hits` than `of`.
    pub fn from_toml(text: &str) -> Result<Self, LimitsError> {
        Self::default().overridden_by(text)
    }

    /// These limits with those of a text in their place.
    ///
    /// # Errors
    /// As [`Limits::from_toml`].
    pub fn overridden_by(mut self, text: &str) -> Result<Self, LimitsError> {
        if text.len() > MOST_BYTES {
            return Err(LimitsError::TooLong);
        }
        let document = DeTable::parse(text).map_err(|error| LimitsError::Syntax {
            line: line_of(text, error.span().unwrap_or(0..0)),
            message: error.message().to_owned(),
        })?;
        for (name, value) in document.get_ref() {
            let table = name.get_ref().as_ref();
            let line = line_of(text, name.span());
            let Some(keys) = value.get_ref().as_table() else {
                return Err(LimitsError::UnknownTable {
                    line,
                    name: table.to_owned(),
                    known: known_tables(),
                });
            };
            let entries = keys.iter().map(|(key, value)| Entry {
                text,
                table,
                key: key.get_ref().as_ref(),
                value,
            });
            self.override_table(table, line, entries)?;
        }
        Ok(self)
    }

    /// The default limits with those of a file in their place.
    ///
    /// # Errors
    /// An unreadable file, and as [`Limits::from_toml`].
    pub fn from_file(path: &Path) -> Result<Self, LimitsError> {
        let mut bytes = Vec::new();
        File::open(path)
            .and_then(|file| file.take(MOST_BYTES as u64 + 1).read_to_end(&mut bytes))
            .map_err(LimitsError::Unreadable)?;
        if bytes.len() > MOST_BYTES {
            return Err(LimitsError::TooLong);
        }
        match std::str::from_utf8(&bytes) {
            Ok(text) => Self::from_toml(text),
            Err(_) => Err(LimitsError::NotText),
        }
    }

    fn override_table<'a>(
        &mut self,
        table: &str,
        line: usize,
        entries: impl Iterator<Item = Entry<'a>>,
    ) -> Result<(), LimitsError> {
        if let Some(row) = self.rows.iter_mut().find(|row| row.id == table) {
            return override_row(row, entries);
        }
        if NUMBERS.iter().all(|number| number.group != table) {
            return Err(LimitsError::UnknownTable {
                line,
                name: table.to_owned(),
                known: known_tables(),
            });
        }
        for entry in entries {
            let number = NUMBERS
                .iter()
                .find(|number| number.group == table && number.key == entry.key)
                .ok_or_else(|| {
                    let known = NUMBERS.iter().filter(|number| number.group == table);
                    entry.unknown_key(&join(known.map(|number| number.key)))
                })?;
            *(number.place)(&mut self.numbers) = entry.number(number.allowed)?;
        }
        Ok(())
    }
}

/// Keys of a row with a threshold.
const THRESHOLD_KEYS: &str = "enter, leave, worse_step, hits, of, clear_after, severity";
/// Keys of a row about words.
const WORDS_KEYS: &str = "hits, of, clear_after, severity";

fn override_row<'a>(
    row: &mut Limit,
    entries: impl Iterator<Item = Entry<'a>>,
) -> Result<(), LimitsError> {
    let mut last_of_pair = (None, None);
    for entry in entries {
        match (entry.key, &mut row.test) {
            ("hits", _) => row.hits = entry.count(MOST_OF)?,
            ("of", _) => row.of = entry.count(MOST_OF)?,
            ("clear_after", _) => row.clear_after = entry.count(MOST_FIELDS)?,
            ("severity", _) => row.severity = entry.severity()?,
            ("enter", Test::Number(threshold)) => {
                threshold.enter = entry.number(threshold.allowed)?;
            }
            ("leave", Test::Number(threshold)) => threshold.leave = entry.number(EVERYTHING)?,
            ("worse_step", Test::Number(threshold)) => {
                threshold.worse_step = entry.number(STEPS)?;
            }
            (_, Test::Number(_)) => return Err(entry.unknown_key(THRESHOLD_KEYS)),
            (_, Test::Words(_)) => return Err(entry.unknown_key(WORDS_KEYS)),
        }
        match entry.key {
            "hits" | "of" => last_of_pair.0 = Some(entry),
            "enter" | "leave" => last_of_pair.1 = Some(entry),
            _ => {}
        }
    }
    if let (Some(entry), _) = &last_of_pair
        && row.hits > row.of
    {
        return Err(entry.refuse(format!(
            "'hits' must not be more than 'of', but {} of {} fields were asked for",
            row.hits, row.of
        )));
    }
    if let (_, Some(entry)) = &last_of_pair
        && let Some(threshold) = row.threshold()
        && !threshold.leaves_inside()
    {
        return Err(entry.refuse(outside(threshold)));
    }
    Ok(())
}

/// A `leave` may be any number that lies inside its `enter`.
const EVERYTHING: (f64, f64) = (-1e6, 1e6);
/// A step must be a step.
const STEPS: (f64, f64) = (1e-3, 1e6);

fn outside(threshold: &Threshold) -> String {
    let relation = if threshold.side == Side::Below {
        "below"
    } else {
        "above"
    };
    format!(
        "'leave' ({}) must not lie {relation} 'enter' ({}), or the event would end and begin in one field",
        threshold.leave, threshold.enter
    )
}

impl Entry<'_> {
    fn number(&self, (least, most): (f64, f64)) -> Result<f64, LimitsError> {
        let number = match self.value.get_ref() {
            DeValue::Integer(integer) => integer.to_string().parse().ok(),
            DeValue::Float(float) => float.as_str().parse().ok(),
            _ => None,
        };
        number
            .filter(|number: &f64| (least..=most).contains(number))
            .ok_or_else(|| self.refuse(format!("a number from {least} to {most} is allowed")))
    }

    fn count(&self, most: i64) -> Result<u32, LimitsError> {
        let refused = || self.refuse(format!("a whole number from 1 to {most} is allowed"));
        let count = match self.value.get_ref() {
            DeValue::Integer(integer) => integer.to_string().parse::<i64>().ok(),
            _ => None,
        };
        count
            .filter(|count| (1..=most).contains(count))
            .and_then(|count| u32::try_from(count).ok())
            .ok_or_else(refused)
    }

    fn severity(&self) -> Result<Severity, LimitsError> {
        [Severity::Notice, Severity::Alarm]
            .into_iter()
            .find(|severity| self.value.get_ref().as_str() == Some(severity.word()))
            .ok_or_else(|| self.refuse("\"notice\" or \"alarm\" is allowed".to_owned()))
    }

    fn refuse(&self, allowed: String) -> LimitsError {
        let found = &self.text[self.value.span()];
        LimitsError::Value {
            line: line_of(self.text, self.value.span()),
            table: self.table.to_owned(),
            key: self.key.to_owned(),
            found: found.chars().take(60).collect(),
            allowed,
        }
    }

    fn unknown_key(&self, known: &str) -> LimitsError {
        LimitsError::UnknownKey {
            line: line_of(self.text, self.value.span()),
            table: self.table.to_owned(),
            key: self.key.to_owned(),
            known: known.to_owned(),
        }
    }
}

fn line_of(text: &str, span: Range<usize>) -> usize {
    let before = text.len().min(span.start);
    let lines = text.as_bytes()[..before].split(|&byte| byte == b'\n');
    lines.count()
}

fn known_tables() -> String {
    let mut groups: Vec<&str> = NUMBERS.iter().map(|number| number.group).collect();
    groups.dedup();
    join(TABLE.iter().map(|row| row.id).chain(groups))
}

fn join<'a>(words: impl Iterator<Item = &'a str>) -> String {
    words.collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn refusal(text: &str) -> String {
        match Limits::from_toml(text) {
            Ok(_) => String::from("accepted"),
            Err(error) => error.to_string(),
        }
    }

    #[test]
    fn what_is_printed_reads_back_the_same() {
        let mut limits = Limits::default();
        limits.rows[0].severity = Severity::Notice;
        limits.rows[0].hits = 3;
        limits.numbers.slip_ms = 80.0;
        let text = limits.to_toml();
        assert!(text.len() * 10 < MOST_BYTES * 2, "{}", text.len());
        assert_eq!(Limits::from_toml(&text).expect("our own print"), limits);
    }

    #[test]
    fn a_file_overrides_what_it_names_and_nothing_else() {
        let limits = Limits::from_toml("[wobble]\nenter = 74\n[verdict]\nslip_ms = 80\n")
            .expect("a valid text");
        let mut expected = Limits::default();
        if let Test::Number(threshold) = &mut expected.rows[0].test {
            threshold.enter = 74.0;
        }
        expected.numbers.slip_ms = 80.0;
        assert_eq!(limits, expected);
    }

    #[test]
    fn an_unknown_table_or_key_is_named_with_its_line_and_what_there_is() {
        let message = refusal("\n[wobbel]\nenter = 74\n");
        assert!(
            message.contains("line 2") && message.contains("[wobbel]"),
            "{message}"
        );
        assert!(message.contains("flagging, tear"), "{message}");
        let message = refusal("[wobble]\n\nentre = 74\n");
        assert!(
            message.contains("line 3") && message.contains("'entre'"),
            "{message}"
        );
        assert!(message.contains("worse_step"), "{message}");
        let message = refusal("[snow]\nenter = 1\n");
        assert!(message.contains("[snow] has no 'enter'"), "{message}");
        assert!(refusal("[verdict]\nslip = 1\n").contains("slip_ms"));
        assert!(refusal("wobble = 3\n").contains("line 1: there is no limit [wobble]"));
    }

    #[test]
    fn a_wrong_type_or_an_absurd_value_says_what_is_allowed() {
        for (text, expected) in [
            (
                "[wobble]\nenter = \"a\"",
                "line 2: wobble.enter = \"a\": a number from 7.4 to 5000",
            ),
            ("[wobble]\nenter = nan", "a number from"),
            ("[wobble]\nenter = inf", "a number from"),
            ("[wobble]\nenter = 1.0", "a number from 7.4"),
            ("[wobble]\nhits = 2.5", "a whole number from 1 to 3600"),
            ("[wobble]\nof = 0", "a whole number from 1"),
            (
                "[wobble]\nof = 99999999999999999999",
                "a whole number from 1",
            ),
            (
                "[wobble]\nclear_after = true",
                "a whole number from 1 to 36000",
            ),
            ("[wobble]\nseverity = \"loud\"", "\"notice\" or \"alarm\""),
            ("[wobble]\nworse_step = 0", "a number from 0.001"),
            ("[verdict]\nslip_ms = -3", "a number from 1 to 10000"),
        ] {
            let message = refusal(text);
            assert!(message.contains(expected), "{text}: {message}");
        }
    }

    #[test]
    fn pairs_that_contradict_each_other_are_refused() {
        let message = refusal("[wobble]\nleave = 40\n");
        assert!(
            message.contains("line 2: wobble.leave = 40: 'leave' (40) must not lie above"),
            "{message}"
        );
        let message = refusal("[black_low]\nleave = -4\n");
        assert!(message.contains("must not lie below"), "{message}");
        let message = refusal("[wobble]\nof = 5\n");
        assert!(message.contains("6 of 5"), "{message}");
        assert_eq!(refusal("[wobble]\nof = 5\nhits = 5\n"), "accepted");
        assert_eq!(refusal("[wobble]\nenter = 20\nleave = 10\n"), "accepted");
    }

    #[test]
    fn what_is_not_toml_is_refused_with_its_line() {
        let message = refusal("[wobble]\nenter = 40\nleave == 3\n");
        assert!(message.starts_with("line 3: not TOML"), "{message}");
    }

    #[test]
    fn a_text_too_long_and_a_file_that_is_none_are_refused() {
        let long = "#".repeat(MOST_BYTES + 1);
        assert!(matches!(
            Limits::from_toml(&long),
            Err(LimitsError::TooLong)
        ));
        let folder = tempfile::tempdir().expect("a temporary folder");
        let read = Limits::from_file(folder.path());
        assert!(matches!(read, Err(LimitsError::Unreadable(_))));
        let path = folder.path().join("limits.toml");
        std::fs::write(&path, [0xff, 0xfe]).expect("a written file");
        assert!(matches!(
            Limits::from_file(&path),
            Err(LimitsError::NotText)
        ));
        std::fs::write(&path, &long).expect("a written file");
        assert!(matches!(
            Limits::from_file(&path),
            Err(LimitsError::TooLong)
        ));
    }

    #[test]
    fn a_table_where_a_value_belongs_is_refused() {
        let message = refusal("[wobble.enter]\nof = 1\n");
        assert!(message.contains("wobble.enter"), "{message}");
        assert!(refusal("[wobble]\nhits = [1]\n").contains("wobble.hits = [1]"));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn whatever_is_read_is_refused_or_leaves_limits_that_hold(
            lines in prop::collection::vec(
                r#"(\[(wobble|tear|snow|verdict)\]|(enter|leave|hits|of|slip_ms|é|"x") ?= ?(-?[0-9]{1,7}(\.[0-9])?|nan|"a"|\[1))"#,
                0..8,
            )
        ) {
            if let Ok(limits) = Limits::from_toml(&lines.join("\n")) {
                for row in limits.rows() {
                    prop_assert!((1..=row.of).contains(&row.hits));
                    prop_assert!(row.threshold().is_none_or(Threshold::leaves_inside));
                }
                prop_assert_eq!(Limits::from_toml(&limits.to_toml()).ok(), Some(limits));
            }
        }
    }
}
