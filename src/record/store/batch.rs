//! What one transaction writes, with fields already turned into stored numbers.
//!
//! Does not know: SQL.

use crate::alarms::Event;
use crate::measures::Value;
use crate::measures::fingerprint::Fingerprint;
use crate::record::exhibit::Exhibit;
use crate::record::head::{HandedOn, ProgrammeSpan};
use crate::record::printed::{FieldPrint, MOST_FIELDS};
use crate::record::rollup::{Middle, Rollup, SecondRow};
use crate::record::row::Row;
use crate::record::scanned::Scanned;
use crate::record::schema::{Catalogue, StoredQuantity};
use crate::standard::Parity;
use crate::timecode::FieldIndex;

/// Pictures in one transaction: a disk that fails for long must not fill the memory with them.
const MOST_EXHIBITS: usize = 256;

/// Fields that were measured and could not be kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::record) struct Missed {
    pub(in crate::record) first: FieldIndex,
    pub(in crate::record) last: FieldIndex,
    pub(in crate::record) fields: u64,
}

/// What is said when a pass ends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closing {
    /// The summary object, as JSON.
    pub summary: String,
    /// Wall clock at the end, RFC 3339.
    pub closed_at: String,
    /// What was measured of the device while it ran, as pairs of a name and a value; kept beside its settings.
    pub found: Vec<(String, String)>,
    /// The file that the whole of was scanned, where it was one.
    pub scanned: Option<Scanned>,
}

/// A field's numbers as they are stored.
#[derive(Clone, Debug)]
pub(super) struct StoredField<const N: usize> {
    pub(super) field: i64,
    pub(super) parity: i64,
    pub(super) micros: i64,
    pub(super) values: [Option<i64>; N],
    pub(super) sigmas: [Option<i64>; N],
    pub(super) lines: Option<Vec<u8>>,
}

/// What one transaction writes.
#[derive(Debug)]
pub(in crate::record) struct Batch<const N: usize> {
    pub(super) fields: Vec<StoredField<N>>,
    pub(super) prints: Vec<FieldPrint>,
    pub(super) seconds: Vec<SecondRow<N>>,
    pub(super) missed: Vec<Missed>,
    pub(super) events: Vec<Event>,
    pub(super) exhibits: Vec<Exhibit>,
    pub(super) handed_on: Vec<HandedOn>,
    pub(super) programme: Option<Vec<ProgrammeSpan>>,
    pub(super) closing: Option<Closing>,
}

impl<const N: usize> Batch<N> {
    pub(super) fn with_room(fields: usize) -> Self {
        Self {
            fields: Vec::with_capacity(fields),
            prints: Vec::with_capacity(MOST_FIELDS),
            seconds: Vec::new(),
            missed: Vec::new(),
            events: Vec::new(),
            exhibits: Vec::new(),
            handed_on: Vec::new(),
            programme: None,
            closing: None,
        }
    }

    /// Fields in it.
    pub(in crate::record) fn fields(&self) -> usize {
        self.fields.len()
    }

    /// Notes in it: whatever is not a field.
    pub(in crate::record) fn notes(&self) -> usize {
        self.missed.len() + self.events.len() + self.exhibits.len() + self.handed_on.len()
    }

    /// Adds a field's fingerprint.
    pub(in crate::record) fn add_print(&mut self, field: FieldIndex, print: &Fingerprint) {
        let print = *print;
        self.prints.push(FieldPrint { field, print });
    }

    /// Adds fields that could not be kept.
    pub(in crate::record) fn add_missed(&mut self, missed: Missed) {
        self.missed.push(missed);
    }

    /// Adds an event; a later state replaces an earlier one.
    pub(in crate::record) fn add_event(&mut self, event: Event) {
        match self.events.iter_mut().find(|known| known.id == event.id) {
            Some(known) => *known = event,
            None => self.events.push(event),
        }
    }

