//! Fingerprints of a pass, fetched a row of the table at a time.
//!
//! Does not know: what they are compared with.

use rusqlite::OptionalExtension;

use super::Pass;
use super::stored::{key, read_field};
use crate::record::error::{RecordError, sqlite};
use crate::record::printed::{self, FieldPrint};
use crate::timecode::FieldIndex;

/// More than a row of our own ever takes, packed.
const MOST_PACKED_BYTES: u32 = 1 << 20;

/// Fingerprints of a pass, in order.
#[derive(Debug)]
pub struct Prints<'a, const N: usize> {
    pass: &'a Pass<N>,
    next: i64,
    fetched: std::vec::IntoIter<FieldPrint>,
}

impl<const N: usize> Pass<N> {
    /// Whether the pass holds fingerprints: those of older versions of the program do not.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn has_prints(&self) -> Result<bool, RecordError> {
        let table = "SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'fingerprints'";
        let row = "SELECT 1 FROM fingerprints LIMIT 1";
        let asked = |select| {
            let found = self.connection.query_row(select, (), |_| Ok(())).optional();
            found
                .map_err(sqlite("read", &self.path))
                .map(|found| found.is_some())
        };
        Ok(asked(table)? && asked(row)?)
    }

    /// The fingerprints that are stored together with this field's, or else with the one before it.
    ///
    /// # Errors
    /// When the file cannot be read or holds nonsense.
    pub fn prints_around(&self, field: FieldIndex) -> Result<Vec<FieldPrint>, RecordError> {
        let select = format!(
            "SELECT start_field, substr(packed, 1, {MOST_PACKED_BYTES}) FROM fingerprints
             WHERE start_field <= ?1 ORDER BY start_field DESC LIMIT 1"
        );
        match self.fetch_prints(&select, key(field.0))? {
            Some((start, packed)) => self.unpack_prints(start, &packed),
            None => Ok(Vec::new()),
        }
    }

    fn fetch_prints(
        &self,
        select: &str,
        field: i64,
    ) -> Result<Option<(FieldIndex, Vec<u8>)>, RecordError> {
        self.connection
            .prepare_cached(select)
            .and_then(|mut statement| {
                let read = |row: &rusqlite::Row<'_>| Ok((read_field(row, 0)?, row.get(1)?));
                statement.query_row([field], read).optional()
            })
            .map_err(sqlite("read the fingerprints of", &self.path))
    }

    fn unpack_prints(
        &self,
        start: FieldIndex,
        packed: &[u8],
    ) -> Result<Vec<FieldPrint>, RecordError> {
        printed::unpack(start, packed).ok_or_else(|| {
            let what = format!("the fingerprints from field {} on make no sense", start.0);
            self.damaged(what)
        })
    }

    /// The fingerprints of all fields that have one, in order.
    #[must_use]
    pub fn prints(&self) -> Prints<'_, N> {
        Prints {
            pass: self,
            next: 0,
            fetched: Vec::new().into_iter(),
        }
    }
}

impl<const N: usize> Prints<'_, N> {
    /// Fetches the next row of the table; false behind the last.
    fn turn(&mut self) -> Result<bool, RecordError> {
        let select = format!(
            "SELECT start_field, substr(packed, 1, {MOST_PACKED_BYTES}) FROM fingerprints
             WHERE start_field >= ?1 ORDER BY start_field LIMIT 1"
        );
        let Some((start, packed)) = self.pass.fetch_prints(&select, self.next)? else {
            return Ok(false);
        };
        if key(start.0) < self.next {
            let what = format!("its fingerprints are out of order at field {}", start.0);
            return Err(self.pass.damaged(what));
        }
        self.next = key(start.0).saturating_add(1);
        self.fetched = self.pass.unpack_prints(start, &packed)?.into_iter();
        Ok(true)
    }
}

impl<const N: usize> Iterator for Prints<'_, N> {
    type Item = Result<FieldPrint, RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(print) = self.fetched.next() {
                return Some(Ok(print));
            }
            match self.turn() {
                Ok(true) => {}
                Ok(false) => return None,
                Err(error) => {
                    self.next = i64::MAX;
                    return Some(Err(error));
                }
            }
        }
    }
}
