//! The built binary in a directory of its own: sources in; pass, tables, messages and exit codes out.

mod against;
mod bad_input;
mod bars;
mod batch;
mod browser;
mod chain;
mod checking;
mod compare;
mod exhibits;
mod exports;
mod hostile;
mod learning;
mod passes;
mod report;
mod review;
mod scenes;
mod several;
mod starts;
mod tee;
mod terminal;
mod world;
