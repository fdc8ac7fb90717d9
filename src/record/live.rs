//! Recent readings in memory, for a screen that draws them many times a second.
//!
//! In: [`Readings`] and event [`Change`]s, field by field, on the analysis thread; [`Health`] from whoever looks after
//! queues and disks. Out: whatever a dashboard shows, at any moment, without touching a file. Everything has its full
//! size from the start; a field costs a few kilobytes of copying and no allocation (an event costs its note).
//!
//! Does not know: how anything is drawn, or where readings come from.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use crate::alarms::{Change, Event, EventId, PassClock};
use crate::fields::FieldPlace;
use crate::limits::Severity;
use crate::measures::{
    Readings, chroma,
    line_timing::{Basis, LineTrace},
    sync,
};
use crate::sources::{ControlAccess, ControlListing, ControlRole};
use crate::standard::Standard;
use crate::units::{CodeRange, Hertz, Ire, Millis, Seconds, Unit};

pub use crate::measures::vectors::{VECTOR_CELLS, VECTOR_REACH, Vectors};
pub use crate::measures::waveform::{WAVEFORM_COLUMNS, WAVEFORM_LEVELS, Waveform};
pub use aid::{Quality, TrackingCourse};
pub use controls::{ControlBoard, ControlState, Order, Standing};
pub use delays::Delays;
pub use earlier::{ChainDifference, Earlier, Wanting, Whereabouts};
pub use reference::{
    Difference, FIELDS_PER_EVIDENCE, Held, REFERENCE_FIELDS, Reference, Yardstick,
};
pub use status::{Ground, Status, WARM_UP, Word};
pub use trend::{Band, FIELD_SPAN, SHOWN, Shown, Trends, Values};
pub use waves::WaveHistory;

mod aid;
mod controls;
mod delays;
mod earlier;
mod effects;
mod reference;
mod status;
mod trend;
mod waves;

#[cfg(test)]
pub(in crate::record) mod tests;

/// Fields whose line traces are kept: a short history behind the newest.
pub const TRACES: usize = 8;

/// Fields whose lines are kept for a look at slow changes: four seconds of 525, a little more of 625.
pub const LINE_FIELDS: usize = 240;

/// Events kept for the screen; the pass file has them all.
pub const EVENTS: usize = 500;

/// Fields the share of timed fields is taken over: two seconds.
const EVIDENCE_FIELDS: usize = 120;

/// What is being watched; does not change during a pass.
#[derive(Clone, Debug, PartialEq)]
pub struct Head {
    /// The source, as the operator knows it.
    pub source: String,
    /// The tape, where its name was given.
    pub tape: Option<String>,
    /// Where the pass is recorded, if it is.
    pub recorded_to: Option<String>,
    /// Scanning standard, where known.
    pub standard: Option<Standard>,
    /// Luma sample rate, where one makes sense.
    pub sample_rate: Option<Hertz>,
    /// Black and peak codes of the source.
    pub range: CodeRange,
    /// Labels frames.
    pub clock: PassClock,
}

/// How the machinery around the measuring fares.
#[derive(Clone, Debug, PartialEq)]
pub struct Health {
    /// Frames waiting for the analysis.
    pub queue_frames: usize,
    /// Frames that may wait.
    pub queue_capacity: usize,
    /// What the writer of the pass file says of itself in a word or two.
    pub writer: String,
    /// Whether the writer keeps up and has not failed.
    pub writer_well: bool,
    /// Room on the disk the pass is written to.
    pub disk_free_bytes: Option<u64>,
    /// How fast that room is used up.
    pub bytes_per_second: Option<f64>,
    /// What the device says of its input, and how evenly it delivers; empty where it says nothing.
    pub device: String,
}

impl Default for Health {
    /// Nothing known, nothing wrong.
    fn default() -> Self {
        Self {
            queue_frames: 0,
            queue_capacity: 0,
            writer: String::new(),
            writer_well: true,
            disk_free_bytes: None,
            bytes_per_second: None,
            device: String::new(),
        }
    }
}

impl Health {
    /// How long the disk lasts at the present rate; `None` where either is unknown.
    #[must_use]
    pub fn disk_time_left(&self) -> Option<Seconds> {
        let rate = self.bytes_per_second.filter(|&rate| rate > 0.0)?;
        Some(Seconds(self.disk_free_bytes? as f64 / rate))
    }
}

