//! The tables and views of a pass file, and how an older file becomes a current one.
//!
//! In: a connection and the list of quantities. Out: a file whose `readings` and `seconds` have a column for each, whose
//! `quantities` says which, and whose views show them under their own names.
//!
//! Fixed tables stand in `migrations/*.sql`, one file a version; columns of quantities need no new version: they are
//! added whenever a list knows more than the file. Does not know: rows, events, or who reads them.

use std::fmt::Write;
use std::path::Path;

use rusqlite::Connection;
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::error::{RecordError, sqlite};
use super::scale::Scale;
use crate::measures::{QUANTITY_COUNT, Quantity, QuantityUnit, quantities};

/// `TLPS` in ASCII: how other programs tell a pass from any other database.
pub const APPLICATION_ID: i32 = 0x544c_5053;

/// The newest file version this program knows.
pub const FILE_VERSION: i32 = 4;

/// One script a file version, oldest first.
const MIGRATIONS: [&str; FILE_VERSION as usize] = [
    include_str!("migrations/0001_pass.sql"),
    include_str!("migrations/0002_handed_on.sql"),
    include_str!("migrations/0003_exhibits.sql"),
    include_str!("migrations/0004_fingerprints.sql"),
];

/// Origin of settings that the operator stated.
pub(super) const OPERATOR: &str = "operator";

/// Origin of settings that were found on the device.
pub(super) const DEVICE: &str = "device";

/// Origin of what was measured of the device while it ran.
pub(super) const MEASURED: &str = "measured";

/// Origin of the word that recording was cut short.
pub(super) const INTERRUPTED: &str = "interrupted";

/// Origin of what is kept of the file that was scanned.
pub(super) const SCANNED: &str = "scanned";

/// The quantities a file is to have columns for, in the order of a row.
pub type Catalogue<const N: usize> = [&'static Quantity; N];

/// Every quantity there is.
///
/// # Panics
/// Never: the list is as long as its own count.
#[must_use]
pub fn full_catalogue() -> Catalogue<QUANTITY_COUNT> {
    let mut all = quantities();
    std::array::from_fn(|_| all.next().expect("QUANTITY_COUNT counts them"))
}

/// A quantity as a file keeps it: the step is the file's, whatever the program would choose today.
#[derive(Clone, Debug)]
pub(super) struct StoredQuantity {
    pub(super) id: String,
    pub(super) column: String,
    pub(super) scale: Scale,
    /// `None` for words.
    pub(super) sigma: Option<Scale>,
    /// In the order of their codes.
    pub(super) words: Vec<String>,
}

/// The serde name of a plain enum, which is how files keep it.
pub(crate) fn word_of<T: Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        other => panic!("only enums without fields are kept as words, not {other:?}"),
    }
}

/// The enum of a serde name.
pub(super) fn of_word<T: DeserializeOwned>(word: &str) -> Option<T> {
    serde_json::from_value(serde_json::Value::String(word.to_owned())).ok()
}

