//! What a verdict looks at, whether it comes from statistics in progress or from a finished file.
//!
//! Does not know: the rules.

use crate::alarms::{Event, PassClock, Span, Unlisted};
use crate::fields::FieldPlace;
use crate::limits::{Kind, Limits};
use crate::record::{Statistics, Worst};
use crate::units::Hertz;

/// Figures over programme.
pub(crate) trait Figured {
    /// Fields of programme that arrived.
    fn programme_fields(&self) -> u64;
    /// Fields missing from the programme, as readings tell.
    fn lost_fields(&self) -> u64;
    /// The last field of what is judged, programme or not.
    fn last(&self) -> Option<FieldPlace>;
    /// Programme fields in which a quantity could be measured.
    fn measured(&self, id: &str) -> u64;
    /// Programme fields in which a quantity said a word.
    fn said(&self, id: &str, word: &str) -> u64;
    /// The middle value of a quantity.
    fn median(&self, id: &str) -> Option<f64>;
    /// The worst value of a quantity, where its place is known.
    fn worst(&self, id: &str) -> Option<Worst>;
}

impl Figured for Statistics {
    fn programme_fields(&self) -> u64 {
        self.programme_fields()
    }

    fn lost_fields(&self) -> u64 {
        self.lost_fields()
    }

    fn last(&self) -> Option<FieldPlace> {
        self.last()
    }

    fn measured(&self, id: &str) -> u64 {
        self.measured(id)
    }

    fn said(&self, id: &str, word: &str) -> u64 {
        self.said(id, word)
    }

    fn median(&self, id: &str) -> Option<f64> {
        self.median(id)
    }

    fn worst(&self, id: &str) -> Option<Worst> {
        self.worst(id)
    }
}

/// What a verdict rests on.
#[derive(Clone, Copy)]
pub(crate) struct Grounds<'a> {
    pub(crate) figures: &'a dyn Figured,
    pub(crate) spans: &'a [Span],
    pub(crate) events: &'a [Event],
    pub(crate) unlisted: &'a [Unlisted],
    /// Programme fields that were bad, by kind.
    pub(crate) covered: &'a dyn Fn(Kind) -> u64,
    pub(crate) limits: &'a Limits,
    pub(crate) clock: PassClock,
    pub(crate) sample_rate: Option<Hertz>,
}
