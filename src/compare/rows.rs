//! Every quantity of all passes over the same stretches of tape, and whether passes differ in it.
//!
//! In: the [`Tally`] of every pass. Out: [`Row`]s. Timing combines squares, as do quantities that are better the nearer they are to
//! zero; counts are told a minute; all others are means. A second counts where both passes measured at least half of its
//! fields. How long a quantity remembers stands in a table here: seconds nearer than that are one and the same evidence.
//!
//! Does not know: which rows matter more than others.

use serde::Serialize;

use crate::measures::{Better, Quantity, QuantityUnit, quantities};
use crate::units::Seconds;

use super::bootstrap::{ALPHA, Interval, LEAST_BLOCKS, block_length, bootstrap};
use super::shared::Shared;
use super::tally::{Sums, Tally};

/// What is made of the fields of a quantity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Statistic {
    /// Their mean.
    Mean,
    /// The root of their mean square.
    Rms,
    /// Their sum, a minute.
    PerMinute,
}

/// Whether the second of two passes is better.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It is.
    Better,
    /// It is worse.
    Worse,
    /// They differ in what is neither good nor bad.
    Differs,
    /// The evidence does not tell.
    CannotBeTold,
}

impl Verdict {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Better => "better",
            Self::Worse => "worse",
            Self::Differs => "differs",
            Self::CannotBeTold => "cannot be told",
        }
    }
}

/// One quantity.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// Permanent name.
    pub id: &'static str,
    /// For a screen.
    pub label: &'static str,
    /// Unit, as printed.
    pub unit: String,
    /// Which way is better.
    pub better: Better,
    /// What it is judged with.
    pub group: &'static str,
    /// What is made of its fields.
    pub statistic: Statistic,
    /// Decimals that its step warrants.
    #[serde(skip)]
    pub decimals: usize,
    /// Of each pass, over the seconds in which it has one; `None` where it was not measurable.
    pub values: Vec<Option<f64>>,
    /// Each two passes.
    pub pairs: Vec<Pair>,
}

/// Two passes in one row.
#[derive(Clone, Debug, Serialize)]
pub struct Pair {
    /// Place of the one.
    pub first: usize,
    /// Place of the other.
    pub second: usize,
    /// Seconds that tell of both.
    pub seconds: usize,
    /// The other's value less the one's, with its interval; `None` with too little evidence.
    pub difference: Option<Interval>,
    /// Of timing: the other's value over the one's, in dB.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ratio_db: Option<Interval>,
    /// Chance of such a difference between equal chains, adjusted for the number of rows.
    pub chance: Option<f64>,
    /// Whether the other is better.
    pub verdict: Verdict,
    /// Why there is no interval.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why_none: Option<String>,
    /// Minutes of tape more until it could be told, if it stays as it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes_more: Option<f64>,
}

/// Seconds over which a quantity is one and the same evidence, by the beginning of its id, and why.
const MEMORIES: &[(&str, usize, &str)] = &[
    ("detail.", 120, "the best of two minutes is held"),
    (
        "chroma.bandwidth",
        40,
        "windows of a thousand fields are weighed together",
    ),
    (
        "chroma.delay",
        8,
        "windows of two hundred fields are weighed together",
    ),
    (
        "levels.setup",
        300,
        "scenes of five minutes are weighed together",
    ),
    ("levels.drift", 60, "slow movements of level are looked for"),
    ("interference.", 10, "spectra of seconds are averaged"),
    (
        "noise.",
        4,
        "the places of least picture are those of some seconds",
    ),
    ("tracking.", 4, "the settled state is held against"),
    ("head_switch.", 2, "the settled place is held against"),
];

/// Sums that run on from the start of a pass say nothing of a stretch of it.
const RUNNING: [&str; 1] = ["sync.slip_ms"];

/// Longest wait that is worth stating.
const MOST_MINUTES: f64 = 600.0;

/// Seconds over which a quantity is one and the same evidence.
pub(super) fn memory(id: &str) -> usize {
    let known = MEMORIES.iter().find(|(prefix, ..)| id.starts_with(prefix));
    known.map_or(1, |(_, seconds, _)| *seconds)
}

/// What is made of a quantity's fields; `None` where it cannot be compared.
pub(super) fn statistic(quantity: &Quantity) -> Option<Statistic> {
    if RUNNING.contains(&quantity.id) {
        return None;
    }
    match quantity.unit {
        QuantityUnit::Word | QuantityUnit::Line | QuantityUnit::Probability => None,
        QuantityUnit::Count | QuantityUnit::Switch => Some(Statistic::PerMinute),
        _ if quantity.better == Better::NearZero || quantity.id.ends_with("_rms_ns") => {
            Some(Statistic::Rms)
        }
        _ => Some(Statistic::Mean),
    }
}

/// Every quantity that any pass has.
pub(super) fn rows(tallies: &[Tally], shared: &Shared, period: Seconds) -> Vec<Row> {
    let mut rows = Vec::new();
    for (place, quantity) in quantities().enumerate() {
        let Some(statistic) = statistic(quantity) else {
            continue;
        };
        let maker = Maker {
            statistic,
            fields_a_minute: 60.0 / period.0,
        };
        let values: Vec<Option<f64>> = tallies
            .iter()
            .map(|tally| maker.whole(tally.seconds(place)))
            .collect();
        if values.iter().all(Option::is_none) {
            continue;
        }
        let suffix = match statistic {
            Statistic::PerMinute => " a minute",
            Statistic::Rms => " rms",
            Statistic::Mean => "",
        };
        rows.push(Row {
            id: quantity.id,
            label: quantity.label,
            unit: format!("{}{suffix}", quantity.unit.symbol())
                .trim_start()
                .to_owned(),
            better: quantity.better,
            group: quantity.group.word(),
            statistic,
            decimals: decimals(quantity.step),
            values,
            pairs: each_pair(tallies.len())
                .map(|(first, second)| {
                    let (one, other) = (
                        tallies[first].seconds(place),
                        tallies[second].seconds(place),
                    );
                    maker.pair(
                        (first, second),
                        quantity,
                        &both(one, other, &shared.of_second),
                    )
                })
                .collect(),
        });
    }
    rows
}

