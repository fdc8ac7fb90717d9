//! What a pass file of anyone's making may do: nothing but hold rows.
//!
//! In: an open connection. Out: the same, restricted; and an error for a file that holds what recording never makes.
//!
//! Does not know: what is in the rows.

use std::path::Path;

use rusqlite::Connection;
use rusqlite::config::DbConfig;
use rusqlite::limits::Limit;

use crate::record::error::{RecordError, sqlite};

/// Bytes of the longest value or row: a summary that lists a hundred thousand events is half of it.
const MOST_ROW_BYTES: i32 = 64 << 20;

/// Bytes of the longest statement, those that made tables and views included: ours are under a tenth of it.
const MOST_SQL_BYTES: i32 = 1 << 20;

/// Depth of an expression: ours stay under twenty.
const MOST_EXPRESSION_DEPTH: i32 = 100;

/// Tables that every version of a pass has.
const TABLES: [&str; 10] = [
    "event_rows",
    "gaps",
    "lines",
    "pass",
    "programme",
    "quantities",
    "readings",
    "seconds",
    "settings",
    "words",
];

/// Views that recording makes; none is ever run here.
const VIEWS: [&str; 4] = ["events", "fields", "per_second", "sigmas"];

/// Takes from a connection what a hostile file could use.
///
/// The manual of `SQLite` names these steps for files from elsewhere ("Defense Against The Dark Arts").
pub(super) fn restrict(connection: &Connection) -> rusqlite::Result<()> {
    for (setting, on) in [
        (DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true),
        (DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false),
        (DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false),
        (DbConfig::SQLITE_DBCONFIG_ENABLE_VIEW, false),
    ] {
        connection.set_db_config(setting, on)?;
    }
    for (limit, most) in [
        (Limit::SQLITE_LIMIT_LENGTH, MOST_ROW_BYTES),
        (Limit::SQLITE_LIMIT_SQL_LENGTH, MOST_SQL_BYTES),
        (Limit::SQLITE_LIMIT_EXPR_DEPTH, MOST_EXPRESSION_DEPTH),
        (Limit::SQLITE_LIMIT_ATTACHED, 0),
        (Limit::SQLITE_LIMIT_WORKER_THREADS, 0),
    ] {
        connection.set_limit(limit, most)?;
    }
    connection.pragma_update(None, "cell_size_check", true)?;
    // A file that shrinks while it is mapped would end the process.
    connection.pragma_update_and_check(None, "mmap_size", 0, |_| Ok(()))
}

/// Refuses a file that lacks a table, or holds what can act by itself.
pub(super) fn check_schema(connection: &Connection, path: &Path) -> Result<(), RecordError> {
    let failed = sqlite("open", path);
    let mut statement = connection
        .prepare("SELECT type, name, substr(coalesce(sql, ''), 1, 32) FROM sqlite_schema")
        .map_err(&failed)?;
    let mut rows = statement.query(()).map_err(&failed)?;
    let mut missing = TABLES.to_vec();
    while let Some(row) = rows.next().map_err(&failed)? {
        let text = |at| row.get::<_, String>(at);
        let (kind, name, sql) = text(0)
            .and_then(|kind| Ok((kind, text(1)?, text(2)?)))
            .map_err(&failed)?;
        let strange = match kind.as_str() {
            "table" if is_virtual(&sql) => true,
            "table" => {
                missing.retain(|wanted| *wanted != name);
                false
            }
            "view" => !VIEWS.contains(&name.as_str()),
            "index" => false,
            _ => true,
        };
        if strange {
            let name = name.chars().take(40).collect::<String>();
            return Err(RecordError::Strange {
                path: path.to_owned(),
                what: format!("a {kind} '{name}'"),
            });
        }
    }
    match missing.first() {
        Some(table) => Err(RecordError::Damaged {
            path: path.to_owned(),
            what: format!("it has no table '{table}'"),
        }),
        None => Ok(()),
    }
}

/// Whether a table is made by a module instead of holding rows.
fn is_virtual(sql: &str) -> bool {
    let mut words = sql.split_ascii_whitespace();
    words
        .nth(1)
        .is_some_and(|word| word.eq_ignore_ascii_case("virtual"))
}
