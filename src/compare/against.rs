//! A tape that is being played held against an earlier pass of it, place for place.
//!
//! In: a finished [`Pass`], then each field of the play as [`Taken`]. Out: an [`Earlier`] twice a second: where on the earlier pass the tape
//! stands (`follow`), what the quantities of a dashboard differ by over the last seconds, and what this chain makes of levels and
//! colours of the other (`picture`). Differences are of the same fields of tape, so that what is in the picture does not matter;
//! their uncertainty is reckoned as that of a reference taken by hand ([`Held`]).
//!
//! Six hours of an earlier pass take about 75 MB, and some seconds to read. Does not know: threads, or how it is shown.

use std::collections::VecDeque;
use std::ops::Range;
use std::path::Path;

use crate::alarms::PassClock;
use crate::measures::fingerprint::Fingerprint;
use crate::measures::quantities;
use crate::record::live::{
    ChainDifference, Difference, Earlier, FIELDS_PER_EVIDENCE, Held, REFERENCE_FIELDS, SHOWN,
    Shown, Values, Wanting, Whereabouts,
};
use crate::record::{Pass, RecordError};
use crate::timecode::{FieldIndex, Timecode};
use crate::units::{CodeRange, Seconds};

use super::CompareError;
use super::follow::{Follow, Step, Why};
use super::picture::{Cursor, Relations};
use super::rows::memory;
use super::series::{Track, reduce};
use super::shared::index;
use super::windows::WINDOW;

/// Fields without a place after which it is said that there is none: a minute, the longest stretch that is looked for.
const LOOKED_OVER: i64 = 3600;

/// Quantities that are held against the earlier pass. Detail is the best of two minutes, so that some seconds of it say nothing.
const QUANTITIES: [Shown; 5] = [
    Shown::LineError,
    Shown::Flagging,
    Shown::Black,
    Shown::Peak,
    Shown::Noise,
];

/// Fields that both passes must have before a difference is told: half a second.
const LEAST_FIELDS: usize = 30;

/// Fields that are one piece of evidence for levels and colours.
const PIECE: i64 = 10;

/// Pieces that are told of together: four seconds. An interval needs a few of them, and a setting is to be seen soon.
const PIECES: usize = 24;

/// Relations of levels and colours that are told, by their permanent names.
const RELATIONS: [&str; 4] = [
    "luma.gain_pct",
    "luma.offset_ire",
    "colour.saturation_pct",
    "colour.hue_deg",
];

/// A field of the play.
#[derive(Clone, Copy, Debug)]
pub struct Taken {
    /// Which.
    pub field: FieldIndex,
    /// Its fingerprint; `None` of fields too small.
    pub print: Option<Fingerprint>,
    /// What it says of the shown quantities.
    pub values: Values,
}

/// How a play was held against an earlier pass, for the record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Account {
    /// Fields of the play.
    pub fields: u64,
    /// Those whose place was known.
    pub followed: u64,
    /// Where on the earlier pass the last of them was.
    pub last: Option<Timecode>,
}

/// An earlier pass that can be held against.
#[derive(Debug)]
pub struct Against {
    pass: Pass,
    name: String,
}

impl Against {
    /// Looks whether a pass can be held against.
    ///
    /// # Errors
    /// It cannot be read, or holds no fingerprints or no programme.
    pub fn new(pass: Pass) -> Result<Self, CompareError> {
        if !pass.has_prints()? {
            return Err(CompareError::NoFingerprints(pass.path().to_owned()));
        }
        if pass.programme()?.is_empty() {
            return Err(CompareError::NoProgramme(pass.path().to_owned()));
        }
        let name = pass.path().file_name().unwrap_or(pass.path().as_os_str());
        Ok(Self {
            name: name.to_string_lossy().into_owned(),
            pass,
        })
    }

