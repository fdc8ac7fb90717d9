//! The captures that passes were measured from, at the same moments of tape.
//!
//! In: passes scanned from files that are still there, and what was found of them. Out: [`Pictures`] for each pass against the first:
//! the response across a line, and where the picture stands. Some seconds all over the tape are looked at, four fields of each;
//! both files are read once, side by side, and no more is held than one field of each.
//!
//! Does not know: how spectra are made anything of.

use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::fields::{History, Plane, Splitter};
use crate::record::{Pass, PassHead};
use crate::sources::tape::Pace;
use crate::sources::{self, Place, Source, StandardWish, Wishes};
use crate::units::Hertz;

use super::Comparison;
use super::align::Piece;
use super::error::CompareError;
use super::response::{Comparer, Response};

/// Seconds of tape that are looked at: each is a piece of evidence of its own, and more would cost time without telling more.
const MOST_SECONDS: usize = 60;

/// Fields looked at in each.
const FIELDS_A_SECOND: i64 = 4;

/// Rows by which the one picture may stand lower than the other.
const ROWS_APART: i32 = 6;

/// Rows at the top and at the bottom that are left out: bent lines and switched heads are no matter of response.
const TOP_ROWS: usize = 24;
const BOTTOM_ROWS: usize = 14;

/// Samples at the sides that are left out: blanking.
const SIDE: usize = 16;

/// Samples that are taken together where rows are looked for.
const COARSE: usize = 8;

/// One pass's pictures beside those of the first.
#[derive(Clone, Debug, Serialize)]
pub struct Pictures {
    /// Place of the pass.
    pub pass: usize,
    /// Fields that were looked at.
    pub fields: usize,
    /// Lines of the field by which the picture stands lower.
    pub lines_down: i32,
    /// Across a line; `None` of too little tape in common.
    pub response: Option<Response>,
}

/// Compares the captures of every pass with that of the first.
///
/// # Errors
/// A pass was not scanned from a file, the file cannot be read any more, or rasters differ.
pub fn pictures(passes: &[Pass], found: &Comparison) -> Result<Vec<Pictures>, CompareError> {
    let mut all = Vec::with_capacity(passes.len());
    for pass in 1..passes.len() {
        let pieces = &found.passes[pass].pieces;
        let moments = moments(pieces, found.field_seconds);
        all.push(beside(&passes[0], &passes[pass], pass, &moments)?);
    }
    Ok(all)
}

/// Fields of the second pass and of the first that show the same moment, second by second, in the order both files have.
fn moments(pieces: &[Piece], field_seconds: f64) -> Vec<Vec<(u64, u64)>> {
    let a_second = (1.0 / field_seconds).round() as i64;
    let mut seconds: Vec<Vec<(u64, u64)>> = Vec::new();
    let mut reached = -1;
    // Rows of the other parity lie half a line off.
    for piece in pieces.iter().filter(|piece| piece.offset % 2 == 0) {
        let mut start = piece.fields.start;
        while start + a_second <= piece.fields.end {
            let fields = (0..FIELDS_A_SECOND)
                .map(|nth| start + nth * a_second / FIELDS_A_SECOND)
                .map(|field| (field, field + piece.offset));
            let fields: Vec<(i64, i64)> = fields.collect();
            // The tape may have been wound back between pieces; files are read once.
            if fields[0].1 > reached && fields[0].0 >= 0 {
                reached = fields[fields.len() - 1].1;
                let known = |(theirs, ours): &(i64, i64)| {
                    Some((u64::try_from(*theirs).ok()?, u64::try_from(*ours).ok()?))
                };
                seconds.push(fields.iter().filter_map(known).collect());
            }
            start += a_second;
        }
    }
    let every = seconds.len().div_ceil(MOST_SECONDS).max(1);
    seconds.into_iter().step_by(every).collect()
}

