//! Shared mathematics: pure functions over slices, no state of their own.
//!
//! Does not know: fields, units or quantities.

pub mod codes;
pub mod edge;
mod edge_shape;
pub mod fit;
pub mod gappy;
pub mod normal;
pub mod robust;
pub mod running;
pub mod smoother;
pub mod spline;
pub mod windowed;
