//! What is measured of each field.
//!
//! In: a [`Neighbourhood`] of fields. Out: [`Readings`], one a field, by [`Suite::measure`], which spells out the order:
//! a measure that builds on another takes that one's reading as its input. Everything downstream walks
//! [`quantities`] and never names a measure.
//!
//! Does not know: files, clocks, threads, limits. A measure does no I/O, logs nothing and cannot fail.

use serde::{Deserialize, Serialize};

use crate::fields::{FieldPlace, Neighbourhood};
use crate::units::{Estimate, Unit};

pub use effort::Effort;

pub mod bars;
pub mod chroma;
pub mod detail;
pub mod dropouts;
mod effort;
pub mod fingerprint;
pub mod flagging;
pub mod flutter;
pub mod hands;
pub mod head_switch;
pub mod interference;
pub mod levels;
pub mod line_timing;
pub mod noise;
pub mod sync;
pub mod tear;
pub mod tracking;
pub mod vectors;
pub mod waveform;

pub mod dsp;

#[cfg(test)]
mod conformance;
#[cfg(test)]
pub(crate) mod sketch;

/// One way of looking at a field: plans and scratch are made once, then nothing is allocated.
pub trait Measure {
    /// What it looks at.
    type Input<'a>;
    /// What it says.
    type Reading;

    /// Looks at one field.
    fn measure(&mut self, input: Self::Input<'_>) -> Self::Reading;
}

/// What is said of one field by all measures.
#[derive(Clone, Debug)]
pub struct Readings {
    /// Which field.
    pub place: FieldPlace,
    /// Line-start timing.
    pub line_timing: line_timing::Reading,
    /// Displacement at the top of the picture.
    pub flagging: flagging::Reading,
    /// The jump at the bottom.
    pub head_switch: head_switch::Reading,
    /// Runs of displaced lines.
    pub tear: tear::Reading,
    /// Luma levels.
    pub levels: levels::Reading,
    /// Chroma.
    pub chroma: chroma::Reading,
    /// Colour bars.
    pub bars: bars::Reading,
    /// Patterns laid over the picture.
    pub interference: interference::Reading,
    /// Whether the heads read their tracks.
    pub tracking: tracking::Reading,
    /// Streaks.
    pub dropouts: dropouts::Reading,
    /// Noise.
    pub noise: noise::Reading,
    /// Detail.
    pub detail: detail::Reading,
    /// Stability of the stream of pictures.
    pub sync: sync::Reading,
    /// The field in a few hundred numbers; `None` for fields too small.
    pub fingerprint: Option<fingerprint::Fingerprint>,
}

/// All measures, in the order they build on each other.
#[derive(Debug, Default)]
pub struct Suite {
    line_timing: line_timing::LineTiming,
    flagging: flagging::Flagging,
    head_switch: head_switch::HeadSwitch,
    tear: tear::Tear,
    shown: Shown,
    sync: sync::Sync,
    hands: hands::Hands,
    effort: Effort,
    /// Whose the border was in the field before.
    border: line_timing::Border,
}

impl Suite {
    /// All measures, planned.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Shares the rows of a field out between `hands`; what is measured does not depend on it.
    pub fn set_hands(&mut self, hands: hands::Hands) {
        self.hands = hands;
        self.line_timing.set_hands(hands);
    }

    /// Measures more or less from now on. What was left out begins anew: what it remembers is of another time.
    pub fn set_effort(&mut self, effort: Effort) {
        if effort.looks_at_condition() && !self.effort.looks_at_condition() {
            self.shown.forget_condition();
        }
        self.effort = effort;
    }

    /// The operator changed a setting of the chain: what was learned of its levels is void.
    pub fn chain_changed(&mut self) {
        self.shown.levels.chain_changed();
    }

