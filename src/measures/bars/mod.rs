//! Colour bars: whether the picture is one of the usual test patterns, which, and how far off each bar is.
//!
//! In: a field and the state of its sync. Out: a [`Reading`]: the kind of bars, and the error of each bar in luma, in saturation
//! and in hue against BT.601 bars of 75 or 100 %. Hue is the angle on the composite axes U and V (SMPTE 170M Annex A), + is
//! counter-clockwise, from blue over red to green. Saturation is compared as it is, without allowing for the luma gain.
//!
//! A field is bars when the middles of seven or eight equal columns are flat, white comes first, luma falls from each bar to
//! the next, and the six colours lie in their order around the plane, all turned by much the same angle and stretched by much
//! the same factor. No picture does all of that.
//!
//! Only the middle third of a column is read, over 40 % of the height and more, so a capture window that stands ten samples
//! elsewhere and chroma that smears for a microsecond make no error. Standard errors come from how the lines differ.
//!
//! Does not know: limits, or which bar was meant to be right.

use crate::fields::{Field, Neighbourhood};
use crate::units::{Degrees, Estimate, Ire, Percent};

use super::Measure;
use super::sync::State;
use patch::{Patch, Zone};

pub use pattern::{COLOURS, Kind};
pub use quantities::QUANTITIES;

mod patch;
mod pattern;
mod quantities;
#[cfg(test)]
mod tests;

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// What sync says of it.
    pub state: State,
}

/// Colour bars of one field.
#[derive(Clone, Copy, Debug, Default)]
pub struct Reading {
    /// What was found; `None` where the picture shows something else.
    pub found: Option<Found>,
}

/// Bars that were recognised.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Which bars.
    pub kind: Kind,
    /// Error of the white bar's luma, against its own nominal level.
    pub white: Estimate<Ire>,
    /// Error of the black bar's luma; `None` where there is no black column.
    pub black: Option<Estimate<Ire>>,
    /// Errors of yellow, cyan, green, magenta, red and blue ([`COLOURS`]).
    pub bars: [Bar; 6],
}

/// Errors of one bar.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bar {
    /// Luma.
    pub luma: Estimate<Ire>,
    /// Chroma magnitude over its nominal one.
    pub saturation: Estimate<Percent>,
    /// Hue.
    pub hue: Estimate<Degrees>,
}

impl Found {
    /// The luma error of largest size.
    #[must_use]
    pub fn worst_luma(&self) -> Estimate<Ire> {
        let bars = self.bars.iter().map(|bar| bar.luma);
        bars.chain(self.black).fold(self.white, |worst, luma| {
            if luma.value.0.abs() > worst.value.0.abs() {
                luma
            } else {
                worst
            }
        })
    }

    /// Mean saturation error.
    #[must_use]
    pub fn saturation(&self) -> Estimate<Percent> {
        let (value, sigma) = mean(
            self.bars
                .map(|bar| (bar.saturation.value.0, bar.saturation.sigma.0)),
        );
        Estimate::new(
            Percent(value),
            Percent(sigma),
            self.bars[0].saturation.support,
        )
    }

    /// Mean hue error.
    #[must_use]
    pub fn hue(&self) -> Estimate<Degrees> {
        let (value, sigma) = mean(self.bars.map(|bar| (bar.hue.value.0, bar.hue.sigma.0)));
        Estimate::new(Degrees(value), Degrees(sigma), self.bars[0].hue.support)
    }
}

/// Mean of independent estimates, and its standard error.
fn mean(estimates: [(f64, f64); 6]) -> (f64, f64) {
    let sum: f64 = estimates.iter().map(|(value, _)| value).sum();
    let squares: f64 = estimates.iter().map(|(_, sigma)| sigma * sigma).sum();
    (sum / 6.0, squares.sqrt() / 6.0)
}

/// Most columns bars have.
const MOST_COLUMNS: usize = 8;

/// Columns of bars with and without a black one.
const COLUMNS: [usize; 2] = [8, 7];

/// Rows read first, as shares of the height: pictures that are no bars are done with after them.
const GLANCE: Zone = Zone {
    from: 0.3,
    to: 0.32,
};

/// Rows that all bars fill: clear of half lines above and of the lower zones of split bars, which begin at two thirds.
const UPPER: Zone = Zone {
    from: 0.08,
    to: 0.58,
};

/// Rows that bars of the full field fill as well, clear of the head switch; split bars have their black row there.
const LOWER: Zone = Zone {
    from: 0.8,
    to: 0.93,
};

/// The measure. It keeps nothing: bars are known from a single field.
#[derive(Debug, Default)]
pub struct Bars;

impl Measure for Bars {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        let readable = matches!(input.state, State::Locked | State::Unstable);
        let field = input.around.field;
        let found = (readable && patch::is_readable(field))
            .then(|| COLUMNS.into_iter().find_map(|columns| find(field, columns)))
            .flatten();
        Reading { found }
    }
}

fn find(field: &Field, columns: usize) -> Option<Found> {
    let mut patches = [Patch::default(); MOST_COLUMNS];
    let patches = &mut patches[..columns];
    patch::read(field, GLANCE, patches);
    pattern::recognise(patches)?;
    patch::read(field, UPPER, patches);
    let upper = pattern::recognise(patches)?;
    let errors = pattern::errors(patches, upper);
    patch::read(field, LOWER, patches);
    let whole = pattern::recognise(patches) == Some(upper);
    Some(Found {
        kind: Kind::of(upper.amplitude, whole),
        ..errors
    })
}
