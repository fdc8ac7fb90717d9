//! The analysis thread's work: frames to fields, fields to readings, readings to events, all of it to the sinks.
//!
//! In: [`Delivery`]s of a capture, and [`Remark`]s. Out: [`Seen`] to every sink, at last the [`Summary`]. Loops until the
//! source ends or fails, the wanted length is reached, or somebody asks for the end. Nothing is allocated per field once
//! the buffers have gone round.
//!
//! Does not know: which sinks there are, or what a measure measures.

use std::time::{Duration, Instant};

use anyhow::{Context, Error, Result};
use crossbeam_channel::{Receiver, never, select};

use crate::alarms::{Alarms, Change, EventLog, PassClock, WhyEnded};
use crate::fields::{FieldPlace, History, Splitter};
use crate::limits::{Kind, Limits};
use crate::measures::{Suite, hands::Hands};
use crate::record::{
    Evidence, HandedOn, InputWords, PassFacts, Readiness, Row, Sections, Statistics, Summary,
    sections,
};
use crate::sources::{Frame, News, NewsKind, SourceError, SourceErrorKind};
use crate::standard::Standard;
use crate::timecode::FieldIndex;
use crate::units::{Hertz, Seconds};

use super::capture::Delivery;
use super::relief::Relief;
use super::signals::Stop;
use super::sinks::{Measured, Recorder, Seen, Sink};
use super::stored::{Storage, Word};

/// Variable of the environment that has everything measured even where frames are lost by it, for whoever compares what is measured live
/// with the same frames measured later.
const ALL_MEASURES: &str = "TRUELINE_ALL_MEASURES";

/// What a pass is, as far as its analysis must know.
#[derive(Clone, Debug)]
pub(super) struct PassPlan {
    /// The source, in the operator's words.
    pub source: String,
    /// Scanning standard.
    pub standard: Option<Standard>,
    /// Luma sample rate.
    pub sample_rate: Option<Hertz>,
    /// Labels frames.
    pub clock: PassClock,
    /// Limits in force.
    pub limits: Limits,
    /// Stop once this much tape has been measured.
    pub length: Option<Duration>,
}

/// A remark for the log of events that comes from outside the picture.
#[derive(Clone, Debug)]
pub(super) struct Remark {
    /// Where; `None` is now.
    pub at: Option<FieldPlace>,
    /// What is said.
    pub text: String,
}

/// Why the analysis ended.
#[derive(Debug)]
pub(super) enum End {
    /// The source is at its end, or the wanted length is reached.
    Whole,
    /// Somebody asked for it.
    Asked,
    /// The source failed; what came before is measured and kept.
    Failed(Error),
}

/// Everything between the capture channel and the sinks.
pub(super) struct Analysis {
    splitter: Splitter,
    history: History,
    suite: Suite,
    alarms: Alarms,
    statistics: Statistics,
    sections: Sections,
    log: EventLog,
    changes: Vec<Change>,
    absence: Option<Absence>,
    /// What was to be noted before there was a field to note it at.
    early: Vec<(Kind, String)>,
    /// The source failed.
    broken_off: bool,
    /// From which fields on frames stand elsewhere in what a recorder gets; `None` without one.
    handed_on: Option<Vec<HandedOn>>,
    input: InputWords,
    /// What the device said last of its input.
    said: String,
    plan: PassPlan,
    recorder: Option<Recorder>,
    storage: Option<Storage>,
    losses: Losses,
    /// Leaves measures out where the source does not wait; `None` where it does.
    relief: Option<Relief>,
    sinks: Vec<Box<dyn Sink>>,
}

/// What was lost before the measured fields, and through whom.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Losses {
    /// Fields measured.
    pub fields: u64,
    /// Fields lost.
    pub lost: u64,
    /// Those of them that came, and that this computer was too slow for.
    pub by_us: u64,
}

/// The source delivers nothing.
#[derive(Debug)]
struct Absence {
    kind: Kind,
    why: String,
    since: Instant,
    /// An event of it is open.
    opened: bool,
}

