//! Text, screens and files made of what the stages before have found.
//!
//! Does not know: how anything is measured or judged.

pub mod dashboard;
