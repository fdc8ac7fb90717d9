//! Chroma: how saturated the picture is, whether greys have a cast, and whether there is any colour at all.
//!
//! In: a field, the state of its sync, and where its picture is. Out: a [`Reading`]. 100 % is the excursion of 100 % colour:
//! 112 codes from the zero at 128 (BT.601-5 §3.5.3), 127.5 of a full-range source.
//!
//! Saturation is `√(mean(Cb² + Cr²))` over the picture, each sample multiplied with the one a line below instead of with itself:
//! what is independent from line to line, as tape noise is, drops out of the mean. Detail one line high drops out with it.
//! Decoders that average neighbouring lines leave part of the noise in: half a percent at 44 dB.
//!
//! The cast is where the least saturated parts of the picture gather: the mean of small blocks near the zero, looked for again
//! about the last mean until it stands (a mean shift). It speaks of the picture as much as of the chain: a sandy beach has one.
//!
//! Delay is told by edges that luma and chroma have in common (`lag`, `delay`), over the last seconds; of tape, chroma has few edges,
//! so it takes some hundred windows to know it to a tenth of a sample. The same edges tell its bandwidth (`response`).
//!
//! Absent in mono, without a steady picture, and in fields of less than a few blocks. The cast also where too little of the
//! picture is grey.
//!
//! Does not know: limits, what the scene looked like, earlier passes.

use crate::fields::{Field, FieldRaster, Neighbourhood};
use crate::units::{
    CodeRange, Estimate, Lines, Megahertz, Nanos, Percent, Samples, nanos_from_samples,
};

use super::sync::State;
use super::{Measure, levels};
use blocks::Blocks;
use grid::Grid;
use presence::Watch;

pub use presence::Presence;
pub use quantities::QUANTITIES;

mod blocks;
mod cast;
mod delay;
mod dots;
pub(super) mod grid;
mod lag;
mod presence;
mod quantities;
mod response;
#[cfg(test)]
mod tests;

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// What sync says of it.
    pub state: State,
    /// Where the picture is, and how much light there is in it.
    pub levels: &'a levels::Reading,
}

/// Chroma of one field.
#[derive(Clone, Copy, Debug, Default)]
pub struct Reading {
    /// Rms of the chroma magnitude.
    pub saturation_rms: Option<Estimate<Percent>>,
    /// Mean of the blue colour difference where there is hardly any colour.
    pub mean_cb: Option<Estimate<Percent>>,
    /// Mean of the red colour difference there.
    pub mean_cr: Option<Estimate<Percent>>,
    /// How late chroma edges come after luma edges; `None` before enough were seen, and without a sample rate.
    pub delay: Option<Estimate<Nanos>>,
    /// How much lower they lie.
    pub delay_down: Option<Estimate<Lines>>,
    /// Where chroma is 6 dB down along the line; `None` before enough edges were seen, where it is as fine as its samples can
    /// tell, and without a sample rate.
    pub bandwidth: Option<Estimate<Megahertz>>,
    /// Subcarrier in luma, peak to peak, in percent of black to peak; `None` of rasters without standard or sample rate.
    pub dot_crawl: Option<Estimate<Percent>>,
    /// Whether there is colour; `None` until that is known.
    pub presence: Option<Presence>,
}

/// The zero of a colour difference, in codes, on either range.
pub(super) const ZERO_CODE: i16 = 128;

/// Codes of an excursion of 100 % (BT.601-5 §3.5.3: 224 from end to end; full range: 255).
pub(crate) fn excursion_codes(range: CodeRange) -> f64 {
    match range {
        CodeRange::Studio => 112.0,
        CodeRange::Full => 127.5,
    }
}

/// The measure.
#[derive(Debug, Default)]
pub struct Chroma {
    raster: Option<FieldRaster>,
    cb: Blocks,
    cr: Blocks,
    watch: Watch,
    delay: delay::Delay,
    dots: dots::Dots,
}

