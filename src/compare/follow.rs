//! Where on an earlier pass the fields of a tape stand that is being played.
//!
//! In: the [`Track`] of the earlier pass, then reduced fields, one by one in the order of time. Out: [`Step`]s. The place is looked for
//! once a second with the last stretch of what was played, long and short in turn (`anchor`, `windows`), and taken only where it fits, where
//! fields a frame before and after fit worse for certain, and where no other place of the pass is as good: a still picture, or one that
//! is on the tape twice, has no place. From there it is followed in half-second windows, each looked at half a second late, so
//! that the window behind it has its say: where another offset near by fits better for certain, pictures were lost or shown again; where
//! nothing fits for two seconds the place is lost, and looked for anew with what comes from then on.
//!
//! Memory: the track, and about a tenth of it for the search (six hours: 62 and 12 MB); of what is played a minute. Does not know: what is
//! compared at that place.

use std::ops::Range;

use super::anchor::{Features, Finder, STEP, STRETCH};
use super::series::{Cells, Fields, Recent, Track};
use super::windows::{LOST, Likely, SURE, Tone, WINDOW, Windows};

/// Fields of the longest stretch that is looked for.
const LONGEST: i64 = STRETCH as i64 * STEP;

/// Fields of the stretches that are looked for, in turn: ten seconds find a tape soon after it was wound, a minute tells places apart that
/// are much alike.
const LENGTHS: [i64; 3] = [600, 1200, LONGEST];

/// Fields between two looks: a second. A look costs thirteen Fourier transforms as long as the earlier pass has steps.
const PAUSE: i64 = 60;

/// Change, in steps of clear change, that a stretch must have before a place can be told by it.
const LEAST_CHANGE: f64 = 3.0;

/// Standard errors by which a place must fit better than another over a stretch: chance does that once in thirty thousand.
const LEAST_LEAD: f64 = 4.0;

/// Fields over which something must have moved for the place to be certain: ten seconds. A player that pauses in a still shot looks like
/// one that plays on.
const CERTAIN_FOR: i64 = 600;

/// Why there is no place yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Why {
    /// Too little was played.
    Begun,
    /// Nothing moves.
    Still,
    /// Several places are as good.
    Alike,
    /// No place fits.
    Nowhere,
}

/// What became of the newest fields.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// There is no place; it has been looked for since so many fields.
    Sought {
        /// Why.
        why: Why,
        /// Fields.
        fields: i64,
    },
    /// The place is known; fields from the next window on are told by it.
    Found,
    /// Fields of a window, the place on the earlier pass less that here, and whether the place is certain.
    Fits {
        /// Fields.
        fields: Range<i64>,
        /// Place there less place here.
        offset: i64,
        /// Whether something moved lately that tells it.
        certain: bool,
    },
    /// Pictures were lost or shown again: fields from this one on may have been held against wrong ones.
    Moved {
        /// The first of them.
        since: i64,
    },
    /// A window that cannot be held against anything.
    Nothing,
    /// Nothing fits any more.
    Lost,
}

/// Follows a tape that is being played.
pub(super) struct Follow {
    first: Track,
    finder: Finder,
    recent: Recent,
    state: State,
}

#[derive(Clone, Copy, Debug)]
enum State {
    Sought(Search),
    Found(Place),
}

#[derive(Clone, Copy, Debug)]
struct Search {
    /// The first field that may belong to the place sought; `None` before any.
    since: Option<i64>,
    /// Where it was looked last.
    looked: i64,
    turn: usize,
}

#[derive(Clone, Copy, Debug)]
struct Place {
    offset: i64,
    tone: Tone,
    /// The next window.
    at: i64,
    misses: u32,
    /// The first field that is known to have this offset.
    since: i64,
    /// The last window that told it from others by itself.
    told: i64,
}

impl Place {
    /// The stretch before a field that must tell the place.
    fn told_over(&self, end: i64) -> Range<i64> {
        self.since.max(end - CERTAIN_FOR)..end
    }
}

/// Whether a stretch tells its offset from those a frame before and after, of the same parity.
fn is_told(windows: &Windows<'_, Recent>, fields: &Range<i64>, offset: i64) -> bool {
    [-2, 2]
        .iter()
        .all(|step| windows.lead(fields.clone(), offset + step, offset) >= LEAST_LEAD)
}

impl Search {
    fn since(field: Option<i64>) -> State {
        State::Sought(Self {
            since: field,
            looked: field.unwrap_or(0),
            turn: 0,
        })
    }
}

