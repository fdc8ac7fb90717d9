//! The same cells as an Apache Parquet file: columns with types, units and definitions.
//!
//! Rows are held back until there are enough for a row group, so that memory does not grow with their number. What is
//! absent is a NULL. A number is the one that CSV prints, read back: both exports hold the same values.
//!
//! Parquet has no room for notes on a column, so the file's own key `trueline.columns` has them all as one JSON object.
//!
//! Does not know: what the cells mean.

use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use super::table::{Cell, Column, Holds};

/// Cells of a row group: about 8 MB held back. Readers want groups large, and this is minutes of fields.
const GROUP_CELLS: usize = 1 << 20;

/// The key of the notes on columns.
const COLUMNS_KEY: &str = "trueline.columns";

/// A file being written.
pub(super) struct Parquet<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    held: Vec<Held>,
    /// The column of the next cell.
    next: usize,
    rows: usize,
    most_rows: usize,
}

/// What is held back of one column: the values, and of each row whether it has one.
struct Held {
    values: Values,
    /// 1: it has; as the format's definition levels.
    present: Vec<i16>,
}

enum Values {
    Text(Vec<ByteArray>),
    Whole(Vec<i64>),
    Truth(Vec<bool>),
    Number(Vec<f64>),
}

impl<W: Write + Send> Parquet<W> {
    /// A file with these columns that says `about` of itself.
    pub(super) fn new(
        columns: &[Column],
        about: Vec<(String, String)>,
        out: W,
    ) -> io::Result<Self> {
        let fields = columns.iter().map(field).collect::<Result<_, _>>();
        let schema = fields.and_then(|fields| {
            Type::group_type_builder("trueline")
                .with_fields(fields)
                .build()
        });
        let keys = about.into_iter().chain([notes(columns)]);
        let properties = WriterProperties::builder()
            .set_created_by(format!("trueline version {}", env!("CARGO_PKG_VERSION")))
            .set_compression(Compression::SNAPPY)
            .set_statistics_enabled(EnabledStatistics::Chunk)
            .set_offset_index_disabled(true)
            .set_key_value_metadata(Some(
                keys.map(|(key, value)| KeyValue::new(key, value)).collect(),
            ))
            .build();
        let schema = Arc::new(schema.map_err(cause)?);
        let writer = SerializedFileWriter::new(out, schema, Arc::new(properties)).map_err(cause)?;
        Ok(Self {
            writer,
            held: columns.iter().map(Held::of).collect(),
            next: 0,
            rows: 0,
            most_rows: (GROUP_CELLS / columns.len().max(1)).max(1),
        })
    }

    /// The next cell of the row, and how it is printed.
    ///
    /// # Panics
    /// When the row is full, or the cell is not what its column holds.
    pub(super) fn cell(&mut self, cell: Cell<'_>, printed: &str) {
        self.held[self.next].push(cell, printed);
        self.next += 1;
    }

    /// Ends the row.
    pub(super) fn end_row(&mut self) -> io::Result<()> {
        self.next = 0;
        self.rows += 1;
        if self.rows == self.most_rows {
            self.write_group()?;
        }
        Ok(())
    }

    /// Writes what is still held back, and the end of the file.
    pub(super) fn finish(mut self) -> io::Result<()> {
        if self.rows > 0 {
            self.write_group()?;
        }
        self.writer.finish().map_err(cause)?;
        self.writer.flush()
    }

    fn write_group(&mut self) -> io::Result<()> {
        self.rows = 0;
        let mut group = self.writer.next_row_group().map_err(cause)?;
        for held in &mut self.held {
            let column = group.next_column().map_err(cause)?;
            let mut column = column.expect("the schema has a column for each");
            let present = Some(held.present.as_slice());
            let written = match &held.values {
                Values::Text(values) => {
                    let typed = column.typed::<ByteArrayType>();
                    typed.write_batch(values, present, None)
                }
                Values::Whole(values) => {
                    let typed = column.typed::<Int64Type>();
                    typed.write_batch(values, present, None)
                }
                Values::Truth(values) => {
                    let typed = column.typed::<BoolType>();
                    typed.write_batch(values, present, None)
                }
                Values::Number(values) => {
                    let typed = column.typed::<DoubleType>();
                    typed.write_batch(values, present, None)
                }
            };
            written.and_then(|_| column.close()).map_err(cause)?;
            held.clear();
        }
        group.close().map(|_| ()).map_err(cause)
    }
}

impl Held {
    fn of(column: &Column) -> Self {
        Self {
            values: match column.holds {
                Holds::Text => Values::Text(Vec::new()),
                Holds::Whole => Values::Whole(Vec::new()),
                Holds::Truth => Values::Truth(Vec::new()),
                Holds::Number => Values::Number(Vec::new()),
            },
            present: Vec::new(),
        }
    }

    fn push(&mut self, cell: Cell<'_>, printed: &str) {
        self.present.push(i16::from(!matches!(cell, Cell::Absent)));
        let number = || printed.parse::<f64>().expect("a number is printed as one");
        match (&mut self.values, cell) {
            (_, Cell::Absent) => {}
            (Values::Text(texts), Cell::Text(_)) => {
                // Words repeat from row to row, and a copy of the last is only counted.
                let known = texts
                    .last()
                    .filter(|last| last.data() == printed.as_bytes());
                let text = known.cloned().unwrap_or_else(|| ByteArray::from(printed));
                texts.push(text);
            }
            (Values::Whole(wholes), Cell::Whole(whole)) => wholes.push(whole.cast_signed()),
            // A number whose step is whole is printed without decimals.
            (Values::Whole(wholes), Cell::Number(..)) => wholes.push(number() as i64),
            (Values::Truth(truths), Cell::Truth(truth)) => truths.push(truth),
            (Values::Number(numbers), Cell::Number(..) | Cell::Whole(_)) => numbers.push(number()),
            (_, Cell::Text(_) | Cell::Whole(_) | Cell::Truth(_) | Cell::Number(..)) => {
                panic!("'{printed}' is not what its column holds")
            }
        }
    }

