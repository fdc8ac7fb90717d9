//! Text of others, made fit for a terminal or a page.
//!
//! In: names, notes and messages that a file, a device, a tape's label or a decoder may have put control characters into. Out: the same
//! with [`STAND_IN`] in the place of each, so that it shows that something was there.
//!
//! Taken out are the control characters of ECMA-48 (C0 and C1 with DELETE, so every escape sequence loses its beginning) and those of
//! Unicode that turn the direction of text around or begin a line of their own (explicit formatting characters of Unicode Standard
//! Annex 9, section 2; LINE and PARAGRAPH SEPARATOR; ZERO WIDTH NO-BREAK SPACE). Marks that names in right-to-left scripts need stay.
//!
//! Does not know: where the text comes from, or what is drawn of it.

use std::borrow::Cow;
use std::io::{self, Write};

/// What stands in the place of a character that was taken out: REPLACEMENT CHARACTER.
pub const STAND_IN: char = '\u{fffd}';

/// Whether a character does something to a screen instead of being seen on it.
#[must_use]
pub fn acts(character: char) -> bool {
    character.is_control()
        || matches!(character,
            '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// A text as one line.
#[must_use]
pub fn one_line(text: &str) -> Cow<'_, str> {
    without(text, acts)
}

/// A text whose lines and tabs are meant.
#[must_use]
pub fn lines(text: &str) -> Cow<'_, str> {
    without(text, acts_in_lines)
}

fn acts_in_lines(character: char) -> bool {
    acts(character) && !matches!(character, '\n' | '\t')
}

fn without(text: &str, unfit: impl Fn(char) -> bool) -> Cow<'_, str> {
    if !text.chars().any(&unfit) {
        return Cow::Borrowed(text);
    }
    let fit = |character| {
        if unfit(character) {
            STAND_IN
        } else {
            character
        }
    };
    Cow::Owned(text.chars().map(fit).collect())
}

/// Passes text on as [`lines`] has it; what is no UTF-8 becomes [`STAND_IN`] too.
#[derive(Debug)]
pub struct Fit<W: Write> {
    to: W,
    /// The first bytes of a character whose others have not come yet.
    begun: Vec<u8>,
}

impl<W: Write> Fit<W> {
    /// Before a terminal.
    pub fn new(to: W) -> Self {
        Self {
            to,
            begun: Vec::new(),
        }
    }
}

impl<W: Write> Write for Fit<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut all = std::mem::take(&mut self.begun);
        all.extend_from_slice(bytes);
        let mut rest = all.as_slice();
        loop {
            match std::str::from_utf8(rest) {
                Ok(text) => {
                    self.to.write_all(lines(text).as_bytes())?;
                    break;
                }
                Err(error) => {
                    let (sound, odd) = rest.split_at(error.valid_up_to());
                    let sound = std::str::from_utf8(sound).unwrap_or_default();
                    self.to.write_all(lines(sound).as_bytes())?;
                    let Some(length) = error.error_len() else {
                        self.begun = odd.to_vec();
                        break;
                    };
                    write!(self.to, "{STAND_IN}")?;
                    rest = &odd[length..];
                }
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn escape_sequences_lose_their_beginning_and_say_that_they_were_there() {
        for (text, expected) in [
            ("reel 2, \"Low tide\" \u{2013} side A", None),
            (
                "\u{1b}[2J\u{1b}]0;title\u{7}",
                Some("\u{fffd}[2J\u{fffd}]0;title\u{fffd}"),
            ),
            ("\u{9b}31mred", Some("\u{fffd}31mred")),
            ("a\rb\u{8}c\u{7f}", Some("a\u{fffd}b\u{fffd}c\u{fffd}")),
            ("gpj.\u{202e}4m6", Some("gpj.\u{fffd}4m6")),
            ("a\u{2028}b\u{2066}c", Some("a\u{fffd}b\u{fffd}c")),
        ] {
            let expected = expected.unwrap_or(text);
            assert_eq!(one_line(text), expected);
            assert_eq!(lines(text), expected);
        }
        assert_eq!(one_line("a\n\tb"), "a\u{fffd}\u{fffd}b");
        assert_eq!(lines("a\n\tb"), "a\n\tb");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn whatever_comes_in_whatever_pieces_nothing_that_acts_goes_out(
            text in any::<String>(), odd in proptest::collection::vec(any::<u8>(), 0..20), cut in 0_usize..40,
        ) {
            prop_assert!(!one_line(&text).chars().any(acts));
            let bytes = [text.as_bytes(), &odd].concat();
            let mut whole = Vec::new();
            Fit::new(&mut whole).write_all(&bytes).expect("room");
            let mut pieces = Vec::new();
            let (first, second) = bytes.split_at(cut.min(bytes.len()));
            let mut fit = Fit::new(&mut pieces);
            fit.write_all(first).and_then(|()| fit.write_all(second)).expect("room");
            drop(fit);
            prop_assert_eq!(&whole, &pieces);
            let said = String::from_utf8(whole).expect("text");
            prop_assert!(!said.chars().any(acts_in_lines));
            prop_assert!(said.starts_with(&*lines(&text)));
        }
    }
}
