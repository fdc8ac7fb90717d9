//! Where detail ends: 20 dB under the trend of its low band.
//!
//! In: the mean spectrum of sharp places and the noise's. Out: [`End`]. Steps have a power of 1/f²; times f² they are level, and
//! what falls below is the chain. The trend is a straight line in logarithms through 0.3 to 0.85 MHz, which any tape carries,
//! held near level: the sharpest places are steps, but not all of them.
//!
//! Detail that stands out of the noise is followed upwards until it has fallen 20 dB. Where noise or its error is too strong to
//! tell, all that is known is how far it was followed.
//!
//! Does not know: which scene it was, or how the noise was found.

use super::spectrum::{BINS, LENGTH, Mean};
use crate::measures::noise;
use crate::units::{Hertz, Megahertz};

/// The low band, in MHz.
const LOW_BAND: (f64, f64) = (0.3, 0.85);

/// How far detail has fallen at its end, as power: 20 dB.
const FALLEN: f64 = 0.01;

/// How much the trend may be off level, in powers of frequency (one sigma), and how much a bin strays from it, in logarithms.
const SLOPE_SIGMA: f64 = 0.3;
const STRAY_SIGMA: f64 = 0.25;

/// Error of the trend at the end of detail, in logarithms of power: 2 dB.
const TREND_SIGMA: f64 = 0.46;

/// Relative error of the noise in sharp places: it was measured in plain ones.
const NOISE_SIGMA: f64 = 0.1;

/// Error of the power, over the power that is looked for, from which it cannot be told.
const BLURRED: f64 = 0.6;

/// Widest gap in a spectrum that a pattern may leave: stripes half a microsecond wide have one every 2 MHz.
const MOST_GAP_MHZ: f64 = 0.55;

/// Highest frequency that a converter passes (BT.601-5 Part A: 5.75 MHz).
const CONVERTER_MHZ: f64 = 5.75;

/// Where detail ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct End {
    pub(super) mhz: Megahertz,
    pub(super) sigma: Megahertz,
    pub(super) bound: noise::Bound,
}

/// The trend of a spectrum times f²: level and power at 1 MHz, in logarithms.
#[derive(Clone, Copy, Debug)]
struct Trend {
    level: f64,
    slope: f64,
}

impl Trend {
    /// The power that the trend has at a frequency.
    fn at(self, mhz: f64) -> f64 {
        (self.level + (self.slope - 2.0) * mhz.ln()).exp()
    }

    fn of(power: &[f64; BINS], step: f64) -> Option<Self> {
        let centre = 0.5 * (LOW_BAND.0.ln() + LOW_BAND.1.ln());
        let (mut count, mut level, mut sum) = (0.0, 0.0, 0.0);
        let (mut places, mut squares, mut products, mut spread) = (0.0, 0.0, 0.0, 0.0);
        for (bin, &power) in power.iter().enumerate() {
            let mhz = bin as f64 * step;
            if !(LOW_BAND.0..=LOW_BAND.1).contains(&mhz) || power <= 0.0 {
                continue;
            }
            let (x, y) = (mhz.ln() - centre, power.ln() + 2.0 * mhz.ln());
            count += 1.0;
            level += power * mhz * mhz;
            sum += y;
            spread += y * y;
            places += x;
            squares += x * x;
            products += x * y;
        }
        if count < 3.0 {
            return None;
        }
        let (x, y) = (places / count, sum / count);
        // a regular pattern strays far from any line: then its slope says little
        let stray = (spread / count - y * y).max(STRAY_SIGMA * STRAY_SIGMA);
        let held = stray / (SLOPE_SIGMA * SLOPE_SIGMA);
        let slope = (products - count * x * y) / (squares - count * x * x + held);
        // the mean power, not that of logarithms: a pattern has gaps in its spectrum that reach far down
        Some(Self {
            level: (level / count).ln() - slope * (x + centre),
            slope,
        })
    }
}

/// Follows detail upwards; `None` where there is too little in the low band to follow.
pub(super) fn end_of(mean: &Mean, noise: &noise::Spectrum, rate: Hertz) -> Option<End> {
    let step = rate.0 * 1e-6 / LENGTH as f64;
    let noise_at = |bin: usize| noise.at(Hertz(bin as f64 * step * 1e6));
    let detail: [f64; BINS] = std::array::from_fn(|bin| mean.power[bin] - noise_at(bin));
    let trend = Trend::of(&detail, step)?;
    let over = |bin: usize| detail[bin] / (FALLEN * trend.at(bin as f64 * step));
    let error = |bin: usize| {
        let error = mean.sigma[bin].hypot(NOISE_SIGMA * noise_at(bin));
        error / (FALLEN * trend.at(bin as f64 * step))
    };
    let first = (LOW_BAND.1 / step).floor() as usize;
    let last = ((CONVERTER_MHZ / step).floor() as usize).min(BINS - 1);
    let at_least = |bin: usize| End {
        mhz: Megahertz(bin as f64 * step),
        sigma: Megahertz(0.5 * step),
        bound: noise::Bound::AtLeast,
    };
    if first >= last {
        return None;
    }
    let gap = (MOST_GAP_MHZ / step).round() as usize;
    let mut proven = first;
    for bin in first + 1..=last {
        if bin > proven + gap {
            break;
        }
        // what stands beyond a gap must be surer than what goes on
        let sure = if bin == proven + 1 { 1.0 } else { 2.5 };
        if over(bin) > 1.0 + sure * error(bin) {
            proven = bin;
        }
    }
    let next = proven + 1;
    // a bin after the next that seems to stand again may be beyond a gap: then the end is not known
    let stands_again = (next + 1..=last.min(proven + gap)).any(|bin| over(bin) > 1.0);
    if next > last || error(next) > BLURRED || stands_again {
        return Some(at_least(proven));
    }
    let now = over(next);
    Some(crossing(next, (over(proven), now), error(next), step))
}

/// Between the bin before, which is over, and this one, by their decibels.
fn crossing(bin: usize, (before, now): (f64, f64), error: f64, step: f64) -> End {
    // what is lost in noise falls by 20 dB a bin at most
    let now = now.max(0.01 * before).max(f64::MIN_POSITIVE);
    let fall = (before / now).ln().max(0.05);
    let part = (before.ln() / fall).clamp(0.0, 1.5);
    let sigma = step * (error.hypot(TREND_SIGMA) / fall).clamp(0.3, 4.0);
    End {
        mhz: Megahertz(step * (bin as f64 - 1.0 + part)),
        sigma: Megahertz(sigma),
        bound: noise::Bound::Measured,
    }
}
