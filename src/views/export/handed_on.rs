//! Columns `tee_frame` and `file_seconds`: where a row stands in what was handed on to a recorder.
//!
//! They are there where that differs from the pass's own count of frames.

use std::io::{self, Write};

use super::TIME_DECIMALS;
use super::table::{Cell, Table};
use crate::record::{HandedOn, Pass, RecordError, tee_frame};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// The turns of a pass.
pub(super) struct Places {
    turns: Vec<HandedOn>,
    frame_period: Seconds,
}

impl Places {
    pub(super) fn of<const N: usize>(pass: &Pass<N>) -> Result<Self, RecordError> {
        Ok(Self {
            turns: pass.handed_on()?,
            frame_period: pass.head().field_period * 2.0,
        })
    }

    /// Names of the columns, if there are any.
    pub(super) fn columns(&self) -> impl Iterator<Item = &'static str> + use<> {
        let names: &[&str] = if self.turns.is_empty() {
            &[]
        } else {
            &["tee_frame", "file_seconds"]
        };
        names.iter().copied()
    }

    /// The cells of a row that begins at a field.
    pub(super) fn write<W: Write>(
        &self,
        field: FieldIndex,
        table: &mut Table<W>,
    ) -> io::Result<()> {
        if self.turns.is_empty() {
            return Ok(());
        }
        let frame = tee_frame(&self.turns, field);
        let seconds = frame.map(|frame| self.frame_period * frame as f64);
        table.cell(Cell::or_absent(frame.map(Cell::Whole)))?;
        table.cell(Cell::or_absent(
            seconds.map(|it| Cell::Number(it.0, TIME_DECIMALS)),
        ))
    }
}
