//! The pattern of colour bars: what each bar should be, and whether patches are bars.
//!
//! References are BT.601 bars (equations of §3.5.2 and §3.5.3, exact factors); their 8-bit codes stand in the tests.
//!
//! Does not know: fields.

use std::f64::consts::TAU;

use crate::units::{Degrees, Estimate, Ire, Percent};

use super::patch::{Level, Patch};
use super::{Bar, Found};

/// The six colours, in the order of the bars.
pub const COLOURS: [&str; 6] = ["yellow", "cyan", "green", "magenta", "red", "blue"];

/// Red, green and blue of them.
const RGB: [[f64; 3]; 6] = [
    [1.0, 1.0, 0.0],
    [0.0, 1.0, 1.0],
    [0.0, 1.0, 0.0],
    [1.0, 0.0, 1.0],
    [1.0, 0.0, 0.0],
    [0.0, 0.0, 1.0],
];

/// Weights of luma (BT.601-5 §2.5.1).
const LUMA: [f64; 3] = [0.299, 0.587, 0.114];

/// Amplitude of the coloured bars.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Amplitude {
    Pct75,
    Pct100,
}

impl Amplitude {
    fn share(self) -> f64 {
        match self {
            Self::Pct75 => 0.75,
            Self::Pct100 => 1.0,
        }
    }
}

/// Which bars.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// 75 %, from top to bottom.
    Full75,
    /// 100 %, from top to bottom.
    Full100,
    /// 75 % above, other patches below.
    Split75,
    /// 100 % above, other patches below.
    Split100,
}

impl Kind {
    /// All, as they are stored.
    pub const WORDS: &[&str] = &["full_75", "full_100", "split_75", "split_100"];

    pub(super) fn of(amplitude: Amplitude, whole: bool) -> Self {
        match (amplitude, whole) {
            (Amplitude::Pct75, true) => Self::Full75,
            (Amplitude::Pct100, true) => Self::Full100,
            (Amplitude::Pct75, false) => Self::Split75,
            (Amplitude::Pct100, false) => Self::Split100,
        }
    }

    /// Whether a strip of the pattern lies below black on purpose, to set a screen's brightness by.
    #[must_use]
    pub fn dips_below_black(self) -> bool {
        matches!(self, Self::Split75 | Self::Split100)
    }

    /// As stored.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS[self as usize]
    }

    /// As a person says it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Full75 => "75 % bars, full field",
            Self::Full100 => "100 % bars, full field",
            Self::Split75 => "75 % bars, split field",
            Self::Split100 => "100 % bars, split field",
        }
    }
}

/// What patches were taken for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pattern {
    pub(super) amplitude: Amplitude,
    /// White is at 100 % beside 75 % bars.
    white_full: bool,
}

/// Largest tilt or ripple of a patch that is flat: 8 % of white luma, 10 % of chroma. Lines at 26 dB differ by less.
const FLAT: f64 = 0.08;

/// Largest chroma of white and black, as a share of white: a cast of 20 % of 75 % bars.
const NEUTRAL: f64 = 0.08;

/// Most that all bars together may be turned, and each against that.
const TURNED: f64 = 50.0;
const TURNED_APART: f64 = 15.0;

/// Saturation over nominal, all bars together, and each over that.
const STRETCHED: std::ops::Range<f64> = 0.3..1.8;
const STRETCHED_APART: std::ops::Range<f64> = 0.7..1.4;

/// Least that luma falls from a bar to the next: half of what it falls by from magenta to red of 75 % bars.
const LEAST_STEP: f64 = 0.04;

/// Nominal luma and composite axes of a bar at 100 %.
fn reference(bar: usize) -> (f64, f64, f64) {
    let [red, _, blue] = RGB[bar];
    let luma: f64 = RGB[bar]
        .iter()
        .zip(LUMA)
        .map(|(part, weight)| part * weight)
        .sum();
    (luma, 0.492_111 * (blue - luma), 0.877_283 * (red - luma))
}

/// Whether patches are bars; the first is white, a patch after the colours is black.
pub(super) fn recognise(patches: &[Patch]) -> Option<Pattern> {
    let (white, colours) = (patches.first()?, patches.get(1..7)?);
    let black = patches.get(7);
    if !patches.iter().all(is_flat) || ![Some(white), black].into_iter().flatten().all(is_neutral) {
        return None;
    }
    let falls = patches
        .windows(2)
        .all(|pair| pair[0].luma.mean - pair[1].luma.mean > LEAST_STEP);
    if !falls || !are_colours(colours) {
        return None;
    }
    Some(amplitude_of(white, colours))
}

fn is_flat(patch: &Patch) -> bool {
    let flat = |level: Level| level.tilt.abs() < FLAT && level.ripple < FLAT;
    flat(patch.luma) && flat(patch.u) && flat(patch.v)
}

