//! Luma levels. (Interface; the method follows.)

use crate::fields::Neighbourhood;
use crate::units::{Estimate, Ire, Percent};

use super::{Measure, Quantity};

/// Luma levels of one field.
#[derive(Clone, Debug)]
pub struct Reading {
    /// 0.5th percentile of low-passed luma in the picture area.
    pub black: Option<Estimate<Ire>>,
    /// 99.5th percentile.
    pub peak: Option<Estimate<Ire>>,
    /// Mean.
    pub mean: Option<Estimate<Ire>>,
    /// Area beyond nominal black, with its tolerance.
    pub below_black: Option<Percent>,
    /// Area beyond nominal peak, with its tolerance.
    pub above_peak: Option<Percent>,
    /// Area stuck at the lowest code the chain delivers.
    pub low_clip: Option<Percent>,
    /// Area stuck at the highest.
    pub high_clip: Option<Percent>,
    /// 5th to 95th percentile.
    pub spread: Option<Estimate<Ire>>,
    /// Local contrast in the darkest tenth.
    pub shadow_contrast: Option<Estimate<Ire>>,
    /// Difference of the two fields.
    pub parity_difference: Option<Estimate<Ire>>,
    /// How often each code of low-passed luma occurs in the picture area.
    pub ladder: [u32; 256],
}

impl Default for Reading {
    fn default() -> Self {
        Self {
            black: None,
            peak: None,
            mean: None,
            below_black: None,
            above_peak: None,
            low_clip: None,
            high_clip: None,
            spread: None,
            shadow_contrast: None,
            parity_difference: None,
            ladder: [0; 256],
        }
    }
}

/// The measure.
#[derive(Debug, Default)]
pub struct Levels {}

impl Measure for Levels {
    type Input<'a> = &'a Neighbourhood<'a>;
    type Reading = Reading;

    fn measure(&mut self, _around: &Neighbourhood<'_>) -> Reading {
        Reading::default()
    }
}

/// Ids of this measure.
pub const QUANTITIES: &[Quantity] = &[];
