//! What an event keeps to be looked at afterwards: a small picture of its worst field and the timing of that field's lines.
//!
//! In: fields, and the events open at them ([`Keeper`]). Out: an [`Exhibit`] as an event opens, grows and ends; a later one of
//! the same event and view replaces the earlier. The readings around it are in the pass already, as rows.
//!
//! Does not know: files, or why an event was told.

use std::collections::VecDeque;

use crate::alarms::{Change, Event, EventId, WorstSoFar};
use crate::fields::{Field, FieldPlace, Neighbourhood};
use crate::limits::Kind;
use crate::measures::Readings;
use crate::measures::line_timing::LineTrace;
use crate::record::packed;

pub(crate) use picture::{JpegScale, jpeg};

use picture::SmallPicture;

mod picture;

/// Exhibits that may wait: more than open events have at once. One beyond is not kept.
const MOST_WAITING: usize = 64;

/// Which field an exhibit shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum View {
    /// The worst of the event; of losses and repeats the first one after.
    Worst,
    /// The one delivered before: beside a loss or a repeat.
    Before,
}

impl View {
    /// How files keep it.
    pub(super) fn code(self) -> i64 {
        match self {
            Self::Worst => 0,
            Self::Before => 1,
        }
    }

    /// Of its code.
    pub(super) fn of_code(code: i64) -> Option<Self> {
        [Self::Worst, Self::Before]
            .into_iter()
            .find(|view| view.code() == code)
    }
}

/// A picture kept with an event.
#[derive(Clone, Debug, PartialEq)]
pub struct Exhibit {
    /// The event.
    pub event: EventId,
    /// Which field of it.
    pub view: View,
    /// The field shown.
    pub place: FieldPlace,
    /// Samples a row and rows of the picture; shown in 4:3, or 16:9 where the source is.
    pub size: (usize, usize),
    /// The picture as JPEG, its levels clipped to nominal black and peak.
    pub jpeg: Vec<u8>,
    /// The timing of its lines, packed as `lines` are; empty where nothing was measured of it.
    pub lines: Vec<u8>,
}

impl Exhibit {
    /// The timing of the lines of the field shown; `None` where nothing was measured of it.
    #[must_use]
    pub fn trace(&self) -> Option<LineTrace> {
        packed::unpack(&self.lines).map(|(trace, _)| trace)
    }

    /// Whether another shows the same of the same event.
    pub(super) fn is_replaced_by(&self, other: &Self) -> bool {
        (self.event, self.view) == (other.event, other.view)
    }
}

/// What is held of one event until it can be handed on.
#[derive(Debug)]
struct Held {
    event: EventId,
    view: View,
    place: FieldPlace,
    picture: SmallPicture,
    lines: Vec<u8>,
    /// It is to be handed on.
    due: bool,
    /// The event is over.
    over: bool,
}

/// Keeps the worst field of every open event at hand.
///
/// Nothing is allocated for a field; for an event, what its exhibit takes.
#[derive(Debug, Default)]
pub struct Keeper {
    held: Vec<Held>,
    /// Buffers of events that are over.
    spare: VecDeque<(SmallPicture, Vec<u8>)>,
}