/// A text as an SQL name.
fn name(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

/// A text as an SQL string.
fn text(text: &str) -> String {
    format!("'{}'", text.replace('\'', "''"))
}

/// The column of a quantity.
fn column_of(id: &str) -> String {
    id.replace('.', "_")
}

/// Brings a new or older file up to this program's tables and to `catalogue`'s columns, all or nothing.
pub(super) fn bring_up_to_date(
    connection: &mut Connection,
    path: &Path,
    catalogue: &[&'static Quantity],
) -> Result<(), RecordError> {
    let failed = sqlite("bring up to date", path);
    let transaction = connection.transaction().map_err(&failed)?;
    let version: i32 = transaction
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .map_err(&failed)?;
    for script in MIGRATIONS.iter().skip(version.max(0) as usize) {
        transaction.execute_batch(script).map_err(&failed)?;
    }
    let stored = stored_quantities(&transaction, path)?;
    add_quantities(&transaction, &stored, catalogue).map_err(&failed)?;
    let stored = stored_quantities(&transaction, path)?;
    transaction
        .execute_batch(&views(&stored))
        .map_err(&failed)?;
    transaction
        .pragma_update(None, "application_id", APPLICATION_ID)
        .map_err(&failed)?;
    transaction
        .pragma_update(None, "user_version", FILE_VERSION)
        .map_err(&failed)?;
    transaction.commit().map_err(&failed)
}

/// Adds what `catalogue` has and the file has not: columns, and words of quantities it knows.
fn add_quantities(
    connection: &Connection,
    stored: &[StoredQuantity],
    catalogue: &[&'static Quantity],
) -> rusqlite::Result<()> {
    for quantity in catalogue {
        if !stored.iter().any(|known| known.id == quantity.id) {
            add_quantity(connection, quantity)?;
        }
        for (code, word) in (0_i64..).zip(quantity.words) {
            connection.execute(
                "INSERT OR IGNORE INTO words (quantity, code, word) VALUES (?1, ?2, ?3)",
                (quantity.id, code, word),
            )?;
        }
    }
    Ok(())
}

fn add_quantity(connection: &Connection, quantity: &Quantity) -> rusqlite::Result<()> {
    let column = column_of(quantity.id);
    let scale = Scale::of_step(if quantity.words.is_empty() {
        quantity.step
    } else {
        1.0
    });
    let sigma = quantity.words.is_empty().then(|| scale.for_sigma().step());
    let mut script = String::new();
    let mut add = |table, column: &str| {
        let _ = write!(script, "ALTER TABLE {table} ADD COLUMN {column} INTEGER;");
    };
    add("readings", &column);
    if sigma.is_some() {
        add("readings", &format!("{column}_sigma"));
    }
    for part in SECOND_PARTS {
        add("seconds", &format!("{column}_{part}"));
    }
    connection.execute_batch(&script)?;
    connection.execute(
        r#"INSERT INTO quantities (id, "column", label, unit, step, sigma_step, better, "group", about)
           VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)"#,
        (
            quantity.id,
            column,
            quantity.label,
            word_of(&quantity.unit),
            scale.step(),
            sigma,
            word_of(&quantity.better),
            quantity.group.word(),
            quantity.about,
        ),
    )?;
    Ok(())
}

/// What `seconds` keeps of a quantity, as ends of column names.
pub(super) const SECOND_PARTS: [&str; 4] = ["min", "median", "max", "n"];

/// The quantities a file has columns for, in the order of columns.
pub(super) fn stored_quantities(
    connection: &Connection,
    path: &Path,
) -> Result<Vec<StoredQuantity>, RecordError> {
    let failed = sqlite("read the quantities of", path);
    let mut statement = connection
        .prepare(r#"SELECT id, "column", step, sigma_step, unit FROM quantities ORDER BY place"#)
        .map_err(&failed)?;
    let mut rows = statement.query(()).map_err(&failed)?;
    let mut all = Vec::new();
    while let Some(row) = rows.next().map_err(&failed)? {
        let quantity = stored_quantity(connection, row).map_err(&failed)?;
        let quantity = quantity.map_err(|what| RecordError::Damaged {
            path: path.to_owned(),
            what,
        })?;
        all.push(quantity);
    }
    Ok(all)
}

/// One row of `quantities`; the inner error says what makes no sense in it.
fn stored_quantity(
    connection: &Connection,
    row: &rusqlite::Row<'_>,
) -> rusqlite::Result<Result<StoredQuantity, String>> {
    let (id, column): (String, String) = (row.get(0)?, row.get(1)?);
    let (step, sigma_step): (f64, Option<f64>) = (row.get(2)?, row.get(3)?);
    let unit: String = row.get(4)?;
    let mut statement =
        connection.prepare_cached("SELECT word FROM words WHERE quantity = ?1 ORDER BY code")?;
    let words = statement
        .query_map([&id], |row| row.get(0))?
        .collect::<rusqlite::Result<Vec<String>>>()?;
    let plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_';
    if column.is_empty() || !column.bytes().all(plain) {
        return Ok(Err(format!("quantity '{id}' names no column")));
    }
    if ![Some(step), sigma_step]
        .iter()
        .flatten()
        .all(|step| step.is_finite() && *step > 0.0)
    {
        return Ok(Err(format!("quantity '{id}' has a step that is no size")));
    }
    if of_word::<QuantityUnit>(&unit).is_none() {
        return Ok(Err(format!(
            "quantity '{id}' has a unit '{unit}' that does not exist"
        )));
    }
    Ok(Ok(StoredQuantity {
        id,
        column,
        scale: Scale::of_step(step),
        sigma: sigma_step.map(Scale::of_step),
        words,
    }))
}

/// The views people read, under the permanent names.
fn views(stored: &[StoredQuantity]) -> String {
    let mut values = String::new();
    let mut sigmas = String::new();
    let mut seconds = String::new();
    for quantity in stored {
        let (id, column) = (&quantity.id, &quantity.column);
        let _ = write!(
            values,
            ",\n  {} AS {}",
            readable(quantity, &format!("r.{column}")),
            name(id)
        );
        if let Some(sigma) = quantity.sigma {
            let value = sigma.sql(&format!("{column}_sigma"));
            let _ = write!(sigmas, ",\n  {value} AS {}", name(&format!("{id}.sigma")));
        }
        for part in SECOND_PARTS {
            let column = format!("s.{column}_{part}");
            let value = if part == "n" {
                column
            } else {
                readable(quantity, &column)
            };
            let _ = write!(seconds, ",\n  {value} AS {}", name(&format!("{id}.{part}")));
        }
    }
    format!(
        "DROP VIEW IF EXISTS fields;
DROP VIEW IF EXISTS sigmas;
DROP VIEW IF EXISTS per_second;
DROP VIEW IF EXISTS events;
CREATE VIEW fields AS SELECT r.field AS field,
  CASE r.parity WHEN 0 THEN 'top' ELSE 'bottom' END AS parity,
  {TIMECODE} AS timecode,
  r.micros / 1000000.0 AS seconds{values}
FROM {LABELLED} AS r;
CREATE VIEW sigmas AS SELECT field{sigmas}
FROM readings;
CREATE VIEW per_second AS SELECT s.second AS second, s.fields AS fields{seconds}
FROM seconds AS s;
{EVENTS_VIEW}"
    )
}

/// What people read for a stored number: the value, or the word.
fn readable(quantity: &StoredQuantity, column: &str) -> String {
    if quantity.words.is_empty() {
        return quantity.scale.sql(column);
    }
    let id = text(&quantity.id);
    format!("(SELECT w.word FROM words AS w WHERE w.quantity = {id} AND w.code = {column})")
}

/// `readings` with each field's timecode label as a number: the rule of [`crate::timecode`] in SQL.
const LABELLED: &str = "(SELECT f.*,
    f.frame + CASE WHEN f.drop_frame = 0 THEN 0 ELSE 18 * (f.frame / 17982)
      + CASE WHEN f.frame % 17982 < 2 THEN 0 ELSE 2 * ((f.frame % 17982 - 2) / 1798) END END AS label
  FROM (SELECT q.*, (p.start_frame + q.field / 2) % p.frames_a_day AS frame, p.drop_frame, p.labels_a_second AS rate
    FROM readings AS q, pass AS p) AS f)";

/// The label as text.
const TIMECODE: &str =
    "printf('%02d:%02d:%02d%s%02d', r.label / (3600 * r.rate), r.label / (60 * r.rate) % 60,
    r.label / r.rate % 60, CASE r.drop_frame WHEN 0 THEN ':' ELSE ';' END, r.label % r.rate)";

/// Events with the columns that exports have. An event ends with its last field, which takes a field's time.
const EVENTS_VIEW: &str = r#"CREATE VIEW events AS SELECT e.id, e.kind, e.severity, e.standing, e.start_field, e.end_field,
  e.start_timecode, e.end_timecode, e.start_micros / 1000000.0 AS start_seconds,
  round((e.end_micros - e.start_micros) / 1000000.0 + p.field_seconds, 6) AS duration_seconds,
  e.worst, e.unit, e."limit", e.note
FROM event_rows AS e, pass AS p ORDER BY e.id;"#;

#[cfg(test)]
mod tests {
    use super::super::testing::{CATALOGUE, catalogue};
    use super::*;

    fn created(list: &[&'static Quantity]) -> Connection {
        let mut connection = Connection::open_in_memory().expect("a database");
        bring_up_to_date(&mut connection, Path::new("memory"), list).expect("tables");
        connection
    }

    fn columns(connection: &Connection, view: &str) -> Vec<String> {
        let statement = connection.prepare(&format!("SELECT * FROM {view}"));
        let statement = statement.expect("a view");
        statement.column_names().map(str::to_owned).collect()
    }

    #[test]
    fn the_view_fields_has_exactly_the_columns_of_an_export() {
        let mut expected = vec!["field", "parity", "timecode", "seconds"];
        expected.extend(CATALOGUE.iter().map(|quantity| quantity.id));
        assert_eq!(columns(&created(&catalogue()), "fields"), expected);
    }

    #[test]
    fn the_real_list_of_quantities_makes_a_file() {
        let connection = created(&full_catalogue());
        assert_eq!(columns(&connection, "fields").len(), 4 + QUANTITY_COUNT);
    }

    #[test]
    fn no_two_quantities_share_a_column() {
        let mut names: Vec<_> = quantities()
            .flat_map(|quantity| {
                let column = column_of(quantity.id);
                [format!("{column}_sigma"), column]
            })
            .collect();
        let all = names.len();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), all);
    }

    #[test]
    fn a_file_of_the_first_version_gets_the_tables_of_this_one() {
        let mut connection = Connection::open_in_memory().expect("a database");
        connection.execute_batch(MIGRATIONS[0]).expect("version 1");
        connection
            .pragma_update(None, "user_version", 1)
            .expect("it says so");
        bring_up_to_date(&mut connection, Path::new("memory"), &catalogue()).expect("tables");
        assert_eq!(
            columns(&connection, "handed_on"),
            ["start_field", "tee_frame"]
        );
    }

    #[test]
    fn a_list_that_knows_more_adds_columns_and_keeps_the_old_ones() {
        let mut connection = created(&catalogue()[..2]);
        let insert =
            "INSERT INTO readings (field, parity, micros, test_error_ns) VALUES (0, 0, 0, 17)";
        connection.execute(insert, ()).expect("a row");
        let path = Path::new("memory");
        bring_up_to_date(&mut connection, path, &catalogue()).expect("more columns");
        let stored = stored_quantities(&connection, path).expect("quantities");
        assert_eq!(stored.len(), CATALOGUE.len());
        let kept: i64 = connection
            .query_row("SELECT test_error_ns FROM readings", (), |row| row.get(0))
            .expect("the row");
        assert_eq!(kept, 17);
    }

    #[test]
    fn a_quantity_that_names_no_column_is_refused() {
        let connection = created(&catalogue());
        let change = r#"UPDATE quantities SET "column" = 'x FROM pass; --' WHERE place = 1"#;
        connection.execute(change, ()).expect("a change");
        let refused = stored_quantities(&connection, Path::new("memory"));
        assert!(
            matches!(refused, Err(RecordError::Damaged { .. })),
            "{refused:?}"
        );
    }

    #[test]
    fn seconds_of_a_stretch_are_found_by_their_key() {
        let connection = created(&catalogue());
        let select = "EXPLAIN QUERY PLAN SELECT test_error_ns_min FROM seconds
                      WHERE second >= 3 AND second < 9 AND test_error_ns_n > 0 ORDER BY second";
        let plan: String = connection
            .query_row(select, (), |row| row.get(3))
            .expect("a plan");
        assert!(
            plan.starts_with("SEARCH seconds USING INTEGER PRIMARY KEY"),
            "{plan}"
        );
    }
}
