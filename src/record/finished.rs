//! A finished pass as a whole: its verdict, minute by minute too, and every quantity over its length.
//!
//! In: a [`Pass`]. Out: [`Finished`]. What the summary of a closed pass holds was counted field by field and is taken from
//! there; a pass that was cut short has none and is judged by its seconds. Read from the roll-up: six hours are 21 600
//! seconds. Single fields are looked at only where a second does not tell.
//!
//! Does not know: how any of it is shown.

use std::collections::BTreeMap;

use crate::alarms::{Event, Span};
use crate::fields::FieldPlace;
use crate::limits::{Kind, Limits};
use crate::measures::{Quantity, QuantityUnit, Value};
use crate::standard::{Parity, Standard};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

use super::advice::{self, Advice};
use super::error::RecordError;
use super::head::PassHead;
use super::reader::{Pass, PerSecond, StorageGap};
use super::sections::Section;
use super::statistics::{Figures, Worst};
use super::timeline::{Spread, Timeline, spread, timeline, unrest};
use super::verdict::{Figured, Grounds, Judgement, is_judged_by_size, judge_on};

use axis::Axis;
use minutes::Tally;
pub use minutes::{MINUTE, Minute, MinuteWords};
use stretch::{Piece, Stretch};

mod axis;
mod minutes;
mod stretch;

/// Steps of a timeline at most: about what a page of paper can show.
const MOST_STEPS: usize = 360;

/// Quantities whose seconds are read at once: each reading goes over all rows, and six hours of eight quantities take 20 MB.
const AT_ONCE: usize = 8;

/// Everything that is said of a finished pass.
#[derive(Debug)]
pub struct Finished {
    /// Limits it was judged by.
    pub limits: Limits,
    /// Stretches of programme.
    pub spans: Vec<Span>,
    /// What happened, in the order it began.
    pub events: Vec<Event>,
    /// The last field; `None` for an empty pass.
    pub last: Option<FieldPlace>,
    /// The word for the pass, for each group, and why.
    pub judgement: Judgement,
    /// Every minute from the start on.
    pub minutes: Vec<Minute>,
    /// Every quantity, in the order of columns.
    pub quantities: Vec<Overview>,
    /// Programme fields that arrived.
    pub programme_fields: u64,
    /// Measured and not stored.
    pub gaps: Vec<StorageGap>,
    /// Stretches with one setting each, where the operator marked that one was changed.
    pub sections: Vec<Section>,
    /// What is to be said of the set-up.
    pub set_up: Advice,
    /// Figures come from a summary, counted field by field.
    pub is_summed_up: bool,
}

/// One quantity over the whole pass.
#[derive(Clone, Debug)]
pub struct Overview {
    /// Which.
    pub quantity: &'static Quantity,
    /// Decimals that its step warrants.
    pub decimals: usize,
    /// Over programme.
    pub figures: Figures,
    /// Over the length of the pass, where it is programme; empty for words.
    pub timeline: Timeline,
    /// What it spans within a second, over the same steps; empty for words.
    pub unrest: Vec<Option<f64>>,
    /// Middles of the programme's seconds by size; `None` for words and where there are none.
    pub spread: Option<Spread>,
}

/// What a summary says that seconds do not.
struct Summed {
    figures: BTreeMap<String, Figures>,
    covered: Option<BTreeMap<Kind, u64>>,
    sections: Vec<Section>,
}

impl Finished {
    /// Looks at a pass.
    ///
    /// # Errors
    /// When it cannot be read or makes no sense.
    pub fn of(pass: &Pass) -> Result<Self, RecordError> {
        Self::read(pass, minutes::MOST_READ)
    }

    /// The same sooner, for who waits: where very many seconds lie partly over a limit, the words of minutes near the
    /// line between two words may differ.
    ///
    /// # Errors
    /// When it cannot be read or makes no sense.
    pub fn at_once(pass: &Pass) -> Result<Self, RecordError> {
        Self::read(pass, minutes::FEW_READ)
    }

