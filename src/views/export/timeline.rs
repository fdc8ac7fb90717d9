//! When things are, for formats that lie beside a video: in the recorded file's time where the pass knows it.
//!
//! A recorder may have got other frames than the pass has ([`HandedOn`]). Then a field stands where its frame stands in that
//! file; one that was not handed on, where the next one does that was. Otherwise times are those of the pass.
//!
//! Does not know: cues and chapters.

use crate::fields::FieldPlace;
use crate::record::{HandedOn, Pass, RecordError, tee_frame};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// The times of a pass.
pub(super) struct Timeline {
    /// Empty where times are those of the pass.
    turns: Vec<HandedOn>,
    period: Seconds,
    /// The end of the last field.
    end: f64,
}

impl Timeline {
    pub(super) fn of<const N: usize>(pass: &Pass<N>) -> Result<Self, RecordError> {
        let period = pass.head().field_period;
        let last = pass.last_place()?;
        Ok(Self::new(pass.handed_on()?, period, last))
    }

    fn new(turns: Vec<HandedOn>, period: Seconds, last: Option<FieldPlace>) -> Self {
        let mut timeline = Self {
            turns,
            period,
            end: f64::INFINITY,
        };
        timeline.end = last.map_or(0.0, |last| timeline.end_of(last));
        timeline
    }

    /// Whose times they are, for people.
    pub(super) fn about(&self) -> &'static str {
        if self.turns.is_empty() {
            "Times are those of the pass, from its first field on."
        } else {
            "Times are those of the recorded file: what was handed on by --tee differs from the pass."
        }
    }

    /// How long it all is.
    pub(super) fn end(&self) -> f64 {
        self.end
    }

    /// When a field begins; `None` where nothing from it on is in the recorded file.
    pub(super) fn start_of(&self, place: FieldPlace) -> Option<f64> {
        if self.turns.is_empty() {
            return Some(place.seconds.0);
        }
        Some(self.frame_time(self.next_frame(place.field)?))
    }

    /// When a field ends.
    pub(super) fn end_of(&self, place: FieldPlace) -> f64 {
        if self.turns.is_empty() {
            return (place.seconds + self.period).0.min(self.end);
        }
        let time = match tee_frame(&self.turns, place.field) {
            Some(frame) => self.frame_time(frame + 1),
            None => self.frame_time(self.handed_before(place.field)),
        };
        time.min(self.end)
    }

    /// The same for a field whose row is not at hand.
    pub(super) fn start_of_field(&self, field: FieldIndex, seconds: Seconds) -> Option<f64> {
        self.start_of(FieldPlace {
            field,
            parity: crate::standard::Parity::Top, // makes no difference to times
            seconds,
        })
    }

    fn frame_time(&self, frame: u64) -> f64 {
        (self.period * 2.0).0 * frame as f64
    }

    /// The frame a field is in, or the first after it that was handed on.
    fn next_frame(&self, field: FieldIndex) -> Option<u64> {
        tee_frame(&self.turns, field).or_else(|| {
            let mut later = self.turns.iter().filter(|turn| turn.start > field);
            later.find_map(|turn| turn.tee_frame)
        })
    }

    /// Frames that had been handed on before a field that was not.
    fn handed_before(&self, field: FieldIndex) -> u64 {
        let stopped = self.turns.iter().rfind(|turn| turn.start <= field);
        let Some(before) = stopped.and_then(|turn| turn.start.0.checked_sub(1)) else {
            return 0;
        };
        // Turns without a frame may follow each other.
        match tee_frame(&self.turns, FieldIndex(before)) {
            Some(frame) => frame + 1,
            None => self.handed_before(FieldIndex(before)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::testing::place;
    use crate::standard::Standard;

    /// Frames of 1001/30000 s.
    fn frames(count: u64) -> f64 {
        count as f64 * 1001.0 / 30_000.0
    }

    fn timeline(turns: &[(u64, Option<u64>)], last: u64) -> Timeline {
        let turn = |&(start, tee_frame)| HandedOn {
            start: FieldIndex(start),
            tee_frame,
        };
        let period = Standard::Lines525.field_period();
        Timeline::new(turns.iter().map(turn).collect(), period, Some(place(last)))
    }

    #[track_caller]
    fn check(found: Option<f64>, expected: f64) {
        let found = found.expect("it is in the file");
        assert!(
            (found - expected).abs() < 1e-9,
            "{found} and not {expected}"
        );
    }

    #[test]
    fn without_turns_times_are_those_of_the_pass() {
        let timeline = timeline(&[], 599);
        check(timeline.start_of(place(121)), 121.0 * 1001.0 / 60_000.0);
        check(Some(timeline.end_of(place(121))), 122.0 * 1001.0 / 60_000.0);
        check(Some(timeline.end()), frames(300));
        assert!(timeline.about().contains("of the pass"));
    }

    #[test]
    fn frames_that_were_left_out_or_put_in_move_what_follows() {
        // From field 100 (frame 50) on nothing; from field 200 on, ten frames were put in.
        let timeline = timeline(&[(100, None), (200, Some(60))], 399);
        check(timeline.start_of(place(98)), frames(49));
        check(timeline.start_of(place(150)), frames(60));
        check(Some(timeline.end_of(place(150))), frames(50));
        check(timeline.start_of(place(201)), frames(60));
        check(Some(timeline.end_of(place(201))), frames(61));
        check(Some(timeline.end()), frames(160));
        assert!(timeline.about().contains("recorded file"));
    }

    #[test]
    fn a_recorder_that_went_away_ends_the_file() {
        let timeline = timeline(&[(100, Some(48)), (180, None), (190, None)], 399);
        check(Some(timeline.end()), frames(88));
        assert_eq!(timeline.start_of(place(185)), None);
        check(timeline.start_of(place(179)), frames(48 + 39));
    }
}
