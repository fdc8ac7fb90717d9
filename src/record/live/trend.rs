//! How the shown quantities went: field by field for half a minute, second by second for an hour.
//!
//! In: one value a quantity a field. Out: [`Band`]s over any span, one a column of a chart. Both rings have their full
//! size from the start; a field costs a few copies, a second one sort of at most [`SECOND_VALUES`] numbers a quantity.
//!
//! Does not know: units, limits, or how a trend is drawn.

use std::collections::VecDeque;

use crate::units::Seconds;

/// A quantity whose course is kept for the screen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    /// Wobble of the line starts, in ns.
    LineError,
    /// Displacement at the top of the picture, in ns.
    Flagging,
    /// Black, in IRE.
    Black,
    /// Peak, in IRE.
    Peak,
    /// Unsteadiness of the picture: 0 locked, 1 unstable, 2 lost or no picture.
    Sync,
    /// Fields lost before a field, and 1 where a picture was shown again.
    Source,
    /// Colour of what should be grey, in percent.
    Cast,
    /// Weighted luma noise, in dB.
    Noise,
    /// Where detail ends, in MHz.
    Detail,
}

impl Shown {
    /// All, in the order they are shown.
    pub const ALL: [Self; SHOWN] = [
        Self::LineError,
        Self::Flagging,
        Self::Black,
        Self::Peak,
        Self::Sync,
        Self::Source,
        Self::Cast,
        Self::Noise,
        Self::Detail,
    ];

    /// The quantity it is the course of, where it is that of one alone and a number.
    #[must_use]
    pub fn quantity(self) -> Option<&'static str> {
        match self {
            Self::LineError => Some("line_timing.error_rms_ns"),
            Self::Flagging => Some("flagging.offset_ns"),
            Self::Black => Some("levels.black_ire"),
            Self::Peak => Some("levels.peak_ire"),
            Self::Noise => Some("noise.luma_weighted_db"),
            Self::Detail => Some("detail.bandwidth_mhz"),
            Self::Sync | Self::Source | Self::Cast => None,
        }
    }
}

/// How many quantities are kept.
pub const SHOWN: usize = 9;

/// What one field says of each.
pub type Values = [Option<f32>; SHOWN];

/// The course of one quantity over a stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Lowest value.
    pub low: f32,
    /// Median of a second, mean of medians over longer stretches.
    pub typical: f32,
    /// Highest value.
    pub high: f32,
    /// Fields that showed the quantity.
    pub fields: u32,
}

impl Band {
    fn of(value: f32) -> Self {
        Self {
            low: value,
            typical: value,
            high: value,
            fields: 1,
        }
    }

    fn and(self, other: Self) -> Self {
        let fields = self.fields + other.fields;
        let share = other.fields as f32 / fields as f32;
        Self {
            low: self.low.min(other.low),
            typical: self.typical + share * (other.typical - self.typical),
            high: self.high.max(other.high),
            fields,
        }
    }
}

/// Fields kept one by one: half a minute at 60 fields a second.
pub(super) const FIELD_POINTS: usize = 1800;

/// Seconds kept: an hour and a quarter, so that a whole hour shows behind the span that is still filling.
pub(super) const SECOND_POINTS: usize = 4500;

/// Values of a second that its median is taken of; 60 fields come in one.
const SECOND_VALUES: usize = 64;

/// The longest span drawn field by field.
pub const FIELD_SPAN: Seconds = Seconds(30.0);

#[derive(Clone, Copy, Debug)]
struct FieldPoint {
    seconds: f64,
    values: Values,
}

#[derive(Clone, Debug)]
struct OpenSecond {
    second: u64,
    values: [[f32; SECOND_VALUES]; SHOWN],
    counts: [usize; SHOWN],
}

impl OpenSecond {
    fn at(second: u64) -> Self {
        Self {
            second,
            values: [[0.0; SECOND_VALUES]; SHOWN],
            counts: [0; SHOWN],
        }
    }

    fn add(&mut self, values: &Values) {
        for ((kept, count), value) in self.values.iter_mut().zip(&mut self.counts).zip(values) {
            if let (Some(value), Some(free)) = (value, kept.get_mut(*count)) {
                *free = *value;
                *count += 1;
            }
        }
    }

