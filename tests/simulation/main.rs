//! Measures against the truth of the simulated tape.
//!
//! The tape tells what it injected; no measure sees that. Tolerances are stated with each check, in units and with their
//! reason.

mod alarm;
mod line_timing;
mod linearity;
mod onset;
