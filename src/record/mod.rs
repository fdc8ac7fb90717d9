//! What is kept: recent readings in memory ([`Live`]), and the pass file.
//!
//! In: readings and event changes. Out: [`Live`] for a dashboard, a pass file, and `Pass` read back from one.
//!
//! Does not know: how anything is drawn or exported, or which measures exist.

pub use live::Live;
pub use row::Row;

pub mod live;

mod row;
