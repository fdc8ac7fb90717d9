//! Where readings and events go: the pass file, the dashboard's memory, lines on stdout, a progress bar.
//!
//! In: a [`Seen`] after every field and every remark. Out: whatever each [`Sink`] makes of it.
//!
//! Does not know: how a reading came about, or which other sinks there are.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use anyhow::{Context, Result};
use indicatif::{MultiProgress, ProgressBar, ProgressStyle};

use crate::alarms::{Alarms, Change, Event, EventRecord, PassClock, Span};
use crate::fields::{Field, FieldPlace, Neighbourhood};
use crate::measures::{Readings, vectors::Vectors, waveform::Waveform};
use crate::record::{
    FilePlace, HandedOn, Keeper, Live, PassSender, ProgrammeSpan, RecordError, Row, WriterWatch,
    file_place, live::ProgrammeTime,
};
use crate::text;
use crate::units::Seconds;

use super::{say, write_stdout};

/// What is known right after a field.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen<'a> {
    /// The field and what was measured of it; `None` when only events changed.
    pub measured: Option<Measured<'a>>,
    /// The newest field there is, also when only events changed.
    pub latest: Option<Neighbourhood<'a>>,
    /// What became of events.
    pub changes: &'a [Change],
    /// Events in progress, and programme so far.
    pub alarms: &'a Alarms,
    /// When the field's frame reached us.
    pub arrived: Instant,
    /// From which fields on frames stand elsewhere in what a recorder gets; `None` without one.
    pub handed_on: Option<&'a [HandedOn]>,
}

/// A field and what was measured of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Measured<'a> {
    /// The field.
    pub field: &'a Field,
    /// The same, with those before it.
    pub around: Neighbourhood<'a>,
    /// Its readings.
    pub readings: &'a Readings,
    /// The same as a row.
    pub row: &'a Row,
}

/// Takes what is known, field by field.
pub(super) trait Sink: Send {
    /// Takes one field and what became of events at it.
    fn take(&mut self, seen: &Seen<'_>) -> Result<()>;
}

/// The pass file's queue.
pub(super) struct Recorder {
    sender: PassSender,
    spans: Vec<ProgrammeSpan>,
    keeper: Keeper,
}

impl Recorder {
    pub(super) fn new(sender: PassSender) -> Self {
        Self {
            sender,
            spans: Vec::new(),
            keeper: Keeper::default(),
        }
    }

    /// How the writing goes.
    pub(super) fn watch(&self) -> WriterWatch {
        self.sender.watch()
    }

    /// The queue itself, to close the pass with.
    ///
    /// # Errors
    /// A pass file that takes no more.
    pub(super) fn into_sender(mut self) -> Result<PassSender, RecordError> {
        while let Some(exhibit) = self.keeper.take() {
            self.sender.exhibit(exhibit)?;
        }
        Ok(self.sender)
    }

    /// Takes where fields stand in what a recorder gets.
    pub(super) fn handed_on(&mut self, turn: HandedOn) -> Result<()> {
        Ok(self.sender.handed_on(turn)?)
    }

    /// Takes one field and what became of events at it.
    pub(super) fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
        if let Some(Measured { row, readings, .. }) = seen.measured {
            let (timing, print) = (&readings.line_timing, readings.fingerprint.as_ref());
            self.sender.printed_field(row, Some(timing), print)?;
        }
        for change in seen.changes {
            self.sender.event(change.event())?;
        }
        match seen.measured {
            Some(Measured {
                around, readings, ..
            }) => {
                let worst = seen.alarms.worst_so_far();
                self.keeper.observe(&around, readings, seen.changes, worst);
            }
            None => self.keeper.note(seen.changes, seen.latest.as_ref()),
        }
        if let Some(exhibit) = self.keeper.take() {
            self.sender.exhibit(exhibit)?;
        }
        self.take_spans(seen.alarms.programme().spans())
    }

    fn take_spans(&mut self, spans: &[Span]) -> Result<()> {
        let known = self.spans.len() == spans.len()
            && self.spans.last().map(|span| span.end)
                == spans.last().map(|span| span.end.map(|end| end.field));
        if !known {
            self.spans = spans.iter().map(ProgrammeSpan::from).collect();
            self.sender.programme(&self.spans)?;
        }
        Ok(())
    }
}

/// The dashboard's memory.
pub(super) struct Screen {
    live: Arc<Mutex<Live>>,
    waveform: Waveform,
    vectors: Vectors,
}

impl Screen {
    pub(super) fn new(live: Arc<Mutex<Live>>) -> Self {
        Self {
            live,
            waveform: Waveform::new(),
            vectors: Vectors::new(),
        }
    }
}

/// Every how many fields the waveform and the map of colours are drawn anew: about 15 times a second.
const WAVEFORM_FIELDS: u64 = 4;

