//! Luma levels: where black and peak land, how much lies beyond, how much is cut off.
//!
//! In: a field, and the state of its sync. Out: a [`Reading`] in IRE on the digital scale (code 16 is 0, code 235 is
//! 100, whatever the tape's set-up; of a full-range source 0 and 255), read in the picture area alone. Levels are
//! read from low-passed luma (the filter is in `low_pass`), what is cut off from the raw samples.
//!
//! Left out, as it is none of the tape's: blanking and a border of the chain at the sides (`area`), half lines and the head
//! switch, and once they have been found, a letterbox and rows that a box has blanked (`mask`).
//!
//! What goes on over time: a field that flashes (`flash`), levels that drift within a picture (`drift`), and what became of
//! the set-up (`setup`).
//!
//! Bias: black and peak are percentiles, so noise moves them outwards: a flat field of sigma s reads 2.58·s' low and high,
//! s' being what the filter leaves of the noise (0.26·s of white noise): 0.7 code at s = 1 (47 dB), 2 codes at s = 3. A
//! picture with no black area reads its darkest 0.5 % instead, which is no error of the chain.
//!
//! Absent without a picture (snow, flat insert, no signal), while the picture is lost, as blanking then wanders through the
//! picture area, and in fields too small to low-pass.
//!
//! Does not know: limits, what the levels should be, earlier passes.

use crate::fields::{FieldRaster, Neighbourhood};
use crate::standard::Parity;
use crate::units::{
    CodeRange, Estimate, Ire, LumaCode, Percent, ire_from_code, ire_from_code_step,
};

use super::Measure;
use super::bars;
use super::line_timing::Border;
use super::sync::State;
use area::AreaFinder;
use clip::{ClipWatch, End, RowExtremes};
use drift::DriftWatch;
use flash::{Ends, FlashWatch, Jump};
use ladder::{Ladder, Rung};
use mask::MaskFinder;
use setup::{Look, Setup};

pub use area::PictureArea;
pub(super) use parity::ParityWatch;
pub use quantities::QUANTITIES;

mod area;
mod blocks;
mod clip;
mod drift;
mod flash;
mod ladder;
mod low_pass;
mod mask;
mod parity;
mod quantities;
pub mod setup;
#[cfg(test)]
mod tests;

/// What the measure looks at.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// What sync says of it: levels are read of a picture that stands.
    pub state: State,
    /// Whose the border is, as far as the field before has shown.
    pub border: Border,
    /// Colour bars that are shown: their areas stand at the ends of the scale, and below black, on purpose.
    pub bars: Option<bars::Kind>,
}

/// Fields from one that flashes to the one that tells of it: it takes those after it to know.
pub const FLASH_DELAY: u64 = flash::DELAY as u64;

/// Size of a flash that is left out of other readings, in codes: 3 IRE.
const FLASHES_CODES: f32 = 6.6;

/// Luma levels of one field.
#[derive(Clone, Debug)]
pub struct Reading {
    /// 0.5th percentile of low-passed luma in the picture area.
    pub black: Option<Estimate<Ire>>,
    /// 99.5th percentile.
    pub peak: Option<Estimate<Ire>>,
    /// Mean.
    pub mean: Option<Estimate<Ire>>,
    /// Area beyond nominal black, with its tolerance; `None` where the scale ends before.
    pub below_black: Option<Percent>,
    /// Area beyond nominal peak, with its tolerance; `None` where the scale ends before.
    pub above_peak: Option<Percent>,
    /// Area stuck at the lowest code the chain delivers.
    pub low_clip: Option<Percent>,
    /// Area stuck at the highest.
    pub high_clip: Option<Percent>,
    /// 5th to 95th percentile.
    pub spread: Option<Estimate<Ire>>,
    /// Mean difference of neighbouring low-passed values that are both under the 10th percentile.
    pub shadow_contrast: Option<Estimate<Ire>>,
    /// Mean of the top fields minus mean of the bottom fields, over the last second.
    pub parity_difference: Option<Estimate<Ire>>,
    /// How far the field [`FLASH_DELAY`] fields before this one stands from its neighbours on both sides, + = brighter.
    pub flash: Option<Estimate<Ire>>,
    /// Lines of that field which jumped, where not all did.
    pub flash_lines: Option<std::ops::Range<usize>>,
    /// The largest change of level within one picture over the last seconds.
    pub drift: Option<Estimate<Ire>>,
    /// What became of the set-up.
    pub setup: Option<setup::Reading>,
    /// Where the levels were read.
    pub area: PictureArea,
    /// Columns of blanking at the left and the right, as far as light beside them has shown; the edge's rise is in the innermost.
    pub blanking: [usize; 2],
    /// How often each code of low-passed luma occurs in the picture area; all 0 where there is no picture.
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
            flash: None,
            flash_lines: None,
            drift: None,
            setup: None,
            area: PictureArea::default(),
            blanking: [0; 2],
            ladder: [0; 256],
        }
    }
}

