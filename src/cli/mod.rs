//! Flags as typed, and the checked job made of them.
//!
//! In: the command line. Out: a [`Job`], with every value parsed and every contradiction refused. Nothing below knows
//! about flags.

pub use args::Cli;
pub use job::{
    Attention, CompareJob, Dashboard, ExportJob, Gaps, Job, LimitsJob, OnHangup, Output, PassJob,
    RecordTo, ReportJob, ScanJob, ScanWhat, TapeJob, TeeJob, TeeTo, WatchJob,
};

mod args;
mod job;
