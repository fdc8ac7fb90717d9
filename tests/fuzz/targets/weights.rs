//! See `weights` in `tests/hostile/bodies.rs`.
#![no_main]

#[path = "../../hostile/bodies.rs"]
#[allow(dead_code, reason = "each target uses one body")]
mod bodies;

libfuzzer_sys::fuzz_target!(|data: &[u8]| bodies::weights(data));
