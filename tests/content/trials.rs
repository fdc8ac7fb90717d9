//! The score itself.
