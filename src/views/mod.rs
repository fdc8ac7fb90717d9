//! What a user sees or takes away: each view draws what it is given.
//!
//! Does not know: how anything was measured.

pub mod tape_file;
pub mod y4m;
