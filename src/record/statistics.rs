//! Streaming statistics of every quantity over programme fields.
//!
//! In: rows and the programme as it is found. Out: [`Figures`] a quantity. Whether a field was programme is known up to
//! two seconds late, so rows wait until it is. Quantiles come from a sketch of bounded relative error; worst, counts and
//! rms are exact.
//!
//! Does not know: limits, events, or what a quantity means beyond which way is better.

use std::collections::{BTreeMap, VecDeque};

use serde::{Deserialize, Serialize};
use sketches_ddsketch::{Config, DDSketch};

use super::Row;
use crate::alarms::{Phase, Programme};
use crate::fields::FieldPlace;
use crate::limits::Numbers;
use crate::measures::{Better, Quantity, QuantityUnit, Value, quantities, quantity};

/// Relative error of quantiles: 0.5 % are promised, 0.05 % go to rounding for print.
const QUANTILE_ERROR: f64 = 0.0045;

/// Values smaller than this are counted as zero: far below the step of any quantity.
const SMALLEST: f64 = 1e-6;

/// Bins of a sketch: enough from [`SMALLEST`] to 1e10 at [`QUANTILE_ERROR`], so that none are ever joined.
const MOST_BINS: u32 = 4_200;

/// Fields a second at most, to size what waits.
const FIELDS_A_SECOND: f64 = 60.0;

/// What is said of one quantity over the programme.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Figures {
    /// Of a quantity in words: how often each was said.
    Words {
        /// Fields by word; words never said are left out.
        counts: BTreeMap<String, u64>,
        /// Fields with a word.
        n: u64,
    },
    /// Of a number. All but `n` are absent when no field had one.
    Numbers {
        /// The middle one, with its sign.
        median: Option<f64>,
        /// What 95 % of fields are no worse than: by size for signed quantities, the 5th percentile where larger is
        /// better.
        p95: Option<f64>,
        /// The worst, with its sign.
        worst: Option<f64>,
        /// Of timing only: root of the mean square. Fields count alike, as weights by their own error would favour the
        /// quiet ones.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        rms: Option<f64>,
        /// Fields with a number.
        n: u64,
    },
}

/// The worst value of a quantity and where it stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worst {
    /// With its sign.
    pub value: f64,
    /// The first field that had it.
    pub place: FieldPlace,
}

#[derive(Clone)]
enum Tally {
    Words(Vec<u64>),
    Numbers(Box<Numeric>),
}

#[derive(Clone)]
struct Numeric {
    better: Better,
    values: DDSketch,
    /// For signed quantities: their size.
    sizes: Option<DDSketch>,
    worst: Option<Worst>,
    squares: f64,
    n: u64,
}

/// Statistics of a pass in progress.
#[derive(Clone)]
pub struct Statistics {
    tallies: Vec<Tally>,
    waiting: VecDeque<Row>,
    programme_fields: u64,
    lost_fields: u64,
    last: Option<FieldPlace>,
}

/// The quantity that tells of fields that are not there.
const LOST_FIELDS: &str = "sync.missing_fields";

impl Statistics {
    /// Of a pass that has not begun.
    #[must_use]
    pub fn new(numbers: &Numbers) -> Self {
        let longest_wait = numbers.start_s.max(numbers.end_s) + 1.0;
        Self {
            tallies: quantities().map(Tally::new).collect(),
            waiting: VecDeque::with_capacity((longest_wait * FIELDS_A_SECOND) as usize),
            programme_fields: 0,
            lost_fields: 0,
            last: None,
        }
    }

    /// Takes in the next field, after `programme` did.
    pub fn observe(&mut self, row: &Row, programme: &Programme) {
        self.last = Some(row.place);
        match programme.phase() {
            Phase::Outside => self.waiting.clear(),
            Phase::Starting | Phase::Ending => self.waiting.push_back(*row),
            Phase::Inside => {
                while let Some(waited) = self.waiting.pop_front() {
                    self.count(&waited);
                }
                self.count(row);
            }
        }
    }

    /// The pass is over, and `programme` knows: rows that still wait are counted if they were programme.
    pub fn finish(&mut self, programme: &Programme) {
        while let Some(row) = self.waiting.pop_front() {
            if programme.contains(row.place.field) {
                self.count(&row);
            }
        }
    }

    /// Fields of programme that arrived.
    #[must_use]
    pub fn programme_fields(&self) -> u64 {
        self.programme_fields
    }

    /// Fields missing from the programme, lost by the source or by us.
    #[must_use]
    pub fn lost_fields(&self) -> u64 {
        self.lost_fields
    }

    /// The last field of the pass so far, programme or not.
    #[must_use]
    pub fn last(&self) -> Option<FieldPlace> {
        self.last
    }

    /// Programme fields in which a quantity could be measured; 0 for one that does not exist.
    #[must_use]
    pub fn measured(&self, id: &str) -> u64 {
        match self.tally(id) {
            Some(Tally::Words(counts)) => counts.iter().sum(),
            Some(Tally::Numbers(numbers)) => numbers.n,
            None => 0,
        }
    }

