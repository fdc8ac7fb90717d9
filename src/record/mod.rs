//! What is kept: recent readings in memory ([`Live`]), and the pass file.
//!
//! In: readings and event changes. Out: [`Live`] for a dashboard, a pass file, and `Pass` read back from one.
//!
//! Does not know: how anything is drawn or exported, or which measures exist.

pub use row::Row;
pub use statistics::{Figures, Statistics, Worst};
pub use summary::{PassFacts, Summary, SummarySpan};
pub use verdict::{Evidence, Groups, Judgement, NotJudged, Verdict, judge};

#[cfg(test)]
pub(crate) mod played;
mod row;
mod statistics;
mod summary;
mod verdict;
