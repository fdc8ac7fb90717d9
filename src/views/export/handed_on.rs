//! Columns `tee_frame` and `file_seconds`: where a row stands in what was handed on to a recorder.
//!
//! They are there where that differs from the pass's own count of frames.

use std::io::{self, Write};

use super::TIME_DECIMALS;
use super::table::{Cell, Column, Holds, Table};
use crate::record::{FilePlace, HandedOn, Pass, RecordError, file_place};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// The turns of a pass.
pub(super) struct Places {
    turns: Vec<HandedOn>,
    field_period: Seconds,
}

impl Places {
    pub(super) fn of<const N: usize>(pass: &Pass<N>) -> Result<Self, RecordError> {
        Ok(Self {
            turns: pass.handed_on()?,
            field_period: pass.head().field_period,
        })
    }

    /// The columns, if there are any.
    pub(super) fn columns(&self) -> impl Iterator<Item = Column> + use<> {
        let columns = [
            Column::plain("tee_frame", Holds::Whole),
            Column::in_unit("file_seconds", "s"),
        ];
        let there = if self.turns.is_empty() { 0 } else { 2 };
        columns.into_iter().take(there)
    }

    /// The cells of a row that begins at a field.
    pub(super) fn write<W: Write + Send>(
        &self,
        field: FieldIndex,
        table: &mut Table<W>,
    ) -> io::Result<()> {
        if self.turns.is_empty() {
            return Ok(());
        }
        let FilePlace {
            tee_frame,
            file_seconds,
        } = file_place(&self.turns, field, self.field_period);
        table.cell(Cell::or_absent(tee_frame.map(Cell::Whole)))?;
        table.cell(Cell::or_absent(
            file_seconds.map(|it| Cell::Number(it, TIME_DECIMALS)),
        ))
    }
}
