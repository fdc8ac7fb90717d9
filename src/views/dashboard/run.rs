//! The loop of the dashboard: keys in, redraws out, no faster than needed.
//!
//! In: the shared [`Live`] of each source. Out: [`Request`]s. The lock is held only while the picture is made in memory; sending it to
//! the terminal, which may be slow, happens without it.
//!
//! Does not know: what becomes of requests.

use std::io;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use crossterm::event::{self, Event};

use crate::record::Live;

use super::Request;
use super::palette::Palette;
use super::several::{Desk, lock};
use super::terminal::Session;

/// Shortest time between redraws: 30 a second.
const SHORTEST: Duration = Duration::from_millis(34);

/// Time between redraws while nothing but figures changes: every second look for keys, so that a reading is on screen within
/// 100 ms of its frame and within 50 ms as a rule, and no more often than that, to be cheap.
const USUAL: Duration = Duration::from_millis(60);

/// Shortest time between two rings of the bell.
const QUIET: Duration = Duration::from_secs(10);

/// Draws until `stop` says so, or the operator quits or interrupts, or the terminal is taken away by a panic elsewhere.
///
/// # Errors
/// The terminal cannot be read or written any more (it was closed).
pub fn run(
    session: &mut Session,
    lives: &[&Mutex<Live>],
    mut requests: impl FnMut(usize, Request),
    stop: impl Fn() -> bool,
) -> io::Result<()> {
    let mut desk = Desk::new(lives.len(), Palette::of_environment());
    let mut pace = Pace::default();
    let mut bell = Bell::of(lives.len());
    let mut versions = vec![Version::default(); lives.len()];
    while !stop() && session.is_taken() {
        let mut touched = session.resume()?;
        session.wait_for_keys(SHORTEST)?;
        while event::poll(Duration::ZERO)? {
            touched = true;
            let Some((at, request)) = read_key(&mut desk)? else {
                continue;
            };
            if request == Request::Acknowledge {
                bell.hush(at, lock(lives[at]).rings());
            }
            let quit = matches!(request, Request::Quit | Request::Interrupt);
            requests(at, request);
            if quit {
                return Ok(());
            }
        }
        let now = Instant::now();
        for (version, live) in versions.iter_mut().zip(lives) {
            *version = Version::of(&lock(live));
        }
        if bell.due(&versions, now) {
            session.ring()?;
        }
        if pace.due(Version::of_all(&versions), touched, now) {
            session.terminal().draw(|frame| {
                let area = frame.area();
                desk.draw(frame.buffer_mut(), area, lives);
            })?;
            let now = Instant::now();
            for (version, live) in versions.iter().zip(lives) {
                lock(live).set_drawn((version.revision, version.rings), now);
            }
        }
    }
    Ok(())
}

fn read_key(desk: &mut Desk) -> io::Result<Option<(usize, Request)>> {
    Ok(match event::read()? {
        Event::Key(key) => desk.key(key),
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

    /// Of all sources together: it changes when any of them does.
    fn of_all(versions: &[Self]) -> Self {
        Self {
            revision: versions.iter().map(|it| it.revision).sum(),
            rings: versions.iter().map(|it| it.rings).sum(),
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
#[derive(Debug)]
struct Bell {
    /// Of each source.
    heard: Vec<u64>,
    last: Option<Instant>,
}

impl Bell {
    fn of(sources: usize) -> Self {
        Self {
            heard: vec![0; sources],
            last: None,
        }
    }

    /// Whether to ring now; what comes within [`QUIET`] of a ring waits for its end.
    fn due(&mut self, versions: &[Version], now: Instant) -> bool {
        let rested = self
            .last
            .is_none_or(|last| now.duration_since(last) >= QUIET);
        let mut pairs = versions.iter().zip(&self.heard);
        let due = rested && pairs.any(|(version, &heard)| version.rings > heard);
        if due {
            let rings = versions.iter().map(|version| version.rings);
            self.heard.clear();
            self.heard.extend(rings);
            self.last = Some(now);
        }
        due
    }

    /// The operator knows of all alarms of a source so far.
    fn hush(&mut self, source: usize, rings: u64) {
        self.heard[source] = rings;
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

    fn rings(of_each: &[u64]) -> Vec<Version> {
        of_each.iter().map(|&rings| version(0, rings)).collect()
    }

    #[test]
    fn the_bell_rings_once_for_many_alarms_and_again_after_its_rest() {
        let start = Instant::now();
        let mut bell = Bell::of(1);
        assert!(!bell.due(&rings(&[0]), start));
        assert!(bell.due(&rings(&[1]), start));
        assert!(!bell.due(&rings(&[5]), start + QUIET / 2));
        assert!(bell.due(&rings(&[5]), start + QUIET));
        assert!(!bell.due(&rings(&[5]), start + 3 * QUIET));
    }

    #[test]
    fn an_acknowledged_alarm_does_not_ring_later() {
        let start = Instant::now();
        let mut bell = Bell::of(1);
        assert!(bell.due(&rings(&[1]), start));
        bell.hush(0, 4);
        assert!(!bell.due(&rings(&[4]), start + 2 * QUIET));
    }

    #[test]
    fn alarms_of_every_source_ring_and_one_known_hides_no_other() {
        let start = Instant::now();
        let mut bell = Bell::of(2);
        assert!(bell.due(&rings(&[1, 0]), start));
        bell.hush(0, 2);
        assert!(!bell.due(&rings(&[2, 0]), start + QUIET));
        assert!(bell.due(&rings(&[2, 1]), start + QUIET));
    }
}
