//! The loop of the dashboard: keys in, redraws out, no faster than needed.
//!
//! In: the shared [`Live`]. Out: [`Request`]s. The lock is held only while the picture is made in memory; sending it to
//! the terminal, which may be slow, happens without it.
//!
//! Does not know: what becomes of requests.

use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crossterm::event::{self, Event};

use crate::record::Live;

use super::palette::Palette;
use super::terminal::Session;
use super::{Request, Screen};

/// Shortest time between redraws: 30 a second.
const SHORTEST: Duration = Duration::from_millis(34);

/// Time between redraws while nothing but figures changes: fast enough for a moving line, slow enough to be cheap.
const USUAL: Duration = Duration::from_millis(80);

/// Shortest time between two rings of the bell.
const QUIET: Duration = Duration::from_secs(10);

/// Draws until `stop` is set, or the operator quits or interrupts, or the terminal is taken away by a panic elsewhere.
///
/// # Errors
/// The terminal cannot be read or written any more (it was closed).
pub fn run(
    session: &mut Session,
    live: &Mutex<Live>,
    mut requests: impl FnMut(Request),
    stop: &AtomicBool,
) -> io::Result<()> {
    let mut screen = Screen::new(Palette::of_environment());
    let mut pace = Pace::default();
    let mut bell = Bell::default();
    while !stop.load(Ordering::Relaxed) && session.is_taken() {
        let mut touched = session.resume()?;
        session.wait_for_keys(SHORTEST)?;
        while event::poll(Duration::ZERO)? {
            touched = true;
            let Some(request) = read_key(&mut screen)? else {
                continue;
            };
            if request == Request::Acknowledge {
                bell.hush(lock(live).rings());
            }
            let quit = matches!(request, Request::Quit | Request::Interrupt);
            requests(request);
            if quit {
                return Ok(());
            }
        }
        let (now, version) = (Instant::now(), Version::of(&lock(live)));
        if bell.due(version.rings, now) {
            session.ring()?;
        }
        if pace.due(version, touched, now) {
            session
                .terminal()
                .draw(|frame| screen.draw(frame, &lock(live)))?;
            lock(live).set_drawn(version.rings, Instant::now());
        }
    }
    Ok(())
}

/// A panic while the lock was held leaves readings that are at worst half a field old.
fn lock(live: &Mutex<Live>) -> MutexGuard<'_, Live> {
    live.lock().unwrap_or_else(PoisonError::into_inner)
}

fn read_key(screen: &mut Screen) -> io::Result<Option<Request>> {
    Ok(match event::read()? {
        Event::Key(key) => screen.key(key),
        _ => None,
    })
}

/// What a picture was drawn of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Version {
    revision: u64,
    rings: u64,
}

impl Version {
    fn of(live: &Live) -> Self {
        Self {
            revision: live.revision(),
            rings: live.rings(),
        }
    }
}

/// Decides when to draw.
#[derive(Debug, Default)]
struct Pace {
    drawn: Option<(Version, Instant)>,
    touched: bool,
}

impl Pace {
    /// Whether to draw now; taken as drawn then.
    fn due(&mut self, version: Version, touched: bool, now: Instant) -> bool {
        self.touched |= touched;
        let due = self.drawn.is_none_or(|(drawn, at)| {
            let since = now.duration_since(at);
            let urgent = self.touched || version.rings != drawn.rings;
            let changed = version.revision != drawn.revision;
            since >= SHORTEST && (urgent || changed && since >= USUAL)
        });
        if due {
            self.drawn = Some((version, now));
            self.touched = false;
        }
        due
    }
}

/// Decides when to ring.
#[derive(Debug, Default)]
struct Bell {
    heard: u64,
    last: Option<Instant>,
}

impl Bell {
    /// Whether to ring now; what comes within [`QUIET`] of a ring waits for its end.
    fn due(&mut self, rings: u64, now: Instant) -> bool {
        let rested = self
            .last
            .is_none_or(|last| now.duration_since(last) >= QUIET);
        let due = rings > self.heard && rested;
        if due {
            (self.heard, self.last) = (rings, Some(now));
        }
        due
    }

    /// The operator knows of all alarms so far.
    fn hush(&mut self, rings: u64) {
        self.heard = rings;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn version(revision: u64, rings: u64) -> Version {
        Version { revision, rings }
    }

    #[test]
    fn nothing_is_drawn_twice_without_a_change() {
        let start = Instant::now();
        let mut pace = Pace::default();
        assert!(pace.due(version(1, 0), false, start));
        assert!(!pace.due(version(1, 0), false, start + Duration::from_secs(5)));
        assert!(pace.due(version(2, 0), false, start + Duration::from_secs(5)));
    }

    #[test]
    fn at_most_thirty_redraws_a_second_whatever_happens() {
        let start = Instant::now();
        let mut pace = Pace::default();
        let drawn = (0..1000)
            .filter(|&ms| pace.due(version(ms, ms), true, start + Duration::from_millis(ms)))
            .count();
        assert!(drawn <= 30, "{drawn}");
    }

    #[test]
    fn an_alarm_is_drawn_within_two_polls_and_a_key_press_too() {
        let start = Instant::now();
        let mut pace = Pace::default();
        pace.due(version(1, 0), false, start);
        assert!(!pace.due(version(2, 0), false, start + SHORTEST));
        assert!(pace.due(version(3, 1), false, start + 2 * SHORTEST));
        assert!(!pace.due(version(3, 1), true, start + 2 * SHORTEST + SHORTEST / 2));
        assert!(pace.due(version(3, 1), false, start + 3 * SHORTEST));
    }

    #[test]
    fn the_bell_rings_once_for_many_alarms_and_again_after_its_rest() {
        let start = Instant::now();
        let mut bell = Bell::default();
        assert!(!bell.due(0, start));
        assert!(bell.due(1, start));
        assert!(!bell.due(5, start + QUIET / 2));
        assert!(bell.due(5, start + QUIET));
        assert!(!bell.due(5, start + 3 * QUIET));
    }

    #[test]
    fn an_acknowledged_alarm_does_not_ring_later() {
        let start = Instant::now();
        let mut bell = Bell::default();
        assert!(bell.due(1, start));
        bell.hush(4);
        assert!(!bell.due(4, start + 2 * QUIET));
    }
}