impl Sink for Screen {
    fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
        let waveform_due = |at: FieldPlace| at.field.0.is_multiple_of(WAVEFORM_FIELDS);
        if let Some(Measured { field, .. }) = seen
            .measured
            .filter(|measured| waveform_due(measured.field.place))
        {
            // before the lock: drawing need not wait for it
            self.waveform.trace(field);
            self.vectors.trace(field);
        }
        let mut live = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(Measured { readings, .. }) = seen.measured else {
            live.note_changes(seen.changes);
            return Ok(());
        };
        let rings = live.rings();
        live.observe(readings, seen.changes);
        live.set_arrival(seen.arrived);
        if live.rings() > rings {
            live.set_ring_arrival(seen.arrived);
        }
        live.set_programme(programme_time(
            seen.alarms.programme().spans(),
            readings.place,
        ));
        if waveform_due(readings.place) {
            live.exchange_waveform(&mut self.waveform);
            live.exchange_vectors(&mut self.vectors);
        }
        Ok(())
    }
}

fn programme_time(spans: &[Span], now: FieldPlace) -> ProgrammeTime {
    let played = spans
        .iter()
        .map(|span| span.end.unwrap_or(now).seconds - span.start.seconds)
        .fold(Seconds(0.0), |sum, length| sum + length);
    ProgrammeTime {
        played,
        running: spans.last().is_some_and(|span| span.end.is_none()),
    }
}

/// Events on stdout.
pub(super) enum EventLines {
    /// Each event as a JSON object when it closes, with a `type`.
    Json,
    /// What becomes of each event, as a line for people; before it the source's name, where there are several.
    Text(PassClock, Option<String>),
    /// The same on stderr: stdout carries frames.
    Aside(PassClock),
}

impl Sink for EventLines {
    fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
        for change in seen.changes {
            match (self.line(change, seen.handed_on)?, &self) {
                (Some(line), Self::Aside(_)) => say(&line),
                (Some(line), Self::Json) => put_line(&line)?,
                (Some(line), _) => put_line(&text::one_line(&line))?,
                (None, _) => {}
            }
        }
        Ok(())
    }
}

impl EventLines {
    fn line(&self, change: &Change, handed_on: Option<&[HandedOn]>) -> Result<Option<String>> {
        let event = change.event();
        match self {
            Self::Json => match change {
                Change::Closed(_) => Ok(Some(typed("event", &Placed::new(event, handed_on))?)),
                Change::Opened(_) | Change::Worsened(_) | Change::Standing(_) => Ok(None),
            },
            Self::Text(clock, _) | Self::Aside(clock) => {
                let moment = event.kind.is_moment();
                if moment && matches!(change, Change::Closed(_)) {
                    return Ok(None); // said when it began
                }
                let (place, what) = match change {
                    Change::Opened(_) if moment => (event.start, ""),
                    Change::Opened(_) => (event.start, "begins"),
                    Change::Worsened(_) => (event.start, "worse"),
                    Change::Standing(_) => (event.start, "stands"),
                    Change::Closed(_) => (event.end.unwrap_or(event.start), "over"),
                };
                let label = clock.label(place.frame());
                let (kind, severity) = (event.kind.word(), event.severity.word());
                let source = match self {
                    Self::Text(_, Some(name)) => format!("{name}  "),
                    _ => String::new(),
                };
                let recorded = Placed::new(event, handed_on).in_words(handed_on);
                Ok(Some(format!(
                    "{source}{label}  {severity:<6}  {kind:<15}  {what:<6}  {}{recorded}",
                    event.note
                )))
            }
        }
    }
}

/// An event as files write it, and where it begins in what a recorder gets, if there is one.
#[derive(Clone, Debug, serde::Serialize)]
pub(super) struct Placed {
    /// The event.
    #[serde(flatten)]
    pub event: EventRecord,
    /// Its place in the recorder's file.
    #[serde(flatten)]
    pub file: Option<FilePlace>,
}

impl Placed {
    /// An event with its place by what is known of the recorder now.
    pub(super) fn new(event: &Event, handed_on: Option<&[HandedOn]>) -> Self {
        let clock = PassClock {
            start: event.start_timecode,
        };
        Self {
            event: EventRecord::from(event),
            file: handed_on.map(|turns| file_place(turns, event.start.field, clock.field_period())),
        }
    }

    /// The place for people, where it is not that of the pass.
    fn in_words(&self, handed_on: Option<&[HandedOn]>) -> String {
        let differs = handed_on.is_some_and(|turns| !turns.is_empty());
        match self.file.filter(|_| differs) {
            Some(FilePlace {
                tee_frame: Some(frame),
                file_seconds: Some(seconds),
            }) => format!("  [recorded as frame {frame}, {seconds:.3} s]"),
            Some(_) => "  [not recorded]".to_owned(),
            None => String::new(),
        }
    }
}