/// How often a quiet source is looked past to see whether somebody asks for the end.
const LOOK_UP: Duration = Duration::from_millis(100);

/// Notes that may wait for the first field: a device that stays silent makes one, an operator a few.
const MOST_EARLY: usize = 64;

impl Analysis {
    pub(super) fn new(
        plan: PassPlan,
        recorder: Option<Recorder>,
        sinks: Vec<Box<dyn Sink>>,
    ) -> Self {
        Self {
            splitter: Splitter::new(),
            history: History::default(),
            suite: Suite::new(),
            alarms: Alarms::new(&plan.limits, plan.clock),
            statistics: Statistics::new(&plan.limits.numbers),
            sections: Sections::default(),
            log: EventLog::new(),
            changes: Vec::new(),
            absence: None,
            early: Vec::new(),
            broken_off: false,
            handed_on: None,
            input: InputWords::default(),
            said: String::new(),
            plan,
            storage: recorder
                .as_ref()
                .map(|recorder| Storage::new(recorder.watch())),
            recorder,
            losses: Losses::default(),
            relief: None,
            sinks,
        }
    }

    /// Shares the rows of a field out between `hands`.
    pub(super) fn set_hands(&mut self, hands: Hands) {
        self.suite.set_hands(hands);
    }

    /// The source does not wait: measures are left out before frames are lost, unless everything is wanted whatever it costs.
    pub(super) fn keep_up(&mut self) {
        let all = std::env::var_os(ALL_MEASURES).is_some();
        self.relief = (!all).then(Relief::default);
    }

    /// Frames are handed on to a recorder: events say where they begin in its file.
    pub(super) fn expect_turns(&mut self) {
        self.handed_on = Some(Vec::new());
    }

    /// What the device said of its input, each change with its timecode; `None` where it said nothing.
    pub(super) fn input_in_words(&self) -> Option<String> {
        self.input.in_words(self.plan.clock)
    }

    /// Measures what is delivered until the end.
    ///
    /// # Errors
    /// A sink that cannot go on: the pass file of a source that waits, or stdout.
    pub(super) fn run(
        &mut self,
        deliveries: &Receiver<Delivery>,
        remarks: Option<&Receiver<Remark>>,
        stop: &Stop,
    ) -> Result<End> {
        let nobody = never();
        let mut remarks = remarks.unwrap_or(&nobody);
        while !stop.is_set() {
            select! {
                recv(remarks) -> remark => match remark {
                    Ok(remark) => self.remark(&remark)?,
                    Err(_) => remarks = &nobody,
                },
                recv(deliveries) -> delivery => {
                    let Ok(delivery) = delivery else {
                        return Ok(End::Whole);
                    };
                    let is_frame = matches!(delivery, Delivery::Frame(_));
                    if let Some(end) = self.take(delivery)? {
                        return Ok(end);
                    }
                    if is_frame {
                        self.relieve(deliveries)?;
                    }
                }
                default(LOOK_UP) => {}
            }
            self.look_at_storage()?;
        }
        Ok(End::Asked)
    }

    /// Leaves measures out, or takes them up again, by how many frames wait; and says so.
    fn relieve(&mut self, deliveries: &Receiver<Delivery>) -> Result<()> {
        let capacity = deliveries.capacity().unwrap_or(usize::MAX);
        let relief = self.relief.as_mut();
        let changed = relief.and_then(|relief| relief.observe(deliveries.len(), capacity));
        let (Some(effort), Some(place)) = (changed, self.statistics.last()) else {
            return Ok(());
        };
        self.suite.set_effort(effort);
        let over = "this computer was too slow for everything; see the next entry";
        let text = match effort.left_out() {
            None => "everything is measured again",
            Some(_) => over,
        };
        self.alarms
            .end(Kind::Reduced, place, text, &mut self.changes);
        if let Some(left_out) = effort.left_out() {
            let text = format!("this computer is too slow for everything: {left_out}");
            self.alarms
                .begin(Kind::Reduced, place, &text, &mut self.changes);
        }
        self.hand_on_changes()
    }

