//! What people and programs are shown: text, tables, screens. Draws what it is given; computes nothing.

pub mod sources;
