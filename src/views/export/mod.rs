//! A pass for other programs: as tables, as cues beside a video, as chapters.
//!
//! In: a [`Pass`]. Out: CSV with a line of names, JSON lines with the names in each, or Parquet; row by row, so that six
//! hours need no more memory than a minute. What is absent is an empty CSV field, a JSON `null` and a Parquet NULL. Numbers
//! have the decimals that their step warrants. Timecode labels are made here. Events also as `WebVTT` and as chapters.
//!
//! Does not know: how a pass is stored.

use std::fs::{self, File};
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};

use crate::record::{Pass, RecordError};
use crate::standard::Standard;
use crate::timecode::FieldIndex;

use super::beside::{Beside, is_stream, refuse_planted};
use table::Table;

mod chapters;
mod events;
mod fields;
mod handed_on;
mod lines;
mod parquet;
mod spans;
mod table;
mod timeline;
mod webvtt;

/// Decimals of times: they are kept in microseconds.
const TIME_DECIMALS: usize = 6;

/// Which table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// One row an event.
    Events,
    /// One row a field, one column a quantity.
    Fields,
    /// One row a line with a usable timing.
    Lines,
    /// One row a span of programme or stretch to play again.
    Spans,
}

/// How a table is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values, UTF-8, a line of names first.
    Csv,
    /// One JSON object a line.
    Jsonl,
    /// Apache Parquet.
    Parquet,
}

/// What is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Document {
    /// A table.
    Table(What, Format),
    /// Events as cues of `WebVTT`.
    Cues,
    /// The pass as chapters in the metadata format of `FFmpeg`.
    Chapters,
}

/// Where a document goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Destination {
    /// Standard output; a reader that stops early is no error.
    Stdout,
    /// A file, which appears whole or not at all.
    File(PathBuf),
}

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The pass could not be read.
    #[error(transparent)]
    Pass(#[from] RecordError),
    /// The document would replace the pass it comes from.
    #[error(
        "cannot write the export to '{0}': that is the pass itself; give the export a name of its own"
    )]
    OntoPass(PathBuf),
    /// The document could not be written.
    #[error("cannot write the export to {to}")]
    Write {
        /// Where to.
        to: String,
        /// Why.
        source: io::Error,
    },
}

/// Writes a pass as a document.
///
/// # Errors
/// When the pass cannot be read or has no such table, or the document cannot be written.
pub fn export<const N: usize>(
    pass: &Pass<N>,
    document: Document,
    destination: &Destination,
) -> Result<(), ExportError> {
    if matches!(document, Document::Table(What::Lines, _)) {
        // A pass without them is refused before a header is written.
        pass.lines(FieldIndex(0)..FieldIndex(0))
            .map_err(ExportError::Pass)?;
    }
    match destination {
        Destination::Stdout => {
            let out = BufWriter::new(super::stdout());
            until_reader_stops(write(pass, document, out))
                .map_err(|failure| failure.to("standard output"))
        }
        Destination::File(path) if same_file(path, pass.path()) => {
            Err(ExportError::OntoPass(path.clone()))
        }
        Destination::File(path) => write_file(path, |out| write(pass, document, out))
            .map_err(|failure| failure.to(&format!("'{}'", path.display()))),
    }
}

/// Whether two paths lead to one file that exists.
fn same_file(a: &Path, b: &Path) -> bool {
    let real = |path| fs::canonicalize(path).ok();
    real(a).is_some_and(|a| real(b) == Some(a))
}

/// What went wrong, before it is known where the table was going.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error(transparent)]
    Pass(#[from] RecordError),
    #[error(transparent)]
    Write(#[from] io::Error),
}

impl Failure {
    fn to(self, to: &str) -> ExportError {
        match self {
            Self::Pass(error) => ExportError::Pass(error),
            Self::Write(source) => ExportError::Write {
                to: to.to_owned(),
                source,
            },
        }
    }
}

/// Writes a document to anything.
fn write<const N: usize>(
    pass: &Pass<N>,
    document: Document,
    out: impl Write + Send,
) -> Result<(), Failure> {
    let (what, format) = match document {
        Document::Table(what, format) => (what, format),
        Document::Cues => return webvtt::write(pass, out),
        Document::Chapters => return chapters::write(pass, out),
    };
    let places = handed_on::Places::of(pass)?;
    let columns = match what {
        What::Events => events::columns(&places),
        What::Fields => fields::columns(pass, &places),
        What::Lines => lines::columns().to_vec(),
        What::Spans => spans::columns(&places),
    };
    let table = Table::new(format, &columns, about(pass), out)?;
    match what {
        What::Events => events::write(pass, &places, table),
        What::Fields => fields::write(pass, &places, table),
        What::Lines => lines::write(pass, table),
        What::Spans => spans::write(pass, &places, table),
    }
}

/// What a file with room for it says of the pass it was made of.
fn about<const N: usize>(pass: &Pass<N>) -> Vec<(String, String)> {
    let head = pass.head();
    let of_pass = serde_json::json!({
        "source": head.source.name,
        "tape": head.tape,
        "chain": head.chain,
        "player": head.player,
        "box": head.pass_box,
        "standard": head.standard.map(Standard::word),
        "started_at": head.started_at,
        "version": head.program,
    });
    let version = env!("CARGO_PKG_VERSION").to_owned();
    vec![
        ("trueline.version".to_owned(), version),
        ("trueline.pass".to_owned(), of_pass.to_string()),
    ]
}

/// `head` and its like stop reading when they have enough: that ends the export, and well.
fn until_reader_stops(written: Result<(), Failure>) -> Result<(), Failure> {
    match written {
        Err(Failure::Write(error)) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Writes a file beside its place and moves it there when it is whole.
///
/// What is there and no ordinary file (a pipe, `/dev/null`) is written to as it is.
fn write_file(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<&File>) -> Result<(), Failure>,
) -> Result<(), Failure> {
    if is_stream(path) {
        refuse_planted(path)?;
        let file = File::options().write(true).open(path)?;
        return until_reader_stops(filled(&file, fill));
    }
    let beside = Beside::create(path)?;
    filled(beside.file(), fill)?;
    Ok(beside.put_in_place()?)
}

fn filled(
    file: &File,
    fill: impl FnOnce(&mut BufWriter<&File>) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let mut out = BufWriter::new(file);
    fill(&mut out)?;
    Ok(out.flush()?)
}

#[cfg(test)]
mod tests;
