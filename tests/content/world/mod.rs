//! Fields whose displacements are known: pictures, cameras, jitter, noise, and the score of what an estimator says of them.
//!
//! Shares no code with the estimator or the simulated tape: pictures are sampled by a windowed sinc, lines displaced by a
//! phase ramp over their spectrum. Used by the tests in `tests/content` and by `benches/content`.
#![allow(
    dead_code,
    unreachable_pub,
    reason = "each of the programs that share this uses its own part"
)]

pub mod camera;
pub mod dice;
pub mod jitter;
pub mod picture;
pub mod render;
pub mod rows;
pub mod score;