/// Shares of the area that black and peak leave outside: large enough to outlive dropouts, small enough for a thin line.
const BLACK_SHARE: f64 = 0.005;

/// Share of the area at either end that the doubt about the range leaves out.
const OUTERMOST: f64 = 0.0005;

/// Shares between which the spread is taken.
const SPREAD_SHARES: (f64, f64) = (0.05, 0.95);

/// Darkest share of the area, in which shadows are looked at.
const SHADOW_SHARE: f64 = 0.1;

/// Tolerance of the areas beyond black and peak, in codes: 5 % of 220, so that 5 to 246 are inside, the preferred
/// range of EBU R 103 (8 bit). Only the range is taken from there: the filter is our own.
const TOLERANCE_CODES: f64 = 11.0;

/// Fields whose rows are fewer, or narrower, yield no low-passed value.
const SMALLEST_FIELD: (usize, usize) = (low_pass::REACH, 2);

/// Mean absolute difference over sigma of two values with correlation 0.4 (neighbours through the filter):
/// 2/√π · √(1 − 0.4).
const NEIGHBOUR_DIFFERENCE: f64 = 0.874;

/// Spread of an absolute difference over its mean, in normal noise: √(π/2 − 1).
const ABSOLUTE_SPREAD: f64 = 0.756;

/// The measure.
#[derive(Debug)]
pub struct Levels {
    raster: Option<FieldRaster>,
    area: AreaFinder,
    low: ClipWatch,
    high: ClipWatch,
    parity: ParityWatch,
    mask: MaskFinder,
    flash: FlashWatch,
    drift: DriftWatch,
    setup: Setup,
    ladder: Ladder,
    /// Low-passed values, [`low_pass::EIGHTHS`] to a code, two lines after two lines.
    values: Vec<u16>,
    rows: RowExtremes,
}

impl Default for Levels {
    fn default() -> Self {
        Self {
            raster: None,
            area: AreaFinder::default(),
            low: ClipWatch::new(End::Low),
            high: ClipWatch::new(End::High),
            parity: ParityWatch::default(),
            mask: MaskFinder::default(),
            flash: FlashWatch::default(),
            drift: DriftWatch::default(),
            setup: Setup::default(),
            ladder: Ladder::default(),
            values: Vec::new(),
            rows: RowExtremes::new(),
        }
    }
}

impl Measure for Levels {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        let field = input.around.field;
        let raster = field.raster;
        if self.raster != Some(raster) {
            self.forget();
            self.raster = Some(raster);
        }
        if !is_readable(input.state)
            || raster.width < SMALLEST_FIELD.0
            || raster.rows < SMALLEST_FIELD.1
        {
            self.parity.interrupt();
            self.flash.interrupt();
            self.drift.interrupt();
            return Reading::default();
        }
        let mut area = self.area.find(&field.luma, &raster);
        self.low_pass(input.around, &area);
        let picture = self.leave_out_masks(&mut area, raster.range);
        self.ladder.count(&self.values[picture]);
        let mut reading = self.read(input.around, area);
        if let Some(kind) = input.bars {
            leave_to_bars(kind, &mut reading);
        }
        self.over_time(input, reading)
    }
}

/// Takes out what bars do not tell as pictures do: nothing tells a flat area at an end of the scale from one cut off there, and split
/// bars have a strip below black.
fn leave_to_bars(kind: bars::Kind, reading: &mut Reading) {
    (reading.low_clip, reading.high_clip) = (None, None);
    if kind.dips_below_black() {
        reading.black = None;
    }
}

fn is_readable(state: State) -> bool {
    matches!(state, State::Locked | State::Unstable)
}

impl Levels {
    /// Forgets what was learned of the source before; the room is kept.
    fn forget(&mut self) {
        self.area.reset();
        self.parity.reset();
        self.mask.reset();
        self.flash.interrupt();
        self.drift.interrupt();
        self.setup.reset();
        self.low = ClipWatch::new(End::Low);
        self.high = ClipWatch::new(End::High);
    }

    /// A setting of the chain was changed: what was learned of its black is void.
    pub(super) fn chain_changed(&mut self) {
        self.setup.reset();
        self.drift.interrupt();
    }

    fn low_pass(&mut self, around: &Neighbourhood<'_>, area: &PictureArea) {
        let luma = &around.field.luma;
        let values_a_row = low_pass::values_of(area.columns.len());
        self.values.resize(area.rows.len() / 2 * values_a_row, 0);
        let pairs = area.rows.clone().step_by(2);
        for (first, values) in pairs.zip(self.values.chunks_exact_mut(values_a_row.max(1))) {
            low_pass::low_pass(
                &luma.row(first)[area.columns.clone()],
                &luma.row(first + 1)[area.columns.clone()],
                values,
            );
        }
    }