    /// Programme fields in which a quantity said a word; 0 for one that does not exist.
    #[must_use]
    pub fn said(&self, id: &str, word: &str) -> u64 {
        let Some((at, quantity)) = quantity(id) else {
            return 0;
        };
        let place = quantity.words.iter().position(|&known| known == word);
        match (&self.tallies[at], place) {
            (Tally::Words(counts), Some(place)) => counts[place],
            _ => 0,
        }
    }

    /// The middle value of a quantity in the programme.
    #[must_use]
    pub fn median(&self, id: &str) -> Option<f64> {
        match self.tally(id)? {
            Tally::Numbers(numbers) => numbers.values.quantile(0.5).ok().flatten(),
            Tally::Words(_) => None,
        }
    }

    /// The worst value of a quantity in the programme.
    #[must_use]
    pub fn worst(&self, id: &str) -> Option<Worst> {
        match self.tally(id) {
            Some(Tally::Numbers(numbers)) => numbers.worst,
            _ => None,
        }
    }

    /// Figures of every quantity, in the order of columns.
    pub fn figures(&self) -> impl Iterator<Item = (&'static Quantity, Figures)> + '_ {
        let figures = quantities().zip(&self.tallies);
        figures.map(|(quantity, tally)| (quantity, tally.figures(quantity)))
    }

    fn tally(&self, id: &str) -> Option<&Tally> {
        quantity(id).map(|(at, _)| &self.tallies[at])
    }

    fn count(&mut self, row: &Row) {
        self.programme_fields += 1;
        for ((tally, quantity), value) in self.tallies.iter_mut().zip(quantities()).zip(row.values)
        {
            let Some(value) = value else {
                continue;
            };
            if let (LOST_FIELDS, Value::Count(lost)) = (quantity.id, value) {
                self.lost_fields += lost;
            }
            tally.count(value, quantity, row.place);
        }
    }
}

impl Tally {
    fn new(quantity: &Quantity) -> Self {
        if quantity.unit == QuantityUnit::Word {
            return Self::Words(vec![0; quantity.words.len()]);
        }
        let sketch = || DDSketch::new(Config::new(QUANTILE_ERROR, MOST_BINS, SMALLEST));
        Self::Numbers(Box::new(Numeric {
            better: quantity.better,
            values: sketch(),
            sizes: (quantity.better == Better::NearZero).then(sketch),
            worst: None,
            squares: 0.0,
            n: 0,
        }))
    }

    fn count(&mut self, value: Value, quantity: &Quantity, place: FieldPlace) {
        match (self, value) {
            (Self::Words(counts), Value::Word(word)) => {
                if let Some(at) = quantity.words.iter().position(|&known| known == word) {
                    counts[at] += 1;
                }
            }
            (Self::Numbers(numbers), Value::Number { value, .. }) => numbers.count(value, place),
            (Self::Numbers(numbers), Value::Count(count)) => numbers.count(count as f64, place),
            (Self::Words(_), _) | (Self::Numbers(_), Value::Word(_)) => {}
        }
    }

    fn figures(&self, quantity: &Quantity) -> Figures {
        match self {
            Self::Words(counts) => {
                let said = quantity.words.iter().zip(counts);
                let said = said.filter(|&(_, &count)| count > 0);
                Figures::Words {
                    counts: said
                        .map(|(&word, &count)| (word.to_owned(), count))
                        .collect(),
                    n: counts.iter().sum(),
                }
            }
            Self::Numbers(numbers) => numbers.figures(quantity.id.ends_with("_rms_ns")),
        }
    }
}

impl Numeric {
    fn count(&mut self, value: f64, place: FieldPlace) {
        self.values.add(value);
        if let Some(sizes) = &mut self.sizes {
            sizes.add(value.abs());
        }
        self.n += 1;
        self.squares += value * value;
        let worse = self.worst.is_none_or(|worst| match self.better {
            Better::High => value < worst.value,
            Better::NearZero => value.abs() > worst.value.abs(),
            Better::Low | Better::Neither => value > worst.value,
        });
        if worse {
            self.worst = Some(Worst { value, place });
        }
    }

