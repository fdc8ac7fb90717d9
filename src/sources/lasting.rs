//! A live source that outlives its faults: what fails is opened again, for as long as it takes.
//!
//! In: something that can [`Open`] a source. Out: its frames, and silence while it is away. The first frame after an
//! absence carries what is missing as its gap, so that its number and timecode are where they would be had nothing
//! happened: by the device's clock where that goes on across the absence, else by when frames arrived. A time that the
//! machine was suspended counts too, for the tape played on.
//!
//! A fault never ends the stream: a guess about it that is wrong costs a wait, not the pass. The first opening is another
//! thing: what cannot be opened then is the caller's to hear of.
//!
//! Does not know: what kind of source it is, or fields beyond counting them.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::{
    ControlListing, ControlRole, ControlSetting, Frame, News, NewsKind, PictureFormat, RowLayout,
    Source, SourceDescription, SourceError, SourceErrorKind,
};

/// Opens a source, again and again.
pub trait Open: Send {
    /// Opens it.
    ///
    /// # Errors
    /// It cannot be opened now; it may be later.
    fn open(&mut self) -> Result<Box<dyn Source>, SourceError>;
}

/// The machine's time, as far as it matters to a source that was away.
pub trait Time: Send {
    /// Now, on the clock that frames arrive by.
    fn now(&self) -> Instant;
    /// How long the machine has been suspended since it was started.
    fn suspended(&self) -> Duration;
    /// Waits.
    fn wait(&mut self, time: Duration);
}

/// The real time.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemTime;

impl Time for SystemTime {
    fn now(&self) -> Instant {
        Instant::now()
    }

    #[cfg(target_os = "linux")]
    fn suspended(&self) -> Duration {
        use rustix::time::{ClockId, clock_gettime};
        let read = |id| {
            let time = clock_gettime(id);
            let seconds = u64::try_from(time.tv_sec).unwrap_or(0);
            let nanos = u32::try_from(time.tv_nsec).unwrap_or(0);
            Duration::new(seconds, nanos)
        };
        // The one counts suspended time, the other does not (clock_gettime(2)).
        let awake = read(ClockId::Monotonic);
        read(ClockId::Boottime).saturating_sub(awake)
    }

    #[cfg(not(target_os = "linux"))]
    fn suspended(&self) -> Duration {
        Duration::ZERO
    }

    fn wait(&mut self, time: Duration) {
        std::thread::sleep(time);
    }
}

/// The wait before the second attempt; each further one doubles it. The first comes at once.
const FIRST_WAIT: Duration = Duration::from_millis(250);

/// The longest wait between attempts: a device that is plugged in again is not kept waiting for long.
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// One wait within [`Source::next_frame`]; it must come back.
const ONE_WAIT: Duration = Duration::from_millis(250);

/// A source that has been silent for this long, though it does not say that its signal is gone, is opened again: some
/// devices stop for good after a fault without an error.
const SILENCE_TO_OPEN_AGAIN: Duration = Duration::from_secs(5);

/// Under this the machine was not suspended: the two clocks are read one after the other.
const LEAST_SUSPENDED: Duration = Duration::from_millis(500);

/// How far the device's clock and the arrival of frames may differ over an absence before the device's is not believed.
const CLOCKS_AGREE: Duration = Duration::from_secs(1);

/// News that may wait.
const MOST_NEWS: usize = 64;

/// The last frame that was handed on.
#[derive(Clone, Copy, Debug)]
struct LastFrame {
    arrived: Instant,
    rows: RowLayout,
    /// On the time axis of the stream.
    device_time: Option<Duration>,
    /// On the machine's clock.
    stamp: Option<Duration>,
}

/// Why and since when the source is away.
#[derive(Debug)]
struct Absence {
    why: String,
    due: Instant,
    wait: Duration,
}

/// A source and what opens it again.
pub struct Lasting<T = SystemTime> {
    opener: Box<dyn Open>,
    time: T,
    source: Option<Box<dyn Source>>,
    description: SourceDescription,
    format: Arc<PictureFormat>,
    absence: Option<Absence>,
    /// No frame has come since the source was opened.
    unproven: bool,
    quiet_since: Option<Instant>,
    last: Option<LastFrame>,
    /// Added to the source's own times: what earlier openings and suspensions left.
    ahead: Duration,
    suspended: Duration,
    news: VecDeque<News>,
    /// Controls as they were when the source was let go.
    controls: Vec<ControlListing>,
}