impl Follow {
    /// Looks for what is played on this pass.
    pub(super) fn new(first: Track) -> Self {
        Self {
            finder: Finder::new(&Features::of(&first, 0)),
            first,
            recent: Recent::new((LONGEST + 2 * WINDOW) as usize),
            state: Search::since(None),
        }
    }

    /// Takes the next field.
    pub(super) fn push(&mut self, field: i64, cells: Option<Cells>) {
        if !self.recent.push(field, cells) {
            // longer than anything is remembered nobody knows what the tape did
            self.state = Search::since(Some(field));
        }
    }

    /// What is to be told of the fields so far; `None` when that was all. Whoever pushes a field asks until then.
    pub(super) fn step(&mut self) -> Option<Step> {
        match self.state {
            State::Sought(search) => self.seek(search),
            State::Found(place) => self.follow(place),
        }
    }

    fn seek(&mut self, mut search: Search) -> Option<Step> {
        let end = self.recent.end();
        let since = *search.since.get_or_insert(self.recent.start());
        if end - search.looked.max(since) < PAUSE {
            return None;
        }
        search.looked = end;
        let length = LENGTHS[search.turn % LENGTHS.len()];
        search.turn += 1;
        let from = since.max(end - length).max(self.recent.start());
        match self.place(from..end) {
            Ok(place) => {
                self.state = State::Found(place);
                Some(Step::Found)
            }
            Err(why) => {
                self.state = State::Sought(search);
                let fields = end - since;
                Some(Step::Sought { why, fields })
            }
        }
    }

    /// The one place where the last fields belong.
    fn place(&self, fields: Range<i64>) -> Result<Place, Why> {
        let length = fields.end - fields.start;
        if length < LENGTHS[0] {
            return Err(Why::Begun);
        }
        let theirs = Features::of(&self.recent, fields.start);
        if theirs.energy() < LEAST_CHANGE {
            return Err(Why::Still);
        }
        let mut windows = self.windows(Tone::default());
        let steps = self.finder.find(&theirs, 0).into_iter();
        let mut near = windows.near(steps.map(|(steps, _)| steps * STEP - fields.start), &fields);
        // a few fields at the end of the pass agree with much
        near.retain(|one| 4 * windows.beside(fields.clone(), one.offset) >= 3 * length);
        let best = *near.first().ok_or(Why::Nowhere)?;
        windows.settle(&best);
        let fits = windows
            .fit(fields.clone(), best.offset)
            .is_some_and(|fit| windows.fits(fit, fields.clone()));
        if best.correlation < SURE || !fits {
            return Err(Why::Nowhere);
        }
        let is_worse = |other: i64| windows.lead(fields.clone(), other, best.offset) >= LEAST_LEAD;
        let is_rival = |other: &&Likely| (other.offset - best.offset).abs() > 2 * STEP;
        if near
            .iter()
            .filter(is_rival)
            .any(|other| !is_worse(other.offset))
        {
            return Err(Why::Alike);
        }
        if !is_told(&windows, &fields, best.offset) {
            return Err(Why::Still);
        }
        let at = fields.end - WINDOW;
        Ok(Place {
            offset: best.offset,
            tone: windows.tone,
            at,
            misses: 0,
            since: fields.start,
            told: at,
        })
    }

    fn windows(&self, tone: Tone) -> Windows<'_, Recent> {
        Windows {
            first: &self.first,
            second: &self.recent,
            tone,
        }
    }

    fn follow(&mut self, mut place: Place) -> Option<Step> {
        let window = place.at..place.at + WINDOW;
        if window.end + WINDOW > self.recent.end() {
            return None;
        }
        place.at = window.end;
        let mut windows = self.windows(place.tone);
        let here = windows.fit(window.clone(), place.offset);
        let step = if windows.is_empty(window.clone()) {
            Step::Nothing
        } else if let Some(other) = windows.better(window.clone(), place.offset) {
            let since = place.told;
            (place.offset, place.misses) = (other, 0);
            (place.since, place.told) = (window.end, window.end);
            Step::Moved { since }
        } else if here.is_some_and(|here| windows.fits(here, window.clone())) {
            place.misses = 0;
            if windows.is_telling(window.clone(), place.offset) {
                place.told = window.start;
            }
            windows.learn(window.clone(), place.offset);
            place.tone = windows.tone;
            Step::Fits {
                offset: place.offset,
                certain: is_told(&windows, &place.told_over(window.end), place.offset),
                fields: window,
            }
        } else {
            place.misses += 1;
            if place.misses == LOST {
                let since = window.end - i64::from(LOST) * WINDOW;
                self.state = Search::since(Some(since));
                return Some(Step::Lost);
            }
            Step::Nothing
        };
        self.state = State::Found(place);
        Some(step)
    }
}

#[cfg(test)]
mod tests;
