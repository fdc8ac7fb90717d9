//! Pictures of events in the file, within their budget.
//!
//! Does not know: how a picture came about.

use rusqlite::Connection;

use super::batch::{micros, parity_code, stored_index};
use crate::record::exhibit::Exhibit;

/// Bytes of all pictures of a pass: about a thousand of a field of tape, and little beside the readings of an hour.
const BUDGET_BYTES: i64 = 24 << 20;

/// What is left after thinning, so that it is not done again at once.
const THINNED_BYTES: i64 = BUDGET_BYTES / 10 * 9;

/// Of each kind of event so many keep their pictures whatever comes: those with the worst values.
const WORST_OF_A_KIND: i64 = 4;

/// Writes pictures, and makes room for them.
pub(super) fn write_exhibits(
    connection: &Connection,
    exhibits: &[Exhibit],
) -> rusqlite::Result<()> {
    for exhibit in exhibits {
        let lines = Some(&exhibit.lines).filter(|lines| !lines.is_empty());
        connection
            .prepare_cached(
                "INSERT OR REPLACE INTO exhibits (event, view, field, parity, micros, width, rows, jpeg, packed)
                 VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(rusqlite::params![
                exhibit.event.0,
                exhibit.view.code(),
                stored_index(exhibit.place.field),
                parity_code(exhibit.place.parity),
                micros(exhibit.place.seconds.0),
                exhibit.size.0 as u32,
                exhibit.size.1 as u32,
                exhibit.jpeg,
                lines,
            ])?;
    }
    if exhibits.is_empty() {
        return Ok(());
    }
    thin(connection, BUDGET_BYTES, THINNED_BYTES)
}

/// Makes the pictures take no more than `left` bytes once they take more than `budget`. Those of notices go first, then those of
/// alarms, each oldest first; the worst of each kind and the operator's marks go last.
fn thin(connection: &Connection, budget: i64, left: i64) -> rusqlite::Result<()> {
    let mut total: i64 = connection
        .prepare_cached("SELECT coalesce(sum(length(jpeg)), 0) FROM exhibits")?
        .query_row((), |row| row.get(0))?;
    if total <= budget {
        return Ok(());
    }
    let mut statement = connection.prepare_cached(
        r#"WITH shown AS (
             SELECT event, sum(length(jpeg)) AS bytes FROM exhibits GROUP BY event
           ), ranked AS (
             SELECT s.event, s.bytes, e.kind, e.severity,
               row_number() OVER (
                 PARTITION BY e.kind ORDER BY abs(e.worst - coalesce(e."limit", 0)) DESC, s.event
               ) AS place
             FROM shown AS s LEFT JOIN event_rows AS e ON e.id = s.event
           )
           SELECT event, bytes FROM ranked
           ORDER BY (kind = 'mark' OR place <= ?1), severity = 'alarm', event"#,
    )?;
    let mut rows = statement.query([WORST_OF_A_KIND])?;
    let mut gone = Vec::new();
    while let Some(row) = rows.next()? {
        if total <= left {
            break;
        }
        gone.push(row.get::<_, i64>(0)?);
        total -= row.get::<_, i64>(1)?;
    }
    drop(rows);
    for event in gone {
        connection
            .prepare_cached("DELETE FROM exhibits WHERE event = ?1")?
            .execute([event])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