    fn figures(&self, timing_rms: bool) -> Figures {
        let p95 = match (&self.sizes, self.better) {
            (Some(sizes), _) => quantile(sizes, 0.95),
            (None, Better::High) => quantile(&self.values, 0.05),
            (None, _) => quantile(&self.values, 0.95),
        };
        Figures::Numbers {
            median: quantile(&self.values, 0.5),
            p95,
            worst: self.worst.map(|worst| worst.value),
            rms: (timing_rms && self.n > 0)
                .then(|| four_digits((self.squares / self.n as f64).sqrt())),
            n: self.n,
        }
    }
}

/// A quantile of the values seen, which the sketch's own rounding must not lead out of their range.
fn quantile(sketch: &DDSketch, share: f64) -> Option<f64> {
    let value = sketch.quantile(share).ok().flatten()?;
    let (least, most) = (sketch.min()?, sketch.max()?);
    Some(four_digits(value).clamp(least, most))
}

/// More digits would be noise of the sketch.
fn four_digits(value: f64) -> f64 {
    format!("{value:.3e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::{blank, exactly, healthy, wobbling};
    use crate::measures::sync::State;
    use crate::record::played::{Stretch, pass_of};
    use crate::units::Nanos;

    fn statistics_of(stretches: &[Stretch<'_>]) -> Statistics {
        pass_of(stretches).statistics
    }

    fn figures_of(statistics: &Statistics, id: &str) -> Figures {
        let mut figures = statistics.figures();
        let found = figures.find(|(quantity, _)| quantity.id == id);
        found.map(|(_, figures)| figures).expect("a quantity")
    }

    #[test]
    fn only_programme_counts_from_its_first_field_to_its_last() {
        let snow = |field| blank(field, State::Snow);
        let statistics = statistics_of(&[(100, &snow), (333, &healthy), (200, &snow)]);
        assert_eq!(statistics.programme_fields(), 333);
        assert_eq!(statistics.measured("line_timing.error_rms_ns"), 333);
        let Figures::Words { counts, n } = figures_of(&statistics, "sync.state") else {
            panic!("states are words");
        };
        assert_eq!((counts["locked"], n), (333, 333));
    }

    #[test]
    fn a_short_gap_counts_as_programme_without_a_picture() {
        let snow = |field| blank(field, State::Snow);
        let statistics = statistics_of(&[(300, &healthy), (60, &snow), (300, &healthy)]);
        assert_eq!(statistics.programme_fields(), 660);
        assert_eq!(statistics.measured("line_timing.error_rms_ns"), 600);
    }

    #[test]
    fn a_pass_that_ends_in_a_gap_ends_before_it() {
        let snow = |field| blank(field, State::Snow);
        let statistics = statistics_of(&[(300, &healthy), (60, &snow)]);
        assert_eq!(statistics.programme_fields(), 300);
    }

    #[test]
    fn quantiles_are_within_half_a_percent() {
        let rising = |field: u64| wobbling(field, 10.0 + field as f64);
        let statistics = statistics_of(&[(10_001, &rising)]);
        let Figures::Numbers {
            median,
            p95,
            worst,
            n,
            ..
        } = figures_of(&statistics, "line_timing.error_rms_ns")
        else {
            panic!("a number");
        };
        for (found, exact) in [(median, 5_010.0), (p95, 9_510.0)] {
            let error = found.expect("fields") / exact - 1.0;
            assert!(error.abs() <= 0.005, "{found:?} for {exact}");
        }
        assert_eq!((worst, n), (Some(10_010.0), 10_001));
    }

    #[test]
    fn the_pass_figure_of_timing_combines_squares() {
        let uneven =
            |field: u64| wobbling(field, if field.is_multiple_of(2) { 10.0 } else { 70.0 });
        let statistics = statistics_of(&[(2_000, &uneven)]);
        let Figures::Numbers { rms, .. } = figures_of(&statistics, "line_timing.error_rms_ns")
        else {
            panic!("a number");
        };
        // √((10² + 70²)/2) = 50; the mean of the rms values would be 40
        assert!((rms.expect("timing") - 50.0).abs() < 1e-9, "{rms:?}");
        let flagging = figures_of(&statistics, "flagging.offset_ns");
        assert!(matches!(flagging, Figures::Numbers { rms: None, .. }));
    }

    #[test]
    fn signed_quantities_are_judged_by_size_and_keep_the_sign_of_their_worst() {
        let bent = |field: u64| {
            let mut readings = healthy(field);
            readings.flagging.offset = exactly(Nanos(if field == 500 { -900.0 } else { -100.0 }));
            readings
        };
        let statistics = statistics_of(&[(1_000, &bent)]);
        let worst = statistics.worst("flagging.offset_ns").expect("fields");
        assert_eq!((worst.value, worst.place.field.0), (-900.0, 500));
        let Figures::Numbers { median, p95, .. } = figures_of(&statistics, "flagging.offset_ns")
        else {
            panic!("a number");
        };
        assert!((median.expect("fields") + 100.0).abs() <= 0.5, "{median:?}");
        assert!((p95.expect("fields") - 100.0).abs() <= 0.5, "{p95:?}");
    }

    #[test]
    fn what_could_not_be_measured_is_absent_and_not_zero() {
        let dark = |field| blank(field, State::Locked);
        let statistics = statistics_of(&[(300, &dark)]);
        let figures = figures_of(&statistics, "levels.black_ire");
        let json = serde_json::to_value(&figures).expect("plain data");
        assert!(json["median"].is_null() && json["worst"].is_null());
        assert_eq!(json["n"], 0);
        assert_eq!(serde_json::from_value::<Figures>(json).ok(), Some(figures));
    }

    #[test]
    fn nothing_waits_longer_than_was_made_room_for() {
        let mut programme = Programme::new(&Numbers::default());
        let mut statistics = Statistics::new(&Numbers::default());
        let room = statistics.waiting.capacity();
        for field in 0..5_000 {
            let state = if field % 127 < 119 && field > 300 {
                State::Snow
            } else {
                State::Locked
            };
            let row = Row::from(&blank(field, state));
            programme.observe(row.place, state);
            statistics.observe(&row, &programme);
            assert!(statistics.waiting.len() < room);
        }
    }
}