/// How long the programme on the tape has run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProgrammeTime {
    /// Programme so far.
    pub played: Seconds,
    /// Whether programme is playing now.
    pub running: bool,
}

/// Counts over the whole pass.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Totals {
    /// Fields measured.
    pub fields: u64,
    /// Fields lost, by the source and by us.
    pub lost: u64,
    /// Of those, the ones we were too slow for.
    pub lost_by_us: u64,
    /// Pictures shown again.
    pub repeated: u64,
    /// Pictures lost minus inserted, as time; `None` until a device clock says.
    pub slip: Option<Millis>,
}

/// An event and whether the operator knows of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Logged {
    /// The event as it is now.
    pub event: Event,
    /// The operator has seen it.
    pub acknowledged: bool,
}

/// A value for a control.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Proposal<'a> {
    /// The control as it stands.
    pub control: &'a ControlListing,
    /// What it should be set to.
    pub value: i64,
}

/// Everything a dashboard draws.
#[derive(Clone, Debug)]
pub struct Live {
    head: Head,
    recent: VecDeque<Readings>,
    trends: Trends,
    waves: WaveHistory,
    tracking: TrackingCourse,
    lines: VecDeque<(FieldPlace, LineTrace)>,
    waveform: Waveform,
    vectors: Vectors,
    events: VecDeque<Logged>,
    totals: Totals,
    health: Health,
    controls: ControlBoard,
    effects: effects::Effects,
    programme: Option<ProgrammeTime>,
    timed: VecDeque<bool>,
    revision: u64,
    rings: u64,
    /// The ring that is not on screen yet, and when its frame arrived.
    undrawn: Option<(u64, Instant)>,
    slowest_alarm: Option<Duration>,
    delays: delays::Tally,
    over: Option<String>,
    reference: Option<Reference>,
    earlier: Option<Earlier>,
    finding: Option<String>,
}

impl Live {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(head: Head) -> Self {
        Self {
            head,
            recent: VecDeque::with_capacity(TRACES),
            trends: Trends::default(),
            waves: WaveHistory::default(),
            tracking: TrackingCourse::default(),
            lines: VecDeque::with_capacity(LINE_FIELDS),
            waveform: Waveform::default(),
            vectors: Vectors::default(),
            events: VecDeque::with_capacity(EVENTS + 1),
            totals: Totals::default(),
            health: Health::default(),
            controls: ControlBoard::default(),
            effects: effects::Effects::default(),
            programme: None,
            timed: VecDeque::with_capacity(EVIDENCE_FIELDS),
            revision: 0,
            rings: 0,
            undrawn: None,
            slowest_alarm: None,
            delays: delays::Tally::default(),
            over: None,
            reference: None,
            earlier: None,
            finding: None,
        }
    }

    /// Takes one field and what became of events at it.
    pub fn observe(&mut self, readings: &Readings, changes: &[Change]) {
        self.revision += 1;
        self.count(readings);
        self.effects.observe(&readings.levels.ladder);
        self.trends
            .push(readings.place.seconds, shown_values(readings));
        push_bounded(
            &mut self.timed,
            readings.line_timing.basis != Basis::None,
            EVIDENCE_FIELDS,
        );
        self.waves.push(
            readings.place.seconds,
            readings.line_timing.wave_spectrum.as_ref(),
        );
        self.tracking.push(readings);
        let lines = (readings.place, readings.line_timing.lines.clone());
        push_bounded(&mut self.lines, lines, LINE_FIELDS);
        push_bounded(&mut self.recent, readings.clone(), TRACES);
        self.note_changes(changes);
    }

    fn count(&mut self, readings: &Readings) {
        let sync = &readings.sync;
        self.totals.fields += 1;
        self.totals.lost += sync.missing_fields;
        self.totals.lost_by_us += sync.missing_by_us;
        self.totals.repeated += u64::from(sync.repeated);
        self.totals.slip = sync.slip.or(self.totals.slip);
    }

    /// Takes changes that belong to no field (a mark, a source that went away).
    pub fn note_changes(&mut self, changes: &[Change]) {
        for change in changes {
            self.revision += 1;
            self.note(change);
        }
    }