    /// Tells when what is measured does not get into the pass, and when it does again.
    fn look_at_storage(&mut self) -> Result<()> {
        let (Some(storage), Some(place)) = (&mut self.storage, self.statistics.last()) else {
            return Ok(());
        };
        let Some(word) = storage.look(Instant::now()) else {
            return Ok(());
        };
        self.tell_of_storage(word, place)
    }

    fn tell_of_storage(&mut self, word: Word, place: FieldPlace) -> Result<()> {
        match word {
            Word::Begins(why) => {
                self.alarms
                    .begin(Kind::NotStored, place, &why, &mut self.changes);
            }
            Word::Ends(text) => {
                self.alarms
                    .end(Kind::NotStored, place, &text, &mut self.changes);
            }
        }
        self.hand_on_changes()
    }

    /// Takes one delivery; the end, if it is one.
    fn take(&mut self, delivery: Delivery) -> Result<Option<End>> {
        match delivery {
            Delivery::Frame(frame) => Ok(self.frame(frame)?.then_some(End::Whole)),
            Delivery::Silent(error) => self.silent(error),
            Delivery::News(news) => self.news(&news).map(|()| None),
            Delivery::HandedOn(turn) => {
                if let Some(turns) = &mut self.handed_on {
                    turns.push(turn);
                }
                if let Some(recorder) = &mut self.recorder {
                    recorder.handed_on(turn)?;
                }
                Ok(None)
            }
            Delivery::Overrun(text) => self.overrun(&text).map(|()| None),
            Delivery::Failed(error) => {
                self.broken_off = true;
                let error = Error::from(error);
                self.note(Kind::SourceLost, None, &format!("{error:#}"))?;
                Ok(Some(End::Failed(error)))
            }
        }
    }

    /// Nothing comes: an event begins, unless it goes on already. A tape plays on unseen, so the wanted length may be
    /// reached meanwhile.
    fn silent(&mut self, error: SourceError) -> Result<Option<End>> {
        let kind = match error.kind() {
            SourceErrorKind::NoSignal => Kind::NoSignal,
            _ => Kind::SourceLost,
        };
        let why = format!("{:#}", Error::from(error));
        if let Some(absence) = &mut self.absence {
            absence.why = why; // the newest reason is the one that lasted
        } else {
            let place = self.statistics.last();
            match place {
                Some(place) => {
                    self.alarms.begin(kind, place, &why, &mut self.changes);
                    self.hand_on_changes()?;
                }
                None => self.note(kind, None, &why)?,
            }
            self.absence = Some(Absence {
                kind,
                why,
                since: Instant::now(),
                opened: place.is_some(),
            });
        }
        let played = self.statistics.last().zip(self.absence.as_ref());
        let over = played
            .zip(self.plan.length)
            .is_some_and(|((last, absence), length)| {
                last.seconds.0 + absence.since.elapsed().as_secs_f64() >= length.as_secs_f64()
            });
        Ok(over.then_some(End::Whole))
    }

    /// Logs what the source tells beside its frames.
    fn news(&mut self, news: &News) -> Result<()> {
        match news.kind {
            NewsKind::Control => self.note(Kind::ControlChanged, None, &news.text),
            NewsKind::Standard => self.note(Kind::StandardChanged, None, &news.text),
            NewsKind::Clock => self.note(Kind::SourceLost, None, &news.text),
            // The state itself is on each frame, and what it means is judged there.
            NewsKind::Input => {
                self.device_says(&news.text);
                Ok(())
            }
        }
    }

    /// Keeps what the device says of its input; a device that was opened again may say the same once more.
    fn device_says(&mut self, words: &str) {
        if self.said == words {
            return;
        }
        words.clone_into(&mut self.said);
        let last = self.statistics.last();
        let from = last.map_or(FieldIndex(0), |last| FieldIndex(last.field.0 + 1));
        self.input.take(from, words);
        self.alarms.device_says(from, words);
    }