    /// Where the pass is.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.pass.path()
    }

    /// The pass, as the operator knows it.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Looks whether a source of such fields can be of the same tape.
    ///
    /// # Errors
    /// Its fields come at another rate.
    pub fn suits(&self, source: &str, period: Seconds) -> Result<(), CompareError> {
        let ours = self.pass.head().field_period;
        if (ours.0 / period.0 - 1.0).abs() <= 1e-3 {
            return Ok(());
        }
        Err(CompareError::OtherSource {
            pass: self.pass.path().to_owned(),
            played: source.to_owned(),
            pass_rate: 1.0 / ours.0,
            played_rate: 1.0 / period.0,
        })
    }

    /// Reads the whole of the pass, to follow a play whose codes mean this.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn follower(self, range: CodeRange) -> Result<Follower, RecordError> {
        let track = Track::of(&self.pass, &self.pass.programme()?)?;
        Ok(Follower {
            follow: Follow::new(track),
            clock: self.pass.head().clock(),
            ranges: (self.pass.head().range, range),
            earlier: Earlier::new(self.name),
            pass: self.pass,
            waiting: VecDeque::with_capacity(WAITING),
            cursor: Cursor::default(),
            sides: VecDeque::with_capacity(REFERENCE_FIELDS),
            relations: Relations::default(),
            account: Account::default(),
        })
    }
}

/// Fields of the play whose place is not settled yet: two windows and the one that is being filled.
const WAITING: usize = 3 * WINDOW as usize;

/// A field of the play beside its counterpart.
#[derive(Clone, Copy, Debug)]
struct Side {
    field: i64,
    now: Values,
    then: Values,
}

/// Holds a play against an earlier pass.
pub struct Follower {
    pass: Pass,
    clock: PassClock,
    ranges: (CodeRange, CodeRange),
    follow: Follow,
    waiting: VecDeque<Taken>,
    cursor: Cursor,
    sides: VecDeque<Side>,
    relations: Relations,
    earlier: Earlier,
    account: Account,
}

impl Follower {
    /// Takes the next field; what is to be shown from now on, if that changed.
    ///
    /// # Errors
    /// The earlier pass cannot be read.
    pub fn take(&mut self, taken: &Taken) -> Result<Option<Earlier>, RecordError> {
        self.account.fields += 1;
        if self.waiting.len() == WAITING {
            self.waiting.pop_front();
        }
        self.waiting.push_back(*taken);
        let field = taken.field.0 as i64;
        self.follow.push(field, taken.print.as_ref().map(reduce));
        let mut is_news = false;
        while let Some(step) = self.follow.step() {
            is_news |= step != Step::Nothing;
            self.tell(step)?;
        }
        Ok(is_news.then(|| self.earlier.clone()))
    }

    /// How it went so far.
    #[must_use]
    pub fn account(&self) -> Account {
        self.account
    }

    fn tell(&mut self, step: Step) -> Result<(), RecordError> {
        match step {
            Step::Sought { why, fields } => {
                let wanting = wanting(why);
                self.earlier.whereabouts = if fields > LOOKED_OVER {
                    Whereabouts::Missing(wanting)
                } else {
                    Whereabouts::Sought(wanting)
                };
            }
            Step::Lost => {
                self.forget();
                self.earlier.whereabouts = Whereabouts::Sought(Wanting::Time);
            }
            Step::Moved { since } => {
                self.sides.retain(|side| side.field < since);
                self.relations = Relations::default();
            }
            Step::Found | Step::Nothing => {}
            Step::Fits {
                fields,
                offset,
                certain,
            } => {
                let field = index(fields.end - 1);
                let timecode = self.hold(fields, offset)?;
                self.earlier.whereabouts = Whereabouts::At {
                    field,
                    timecode,
                    certain,
                };
            }
        }
        Ok(())
    }

    /// Nothing of what was held against the earlier pass counts any more.
    fn forget(&mut self) {
        self.sides.clear();
        self.relations = Relations::default();
        self.compare();
    }

