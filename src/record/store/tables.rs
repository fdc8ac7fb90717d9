//! The statements that fill each table.
//!
//! Does not know: batches and transactions.

use std::fmt::Write;

use rusqlite::{Connection, named_params};

use super::batch::{Missed, micros, parity_code, stored_index};
use crate::alarms::{Event, WhyEnded};
use crate::record::head::{HandedOn, PassHead, ProgrammeSpan};
use crate::record::printed::{self, FieldPrint};
use crate::record::schema::{self, SECOND_PARTS, StoredQuantity, word_of};
use crate::sources::SourceDescription;
use crate::standard::Standard;
use crate::timecode::Counting;

pub(super) fn insert_readings(stored: &[StoredQuantity]) -> String {
    let mut columns = String::from("field, parity, micros");
    let mut count = 3;
    for quantity in stored {
        let column = &quantity.column;
        let _ = write!(columns, ", {column}");
        count += 1;
        if quantity.sigma.is_some() {
            let _ = write!(columns, ", {column}_sigma");
            count += 1;
        }
    }
    insert_into("readings", &columns, count)
}

pub(super) fn insert_second(stored: &[StoredQuantity]) -> String {
    let mut columns = String::from("second, fields");
    for quantity in stored {
        for part in SECOND_PARTS {
            let _ = write!(columns, ", {}_{part}", quantity.column);
        }
    }
    insert_into("seconds", &columns, 2 + stored.len() * SECOND_PARTS.len())
}

/// An insert that gives way to nothing: a place written twice keeps the later word.
pub(super) fn insert_into(table: &str, columns: &str, count: usize) -> String {
    let places = vec!["?"; count].join(", ");
    format!("INSERT OR REPLACE INTO {table} ({columns}) VALUES ({places})")
}

pub(super) fn write_head(connection: &mut Connection, head: &PassHead) -> rusqlite::Result<()> {
    let counting = head.start.counting();
    let source = SourceDescription {
        controls: Vec::new(),
        ..head.source.clone()
    };
    let transaction = connection.transaction()?;
    transaction.execute(
        "INSERT INTO pass (id, program, started_at, tape, chain, player, box, speed, standard, field_order,
           code_range, setup_ire, field_seconds, sample_rate_hz, start_timecode, start_frame, drop_frame,
           labels_a_second, frames_a_day, lines_kept, source, limits)
         VALUES (1, :program, :started_at, :tape, :chain, :player, :box, :speed, :standard, :field_order,
           :code_range, :setup_ire, :field_seconds, :sample_rate_hz, :start_timecode, :start_frame, :drop_frame,
           :labels_a_second, :frames_a_day, :lines_kept, :source, :limits)",
        named_params! {
            ":program": head.program,
            ":started_at": head.started_at,
            ":tape": head.tape,
            ":chain": head.chain,
            ":player": head.player,
            ":box": head.pass_box,
            ":speed": head.speed.map(|speed| word_of(&speed)),
            ":standard": head.standard.map(Standard::word),
            ":field_order": word_of(&head.field_order),
            ":code_range": word_of(&head.range),
            ":setup_ire": head.setup.0,
            ":field_seconds": head.field_period.0,
            ":sample_rate_hz": head.sample_rate.map(|rate| rate.0),
            ":start_timecode": head.start.to_string(),
            ":start_frame": head.start.to_frame().0.cast_signed(),
            ":drop_frame": counting == Counting::At30Drop,
            ":labels_a_second": counting.labels_a_second().cast_signed(),
            ":frames_a_day": counting.frames_a_day().cast_signed(),
            ":lines_kept": head.keep_lines,
            ":source": serde_json::to_string(&source).expect("a description is plain text and numbers"),
            ":limits": head.limits,
        },
    )?;
    for (origin, pairs) in [
        (schema::OPERATOR, &head.settings),
        (schema::DEVICE, &head.source.controls),
    ] {
        write_settings(&transaction, origin, pairs)?;
    }
    transaction.commit()
}

pub(in crate::record) fn write_settings(
    connection: &Connection,
    origin: &str,
    pairs: &[(String, String)],
) -> rusqlite::Result<()> {
    for (name, value) in pairs {
        connection.execute(
            "INSERT INTO settings (origin, name, value) VALUES (?1, ?2, ?3)",
            (origin, name, value),
        )?;
    }
    Ok(())
}

pub(super) fn write_missed(connection: &Connection, missed: &Missed) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO gaps (start_field, end_field, fields, why) VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute((
            stored_index(missed.first),
            stored_index(missed.last),
            missed.fields.cast_signed(),
            "the disk was full or too slow",
        ))?;
    Ok(())
}

pub(super) fn write_handed_on(connection: &Connection, turn: HandedOn) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO handed_on (start_field, tee_frame) VALUES (?1, ?2)",
        )?
        .execute((
            stored_index(turn.start),
            turn.tee_frame.map(u64::cast_signed),
        ))?;
    Ok(())
}

/// Writes fingerprints as one row.
pub(super) fn write_prints(connection: &Connection, prints: &[FieldPrint]) -> rusqlite::Result<()> {
    let (Some(first), Some(last)) = (prints.first(), prints.last()) else {
        return Ok(());
    };
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO fingerprints (start_field, end_field, packed) VALUES (?1, ?2, ?3)",
        )?
        .execute((
            stored_index(first.field),
            stored_index(last.field),
            printed::pack(prints),
        ))?;
    Ok(())
}

pub(in crate::record) fn write_event(
    connection: &Connection,
    event: &Event,
) -> rusqlite::Result<()> {
    let end = event.end;
    connection
        .prepare_cached(
            r#"INSERT OR REPLACE INTO event_rows (id, kind, severity, standing, start_field, start_micros,
                 start_parity, start_timecode, end_field, end_micros, end_parity, end_timecode, worst, unit,
                 "limit", note)
               VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"#,
        )?
        .execute(rusqlite::params![
            event.id.0,
            word_of(&event.kind),
            word_of(&event.severity),
            event.standing,
            stored_index(event.start.field),
            micros(event.start.seconds.0),
            parity_code(event.start.parity),
            event.start_timecode.to_string(),
            end.map(|end| stored_index(end.field)),
            end.map(|end| micros(end.seconds.0)),
            end.map(|end| parity_code(end.parity)),
            event.end_timecode.map(|label| label.to_string()),
            event.worst.filter(|worst| worst.is_finite()),
            event.unit,
            event.limit.filter(|limit| limit.is_finite()),
            event.note,
        ])?;
    Ok(())
}

pub(super) fn write_programme(
    connection: &Connection,
    spans: &[ProgrammeSpan],
) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM programme", ())?;
    for span in spans {
        connection.execute(
            "INSERT OR REPLACE INTO programme (start_field, end_field, why_ended) VALUES (?1, ?2, ?3)",
            (
                stored_index(span.start),
                span.end.map(stored_index),
                span.why_ended.map(WhyEnded::word),
            ),
        )?;
    }
    Ok(())
}
