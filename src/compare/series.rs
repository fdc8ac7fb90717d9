//! The fingerprints of a pass in a form that is quick to look through: one small grid a field, by its number.
//!
//! In: a finished [`Pass`]. Out: a [`Track`] over its programme, 48 bytes a field: six hours are 62 MB. What is no programme, or has
//! no fingerprint, is absent. Of a pass that is being played, [`Recent`] keeps the last stretch in the same form. Does not know: other
//! passes.

use std::collections::VecDeque;

use crate::measures::fingerprint::{Fingerprint, LUMA_GRID};
use crate::record::{Pass, ProgrammeSpan, RecordError};

/// Blocks of the reduced grid across and down: each the mean of two by two.
pub(super) const GRID: (usize, usize) = (LUMA_GRID.0 / 2, LUMA_GRID.1 / 2);

/// Blocks of the reduced grid.
pub(super) const CELLS: usize = GRID.0 * GRID.1;

/// A field, reduced.
pub(super) type Cells = [u8; CELLS];

/// A day of 60 fields a second: field numbers beyond are damage, not tape.
const MOST_FIELDS: u64 = 24 * 3600 * 60;

/// Fields whose room is made together.
const BLOCK: usize = 64;

/// Fields by their numbers.
pub(super) trait Fields {
    /// One more than the number of the last field.
    fn end(&self) -> i64;

    /// A field, where it is there.
    fn cells(&self, field: i64) -> Option<&Cells>;
}

/// The programme of a pass, field by field.
#[derive(Debug, Default)]
pub(super) struct Track {
    blocks: Vec<Option<Box<[Cells]>>>,
    present: Vec<bool>,
}

impl Track {
    /// Reads the programme of a pass.
    pub(super) fn of(pass: &Pass, programme: &[ProgrammeSpan]) -> Result<Self, RecordError> {
        let mut track = Self::default();
        for print in pass.prints() {
            let print = print?;
            let field = print.field.0;
            if field < MOST_FIELDS && is_programme(programme, field) {
                track.set(field as usize, reduce(&print.print));
            }
        }
        Ok(track)
    }

    /// A track of these fields, from field 0.
    #[cfg(test)]
    pub(super) fn from_cells(fields: impl IntoIterator<Item = Option<Cells>>) -> Self {
        let mut track = Self::default();
        for (at, cells) in fields.into_iter().enumerate() {
            if let Some(cells) = cells {
                track.set(at, cells);
            }
        }
        track
    }

    fn set(&mut self, field: usize, cells: Cells) {
        let block = field / BLOCK;
        if self.blocks.len() <= block {
            self.blocks.resize(block + 1, None);
        }
        let room = self.blocks[block].get_or_insert_with(|| vec![[0; CELLS]; BLOCK].into());
        room[field % BLOCK] = cells;
        if self.present.len() <= field {
            self.present.resize(field + 1, false);
        }
        self.present[field] = true;
    }

    /// How many fields are there.
    pub(super) fn fields(&self) -> usize {
        self.present.iter().filter(|present| **present).count()
    }
}

impl Fields for Track {
    fn end(&self) -> i64 {
        self.present.len() as i64
    }

    fn cells(&self, field: i64) -> Option<&Cells> {
        let field = usize::try_from(field).ok()?;
        if !*self.present.get(field)? {
            return None;
        }
        let block = self.blocks.get(field / BLOCK)?.as_ref()?;
        Some(&block[field % BLOCK])
    }
}

/// The last fields of a pass that is being played, as many as there is room for.
#[derive(Debug)]
pub(super) struct Recent {
    start: i64,
    fields: VecDeque<Option<Cells>>,
    room: usize,
}

impl Recent {
    /// Nothing yet, with room for so many fields.
    pub(super) fn new(room: usize) -> Self {
        Self {
            start: 0,
            fields: VecDeque::with_capacity(room),
            room,
        }
    }

    /// Takes the next field; between it and the one before fields may be missing. False where so many are missing that nothing of
    /// what was there is left. Fields that come again are not taken.
    pub(super) fn push(&mut self, field: i64, cells: Option<Cells>) -> bool {
        if self.fields.is_empty() {
            self.start = field;
        }
        let missing = field - self.end();
        if missing < 0 {
            return true;
        }
        let follows = missing < self.room as i64;
        if follows {
            (0..missing).for_each(|_| self.keep(None));
        } else {
            self.fields.clear();
            self.start = field;
        }
        self.keep(cells);
        follows
    }

    fn keep(&mut self, cells: Option<Cells>) {
        if self.fields.len() == self.room {
            self.fields.pop_front();
            self.start += 1;
        }
        self.fields.push_back(cells);
    }

    /// The first field that is still there.
    pub(super) fn start(&self) -> i64 {
        self.start
    }
}

impl Fields for Recent {
    fn end(&self) -> i64 {
        self.start + self.fields.len() as i64
    }

    fn cells(&self, field: i64) -> Option<&Cells> {
        let at = usize::try_from(field - self.start).ok()?;
        self.fields.get(at)?.as_ref()
    }
}

/// Whether a field lies in a span of programme.
pub(super) fn is_programme(spans: &[ProgrammeSpan], field: u64) -> bool {
    spans.iter().any(|span| {
        let end = span.end.map_or(u64::MAX, |end| end.0);
        (span.start.0..=end).contains(&field)
    })
}

/// A fingerprint, reduced.
pub(super) fn reduce(print: &Fingerprint) -> Cells {
    std::array::from_fn(|cell| {
        let (column, row) = (cell % GRID.0, cell / GRID.0);
        let at = |dx: usize, dy: usize| {
            u32::from(print.luma[(2 * row + dy) * LUMA_GRID.0 + 2 * column + dx])
        };
        ((at(0, 0) + at(1, 0) + at(0, 1) + at(1, 1) + 2) / 4) as u8
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_played_is_kept_as_far_as_there_is_room_and_gaps_stay_gaps() {
        let mut recent = Recent::new(5);
        for field in [7, 8, 10, 11] {
            assert!(recent.push(field, Some([field as u8; CELLS])));
        }
        assert_eq!((recent.start(), recent.end()), (7, 12));
        assert_eq!(recent.cells(10), Some(&[10; CELLS]));
        assert_eq!((recent.cells(9), recent.cells(6)), (None, None));
        assert!(recent.push(13, None));
        assert_eq!((recent.start(), recent.end()), (9, 14));
        assert!(recent.push(10, Some([0; CELLS])), "it has been already");
        assert_eq!(recent.cells(10), Some(&[10; CELLS]));
        assert!(!recent.push(40, Some([1; CELLS])), "nothing is left");
        assert_eq!((recent.start(), recent.end()), (40, 41));
    }
}