    fn read(pass: &Pass, most_read: usize) -> Result<Self, RecordError> {
        let head = pass.head();
        let limits = Limits::from_toml(&head.limits)
            .map_err(|error| pass.damaged(format!("its limits make no sense: {error}")))?;
        let last = pass.last_place()?;
        let events = pass.events()?;
        let spans = spans_of(pass)?;
        let summed = Summed::of(pass)?;
        let axis = Axis::new(&spans, last, head.field_period);
        let mut tally = Tally::new(&axis, &limits, &events, most_read);
        let mut whole = Stretch::new(last);
        let parts = read_parts(pass, &axis, &mut tally)?;
        let mut quantities = Vec::with_capacity(parts.len());
        for (place, (quantity, part)) in pass.catalogue().iter().zip(parts).enumerate() {
            let mut piece = part.piece;
            let figures = summed.figures.get(quantity.id).cloned();
            if let Some(figures) = &figures {
                piece.correct_by(quantity, figures);
            }
            piece.worst_place = find_worst(pass, place, &piece, &events, &limits, &axis)?;
            quantities.push(Overview {
                quantity,
                decimals: pass.decimals(place),
                figures: figures.unwrap_or_else(|| piece.figures(quantity)),
                timeline: part.timeline,
                unrest: part.unrest,
                spread: part.spread,
            });
            whole.push(piece);
        }
        let covered = summed.covered.unwrap_or_else(|| tally.covered_in_all());
        let of_kind = |kind| covered.get(&kind).copied().unwrap_or(0);
        let judgement = judge_on(Grounds {
            figures: &whole,
            spans: &spans,
            events: &events,
            unlisted: &[],
            covered: &of_kind,
            limits: &limits,
            clock: head.clock(),
            sample_rate: head.sample_rate,
        });
        let minutes = tally.judge(&axis, head);
        Ok(Self {
            judgement,
            minutes,
            quantities,
            programme_fields: whole.fields(),
            gaps: pass.gaps()?,
            sections: summed.sections,
            set_up: advice_of(&whole, head),
            is_summed_up: !summed.figures.is_empty(),
            limits,
            spans,
            events,
            last,
        })
    }

    /// From the start of the first field to the end of the last.
    #[must_use]
    pub fn length(&self, field_period: Seconds) -> Seconds {
        self.last
            .map_or(Seconds(0.0), |last| last.seconds + field_period)
    }
}

impl Summed {
    /// What a pass's summary holds; nothing of it is taken on trust, and what cannot be read is left out.
    fn of(pass: &Pass) -> Result<Self, RecordError> {
        let mut summary = pass.summary()?.unwrap_or_default();
        let mut take = |key: &str| summary.get_mut(key).map(serde_json::Value::take);
        let figures = take("quantities").and_then(|object| serde_json::from_value(object).ok());
        let covered = take("covered_fields").and_then(|object| serde_json::from_value(object).ok());
        let sections = take("sections").and_then(|list| serde_json::from_value(list).ok());
        Ok(Self {
            figures: figures.unwrap_or_default(),
            covered,
            sections: sections.unwrap_or_default(),
        })
    }
}

fn advice_of(whole: &Stretch, head: &PassHead) -> Advice {
    let has_setup = head.standard == Some(Standard::Lines525);
    let said = |id: &str, word: &str| whole.said(id, word);
    advice::of_pass(said, whole.median("levels.setup_change_ire"), has_setup)
}

/// Spans of programme with the times of their ends.
fn spans_of(pass: &Pass) -> Result<Vec<Span>, RecordError> {
    let mut spans = Vec::new();
    for stored in pass.programme()? {
        spans.push(Span {
            start: place_of(pass, stored.start)?,
            end: stored.end.map(|end| place_of(pass, end)).transpose()?,
            why_ended: stored.why_ended,
        });
    }
    Ok(spans)
}