impl Keeper {
    /// Takes in a field: what changed at it, what goes on, and where that was worst.
    pub fn observe<'a>(
        &mut self,
        around: &Neighbourhood<'_>,
        readings: &Readings,
        changes: &[Change],
        worst: impl Iterator<Item = WorstSoFar<'a>>,
    ) {
        for WorstSoFar { event, at } in worst {
            self.look(event, at, around, Some(readings));
        }
        self.note(changes, Some(around));
    }

    /// Takes in what changed between fields; `None` before the first.
    pub fn note(&mut self, changes: &[Change], around: Option<&Neighbourhood<'_>>) {
        for change in changes {
            let event = change.event();
            if !is_seen(event.kind) {
                continue;
            }
            // What opens and closes at once was never among those that go on.
            let held = self.held.iter().any(|held| held.event == event.id);
            if let Some(around) = around.filter(|_| !held && matches!(change, Change::Opened(_))) {
                self.look(event, event.start, around, None);
            }
            let ended = matches!(change, Change::Closed(_));
            for held in self.held.iter_mut().filter(|held| held.event == event.id) {
                held.due = true;
                held.over |= ended;
            }
        }
    }

    /// The next exhibit to hand on, if one is due: one a field, for each takes a field's time to make.
    pub fn take(&mut self) -> Option<Exhibit> {
        let at = self.held.iter().position(|held| held.due)?;
        let held = &mut self.held[at];
        held.due = false;
        let exhibit = held.picture.jpeg().map(|jpeg| Exhibit {
            event: held.event,
            view: held.view,
            place: held.place,
            size: held.picture.size(),
            jpeg,
            lines: held.lines.clone(),
        });
        if held.over {
            let held = self.held.swap_remove(at);
            self.spare.push_back((held.picture, held.lines));
        }
        exhibit
    }

    /// Shows an event's field, unless it is held already.
    fn look(
        &mut self,
        event: &Event,
        worst_at: FieldPlace,
        around: &Neighbourhood<'_>,
        readings: Option<&Readings>,
    ) {
        if !is_seen(event.kind) {
            return;
        }
        let newest = around.field;
        let known = self
            .held
            .iter()
            .position(|held| held.event == event.id && held.view == View::Worst);
        match known {
            // The worst is not this field: what is held stays.
            Some(at) if !is_newer(worst_at, self.held[at].place) => {}
            Some(at) => {
                let shown = nearest(around, worst_at);
                show(
                    &mut self.held[at],
                    shown,
                    readings.filter(|_| same(shown, newest)),
                );
            }
            None => {
                let shown = nearest(around, worst_at);
                self.begin(
                    event,
                    View::Worst,
                    shown,
                    readings.filter(|_| same(shown, newest)),
                );
                if let Some(before) = around.before(1).filter(|_| has_neighbours(event.kind)) {
                    self.begin(event, View::Before, before, None);
                }
            }
        }
    }

    fn begin(&mut self, event: &Event, view: View, field: &Field, readings: Option<&Readings>) {
        if self.held.len() == MOST_WAITING {
            return;
        }
        let (picture, lines) = self.spare.pop_front().unwrap_or_default();
        let mut held = Held {
            event: event.id,
            view,
            place: field.place,
            picture,
            lines,
            due: false,
            over: false,
        };
        show(&mut held, field, readings);
        self.held.push(held);
    }
}

fn show(held: &mut Held, field: &Field, readings: Option<&Readings>) {
    held.place = field.place;
    held.picture.take(field);
    match readings.map(|readings| &readings.line_timing) {
        Some(timing) => packed::pack(&timing.lines, timing.basis, &mut held.lines),
        None => held.lines.clear(),
    }
}

fn same(a: &Field, b: &Field) -> bool {
    a.place.field == b.place.field
}

/// A worse field than the one that is held has come; one found in a window of fields past counts too.
fn is_newer(worst_at: FieldPlace, held: FieldPlace) -> bool {
    worst_at.field > held.field
}

/// The field of this place, or the newest where it is gone by.
fn nearest<'a>(around: &Neighbourhood<'a>, place: FieldPlace) -> &'a Field {
    let earlier = (1..).map_while(|back| around.before(back));
    std::iter::once(around.field)
        .chain(earlier)
        .find(|field| field.place.field == place.field)
        .unwrap_or(around.field)
}

/// Whether there is something to be seen of it in a picture.
fn is_seen(kind: Kind) -> bool {
    !matches!(
        kind,
        Kind::NoSignal
            | Kind::SourceLost
            | Kind::Overrun
            | Kind::Reduced
            | Kind::NotStored
            | Kind::StandardChanged
            | Kind::FieldOrderChanged
            | Kind::ControlChanged
            | Kind::TapeEnd
    )
}

/// Whether the field before belongs to what is to be seen.
fn has_neighbours(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::Missing | Kind::Repeated | Kind::PatchFrozen | Kind::Flash
    )
}

#[cfg(test)]
mod tests;
