//! See `pass` in `tests/hostile/bodies.rs`.
#![no_main]

use std::sync::LazyLock;

#[path = "../../hostile/base.rs"]
mod base;
#[path = "../../hostile/bodies.rs"]
#[allow(dead_code, reason = "each target uses one body")]
mod bodies;

/// The pass that is tampered with, recorded once a process.
static BASE: LazyLock<Vec<u8>> = LazyLock::new(base::base_pass);

libfuzzer_sys::fuzz_target!(|data: &[u8]| bodies::pass(&BASE, data));
