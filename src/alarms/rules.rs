//! One rule a limit: k of n with hysteresis over usable fields, and the one event it may have open.
//!
//! A field without the quantity is not usable: it neither opens nor clears. An open event waits for evidence, but not
//! for ever; windows forget what is older than a second of fields without any. What keeps coming back soon after it was
//! over takes longer to be over each time, so that a condition that hovers about its limit becomes one event.
//!
//! Does not know: other rules, or what becomes of the changes.

use super::WorstSoFar;
use super::desk::Desk;
use super::event::Event;
use super::settled::Settled;
use super::slow::{Better, Slow};
use super::window::{Seen, Window};
use super::wording::{self, Detail, Size, UNNOTICED};
use crate::fields::FieldPlace;
use crate::limits::{Among, AtCuts, Kind, Limit, Severity, Side, Test};
use crate::measures::dropouts::DROPOUT_DELAY;
use crate::measures::levels::FLASH_DELAY;
use crate::measures::line_timing::Basis;
use crate::measures::sync::UNNOTICED_DELAY;
use crate::measures::tracking::TRACKING_DELAY;
use crate::measures::{Readings, Value, bars, quantity};
use crate::standard::Parity;
use crate::timecode::FieldIndex;
use crate::units::{Hertz, Nanos, Seconds};

/// A value that is no more than this many of its standard errors exceeds nothing: noise, or waves, may have made it.
const TOLD_FROM_NOTHING: f64 = 4.0;

/// Evidence this far apart does not belong to one window.
const STALE_S: f64 = 1.0;

/// An event that comes back within this time of the last one's closing doubles the fields it must stay away.
const COMEBACK_S: f64 = 60.0;

/// Fields it must stay away at most: a minute.
const MOST_CLEAR: u32 = 3_600;

/// Comebacks that things counted have free: each of a few losses is a place to play again.
const COUNTED_COMEBACKS: u32 = 5;

/// A field as all rules look at it.
#[derive(Clone, Copy)]
pub(super) struct Look<'a> {
    pub(super) readings: &'a Readings,
    /// The picture is another than the one before, or the same again: quantities that compare say nothing.
    pub(super) cut: bool,
    /// There is programme, or may be.
    pub(super) programme: bool,
    pub(super) field_period: Seconds,
}

/// What becomes of an open event at a field.
#[derive(Debug)]
struct Open {
    event: Event,
    /// First and last field that exceed; the last is where the event will end.
    last: FieldPlace,
    worst: f64,
    worst_badness: f64,
    worst_at: FieldPlace,
    /// Sum over fields, for what is counted.
    tally: f64,
    /// Runs of fields that exceed, for what is counted.
    incidents: u32,
    /// Fields in a row that are back inside.
    clear: u32,
    /// As many of them end it.
    clear_needed: u32,
    /// Badness that was last announced.
    announced: f64,
    /// Colour bars seen last, of events about them.
    bars: Option<bars::Found>,
    /// What was seen, of other events whose notes tell more than a number.
    detail: Option<Detail>,
}

/// A limit being watched.
#[derive(Debug)]
pub(super) struct Rule {
    limit: Limit,
    read: fn(&Readings) -> Option<Value>,
    windows: [Window; 2],
    settled: Option<Settled>,
    slow: Option<Slow>,
    last_evidence: f64,
    sample_rate: Option<Hertz>,
    open: Option<Open>,
    /// When the last event closed, and how often in a row one came back soon after.
    closed_at: f64,
    comebacks: u32,
}

impl Rule {
    /// `None` when no measure gives the quantity; a test holds the table to those that exist.
    pub(super) fn new(limit: Limit) -> Option<Self> {
        let side = limit.threshold().map(|threshold| threshold.side);
        let settles = matches!(side, Some(Side::Risen | Side::Moved));
        let (_, quantity) = quantity(limit.quantity)?;
        Some(Self {
            limit,
            read: reader(limit.id).unwrap_or(quantity.read),
            windows: [(); 2].map(|()| Window::new(limit.hits, limit.of)),
            settled: settles.then(Settled::new),
            slow: course_of(&limit).map(Slow::new),
            last_evidence: f64::NEG_INFINITY,
            sample_rate: None,
            open: None,
            closed_at: f64::NEG_INFINITY,
            comebacks: 0,
        })
    }