    /// Everything of the newest field.
    pub fn measure(&mut self, around: &Neighbourhood<'_>) -> Readings {
        let sync = self.sync.measure(around);
        let head_switch_line = self.head_switch.settled_line();
        let border = self.border;
        let Self {
            hands,
            line_timing,
            shown,
            effort,
            ..
        } = self;
        let timed = effort.times_lines(around.field.place.frame().0);
        let (mut line_timing, shown) = hands.both(
            || {
                line_timing.measure(line_timing::Input {
                    around,
                    picture_shown: timed && sync.state.shows_a_picture(),
                    head_switch_line,
                })
            },
            || shown.measure(around, &sync, border, *effort),
        );
        if timed {
            self.border = line_timing.border;
        } else {
            line_timing.why_none = Some(effort::LINES_LEFT_OUT);
        }
        let flagging = self.flagging.measure(&line_timing);
        Readings {
            place: around.field.place,
            head_switch: self.head_switch.measure(&line_timing),
            tear: self.tear.measure(tear::Input {
                timing: &line_timing,
                flagging: &flagging,
            }),
            flagging,
            line_timing,
            levels: shown.levels,
            chroma: shown.chroma,
            bars: shown.bars,
            detail: shown.detail,
            dropouts: shown.dropouts,
            interference: shown.interference,
            noise: shown.noise,
            tracking: shown.tracking,
            sync,
            fingerprint: fingerprint::Fingerprinter.measure(around.field),
        }
    }
}

/// What looks at the picture, whatever its lines do: it runs beside line timing.
#[derive(Debug, Default)]
struct Shown {
    levels: levels::Levels,
    chroma: chroma::Chroma,
    bars: bars::Bars,
    interference: interference::Interference,
    tracking: tracking::Tracking,
    dropouts: dropouts::Dropouts,
    noise: noise::Noise,
    detail: detail::Detail,
}

/// What that says.
#[derive(Default)]
struct ShownReadings {
    levels: levels::Reading,
    chroma: chroma::Reading,
    bars: bars::Reading,
    detail: detail::Reading,
    dropouts: dropouts::Reading,
    interference: interference::Reading,
    noise: noise::Reading,
    tracking: tracking::Reading,
}

impl Shown {
    /// Begins anew with what speaks of tape and heads.
    fn forget_condition(&mut self) {
        self.interference = interference::Interference::default();
        self.tracking = tracking::Tracking::default();
        self.dropouts = dropouts::Dropouts::default();
        self.noise = noise::Noise::default();
        self.detail = detail::Detail::default();
    }

    fn measure(
        &mut self,
        around: &Neighbourhood<'_>,
        sync: &sync::Reading,
        border: line_timing::Border,
        effort: Effort,
    ) -> ShownReadings {
        let state = sync.state;
        let bars = self.bars.measure(bars::Input { around, state });
        let levels = self.levels.measure(levels::Input {
            around,
            state,
            border,
            bars: bars.found.map(|found| found.kind),
        });
        let chroma = self.chroma.measure(chroma::Input {
            around,
            state,
            levels: &levels,
        });
        if !effort.looks_at_condition() {
            return ShownReadings {
                levels,
                chroma,
                bars,
                ..ShownReadings::default()
            };
        }
        let interference = self.interference.measure(interference::Input {
            around,
            state,
            levels: &levels,
        });
        let tracking = self.tracking.measure(tracking::Input {
            around,
            state,
            area: &levels.area,
        });
        let dropouts = self.dropouts.measure(dropouts::Input {
            around,
            state,
            area: &levels.area,
            spoiled: tracking.spoiled(),
        });
        let noise = self.noise.measure(noise::Input {
            around,
            state,
            repeated: sync.repeated,
            levels: &levels,
        });
        let detail = self.detail.measure(detail::Input {
            field: around.field,
            state,
            repeated: sync.repeated,
            levels: &levels,
            noise: &noise,
        });
        ShownReadings {
            levels,
            chroma,
            bars,
            detail,
            dropouts,
            interference,
            noise,
            tracking,
        }
    }
}

/// What a quantity says: a number, or one of a few words.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// A number in the quantity's unit, with its standard error where it has one.
    Number {
        /// The number; always finite.
        value: f64,
        /// Its standard error.
        sigma: Option<f64>,
    },
    /// A count or a switch (0, 1): exact.
    Count(u64),
    /// One of the quantity's `words`.
    Word(&'static str),
}

impl Value {
    /// The value as a number; `None` for a word.
    #[must_use]
    pub fn number(self) -> Option<f64> {
        match self {
            Self::Number { value, .. } => Some(value),
            Self::Count(count) => Some(count as f64),
            Self::Word(_) => None,
        }
    }

    /// Its standard error; `None` where it has none.
    #[must_use]
    pub fn sigma(self) -> Option<f64> {
        match self {
            Self::Number { sigma, .. } => sigma,
            Self::Count(_) | Self::Word(_) => None,
        }
    }
}

impl<U: Unit> From<Estimate<U>> for Value {
    fn from(estimate: Estimate<U>) -> Self {
        Self::Number {
            value: estimate.value.get(),
            sigma: Some(estimate.sigma.get()),
        }
    }
}

/// The unit a quantity is printed in; its id ends in the unit's suffix.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum QuantityUnit {
    /// Nanoseconds.
    Ns,
    /// Microseconds.
    Us,
    /// Milliseconds.
    Ms,
    /// Field lines.
    Lines,
    /// A row of the field.
    Line,
    /// IRE on the digital scale.
    Ire,
    /// Percent.
    Pct,
    /// Decibels.
    Db,
    /// Degrees of hue.
    Deg,
    /// Megahertz.
    Mhz,
    /// 0 to 1.
    Ratio,
    /// A count.
    Count,
    /// Yes or no, as 1 or 0.
    Switch,
    /// One of a few words.
    Word,
    /// A probability, 0 to 1.
    Probability,
}

