//! The same tape through several chains: what is the same moment, what differs there, and whether that is certain.
//!
//! In: finished passes, two or more. Out: a [`Comparison`]. Fingerprints of the fields say which fields of two passes show the same
//! moment of the tape (`series`, `anchor`, `align`); what all passes have (`shared`) is compared: every quantity (`tally`, `rows`),
//! what one chain makes of levels and colours of another (`picture`), events (`occurrences`); all of it by seconds, with
//! intervals (`bootstrap`, `student`), judged together. `ranking` weighs it by `weights`.
//!
//! Where it is asked for, the captures themselves are looked at as well (`captures`, `response`, `chroma`, `noise`).
//!
//! A pass that is being played can be held against a finished one too (`against`): its fields come one by one, and the same finding and
//! fitting (`anchor`, `windows`) follows their place on the other (`follow`).
//!
//! Does not know: devices, or how any of it is shown.

#![expect(
    clippy::cast_possible_wrap,
    reason = "fields and seconds of a day are far below 2^63"
)]

use std::path::PathBuf;

use serde::Serialize;

use crate::record::{Pass, PassHead};
use crate::units::Seconds;

pub use against::{Account, Against, Follower, Taken};
pub use align::Piece;
pub use bootstrap::Interval;
pub use captures::{AMPLIFIED, Moment, Pictures, Still, Stills, Why, pictures};
pub use chroma::{ChromaResponse, Fall};
pub use error::CompareError;
pub use noise::SharedNoise;
pub use occurrences::Occurrence;
pub use picture::Relation;
pub use ranking::{RankedPair, Ranking, Share, Stretch, Weighed};
pub use response::{Band, COHERENT, Response};
pub use rows::{Pair, Row, Statistic, Verdict};
pub use settings::Setting;
pub use weights::{CRITERIA, Criterion, Weights, WeightsError};

use bootstrap::holm;
use series::{Fields, Track};
use shared::{Shared, programme_length};
use tally::Tally;

mod against;
mod align;
mod anchor;
mod bootstrap;
mod captures;
#[cfg(test)]
mod chance;
mod chroma;
mod error;
mod follow;
mod noise;
mod occurrences;
mod picture;
mod ranking;
#[cfg(test)]
mod reel;
mod repeats;
mod response;
mod rows;
mod series;
mod settings;
mod shared;
mod states;
mod student;
mod tally;
mod timelines;
mod weights;
mod windows;

pub use repeats::{Repeats, Spread};
pub use states::State;
pub use timelines::Course;

/// Everything that is said of passes beside each other.
#[derive(Clone, Debug, Serialize)]
pub struct Comparison {
    /// Everything that is known of the passes, whether it differs or not.
    pub settings: Vec<Setting>,
    /// The passes, in the order they were given; places below count from 0 in it.
    pub passes: Vec<Compared>,
    /// Time that all passes have.
    pub shared_seconds: f64,
    /// Time one field takes.
    pub field_seconds: f64,
    /// What two plays of one chain differ by, where there are two.
    pub repeats: Repeats,
    /// What chains make of levels and colours, each pass against the first.
    pub relations: Vec<Relations>,
    /// Their captures beside each other, where those were asked for.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pictures: Vec<Pictures>,
    /// Every quantity.
    pub rows: Vec<Row>,
    /// Every quantity in words.
    pub states: Vec<State>,
    /// Events on the axis of the first pass.
    pub events: Vec<Occurrence>,
    /// Events outside of what all passes have.
    pub events_outside: usize,
    /// Which pass is best.
    pub ranking: Ranking,
    /// Where on the tape which is best.
    pub spans: Vec<Stretch>,
    /// What was weighed how much.
    #[serde(skip)]
    pub weights: Weights,
    /// Quantities over the tape, for drawing.
    #[serde(skip)]
    pub courses: Vec<Course>,
    /// Version of the program.
    pub version: &'static str,
}

/// One pass.
#[derive(Clone, Debug, Serialize)]
pub struct Compared {
    /// Letter it goes by.
    pub letter: char,
    /// Its file.
    pub path: PathBuf,
    /// The chain, box or file in a few words.
    pub name: String,
    /// Its programme.
    pub programme_seconds: f64,
    /// Its programme of which the same moment was found in the first pass.
    pub aligned_seconds: f64,
    /// Where: constant offsets, field by field.
    pub pieces: Vec<Piece>,
    /// Pictures that the one has and the other has not.
    pub losses: Vec<Loss>,
}