    /// The event in progress.
    pub(super) fn open_event(&self) -> Option<&Event> {
        self.open.as_ref().map(|open| &open.event)
    }

    /// The event in progress, and where it was worst.
    pub(super) fn worst_so_far(&self) -> Option<WorstSoFar<'_>> {
        let open = self.open.as_ref()?;
        Some(WorstSoFar {
            event: &open.event,
            at: open.worst_at,
        })
    }

    /// Takes in a field.
    pub(super) fn observe(&mut self, look: Look<'_>, desk: &mut Desk<'_>) {
        let now = look.readings.place.seconds.0;
        match self.evidence(look) {
            Some(seen) => {
                if now - self.last_evidence > STALE_S {
                    self.forget();
                }
                self.last_evidence = now;
                self.sample_rate = look.readings.line_timing.sample_rate;
                self.judge(seen, look, desk);
            }
            None => self.wait(now, desk),
        }
    }

    /// Another recording begins: what had settled in the last one says nothing of it.
    pub(super) fn recording_started(&mut self) {
        if let Some(settled) = &mut self.settled {
            *settled = Settled::new();
        }
        self.slow = course_of(&self.limit).map(Slow::new);
    }

    /// The programme is over: what rests on its picture is over too.
    pub(super) fn programme_ended(&mut self, desk: &mut Desk<'_>) {
        if matches!(self.limit.test, Test::Number(_)) && !self.counts() {
            self.close(desk);
            self.forget();
        }
    }

    /// Ends the open event at the last field that exceeded.
    pub(super) fn close(&mut self, desk: &mut Desk<'_>) {
        let Some(mut open) = self.open.take() else {
            return;
        };
        open.event.end = Some(open.last);
        open.event.end_timecode = Some(desk.clock.label(open.last.frame()));
        self.describe(&mut open, desk);
        self.closed_at = self.last_evidence;
        desk.closed(open.event);
    }

    fn forget(&mut self) {
        for window in &mut self.windows {
            window.clear();
        }
    }

    fn wait(&mut self, now: f64, desk: &mut Desk<'_>) {
        let Some(open) = &self.open else {
            return;
        };
        let patience = if open.event.standing {
            desk.numbers.hold_standing_s
        } else {
            desk.numbers.hold_s
        };
        if now - self.last_evidence > patience {
            self.close(desk);
            self.forget();
        }
    }

    fn evidence(&mut self, look: Look<'_>) -> Option<Seen> {
        let place = look.readings.place;
        if look.cut && self.limit.at_cuts == AtCuts::Hold {
            return None;
        }
        let value = (self.read)(look.readings)?;
        let threshold = match self.limit.test {
            Test::Words(words) => {
                let said = matches!(value, Value::Word(word) if words.contains(&word));
                return Some(Seen {
                    from: place,
                    badness: f64::from(u8::from(said)),
                    value: f64::from(u8::from(said)),
                    exceeds: said,
                });
            }
            Test::Number(threshold) => threshold,
        };
        let sigma = value.sigma().unwrap_or(0.0);
        let mut value = value.number()?;
        let settled = match (&mut self.settled, &mut self.slow) {
            (None, None) => 0.0,
            (None, Some(slow)) => {
                slow.follow(place.seconds.0, value);
                let course = slow.course()?;
                value = course.lately;
                course.best
            }
            (Some(settled), _) => {
                let usual = settled.value();
                if self.open.is_none() {
                    settled.follow(value);
                }
                usual?
            }
        };
        let badness = threshold.badness(value, settled);
        let from = match self.limit.kind {
            Kind::Missing if self.limit.id == UNNOTICED => {
                back(place, UNNOTICED_DELAY as f64, look.field_period)
            }
            Kind::Missing | Kind::Overrun => back(place, value, look.field_period),
            Kind::Flash => back(place, FLASH_DELAY as f64, look.field_period),
            Kind::DropoutBurst => back(place, DROPOUT_DELAY as f64, look.field_period),
            Kind::Tracking => back(place, TRACKING_DELAY as f64, look.field_period),
            _ => place,
        };
        Some(Seen {
            from,
            badness,
            value,
            exceeds: badness > threshold.enter_badness() && value.abs() > TOLD_FROM_NOTHING * sigma,
        })
    }

    fn judge(&mut self, seen: Seen, look: Look<'_>, desk: &mut Desk<'_>) {
        let place = look.readings.place;
        let window = match (self.limit.among, place.parity) {
            (Among::SameParity, Parity::Bottom) => 1,
            _ => 0,
        };
        let complete = self.windows[window].push(seen);
        match self.open.take() {
            Some(mut open) => {
                if self.go_on(&mut open, seen, look, desk) {
                    self.announce(&mut open, window, place, desk);
                    self.open = Some(open);
                } else {
                    self.open = Some(open);
                    self.close(desk);
                }
            }
            None if complete && self.is_ripe(window, place) => self.begin(window, look, desk),
            None => {}
        }
    }

    /// Whether the fields in the window are all there will be: one of several has time to become more first.
    fn is_ripe(&self, window: usize, now: FieldPlace) -> bool {
        let later = u64::from(self.limit.of - 1) * 2;
        let first = self.windows[window].hits().next();
        self.limit.hits > 1 || first.is_some_and(|hit| hit.from.field.0 + later <= now.field.0)
    }

    /// Whether it says less about the same quantity than an event in progress: nothing is told twice.
    pub(super) fn yields_to(&self, louder: &Self) -> bool {
        louder.open.is_some()
            && louder.limit.quantity == self.limit.quantity
            && louder.limit.kind == self.limit.kind
            && louder.limit.severity > self.limit.severity
    }

    /// Leaves the field to a louder rule.
    pub(super) fn stand_back(&mut self, desk: &mut Desk<'_>) {
        self.close(desk);
        self.forget();
    }

    fn begin(&mut self, window: usize, look: Look<'_>, desk: &mut Desk<'_>) {
        let clear_needed = self.come_back(look.readings.place);
        let hits = || self.windows[window].hits();
        let (Some(first), Some(last)) = (hits().next(), hits().last()) else {
            return;
        };
        // the first of equals
        let worst = hits()
            .reduce(|a, b| if b.badness > a.badness { b } else { a })
            .unwrap_or(last);
        let last_place = self.last_of(last, look);
        let severity = if look.programme {
            self.limit.severity
        } else {
            Severity::Notice
        };
        let mut open = Open {
            event: desk.event(self.limit.kind, severity, first.from),
            last: last_place,
            worst: worst.value,
            worst_badness: worst.badness,
            worst_at: worst.from,
            tally: hits().map(|hit| hit.value).sum(),
            incidents: 1,
            clear: 0,
            clear_needed,
            announced: hits().map(|hit| hit.badness).fold(f64::INFINITY, f64::min),
            bars: self.bars_in(look),
            detail: Detail::of(self.limit.kind, look.readings),
        };
        if let Test::Number(threshold) = self.limit.test {
            open.event.unit = threshold.unit;
            open.event.limit = Some(threshold.enter);
            if threshold.side == Side::Counted {
                open.announced = open.tally;
            }
        }
        let covered = if self.counts() {
            open.tally as u64
        } else {
            hits().count() as u64
        };
        desk.coverage.add(self.limit.kind, covered);
        self.describe(&mut open, desk);
        desk.opened(&open.event);
        self.open = Some(open);
    }

    /// An event opens: how many fields it must stay away to be over, more if it has just been here.
    fn come_back(&mut self, now: FieldPlace) -> u32 {
        let soon = now.seconds.0 - self.closed_at < COMEBACK_S;
        self.comebacks = if soon { self.comebacks + 1 } else { 0 };
        let free = if self.counts() { COUNTED_COMEBACKS } else { 0 };
        let doublings = self.comebacks.saturating_sub(free).min(12);
        let needed = self.limit.clear_after << doublings;
        needed.min(MOST_CLEAR.max(self.limit.clear_after))
    }

    /// What an event about colour bars tells of them.
    fn bars_in(&self, look: Look<'_>) -> Option<bars::Found> {
        let about_bars = self.limit.kind == Kind::ColourBars;
        about_bars.then_some(look.readings.bars.found).flatten()
    }

    /// Whether fields are counted instead of compared.
    fn counts(&self) -> bool {
        let side = self.limit.threshold().map(|threshold| threshold.side);
        side == Some(Side::Counted)
    }

    /// Takes a field into the open event; whether the event goes on.
    fn go_on(&self, open: &mut Open, seen: Seen, look: Look<'_>, desk: &mut Desk<'_>) -> bool {
        let back_inside = match self.limit.test {
            Test::Words(_) => !seen.exceeds,
            Test::Number(threshold) => seen.badness <= threshold.leave_badness(),
        };
        if back_inside {
            open.clear += 1;
            return open.clear < open.clear_needed;
        }
        open.bars = self.bars_in(look).or(open.bars);
        let detail = Detail::of(self.limit.kind, look.readings);
        open.detail = Detail::over(open.detail, detail);
        open.incidents += u32::from(open.clear > 0);
        open.clear = 0;
        open.last = self.last_of(&seen, look);
        open.tally += seen.value;
        let covered = if self.counts() { seen.value as u64 } else { 1 };
        desk.coverage.add(self.limit.kind, covered);
        if seen.badness > open.worst_badness {
            (open.worst, open.worst_badness, open.worst_at) = (seen.value, seen.badness, seen.from);
        }
        true
    }

    /// Says so when the event has grown by its step, or has lasted so long that it stands.
    fn announce(&self, open: &mut Open, window: usize, place: FieldPlace, desk: &mut Desk<'_>) {
        if let Some(level) = self.grown_to(open, window) {
            open.announced = level;
            self.describe(open, desk);
            desk.worsened(&open.event);
        }
        let age = place.seconds - open.event.start.seconds;
        let old_enough = age >= Seconds(desk.numbers.standing_after_s);
        if old_enough && open.clear == 0 && !open.event.standing {
            open.event.standing = true;
            self.describe(open, desk);
            desk.standing(&open.event);
        }
    }

    /// The badness to announce, if it is a step over the last one announced.
    fn grown_to(&self, open: &Open, window: usize) -> Option<f64> {
        let threshold = self.limit.threshold()?;
        let next = open.announced + threshold.worse_step;
        if threshold.side == Side::Counted {
            return (open.tally >= next).then_some(open.tally);
        }
        if open.worst_badness < next {
            return None; // spares the walk through the window
        }
        self.windows[window].reached_over(next)
    }

    fn describe(&self, open: &mut Open, desk: &Desk<'_>) {
        let value = if self.counts() {
            open.tally
        } else {
            open.worst
        };
        if self.limit.threshold().is_some() {
            open.event.worst = Some(value);
        }
        let size = Size {
            value,
            at: desk.clock.label(open.worst_at.frame()),
            incidents: open.incidents,
            usual: self.usual(),
            sample_rate: self.sample_rate,
            bars: open.bars,
            detail: open.detail,
        };
        open.event.note = wording::sentence(&self.limit, &open.event, &size);
    }

    /// What a value is held against, where that is learned.
    fn usual(&self) -> Option<f64> {
        let settled = self.settled.as_ref().and_then(Settled::value);
        settled.or_else(|| Some(self.slow.as_ref()?.course()?.best))
    }

    /// Last field that a hit speaks of: lost fields end before the one that tells of them.
    fn last_of(&self, seen: &Seen, look: Look<'_>) -> FieldPlace {
        match self.limit.kind {
            Kind::Flash | Kind::DropoutBurst | Kind::Tracking => seen.from,
            Kind::Missing if self.limit.id == UNNOTICED => seen.from,
            Kind::Missing | Kind::Overrun => {
                let fields = seen.value - 1.0;
                forward(seen.from, fields, look.field_period)
            }
            _ if seen.from.field < look.readings.place.field => seen.from,
            _ => look.readings.place,
        }
    }
}

