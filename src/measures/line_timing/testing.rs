//! Readings with given displacements, for tests of measures that build on this one.

use super::{Basis, Border, LineShift, LineTrace, Ratio, Reading, StaticError};
use crate::units::{Hertz, Nanos};

/// A reading of `rows` rows, 13.5 MHz, whose lines stand where `shift` says (ns) to 5 ns.
pub(crate) fn reading_of(rows: usize, shift: impl Fn(usize) -> Option<f64>) -> Reading {
    let mut lines = LineTrace::blank(rows);
    for row in 0..rows {
        if let Some(shift) = shift(row) {
            lines.set(
                row,
                LineShift {
                    displacement: Nanos(shift),
                    sigma: Nanos(5.0),
                },
            );
            lines.set_whole(row);
        }
    }
    let picture_rows = 0..rows - super::HEAD_SWITCH_ROWS;
    let seen = lines
        .usable()
        .filter(|(row, _)| picture_rows.contains(row))
        .count();
    Reading {
        basis: Basis::Edge,
        border: Border::Tape,
        static_error: StaticError::Included,
        sample_rate: Some(Hertz(13.5e6)),
        coverage: Some(Ratio(seen as f64 / picture_rows.len() as f64)),
        picture_rows,
        lines,
        ..Reading::default()
    }
}
