//! How much of each row is unlike everything beside it, and how large the noise is.
//!
//! In: the judged field and those a frame before and after. Out: the highest band of rows that are unlike all over their width,
//! and the rms of the noise between fields.
//!
//! Does not know: how long a band lasts.

use std::ops::Range;

use multiversion::multiversion;

use super::search::is_found;
use super::{Band, LEAST_LINES};
use crate::fields::Field;
use crate::measures::dropouts::Judged;
use crate::measures::dsp::codes::absolute_difference;
use crate::measures::levels::PictureArea;
use crate::units::{CodeRange, Decibels};

/// Parts that a row is cut into: what spoils a line spoils it from end to end.
pub(super) const PARTS: usize = 8;

/// A sample is unlike a row beside it from this many codes on: 3 IRE, and more where the tape's usual noise asks for it.
const UNLIKE_CODES: f64 = 6.0;

/// The same in rms of the tape's noise. Two samples differ by 1.4 rms; so one is unlike a certain row once in eight, and unlike all
/// four once in fifty.
const UNLIKE_RMS: f64 = 2.2;

/// Share of a row that is unlike in a band: of noise much stronger than the threshold it is two thirds; of fine detail that moves it
/// seldom exceeds a third.
const LEAST_SHARE: f64 = 0.34;

/// Share of each part of a band.
const LEAST_PART_SHARE: f64 = 0.2;

/// Rows within a band that may look whole.
const PAUSE: usize = 2;

/// Share of the small areas that are quieter than the one that is taken for the noise.
const QUIET_SHARE: f64 = 0.25;

/// Mean size of a difference over the rms of what differs, in normal noise: √2 · √(2/π).
const DIFFERENCE_GAIN: f64 = 1.128;

/// Rms of what rounding to codes adds: 1/√12. Less cannot be told from none.
const ROUNDING: f64 = 0.29;

/// Rows of which the noise is taken: each fourth one tells as much.
const NOISE_STEP: usize = 4;

/// Most rows; and the steps of mean differences: a 64th of a code, up to 32 codes.
const MOST_ROWS: usize = 640;
const BINS: usize = 2048;
const BINS_A_CODE: f64 = 64.0;

/// What was found in the rows of one field.
#[derive(Debug)]
pub(super) struct Rows {
    /// Share of each part of each row, in 255ths.
    unlike: [[u8; PARTS]; MOST_ROWS],
    lines: Range<usize>,
    columns: Range<usize>,
    /// How often each mean difference occurs.
    bins: [u32; BINS],
    /// Rms of the noise in the field before, in codes.
    rms: Option<f64>,
    /// Codes by which a sample was unlike in the newest one.
    threshold: u8,
}

impl Default for Rows {
    fn default() -> Self {
        Self {
            unlike: [[0; PARTS]; MOST_ROWS],
            lines: 0..0,
            columns: 0..0,
            bins: [0; BINS],
            rms: None,
            threshold: 0,
        }
    }
}

impl Rows {
    /// Another picture begins: its noise is not known.
    pub(super) fn forget(&mut self) {
        self.rms = None;
    }

    /// Looks at a field.
    pub(super) fn look(&mut self, judged: &Judged<'_>, area: &PictureArea) {
        let luma = &judged.now.luma;
        let end = area.rows.end.min(luma.rows - 1).min(MOST_ROWS);
        self.lines = area.rows.start.max(1)..end.max(1);
        self.columns = area.columns.start..area.columns.end.min(luma.width);
        let part = self.columns.len() / PARTS;
        if part == 0 {
            self.lines = 0..0;
            return;
        }
        self.bins.fill(0);
        // The noise of the field before sets the threshold: a band is a small part of a field, and no part of its quiet quarter.
        let usual = self.rms.unwrap_or(ROUNDING);
        self.threshold = UNLIKE_CODES.max(UNLIKE_RMS * usual).min(120.0) as u8;
        for row in self.lines.clone().step_by(2) {
            let lines = Lines::of(judged, row, &self.columns);
            self.unlike[row] = unlike(&lines, part, self.threshold);
            if (row - self.lines.start).is_multiple_of(NOISE_STEP) {
                self.count_noise(&lines, part);
            }
        }
        // A band has more rows than one: those between are looked at where one beside them is unlike.
        for row in self.lines.clone().skip(1).step_by(2) {
            let beside =
                self.is_unlike(row - 1) || row + 1 < self.lines.end && self.is_unlike(row + 1);
            self.unlike[row] = if beside {
                unlike(&Lines::of(judged, row, &self.columns), part, self.threshold)
            } else {
                [0; PARTS]
            };
        }
        self.rms = self.quiet_rms();
    }

    fn count_noise(&mut self, lines: &Lines<'_>, part: usize) {
        for at in (0..PARTS).map(|index| index * part..(index + 1) * part) {
            let line = &lines.now[at.clone()];
            let still = absolute_difference(line, &lines.earlier[at.clone()]);
            let level = absolute_difference(line, &lines.above[at]);
            let mean = f64::from(still.min(level)) / part as f64;
            let bin = (mean * BINS_A_CODE) as usize;
            self.bins[bin.min(BINS - 1)] += 1;
        }
    }