impl Measure for Chroma {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        let field = input.around.field;
        if self.raster != Some(field.raster) {
            self.raster = Some(field.raster);
            self.watch = Watch::default();
            self.delay.reset();
        }
        if !matches!(input.state, State::Locked | State::Unstable) {
            self.watch.no_picture(input.state);
            return Reading::default();
        }
        let Some(grid) = Grid::of(field, &input.levels.area) else {
            return Reading::default();
        };
        self.cb.take(&field.cb, &grid);
        self.cr.take(&field.cr, &grid);
        let displaced = self.delay.follow(field, &grid);
        let dot_crawl = self.dot_crawl(field, &input.levels.area);
        Reading {
            delay: displaced
                .samples
                .and_then(|found| in_time(found, &field.raster)),
            delay_down: displaced
                .lines
                .map(|found| Estimate::new(Lines(found.places), Lines(found.sigma), found.windows)),
            bandwidth: displaced
                .half
                .and_then(|half| in_megahertz(half, &field.raster)),
            dot_crawl,
            ..self.read(&grid, field.raster.range, input.levels)
        }
    }
}

impl Chroma {
    /// Rms of the subcarrier as what it swings from peak to peak, against black to peak.
    fn dot_crawl(
        &mut self,
        field: &Field,
        area: &levels::PictureArea,
    ) -> Option<Estimate<Percent>> {
        let (standard, rate) = (field.raster.standard?, field.raster.sample_rate?);
        let found = self.dots.find(&field.luma, area, (standard, rate))?;
        let (rms, sigma) = root(found.power, found.sigma);
        let (black, peak) = field.raster.range.black_and_peak();
        let percent = 100.0 * 8.0_f64.sqrt() / (peak - black).0;
        Some(Estimate::new(
            Percent(percent * rms),
            Percent(percent * sigma),
            found.windows,
        ))
    }

    fn read(&mut self, grid: &Grid, range: CodeRange, levels: &levels::Reading) -> Reading {
        let percent = 100.0 / excursion_codes(range);
        let (cb, cr) = (self.cb.sums(), self.cr.sums());
        let power = cb.shared_power() + cr.shared_power();
        let power_sigma = cb.power_sigma(grid).hypot(cr.power_sigma(grid));
        let saturation = root(power, power_sigma);
        let colour = root(cb.variance() + cr.variance(), power_sigma);
        let quiet = self.cb.quiet_noise().min(self.cr.quiet_noise());
        let presence = self.watch.follow(presence::Glance {
            colour: percent * colour.0,
            sigma: percent * colour.1,
            noise_codes: quiet,
            spread_ire: levels.spread.map_or(0.0, |spread| spread.value.0),
        });
        let estimate = |(value, sigma): (f64, f64), support| {
            Estimate::new(Percent(percent * value), Percent(percent * sigma), support)
        };
        let found = cast::find(&self.cb, &self.cr, excursion_codes(range));
        Reading {
            saturation_rms: Some(estimate(saturation, cb.count())),
            mean_cb: found.map(|cast| estimate((cast.cb, cast.sigma.0), cast.blocks)),
            mean_cr: found.map(|cast| estimate((cast.cr, cast.sigma.1), cast.blocks)),
            presence,
            ..Reading::default()
        }
    }
}

/// A displacement in luma samples as a time; a sample rate that is only presumed widens its error.
fn in_time(found: lag::Found, raster: &FieldRaster) -> Option<Estimate<Nanos>> {
    let rate = raster.sample_rate?;
    let by_rate = raster.rate_trust.sigma() * found.places;
    let nanos = |samples: f64| nanos_from_samples(Samples(samples), rate);
    Some(Estimate::new(
        nanos(found.places),
        nanos(found.sigma.hypot(by_rate)),
        found.windows,
    ))
}

/// Cycles a luma sample as a frequency; a sample rate that is only presumed widens its error.
fn in_megahertz(half: response::Found, raster: &FieldRaster) -> Option<Estimate<Megahertz>> {
    let megahertz = raster.sample_rate?.0 * 1e-6;
    let by_rate = raster.rate_trust.sigma() * half.cycles;
    Some(Estimate::new(
        Megahertz(megahertz * half.cycles),
        Megahertz(megahertz * half.sigma.hypot(by_rate)),
        half.windows,
    ))
}

/// The root of a power that its error may have taken below nothing, and the root's own error.
fn root(power: f64, sigma: f64) -> (f64, f64) {
    let value = power.max(0.0).sqrt();
    // dx = dp / 2x; near nothing the root of the error itself is as far as it reaches
    let least = sigma.sqrt();
    let error = if value > least {
        sigma / (2.0 * value)
    } else {
        least
    };
    (value, error)
}
