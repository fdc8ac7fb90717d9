//! The fields that all passes have, and the second of tape each belongs to.
//!
//! In: the [`Piece`]s of every pass against the first. Out: [`Shared`]. Seconds are those of the first pass.
//!
//! Does not know: what is measured of the fields.

use super::align::Piece;
use crate::record::{Pass, ProgrammeSpan, RecordError};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// What all passes have of the tape.
#[derive(Debug)]
pub(super) struct Shared {
    /// By field of the first pass: all passes have it.
    common: Vec<bool>,
    /// Fields of each second that all have.
    pub(super) of_second: Vec<u32>,
    period: f64,
}

impl Shared {
    /// What all have, `pieces` of every pass but the first.
    pub(super) fn of(end: i64, pieces: &[Vec<Piece>], period: Seconds) -> Self {
        let mut common = vec![true; end.max(0) as usize];
        for pieces in pieces {
            let mut has = vec![false; common.len()];
            for piece in pieces {
                let fields = piece.fields.start + piece.offset..piece.fields.end + piece.offset;
                for field in fields {
                    if let Some(has) = usize::try_from(field)
                        .ok()
                        .and_then(|field| has.get_mut(field))
                    {
                        *has = true;
                    }
                }
            }
            for (common, has) in common.iter_mut().zip(has) {
                *common &= has;
            }
        }
        let mut shared = Self {
            of_second: Vec::new(),
            common,
            period: period.0,
        };
        let seconds = shared.second_of(end).map_or(0, |last| last + 1);
        shared.of_second = vec![0; seconds];
        for field in 0..end {
            if shared.has(field)
                && let Some(second) = shared.second_of(field)
            {
                shared.of_second[second] += 1;
            }
        }
        shared
    }

    /// Whether all passes have this field of the first.
    pub(super) fn has(&self, field: i64) -> bool {
        usize::try_from(field).is_ok_and(|field| self.common.get(field).copied().unwrap_or(false))
    }

    /// The second that a field of the first pass belongs to.
    pub(super) fn second_of(&self, field: i64) -> Option<usize> {
        let field = u32::try_from(field).ok()?;
        Some((f64::from(field) * self.period) as usize)
    }

    /// Fields that all have.
    pub(super) fn fields(&self) -> u64 {
        self.of_second.iter().map(|&fields| u64::from(fields)).sum()
    }

    /// Time that all have.
    pub(super) fn time(&self) -> Seconds {
        Seconds(self.fields() as f64 * self.period)
    }
}

/// The whole of the first pass as pieces of itself.
pub(super) fn whole(programme: &[ProgrammeSpan], end: i64) -> Vec<Piece> {
    let pieces = programme.iter().map(|span| {
        let last = span.end.map_or(end, |last| last.0 as i64 + 1).min(end);
        Piece {
            fields: (span.start.0 as i64).min(last)..last,
            offset: 0,
        }
    });
    pieces.collect()
}

/// Goes through the rows of a pass whose counterparts all passes have, with the second of each.
pub(super) fn each_row(
    pass: &Pass,
    pieces: &[Piece],
    shared: &Shared,
    mut take: impl FnMut(usize, &crate::record::Row),
) -> Result<(), RecordError> {
    for piece in pieces {
        let fields = index(piece.fields.start)..index(piece.fields.end);
        for row in pass.rows(fields) {
            let row = row?;
            let field = row.place.field.0 as i64 + piece.offset;
            if shared.has(field)
                && let Some(second) = shared.second_of(field)
            {
                take(second, &row);
            }
        }
    }
    Ok(())
}

pub(super) fn index(field: i64) -> FieldIndex {
    FieldIndex(field.max(0).unsigned_abs())
}

/// Length of a pass's programme in seconds, by the fields that could be there.
pub(super) fn programme_length(pass: &Pass, period: Seconds) -> Result<f64, RecordError> {
    let end = pass.last_place()?.map_or(0, |last| last.field.0 as i64 + 1);
    let spans = whole(&pass.programme()?, end);
    let fields: i64 = spans
        .iter()
        .map(|span| span.fields.end - span.fields.start)
        .sum();
    Ok(fields as f64 * period.0)
}
