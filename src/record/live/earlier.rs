//! What is said of a tape against an earlier pass of it, while it plays.
//!
//! In: whatever found the place, by [`Live::set_earlier`](super::Live::set_earlier). Out: the same, for a screen.
//!
//! Does not know: how a place is found, or what is made of the readings of two passes.

use crate::timecode::{FieldIndex, Timecode};

use super::reference::{Difference, Held};
use super::trend::{SHOWN, Shown};

/// An earlier pass, where on it the tape stands, and what differs there.
#[derive(Clone, Debug, PartialEq)]
pub struct Earlier {
    /// The pass, as the operator knows it.
    pub name: String,
    /// Where on it the tape stands.
    pub whereabouts: Whereabouts,
    /// What the shown quantities differ by, in the order of [`Shown::ALL`].
    pub differences: [Option<Difference>; SHOWN],
    /// What this chain makes of levels and colours of the other.
    pub chain: Vec<ChainDifference>,
}

/// Where on an earlier pass the tape stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Whereabouts {
    /// The pass is being read.
    Reading,
    /// The place is looked for.
    Sought(Wanting),
    /// It was looked for over a whole minute of the tape, and is still.
    Missing(Wanting),
    /// Here.
    At {
        /// A field of this pass.
        field: FieldIndex,
        /// The frame that it is in on the earlier pass.
        timecode: Timecode,
        /// Whether something moved lately by which the place is told.
        certain: bool,
    },
    /// The pass cannot be read any further, and why.
    Unreadable(String),
}

/// What is wanting to tell the place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanting {
    /// A few seconds more of the tape.
    Time,
    /// Something that moves.
    Motion,
    /// Something that is on the tape once only.
    Difference,
    /// Anything that is on the earlier pass.
    Likeness,
}

/// A relation of two chains.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChainDifference {
    /// What of.
    pub label: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// How far this chain stands from the other.
    pub difference: Held,
}

impl Wanting {
    /// In words, after the name of the pass.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Time => "a few seconds more are needed",
            Self::Motion => "the picture moves too little to tell",
            Self::Difference => "several places of it look alike",
            Self::Likeness => "nothing on it looks like this",
        }
    }
}

impl ChainDifference {
    /// `contrast -6.9 ±0.2 %`; the uncertainty is rounded up, for none is 0.
    #[must_use]
    pub fn words(&self) -> String {
        let Held { value, sigma } = self.difference;
        let sigma = (sigma * 10.0).ceil().max(1.0) / 10.0;
        format!("{} {value:+.1} ±{sigma:.1} {}", self.label, self.unit)
    }
}

impl Earlier {
    /// A pass of which nothing is known yet.
    #[must_use]
    pub fn new(name: String) -> Self {
        Self {
            name,
            whereabouts: Whereabouts::Reading,
            differences: [None; SHOWN],
            chain: Vec::new(),
        }
    }

    /// What a quantity differs by; `None` where that cannot be told.
    #[must_use]
    pub fn difference(&self, shown: Shown) -> Option<Difference> {
        self.differences[shown as usize]
    }
}
