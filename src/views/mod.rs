//! What people and other programs see: everything here draws or prints what it is given and computes nothing.
//!
//! Does not know: how anything is measured or judged.

mod beside;

pub mod comparison;

pub mod console;

pub mod dashboard;

pub mod explain;

pub mod export;

pub mod learned;

pub mod report;

pub mod sources;

pub mod tape_file;

pub mod y4m;