    fn quiet_rms(&self) -> Option<f64> {
        let total: u32 = self.bins.iter().sum();
        let wanted = (QUIET_SHARE * f64::from(total)) as u32;
        let mut below = 0;
        let bin = self.bins.iter().position(|&count| {
            below += count;
            below > wanted
        })?;
        let mean = (bin as f64 + 0.5) / BINS_A_CODE;
        Some((mean / DIFFERENCE_GAIN).max(ROUNDING))
    }

    /// Rms of the noise between fields, in codes; `None` before any.
    pub(super) fn rms(&self) -> Option<f64> {
        self.rms
    }

    /// Peak to peak of the picture over the noise.
    pub(super) fn noise(&self, range: CodeRange) -> Option<Decibels> {
        let (black, peak) = range.black_and_peak();
        let rms = self.rms?;
        Some(Decibels(20.0 * ((peak - black).0 / rms).log10()))
    }

    /// The highest band, if it is no picture that moves.
    pub(super) fn band(&self, judged: &Judged<'_>) -> Option<Band> {
        let mut rest = self.lines.clone();
        let mut highest: Option<Band> = None;
        while let Some(band) = self.next_band(&mut rest) {
            let higher = highest.is_none_or(|before| band.lines > before.lines);
            if higher && band.lines >= LEAST_LINES && self.spans_the_width(band) {
                highest = Some(band);
            }
        }
        highest.filter(|band| !is_found(judged, band, &self.columns, self.threshold))
    }

    /// The next run of rows that are unlike, and the rows after it.
    fn next_band(&self, rest: &mut Range<usize>) -> Option<Band> {
        let row = rest.clone().find(|&row| self.is_unlike(row))?;
        let mut last = row;
        for next in row + 1..rest.end {
            if next - last > PAUSE + 1 {
                break;
            }
            if self.is_unlike(next) {
                last = next;
            }
        }
        rest.start = last + 1;
        Some(Band {
            row,
            lines: last + 1 - row,
        })
    }

    fn is_unlike(&self, row: usize) -> bool {
        let sum: u32 = self.unlike[row].iter().map(|&share| u32::from(share)).sum();
        f64::from(sum) >= LEAST_SHARE * 255.0 * PARTS as f64
    }

    fn spans_the_width(&self, band: Band) -> bool {
        let rows = band.row..band.row + band.lines;
        (0..PARTS).all(|part| {
            let shares = rows.clone().map(|row| u32::from(self.unlike[row][part]));
            let least = LEAST_PART_SHARE * 255.0 * band.lines as f64;
            f64::from(shares.sum::<u32>()) >= least
        })
    }
}

/// A row and those beside it.
struct Lines<'a> {
    now: &'a [u8],
    above: &'a [u8],
    below: &'a [u8],
    earlier: &'a [u8],
    later: &'a [u8],
}

impl<'a> Lines<'a> {
    fn of(judged: &Judged<'a>, row: usize, columns: &Range<usize>) -> Self {
        let of = |field: &'a Field, row: usize| &field.luma.row(row)[columns.clone()];
        Self {
            now: of(judged.now, row),
            above: of(judged.now, row - 1),
            below: of(judged.now, row + 1),
            earlier: of(judged.earlier, row),
            later: of(judged.later, row),
        }
    }
}

/// Share, in 255ths, of each part that is unlike every row beside it.
fn unlike(lines: &Lines<'_>, part: usize, threshold: u8) -> [u8; PARTS] {
    std::array::from_fn(|index| {
        let at = index * part..(index + 1) * part;
        let beside = [lines.above, lines.below, lines.earlier, lines.later];
        let count = count_unlike(
            &lines.now[at.clone()],
            beside.map(|line| &line[at.clone()]),
            threshold,
        );
        (count * 255 / part as u32) as u8
    })
}

/// Samples an 8-bit counter can count, in whole vectors.
const COUNTED_AT_ONCE: usize = 224;

#[multiversion(targets("x86_64+avx2"))]
fn count_unlike(now: &[u8], beside: [&[u8]; 4], threshold: u8) -> u32 {
    let mut count = 0;
    let mut from = 0;
    while from < now.len() {
        let to = (from + COUNTED_AT_ONCE).min(now.len());
        let line = &now[from..to];
        let [a, b, c, d] = beside.map(|row| &row[from..to]);
        let here = line.iter().zip(a.iter().zip(b)).zip(c.iter().zip(d)).fold(
            0_u8,
            |count, ((x, (a, b)), (c, d))| {
                let least = x
                    .abs_diff(*a)
                    .min(x.abs_diff(*b))
                    .min(x.abs_diff(*c).min(x.abs_diff(*d)));
                count + u8::from(least > threshold)
            },
        );
        count += u32::from(here);
        from = to;
    }
    count
}
