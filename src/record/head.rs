//! What a pass is of, as far as it is known when it begins.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::error::RecordError;
use crate::alarms::{PassClock, Span, WhyEnded};
use crate::sources::{FieldOrder, SourceDescription};
use crate::standard::Standard;
use crate::timecode::{FieldIndex, Timecode};
use crate::units::{CodeRange, Hertz, Ire, Seconds};

/// Speed a tape was recorded at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TapeSpeed {
    /// Standard play.
    Sp,
    /// Long play.
    Lp,
    /// Extended play.
    Ep,
}

/// What a pass is of.
#[derive(Clone, Debug, PartialEq)]
pub struct PassHead {
    /// Version of the program that records.
    pub program: String,
    /// Wall clock at the start, RFC 3339; for people, never for arithmetic.
    pub started_at: String,
    /// The tape, as the operator calls it.
    pub tape: Option<String>,
    /// The chain, as the operator calls it.
    pub chain: Option<String>,
    /// The player.
    pub player: Option<String>,
    /// The pass-through box.
    pub pass_box: Option<String>,
    /// Speed of the recording on the tape.
    pub speed: Option<TapeSpeed>,
    /// Box and device settings as the operator found them: name and value.
    pub settings: Vec<(String, String)>,
    /// The source in its own words, with the controls found on the device.
    pub source: SourceDescription,
    /// Scanning standard; `None` for rasters of neither.
    pub standard: Option<Standard>,
    /// Order of the fields.
    pub field_order: FieldOrder,
    /// Black and peak codes.
    pub range: CodeRange,
    /// Set-up the tape carries.
    pub setup: Ire,
    /// Time one field takes.
    pub field_period: Seconds,
    /// Luma sample rate, where the raster has one.
    pub sample_rate: Option<Hertz>,
    /// Label of frame 0.
    pub start: Timecode,
    /// Alarm limits in force, as TOML.
    pub limits: String,
    /// Whether every line's timing is stored.
    pub keep_lines: bool,
}

impl PassHead {
    /// Labels the frames of the pass.
    #[must_use]
    pub fn clock(&self) -> PassClock {
        PassClock { start: self.start }
    }
}

/// A stretch of what was recorded on the tape.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProgrammeSpan {
    /// First field.
    #[serde(rename = "start_field")]
    pub start: FieldIndex,
    /// Last field; `None` while it goes on.
    #[serde(rename = "end_field")]
    pub end: Option<FieldIndex>,
    /// Why it ended; `None` while it goes on.
    pub why_ended: Option<WhyEnded>,
}

/// From which field on fields stand at which frame of what was handed on to a recorder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandedOn {
    /// First field.
    pub start: FieldIndex,
    /// The frame it is in, counted from 0 in what was handed on; `None`: it was not handed on.
    pub tee_frame: Option<u64>,
}

/// The frame a field is in, by all the turns of a pass in their order.
///
/// Before the first turn, frames are those of the pass.
#[must_use]
pub fn tee_frame(turns: &[HandedOn], field: FieldIndex) -> Option<u64> {
    let after = turns.partition_point(|turn| turn.start <= field);
    let Some(turn) = after.checked_sub(1).map(|at| turns[at]) else {
        return Some(field.frame().0);
    };
    Some(turn.tee_frame? + (field.frame().0 - turn.start.frame().0))
}

/// Where a row stands in what was handed on; absent where it was not handed on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FilePlace {
    /// Its frame, counted from 0.
    pub tee_frame: Option<u64>,
    /// That frame's time in a file of it.
    pub file_seconds: Option<f64>,
}

/// Where a field stands in what was handed on, by all the turns of a pass in their order.
#[must_use]
pub fn file_place(turns: &[HandedOn], field: FieldIndex, field_period: Seconds) -> FilePlace {
    let tee_frame = tee_frame(turns, field);
    FilePlace {
        tee_frame,
        file_seconds: tee_frame.map(|frame| (field_period * 2.0).0 * frame as f64),
    }
}

impl From<&Span> for ProgrammeSpan {
    fn from(span: &Span) -> Self {
        Self {
            start: span.start.field,
            end: span.end.map(|end| end.field),
            why_ended: span.why_ended,
        }
    }
}

/// Where a pass is recorded when the operator does not say: a dated name in the user's data directory, which is made.
///
/// A second pass of the same second gets a number behind its name.
///
/// # Errors
/// Without a home directory, or when the directory cannot be made.
pub fn default_path(now: &jiff::ZonedDateTime) -> Result<PathBuf, RecordError> {
    Ok(free_path(&passes_directory()?, now))
}

/// The directory of passes that the operator gives no name, which is made.
///
/// # Errors
/// Without a home directory, or when the directory cannot be made.
pub fn passes_directory() -> Result<PathBuf, RecordError> {
    let project = directories::ProjectDirs::from("", "", "trueline");
    let directory = project
        .ok_or(RecordError::NoDataDirectory)?
        .data_dir()
        .join("passes");
    std::fs::create_dir_all(&directory).map_err(|source| RecordError::Io {
        doing: "keep the pass (--record FILE names another place, --no-record goes without): making the directory",
        path: directory.clone(),
        source,
    })?;
    Ok(directory)
}

/// The first dated name in a directory that is not taken.
fn free_path(directory: &Path, now: &jiff::ZonedDateTime) -> PathBuf {
    let stem = now.strftime("%Y-%m-%d_%H-%M-%S").to_string();
    let numbered = (2_u32..).map(|number| format!("{stem}_{number}.pass"));
    std::iter::once(format!("{stem}.pass"))
        .chain(numbered)
        .map(|name| directory.join(name))
        .find(|path| !path.exists())
        .expect("four thousand million passes do not begin in one second")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_pass_of_the_same_second_gets_another_name() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let now: jiff::ZonedDateTime = "2026-03-01T19:04:05+00:00[UTC]".parse().expect("a date");
        let first = free_path(directory.path(), &now);
        assert_eq!(
            first.file_name().expect("a name"),
            "2026-03-01_19-04-05.pass"
        );
        std::fs::write(&first, "").expect("a file");
        let second = free_path(directory.path(), &now);
        assert_eq!(
            second.file_name().expect("a name"),
            "2026-03-01_19-04-05_2.pass"
        );
    }
}
