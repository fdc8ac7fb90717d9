//! What a pass says it is of.
//!
//! Does not know: what was measured.

use std::ops::RangeInclusive;
use std::path::Path;

use rusqlite::{Connection, OptionalExtension};

use super::stored::counted_in;
use crate::record::error::{RecordError, sqlite};
use crate::record::head::PassHead;
use crate::record::schema::{self, of_word};
use crate::sources::SourceDescription;
use crate::timecode::Timecode;
use crate::units::{Hertz, Ire, Seconds};

/// Time a field may take: files state up to 1000 frames a second, and a picture every ten seconds is none of a tape's.
const FIELD_SECONDS: RangeInclusive<f64> = 1e-4..=10.0;

/// Luma sample rates: anything from a thumbnail's to far beyond what digitises video.
const SAMPLE_RATES_HZ: RangeInclusive<f64> = 1.0..=1e9;

/// What the pass is of, and when it was closed.
pub(super) fn read_head(
    connection: &Connection,
    path: &Path,
) -> Result<(PassHead, Option<String>), RecordError> {
    let failed = sqlite("read", path);
    let settings = |origin| settings_of(connection, origin).map_err(sqlite("read", path));
    let (operator, device) = (settings(schema::OPERATOR)?, settings(schema::DEVICE)?);
    let found = connection
        .query_row(
            "SELECT program, started_at, closed_at, tape, chain, player, box, speed, standard, field_order,
               code_range, setup_ire, field_seconds, sample_rate_hz, start_timecode, labels_a_second, lines_kept,
               source, limits
             FROM pass",
            (),
            |row| Ok((head_of_row(row, operator, device)?, row.get("closed_at")?)),
        )
        .optional()
        .map_err(&failed)?;
    match found {
        Some((Ok(head), closed_at)) => Ok((head, closed_at)),
        Some((Err(column), _)) => Err(RecordError::Damaged {
            path: path.to_owned(),
            what: format!("it says nothing sensible of its {column}"),
        }),
        None => Err(RecordError::Damaged {
            path: path.to_owned(),
            what: "it does not say what it is of".to_owned(),
        }),
    }
}

pub(super) fn settings_of(
    connection: &Connection,
    origin: &str,
) -> rusqlite::Result<Vec<(String, String)>> {
    connection
        .prepare("SELECT name, value FROM settings WHERE origin = ?1 ORDER BY place")?
        .query_map([origin], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect()
}

/// The row of `pass`; the inner error is the column that makes no sense.
pub(super) fn head_of_row(
    row: &rusqlite::Row<'_>,
    settings: Vec<(String, String)>,
    controls: Vec<(String, String)>,
) -> rusqlite::Result<Result<PassHead, &'static str>> {
    let text = |column| row.get::<_, Option<String>>(column);
    let counted_in = counted_in(row.get::<_, i64>("labels_a_second")?.unsigned_abs());
    let start = text("start_timecode")?.unwrap_or_default();
    let source = text("source")?.unwrap_or_default();
    let source = serde_json::from_str::<SourceDescription>(&source);
    let (Some(field_order), Some(range)) = (
        text("field_order")?.as_deref().and_then(of_word),
        text("code_range")?.as_deref().and_then(of_word),
    ) else {
        return Ok(Err("field order and code range"));
    };
    let (Ok(start), Ok(source)) = (Timecode::parse_for(&start, counted_in), source) else {
        return Ok(Err("start and source"));
    };
    let setup: f64 = row.get("setup_ire")?;
    let field_seconds: f64 = row.get("field_seconds")?;
    let sample_rate: Option<f64> = row.get("sample_rate_hz")?;
    if !(-100.0..=100.0).contains(&setup) {
        return Ok(Err("set-up"));
    }
    if !FIELD_SECONDS.contains(&field_seconds) {
        return Ok(Err("field period"));
    }
    if sample_rate.is_some_and(|rate| !SAMPLE_RATES_HZ.contains(&rate)) {
        return Ok(Err("sample rate"));
    }
    Ok(Ok(PassHead {
        program: row.get("program")?,
        started_at: row.get("started_at")?,
        tape: text("tape")?,
        chain: text("chain")?,
        player: text("player")?,
        pass_box: text("box")?,
        speed: text("speed")?.as_deref().and_then(of_word),
        settings,
        source: SourceDescription { controls, ..source },
        standard: text("standard")?.as_deref().and_then(of_word),
        field_order,
        range,
        setup: Ire(setup),
        field_period: Seconds(field_seconds),
        sample_rate: sample_rate.map(Hertz),
        start,
        limits: row.get("limits")?,
        keep_lines: row.get("lines_kept")?,
    }))
}