/// Which way is better, of limits that look at how a quantity goes over minutes.
fn course_of(limit: &Limit) -> Option<Better> {
    match limit.threshold()?.side {
        Side::Rising => Some(Better::Lower),
        Side::Sinking => Some(Better::Higher),
        _ => None,
    }
}

/// Share of the error seen by content that the lines must have moved by since the field before of their parity to be told as wobble:
/// what hardly changes may be left of a camera that turned or grew the picture, or of something large that passed before plain
/// ground. Lines that wobble by themselves in each field move by 1.4 of it.
const CHANGED_SHARE: f64 = 0.5;

/// Limits that share a quantity and divide it: fields the source lost, those that nobody tells of, those that we were too slow
/// for. And those for which a quantity is evidence only at times: the lines' error and the head switch where the picture alone
/// shows them.
fn reader(limit: &str) -> Option<fn(&Readings) -> Option<Value>> {
    match limit {
        "wobble" => Some(|readings| {
            let error = readings.line_timing.error_rms?;
            (!has_built_up(readings) || error.value < LEAST_BUILT_UP).then_some(Value::from(error))
        }),
        "flagging" => Some(|readings| {
            let offset = readings.flagging.offset?;
            let remade = readings.line_timing.is_against_remade_rows();
            (!remade && !has_built_up(readings)).then_some(Value::from(offset))
        }),
        "head_switch" => Some(|readings| {
            let lines = readings
                .head_switch
                .lines
                .filter(|_| shows_edges(readings))?;
            Some(Value::Count(u64::from(lines)))
        }),
        "head_switch_moved" => Some(|readings| {
            let line = readings
                .head_switch
                .line
                .filter(|_| shows_edges(readings))?;
            Some(Value::Count(u64::from(line)))
        }),
        "missing" => Some(|readings| {
            let sync = &readings.sync;
            let lost = sync.missing_fields.saturating_sub(sync.missing_by_us);
            Some(Value::Count(lost))
        }),
        UNNOTICED => Some(|readings| Some(Value::Count(readings.sync.unnoticed_losses))),
        "overrun" => Some(|readings| Some(Value::Count(readings.sync.missing_by_us))),
        _ => None,
    }
}

