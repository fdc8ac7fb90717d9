//! How well the player tracks, in points: now, at best, and how it went, to turn the tracking knob by.
//!
//! In: readings, field by field. Out: a [`Quality`] every half second. Points run from 0 to 100: the noise between fields, 20 dB at
//! 0 and 45 dB at 100; less 2 for each dropout in a field, 30 at most; less 3 for each percent of the picture's height in a band
//! of noise, 60 at most. A field that is snow, or has lost its lock, has none. All of it depends on the picture a little and on the
//! tape a lot: points of one tape compare with each other, and with nothing else.
//!
//! Does not know: where the knob stands, or how points are drawn.

use std::collections::VecDeque;

use super::trend::Axis;
use crate::measures::{Readings, sync::State};
use crate::units::Seconds;

/// Time over which points are averaged: short enough to turn a knob by.
const SLOT: Seconds = Seconds(0.5);

/// Averages that are kept: ten minutes, longer than anybody turns a knob.
const SLOTS: usize = 1200;

/// Noise between fields at 0 and at 100 points, in dB.
const NOISE_DB: (f64, f64) = (20.0, 50.0);

/// Points that a dropout in each field costs, and what they cost at most.
const PER_DROPOUT: f64 = 2.0;
const DROPOUTS_MOST: f64 = 30.0;

/// Points that a percent of the height in a band costs, and what it costs at most.
const PER_BAND_PERCENT: f64 = 3.0;
const BAND_MOST: f64 = 60.0;

/// Fields without which a slot says nothing.
const LEAST_FIELDS: u32 = 8;

/// Averages that make a tendency: now against a second and a half ago.
const TENDENCY_SLOTS: usize = 3;

/// Tracking over half a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quality {
    /// When it began.
    pub at: Seconds,
    /// Mean of the fields' points, 0 to 100.
    pub points: f64,
    /// Mean noise between fields in dB; `None` where no field showed it.
    pub noise_db: Option<f64>,
    /// Mean number of dropouts in a field.
    pub dropouts: f64,
    /// Mean height of the band of noise, in lines.
    pub band_lines: f64,
}

/// Sums of the slot that is filling.
#[derive(Clone, Copy, Debug, Default)]
struct Filling {
    number: u64,
    fields: u32,
    points: f64,
    noise: f64,
    noise_fields: u32,
    dropouts: f64,
    band_lines: f64,
}

/// The course of tracking over the last minutes.
#[derive(Clone, Debug)]
pub struct TrackingCourse {
    slots: VecDeque<Quality>,
    filling: Filling,
}

impl Default for TrackingCourse {
    fn default() -> Self {
        Self {
            slots: VecDeque::with_capacity(SLOTS),
            filling: Filling::default(),
        }
    }
}

impl TrackingCourse {
    /// Takes one field; fields come in the order of time.
    pub fn push(&mut self, readings: &Readings) {
        let number = (readings.place.seconds.0.max(0.0) / SLOT.0) as u64;
        if number != self.filling.number {
            self.close();
            self.filling.number = number;
        }
        let Some(points) = points(readings) else {
            return;
        };
        let tracking = &readings.tracking;
        let filling = &mut self.filling;
        filling.fields += 1;
        filling.points += points;
        filling.dropouts += readings.dropouts.count.unwrap_or(0) as f64;
        filling.band_lines += tracking.band_lines().unwrap_or(0) as f64;
        if let Some(noise) = tracking.noise {
            filling.noise += noise.0;
            filling.noise_fields += 1;
        }
    }

    fn close(&mut self) {
        let filling = std::mem::take(&mut self.filling);
        if filling.fields < LEAST_FIELDS {
            return;
        }
        if self.slots.len() == SLOTS {
            self.slots.pop_front();
        }
        let fields = f64::from(filling.fields);
        self.slots.push_back(Quality {
            at: SLOT * filling.number as f64,
            points: filling.points / fields,
            noise_db: (filling.noise_fields > 0)
                .then(|| filling.noise / f64::from(filling.noise_fields)),
            dropouts: filling.dropouts / fields,
            band_lines: filling.band_lines / fields,
        });
    }

    /// The last half second that is over; `None` before one, and after it has been absent for two.
    #[must_use]
    pub fn now(&self) -> Option<&Quality> {
        let last = self.slots.back()?;
        let current = SLOT * self.filling.number as f64;
        (current - last.at <= SLOT * 2.0).then_some(last)
    }

    /// The best half second that ended after `since`; the last one of equals.
    #[must_use]
    pub fn best_since(&self, since: Seconds) -> Option<&Quality> {
        self.slots
            .iter()
            .filter(|quality| quality.at + SLOT > since)
            .max_by(|a, b| a.points.total_cmp(&b.points))
    }

    /// How many points it has gained within the last second and a half.
    #[must_use]
    pub fn tendency(&self) -> Option<f64> {
        let now = self.now()?;
        let before = self.slots.len().checked_sub(1 + TENDENCY_SLOTS)?;
        Some(now.points - self.slots[before].points)
    }

    /// Points over the last `span`, one a column, newest last; `None` where there were none.
    pub fn columns(&self, span: Seconds, columns: &mut [Option<f64>]) {
        columns.fill(None);
        if columns.is_empty() {
            return;
        }
        let axis = self.axis(span, columns.len());
        for quality in &self.slots {
            let last = axis.column(quality.at.0 + 0.999 * SLOT.0);
            let Some(last) = last.or_else(|| axis.column(quality.at.0)) else {
                continue;
            };
            let first = axis.column(quality.at.0).unwrap_or(0).min(last);
            for column in &mut columns[first..=last] {
                // of several in a column the best, which is what is looked for
                let best = column.map_or(quality.points, |points| points.max(quality.points));
                *column = Some(best);
            }
        }
    }

