//! What goes wrong at random on the tape: dropouts, tears, flashes, bounce.
//!
//! In: a segment's rates. Out: for each field, the list of what happens where, to be drawn and to be told as truth.
//!
//! Does not know: how any of it is drawn.

use serde::Serialize;

use crate::units::{Ire, Lines, Nanos};

use super::layout::LUMA_WIDTH;
use super::random::Dice;

/// How often the signal of the heads fails.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dropouts {
    /// Mean number in a field.
    pub per_field: f64,
    /// Longest, in µs; lengths fall off towards it.
    pub longest_us: f64,
}

/// How often sync fails, so that lines are thrown aside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tears {
    /// Mean number in a field.
    pub per_field: f64,
    /// Most lines in one.
    pub longest: usize,
    /// Rms displacement at its first line.
    pub size: Nanos,
}

/// What the vertical lock does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Vertical {
    /// It holds.
    Holds,
    /// The picture rolls, so many field lines each field.
    Rolls(Lines),
    /// It bounces, each field anew, by so many whole lines rms.
    Bounces(Lines),
}

/// A sudden change of the whole field's level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flashes {
    /// Mean number in a field.
    pub per_field: f64,
    /// Size.
    pub size: Ire,
}

/// One streak.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Dropout {
    /// Row of the field.
    pub row: usize,
    /// First luma sample.
    pub sample: usize,
    /// Length in luma samples.
    pub samples: usize,
    /// Level, in codes.
    pub code: f64,
}

/// One tear.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Tear {
    /// First row.
    pub row: usize,
    /// Rows.
    pub lines: usize,
    /// Displacement at the first, in ns.
    #[serde(rename = "offset_ns")]
    pub offset: Nanos,
}

/// From here on, in samples of its line, a streak reaches the sync pulse of the next.
const SYNC_FOLLOWS: usize = LUMA_WIDTH + 16;

/// Most of each kind in one field: beyond, a field is spoilt anyway.
const MOST_DROPOUTS: usize = 64;
const MOST_TEARS: usize = 8;

/// What happens in one field.
#[derive(Clone, Debug)]
pub(super) struct FieldDefects {
    pub(super) dropouts: Vec<Dropout>,
    pub(super) tears: Vec<Tear>,
    pub(super) flash: Option<Ire>,
    /// Field lines the picture is moved down.
    pub(super) moved_down: f64,
}

impl Default for FieldDefects {
    fn default() -> Self {
        Self {
            dropouts: Vec::with_capacity(MOST_DROPOUTS),
            tears: Vec::with_capacity(MOST_TEARS),
            flash: None,
            moved_down: 0.0,
        }
    }
}

/// Rates of everything random in a segment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rates {
    pub(super) dropouts: Dropouts,
    pub(super) tears: Tears,
    pub(super) flashes: Flashes,
    pub(super) vertical: Vertical,
}

impl FieldDefects {
    /// Draws what happens in a field of `rows` rows; `fields` have passed since the segment began.
    pub(super) fn draw(&mut self, rates: &Rates, rows: usize, fields: u64, dice: &mut Dice) {
        self.draw_dropouts(rates.dropouts, rows, dice);
        self.draw_tears(rates.tears, rows, dice);
        self.tear_after_dropouts(rates.tears, rows, dice);
        let flashes = dice.poisson(rates.flashes.per_field, 1) > 0;
        self.flash = flashes.then_some(rates.flashes.size);
        self.moved_down = match rates.vertical {
            Vertical::Holds => 0.0,
            Vertical::Rolls(speed) => speed.0 * fields as f64,
            // Both fields of a frame start from the same vertical sync's trouble; whole lines, as a counter slips.
            Vertical::Bounces(rms) => (rms.0 * dice.normal()).round(),
        };
    }

    fn draw_dropouts(&mut self, rates: Dropouts, rows: usize, dice: &mut Dice) {
        self.dropouts.clear();
        for _ in 0..dice.poisson(rates.per_field, MOST_DROPOUTS) {
            let share = dice.unit();
            let length_us = 1.0 + (rates.longest_us - 1.0) * share * share;
            self.dropouts.push(Dropout {
                row: dice.below(rows),
                sample: dice.below(LUMA_WIDTH),
                samples: (length_us * 13.5) as usize,
                code: if dice.unit() < 0.6 {
                    dice.between(190.0, 240.0)
                } else {
                    dice.between(4.0, 40.0)
                },
            });
        }
    }

    /// A streak that swallows a sync pulse leaves the lines after it without one.
    fn tear_after_dropouts(&mut self, rates: Tears, rows: usize, dice: &mut Dice) {
        for dropout in &self.dropouts {
            let hit = dropout.sample + dropout.samples > SYNC_FOLLOWS;
            if hit && dropout.row + 1 < rows && self.tears.len() < MOST_TEARS {
                self.tears.push(Tear {
                    row: dropout.row + 1,
                    lines: 1 + dice.below(rates.longest),
                    offset: rates.size * dice.normal(),
                });
            }
        }
    }

    fn draw_tears(&mut self, rates: Tears, rows: usize, dice: &mut Dice) {
        self.tears.clear();
        for _ in 0..dice.poisson(rates.per_field, MOST_TEARS) {
            self.tears.push(Tear {
                row: dice.below(rows),
                lines: 1 + dice.below(rates.longest),
                offset: rates.size * dice.normal(),
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::tape::random::Stream;

    const NONE: Tears = Tears {
        per_field: 0.0,
        longest: 4,
        size: Nanos(800.0),
    };

    #[test]
    fn a_streak_that_swallows_a_sync_tears_the_lines_after_it() {
        let rates = Rates {
            dropouts: Dropouts {
                per_field: 2.0,
                longest_us: 30.0,
            },
            tears: NONE,
            flashes: Flashes {
                per_field: 0.0,
                size: Ire(10.0),
            },
            vertical: Vertical::Holds,
        };
        let mut dice = Dice::new(3, Stream::Defects);
        let mut defects = FieldDefects::default();
        let mut torn = 0;
        for field in 0..500 {
            defects.draw(&rates, 240, field, &mut dice);
            let hits = defects.dropouts.iter().filter(|dropout| {
                dropout.row < 239 && dropout.sample + dropout.samples > LUMA_WIDTH + 16
            });
            assert_eq!(hits.count().min(MOST_TEARS), defects.tears.len());
            torn += defects.tears.len();
        }
        assert!(torn > 50, "{torn}");
    }
}