/// An object as one JSON line that says its type first.
pub(super) fn typed(word: &str, object: &impl serde::Serialize) -> Result<String> {
    #[derive(serde::Serialize)]
    struct Typed<'a, T> {
        r#type: &'a str,
        #[serde(flatten)]
        object: &'a T,
    }
    serde_json::to_string(&Typed {
        r#type: word,
        object,
    })
    .context("writing an object as JSON")
}

/// One line on stdout; a reader that has gone away is no failure.
pub(super) fn put_line(line: &str) -> Result<()> {
    write_stdout(format!("{line}\n").as_bytes())
}

/// How far a scan has come, on stderr where that is a terminal.
pub(super) struct Progress {
    bar: ProgressBar,
    fields: u64,
}

impl Progress {
    /// A bar for so many frames, or a counter where nobody knows.
    pub(super) fn new(frames: Option<u64>) -> Self {
        let (bar, template) = match frames {
            Some(frames) => (
                ProgressBar::new(2 * frames),
                "{bar:30} {percent:>3} %  field {pos} of {len}  {per_sec}  {eta} left",
            ),
            None => (
                ProgressBar::new_spinner(),
                "{spinner} field {pos}  {per_sec}",
            ),
        };
        // A template of our own that does not parse would be seen by every test that scans.
        bar.set_style(ProgressStyle::with_template(template).expect("the template is well-formed"));
        Self { bar, fields: 0 }
    }

    /// The same as one bar of several, with a name before it.
    pub(super) fn among(several: &MultiProgress, name: &str, frames: Option<u64>) -> Self {
        let bar = match frames {
            Some(frames) => ProgressBar::new(2 * frames),
            None => ProgressBar::new_spinner(),
        };
        let template = match frames {
            Some(_) => "{bar:20} {percent:>3} %  {eta:>4} left  {msg}",
            None => "{spinner} field {pos}  {msg}",
        };
        bar.set_style(ProgressStyle::with_template(template).expect("the template is well-formed"));
        let bar = several.add(bar);
        bar.set_message(text::one_line(name).into_owned());
        Self { bar, fields: 0 }
    }
}

/// Fields between two looks at the bar: its own clock is not read for each.
const PROGRESS_FIELDS: u64 = 50;

impl Sink for Progress {
    fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
        self.fields += u64::from(seen.measured.is_some());
        if self.fields.is_multiple_of(PROGRESS_FIELDS) {
            self.bar.set_position(self.fields);
        }
        Ok(())
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{clock, place_at};
    use crate::alarms::{EventId, EventRecord};
    use crate::limits::Kind;
    use crate::limits::Severity;
    use crate::timecode::FieldIndex;

    fn mark(field: u64) -> Change {
        let place = place_at(field);
        Change::Opened(Event {
            id: EventId(1),
            kind: Kind::Mark,
            severity: Severity::Notice,
            standing: false,
            start: place,
            end: None,
            start_timecode: clock().label(place.frame()),
            end_timecode: None,
            worst: None,
            unit: "",
            limit: None,
            note: "here".to_owned(),
        })
    }

    /// From frame 50 on a recorder lacks two frames, from frame 90 on it gets none.
    fn turns() -> [HandedOn; 2] {
        [(100, Some(48)), (180, None)].map(|(start, tee_frame)| HandedOn {
            start: FieldIndex(start),
            tee_frame,
        })
    }

    #[test]
    fn a_line_says_where_an_event_is_in_the_recorders_file_where_that_differs() {
        let lines = EventLines::Text(clock(), None);
        let line = |field, handed_on: Option<&[HandedOn]>| {
            let line = lines.line(&mark(field), handed_on).expect("plain text");
            line.expect("a mark is told")
        };
        let turns = turns();
        // 30000/1001 frames a second: frame 68 is at 2.269 s.
        assert!(line(140, Some(&turns)).ends_with("here  [recorded as frame 68, 2.269 s]"));
        assert!(line(200, Some(&turns)).ends_with("here  [not recorded]"));
        assert!(line(140, Some(&[])).ends_with("here"));
        assert!(line(140, None).ends_with("here"));
    }

    #[test]
    fn a_json_line_has_the_columns_of_exports_while_frames_are_handed_on() {
        let change = mark(140);
        let as_json = |handed_on: Option<&[HandedOn]>| {
            let placed = Placed::new(change.event(), handed_on);
            serde_json::to_value(placed).expect("plain data")
        };
        let json = as_json(Some(&turns()));
        assert_eq!(json["tee_frame"], 68);
        let seconds = json["file_seconds"].as_f64().expect("it was recorded");
        assert!(
            (seconds - 68.0 * 1001.0 / 30_000.0).abs() < 1e-9,
            "{seconds}"
        );
        assert_eq!(json["start_field"], 140);
        assert_eq!(as_json(Some(&[]))["tee_frame"], 70);
        let plain = serde_json::to_value(EventRecord::from(change.event())).expect("plain data");
        assert_eq!(as_json(None), plain);
    }
}
