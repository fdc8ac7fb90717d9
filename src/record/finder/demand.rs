//! Where black and peak are, and where they should go.
//!
//! Does not know: controls beyond what a unit of them does.

use crate::measures::{Readings, levels::setup};
use crate::record::effect::{Effect, Spread};
use crate::units::{CodeRange, Ire, studio_code_from_ire};

/// How far black and peak may lie off, in IRE: a code and a half.
const TOLERANCE: f64 = 0.7;

/// How much peak of a picture may exceed nominal, in IRE: half of what EBU R 103 tolerates with noise allowed for.
const PEAK_TOLERANCE: f64 = 1.5;

/// What the adviser wants less than this, in IRE, is its own uncertainty.
const ADVICE_TOLERANCE: f64 = 1.0;

/// Area that may be stuck at an end of the scale, in percent (EBU R 103 tolerates as much out of range).
const CLIPPED_PCT: f64 = 1.0;

/// Where levels that are still cut off were cut off before the control, in IRE.
const CUT_BEFORE: (f64, f64) = (2.0, 97.0);

/// Codes by which cut-off levels are freed at a time: how far they would reach is not seen.
const FREE_CODES: f64 = 4.0;

/// Share of the fields of a look that must show colour bars.
const BARS_SHARE: f64 = 0.8;

/// Effects smaller than this, in codes a unit, cannot be divided by.
const LEAST: f64 = 1e-3;

/// Codes of the source's range.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    black: f64,
    peak: f64,
}

impl Scale {
    pub(super) fn new(range: CodeRange) -> Self {
        let (black, peak) = range.black_and_peak();
        Self {
            black: black.0,
            peak: peak.0,
        }
    }

    /// Codes of nominal black and peak.
    pub(super) fn ends(self) -> [f64; 2] {
        [self.black, self.peak]
    }

    fn code(self, ire: f64) -> f64 {
        self.black + self.codes(ire)
    }

    /// A difference.
    fn codes(self, ire: f64) -> f64 {
        ire * (self.peak - self.black) / 100.0
    }

    /// What the adviser wants of black, in codes, + = up.
    pub(super) fn asked(self, advice: Option<setup::Reading>) -> Option<f64> {
        let advice = advice.filter(|it| it.range_doubt.is_none())?;
        let stated = advice
            .change
            .filter(|_| advice.case != setup::Case::Unknown)?;
        (stated.value.0.abs() > ADVICE_TOLERANCE).then(|| self.codes(stated.value.0))
    }

    /// What is to be done after a look; `owed` is what the adviser still wants, in codes.
    pub(super) fn demand(self, window: &Window, owed: Option<f64>) -> Option<Demand> {
        let (black, peak) = (window.mean(window.black)?, window.mean(window.peak)?);
        let mut demand = Demand {
            black: None,
            peak: None,
            black_code: self.code(black),
            peak_code: self.code(peak),
            most_code: self.code(100.0 + PEAK_TOLERANCE),
            stands: stands(black, peak),
            left: Vec::new(),
        };
        match window.bars() {
            Some(bars) => self.by_bars(bars, &mut demand),
            None => self.by_picture(window, (black, peak), owed, &mut demand),
        }
        Some(demand)
    }

    /// The change that undoes an error, where that is worth one.
    fn beyond_tolerance(self, error: f64) -> Option<f64> {
        (error.abs() > TOLERANCE).then(|| self.codes(-error))
    }

    /// Bars say where both ends are and should be.
    fn by_bars(self, bars: Bars, demand: &mut Demand) {
        demand.peak = self.beyond_tolerance(bars.white);
        demand.black = bars.black.and_then(|error| self.beyond_tolerance(error));
        demand.stands.push_str(", by colour bars");
    }

    fn by_picture(
        self,
        window: &Window,
        (black, peak): (f64, f64),
        owed: Option<f64>,
        demand: &mut Demand,
    ) {
        let clipped = |sum| window.mean(sum).is_some_and(|share| share >= CLIPPED_PCT);
        let owed = owed.filter(|owed| owed.abs() > self.codes(TOLERANCE));
        let (low, high) = (clipped(window.low_clip), clipped(window.high_clip));
        demand.black = if owed.is_some() {
            owed
        } else if low && black < CUT_BEFORE.0 {
            Some(FREE_CODES)
        } else if black < -TOLERANCE {
            Some(self.codes(-black))
        } else {
            None
        };
        demand.peak = if high && peak > CUT_BEFORE.1 {
            Some(-self.codes(peak - 100.0).max(FREE_CODES))
        } else if peak > 100.0 + PEAK_TOLERANCE {
            Some(self.codes(100.0 - peak))
        } else {
            None
        };
        if low && black >= CUT_BEFORE.0 {
            demand.left.push(
                "black is cut off before the control, at the player, the box or the converter's gain",
            );
        }
        if high && peak <= CUT_BEFORE.1 {
            demand.left.push(
                "peak is cut off before the control, at the player, the box or the converter's gain",
            );
        }
        let stated = window
            .advice
            .is_some_and(|it| it.case != setup::Case::Unknown);
        if !stated && black > TOLERANCE {
            demand.left.push(
                "whether the darkest of this picture is the tape's black cannot be told yet: colour bars or many scenes show it",
            );
        }
    }
}

