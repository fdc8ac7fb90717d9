//! A live signal monitor for the digitising of analogue videotape.
//!
//! A capture device (or a file, or a simulated tape) hands on frames; they are taken apart into fields; each field is
//! measured; what crosses a limit becomes an event; readings and events go into a pass file, onto a dashboard, or to stdout.
//!
//! ```text
//!  cli ── Job ──> app                                 (flags end at cli; app alone starts threads and makes channels)
//!
//!  sources ── Frame ──> fields ── Field ──> measures ── Readings ──> alarms ── Event ──> record ── Live, Pass ──> views
//!                                                                                          └─ Pass ─> compare ── Comparison ──┘
//!  [capture thread] ──> [analysis thread ───────────────────────────────────────] ──> [writer thread] [main thread]
//! ```
//!
//! Modules are declared below in the order data flows; each imports only those before it, and the foundations (shared, text, units,
//! standards, timecode, limits) import only each other. `tests/architecture.rs` holds that.
//!
//! # Glossary
//!
//! | word | meaning here |
//! |---|---|
//! | tape, player, box, chain | what is played, on what, through which line-straightening box; all three and the capture device |
//! | pass | one playing of one tape through one chain, kept in one file |
//! | programme | what was recorded on the tape, without leader, snow, inserted pictures and the end |
//! | frame | one whole picture of a source, as delivered |
//! | field | every other line of a frame, taken at one instant; 59.94 or 50 a second |
//! | parity | which lines: `top` has the frame's first row, `bottom` the second |
//! | line | one row of a field |
//! | sample | one luma sample of the source's raster; 74 ns at 13.5 MHz |
//! | line timing | how far each line is displaced; + is late, moved right |
//! | jitter, waving | the rough and the smooth part of it |
//! | flagging | the bend at the top of the picture |
//! | head switch | where the other head takes over, a few lines above the bottom |
//! | border | the blanking seen beside the picture: the tape's own, or put there anew by a box |
//! | basis | what the timing was read from |
//! | set-up | black above blanking, 7.5 IRE in most 525-line chains |
//! | standing | of an event: it has lasted so long that it is a condition, announced once |

mod shared;

pub mod text;

pub mod units;

pub mod standard;

pub mod timecode;

pub mod limits;

pub mod sources;

pub mod fields;

pub mod measures;

pub mod alarms;

pub mod record;

pub mod compare;

pub mod views;

pub mod cli;

pub mod app;
