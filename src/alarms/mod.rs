//! Events out of readings: opened, worsened, standing, closed.
//!
//! In: [`crate::measures::Readings`], field by field. Out: [`Change`]s of [`Event`]s, and [`Programme`] spans.
//!
//! Does not know: measures (only quantities), files, screens.

pub use event::{Change, Event, EventId, PassClock};

mod event;
