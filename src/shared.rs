//! What threads share, by one name: `tests/models` compiles the modules that use it with the model checker's own in their place, which
//! tries every order that threads can come in.
//!
//! Does not know: who shares what.

pub(crate) use std::sync::Arc;
pub(crate) use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
