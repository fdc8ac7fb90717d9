//! Finished passes as one HTML page that needs nothing else: no network, no script, nothing beside it.
//!
//! In: what [`Finished`] says of each pass, and its head. Out: the page. Words and shapes are made here, their places stand in
//! the templates beside this file (`minijinja`, which escapes everything that is not marked as markup: names and notes are the
//! operator's and whoever's made the file; control characters are taken out of the whole page). Of one pass the page is that pass; of several it begins with an overview.
//!
//! Does not know: how anything is measured or judged.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use minijinja::{Environment, UndefinedBehavior};
use serde::Serialize;

use crate::alarms::EventId;
use crate::compare::Comparison;
use crate::record::{Exhibit, Finished, PassHead};
use crate::text;

use super::beside::{Beside, is_stream, refuse_planted};
use comparison::ComparedSheet;
use sheet::Sheet;

mod captures;
mod chart;
mod comparison;
mod facts;
mod moments;
mod pictures;
mod sheet;
mod tables;
mod words;

/// Templates by name; the name's ending makes everything in them escaped.
const TEMPLATES: [(&str, &str); 7] = [
    ("page.html", include_str!("page.html")),
    ("pass.html", include_str!("pass.html")),
    ("chart.html", include_str!("chart.html")),
    ("comparison.html", include_str!("comparison.html")),
    ("captures.html", include_str!("captures.html")),
    ("method.html", include_str!("method.html")),
    ("style.css.html", include_str!("style.css")),
];

/// A pass to report on.
#[derive(Debug)]
pub struct Reported {
    /// Its file.
    pub path: PathBuf,
    /// What it is of.
    pub head: PassHead,
    /// Wall clock at the end; `None` where recording was cut short.
    pub closed_at: Option<String>,
    /// What was measured of the device itself.
    pub found: Vec<(String, String)>,
    /// What is said of it.
    pub finished: Finished,
    /// Pictures of the events that matter most, in the order of time.
    pub pictures: Vec<(EventId, Vec<Exhibit>)>,
}

/// Events shown as pictures at most, of one pass: at 20 KB a picture, a third more as text and two for a loss, 1 MB of the page.
pub const MOST_PICTURED: usize = 24;

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The page would replace a pass.
    #[error(
        "cannot write the report to '{0}': that is the pass itself; give the report a name of its own"
    )]
    OntoPass(PathBuf),
    /// A directory instead of a file.
    #[error("cannot write the report to '{0}': it is a directory; name a file in it")]
    Directory(PathBuf),
    /// The file could not be written.
    #[error("cannot write the report to '{path}'")]
    Write {
        /// Where to.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

#[derive(Serialize)]
struct Page {
    title: String,
    passes: Vec<Sheet>,
    version: &'static str,
}

/// The page about these passes.
///
/// # Errors
/// A template asks for what is not there, which a test of each of them excludes.
pub fn page(passes: &[Reported]) -> Result<String, minijinja::Error> {
    let sheets = passes.iter().zip(1..);
    let sheets: Vec<Sheet> = sheets
        .map(|(pass, number)| Sheet::of(pass, number))
        .collect();
    let title = match sheets.as_slice() {
        [only] => only.name.clone(),
        several => format!("{} passes", several.len()),
    };
    let page = Page {
        title,
        passes: sheets,
        version: env!("CARGO_PKG_VERSION"),
    };
    filled("page.html", &page)
}

/// The page about passes beside each other.
///
/// # Errors
/// As of [`page`].
pub fn comparison_page(found: &Comparison) -> Result<String, minijinja::Error> {
    #[derive(Serialize)]
    struct Whole {
        page: ComparedSheet,
    }
    let page = ComparedSheet::of(found);
    filled("comparison.html", &Whole { page })
}

fn filled(name: &str, page: &impl Serialize) -> Result<String, minijinja::Error> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    let syntax = SyntaxConfig::builder()
        .trim_blocks(true)
        .lstrip_blocks(true)
        .build()?;
    environment.set_syntax(syntax);
    for (name, template) in TEMPLATES {
        environment.add_template(name, template)?;
    }
    let page = environment.get_template(name)?.render(Serde(page))?;
    // templates end without their last line break
    Ok(text::lines(&page).into_owned() + "\n")
}

/// Refuses a place for the page before anything is read.
///
/// # Errors
/// It is a directory or one of the passes.
pub fn check_place(place: &Path, passes: &[PathBuf]) -> Result<(), ReportError> {
    if place.is_dir() {
        return Err(ReportError::Directory(place.to_owned()));
    }
    let real = |path: &Path| fs::canonicalize(path).ok();
    let is_pass = |pass: &PathBuf| real(place).is_some_and(|place| real(pass) == Some(place));
    if passes.iter().any(is_pass) {
        return Err(ReportError::OntoPass(place.to_owned()));
    }
    Ok(())
}

/// Puts the page in its place, whole or not at all; what is there and no ordinary file is written to as it is.
///
/// # Errors
/// It cannot be written.
pub fn put(place: &Path, page: &str) -> Result<(), ReportError> {
    let written = if is_stream(place) {
        let file = refuse_planted(place).and_then(|()| File::options().write(true).open(place));
        file.and_then(|mut file| file.write_all(page.as_bytes()))
    } else {
        Beside::create(place).and_then(|beside| {
            beside.file().write_all(page.as_bytes())?;
            beside.put_in_place()
        })
    };
    match written {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|source| ReportError::Write {
            path: place.to_owned(),
            source,
        }),
    }
}

#[cfg(test)]
mod tests;