    /// Holds the fields of a window against their counterparts; the label of the last one's frame there.
    fn hold(&mut self, fields: Range<i64>, offset: i64) -> Result<Timecode, RecordError> {
        let there = fields.start + offset..fields.end + offset;
        let then = self.stored(&there)?;
        for at in 0..self.waiting.len() {
            let taken = self.waiting[at];
            let field = taken.field.0 as i64;
            if !fields.contains(&field) {
                continue;
            }
            self.account.followed += 1;
            if self.sides.len() == REFERENCE_FIELDS {
                self.sides.pop_front();
            }
            self.sides.push_back(Side {
                field,
                now: taken.values,
                then: then[(field - fields.start) as usize],
            });
        }
        for piece in fields.clone().step_by(PIECE as usize) {
            self.relations.begin(PIECES);
            for field in piece..piece + PIECE {
                self.relate(field, offset)?;
            }
        }
        self.compare();
        let timecode = self.clock.label(index(there.end - 1).frame());
        self.account.last = Some(timecode);
        Ok(timecode)
    }

    /// What the earlier pass has of the quantities, field by field.
    fn stored(&self, there: &Range<i64>) -> Result<Vec<Values>, RecordError> {
        let length = usize::try_from(there.end - there.start).unwrap_or(0);
        let mut all = vec![[None; SHOWN]; length];
        for shown in QUANTITIES {
            let Some(place) = place_of(shown) else {
                continue;
            };
            let fields = index(there.start)..index(there.end);
            for (field, value) in self.pass.values(place, fields)? {
                let at = usize::try_from(field.0 as i64 - there.start);
                if let Some(values) = at.ok().and_then(|at| all.get_mut(at)) {
                    values[shown as usize] = value.number().map(|value| value as f32);
                }
            }
        }
        Ok(all)
    }

    /// Adds the fingerprints of a field and its counterpart to the newest piece.
    fn relate(&mut self, field: i64, offset: i64) -> Result<(), RecordError> {
        if field + offset < 0 {
            return Ok(()); // before the earlier pass began
        }
        let taken = |taken: &&Taken| taken.field.0 as i64 == field;
        let Some(now) = self
            .waiting
            .iter()
            .find(taken)
            .and_then(|taken| taken.print)
        else {
            return Ok(());
        };
        if let Some(then) = self.cursor.at(&self.pass, field + offset)? {
            let newest = self.relations.len() - 1;
            self.relations.add(newest, (&then, &now), self.ranges);
        }
        Ok(())
    }

    /// Says what differs over what is held.
    fn compare(&mut self) {
        for shown in QUANTITIES {
            let difference = self.difference(shown);
            self.earlier.differences[shown as usize] = difference;
        }
        let relations = self.relations.relations().into_iter();
        let told = relations.filter(|relation| RELATIONS.contains(&relation.id));
        self.earlier.chain = told
            .filter_map(|relation| {
                let difference = relation.difference?;
                Some(ChainDifference {
                    label: relation.label,
                    unit: relation.unit,
                    difference: Held {
                        value: difference.value,
                        sigma: difference.error,
                    },
                })
            })
            .collect();
    }

    fn difference(&self, shown: Shown) -> Option<Difference> {
        let at = shown as usize;
        let both = self.sides.iter();
        let both = both.filter_map(|side| Some((side.now[at]?, side.then[at]?)));
        let (mut changes, mut then): (Vec<f32>, Vec<f32>) =
            both.map(|(now, then)| (now - then, then)).unzip();
        if changes.len() < LEAST_FIELDS {
            return None;
        }
        // a value that speaks of some seconds is one piece of evidence in them
        let seconds = memory(shown.quantity()?);
        let fields = seconds as f64 / self.pass.head().field_period.0;
        let evidence = if seconds > 1 {
            fields as f32
        } else {
            FIELDS_PER_EVIDENCE
        };
        Some(Difference {
            then: Held::of(&mut then, evidence)?,
            difference: Held::of(&mut changes, evidence)?,
        })
    }
}

fn wanting(why: Why) -> Wanting {
    match why {
        Why::Begun => Wanting::Time,
        Why::Still => Wanting::Motion,
        Why::Alike => Wanting::Difference,
        Why::Nowhere => Wanting::Likeness,
    }
}

/// Where in a row a shown quantity stands.
fn place_of(shown: Shown) -> Option<usize> {
    let id = shown.quantity()?;
    quantities().position(|quantity| quantity.id == id)
}

#[cfg(test)]
mod tests;