    /// Adds a picture; a later one of the same event and view replaces an earlier. Those that find no room are given up.
    pub(in crate::record) fn add_exhibit(&mut self, exhibit: Exhibit) {
        let known = self
            .exhibits
            .iter()
            .position(|known| known.is_replaced_by(&exhibit));
        match known {
            Some(at) => self.exhibits[at] = exhibit,
            None if self.exhibits.len() < MOST_EXHIBITS => self.exhibits.push(exhibit),
            None => {}
        }
    }

    /// Adds a turn of what is handed on.
    pub(in crate::record) fn add_handed_on(&mut self, turn: HandedOn) {
        self.handed_on.push(turn);
    }

    /// Replaces the spans of programme.
    pub(in crate::record) fn set_programme(&mut self, spans: Vec<ProgrammeSpan>) {
        self.programme = Some(spans);
    }

    /// Ends the pass.
    pub(in crate::record) fn set_closing(&mut self, closing: Closing) {
        self.closing = Some(closing);
    }

    pub(super) fn clear(&mut self, mut give_back: impl FnMut(Vec<u8>)) {
        for field in self.fields.drain(..) {
            field.lines.into_iter().for_each(&mut give_back);
        }
        self.prints.clear();
        self.seconds.clear();
        self.missed.clear();
        self.events.clear();
        self.exhibits.clear();
        self.handed_on.clear();
        self.programme = None;
        self.closing = None;
    }
}

/// How the quantities of a row are stored, and the second under way.
#[derive(Debug)]
pub(super) struct Encoder<const N: usize> {
    pub(super) stored: [StoredQuantity; N],
    pub(super) rollup: Rollup<N>,
}

impl<const N: usize> Encoder<N> {
    pub(super) fn new(catalogue: &Catalogue<N>, file: &[StoredQuantity]) -> Self {
        let stored = catalogue.map(|quantity| {
            let mut known = file.iter().filter(|known| known.id == quantity.id);
            known
                .next()
                .cloned()
                .expect("the file was just given every quantity")
        });
        let rollup = Rollup::new(std::array::from_fn(|at| {
            if stored[at].words.is_empty() {
                Middle::Median
            } else {
                Middle::MostFrequent
            }
        }));
        Self { stored, rollup }
    }

    pub(super) fn encode(&self, row: &Row<N>, lines: Option<Vec<u8>>) -> StoredField<N> {
        let mut values = [None; N];
        let mut sigmas = [None; N];
        for (at, (stored, value)) in self.stored.iter().zip(row.values).enumerate() {
            (values[at], sigmas[at]) = value.map_or((None, None), |value| steps(stored, value));
        }
        StoredField {
            field: stored_index(row.place.field),
            parity: parity_code(row.place.parity),
            micros: micros(row.place.seconds.0),
            values,
            sigmas,
            lines,
        }
    }
}

/// A value and its sigma as stored numbers; a word the file does not have is absent.
fn steps(stored: &StoredQuantity, value: Value) -> (Option<i64>, Option<i64>) {
    match value {
        Value::Word(word) => {
            let code = (0..).zip(&stored.words).find(|(_, known)| *known == word);
            let code = code.map(|(code, _)| code);
            (code, None)
        }
        Value::Count(count) => (stored.scale.to_steps(count as f64), None),
        Value::Number { value, sigma } => {
            let sigma = stored
                .sigma
                .zip(sigma)
                .and_then(|(scale, sigma)| scale.to_steps_from_one(sigma));
            (stored.scale.to_steps(value), sigma)
        }
    }
}

pub(super) fn parity_code(parity: Parity) -> i64 {
    match parity {
        Parity::Top => 0,
        Parity::Bottom => 1,
    }
}

pub(super) fn micros(seconds: f64) -> i64 {
    (seconds * 1e6).round() as i64
}

pub(super) fn stored_index(field: FieldIndex) -> i64 {
    i64::try_from(field.0).unwrap_or(i64::MAX)
}