fn beside(
    first: &Pass,
    second: &Pass,
    place: usize,
    moments: &[Vec<(u64, u64)>],
) -> Result<Pictures, CompareError> {
    let (mut ours, mut theirs) = (Capture::open(first)?, Capture::open(second)?);
    let mut comparer = Comparer::new();
    let mut fields = 0;
    let mut lines_down = None;
    for moment in moments {
        comparer.begin_second();
        for &(their_field, our_field) in moment {
            let Some(our_luma) = ours.field(our_field)? else {
                continue;
            };
            let Some(their_luma) = theirs.field(their_field)? else {
                continue;
            };
            if (our_luma.width, our_luma.rows) != (their_luma.width, their_luma.rows) {
                return Err(CompareError::OtherRaster {
                    first: first.path().to_owned(),
                    second: second.path().to_owned(),
                    first_raster: (our_luma.width, our_luma.rows),
                    second_raster: (their_luma.width, their_luma.rows),
                });
            }
            let down = *lines_down.get_or_insert_with(|| rows_apart(our_luma, their_luma));
            comparer.add(pairs(our_luma, their_luma, down));
            fields += 1;
        }
    }
    let rate = ours.sample_rate();
    Ok(Pictures {
        pass: place,
        fields,
        lines_down: lines_down.unwrap_or(0),
        response: rate.and_then(|rate| comparer.response(rate.0 / 1e6)),
    })
}

/// The samples of lines that show the same, `down` rows apart.
fn pairs<'a>(
    first: &'a Plane,
    second: &'a Plane,
    down: i32,
) -> impl Iterator<Item = (&'a [u8], &'a [u8])> {
    let rows = TOP_ROWS..first.rows.saturating_sub(BOTTOM_ROWS);
    rows.filter_map(move |row| {
        let other = row.checked_add_signed(down as isize)?;
        let inner = SIDE..first.width.checked_sub(SIDE)?;
        (other < second.rows).then(|| {
            (
                &first.row(row)[inner.clone()],
                &second.row(other)[inner.clone()],
            )
        })
    })
}

/// Rows by which `second` stands lower, by which rows look most alike beside their own brightness.
fn rows_apart(first: &Plane, second: &Plane) -> i32 {
    let miss = |down: i32| {
        let (mut sum, mut count) = (0.0, 0.0_f64);
        for (ours, theirs) in pairs(first, second, down) {
            let (ours, theirs) = (coarse(ours), coarse(theirs));
            for (a, b) in ours.iter().zip(&theirs) {
                sum += (a - b).powi(2);
                count += 1.0;
            }
        }
        sum / count.max(1.0)
    };
    let nearest_first = |down: &i32| (down.abs(), *down);
    let mut tried: Vec<i32> = (-ROWS_APART..=ROWS_APART).collect();
    tried.sort_by_key(nearest_first);
    let least = tried.iter().map(|&down| miss(down)).enumerate();
    least
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0, |(at, _)| tried[at])
}

/// Means of neighbouring samples without that of the line.
fn coarse(line: &[u8]) -> Vec<f64> {
    let mean_of =
        |codes: &[u8]| codes.iter().map(|&code| f64::from(code)).sum::<f64>() / codes.len() as f64;
    let all = mean_of(line);
    line.chunks_exact(COARSE)
        .map(|codes| mean_of(codes) - all)
        .collect()
}

/// A capture being read.
struct Capture {
    source: Box<dyn Source>,
    splitter: Splitter,
    history: History,
    /// Fields of the frame last read, oldest first.
    read: Vec<(u64, Plane)>,
    over: bool,
    rate: Option<Hertz>,
}

impl Capture {
    /// Opens the file a pass was scanned from, as it was read then.
    fn open(pass: &Pass) -> Result<Self, CompareError> {
        let head = pass.head();
        let path = file_of(pass).ok_or_else(|| CompareError::NoPictures {
            pass: pass.path().to_owned(),
            origin: head.source.name.clone(),
        })?;
        let source = sources::open(
            &Place::File(path),
            &wishes(head),
            Pace::Free { frames: None },
        )
        .map_err(CompareError::Capture)?;
        Ok(Self {
            source,
            splitter: Splitter::new(),
            history: History::default(),
            read: Vec::new(),
            over: false,
            rate: None,
        })
    }

