//! Rows and lines of a pass, fetched a page at a time.
//!
//! Does not know: what a row means.

use std::collections::VecDeque;
use std::ops::Range;

use rusqlite::Connection;

use super::Pass;
use super::stored::{in_order, key, read_field, read_row, select_rows};
use crate::measures::QUANTITY_COUNT;
use crate::measures::line_timing::{Basis, LineTrace};
use crate::record::error::{RecordError, sqlite};
use crate::record::packed;
use crate::record::row::Row;
use crate::timecode::FieldIndex;

/// Rows fetched at once: a few hundred kilobytes.
const PAGE_ROWS: u16 = 256;

/// More than the lines of any field take, packed: a longer blob is damage, and is not read to its end.
const MOST_PACKED_BYTES: u16 = 4096;

/// Every line of one field.
#[derive(Clone, Debug)]
pub struct FieldLines {
    /// Which field.
    pub field: FieldIndex,
    /// What the timing was read from.
    pub basis: Basis,
    /// The lines.
    pub lines: LineTrace,
}

/// A stretch of fields, fetched a page at a time.
#[derive(Debug)]
struct Pages<T> {
    next: i64,
    end: i64,
    fetched: VecDeque<T>,
    over: bool,
}

impl<T> Pages<T> {
    fn of(fields: Range<FieldIndex>) -> Self {
        Self {
            next: key(fields.start.0),
            end: key(fields.end.0),
            fetched: VecDeque::with_capacity(PAGE_ROWS.into()),
            over: false,
        }
    }

    /// Fetches the next page when this one is used up; the statement takes first key, end key and number of rows.
    fn turn(
        &mut self,
        connection: &Connection,
        select: &str,
        read: impl Fn(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<()> {
        if self.over || !self.fetched.is_empty() {
            return Ok(());
        }
        self.over = true;
        let mut statement = connection.prepare_cached(select)?;
        let mut rows = statement.query((self.next, self.end, PAGE_ROWS))?;
        while let Some(row) = rows.next()? {
            self.next = in_order(Some(self.next - 1), row.get::<_, i64>(0)?)?
                .map_or(i64::MAX, |key| key.saturating_add(1));
            self.fetched.push_back(read(row)?);
        }
        self.over = self.fetched.len() < PAGE_ROWS.into();
        Ok(())
    }
}

/// Rows of a pass, in order.
#[derive(Debug)]
pub struct Rows<'a, const N: usize = QUANTITY_COUNT> {
    pass: &'a Pass<N>,
    select: String,
    pages: Pages<Row<N>>,
}

impl<'a, const N: usize> Rows<'a, N> {
    pub(super) fn of(pass: &'a Pass<N>, fields: Range<FieldIndex>) -> Self {
        Self {
            pass,
            select: select_rows(&pass.stored),
            pages: Pages::of(fields),
        }
    }
}

impl<const N: usize> Iterator for Rows<'_, N> {
    type Item = Result<Row<N>, RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        let pass = self.pass;
        let turned = self.pages.turn(&pass.connection, &self.select, |row| {
            read_row(row, &pass.catalogue, &pass.stored)
        });
        match turned {
            Ok(()) => self.pages.fetched.pop_front().map(Ok),
            Err(error) => Some(Err(sqlite("read", &pass.path)(error))),
        }
    }
}

/// Lines of a pass, field by field.
#[derive(Debug)]
pub struct Lines<'a, const N: usize = QUANTITY_COUNT> {
    pass: &'a Pass<N>,
    pages: Pages<(FieldIndex, Vec<u8>)>,
}

impl<'a, const N: usize> Lines<'a, N> {
    pub(super) fn of(pass: &'a Pass<N>, fields: Range<FieldIndex>) -> Self {
        Self {
            pass,
            pages: Pages::of(fields),
        }
    }
}

impl<const N: usize> Iterator for Lines<'_, N> {
    type Item = Result<FieldLines, RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        let pass = self.pass;
        let select = format!(
            "SELECT field, substr(packed, 1, {MOST_PACKED_BYTES}) FROM lines
             WHERE field >= ?1 AND field < ?2 ORDER BY field LIMIT ?3"
        );
        let turned = self.pages.turn(&pass.connection, &select, |row| {
            Ok((read_field(row, 0)?, row.get(1)?))
        });
        if let Err(error) = turned {
            return Some(Err(sqlite("read the lines of", &pass.path)(error)));
        }
        let (field, bytes) = self.pages.fetched.pop_front()?;
        let unpacked = packed::unpack(&bytes).map(|(lines, basis)| FieldLines {
            field,
            basis,
            lines,
        });
        Some(
            unpacked.ok_or_else(|| {
                pass.damaged(format!("the lines of field {} make no sense", field.0))
            }),
        )
    }
}
