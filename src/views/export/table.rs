//! Rows of named cells, as CSV, JSON lines or Parquet.
//!
//! Does not know: what the cells mean.

use std::fmt::{Display, Write as _};
use std::io::{self, Write};

use super::Format;
use super::parquet::Parquet;

/// A column: its name, and what formats that have types and notes tell of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Column {
    /// Permanent name.
    pub(super) name: &'static str,
    /// Of what type all its cells are.
    pub(super) holds: Holds,
    /// Unit of its numbers, where they have one.
    pub(super) unit: Option<&'static str>,
    /// Definition, where there is one.
    pub(super) about: Option<&'static str>,
}

/// The type of a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Holds {
    /// Words.
    Text,
    /// Whole numbers.
    Whole,
    /// Yes or no.
    Truth,
    /// Numbers.
    Number,
}

impl Column {
    /// A column that needs no explanation.
    pub(super) const fn plain(name: &'static str, holds: Holds) -> Self {
        Self {
            name,
            holds,
            unit: None,
            about: None,
        }
    }

    /// Numbers in a unit.
    pub(super) const fn in_unit(name: &'static str, unit: &'static str) -> Self {
        Self {
            name,
            holds: Holds::Number,
            unit: Some(unit),
            about: None,
        }
    }
}

/// What stands in a row under one name.
#[derive(Clone, Copy)]
pub(super) enum Cell<'a> {
    /// Nothing.
    Absent,
    /// Words.
    Text(&'a dyn Display),
    /// A whole number.
    Whole(u64),
    /// Yes or no.
    Truth(bool),
    /// A number with so many decimals.
    Number(f64, usize),
}

/// Decimals of figures that come without a step: a thousandth of the unit.
const MOST_DECIMALS: u8 = 3;

impl Cell<'_> {
    /// A cell, or nothing.
    pub(super) fn or_absent(cell: Option<Self>) -> Self {
        cell.unwrap_or(Self::Absent)
    }

    /// A number with as many decimals as it has, to a thousandth.
    pub(super) fn short(value: f64) -> Self {
        let thousandths = (value * 1e3).round();
        let decimals = (0..MOST_DECIMALS)
            .find(|&decimals| thousandths % 10_f64.powi((MOST_DECIMALS - decimals).into()) == 0.0);
        Self::Number(value, decimals.unwrap_or(MOST_DECIMALS).into())
    }
}

/// A table being written; cells come in the order of the columns.
pub(super) struct Table<W: Write + Send> {
    form: Form<W>,
    /// The cell being printed.
    text: String,
}

enum Form<W: Write + Send> {
    Csv(Box<csv::Writer<W>>),
    Jsonl {
        /// `{"first":`, `,"second":` …
        leads: Vec<String>,
        next: usize,
        out: W,
    },
    Parquet(Box<Parquet<W>>),
}

impl<W: Write + Send> Table<W> {
    /// A table with these columns; `about` is what files with room for it say of the whole, by key.
    pub(super) fn new(
        format: Format,
        columns: &[Column],
        about: Vec<(String, String)>,
        out: W,
    ) -> io::Result<Self> {
        let names = columns.iter().map(|column| column.name);
        let form = match format {
            Format::Csv => {
                let mut csv = csv::Writer::from_writer(out);
                csv.write_record(names).map_err(cause)?;
                Form::Csv(Box::new(csv))
            }
            Format::Jsonl => Form::Jsonl {
                leads: names.enumerate().map(lead).collect(),
                next: 0,
                out,
            },
            Format::Parquet => Form::Parquet(Box::new(Parquet::new(columns, about, out)?)),
        };
        Ok(Self {
            form,
            text: String::new(),
        })
    }

    /// The next cell of the row.
    ///
    /// # Panics
    /// When the row is full.
    pub(super) fn cell(&mut self, cell: Cell<'_>) -> io::Result<()> {
        print(cell, &mut self.text);
        match &mut self.form {
            Form::Csv(csv) => csv.write_field(&self.text).map_err(cause)?,
            Form::Jsonl { leads, next, out } => {
                out.write_all(leads[*next].as_bytes())?;
                *next += 1;
                match cell {
                    Cell::Absent => out.write_all(b"null")?,
                    Cell::Text(_) => serde_json::to_writer(out, &self.text)?,
                    Cell::Whole(_) | Cell::Truth(_) | Cell::Number(..) => {
                        out.write_all(self.text.as_bytes())?;
                    }
                }
            }
            Form::Parquet(parquet) => parquet.cell(cell, &self.text),
        }
        Ok(())
    }