impl<T: Time> Lasting<T> {
    /// Opens the source for the first time.
    ///
    /// # Errors
    /// It cannot be opened.
    pub fn open(mut opener: Box<dyn Open>, time: T) -> Result<Self, SourceError> {
        let source = opener.open()?;
        Ok(Self {
            description: source.description().clone(),
            format: Arc::clone(source.format()),
            suspended: time.suspended(),
            opener,
            time,
            source: Some(source),
            absence: None,
            unproven: false,
            quiet_since: None,
            last: None,
            ahead: Duration::ZERO,
            news: VecDeque::new(),
            controls: Vec::new(),
        })
    }

    fn tell(&mut self, kind: NewsKind, text: String) {
        if self.news.len() < MOST_NEWS {
            self.news.push_back(News { kind, text });
        }
    }

    /// Closes the source, to open it again.
    fn let_go(&mut self, why: &SourceError) {
        self.take_news_over();
        if let Some(source) = &self.source {
            self.controls = source.controls().to_vec();
        }
        self.source = None; // before it is opened again: a device has one reader
        self.quiet_since = None;
        let wait = match (&self.absence, self.unproven) {
            // It failed again before it gave a frame: not at once.
            (Some(absence), true) => absence.wait,
            _ => Duration::ZERO,
        };
        self.absence = Some(Absence {
            why: full_message(why),
            due: self.time.now() + wait,
            wait: (2 * wait).clamp(FIRST_WAIT, LONGEST_WAIT),
        });
    }

    fn take_news_over(&mut self) {
        while let Some(news) = self.source.as_mut().and_then(|it| it.news()) {
            self.tell(news.kind, news.text);
        }
    }

    /// Waits, and opens the source if it is time.
    fn try_again(&mut self) -> Result<(), SourceError> {
        let Some(absence) = &mut self.absence else {
            return Ok(());
        };
        let left = absence.due.saturating_duration_since(self.time.now());
        if left > Duration::ZERO {
            self.time.wait(left.min(ONE_WAIT));
        }
        if absence.due > self.time.now() {
            return Err(away(absence));
        }
        match self.opener.open() {
            Ok(source) => {
                self.compare_controls(source.controls());
                self.source = Some(source);
                self.unproven = true;
                Ok(())
            }
            Err(error) => {
                absence.why = full_message(&error);
                absence.due = self.time.now() + absence.wait;
                absence.wait = (2 * absence.wait).min(LONGEST_WAIT);
                Err(away(absence))
            }
        }
    }

    /// A device that was without power has forgotten what it was set to.
    fn compare_controls(&mut self, now: &[ControlListing]) {
        let before = std::mem::take(&mut self.controls);
        for control in now {
            let known = before.iter().find(|it| it.id == control.id);
            let moved = control.role.is_some_and(ControlRole::is_moved);
            if let Some(before) = known.filter(|it| it.value != control.value && !moved) {
                let text = format!(
                    "{} was {} before the device was opened again and is {} now.",
                    control.name, before.value, control.value
                );
                self.tell(NewsKind::Control, text);
            }
        }
    }

    /// Hands a frame on, its gap and time those of the stream.
    fn place(&mut self, mut frame: Frame, origin: Option<Duration>) -> Frame {
        let stamp = origin.zip(frame.device_time).map(|(zero, at)| zero + at);
        let slept = self.time.suspended().saturating_sub(self.suspended);
        let slept = Some(slept).filter(|&slept| slept >= LEAST_SUSPENDED);
        if let Some(slept) = slept {
            self.suspended += slept;
        }
        if let Some(last) = self.last {
            if self.unproven {
                self.join(&mut frame, last, stamp, slept.unwrap_or_default());
            } else if let Some(slept) = slept {
                self.ahead += slept;
                let fields = even(fields_in(slept, &frame.format));
                frame.gap.lost_by_source += fields;
                frame.gap.timed |= fields > 0;
            }
            if let Some(slept) = slept {
                let text = format!(
                    "The machine was suspended for {:.1} s; the tape went on.",
                    slept.as_secs_f64()
                );
                self.tell(NewsKind::Clock, text);
            }
        }
        if !Arc::ptr_eq(&self.format, &frame.format) {
            self.note_standard(&frame.format);
            self.format = Arc::clone(&frame.format);
        }
        self.unproven = false;
        self.absence = None;
        self.quiet_since = None;
        frame.device_time = frame.device_time.map(|time| time + self.ahead);
        self.last = Some(LastFrame {
            arrived: frame.arrived,
            rows: frame.rows,
            device_time: frame.device_time,
            stamp,
        });
        frame
    }