/// Pictures that one of two passes lacks, found by where their fields lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Loss {
    /// Field of the pass at which it shows.
    pub field: i64,
    /// Fields that this pass lacks; negative: that the first pass lacks (or this one shows again).
    pub fields: i64,
}

/// Relations of one pass with the first.
#[derive(Clone, Debug, Serialize)]
pub struct Relations {
    /// Place of the pass.
    pub pass: usize,
    /// What became of levels and colours.
    pub relations: Vec<Relation>,
}

/// Fields by which an offset may step where a few pictures were lost, and not the tape wound.
const LARGEST_LOSS: i64 = 90;

/// Fields between two pieces that belong together.
const LARGEST_BREAK: i64 = 180;

/// Compares passes.
///
/// # Errors
/// One of them cannot be read or has no fingerprints, or they do not show the same stretch of one tape.
///
/// # Panics
/// With fewer than two passes.
pub fn compare(passes: &[Pass], weights: Weights) -> Result<Comparison, CompareError> {
    assert!(passes.len() >= 2, "one pass is not compared");
    check(passes)?;
    let period = passes[0].head().field_period;
    let (pieces, end) = aligned(passes)?;
    let shared = Shared::of(end, &pieces[1..], period);
    if shared.fields() == 0 {
        return Err(CompareError::NothingInCommon(passes[0].path().to_owned()));
    }
    let mut tallies = Vec::with_capacity(passes.len());
    for (pass, pieces) in passes.iter().zip(&pieces) {
        tallies.push(Tally::of(pass, pieces, &shared)?);
    }
    let mut rows = rows::rows(&tallies, &shared, period);
    let heads: Vec<&PassHead> = passes.iter().map(Pass::head).collect();
    let repeats = Repeats::of(&heads, &rows);
    let mut relations = Vec::new();
    for place in 1..passes.len() {
        let found = picture::Relations::of(&passes[0], &passes[place], &pieces[place], &shared)?;
        relations.push(Relations {
            pass: place,
            relations: found.relations(),
        });
    }
    widen(&repeats, &mut rows, &mut relations);
    judge(&mut rows, &mut relations);
    let plan = ranking::Plan {
        tallies: &tallies,
        shared: &shared,
        fields_a_minute: 60.0 / period.0,
    };
    let (ranking, spans) = plan.rank(&weights, &repeats);
    let mut events = Vec::with_capacity(passes.len());
    for pass in passes {
        events.push(pass.events()?);
    }
    let clock = passes[0].head().clock();
    let (events, events_outside) =
        occurrences::occurrences(&events, &pieces, &shared, clock, period);
    Ok(Comparison {
        settings: settings::settings(&heads),
        shared_seconds: shared.time().0,
        field_seconds: period.0,
        repeats,
        relations,
        pictures: Vec::new(),
        states: states::states(&tallies),
        courses: timelines::courses(&tallies, &shared),
        rows,
        events,
        events_outside,
        ranking,
        spans,
        weights,
        passes: described(passes, pieces, period)?,
        version: env!("CARGO_PKG_VERSION"),
    })
}

fn check(passes: &[Pass]) -> Result<(), CompareError> {
    let real = |pass: &Pass| std::fs::canonicalize(pass.path()).ok();
    for (place, pass) in passes.iter().enumerate() {
        let known = |other: &Pass| real(other).is_some() && real(other) == real(pass);
        if passes[..place].iter().any(known) {
            return Err(CompareError::Twice(pass.path().to_owned()));
        }
        if !pass.has_prints()? {
            return Err(CompareError::NoFingerprints(pass.path().to_owned()));
        }
        let (first, second) = (passes[0].head().field_period, pass.head().field_period);
        if (first.0 / second.0 - 1.0).abs() > 1e-3 {
            return Err(CompareError::OtherRate {
                first: passes[0].path().to_owned(),
                second: pass.path().to_owned(),
                first_rate: 1.0 / first.0,
                second_rate: 1.0 / second.0,
            });
        }
    }
    Ok(())
}