    fn note(&mut self, change: &Change) {
        let event = change.event();
        let louder = matches!(change, Change::Opened(_) | Change::Worsened(_));
        let alarm = louder && event.severity == Severity::Alarm;
        self.rings += u64::from(alarm);
        match self
            .events
            .iter_mut()
            .find(|logged| logged.event.id == event.id)
        {
            Some(logged) => {
                logged.event.clone_from(event);
                logged.acknowledged &= !alarm;
            }
            None => self.log(event.clone()),
        }
    }

    fn log(&mut self, event: Event) {
        self.events.push_front(Logged {
            event,
            acknowledged: false,
        });
        if self.events.len() > EVENTS {
            let over = self
                .events
                .iter()
                .rposition(|logged| logged.event.end.is_some());
            self.events.remove(over.unwrap_or(EVENTS));
        }
    }

    /// The operator has seen everything up to now.
    pub fn acknowledge(&mut self) {
        self.revision += 1;
        for logged in &mut self.events {
            logged.acknowledged = true;
        }
    }

    /// Holds what follows against the present readings; false before the first field.
    pub fn take_reference(&mut self) -> bool {
        self.revision += 1;
        self.reference = self
            .latest()
            .map(|latest| Reference::take(latest, &self.trends));
        self.reference.is_some()
    }

    /// Holds nothing against anything any more.
    pub fn drop_reference(&mut self) {
        self.revision += 1;
        self.reference = None;
    }

    /// What later readings are held against, if anything.
    #[must_use]
    pub fn reference(&self) -> Option<&Reference> {
        self.reference.as_ref()
    }

    /// Takes where on an earlier pass the tape stands, and what differs there.
    pub fn set_earlier(&mut self, earlier: Earlier) {
        self.revision += 1;
        self.earlier = Some(earlier);
    }

    /// The earlier pass that this one is held against, if it is.
    #[must_use]
    pub fn earlier(&self) -> Option<&Earlier> {
        self.earlier.as_ref()
    }

    /// What has changed of a quantity since the reference was taken.
    #[must_use]
    pub fn against_reference(&self, shown: Shown) -> Option<Difference> {
        self.reference.as_ref()?.difference(shown, &self.trends)
    }

    /// What a quantity differs by from what it is held against: the reference, which the operator took last, else the earlier pass.
    #[must_use]
    pub fn held_against(&self, shown: Shown) -> Option<(Yardstick, Difference)> {
        if self.reference.is_some() {
            let difference = self.against_reference(shown)?;
            return Some((Yardstick::Reference, difference));
        }
        let difference = self.earlier()?.difference(shown)?;
        Some((Yardstick::Earlier, difference))
    }

    /// Whether the picture is so much another than at the reference that differences of levels mean nothing.
    #[must_use]
    pub fn shows_another_picture(&self) -> bool {
        match (&self.reference, self.latest()) {
            (Some(reference), Some(latest)) => reference.is_of_another_picture(latest),
            _ => false,
        }
    }

    /// Takes how the machinery fares.
    pub fn set_health(&mut self, health: Health) {
        self.revision += u64::from(self.health != health);
        self.health = health;
    }

    /// Takes what was read of the device's controls.
    pub fn set_controls(&mut self, state: &ControlState) {
        self.revision += u64::from(self.controls.take(state));
        self.effects.take(&state.controls);
    }

    /// The device's controls of the levels, for the operator to step.
    pub fn controls_mut(&mut self) -> &mut ControlBoard {
        self.revision += 1;
        &mut self.controls
    }

    /// Takes how long the programme has run.
    pub fn set_programme(&mut self, programme: ProgrammeTime) {
        self.programme = Some(programme);
    }

    /// Takes the newest picture's waveform and gives the one before, to be traced over.
    pub fn exchange_waveform(&mut self, waveform: &mut Waveform) {
        std::mem::swap(&mut self.waveform, waveform);
    }

    /// Takes the newest picture's map of colours and gives the one before, to be traced over.
    pub fn exchange_vectors(&mut self, vectors: &mut Vectors) {
        std::mem::swap(&mut self.vectors, vectors);
    }

    /// What is being watched.
    #[must_use]
    pub fn head(&self) -> &Head {
        &self.head
    }

    /// The newest field; `None` before the first.
    #[must_use]
    pub fn latest(&self) -> Option<&Readings> {
        self.recent.back()
    }

