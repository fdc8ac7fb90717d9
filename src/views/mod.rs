//! What people and other programs see: everything here draws or prints what it is given and computes nothing.
//!
//! Does not know: how anything is measured or judged.

use std::io::{self, IsTerminal, Write};

use crate::text::Fit;

pub(crate) mod beside;

pub mod comparison;

pub mod console;

pub mod dashboard;

pub mod explain;

pub mod export;

pub mod learned;

pub mod report;

pub mod sources;

pub mod tape_file;

pub mod y4m;

/// Standard output: for a program as it is, for a terminal without what could act on it.
pub(crate) fn stdout() -> Box<dyn Write + Send> {
    let out = io::stdout();
    if out.is_terminal() {
        Box::new(Fit::new(out))
    } else {
        Box::new(out)
    }
}