/// The place of a field; of one that is not stored, as if fields came evenly.
fn place_of(pass: &Pass, field: FieldIndex) -> Result<FieldPlace, RecordError> {
    let stored = pass.place(field)?;
    Ok(stored.unwrap_or_else(|| FieldPlace {
        field,
        parity: Parity::Top,
        seconds: Seconds(field.0 as f64 * pass.head().field_period.0),
    }))
}

/// What the seconds of one quantity make.
struct Part {
    piece: Piece,
    timeline: Timeline,
    unrest: Vec<Option<f64>>,
    spread: Option<Spread>,
}

impl Part {
    fn of(quantity: &Quantity, seconds: &[PerSecond], axis: &Axis<'_>) -> Self {
        let programme = axis.programme_of(seconds);
        // Words have no size.
        let (timeline, unrest) = if quantity.unit == QuantityUnit::Word {
            (Timeline::default(), Vec::new())
        } else {
            let length = axis.seconds();
            (
                timeline(&programme, length, MOST_STEPS),
                unrest(&programme, length, MOST_STEPS),
            )
        };
        Self {
            piece: Piece::of(quantity, &programme),
            timeline,
            unrest,
            spread: spread(&programme),
        }
    }
}

/// The parts of all quantities in the order of columns, and minutes told of them: while some are read, parts of those before are
/// made beside it.
fn read_parts(
    pass: &Pass,
    axis: &Axis<'_>,
    tally: &mut Tally<'_>,
) -> Result<Vec<Part>, RecordError> {
    let count = pass.catalogue().len();
    let mut parts = Vec::with_capacity(count);
    let make = |parts: &mut Vec<Part>, read: &[(&Quantity, Vec<PerSecond>)]| {
        parts.extend(read.iter().map(|(of, seconds)| Part::of(of, seconds, axis)));
    };
    let mut read = Vec::new();
    for start in (0..count).step_by(AT_ONCE) {
        let places = start..(start + AT_ONCE).min(count);
        // The pass stays on this thread: a connection is nobody else's.
        read = rayon::in_place_scope(|beside| {
            beside.spawn(|_| make(&mut parts, &read));
            let of_each = pass.seconds_of(places.clone(), 0..axis.seconds() + 1)?;
            let mut next = Vec::with_capacity(AT_ONCE);
            for (place, seconds) in places.zip(of_each) {
                let quantity = pass.catalogue()[place];
                tally.take(pass, place, quantity, &seconds)?;
                next.push((quantity, seconds));
            }
            Ok(next)
        })?;
    }
    make(&mut parts, &read);
    Ok(parts)
}

/// The field that has the worst value, looked for only where a sentence may name it: where an event's worst is the same, or the
/// sum it belongs to is judged by itself.
fn find_worst(
    pass: &Pass,
    place: usize,
    piece: &Piece,
    events: &[Event],
    limits: &Limits,
    axis: &Axis<'_>,
) -> Result<Option<Worst>, RecordError> {
    let quantity = pass.catalogue()[place];
    let (Some(value), Some(second)) = (piece.worst, piece.worst_second) else {
        return Ok(None);
    };
    let near = |other: f64| (other - value).abs() <= quantity.step;
    let rows = || {
        let rows = limits.rows().iter();
        rows.filter(|row| row.quantity == quantity.id)
    };
    let is_events = events
        .iter()
        .any(|event| event.worst.is_some_and(near) && rows().any(|row| row.kind == event.kind));
    if !is_events && !is_judged_by_size(quantity.id) {
        return Ok(None);
    }
    let fields = axis.fields_around(second);
    let found = pass.values(place, fields)?.into_iter();
    let mut at = found.filter(|(_, found)| found.number().is_some_and(near));
    let Some((field, _)) = at.next() else {
        return Ok(None);
    };
    Ok(pass.place(field)?.map(|place| Worst { value, place }))
}

/// The number of a second's middle; of a word none.
fn middle(second: &PerSecond) -> Option<f64> {
    Value::number(second.median)
}

#[cfg(test)]
mod tests;