/// Black and peak for people.
fn stands(black: f64, peak: f64) -> String {
    let code = |ire| studio_code_from_ire(Ire(ire)).0;
    format!(
        "black {black:.1} IRE, code {:.0}; peak {peak:.1} IRE, code {:.0}",
        code(black),
        code(peak)
    )
}

/// What is to be done, in codes, + = up.
#[derive(Clone, Debug)]
pub(super) struct Demand {
    pub(super) black: Option<f64>,
    pub(super) peak: Option<f64>,
    pub(super) black_code: f64,
    pub(super) peak_code: f64,
    /// Where peak may not come to lie above.
    most_code: f64,
    /// Where levels stand, in words.
    pub(super) stands: String,
    left: Vec<&'static str>,
}

impl Demand {
    /// What no control can do, or what is not known.
    pub(super) fn left(&self) -> Option<String> {
        let mut left: Vec<&str> = self.left.clone();
        if self.black.is_some() || self.peak.is_some() {
            left.push("the controls come no nearer to what is wanted");
        }
        (!left.is_empty()).then(|| left.join("; "))
    }

    /// By how much brightness and contrast should be changed.
    pub(super) fn solve(&self, brightness: Option<Effect>, contrast: Option<Effect>) -> [f64; 2] {
        let (low, high) = (self.black_code, self.peak_code);
        let Some(brightness) = brightness.filter(|it| it.at(low).abs() > LEAST) else {
            return [0.0; 2];
        };
        if self.black.is_none() && self.peak.is_none() {
            return [0.0; 2];
        }
        let black = self.black.unwrap_or(0.0);
        let alone = black / brightness.at(low);
        let beyond = high + brightness.at(high) * alone - self.most_code;
        let peak = match self.peak {
            Some(peak) => peak,
            None if beyond > 0.0 => self.most_code - high,
            None => return [alone, 0.0],
        };
        let Some(contrast) = contrast else {
            return [alone, 0.0];
        };
        // Both ends at once: black moves by `black` and peak by `peak`.
        let [a, b] = [brightness.at(low), contrast.at(low)];
        let [c, d] = [brightness.at(high), contrast.at(high)];
        let determinant = a * d - b * c;
        if determinant.abs() < LEAST * LEAST {
            return [alone, 0.0];
        }
        [
            (black * d - b * peak) / determinant,
            (a * peak - c * black) / determinant,
        ]
    }
}

/// Errors of colour bars, in IRE.
#[derive(Clone, Copy, Debug)]
struct Bars {
    white: f64,
    black: Option<f64>,
}

/// What was seen in a look.
#[derive(Clone, Debug, Default)]
pub(super) struct Window {
    pub(super) spread: Spread,
    black: f64,
    peak: f64,
    low_clip: f64,
    high_clip: f64,
    bars: u32,
    white_error: f64,
    black_bars: u32,
    black_error: f64,
    advice: Option<setup::Reading>,
}

impl Window {
    /// Takes a field in; one without a picture says nothing of levels.
    pub(super) fn add(&mut self, readings: &Readings) {
        let levels = &readings.levels;
        let (Some(black), Some(peak)) = (levels.black, levels.peak) else {
            return;
        };
        let before = self.spread.fields();
        self.spread.add(&levels.ladder);
        if self.spread.fields() == before {
            return;
        }
        self.black += black.value.0;
        self.peak += peak.value.0;
        self.low_clip += levels.low_clip.map_or(0.0, |it| it.0);
        self.high_clip += levels.high_clip.map_or(0.0, |it| it.0);
        self.advice = levels.setup;
        if let Some(found) = readings.bars.found {
            self.bars += 1;
            self.white_error += found.white.value.0;
            if let Some(black) = found.black {
                self.black_bars += 1;
                self.black_error += black.value.0;
            }
        }
    }

    pub(super) fn fields(&self) -> u32 {
        self.spread.fields()
    }

    pub(super) fn advice(&self) -> Option<setup::Reading> {
        self.advice
    }

    fn mean(&self, sum: f64) -> Option<f64> {
        let fields = self.fields();
        (fields > 0).then(|| sum / f64::from(fields))
    }

    fn bars(&self) -> Option<Bars> {
        let shown = f64::from(self.bars) >= BARS_SHARE * f64::from(self.fields());
        (shown && self.bars > 0).then(|| Bars {
            white: self.white_error / f64::from(self.bars),
            black: (self.black_bars > 0).then(|| self.black_error / f64::from(self.black_bars)),
        })
    }
}