/// Whether the error that the picture alone shows hardly changes from field to field.
fn has_built_up(readings: &Readings) -> bool {
    let timing = &readings.line_timing;
    let changes = timing.change_rms.zip(timing.error_rms);
    changes.is_some_and(|(change, error)| change.0 < CHANGED_SHARE * error.value.0)
}

/// An error under this is no wobble, however it came about.
const LEAST_BUILT_UP: Nanos = Nanos(20.0);

/// Whether lines were timed by their edges. The step of the switched heads is the same in every field, which the picture alone cannot
/// show; what it shows at the bottom comes from what moves there.
fn shows_edges(readings: &Readings) -> bool {
    readings.line_timing.basis == Basis::Edge
}

/// The place so many fields earlier.
fn back(place: FieldPlace, fields: f64, field_period: Seconds) -> FieldPlace {
    let fields = (fields as u64).min(place.field.0);
    FieldPlace {
        field: FieldIndex(place.field.0 - fields),
        parity: parity_after(place.parity, fields),
        seconds: place.seconds - field_period * fields as f64,
    }
}

/// The place so many fields later.
fn forward(place: FieldPlace, fields: f64, field_period: Seconds) -> FieldPlace {
    let fields = fields as u64;
    FieldPlace {
        field: FieldIndex(place.field.0 + fields),
        parity: parity_after(place.parity, fields),
        seconds: place.seconds + field_period * fields as f64,
    }
}

fn parity_after(parity: Parity, fields: u64) -> Parity {
    if fields.is_multiple_of(2) {
        parity
    } else {
        parity.other()
    }
}
