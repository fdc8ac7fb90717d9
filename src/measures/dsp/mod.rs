//! Shared mathematics: pure functions over slices, no state of their own.
//!
//! Does not know: fields, units or quantities.

pub mod codes;
pub mod running;