    /// A field by its number; numbers must rise. `None` of one that is not in the file.
    fn field(&mut self, wanted: u64) -> Result<Option<&Plane>, CompareError> {
        while !self.over && self.read.last().is_none_or(|(field, _)| *field < wanted) {
            self.read_frame(wanted)?;
        }
        let at = self.read.iter().find(|(field, _)| *field == wanted);
        Ok(at.map(|(_, luma)| luma))
    }

    fn read_frame(&mut self, wanted: u64) -> Result<(), CompareError> {
        let Some(frame) = self.source.next_frame().map_err(CompareError::Capture)? else {
            self.over = true;
            return Ok(());
        };
        self.read.clear();
        let Self {
            splitter,
            history,
            read,
            rate,
            ..
        } = self;
        splitter.split(&frame, history, |history| {
            let Some(around) = history.neighbourhood() else {
                return;
            };
            let field = around.field;
            *rate = rate.or(field.raster.sample_rate);
            let number = field.place.field.0;
            // What lies before is passed over without a copy.
            let luma = if number >= wanted {
                field.luma.clone()
            } else {
                Plane::default()
            };
            read.push((number, luma));
        });
        Ok(())
    }

    fn sample_rate(&self) -> Option<Hertz> {
        self.rate
    }
}

/// The file a pass was scanned from: where it was, or beside the pass.
fn file_of(pass: &Pass) -> Option<PathBuf> {
    let source = &pass.head().source;
    if source.live {
        return None;
    }
    let named = Path::new(&source.name);
    let beside = pass.path().parent()?.join(named.file_name()?);
    [named.to_owned(), beside]
        .into_iter()
        .find(|path| path.is_file())
}

/// To read a file as it was read for the pass.
fn wishes(head: &PassHead) -> Wishes {
    Wishes {
        standard: head.standard.map(StandardWish::Lines),
        field_order: Some(head.field_order),
        range: Some(head.range),
        sample_rate: head.sample_rate,
        ..Wishes::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_spread_over_all_pieces_and_never_go_back() {
        let piece = |fields: std::ops::Range<i64>, offset| Piece { fields, offset };
        let pieces = [
            piece(0..6000, 10),
            piece(6000..6060, 11),
            piece(6100..6500, -4000),
            piece(6500..9000, 40),
        ];
        let seconds = moments(&pieces, 1001.0 / 60000.0);
        // Every third of 141: no more than are wanted, and not far fewer.
        assert_eq!(seconds.len(), 47);
        let all: Vec<(u64, u64)> = seconds.into_iter().flatten().collect();
        for pair in all.windows(2) {
            assert!(pair[0].0 < pair[1].0 && pair[0].1 < pair[1].1, "{pair:?}");
        }
        for (theirs, ours) in all {
            let expected = if theirs < 6000 { 10 } else { 40 };
            assert_eq!(ours - theirs, expected);
        }
    }

    #[test]
    fn a_picture_that_stands_lower_is_found_to() {
        let plane = |down: i32| {
            let sample = |at: usize| {
                let (x, y) = (at % 720, (at / 720) as i32 - down);
                let value = 120.0
                    + 60.0 * (x as f64 * 0.01).sin() * (f64::from(y) * 0.21).cos()
                    + f64::from(y * 7 % 13);
                value as u8
            };
            Plane {
                samples: (0..720 * 240).map(sample).collect(),
                width: 720,
                rows: 240,
            }
        };
        for down in [-3, 0, 2] {
            assert_eq!(rows_apart(&plane(0), &plane(down)), down);
        }
    }
}
