//! What is kept: recent readings in memory (`Live`), and the pass file.
//!
//! In: readings and event changes. Out: `Live` for a dashboard, a pass file by [`create`], and a [`Pass`] read back
//! from one.
//!
//! Does not know: how anything is drawn or exported, or which measures exist.

pub use error::RecordError;
pub use exhibit::{Exhibit, Keeper, View};
pub(crate) use exhibit::{JpegScale, jpeg};
pub use finished::{Finished, MINUTE, Minute, MinuteWords, Overview};
pub use head::{
    FilePlace, HandedOn, PassHead, ProgrammeSpan, TapeSpeed, default_path, file_place,
    passes_directory, tee_frame,
};
pub use input::InputWords;
pub use interrupted::{Interrupted, put_directory_in_order, put_in_order};
pub use live::Live;
pub use open::upgrade;
pub use printed::FieldPrint;
pub use reader::{FieldLines, Lines, Pass, PerSecond, Prints, Rows, StorageGap};
pub use readiness::{Readiness, Word as ReadinessWord};
pub use row::Row;
pub use scanned::Scanned;
pub(crate) use schema::word_of;
pub use schema::{APPLICATION_ID, Catalogue, FILE_VERSION, full_catalogue};
pub use sections::{Section, Sections};
pub use shown::worst_exhibits;
pub use statistics::{Figures, Statistics, Worst};
pub use store::{Closed, Closing};
pub use stretches::{TestStretch, test_stretches};
pub use summary::{PassFacts, Summary};
pub use timeline::{Band, Spread, Timeline};
pub(crate) use verdict::percent;
pub use verdict::{
    Evidence, Groups, Judgement, NotJudged, Reason, Remedy, Verdict, is_judged, judge,
};
pub use writer::{
    PassSender, QUEUE_FIELDS, SLOW, Trouble, WhenFull, Writer, WriterState, WriterWatch, create,
};

pub mod advice;
pub mod again;
pub mod baseline;
pub mod effect;
mod error;
mod exhibit;
pub mod finder;
mod finished;
mod head;
mod input;
mod interrupted;
pub mod live;
pub mod marks;
mod open;
mod packed;
#[cfg(test)]
pub(crate) mod played;
mod printed;
mod reader;
mod readiness;
mod rollup;
mod row;
mod scale;
mod scanned;
mod schema;
pub mod sections;
mod shown;
mod statistics;
mod store;
mod stretches;
mod summary;
#[cfg(test)]
pub(crate) mod testing;
mod timeline;
mod verdict;
#[cfg(test)]
mod whole;
mod writer;