    /// Measures a frame; true when the wanted length is reached.
    fn frame(&mut self, frame: Frame) -> Result<bool> {
        let mut absence = self.absence.take().filter(|it| it.opened);
        let arrived = frame.arrived;
        let Self {
            splitter,
            history,
            suite,
            alarms,
            statistics,
            sections,
            log,
            changes,
            plan,
            recorder,
            sinks,
            handed_on,
            losses,
            ..
        } = self;
        let mut reached = false;
        let mut outcome = Ok(());
        splitter.split(&frame, history, &mut |history: &History| {
            let Some(around) = history.neighbourhood() else {
                return;
            };
            let place = around.field.place;
            reached |= plan
                .length
                .is_some_and(|length| place.seconds.0 >= length.as_secs_f64());
            if reached || outcome.is_err() {
                return;
            }
            if let Some(absence) = absence.take() {
                let last = before(place, plan.clock.field_period());
                let note = came_back(&absence, around.field.gap.fields(), arrived);
                alarms.end(absence.kind, last, &note, changes);
            }
            let readings = suite.measure(&around);
            let row = Row::from(&readings);
            losses.fields += 1;
            losses.lost += readings.sync.missing_fields;
            losses.by_us += readings.sync.missing_by_us;
            alarms.observe(&readings, changes);
            for change in changes.iter() {
                log.apply(change);
            }
            statistics.observe(&row, alarms.programme());
            sections.observe(&row, alarms.programme());
            let measured = Measured {
                field: around.field,
                around,
                readings: &readings,
                row: &row,
            };
            let seen = Seen {
                measured: Some(measured),
                latest: Some(around),
                changes,
                alarms,
                arrived,
                handed_on: handed_on.as_deref(),
            };
            outcome = hand_on(recorder, sinks, &seen);
            changes.clear();
        });
        outcome?;
        drop(frame); // its buffer is free before anything else is waited for
        self.note_what_came_early()?;
        if let Some(notice) = self.splitter.order_notice() {
            self.note(Kind::FieldOrderChanged, None, &notice.to_string())?;
        }
        Ok(reached)
    }

    /// Logs a remark.
    ///
    /// # Errors
    /// A sink that cannot go on.
    pub(super) fn remark(&mut self, remark: &Remark) -> Result<()> {
        if let Some(place) = self.statistics.last()
            && sections::is_setting_changed(&remark.text)
        {
            // What was seen of the chain before says nothing of it now.
            self.suite.chain_changed();
            let numbers = &self.plan.limits.numbers;
            let next = FieldIndex(place.field.0 + 1);
            self.sections
                .begin(next, &remark.text, &self.statistics, numbers);
        }
        self.note(Kind::Mark, remark.at, &remark.text)
    }

    /// Logs that frames were not handed on to whoever records them.
    ///
    /// # Errors
    /// A sink that cannot go on.
    pub(super) fn overrun(&mut self, text: &str) -> Result<()> {
        self.note(Kind::Overrun, None, text)
    }

    /// Logs something that no reading shows; before the first field it waits for one.
    fn note(&mut self, kind: Kind, at: Option<FieldPlace>, text: &str) -> Result<()> {
        let Some(place) = at.or(self.statistics.last()) else {
            if self.early.len() < MOST_EARLY {
                self.early.push((kind, text.to_owned()));
            }
            return Ok(());
        };
        self.alarms.note(kind, place, text, &mut self.changes);
        self.hand_on_changes()
    }

    fn note_what_came_early(&mut self) -> Result<()> {
        if self.statistics.last().is_none() {
            return Ok(());
        }
        for (kind, text) in std::mem::take(&mut self.early) {
            self.note(kind, None, &text)?;
        }
        Ok(())
    }