    fn close(&mut self) -> [Option<Band>; SHOWN] {
        let mut bands = [None; SHOWN];
        for (band, (kept, &count)) in bands
            .iter_mut()
            .zip(self.values.iter_mut().zip(&self.counts))
        {
            let kept = &mut kept[..count];
            kept.sort_unstable_by(f32::total_cmp);
            if let (Some(&low), Some(&high)) = (kept.first(), kept.last()) {
                *band = Some(Band {
                    low,
                    typical: kept[count / 2],
                    high,
                    fields: count as u32,
                });
            }
        }
        bands
    }
}

/// The kept course of all shown quantities.
#[derive(Clone, Debug)]
pub struct Trends {
    fields: VecDeque<FieldPoint>,
    /// Newest last; the last one is of the second before `open.second`.
    seconds: VecDeque<[Option<Band>; SHOWN]>,
    open: OpenSecond,
}

impl Default for Trends {
    fn default() -> Self {
        Self {
            fields: VecDeque::with_capacity(FIELD_POINTS),
            seconds: VecDeque::with_capacity(SECOND_POINTS),
            open: OpenSecond::at(0),
        }
    }
}

impl Trends {
    /// Takes one field's values; fields come in the order of time.
    pub fn push(&mut self, at: Seconds, values: Values) {
        if self.fields.len() == FIELD_POINTS {
            self.fields.pop_front();
        }
        self.fields.push_back(FieldPoint {
            seconds: at.0,
            values,
        });
        let second = at.0.max(0.0) as u64;
        if second > self.open.second {
            self.roll_to(second);
        }
        self.open.add(&values);
    }

    fn roll_to(&mut self, second: u64) {
        let closed = self.open.close();
        self.keep(closed);
        let silent = (second - self.open.second - 1).min(SECOND_POINTS as u64);
        for _ in 0..silent {
            self.keep([None; SHOWN]);
        }
        self.open.second = second;
        self.open.counts = [0; SHOWN];
    }

    fn keep(&mut self, bands: [Option<Band>; SHOWN]) {
        if self.seconds.len() == SECOND_POINTS {
            self.seconds.pop_front();
        }
        self.seconds.push_back(bands);
    }

    /// The last `count` values of a quantity, newest first; fields that did not show it are left out.
    pub fn latest(&self, shown: Shown, count: usize) -> impl Iterator<Item = f32> + '_ {
        self.fields
            .iter()
            .rev()
            .take(count)
            .filter_map(move |point| point.values[shown as usize])
    }

    /// The course over the last `span`, one band a column, newest last; `None` where nothing was measured.
    ///
    /// Columns begin at whole multiples of their length, so that a chart moves by whole columns and does not shimmer.
    pub fn bands(&self, shown: Shown, span: Seconds, columns: &mut [Option<Band>]) {
        columns.fill(None);
        let Some(now) = self.fields.back().map(|point| point.seconds) else {
            return;
        };
        if columns.is_empty() {
            return;
        }
        let index = shown as usize;
        if span <= FIELD_SPAN {
            let axis = Axis::ending(now, span, columns.len());
            for point in &self.fields {
                if let (Some(column), Some(value)) =
                    (axis.column(point.seconds), point.values[index])
                {
                    merge(&mut columns[column], Band::of(value));
                }
            }
        } else {
            // the second that is still filling is not shown
            let complete = self.open.second as f64 - 0.001;
            let axis = Axis::ending(complete, span, columns.len());
            self.second_bands(index, &axis, columns);
        }
    }

    fn second_bands(&self, index: usize, axis: &Axis, columns: &mut [Option<Band>]) {
        for (age, bands) in self.seconds.iter().rev().enumerate() {
            let Some(second) = self.open.second.checked_sub(age as u64 + 1) else {
                break;
            };
            let start = second as f64;
            if axis.is_before(start + 0.999) {
                break;
            }
            let last = axis.column(start + 0.999).unwrap_or(columns.len() - 1);
            let first = axis.column(start).unwrap_or(0).min(last);
            if let Some(band) = bands[index] {
                for column in &mut columns[first..=last] {
                    merge(column, band);
                }
            }
        }
    }
}

fn merge(column: &mut Option<Band>, band: Band) {
    *column = Some(column.map_or(band, |so_far| so_far.and(band)));
}

/// Columns of equal length, the last of which holds the present.
pub(super) struct Axis {
    step: f64,
    newest: f64,
    columns: usize,
}

