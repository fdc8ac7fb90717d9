//! Dropouts: fragments of lines where the signal from the tape failed and a streak stands instead of the picture.
//!
//! In: a field with those around it, what sync says, where the picture is, and the band that mistracking has spoiled. Out: a
//! [`Reading`] of the field [`DROPOUT_DELAY`] fields before the newest, for only what came after it tells a streak from something
//! that moves: how many streaks there are, how long the longest is, and where it stands.
//!
//! Where the carrier is gone, the demodulator gives one level or noise until the carrier is back. So a streak lies on one line of
//! the field, and its samples stand outside of everything beside them: the lines above and below, the same line a frame earlier
//! and a frame later, each as far as three samples to the side (`scan`). Lines that are displaced, and fine detail that moves,
//! stand outside too; `doubt` looks whether the line fits its neighbours when moved sideways, and whether the fragment is found
//! elsewhere in the fields beside it, be it a frame away or, where the picture about it moves up or down, in the next field.
//!
//! A streak's length is counted as far as it stands out by [`LEAST_IRE`]; tails that fade into the picture are
//! longer. Two streaks on neighbouring lines one over the other hide each other. What a player's own dropout compensator has
//! replaced by the line above is not seen.
//!
//! Absent without a steady picture, in the first fields, and in fields too small for rows of streaks.
//!
//! Does not know: limits, why the signal failed.

use std::ops::Range;

use crate::fields::{Field, Neighbourhood};
use crate::standard::BT601_LUMA_RATE;
use crate::units::{Micros, Samples, micros_from_samples};

use super::sync::State;
use super::{Measure, levels};
use doubt::Doubt;
use scan::{Run, Scan};

pub use quantities::QUANTITIES;

mod doubt;
mod quantities;
mod scan;
#[cfg(test)]
mod tests;

/// Fields from one that has dropouts to the one that tells of them.
pub const DROPOUT_DELAY: u64 = 2;

/// A streak stands out by so much at least: half of what is plain to see, well over the noise of a bad tape (30 dB: 3 IRE).
pub const LEAST_IRE: f64 = 12.0;

/// Shortest streak that counts: shorter ones hardly show, and edges of lines that jitter look like them.
pub const SHORTEST: Micros = Micros(1.5);

/// Most streaks looked at in a field: beyond, the field is spoiled anyway.
pub const MOST_DROPOUTS: usize = 64;

/// Streaks of one row: a speck on the tape spoils a few microseconds, and more than three of them side by side are print.
const MOST_IN_A_ROW: usize = 3;

/// Rows of the raster at the top that are never judged: half lines, and data lines that some recorders let through (the captions
/// of line 21, the wide-screen signal of line 23), which change from field to field as a streak does.
const TOP_ROWS: usize = 3;

/// Narrowest and lowest field in which streaks are looked for.
const SMALLEST: (usize, usize) = (192, 48);

/// What the measure looks at.
#[derive(Clone, Debug)]
pub struct Input<'a> {
    /// The field and those before it.
    pub around: &'a Neighbourhood<'a>,
    /// What sync says of it.
    pub state: State,
    /// Where the picture is.
    pub area: &'a levels::PictureArea,
    /// Rows of the judged field that mistracking has spoiled: their streaks are counted there.
    pub spoiled: Range<usize>,
}

/// A fragment of a line that was replaced.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Streak {
    /// Row of the field.
    pub row: usize,
    /// First sample.
    pub sample: usize,
    /// Length in samples.
    pub samples: usize,
    /// Length as a time.
    pub length: Micros,
}

/// Dropouts of the field [`DROPOUT_DELAY`] fields back.
#[derive(Clone, Copy, Debug, Default)]
pub struct Reading {
    /// How many; `None` where the field could not be judged.
    pub count: Option<u64>,
    /// The longest; `None` where there is none.
    pub longest: Option<Streak>,
}

/// The measure.
#[derive(Debug, Default)]
pub struct Dropouts {
    /// Of the newest field and those before it, newest first.
    states: [Option<State>; DROPOUT_DELAY as usize + 1],
    scan: Scan,
    doubt: Doubt,
    runs: Vec<Run>,
    found: Vec<Streak>,
}

