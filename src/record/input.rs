//! What a device said of its input during a pass, for the pass file.
//!
//! Does not know: devices, or what its words mean.

use crate::alarms::PassClock;
use crate::timecode::FieldIndex;

/// Changes kept: a loose plug may make thousands, and the first tell what kind they are.
const MOST: usize = 200;

/// The words of a device as they came.
#[derive(Clone, Debug, Default)]
pub struct InputWords {
    words: Vec<(FieldIndex, String)>,
    more: u64,
}

impl InputWords {
    /// Takes what it says from a field on.
    pub fn take(&mut self, from: FieldIndex, words: &str) {
        if self.words.len() < MOST {
            self.words.push((from, words.to_owned()));
        } else {
            self.more += 1;
        }
    }

    /// All of it in one line, each change with its timecode; `None` where the device said nothing.
    #[must_use]
    pub fn in_words(&self, clock: PassClock) -> Option<String> {
        let said = self.words.iter().map(|(from, words)| {
            let label = clock.label(from.frame());
            let words = if words.is_empty() {
                "says nothing"
            } else {
                words
            };
            format!("{label} {words}")
        });
        let mut said: Vec<String> = said.collect();
        if self.more > 0 {
            said.push(format!("{} more changes", self.more));
        }
        (!said.is_empty()).then(|| said.join("; "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::clock;

    #[test]
    fn words_stand_in_their_order_with_their_timecode() {
        let mut words = InputWords::default();
        assert_eq!(words.in_words(clock()), None);
        words.take(FieldIndex(0), "signal locked");
        words.take(FieldIndex(120), "no horizontal lock");
        words.take(FieldIndex(180), "");
        assert_eq!(
            words.in_words(clock()).as_deref(),
            Some(
                "00:00:00;00 signal locked; 00:00:02;00 no horizontal lock; 00:00:03;00 says nothing"
            )
        );
    }

    #[test]
    fn a_loose_plug_is_counted_beyond_what_is_kept() {
        let mut words = InputWords::default();
        for field in 0..300 {
            words.take(FieldIndex(field), "no sync");
        }
        let said = words.in_words(clock()).expect("it said much");
        assert!(said.ends_with("; 100 more changes"), "{said}");
    }
}
