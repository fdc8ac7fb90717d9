//! `export lines`: one row a line whose timing can be used.

use std::io::Write;

use super::Failure;
use super::table::{Cell, Column, Holds, Table};
use crate::measures::line_timing::{Basis, LineShift, USABLE_SIGMA};
use crate::record::{FieldLines, Pass};
use crate::timecode::FieldIndex;
use crate::units::{Hertz, Nanos, nanos_from_samples};

/// Displacements are kept in tenths of a nanosecond.
const ERROR_DECIMALS: usize = 1;

/// Sigmas are kept to 2 %, from a tenth of a nanosecond on.
const SIGMA_DECIMALS: usize = 2;

/// The columns, in order.
pub(super) fn columns() -> [Column; 5] {
    [
        Column::plain("field", Holds::Whole),
        Column::plain("line", Holds::Whole),
        Column::in_unit("error_ns", "ns"),
        Column::in_unit("sigma_ns", "ns"),
        Column::plain("basis", Holds::Text),
    ]
}

/// Writes the usable lines of all fields.
pub(super) fn write<const N: usize, W: Write + Send>(
    pass: &Pass<N>,
    mut table: Table<W>,
) -> Result<(), Failure> {
    let most = most_sigma(pass.head().sample_rate);
    for field in pass.lines(FieldIndex(0)..FieldIndex(u64::MAX))? {
        write_field(&field?, most, &mut table)?;
    }
    Ok(table.finish()?)
}

/// The largest usable sigma; without a sample rate there is no measure of it, and all that was kept counts.
fn most_sigma(rate: Option<Hertz>) -> Nanos {
    rate.map_or(Nanos(f64::INFINITY), |rate| {
        nanos_from_samples(USABLE_SIGMA, rate)
    })
}

fn write_field<W: Write + Send>(
    field: &FieldLines,
    most: Nanos,
    table: &mut Table<W>,
) -> std::io::Result<()> {
    let usable = |(_, shift): &(usize, LineShift)| shift.sigma <= most;
    for (line, shift) in field.lines.usable().filter(usable) {
        table.cell(Cell::Whole(field.field.0))?;
        table.cell(Cell::Whole(line as u64))?;
        table.cell(Cell::Number(shift.displacement.0, ERROR_DECIMALS))?;
        table.cell(Cell::Number(shift.sigma.0, SIGMA_DECIMALS))?;
        table.cell(Cell::Text(&word(field.basis)))?;
        table.end_row()?;
    }
    Ok(())
}

fn word(basis: Basis) -> &'static str {
    match basis {
        Basis::Edge => "edge",
        Basis::Content => "content",
        Basis::None => "none",
    }
}