    /// Takes masks off the area; gives the place of what is left in the values.
    fn leave_out_masks(
        &mut self,
        area: &mut PictureArea,
        range: CodeRange,
    ) -> std::ops::Range<usize> {
        let a_row = low_pass::values_of(area.columns.len());
        let rows = self
            .mask
            .find(&self.values, a_row, range.black_and_peak().0.0);
        let first = area.rows.start;
        area.rows = first + 2 * rows.start..first + 2 * rows.end;
        rows.start * a_row..rows.end * a_row
    }

    /// What only the fields before and after can tell.
    fn over_time(&mut self, input: Input<'_>, mut reading: Reading) -> Reading {
        let field = input.around.field;
        let range = field.raster.range;
        if self.ladder.total() == 0 {
            return reading;
        }
        if field.gap.fields() > 0 {
            self.flash.interrupt();
            self.drift.interrupt();
        }
        let ends = Ends {
            low: f32::from(self.low.delivered_code()),
            high: f32::from(self.high.delivered_code()),
        };
        let heads = self.parity.difference().map_or(0.0, |found| found.value);
        let a_row = low_pass::values_of(reading.area.columns.len());
        let top = field.raster.progressive || field.place.parity == Parity::Top;
        let jump = self
            .flash
            .follow((&self.values, a_row), top, heads as f32, ends);
        let level = |codes: f32| ire_from_code_step(LumaCode(f64::from(codes)), range);
        reading.flash =
            jump.map(|jump| Estimate::new(level(jump.codes), level(jump.sigma), jump.blocks));
        reading.flash_lines = jump.and_then(|jump| lines_of(jump, field.luma.rows));
        let flashes = jump.is_none_or(|jump| jump.codes.abs() > FLASHES_CODES);
        let drift = self
            .flash
            .judged()
            .and_then(|blocks| self.drift.follow(blocks, flashes, ends));
        reading.drift =
            drift.map(|drift| Estimate::new(level(drift.codes), level(drift.sigma), drift.moments));
        reading.blanking = self.area.blanking();
        reading.setup = self.advise(input, &reading, ends);
        reading
    }

    fn advise(
        &mut self,
        input: Input<'_>,
        reading: &Reading,
        ends: Ends,
    ) -> Option<setup::Reading> {
        if reading.black.is_none() || input.state != State::Locked {
            return None;
        }
        self.setup.follow(Look {
            field: input.around.field,
            blocks: self.flash.newest(),
            black: self.ladder.quantile(BLACK_SHARE),
            dead: self.ladder.share_at(self.low.delivered_code()),
            floor: f64::from(ends.low),
            ceiling: f64::from(ends.high),
            outermost: [OUTERMOST, 1.0 - OUTERMOST].map(|share| self.ladder.quantile(share)),
            blanking: self.area.blanking(),
            border: input.border,
        })
    }

    fn read(&mut self, around: &Neighbourhood<'_>, area: PictureArea) -> Reading {
        let field = around.field;
        let range = field.raster.range;
        let total = self.ladder.total();
        if total == 0 {
            return Reading::default();
        }
        let contrast = self.contrast(&area);
        let mean = Rung {
            code: self.ladder.mean(),
            sigma: contrast.noise / self.ladder.evidence().sqrt(),
        };
        if field.gap.fields() > 0 {
            self.parity.interrupt();
        }
        if !field.raster.progressive {
            self.parity.follow(field.place.parity, mean.code);
        }
        let level = |rung: Rung| {
            Estimate::new(
                ire_from_code(LumaCode(rung.code), range),
                ire_from_code_step(LumaCode(rung.sigma), range),
                total,
            )
        };
        let (low_clip, high_clip) = self.clipped(around, &area);
        Reading {
            black: Some(level(self.ladder.rung(BLACK_SHARE))),
            peak: Some(level(self.ladder.rung(1.0 - BLACK_SHARE))),
            mean: Some(level(mean)),
            below_black: self.below_black(range),
            above_peak: self.above_peak(range),
            low_clip: Some(low_clip),
            high_clip: Some(high_clip),
            spread: Some(self.spread(range)),
            shadow_contrast: contrast.in_shadows(range),
            parity_difference: self.parity_difference(range),
            ladder: self.ladder.whole_codes(),
            area,
            ..Reading::default()
        }
    }

    fn below_black(&self, range: CodeRange) -> Option<Percent> {
        let limit = range.black_and_peak().0.0 - TOLERANCE_CODES;
        (limit > 0.0).then(|| Percent(100.0 * self.ladder.share_below(limit)))
    }