    fn hand_on_changes(&mut self) -> Result<()> {
        let Self {
            recorder,
            sinks,
            changes,
            alarms,
            history,
            log,
            handed_on,
            ..
        } = self;
        for change in changes.iter() {
            log.apply(change);
        }
        let seen = Seen {
            measured: None,
            latest: history.neighbourhood(),
            changes,
            alarms,
            arrived: Instant::now(),
            handed_on: handed_on.as_deref(),
        };
        let outcome = hand_on(recorder, sinks, &seen);
        changes.clear();
        outcome
    }

    /// Closes the events that are open.
    ///
    /// # Errors
    /// A sink that cannot take the last events.
    pub(super) fn close_events(&mut self) -> Result<()> {
        let Some(place) = self.statistics.last() else {
            return Ok(());
        };
        let why = if self.broken_off || self.absence.is_some() {
            WhyEnded::SourceLost
        } else {
            WhyEnded::PassEnded
        };
        let trouble = self.storage.as_mut();
        if let Some(word) = trouble.and_then(|storage| storage.conclude(Instant::now())) {
            self.tell_of_storage(word, place)?;
        }
        self.alarms.finish(place, why, &mut self.changes);
        self.statistics.finish(self.alarms.programme());
        self.hand_on_changes()
    }

    /// What was lost so far.
    pub(super) fn losses(&self) -> Losses {
        self.losses
    }

    /// What is said of the chain before a transfer, by what was measured so far.
    pub(super) fn readiness(&self) -> Readiness {
        Readiness::of(self.evidence())
    }

    fn evidence(&self) -> Evidence<'_> {
        Evidence {
            statistics: &self.statistics,
            spans: self.alarms.programme().spans(),
            log: &self.log,
            coverage: self.alarms.coverage(),
            limits: &self.plan.limits,
            clock: self.plan.clock,
            sample_rate: self.plan.sample_rate,
        }
    }

    /// Sums up; the recorder comes back for whoever must close the pass.
    pub(super) fn sum_up(self) -> (Result<Summary>, Option<Recorder>) {
        let facts = PassFacts {
            source: self.plan.source.clone(),
            standard: self.plan.standard,
            field_order: self.splitter.field_order(),
        };
        let summary = Summary::new(facts, self.evidence());
        let sections = self.sections.sum_up();
        let summary = summary
            .map(|summary| Summary {
                sections,
                ..summary
            })
            .context("summing up the pass");
        (summary, self.recorder)
    }
}

/// The place of the field before, which the source lost.
fn before(place: FieldPlace, period: Seconds) -> FieldPlace {
    FieldPlace {
        field: FieldIndex(place.field.0.saturating_sub(1)),
        parity: place.parity.other(),
        seconds: Seconds((place.seconds - period).0.max(0.0)),
    }
}

/// What is said of an absence that is over.
fn came_back(absence: &Absence, missing: u64, now: Instant) -> String {
    let seconds = now.saturating_duration_since(absence.since).as_secs_f64();
    let missing = match missing {
        0 => "no field is missing".to_owned(),
        1 => "1 field is missing".to_owned(),
        missing => format!("{missing} fields are missing"),
    };
    format!(
        "Nothing came for {seconds:.1} s, {missing}: {}.",
        absence.why
    )
}