    /// Where the newest field stands; `None` before the first.
    #[must_use]
    pub fn place(&self) -> Option<FieldPlace> {
        self.latest().map(|readings| readings.place)
    }

    /// The last line traces, oldest first.
    #[must_use]
    pub fn traces(&self) -> impl DoubleEndedIterator<Item = &LineTrace> + ExactSizeIterator {
        self.recent
            .iter()
            .map(|readings| &readings.line_timing.lines)
    }

    /// The scanning standard, where one is known.
    #[must_use]
    pub fn standard(&self) -> Option<Standard> {
        self.head.standard
    }

    /// The sample rate: the measure's, else the source's.
    #[must_use]
    pub fn sample_rate(&self) -> Option<Hertz> {
        self.latest()
            .and_then(|readings| readings.line_timing.sample_rate)
            .or(self.head.sample_rate)
    }

    /// How the shown quantities went.
    #[must_use]
    pub fn trends(&self) -> &Trends {
        &self.trends
    }

    /// How waves down the field went.
    #[must_use]
    pub fn waves(&self) -> &WaveHistory {
        &self.waves
    }

    /// How well the player tracked.
    #[must_use]
    pub fn tracking(&self) -> &TrackingCourse {
        &self.tracking
    }

    /// Every line of the last [`LINE_FIELDS`] fields, oldest first.
    pub fn lines(&self) -> impl Iterator<Item = (FieldPlace, &LineTrace)> + Clone {
        self.lines.iter().map(|(place, lines)| (*place, lines))
    }

    /// The newest waveform; blank before the first.
    #[must_use]
    pub fn waveform(&self) -> &Waveform {
        &self.waveform
    }

    /// The newest map of colours; blank before the first.
    #[must_use]
    pub fn vectors(&self) -> &Vectors {
        &self.vectors
    }

    /// Events, newest first.
    #[must_use]
    pub fn events(&self) -> impl ExactSizeIterator<Item = &Logged> {
        self.events.iter()
    }

    /// Conditions that have lasted so long that they are announced once only, newest first.
    pub fn standing(&self) -> impl Iterator<Item = &Logged> {
        self.events()
            .filter(|logged| logged.event.standing && logged.event.end.is_none())
    }

    /// The newest alarm that goes on and that the operator has not acknowledged.
    #[must_use]
    pub fn pressing(&self) -> Option<&Logged> {
        self.events().find(|logged| {
            let event = &logged.event;
            let going_on = event.end.is_none() && !event.standing;
            going_on && event.severity == Severity::Alarm && !logged.acknowledged
        })
    }

    /// Alarms that the operator has not acknowledged, going on or over.
    #[must_use]
    pub fn unacknowledged(&self) -> usize {
        self.events()
            .filter(|logged| logged.event.severity == Severity::Alarm && !logged.acknowledged)
            .count()
    }

    /// Counts over the whole pass.
    #[must_use]
    pub fn totals(&self) -> Totals {
        self.totals
    }

    /// How the machinery fares.
    #[must_use]
    pub fn health(&self) -> &Health {
        &self.health
    }

    /// The device's controls of the levels.
    #[must_use]
    pub fn controls(&self) -> &ControlBoard {
        &self.controls
    }

    /// How long the programme has run; `None` while nobody keeps that time.
    #[must_use]
    pub fn programme(&self) -> Option<ProgrammeTime> {
        self.programme
    }

    /// The word for it all, and why.
    #[must_use]
    pub fn status(&self) -> Status {
        let timed = self.timed.iter().filter(|&&timed| timed).count();
        let ground = Ground {
            now: self.place().map(|place| place.seconds),
            timed_share: timed as f64 / self.timed.len().max(1) as f64,
        };
        status::decide(ground, self.events())
    }

    /// Grows with every change: a screen of the same revision need not be drawn again.
    #[must_use]
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// How many alarms have opened or worsened so far: grows when there is something to ring for.
    #[must_use]
    pub fn rings(&self) -> u64 {
        self.rings
    }

    /// The frame behind the newest ring reached us at `arrived`.
    pub fn set_ring_arrival(&mut self, arrived: Instant) {
        self.undrawn.get_or_insert((self.rings, arrived));
    }

