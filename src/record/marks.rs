//! The operator's marks in a pass that is finished: added, changed, taken away.
//!
//! In: the path of a pass. Out: a changed pass: marks are rows of its events, as those are that were made while it was recorded.
//! A pass of an older version is brought up to date first. The events of its summary are kept alike; what was counted and judged
//! when it was closed stays as it was.
//! A pass that is being recorded belongs to its writer: its marks are made there.
//!
//! Does not know: who asks, or how marks are shown.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, TransactionBehavior};
use serde_json::Value as Json;

use super::error::{RecordError, sqlite};
use super::open::{open_to_write, upgrade};
use super::reader::Pass;
use super::schema::{FILE_VERSION, word_of};
use super::store::{make_single, write_event};
use crate::alarms::{Event, EventId, EventRecord, PassClock};
use crate::fields::FieldPlace;
use crate::limits::Kind;

/// What a mark without words says.
pub const UNNAMED_MARK: &str = "marked by the operator";

/// How long another program that reads the file may hold a mark up.
const PATIENCE: Duration = Duration::from_secs(2);

/// Whether a pass is finished, or somebody still records it; one that was cut short is put in order: its log is folded in.
///
/// # Errors
/// When it is no pass, of a newer version, or damaged.
pub fn is_finished(path: &Path) -> Result<bool, RecordError> {
    if Pass::open(path)?.closed_at().is_some() {
        return Ok(true);
    }
    let failed = sqlite("put in order", path);
    match open_to_write(path).and_then(|pass| make_single(&pass).map_err(failed)) {
        Err(error) if error.is_busy() => Ok(false),
        // on a disk that cannot be written to nobody records
        Ok(()) | Err(RecordError::Sqlite { .. }) => Ok(true),
        Err(error) => Err(error),
    }
}

/// Adds a mark at a field of a finished pass.
///
/// # Errors
/// When the pass is being recorded or cannot be written to.
pub fn add(
    path: &Path,
    clock: PassClock,
    at: FieldPlace,
    note: &str,
) -> Result<EventId, RecordError> {
    let note = if note.is_empty() { UNNAMED_MARK } else { note };
    change(path, |connection| {
        let last: Option<u32> =
            connection.query_row("SELECT max(id) FROM event_rows", (), |row| row.get(0))?;
        let id = EventId(last.unwrap_or(0).saturating_add(1));
        let label = clock.label(at.frame());
        let mark = Event {
            id,
            kind: Kind::Mark,
            severity: Kind::Mark.noted_severity(),
            standing: false,
            start: at,
            end: Some(at),
            start_timecode: label,
            end_timecode: Some(label),
            worst: None,
            unit: "",
            limit: None,
            note: note.to_owned(),
        };
        write_event(connection, &mark)?;
        sum_up(connection, |events| {
            events.extend(serde_json::to_value(EventRecord::from(&mark)));
        })?;
        Ok(id)
    })
}

/// Changes what a mark says; a note without words takes the mark away. False where there is no such mark.
///
/// # Errors
/// When the pass is being recorded or cannot be written to.
pub fn edit(path: &Path, mark: EventId, note: &str) -> Result<bool, RecordError> {
    let kind = word_of(&Kind::Mark);
    change(path, |connection| {
        let changed = if note.is_empty() {
            let gone = connection.execute(
                "DELETE FROM event_rows WHERE id = ?1 AND kind = ?2",
                (mark.0, &kind),
            )?;
            if gone > 0 {
                connection.execute("DELETE FROM exhibits WHERE event = ?1", [mark.0])?;
            }
            gone
        } else {
            connection.execute(
                "UPDATE event_rows SET note = ?3 WHERE id = ?1 AND kind = ?2",
                (mark.0, &kind, note),
            )?
        };
        if changed > 0 {
            sum_up(connection, |events| {
                let is_mark = |event: &Json| event["id"] == mark.0;
                if note.is_empty() {
                    events.retain(|event| !is_mark(event));
                } else if let Some(event) = events.iter_mut().find(|event| is_mark(event)) {
                    event["note"] = note.into();
                }
            })?;
        }
        Ok(changed > 0)
    })
}

/// Keeps the events of the summary as those of the pass are. One that was cut short has none, and one that makes no sense stays
/// as it is: the rows are what counts.
fn sum_up(connection: &Connection, change: impl FnOnce(&mut Vec<Json>)) -> rusqlite::Result<()> {
    let text: Option<String> =
        connection.query_row("SELECT summary FROM pass", (), |row| row.get(0))?;
    let parsed = text.and_then(|text| serde_json::from_str::<Json>(&text).ok());
    let Some(mut summary) = parsed else {
        return Ok(());
    };
    if let Some(Json::Array(events)) = summary.get_mut("events") {
        change(events);
        connection.execute("UPDATE pass SET summary = ?1", [summary.to_string()])?;
    }
    Ok(())
}

/// Does something to the events of a finished pass, all or nothing.
fn change<T>(
    path: &Path,
    of_events: impl FnOnce(&Connection) -> rusqlite::Result<T>,
) -> Result<T, RecordError> {
    if !is_finished(path)? {
        return Err(RecordError::BeingRecorded(path.to_owned()));
    }
    let failed = sqlite("write a mark into", path);
    let mut connection = open_to_write(path)?;
    let version: i32 = connection
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .map_err(&failed)?;
    if version < FILE_VERSION {
        drop(connection);
        upgrade(path)?;
        connection = open_to_write(path)?;
    }
    connection.busy_timeout(PATIENCE).map_err(&failed)?;
    // The first write waits for others here, so that no two marks get one number.
    let transaction = connection
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .map_err(&failed)?;
    let done = of_events(&transaction).map_err(&failed)?;
    transaction.commit().map_err(&failed)?;
    Ok(done)
}

#[cfg(test)]
mod tests;
