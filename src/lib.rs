//! A live signal monitor for the digitising of analogue videotape.

pub mod alarms;
pub mod fields;
pub mod limits;
pub mod measures;
pub mod record;
pub mod sources;
pub mod standard;
pub mod timecode;
pub mod units;
pub mod views;