impl Axis {
    pub(super) fn ending(now: f64, span: Seconds, columns: usize) -> Self {
        let step = span.0 / columns as f64;
        Self {
            step,
            newest: (now / step).floor(),
            columns,
        }
    }

    pub(super) fn column(&self, seconds: f64) -> Option<usize> {
        let age = self.newest - (seconds / self.step).floor();
        (age >= 0.0 && age < self.columns as f64).then(|| self.columns - 1 - age as usize)
    }

    fn is_before(&self, seconds: f64) -> bool {
        self.newest - (seconds / self.step).floor() >= self.columns as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn only_black(value: f32) -> Values {
        let mut values = [None; SHOWN];
        values[Shown::Black as usize] = Some(value);
        values
    }

    /// `seconds` seconds of 50 fields; each field's value is its second.
    fn filled(seconds: u32) -> Trends {
        let mut trends = Trends::default();
        for field in 0..seconds * 50 {
            let at = Seconds(f64::from(field) / 50.0);
            trends.push(at, only_black((field / 50) as f32));
        }
        trends
    }

    #[test]
    fn rings_stay_at_their_size_however_long_a_pass_lasts() {
        let trends = filled(SECOND_POINTS as u32 + 100);
        assert_eq!(trends.fields.len(), FIELD_POINTS);
        assert_eq!(trends.seconds.len(), SECOND_POINTS);
        assert_eq!(trends.fields.capacity(), FIELD_POINTS);
        assert_eq!(trends.seconds.capacity(), SECOND_POINTS);
    }

    #[test]
    fn a_second_keeps_its_lowest_median_and_highest_value() {
        let mut trends = Trends::default();
        for field in 0_u8..51 {
            let value = if field == 7 { 90.0 } else { f32::from(field) };
            trends.push(Seconds(f64::from(field) / 50.0), only_black(value));
        }
        let band = trends.seconds[0][Shown::Black as usize];
        let expected = Band {
            low: 0.0,
            typical: 26.0,
            high: 90.0,
            fields: 50,
        };
        assert_eq!(band, Some(expected));
    }

    #[test]
    fn an_hour_shows_in_order_and_ends_with_the_newest_whole_second() {
        let trends = filled(4000);
        let mut columns = [None; 60];
        trends.bands(Shown::Black, Seconds(3600.0), &mut columns);
        let typical: Vec<f32> = columns.iter().flatten().map(|band| band.typical).collect();
        assert_eq!(typical.len(), 60);
        assert!(typical.is_sorted(), "{typical:?}");
        assert_eq!(columns[59].map(|band| band.high), Some(3998.0));
    }

    #[test]
    fn short_spans_are_drawn_field_by_field() {
        let trends = filled(60);
        let mut columns = [None; 20];
        trends.bands(Shown::Black, Seconds(10.0), &mut columns);
        let newest = columns[19].expect("the newest column is never empty while fields come");
        assert_eq!((newest.low, newest.high), (59.0, 59.0));
        assert_eq!(columns[0].map(|band| band.low), Some(50.0));
    }

    #[test]
    fn a_stretch_without_fields_is_a_gap() {
        let mut trends = filled(5);
        trends.push(Seconds(40.0), only_black(1.0));
        trends.push(Seconds(41.0), only_black(1.0));
        let mut columns = [None; 60];
        trends.bands(Shown::Black, Seconds(60.0), &mut columns);
        let shown: Vec<bool> = columns.iter().map(Option::is_some).collect();
        assert_eq!(shown.iter().filter(|&&some| some).count(), 6, "{shown:?}");
        assert_eq!(columns[59].map(|band| band.fields), Some(1));
    }

    #[test]
    fn seconds_fill_all_columns_when_there_are_more_columns_than_seconds() {
        let trends = filled(90);
        let mut columns = [None; 150];
        trends.bands(Shown::Black, Seconds(60.0), &mut columns);
        let gaps = columns[..147].iter().filter(|band| band.is_none()).count();
        assert_eq!(gaps, 0);
    }

    #[test]
    fn what_a_field_does_not_show_stays_absent() {
        let trends = filled(3);
        let mut columns = [None; 8];
        trends.bands(Shown::Peak, Seconds(10.0), &mut columns);
        assert_eq!(columns, [None; 8]);
        assert_eq!(trends.latest(Shown::Peak, 10).count(), 0);
    }
}
