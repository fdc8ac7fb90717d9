//! Whether what is measured gets into the pass file: told when it does not, and when it does again.
//!
//! In: the writer's [`WriterWatch`], looked at after each frame. Out: [`Word`]s for the log of events.
//!
//! Does not know: who logs them, or why a disk fails.

use std::time::{Duration, Instant};

use crate::record::{SLOW, Trouble, WriterWatch};

/// How long the writing must have gone well before it is said to be over: a full disk takes a batch now and then.
const WELL_FOR: Duration = Duration::from_secs(2);

/// What is to be told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Word {
    /// It is not stored any more, and why.
    Begins(String),
    /// It is again, and what is missing.
    Ends(String),
}

/// Watches a pass file being written.
#[derive(Debug)]
pub(super) struct Storage {
    watch: WriterWatch,
    told: Option<Told>,
}

/// Trouble that was told of.
#[derive(Debug)]
struct Told {
    since: Instant,
    /// Fields that had been dropped before.
    dropped: u64,
    well_since: Option<Instant>,
}

impl Storage {
    pub(super) fn new(watch: WriterWatch) -> Self {
        Self { watch, told: None }
    }

    /// What is to be told now, if anything.
    pub(super) fn look(&mut self, now: Instant) -> Option<Word> {
        let trouble = self.watch.trouble(now);
        let Some(told) = &mut self.told else {
            let why = self.why(trouble?);
            self.told = Some(Told {
                since: now,
                dropped: self.watch.state().fields_dropped,
                well_since: None,
            });
            return Some(Word::Begins(why));
        };
        if trouble.is_some() {
            told.well_since = None;
            return None;
        }
        let well_since = *told.well_since.get_or_insert(now);
        if now.saturating_duration_since(well_since) < WELL_FOR {
            return None;
        }
        self.conclude(now)
    }

    /// What is to be said at the end of the pass of trouble that was told of.
    pub(super) fn conclude(&mut self, now: Instant) -> Option<Word> {
        let told = self.told.take()?;
        let state = self.watch.state();
        let lasted = now.saturating_duration_since(told.since).as_secs();
        let missing = match state.fields_dropped.saturating_sub(told.dropped) {
            0 => "nothing is missing in the pass".to_owned(),
            1 => "1 field is missing in the pass".to_owned(),
            fields => format!("{fields} fields are missing in the pass"),
        };
        let still = match (state.failing, told.well_since) {
            (Some((_, why)), _) => format!("not written to the end: {why}; "),
            (None, _) => format!("written again after {lasted} s; "),
        };
        Some(Word::Ends(format!("{still}{missing}")))
    }

    fn why(&self, trouble: Trouble) -> String {
        let state = self.watch.state();
        match (trouble, state.failing) {
            (_, Some((_, why))) => {
                format!("{why}; measuring goes on, half a minute waits in memory")
            }
            (Trouble::Dropping, None) => {
                "the disk is too slow: fields are being left out of the pass".to_owned()
            }
            (Trouble::Slow | Trouble::Failing, None) => format!(
                "the disk has not taken anything for {} s; measuring goes on, half a minute waits in memory",
                SLOW.as_secs()
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::WriterState;

    /// The words said while the writer's state is as it was at each second.
    fn said(course: &[WriterState]) -> Vec<(usize, Word)> {
        let watch = WriterWatch::default();
        let mut storage = Storage::new(watch.clone());
        let start = Instant::now();
        let mut words = Vec::new();
        for (second, state) in course.iter().enumerate() {
            watch.replace(state.clone());
            let now = start + Duration::from_secs(second as u64);
            words.extend(storage.look(now).map(|word| (second, word)));
        }
        words
    }

    fn failing(dropped: u64) -> WriterState {
        WriterState {
            failing: Some((Instant::now(), "the disk is full".into())),
            fields_dropped: dropped,
            ..WriterState::default()
        }
    }

    fn well(dropped: u64) -> WriterState {
        WriterState {
            fields_dropped: dropped,
            ..WriterState::default()
        }
    }

    #[test]
    fn trouble_is_told_once_and_its_end_with_what_is_missing() {
        let course = [
            well(7),
            failing(7),
            failing(7),
            well(7), // a batch found room
            failing(9),
            well(9),
            well(9),
            well(9),
            well(9),
        ];
        let words = said(&course);
        assert_eq!(words.len(), 2, "{words:?}");
        assert!(
            matches!(&words[0], (1, Word::Begins(why)) if why.starts_with("the disk is full")),
            "{words:?}"
        );
        let end = Word::Ends("written again after 6 s; 2 fields are missing in the pass".into());
        assert_eq!(words[1], (7, end));
    }

    #[test]
    fn a_commit_that_takes_long_is_told_of_though_nothing_has_failed() {
        let writing = WriterState {
            writing_since: Some(Instant::now()),
            ..WriterState::default()
        };
        let mut course = vec![writing; 21];
        course.extend(vec![well(0); 3]);
        let words = said(&course);
        assert_eq!(words.len(), 2, "{words:?}");
        let slow = SLOW.as_secs() as usize;
        assert!(
            words[0].0 == slow || words[0].0 == slow + 1,
            "told after {} s",
            words[0].0
        );
        assert!(
            matches!(&words[1].1, Word::Ends(text) if text.ends_with("nothing is missing in the pass")),
            "{words:?}"
        );
    }

    #[test]
    fn a_pass_that_ends_in_trouble_says_so() {
        let watch = WriterWatch::default();
        let mut storage = Storage::new(watch.clone());
        assert_eq!(storage.conclude(Instant::now()), None);
        watch.replace(failing(0));
        storage.look(Instant::now()).expect("it fails");
        watch.replace(failing(1));
        let end = "not written to the end: the disk is full; 1 field is missing in the pass";
        assert_eq!(
            storage.conclude(Instant::now()),
            Some(Word::Ends(end.into()))
        );
    }
}