    /// Ends the row.
    pub(super) fn end_row(&mut self) -> io::Result<()> {
        match &mut self.form {
            Form::Csv(csv) => csv.write_record(None::<&[u8]>).map_err(cause),
            Form::Jsonl { next, out, .. } => {
                *next = 0;
                out.write_all(b"}\n")
            }
            Form::Parquet(parquet) => parquet.end_row(),
        }
    }

    /// Hands on what is still held back.
    pub(super) fn finish(self) -> io::Result<()> {
        match self.form {
            Form::Csv(mut csv) => csv.flush(),
            Form::Jsonl { mut out, .. } => out.flush(),
            Form::Parquet(parquet) => parquet.finish(),
        }
    }
}

/// The error of the writer beneath, of which the csv crate's own conversion would hide the kind.
fn cause(error: csv::Error) -> io::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => io::Error::other(format!("{other:?}")),
    }
}

fn lead((place, column): (usize, &str)) -> String {
    let open = if place == 0 { '{' } else { ',' };
    format!("{open}{}:", serde_json::Value::from(column))
}

/// Prints a cell over what `text` held.
fn print(cell: Cell<'_>, text: &mut String) {
    text.clear();
    let printed = match cell {
        Cell::Absent => Ok(()),
        Cell::Text(shown) => write!(text, "{shown}"),
        Cell::Whole(number) => write!(text, "{number}"),
        Cell::Truth(truth) => write!(text, "{truth}"),
        Cell::Number(value, decimals) => write!(text, "{value:.decimals$}"),
    };
    printed.expect("a string has room");
    let negative_zero = matches!(cell, Cell::Number(..))
        && text.starts_with('-')
        && !text.bytes().any(|byte| matches!(byte, b'1'..=b'9'));
    if negative_zero {
        text.remove(0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(cell: Cell<'_>, csv: &str, json: &str) {
        let written = |format| {
            let mut out = Vec::new();
            let columns = ["a", "b\"c"].map(|name| Column::plain(name, Holds::Text));
            let mut table = Table::new(format, &columns, Vec::new(), &mut out).expect("a table");
            for _ in 0..2 {
                table.cell(cell).expect("a cell");
            }
            table.end_row().expect("a row");
            table.finish().expect("a table");
            String::from_utf8(out).expect("text")
        };
        assert_eq!(written(Format::Csv), format!("a,\"b\"\"c\"\n{csv},{csv}\n"));
        let expected = format!("{{\"a\":{json},\"b\\\"c\":{json}}}\n");
        assert_eq!(written(Format::Jsonl), expected);
    }

    #[test]
    fn cells_are_printed_as_either_format_has_them() {
        check(Cell::Absent, "", "null");
        check(Cell::Whole(7), "7", "7");
        check(Cell::Truth(true), "true", "true");
        check(
            Cell::Text(&"say \"so\", twice"),
            "\"say \"\"so\"\", twice\"",
            "\"say \\\"so\\\", twice\"",
        );
        check(
            Cell::Text(&"two\nlines"),
            "\"two\nlines\"",
            "\"two\\nlines\"",
        );
        check(Cell::Number(0.1 + 0.2, 1), "0.3", "0.3");
        check(Cell::Number(-0.01, 1), "0.0", "0.0");
        check(Cell::Number(-0.0, 0), "0", "0");
        check(Cell::Number(-12.0, 2), "-12.00", "-12.00");
    }

    #[test]
    fn short_numbers_have_no_more_decimals_than_they_need() {
        check(Cell::short(40.0), "40", "40");
        check(Cell::short(0.1 + 0.2), "0.3", "0.3");
        check(Cell::short(-81.25), "-81.25", "-81.25");
        check(Cell::short(2.0 / 3.0), "0.667", "0.667");
    }
}