    /// The column in which a time stands.
    #[must_use]
    pub fn column_of(&self, at: Seconds, span: Seconds, columns: usize) -> Option<usize> {
        self.axis(span, columns).column(at.0 + 0.5 * SLOT.0)
    }

    fn axis(&self, span: Seconds, columns: usize) -> Axis {
        let now = self
            .slots
            .back()
            .map_or(0.0, |quality| (quality.at + SLOT).0);
        Axis::ending(now, span, columns)
    }
}

/// Points of one field; `None` where it says nothing of tracking.
fn points(readings: &Readings) -> Option<f64> {
    if matches!(readings.sync.state, State::Snow | State::Lost) {
        return Some(0.0);
    }
    let tracking = &readings.tracking;
    let noise = tracking.noise?;
    let (least, most) = NOISE_DB;
    let quiet = 100.0 * ((noise.0 - least) / (most - least)).clamp(0.0, 1.0);
    let dropouts = PER_DROPOUT * readings.dropouts.count.unwrap_or(0) as f64;
    let height = readings.levels.area.rows.len().max(1) as f64;
    let band = 100.0 * tracking.band_lines().unwrap_or(0) as f64 / height;
    let less = dropouts.min(DROPOUTS_MOST) + (PER_BAND_PERCENT * band).min(BAND_MOST);
    Some((quiet - less).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::healthy;
    use crate::measures::tracking::Band;
    use crate::units::Decibels;

    fn field(number: u64, noise: f64, dropouts: u64, band: Option<usize>) -> Readings {
        let mut readings = healthy(number);
        readings.levels.area.rows = 0..240;
        readings.tracking.judged = true;
        readings.tracking.noise = Some(Decibels(noise));
        readings.tracking.band = band.map(|lines| Band { row: 30, lines });
        readings.dropouts.count = Some(dropouts);
        readings
    }

    #[test]
    fn points_are_noise_less_dropouts_less_the_band() {
        let of = |readings: Readings| points(&readings).expect("it was judged");
        assert_eq!(of(field(0, 50.0, 0, None)), 100.0);
        assert_eq!(of(field(0, 35.0, 5, None)), 40.0);
        // 12 of 240 lines are 5 %
        assert_eq!(of(field(0, 50.0, 0, Some(12))), 85.0);
        assert_eq!(of(field(0, 20.0, 3, Some(200))), 0.0);
        let mut snow = healthy(0);
        assert_eq!(points(&snow), None);
        snow.sync.state = State::Snow;
        assert_eq!(points(&snow), Some(0.0));
    }

    /// A minute in which the noise is least after twenty seconds.
    fn swept() -> TrackingCourse {
        let mut course = TrackingCourse::default();
        for number in 0..3600 {
            let seconds = number as f64 * 1.001 / 60.0;
            course.push(&field(number, 44.0 - (seconds - 20.0).abs() * 0.5, 0, None));
        }
        course
    }

    #[test]
    fn the_best_place_of_a_sweep_is_found_and_can_be_sought_anew() {
        let course = swept();
        let best = course
            .best_since(Seconds(0.0))
            .expect("a minute has passed");
        assert!((best.at.0 - 19.75).abs() <= 0.5, "{best:?}");
        assert!((best.points - 79.6).abs() < 1.0, "{best:?}");
        let later = course.best_since(Seconds(40.0)).expect("twenty seconds");
        assert!((later.at.0 - 40.0).abs() <= 0.5, "{later:?}");
        assert!(
            course
                .tendency()
                .is_some_and(|gained| (-4.0..-2.0).contains(&gained))
        );
    }

    #[test]
    fn the_chart_has_its_peak_where_the_best_place_is() {
        let course = swept();
        for columns in [24, 76, 180] {
            let mut found = vec![None; columns];
            course.columns(Seconds(60.0), &mut found);
            let best = course
                .best_since(Seconds(0.0))
                .expect("a minute has passed");
            let at = course.column_of(best.at, Seconds(60.0), columns);
            let peak = found.iter().enumerate().max_by(|(_, a), (_, b)| {
                let points = |column: &Option<f64>| column.unwrap_or(-1.0);
                points(a).total_cmp(&points(b))
            });
            let peak = peak.map(|(column, _)| column);
            assert!(
                at.zip(peak)
                    .is_some_and(|(at, peak)| at.abs_diff(peak) <= 1 + columns / 100),
                "{columns}: {at:?} {peak:?}"
            );
        }
    }

    #[test]
    fn what_is_not_there_any_more_is_not_told_as_now() {
        let mut course = swept();
        assert!(course.now().is_some());
        let mut blind = healthy(3700);
        blind.tracking = crate::measures::tracking::Reading::default();
        course.push(&blind);
        assert_eq!(course.now(), None);
    }

    #[test]
    fn the_ring_stays_at_its_size() {
        let mut course = TrackingCourse::default();
        for number in 0..60 * 700 {
            course.push(&field(number, 40.0, 0, None));
        }
        assert_eq!(course.slots.len(), SLOTS);
        assert_eq!(course.slots.capacity(), SLOTS);
    }
}
