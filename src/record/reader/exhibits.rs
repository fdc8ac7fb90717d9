//! Pictures of events out of what a file stores.
//!
//! Does not know: which are wanted.

use super::stored::read_place;
use crate::alarms::EventId;
use crate::record::exhibit::{Exhibit, View};
use crate::record::packed;

/// Bytes of a picture that are read: ours are a fiftieth of it.
const MOST_BYTES: usize = 1 << 20;

/// How a JPEG begins (ITU-T T.81 annex B: start of image, then a marker).
const JPEG_START: [u8; 3] = [0xff, 0xd8, 0xff];

/// Pictures of one event.
pub(super) const SELECT_EXHIBITS: &str = "SELECT field, parity, micros, view, width, rows, jpeg, packed
     FROM exhibits WHERE event = ?1 AND length(jpeg) <= 1048576 AND coalesce(length(packed), 0) <= 1048576
     ORDER BY view";

/// A row of what [`SELECT_EXHIBITS`] selects; `None` where it contradicts itself.
pub(super) fn read_exhibit(
    row: &rusqlite::Row<'_>,
    event: EventId,
) -> rusqlite::Result<Option<Exhibit>> {
    let place = read_place(row, 0)?;
    let (view, width, rows): (i64, i64, i64) = (row.get(3)?, row.get(4)?, row.get(5)?);
    let jpeg: Vec<u8> = row.get(6)?;
    let lines: Option<Vec<u8>> = row.get(7)?;
    let size = |length: i64| u16::try_from(length).ok().filter(|&length| length > 0);
    let sound = jpeg.starts_with(&JPEG_START)
        && jpeg.len() <= MOST_BYTES
        && lines
            .as_deref()
            .is_none_or(|lines| packed::unpack(lines).is_some());
    let whole = View::of_code(view)
        .zip(size(width))
        .zip(size(rows))
        .filter(|_| sound);
    Ok(whole.map(|((view, width), rows)| Exhibit {
        event,
        view,
        place,
        size: (usize::from(width), usize::from(rows)),
        jpeg,
        lines: lines.unwrap_or_default(),
    }))
}
