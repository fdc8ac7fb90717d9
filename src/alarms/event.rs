//! One thing that happened, with its timecode.

use serde::{Deserialize, Serialize};

use crate::fields::FieldPlace;
use crate::limits::{Kind, Severity};
use crate::standard::Standard;
use crate::timecode::{Counting, FieldIndex, FrameIndex, Timecode};
use crate::units::Seconds;

/// Numbers events in the order they open, from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct EventId(pub u32);

/// Labels frames of a pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PassClock {
    /// Label of frame 0.
    pub start: Timecode,
}

impl PassClock {
    /// The label of a frame.
    #[must_use]
    pub fn label(&self, frame: FrameIndex) -> Timecode {
        self.start.plus(frame)
    }

    /// The time one field takes where frames are counted so.
    #[must_use]
    pub fn field_period(&self) -> Seconds {
        field_period(self.start.counting())
    }
}

/// The time one field takes where frames are counted so.
pub(super) fn field_period(counting: Counting) -> Seconds {
    let standard = match counting {
        Counting::At25 => Standard::Lines625,
        Counting::At30 | Counting::At30Drop => Standard::Lines525,
    };
    standard.field_period()
}

/// One thing that happened.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Number in the pass.
    pub id: EventId,
    /// What.
    pub kind: Kind,
    /// How loud.
    pub severity: Severity,
    /// It has lasted so long that it is announced once and shown in its own strip.
    pub standing: bool,
    /// First field.
    pub start: FieldPlace,
    /// Last field; `None` while it goes on.
    pub end: Option<FieldPlace>,
    /// Label of the first field's frame.
    pub start_timecode: Timecode,
    /// Label of the last field's frame.
    pub end_timecode: Option<Timecode>,
    /// Worst value seen, in `unit`; `None` where there is no number.
    pub worst: Option<f64>,
    /// Unit of `worst` and `limit`, as printed.
    pub unit: &'static str,
    /// The limit that was crossed.
    pub limit: Option<f64>,
    /// A sentence: what, where, beside what.
    pub note: String,
}

/// What became of an event at a field.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// It began.
    Opened(Event),
    /// It grew by its step.
    Worsened(Event),
    /// It has lasted long enough to stand.
    Standing(Event),
    /// It is over.
    Closed(Event),
}

impl Change {
    /// The event as it is now.
    #[must_use]
    pub fn event(&self) -> &Event {
        match self {
            Self::Opened(event)
            | Self::Worsened(event)
            | Self::Standing(event)
            | Self::Closed(event) => event,
        }
    }
}

/// An event as files write it: the columns of every export, in their order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EventRecord {
    /// Number in the pass.
    pub id: EventId,
    /// What.
    pub kind: Kind,
    /// How loud.
    pub severity: Severity,
    /// It lasted so long that it became a condition.
    pub standing: bool,
    /// First field.
    pub start_field: FieldIndex,
    /// Last field; `None` while it goes on.
    pub end_field: Option<FieldIndex>,
    /// Label of the first field's frame.
    pub start_timecode: String,
    /// Label of the last field's frame.
    pub end_timecode: Option<String>,
    /// Time of the first field.
    pub start_seconds: f64,
    /// From the start of the first field to the end of the last.
    pub duration_seconds: Option<f64>,
    /// Worst value seen, in `unit`.
    pub worst: Option<f64>,
    /// Unit of `worst` and `limit`, where they have one.
    pub unit: Option<String>,
    /// The limit that was crossed.
    pub limit: Option<f64>,
    /// A sentence.
    pub note: String,
}

impl From<&Event> for EventRecord {
    fn from(event: &Event) -> Self {
        let period = field_period(event.start_timecode.counting());
        Self {
            id: event.id,
            kind: event.kind,
            severity: event.severity,
            standing: event.standing,
            start_field: event.start.field,
            end_field: event.end.map(|end| end.field),
            start_timecode: event.start_timecode.to_string(),
            end_timecode: event.end_timecode.map(|label| label.to_string()),
            start_seconds: event.start.seconds.0,
            duration_seconds: event
                .end
                .map(|end| (end.seconds - event.start.seconds + period).0),
            worst: event.worst,
            unit: Some(event.unit.to_owned()).filter(|unit| !unit.is_empty()),
            limit: event.limit,
            note: event.note.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{clock, place_at};

    #[test]
    fn a_record_has_the_columns_of_exports_in_their_order() {
        let event = Event {
            id: EventId(7),
            kind: Kind::Tear,
            severity: Severity::Alarm,
            standing: false,
            start: place_at(120),
            end: Some(place_at(179)),
            start_timecode: clock().label(FrameIndex(60)),
            end_timecode: None,
            worst: Some(12.0),
            unit: "lines",
            limit: Some(2.0),
            note: String::from("Lines were torn."),
        };
        let json = serde_json::to_value(EventRecord::from(&event)).expect("plain data");
        let keys: Vec<&str> = json
            .as_object()
            .map(|object| object.keys().map(String::as_str).collect())
            .unwrap_or_default();
        assert_eq!(
            keys.join(", "),
            "id, kind, severity, standing, start_field, end_field, start_timecode, end_timecode, start_seconds, \
             duration_seconds, worst, unit, limit, note"
        );
        // 60 fields of 1001/60000 s, both ends counted
        let duration = json["duration_seconds"].as_f64().expect("closed");
        assert!((duration - 1.001).abs() < 1e-9, "{duration}");
        assert_eq!(json["start_timecode"], "00:00:02;00");
        assert!(json["end_timecode"].is_null());
    }
}