    /// The first frame after an absence: what is missing before it, and how much later than its own time it is.
    fn join(
        &mut self,
        frame: &mut Frame,
        last: LastFrame,
        stamp: Option<Duration>,
        slept: Duration,
    ) {
        let by_arrival = frame.arrived.saturating_duration_since(last.arrived);
        let by_clock = stamp
            .zip(last.stamp)
            .and_then(|(now, then)| now.checked_sub(then))
            .filter(|by_clock| by_clock.abs_diff(by_arrival) <= CLOCKS_AGREE);
        let absent = by_clock.unwrap_or(by_arrival) + slept;
        let elapsed = fields_in(absent, &frame.format);
        let odd = u64::from(parity_differs(last.rows, frame.rows));
        let distance = 2 * ((elapsed - odd as f64) / 2.0).round().max(0.0) as u64 + odd;
        let missing = distance.saturating_sub(fields_of(last.rows));
        frame.gap.lost_by_source = frame.gap.lost_by_source.max(missing);
        frame.gap.timed |= missing > 0;
        if let Some((then, own)) = last.device_time.zip(frame.device_time) {
            self.ahead = (then + absent).saturating_sub(own);
        }
    }

    fn note_standard(&mut self, format: &PictureFormat) {
        let (Some(before), Some(now)) = (self.format.standard, format.standard) else {
            return;
        };
        if before != now {
            let text = format!(
                "The signal changed from {} to {} lines; it is measured as {} lines from here on.",
                before.word(),
                now.word(),
                now.word()
            );
            self.tell(NewsKind::Standard, text);
        }
    }

    /// Whether a silent source is to be opened again.
    fn is_stuck(&mut self, error: &SourceError) -> bool {
        if error.kind() == SourceErrorKind::NoSignal {
            self.quiet_since = None;
            return false;
        }
        let now = self.time.now();
        let since = *self.quiet_since.get_or_insert(now);
        now.saturating_duration_since(since) >= SILENCE_TO_OPEN_AGAIN
    }
}

impl<T: Time> Source for Lasting<T> {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        if self.source.is_none() {
            self.try_again()?;
        }
        let Some(source) = &mut self.source else {
            return Ok(None); // what was opened is there
        };
        let found = source.next_frame();
        let origin = source.clock_origin();
        match found {
            Ok(Some(frame)) => Ok(Some(self.place(frame, origin))),
            Ok(None) => Ok(None),
            Err(error) if error.is_silence() => {
                if self.is_stuck(&error) {
                    self.let_go(&error);
                }
                Err(error)
            }
            Err(error) => {
                self.let_go(&error);
                let absence = self.absence.as_ref();
                Err(absence.map_or(error, away))
            }
        }
    }

    fn news(&mut self) -> Option<News> {
        self.news
            .pop_front()
            .or_else(|| self.source.as_mut()?.news())
    }

    fn is_device(&self) -> bool {
        true // nothing else is opened again
    }

    fn controls(&self) -> &[ControlListing] {
        self.source
            .as_ref()
            .map_or(&self.controls, |it| it.controls())
    }

    fn set_control(&mut self, setting: ControlSetting) -> Result<(), SourceError> {
        match (&mut self.source, &self.absence) {
            (Some(source), _) => source.set_control(setting),
            (None, Some(absence)) => Err(away(absence)),
            // What was opened is there, or it is told why it is not.
            (None, None) => Ok(()),
        }
    }

    fn clock_origin(&self) -> Option<Duration> {
        None // of several openings there is no single one
    }
}

/// What is said while the source is away.
fn away(absence: &Absence) -> SourceError {
    SourceError::new(
        SourceErrorKind::Away,
        format!("{}; it is tried again until it is back", absence.why),
    )
}

fn full_message(error: &SourceError) -> String {
    error.to_string()
}

/// Fields that a time holds.
fn fields_in(time: Duration, format: &PictureFormat) -> f64 {
    format
        .standard
        .map_or(0.0, |it| time.as_secs_f64() / it.field_period().0)
}

/// Whole frames only: parity goes on.
fn even(fields: f64) -> u64 {
    2 * (fields / 2.0).round().max(0.0) as u64
}

fn fields_of(rows: RowLayout) -> u64 {
    match rows {
        RowLayout::Woven | RowLayout::Sequential(_) => 2,
        RowLayout::Single(_) => 1,
    }
}

fn parity_differs(before: RowLayout, now: RowLayout) -> bool {
    matches!((before, now), (RowLayout::Single(before), RowLayout::Single(now)) if before != now)
}

#[cfg(test)]
mod tests;