    fn clear(&mut self) {
        self.present.clear();
        match &mut self.values {
            Values::Text(values) => values.clear(),
            Values::Whole(values) => values.clear(),
            Values::Truth(values) => values.clear(),
            Values::Number(values) => values.clear(),
        }
    }
}

fn field(column: &Column) -> Result<Arc<Type>, ParquetError> {
    let (physical, logical) = match column.holds {
        Holds::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Holds::Whole => (Physical::INT64, None),
        Holds::Truth => (Physical::BOOLEAN, None),
        Holds::Number => (Physical::DOUBLE, None),
    };
    Type::primitive_type_builder(column.name, physical)
        .with_repetition(Repetition::OPTIONAL)
        .with_logical_type(logical)
        .build()
        .map(Arc::new)
}

/// Units and definitions of the columns that have them.
fn notes(columns: &[Column]) -> (String, String) {
    let mut notes = serde_json::Map::new();
    for column in columns {
        let said = [("unit", column.unit), ("about", column.about)];
        let note: serde_json::Map<_, _> = said
            .into_iter()
            .filter_map(|(key, value)| Some((key.to_owned(), value?.into())))
            .collect();
        if !note.is_empty() {
            notes.insert(column.name.to_owned(), note.into());
        }
    }
    let text = serde_json::Value::Object(notes).to_string();
    (COLUMNS_KEY.to_owned(), text)
}

/// The error of the writer beneath, of which the parquet crate's own would hide the kind.
fn cause(error: ParquetError) -> io::Error {
    match error {
        ParquetError::External(inner) => match inner.downcast::<io::Error>() {
            Ok(error) => *error,
            Err(other) => io::Error::other(other),
        },
        other => io::Error::other(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ::parquet::file::reader::{FileReader, SerializedFileReader};
    use ::parquet::record::{Field, RowAccessor};

    /// A file of one column of each type, with so many rows of which every third is empty.
    fn written(rows: u64) -> Vec<u8> {
        let columns = [
            Column::plain("word", Holds::Text),
            Column::plain("whole", Holds::Whole),
            Column::plain("truth", Holds::Truth),
            Column {
                about: Some("How much."),
                ..Column::in_unit("number", "IRE")
            },
        ];
        let mut out = Vec::new();
        let about = vec![("trueline.pass".to_owned(), "{}".to_owned())];
        let mut file = Parquet::new(&columns, about, &mut out).expect("a schema");
        for row in 0..rows {
            if row % 3 == 2 {
                (0..4).for_each(|_| file.cell(Cell::Absent, ""));
            } else {
                let number = format!("{:.1}", row as f64 / 10.0);
                file.cell(Cell::Text(&"locked"), "locked");
                file.cell(Cell::Whole(row), "");
                file.cell(Cell::Truth(row % 2 == 0), "");
                file.cell(Cell::Number(row as f64 / 10.0, 1), &number);
            }
            file.end_row().expect("memory has room");
        }
        file.finish().expect("memory has room");
        out
    }

    #[test]
    fn rows_come_back_from_as_many_groups_as_they_need() {
        let most_rows = GROUP_CELLS as u64 / 4;
        let rows = most_rows + 10;
        let path = tempfile::NamedTempFile::new().expect("a file");
        std::fs::write(path.path(), written(rows)).expect("room");
        let reader = SerializedFileReader::new(path.reopen().expect("the file")).expect("Parquet");
        assert_eq!(reader.num_row_groups(), 2);
        let last = reader.get_row_group(1).expect("the second");
        assert_eq!(last.metadata().num_rows(), 10);
        for (at, row) in (0..).zip(reader.get_row_iter(None).expect("rows")) {
            let row = row.expect("a row");
            if at % 3 == 2 {
                assert!(row.get_column_iter().all(|(_, cell)| *cell == Field::Null));
                continue;
            }
            assert_eq!(row.get_string(0).expect("a word"), "locked");
            assert_eq!(row.get_long(1).expect("a whole number"), at);
            assert_eq!(row.get_bool(2).expect("yes or no"), at % 2 == 0);
            assert_eq!(row.get_double(3).expect("a number"), at as f64 / 10.0);
        }
    }

    #[test]
    fn the_file_says_what_its_columns_are() {
        let path = tempfile::NamedTempFile::new().expect("a file");
        std::fs::write(path.path(), written(1)).expect("room");
        let reader = SerializedFileReader::new(path.reopen().expect("the file")).expect("Parquet");
        let keys = reader.metadata().file_metadata().key_value_metadata();
        let keys = keys.expect("it has some");
        let value = |key: &str| {
            let found = keys.iter().find(|pair| pair.key == key);
            found.and_then(|pair| pair.value.as_deref())
        };
        assert_eq!(value("trueline.pass"), Some("{}"));
        let expected = r#"{"number":{"unit":"IRE","about":"How much."}}"#;
        assert_eq!(value(COLUMNS_KEY), Some(expected));
    }
}