/// Where the fields of each pass lie on the first, and the end of that.
fn aligned(passes: &[Pass]) -> Result<(Vec<Vec<Piece>>, i64), CompareError> {
    let track = |pass: &Pass| -> Result<Track, CompareError> {
        let track = Track::of(pass, &pass.programme()?)?;
        if track.fields() == 0 {
            return Err(CompareError::NoProgramme(pass.path().to_owned()));
        }
        Ok(track)
    };
    let first = track(&passes[0])?;
    let mut all = vec![shared::whole(&passes[0].programme()?, first.end())];
    for pass in &passes[1..] {
        let pieces = align::align(&first, &track(pass)?);
        if pieces.is_empty() {
            return Err(CompareError::OtherTape {
                first: passes[0].path().to_owned(),
                second: pass.path().to_owned(),
            });
        }
        all.push(pieces);
    }
    Ok((all, first.end()))
}

/// Widens what is said of different chains by what plays of one differ by.
fn widen(repeats: &Repeats, rows: &mut [Row], relations: &mut [Relations]) {
    for row in rows {
        for pair in &mut row.pairs {
            let places = (pair.first, pair.second);
            let widened = |known| repeats.widened(places, &[row.group], known);
            pair.difference = pair.difference.map(widened);
        }
    }
    for one in relations {
        for relation in &mut one.relations {
            let widened = |known| repeats.widened((0, one.pass), &[relation.group], known);
            relation.difference = relation.difference.map(widened);
        }
    }
}

/// Judges all rows together.
fn judge(rows: &mut [Row], relations: &mut [Relations]) {
    let pairs = rows
        .iter()
        .flat_map(|row| &row.pairs)
        .filter_map(|pair| pair.difference);
    let of_picture = relations
        .iter()
        .flat_map(|one| &one.relations)
        .filter_map(|relation| relation.difference);
    let chances: Vec<f64> = pairs
        .chain(of_picture)
        .map(|difference| difference.chance())
        .collect();
    let mut adjusted = holm(&chances).into_iter();
    for row in rows {
        for pair in row
            .pairs
            .iter_mut()
            .filter(|pair| pair.difference.is_some())
        {
            if let Some(adjusted) = adjusted.next() {
                pair.judge(adjusted, row.better);
            }
        }
    }
    let relations = relations.iter_mut().flat_map(|one| &mut one.relations);
    for relation in relations.filter(|relation| relation.difference.is_some()) {
        if let Some(adjusted) = adjusted.next() {
            relation.judge(adjusted);
        }
    }
}

fn described(
    passes: &[Pass],
    pieces: Vec<Vec<Piece>>,
    period: Seconds,
) -> Result<Vec<Compared>, CompareError> {
    let mut all = Vec::with_capacity(passes.len());
    for ((pass, pieces), letter) in passes.iter().zip(pieces).zip('A'..='Z') {
        let fields: i64 = pieces
            .iter()
            .map(|piece| piece.fields.end - piece.fields.start)
            .sum();
        let head = pass.head();
        let name = head.chain.as_ref().or(head.pass_box.as_ref());
        let file = || {
            let stem = pass.path().file_stem().unwrap_or_default();
            stem.to_string_lossy().into_owned()
        };
        all.push(Compared {
            letter,
            path: pass.path().to_owned(),
            name: name.cloned().unwrap_or_else(file),
            programme_seconds: programme_length(pass, period)?,
            aligned_seconds: fields as f64 * period.0,
            losses: losses(&pieces),
            pieces,
        });
    }
    Ok(all)
}

/// Steps of the offset that a few lost or repeated pictures make.
fn losses(pieces: &[Piece]) -> Vec<Loss> {
    let steps = pieces.windows(2).map(|pair| {
        let step = pair[1].offset - pair[0].offset;
        let apart = pair[1].fields.start - pair[0].fields.end;
        (step, apart, pair[1].fields.start)
    });
    steps
        .filter(|(step, apart, _)| {
            *step != 0 && step.abs() <= LARGEST_LOSS && *apart <= LARGEST_BREAK
        })
        .map(|(fields, _, field)| Loss { field, fields })
        .collect()
}