fn hand_on(
    recorder: &mut Option<Recorder>,
    sinks: &mut [Box<dyn Sink>],
    seen: &Seen<'_>,
) -> Result<()> {
    if let Some(recorder) = recorder {
        recorder.take(seen)?;
    }
    sinks.iter_mut().try_for_each(|sink| sink.take(seen))
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use anyhow::anyhow;
    use crossbeam_channel::bounded;

    use super::super::testing::{flat, gone, pan_said_wrong, silent};
    use super::*;
    use crate::timecode::{Counting, Timecode};

    /// What a sink was told: fields, and events as they opened and closed.
    #[derive(Debug, Default)]
    struct Told {
        fields: Vec<u64>,
        opened: Vec<(Kind, u64, String)>,
        closed: Vec<(Kind, u64, String)>,
    }

    struct Listener {
        told: Arc<Mutex<Told>>,
        /// Refuses this field and everything after it.
        until: u64,
    }

    impl Sink for Listener {
        fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
            let mut told = self.told.lock().expect("nobody panicked");
            if let Some(measured) = seen.measured {
                told.fields.push(measured.field.place.field.0);
            }
            if told.fields.last() >= Some(&self.until) {
                return Err(anyhow!("no more room"));
            }
            let opened = seen.changes.iter().filter_map(|change| match change {
                Change::Opened(event) => {
                    Some((event.kind, event.start.field.0, event.note.clone()))
                }
                _ => None,
            });
            told.opened.extend(opened);
            let closed = seen.changes.iter().filter_map(|change| match change {
                Change::Closed(event) => {
                    let end = event.end.map(|end| end.field.0)?;
                    Some((event.kind, end, event.note.clone()))
                }
                _ => None,
            });
            told.closed.extend(closed);
            Ok(())
        }
    }

    struct Bench {
        analysis: Analysis,
        told: Arc<Mutex<Told>>,
    }

    impl Bench {
        fn new(length: Option<Duration>, until: u64) -> Self {
            let told = Arc::<Mutex<Told>>::default();
            let listener = Listener {
                told: Arc::clone(&told),
                until,
            };
            let plan = PassPlan {
                source: "script".into(),
                standard: Some(Standard::Lines625),
                sample_rate: None,
                clock: PassClock {
                    start: Timecode::zero(Counting::usual(Standard::Lines625)),
                },
                limits: Limits::default(),
                length,
            };
            Self {
                analysis: Analysis::new(plan, None, vec![Box::new(listener)]),
                told,
            }
        }

        fn run(&mut self, deliveries: Vec<Delivery>) -> Result<End> {
            let (sender, receiver) = bounded(deliveries.len());
            for delivery in deliveries {
                sender.send(delivery).expect("there is room");
            }
            drop(sender);
            self.analysis.run(&receiver, None, &Stop::default())
        }

        /// Where and how often a kind was told, with what was said.
        fn opened(&self, wanted: Kind) -> Vec<(u64, String)> {
            let told = self.told.lock().expect("nobody panicked");
            let of_kind = told.opened.iter().filter(|(kind, ..)| *kind == wanted);
            of_kind
                .map(|(_, field, note)| (*field, note.clone()))
                .collect()
        }

        fn fields(&self) -> Vec<u64> {
            self.told.lock().expect("nobody panicked").fields.clone()
        }
    }

    fn frames(count: usize) -> Vec<Delivery> {
        (0..count).map(|_| Delivery::Frame(flat(0))).collect()
    }

    #[test]
    fn a_wanted_length_is_kept_to_the_field() {
        let mut bench = Bench::new(Some(Duration::from_millis(100)), u64::MAX);
        assert!(matches!(bench.run(frames(10)), Ok(End::Whole)));
        assert_eq!(bench.fields(), [0, 1, 2, 3, 4]);
    }

    #[test]
    fn a_source_that_does_not_wait_has_measures_left_out_and_no_field_and_a_file_has_neither() {
        for live in [true, false] {
            let mut bench = Bench::new(None, u64::MAX);
            if live {
                bench.analysis.keep_up();
            }
            // All are there at once: the queue is over its half until half of them are measured.
            assert!(matches!(bench.run(frames(100)), Ok(End::Whole)));
            assert_eq!(bench.fields(), (0..200).collect::<Vec<_>>());
            assert_eq!(bench.analysis.losses().fields, 200);
            let said = bench.opened(Kind::Reduced);
            assert_eq!(said.len(), if live { 3 } else { 0 }, "{said:?}");
            for ((_, text), what) in said.iter().zip(["second", "three", "dropouts"]) {
                assert!(text.contains("too slow") && text.contains(what), "{text}");
            }
        }
    }

    #[test]
    fn fields_lost_before_a_frame_leave_their_numbers_out() {
        let mut bench = Bench::new(None, u64::MAX);
        let mut deliveries = frames(1);
        deliveries.push(Delivery::Frame(flat(4)));
        assert!(matches!(bench.run(deliveries), Ok(End::Whole)));
        assert_eq!(bench.fields(), [0, 1, 6, 7]);
    }

    #[test]
    fn a_silence_is_noted_once_however_often_it_is_told() {
        let mut bench = Bench::new(None, u64::MAX);
        let silence = || Delivery::Silent(silent());
        let mut deliveries = frames(1);
        deliveries.extend([silence(), silence(), silence()]);
        deliveries.extend(frames(1));
        deliveries.extend([silence(), silence()]);
        assert!(matches!(bench.run(deliveries), Ok(End::Whole)));
        let noted = bench.opened(Kind::SourceLost);
        assert_eq!(
            noted,
            [(1, "nothing comes".into()), (3, "nothing comes".into())]
        );
    }

    #[test]
    fn an_absence_is_one_event_from_the_last_field_to_the_last_missing_one() {
        let mut bench = Bench::new(None, u64::MAX);
        let mut deliveries = frames(1);
        deliveries.push(Delivery::Silent(silent()));
        deliveries.push(Delivery::Silent(silent()));
        deliveries.push(Delivery::Frame(flat(10)));
        // Closed events wait for a join near them to be found: give them time.
        deliveries.extend(frames(200));
        assert!(matches!(bench.run(deliveries), Ok(End::Whole)));
        assert_eq!(bench.opened(Kind::SourceLost).len(), 1);
        let told = bench.told.lock().expect("nobody panicked");
        let closed: Vec<_> = told
            .closed
            .iter()
            .filter(|(kind, ..)| *kind == Kind::SourceLost)
            .collect();
        assert_eq!(closed.len(), 1);
        assert_eq!(closed[0].1, 11, "field 12 is the first after it");
        let note = &closed[0].2;
        assert!(
            note.contains("10 fields are missing: nothing comes"),
            "{note}"
        );
    }

    #[test]
    fn a_source_that_says_it_has_no_signal_is_an_event_of_that_kind() {
        let mut bench = Bench::new(None, u64::MAX);
        let mut deliveries = frames(1);
        let error = SourceError::new(SourceErrorKind::NoSignal, "no signal");
        deliveries.push(Delivery::Silent(error));
        assert!(matches!(bench.run(deliveries), Ok(End::Whole)));
        assert_eq!(bench.opened(Kind::NoSignal), [(1, "no signal".into())]);
        assert_eq!(bench.opened(Kind::SourceLost), []);
    }

    #[test]
    fn a_wanted_length_is_reached_while_nothing_comes() {
        let mut bench = Bench::new(Some(Duration::from_secs(60)), u64::MAX);
        let mut take = |delivery| bench.analysis.take(delivery).expect("the sink takes all");
        take(Delivery::Frame(flat(0)));
        assert!(take(Delivery::Silent(silent())).is_none());
        let absence = bench.analysis.absence.as_mut().expect("it began");
        absence.since = absence
            .since
            .checked_sub(Duration::from_secs(60))
            .expect("the machine has been on for a minute");
        let end = bench.analysis.take(Delivery::Silent(silent()));
        assert!(matches!(end, Ok(Some(End::Whole))));
    }

    #[test]
    fn news_of_the_source_become_events() {
        let mut bench = Bench::new(None, u64::MAX);
        let news = |kind, text: &str| {
            Delivery::News(News {
                kind,
                text: text.into(),
            })
        };
        let mut deliveries = frames(1);
        deliveries.push(news(NewsKind::Control, "Hue was changed from 0 to 3."));
        deliveries.push(news(NewsKind::Standard, "other lines"));
        deliveries.push(news(NewsKind::Clock, "the machine slept"));
        deliveries.push(news(NewsKind::Input, "no colour"));
        assert!(matches!(bench.run(deliveries), Ok(End::Whole)));
        let told = |kind| bench.opened(kind).len();
        assert_eq!(told(Kind::ControlChanged), 1);
        assert_eq!(told(Kind::StandardChanged), 1);
        assert_eq!(told(Kind::SourceLost), 1);
    }

    #[test]
    fn what_the_device_says_of_its_input_is_kept_with_its_timecode() {
        let mut bench = Bench::new(None, u64::MAX);
        let says = |text: &str| {
            Delivery::News(News {
                kind: NewsKind::Input,
                text: text.into(),
            })
        };
        let mut deliveries = vec![says("signal locked")];
        deliveries.extend(frames(25));
        deliveries.extend([says("no horizontal lock"), says("no horizontal lock")]);
        deliveries.extend(frames(2));
        assert!(matches!(bench.run(deliveries), Ok(End::Whole)));
        assert_eq!(
            bench.analysis.input_in_words().as_deref(),
            Some("00:00:00:00 signal locked; 00:00:01:00 no horizontal lock")
        );
    }

    #[test]
    fn a_failed_source_is_noted_with_its_causes_and_handed_on() {
        let mut bench = Bench::new(None, u64::MAX);
        let mut deliveries = frames(2);
        deliveries.push(Delivery::Failed(gone()));
        let end = bench.run(deliveries);
        let said = "it was unplugged: the cable";
        assert!(matches!(end, Ok(End::Failed(error)) if format!("{error:#}") == said));
        assert_eq!(bench.opened(Kind::SourceLost), [(3, said.into())]);
    }

    #[test]
    fn a_mark_is_logged_where_it_was_made_and_else_at_the_last_field() {
        let mut bench = Bench::new(None, u64::MAX);
        bench.run(frames(3)).expect("the sink takes all");
        let last = bench.analysis.statistics.last().expect("fields came");
        let earlier = FieldPlace {
            field: FieldIndex(2),
            ..last
        };
        for (at, text) in [(None, "now"), (Some(earlier), "then")] {
            let text = text.to_owned();
            bench
                .analysis
                .remark(&Remark { at, text })
                .expect("the sink takes all");
        }
        assert_eq!(
            bench.opened(Kind::Mark),
            [(5, "now".into()), (2, "then".into())]
        );
    }

    #[test]
    fn what_comes_before_the_first_field_is_noted_at_it() {
        let mut bench = Bench::new(None, u64::MAX);
        let text = "leader".to_owned();
        let early = bench.analysis.remark(&Remark { at: None, text });
        early.expect("nothing is handed on yet");
        let mut deliveries = vec![Delivery::Silent(silent())];
        deliveries.extend(frames(1));
        assert!(matches!(bench.run(deliveries), Ok(End::Whole)));
        // Both fields of the first frame are measured before anything else is said.
        assert_eq!(bench.opened(Kind::Mark), [(1, "leader".into())]);
        assert_eq!(
            bench.opened(Kind::SourceLost),
            [(1, "nothing comes".into())]
        );
    }

    #[test]
    fn a_picture_that_contradicts_the_said_field_order_is_noted_once() {
        let mut bench = Bench::new(None, u64::MAX);
        let pan = (0..80).map(|index| Delivery::Frame(pan_said_wrong(index)));
        assert!(matches!(bench.run(pan.collect()), Ok(End::Whole)));
        let noted = bench.opened(Kind::FieldOrderChanged);
        assert_eq!(noted.len(), 1, "{noted:?}");
    }

    #[test]
    fn the_stop_flag_ends_it_as_asked() {
        let mut bench = Bench::new(None, u64::MAX);
        let (_open, deliveries) = bounded(1);
        let stop = Stop::default();
        stop.set();
        let end = bench.analysis.run(&deliveries, None, &stop);
        assert!(matches!(end, Ok(End::Asked)));
    }

    #[test]
    fn a_sink_that_fails_ends_it_and_the_pass_is_still_summed_up() {
        let mut bench = Bench::new(None, 3);
        let end = bench.run(frames(5));
        assert!(end.is_err_and(|error| error.to_string() == "no more room"));
        assert_eq!(bench.fields(), [0, 1, 2, 3]);
        let (summary, _) = bench.analysis.sum_up();
        assert_eq!(summary.expect("finite figures").fields, 4);
    }
}