    fn above_peak(&self, range: CodeRange) -> Option<Percent> {
        let limit = range.black_and_peak().1.0 + TOLERANCE_CODES;
        (limit < 255.0).then(|| Percent(100.0 * self.ladder.share_above(limit)))
    }

    fn spread(&self, range: CodeRange) -> Estimate<Ire> {
        let low = self.ladder.rung(SPREAD_SHARES.0);
        let high = self.ladder.rung(SPREAD_SHARES.1);
        Estimate::new(
            ire_from_code_step(LumaCode(high.code - low.code), range),
            ire_from_code_step(LumaCode(high.sigma.hypot(low.sigma)), range),
            self.ladder.total(),
        )
    }

    fn parity_difference(&self, range: CodeRange) -> Option<Estimate<Ire>> {
        self.parity.difference().map(|difference| {
            Estimate::new(
                ire_from_code_step(LumaCode(difference.value), range),
                ire_from_code_step(LumaCode(difference.sigma), range),
                difference.fields,
            )
        })
    }

    /// Stuck area at the low and at the high end.
    fn clipped(&mut self, around: &Neighbourhood<'_>, area: &PictureArea) -> (Percent, Percent) {
        let field = around.field;
        clip::row_extremes(&field.luma, area, &mut self.rows);
        let percent = |watch: &mut ClipWatch, native| {
            Percent(100.0 * watch.share(&field.luma, area, &self.rows, native))
        };
        let native = field.native;
        (
            percent(&mut self.low, native.map(|native| native.at_lowest)),
            percent(&mut self.high, native.map(|native| native.at_highest)),
        )
    }

    fn contrast(&self, area: &PictureArea) -> Contrast {
        let limit = (self.ladder.quantile(SHADOW_SHARE) * low_pass::EIGHTHS as f64).ceil() as u16;
        let values_a_row = low_pass::values_of(area.columns.len());
        let mut sums = DifferenceSums::default();
        for row in self.values.chunks_exact(values_a_row) {
            sums.add(neighbour_differences(row, limit));
        }
        Contrast::from(sums)
    }
}

/// The lines of the bands that jumped, unless all did.
fn lines_of(jump: Jump, rows: usize) -> Option<std::ops::Range<usize>> {
    let (first, end, of) = jump.bands;
    let is_part = end > first && end - first < of;
    is_part.then(|| first * rows / of..end * rows / of)
}

/// Sums of absolute differences of neighbouring values.
#[derive(Clone, Copy, Debug, Default)]
struct DifferenceSums {
    all: u32,
    all_count: u32,
    dark: u32,
    dark_count: u32,
}

impl DifferenceSums {
    fn add(&mut self, other: Self) {
        self.all += other.all;
        self.all_count += other.all_count;
        self.dark += other.dark;
        self.dark_count += other.dark_count;
    }
}

/// Differences along a row, all of them and those with both ends at or under `limit`: an edge towards light is no detail
/// of the shadows.
#[multiversion::multiversion(targets("x86_64+avx2"))]
fn neighbour_differences(row: &[u16], limit: u16) -> DifferenceSums {
    let (mut all, mut dark, mut dark_count) = (0, 0, 0);
    for (here, next) in row.iter().zip(row.iter().skip(1)) {
        let difference = u32::from(here.abs_diff(*next));
        let is_dark = u32::from(*here <= limit && *next <= limit);
        all += difference;
        dark += difference * is_dark;
        dark_count += is_dark;
    }
    DifferenceSums {
        all,
        all_count: (row.len() as u32).saturating_sub(1),
        dark,
        dark_count,
    }
}

/// Local contrast, in codes.
#[derive(Clone, Copy, Debug)]
struct Contrast {
    /// Mean difference of neighbours in the shadows, and how many there were.
    shadows: f64,
    shadow_count: u32,
    /// Sigma the low-passed values would have if all local contrast were noise: a bound.
    noise: f64,
}

impl From<DifferenceSums> for Contrast {
    fn from(sums: DifferenceSums) -> Self {
        let mean = |sum: u32, count: u32| {
            f64::from(sum) / f64::from(count.max(1)) / low_pass::EIGHTHS as f64
        };
        Self {
            shadows: mean(sums.dark, sums.dark_count),
            shadow_count: sums.dark_count,
            noise: mean(sums.all, sums.all_count) / NEIGHBOUR_DIFFERENCE,
        }
    }
}

impl Contrast {
    fn in_shadows(self, range: CodeRange) -> Option<Estimate<Ire>> {
        (self.shadow_count > 1).then(|| {
            let sigma =
                ABSOLUTE_SPREAD * self.shadows / (f64::from(self.shadow_count) / 2.0).sqrt();
            Estimate::new(
                ire_from_code_step(LumaCode(self.shadows), range),
                ire_from_code_step(LumaCode(sigma), range),
                self.shadow_count,
            )
        })
    }
}