    /// The frame of the newest field reached us at `arrived`.
    pub fn set_arrival(&mut self, arrived: Instant) {
        self.delays.arrive(self.revision, arrived);
    }

    /// How long readings took from the arrival of their frame to the screen; `None` before the first.
    #[must_use]
    pub fn delays(&self) -> Option<Delays> {
        self.delays.figures()
    }

    /// The device's brightness, and the value of it that moves black by so much; `None` where it has none that reaches so far, or
    /// has not been seen to do anything.
    #[must_use]
    pub fn brightness_to_move(&self, change: Ire) -> Option<Proposal<'_>> {
        let effect = self.effects.of(ControlRole::Brightness)?;
        let mut standing = self.controls.standing();
        let control = standing.find(|it| it.control.role == Some(ControlRole::Brightness))?;
        let control = control.control;
        let range = self.head.range;
        let black = self.latest()?.levels.black?.value;
        let (lowest, highest) = range.black_and_peak();
        let codes = |level: Ire| (highest.0 - lowest.0) / 100.0 * level.0;
        let per_unit = effect.at(lowest.0 + codes(black));
        let units = codes(change) / per_unit;
        let steps = (units / control.step as f64).round();
        if control.access == ControlAccess::Held || !steps.is_finite() {
            return None;
        }
        let value = control.setting + steps as i64 * control.step;
        let within = (control.minimum..=control.maximum).contains(&value);
        within.then_some(Proposal { control, value })
    }

    /// What the search for levels does now.
    pub fn set_finding(&mut self, text: String) {
        self.revision += 1;
        self.finding = Some(text);
    }

    /// What the search for levels does; `None` without one.
    #[must_use]
    pub fn finding(&self) -> Option<&str> {
        self.finding.as_deref()
    }

    /// The source has come to an end, and why.
    pub fn set_over(&mut self, why: String) {
        self.revision += 1;
        self.over = Some(why);
    }

    /// Why the source is at an end; `None` while it plays.
    #[must_use]
    pub fn over(&self) -> Option<&str> {
        self.over.as_deref()
    }

    /// Everything up to `revision` and ring number `rings` is on screen since `now`.
    pub fn set_drawn(&mut self, (revision, rings): (u64, u64), now: Instant) {
        self.delays.draw(revision, now);
        if let Some((_, arrived)) = self.undrawn.take_if(|(ring, _)| *ring <= rings) {
            let took = now.saturating_duration_since(arrived);
            self.slowest_alarm = self.slowest_alarm.max(Some(took));
        }
    }

    /// The longest any alarm took from the arrival of its frame to the screen; `None` before the first.
    #[must_use]
    pub fn slowest_alarm(&self) -> Option<Duration> {
        self.slowest_alarm
    }

    /// The event of a number, while it is kept.
    #[must_use]
    pub fn event(&self, id: EventId) -> Option<&Logged> {
        self.events().find(|logged| logged.event.id == id)
    }
}

fn push_bounded<T>(ring: &mut VecDeque<T>, item: T, size: usize) {
    if ring.len() == size {
        ring.pop_front();
    }
    ring.push_back(item);
}

/// What a field says of the shown quantities, in the order of [`Shown::ALL`].
#[must_use]
pub fn shown_values(readings: &Readings) -> Values {
    fn number<U: Unit>(estimate: Option<crate::units::Estimate<U>>) -> Option<f32> {
        estimate.map(|estimate| estimate.value.get() as f32)
    }
    let sync = &readings.sync;
    [
        number(readings.line_timing.error_rms),
        number(readings.flagging.offset),
        number(readings.levels.black),
        number(readings.levels.peak),
        Some(unsteadiness(sync.state)),
        Some(sync.missing_fields as f32 + f32::from(u8::from(sync.repeated))),
        cast(&readings.chroma),
        number(readings.noise.luma_weighted),
        number(readings.detail.bandwidth),
    ]
}

fn cast(chroma: &chroma::Reading) -> Option<f32> {
    let (blue, red) = (chroma.mean_cb?, chroma.mean_cr?);
    Some(blue.value.0.hypot(red.value.0) as f32)
}

fn unsteadiness(state: sync::State) -> f32 {
    match state {
        sync::State::Locked => 0.0,
        sync::State::Unstable => 1.0,
        _ => 2.0,
    }
}
