//! `export fields`: one row a field, one column a quantity.

use std::io::Write;

use super::handed_on::Places;
use super::table::{Cell, Column, Holds, Table};
use super::{Failure, TIME_DECIMALS};
use crate::measures::{Quantity, Value};
use crate::record::{Pass, Row};
use crate::timecode::FieldIndex;

/// The columns, in order.
pub(super) fn columns<const N: usize>(pass: &Pass<N>, places: &Places) -> Vec<Column> {
    let quantities = pass.catalogue().iter().enumerate();
    [
        Column::plain("field", Holds::Whole),
        Column::plain("parity", Holds::Text),
        Column::plain("timecode", Holds::Text),
        Column::in_unit("seconds", "s"),
    ]
    .into_iter()
    .chain(quantities.map(|(place, quantity)| column(quantity, pass.decimals(place))))
    .chain(places.columns())
    .collect()
}

fn column(quantity: &Quantity, decimals: usize) -> Column {
    let symbol = quantity.unit.symbol();
    let whole = quantity.step.fract() == 0.0 && decimals == 0;
    Column {
        name: quantity.id,
        holds: match (quantity.words.is_empty(), whole) {
            (false, _) => Holds::Text,
            (true, true) => Holds::Whole,
            (true, false) => Holds::Number,
        },
        unit: (!symbol.is_empty()).then_some(symbol),
        about: Some(quantity.about),
    }
}

/// Writes all fields that were measured.
pub(super) fn write<const N: usize, W: Write + Send>(
    pass: &Pass<N>,
    places: &Places,
    mut table: Table<W>,
) -> Result<(), Failure> {
    let decimals = std::array::from_fn(|place| pass.decimals(place));
    for row in pass.rows(FieldIndex(0)..FieldIndex(u64::MAX)) {
        let row = row?;
        write_row(pass, &row, &decimals, &mut table)?;
        places.write(row.place.field, &mut table)?;
        table.end_row()?;
    }
    Ok(table.finish()?)
}

fn write_row<const N: usize, W: Write + Send>(
    pass: &Pass<N>,
    row: &Row<N>,
    decimals: &[usize; N],
    table: &mut Table<W>,
) -> std::io::Result<()> {
    let place = row.place;
    table.cell(Cell::Whole(place.field.0))?;
    table.cell(Cell::Text(&place.parity.word()))?;
    table.cell(Cell::Text(&pass.head().clock().label(place.frame())))?;
    table.cell(Cell::Number(place.seconds.0, TIME_DECIMALS))?;
    for (value, &decimals) in row.values.iter().zip(decimals) {
        table.cell(match value {
            None => Cell::Absent,
            Some(Value::Count(count)) => Cell::Whole(*count),
            Some(Value::Number { value, .. }) => Cell::Number(*value, decimals),
            Some(Value::Word(word)) => Cell::Text(word),
        })?;
    }
    Ok(())
}