/// Places of every two passes.
pub(super) fn each_pair(passes: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..passes).flat_map(move |first| (first + 1..passes).map(move |second| (first, second)))
}

fn decimals(step: f64) -> usize {
    (0..4)
        .find(|&digits| step * 10_f64.powi(digits) >= 0.999)
        .unwrap_or(4) as usize
}

/// A second of two passes: mean, mean square of each.
#[derive(Clone, Copy, Debug)]
pub(super) struct Both {
    pub(super) means: [f64; 2],
    pub(super) squares: [f64; 2],
}

/// Seconds that tell of both.
pub(super) fn both(one: &[Sums], other: &[Sums], of_second: &[u32]) -> Vec<Both> {
    let seconds = one.iter().zip(other).zip(of_second);
    seconds
        .filter(|((one, other), fields)| {
            **fields >= LEAST_FIELDS && 2 * one.n >= **fields && 2 * other.n >= **fields
        })
        .map(|((one, other), _)| Both {
            means: [one, other].map(|sums| f64::from(sums.sum) / f64::from(sums.n)),
            squares: [one, other].map(|sums| f64::from(sums.squares) / f64::from(sums.n)),
        })
        .collect()
}

/// Fields that a second must share to count: a quarter of it.
const LEAST_FIELDS: u32 = 12;

struct Maker {
    statistic: Statistic,
    fields_a_minute: f64,
}

impl Maker {
    fn whole(&self, seconds: &[Sums]) -> Option<f64> {
        let n: f64 = seconds.iter().map(|sums| f64::from(sums.n)).sum();
        let sum = |part: fn(&Sums) -> f32| {
            seconds
                .iter()
                .map(|sums| f64::from(part(sums)))
                .sum::<f64>()
                / n
        };
        (n > 0.0).then(|| self.value(sum(|sums| sums.sum), sum(|sums| sums.squares)))
    }

    fn value(&self, mean: f64, square: f64) -> f64 {
        match self.statistic {
            Statistic::Mean => mean,
            Statistic::Rms => square.max(0.0).sqrt(),
            Statistic::PerMinute => mean * self.fields_a_minute,
        }
    }

    fn pair(&self, (first, second): (usize, usize), quantity: &Quantity, seconds: &[Both]) -> Pair {
        let differences: Vec<f64> = seconds
            .iter()
            .map(|both| {
                let [one, other] = [0, 1].map(|at| self.value(both.means[at], both.squares[at]));
                other - one
            })
            .collect();
        let memory = memory(quantity.id);
        let block = block_length(&differences, memory);
        let sums: Vec<[f64; 3]> = seconds
            .iter()
            .map(|both| match self.statistic {
                Statistic::Rms => [both.squares[0], both.squares[1], 1.0],
                Statistic::Mean | Statistic::PerMinute => [both.means[0], both.means[1], 1.0],
            })
            .collect();
        let value = |sum: f64, n: f64| self.value(sum / n, sum / n);
        let difference = bootstrap(&sums, block, |[one, other, n]| {
            Some(value(*other, *n) - value(*one, *n))
        });
        let ratio_db = (self.statistic == Statistic::Rms && quantity.unit == QuantityUnit::Ns)
            .then(|| {
                bootstrap(&sums, block, |[one, other, _]| {
                    (*one > 0.0 && *other > 0.0).then(|| 10.0 * (other / one).log10())
                })
            })
            .flatten();
        let why_none = difference
            .is_none()
            .then(|| why_none(seconds.len(), memory));
        Pair {
            first,
            second,
            seconds: seconds.len(),
            difference,
            ratio_db,
            chance: None,
            verdict: Verdict::CannotBeTold,
            why_none,
            minutes_more: None,
        }
    }
}

fn why_none(seconds: usize, memory: usize) -> String {
    let needed = LEAST_BLOCKS * memory;
    if seconds == 0 {
        "not measurable in both at once".to_owned()
    } else if seconds < needed {
        format!("{seconds} s tell of both; it takes {needed} s, as one value speaks of {memory} s")
    } else {
        format!("{seconds} s tell of both, which is too little")
    }
}

impl Pair {
    /// Judges by the chance after adjustment.
    pub(super) fn judge(&mut self, adjusted: f64, better: Better) {
        let Some(difference) = self.difference else {
            return;
        };
        self.chance = Some(adjusted);
        if adjusted >= ALPHA {
            self.minutes_more = minutes_more(difference, self.seconds);
            return;
        }
        self.verdict = match better {
            Better::Low | Better::NearZero if difference.value < 0.0 => Verdict::Better,
            Better::High if difference.value > 0.0 => Verdict::Better,
            Better::Low | Better::NearZero | Better::High => Verdict::Worse,
            Better::Neither => Verdict::Differs,
        };
    }
}

/// Minutes more of the same until a difference of this size is told; `None` where there is none to tell, or it takes hours.
pub(super) fn minutes_more(difference: Interval, seconds: usize) -> Option<f64> {
    if difference.value == 0.0 {
        return None;
    }
    // three and a half standard errors stand for certainty among some tens of rows
    let errors = 3.5 * difference.error / difference.value.abs();
    let minutes = (errors * errors - 1.0) * seconds as f64 / 60.0;
    (minutes > 0.0 && minutes < MOST_MINUTES).then_some(minutes)
}
