//! A capture being read again: its fields by their numbers.
//!
//! In: a finished pass. Out: fields of the file it was scanned from, split as they were then. Files are read on and on, never back.
//!
//! Does not know: which fields are asked for, or what is made of them.

use std::path::{Path, PathBuf};

use crate::fields::{Field, History, Splitter};
use crate::record::{Pass, PassHead};
use crate::sources::tape::Pace;
use crate::sources::{self, Place, Source, StandardWish, Wishes};

use super::super::error::CompareError;

/// A field, and the one of its parity a frame before where nothing was lost between.
pub(super) struct Taken {
    pub(super) field: Field,
    pub(super) before: Option<Field>,
}

/// A capture being read.
pub(super) struct Capture {
    source: Box<dyn Source>,
    splitter: Splitter,
    history: History,
    /// Fields of the frame last read that were not passed over, oldest first.
    read: Vec<Taken>,
    /// Number of the last field read.
    reached: Option<u64>,
    over: bool,
}

impl Capture {
    /// Opens the file a pass was scanned from, as it was read then.
    pub(super) fn open(pass: &Pass) -> Result<Self, CompareError> {
        let head = pass.head();
        let path = file_of(pass).ok_or_else(|| CompareError::NoPictures {
            pass: pass.path().to_owned(),
            origin: head.source.name.clone(),
        })?;
        let source = sources::open(
            &Place::File(path),
            &wishes(head),
            Pace::Free { frames: None },
        )
        .map_err(CompareError::Capture)?;
        Ok(Self {
            source,
            splitter: Splitter::new(),
            history: History::default(),
            read: Vec::new(),
            reached: None,
            over: false,
        })
    }

    /// A field by its number; numbers must rise. `None` of one that is not in the file.
    pub(super) fn field(&mut self, wanted: u64) -> Result<Option<&Taken>, CompareError> {
        while !self.over && self.reached.is_none_or(|reached| reached < wanted) {
            self.read_frame(wanted)?;
        }
        let mut read = self.read.iter();
        Ok(read.find(|taken| taken.field.place.field.0 == wanted))
    }

    fn read_frame(&mut self, wanted: u64) -> Result<(), CompareError> {
        let Some(frame) = self.source.next_frame().map_err(CompareError::Capture)? else {
            self.over = true;
            return Ok(());
        };
        self.read.clear();
        let Self {
            splitter,
            history,
            read,
            reached,
            ..
        } = self;
        splitter.split(&frame, history, |history| {
            let Some(around) = history.neighbourhood() else {
                return;
            };
            let number = around.field.place.field.0;
            let before = around
                .same_parity()
                .filter(|before| before.place.field.0 + 2 == number);
            *reached = Some(number);
            // What lies before is passed over without a copy.
            if number >= wanted {
                read.push(Taken {
                    field: around.field.clone(),
                    before: before.cloned(),
                });
            }
        });
        Ok(())
    }
}

/// The file a pass was scanned from: where it was, or beside the pass.
fn file_of(pass: &Pass) -> Option<PathBuf> {
    let source = &pass.head().source;
    if source.live {
        return None;
    }
    let named = Path::new(&source.name);
    let beside = pass.path().parent()?.join(named.file_name()?);
    [named.to_owned(), beside]
        .into_iter()
        .find(|path| path.is_file())
}

/// To read a file as it was read for the pass.
fn wishes(head: &PassHead) -> Wishes {
    Wishes {
        standard: head.standard.map(StandardWish::Lines),
        field_order: Some(head.field_order),
        range: Some(head.range),
        sample_rate: head.sample_rate,
        ..Wishes::default()
    }
}