impl Measure for Dropouts {
    type Input<'a> = Input<'a>;
    type Reading = Reading;

    fn measure(&mut self, input: Input<'_>) -> Reading {
        self.states.rotate_right(1);
        self.states[0] = Some(input.state);
        self.found.clear();
        let steady = |state: &Option<State>| matches!(state, Some(State::Locked | State::Unstable));
        let Some(judged) = Judged::of(input.around) else {
            return Reading::default();
        };
        if !self.states.iter().all(steady) {
            return Reading::default();
        }
        self.look(&judged, &input);
        Reading {
            count: Some(self.found.len() as u64),
            longest: self
                .found
                .iter()
                .copied()
                .reduce(|a, b| if b.samples > a.samples { b } else { a }),
        }
    }
}

impl Dropouts {
    /// The streaks of the last field that was judged, from top to bottom.
    #[must_use]
    pub fn found(&self) -> &[Streak] {
        &self.found
    }

    fn look(&mut self, judged: &Judged<'_>, input: &Input<'_>) {
        let rate = judged.rate();
        let area = input.area;
        let rows = area.rows.start.max(TOP_ROWS)..area.rows.end.min(judged.now.luma.rows - 1);
        let columns = area.columns.start..area.columns.end.min(judged.now.luma.width);
        let plan = scan::Plan::of(judged.now.raster.range, rate);
        self.found.reserve(MOST_DROPOUTS);
        self.runs.reserve(MOST_DROPOUTS);
        for row in rows {
            if input.spoiled.contains(&row) {
                continue;
            }
            self.runs.clear();
            self.scan
                .row(judged, (row, &columns), &plan, &mut self.runs);
            let place = (row, &columns);
            if self.runs.is_empty() || self.doubt.is_displaced(judged.now, place, &self.runs) {
                continue;
            }
            let above = self.found.len();
            for run in &self.runs {
                if self.found.len() == MOST_DROPOUTS {
                    return;
                }
                if !doubt::is_edge(judged.now, place, run)
                    && !doubt::is_moved(judged, place, run)
                    && !doubt::is_rolling(judged, place, run)
                {
                    self.found.push(Streak {
                        row,
                        sample: run.first,
                        samples: run.samples,
                        length: micros_from_samples(Samples(run.samples as f64), rate),
                    });
                }
            }
            if self.found.len() > above + MOST_IN_A_ROW {
                self.found.truncate(above);
            }
        }
    }
}

/// The field that is judged, and those of its parity a frame before and after.
#[derive(Clone, Copy, Debug)]
pub(in crate::measures) struct Judged<'a> {
    pub(in crate::measures) now: &'a Field,
    pub(in crate::measures) earlier: &'a Field,
    pub(in crate::measures) later: &'a Field,
    /// The fields of the other parity right before and after.
    pub(in crate::measures) beside: [&'a Field; 2],
}

impl<'a> Judged<'a> {
    /// `None` where there are not fields enough, or they do not belong together.
    pub(in crate::measures) fn of(around: &Neighbourhood<'a>) -> Option<Self> {
        let later = around.field;
        let (now, earlier) = (around.before(2)?, around.before(4)?);
        let beside = [around.before(3)?, around.before(1)?];
        let alike = |field: &Field| {
            field.raster == later.raster && field.place.parity == later.place.parity
        };
        let large = later.luma.width >= SMALLEST.0 && later.luma.rows >= SMALLEST.1;
        let other = |field: &Field| {
            field.raster == later.raster && field.place.parity != later.place.parity
        };
        let together = alike(now) && alike(earlier) && beside.into_iter().all(other);
        (large && together).then_some(Self {
            now,
            earlier,
            later,
            beside,
        })
    }

    /// Its sample rate; of a raster that has none, the one that makes a line as long as usual.
    fn rate(&self) -> crate::units::Hertz {
        let raster = &self.now.raster;
        raster
            .sample_rate
            .unwrap_or(BT601_LUMA_RATE * (raster.width as f64 / 720.0))
    }
}