impl QuantityUnit {
    /// As printed beside a number; empty for counts and words.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Ns => "ns",
            Self::Us => "µs",
            Self::Ms => "ms",
            Self::Lines => "lines",
            Self::Ire => "IRE",
            Self::Pct => "%",
            Self::Db => "dB",
            Self::Deg => "°",
            Self::Mhz => "MHz",
            Self::Line
            | Self::Ratio
            | Self::Count
            | Self::Switch
            | Self::Word
            | Self::Probability => "",
        }
    }

    /// How an id in this unit ends; `None` where it has none.
    #[must_use]
    pub fn suffix(self) -> Option<&'static str> {
        match self {
            Self::Ns => Some("_ns"),
            Self::Us => Some("_us"),
            Self::Ms => Some("_ms"),
            Self::Ire => Some("_ire"),
            Self::Pct => Some("_pct"),
            Self::Db => Some("_db"),
            Self::Deg => Some("_deg"),
            Self::Mhz => Some("_mhz"),
            Self::Ratio => Some("_ratio"),
            Self::Lines => Some("lines"),
            Self::Line | Self::Count | Self::Switch | Self::Word | Self::Probability => None,
        }
    }
}

/// Which way a quantity is better.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Better {
    /// Smaller.
    Low,
    /// Larger.
    High,
    /// Nearer to zero, either sign.
    NearZero,
    /// It describes; no way is better.
    Neither,
}

/// The five things a pass is judged by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Group {
    /// Where the lines stand.
    Steadiness,
    /// Black, peak and between.
    Levels,
    /// Chroma.
    Colour,
    /// Whether every picture came, once.
    Continuity,
    /// Noise, detail, dropouts.
    Condition,
}

impl Group {
    /// All, in the order they are shown.
    pub const ALL: [Self; 5] = [
        Self::Steadiness,
        Self::Levels,
        Self::Colour,
        Self::Continuity,
        Self::Condition,
    ];

    /// As printed.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Steadiness => "steadiness",
            Self::Levels => "levels",
            Self::Colour => "colour",
            Self::Continuity => "continuity",
            Self::Condition => "condition",
        }
    }
}

/// One thing that is measured, as everything downstream sees it.
#[derive(Clone, Copy, Debug)]
pub struct Quantity {
    /// Permanent name: column, JSON and limit key.
    pub id: &'static str,
    /// Two or three words for a screen.
    pub label: &'static str,
    /// Unit.
    pub unit: QuantityUnit,
    /// Which way is better.
    pub better: Better,
    /// What it is judged with.
    pub group: Group,
    /// Smallest step worth storing, in the unit (numbers are stored as whole multiples of it).
    pub step: f64,
    /// For words: all of them, in the order they are stored. Empty otherwise; append only.
    pub words: &'static [&'static str],
    /// Definition, what usually causes a bad value, when it is absent; a few sentences.
    pub about: &'static str,
    /// Takes it out of the readings; `None` where it could not be measured.
    pub read: fn(&Readings) -> Option<Value>,
}

/// Every quantity, in the order of columns.
pub fn quantities() -> impl Iterator<Item = &'static Quantity> + Clone {
    [
        line_timing::QUANTITIES,
        flagging::QUANTITIES,
        head_switch::QUANTITIES,
        tear::QUANTITIES,
        sync::QUANTITIES,
        levels::QUANTITIES,
        chroma::QUANTITIES,
        bars::QUANTITIES,
        interference::QUANTITIES,
        tracking::QUANTITIES,
        dropouts::QUANTITIES,
        noise::QUANTITIES,
        detail::QUANTITIES,
    ]
    .into_iter()
    .flatten()
}

/// How many quantities there are: the size of a row.
pub const QUANTITY_COUNT: usize = line_timing::QUANTITIES.len()
    + flagging::QUANTITIES.len()
    + head_switch::QUANTITIES.len()
    + tear::QUANTITIES.len()
    + sync::QUANTITIES.len()
    + levels::QUANTITIES.len()
    + chroma::QUANTITIES.len()
    + bars::QUANTITIES.len()
    + interference::QUANTITIES.len()
    + tracking::QUANTITIES.len()
    + dropouts::QUANTITIES.len()
    + noise::QUANTITIES.len()
    + detail::QUANTITIES.len();

/// A quantity and its place in a row, by id.
#[must_use]
pub fn quantity(id: &str) -> Option<(usize, &'static Quantity)> {
    quantities()
        .enumerate()
        .find(|(_, quantity)| quantity.id == id)
}
