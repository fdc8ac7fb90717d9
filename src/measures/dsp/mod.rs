//! Shared mathematics: pure functions over slices, no state of their own.
//!
//! Does not know: fields, units or quantities.

pub mod codes;
pub mod edge;
pub mod fit;
pub mod normal;
pub mod robust;
pub mod running;
pub mod smoother;