fn is_neutral(patch: &Patch) -> bool {
    patch.u.mean.hypot(patch.v.mean) < NEUTRAL
}

/// Whether six patches lie about the plane as the colours do, turned and stretched together.
fn are_colours(patches: &[Patch]) -> bool {
    let mut turned = [0.0; 6];
    let mut stretched = [0.0; 6];
    for (bar, patch) in patches.iter().enumerate() {
        let (_, u, v) = reference(bar);
        turned[bar] = turn(patch, (u, v));
        stretched[bar] = patch.u.mean.hypot(patch.v.mean) / u.hypot(v);
    }
    // about one of them, so that angles near half a turn do not cancel
    let mean = turned[0]
        + turned
            .map(|angle| wrapped(angle - turned[0]))
            .iter()
            .sum::<f64>()
            / 6.0;
    let stretch = stretched.iter().sum::<f64>() / 6.0;
    mean.abs() < TURNED
        && STRETCHED.contains(&stretch)
        && turned
            .iter()
            .all(|angle| wrapped(angle - mean).abs() < TURNED_APART)
        && stretched
            .iter()
            .all(|one| STRETCHED_APART.contains(&(one / stretch)))
}

/// Which amplitude the luma of the bars fits better, and whether white stands above them.
fn amplitude_of(white: &Patch, colours: &[Patch]) -> Pattern {
    let misfit = |amplitude: Amplitude| -> f64 {
        let errors = colours.iter().enumerate().map(|(bar, patch)| {
            let error = patch.luma.mean - amplitude.share() * reference(bar).0;
            error * error
        });
        errors.sum()
    };
    let amplitude = if misfit(Amplitude::Pct75) < misfit(Amplitude::Pct100) {
        Amplitude::Pct75
    } else {
        Amplitude::Pct100
    };
    // white over yellow: 1/0.886 where both have the same amplitude, 1/(0.75·0.886) where not
    let over_yellow = white.luma.mean / colours[0].luma.mean;
    Pattern {
        amplitude,
        white_full: amplitude == Amplitude::Pct75 && over_yellow > 1.3,
    }
}

/// Errors of patches that are bars. The kind is yet to be told.
pub(super) fn errors(patches: &[Patch], pattern: Pattern) -> Found {
    let amplitude = pattern.amplitude.share();
    let white = if pattern.white_full { 1.0 } else { amplitude };
    let mut bars = [(); 6].map(|()| Bar {
        luma: Estimate::new(Ire(0.0), Ire(0.0), 0),
        saturation: Estimate::new(Percent(0.0), Percent(0.0), 0),
        hue: Estimate::new(Degrees(0.0), Degrees(0.0), 0),
    });
    for (bar, (found, patch)) in bars.iter_mut().zip(&patches[1..7]).enumerate() {
        *found = error_of(patch, bar, amplitude);
    }
    Found {
        kind: Kind::of(pattern.amplitude, true),
        white: luma_error(&patches[0], white),
        black: patches.get(7).map(|black| luma_error(black, 0.0)),
        bars,
    }
}

fn luma_error(patch: &Patch, nominal: f64) -> Estimate<Ire> {
    Estimate::new(
        Ire(100.0 * (patch.luma.mean - nominal)),
        Ire(100.0 * patch.luma.sigma),
        patch.rows,
    )
}

fn error_of(patch: &Patch, bar: usize, amplitude: f64) -> Bar {
    let (luma, u, v) = reference(bar);
    let nominal = amplitude * u.hypot(v);
    let magnitude = patch.u.mean.hypot(patch.v.mean);
    // along the vector and across it, the axes erring apart
    let (cos, sin) = (patch.u.mean / magnitude, patch.v.mean / magnitude);
    let along = (cos * patch.u.sigma).hypot(sin * patch.v.sigma);
    let across = (sin * patch.u.sigma).hypot(cos * patch.v.sigma);
    Bar {
        luma: luma_error(patch, amplitude * luma),
        saturation: Estimate::new(
            Percent(100.0 * (magnitude / nominal - 1.0)),
            Percent(100.0 * along / nominal),
            patch.rows,
        ),
        hue: Estimate::new(
            Degrees(turn(patch, (u, v))),
            Degrees((across / magnitude) * 360.0 / TAU),
            patch.rows,
        ),
    }
}

/// Angle of a patch over a reference, in degrees.
fn turn(patch: &Patch, (u, v): (f64, f64)) -> f64 {
    let angle = patch.v.mean.atan2(patch.u.mean) - v.atan2(u);
    wrapped(angle * 360.0 / TAU)
}

/// An angle from −180° to 180°.
fn wrapped(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}
