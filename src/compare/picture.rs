//! What one chain makes of levels and colours of another, from the fingerprints of the same fields.
//!
//! In: two passes and what they share. Out: contrast, brightness, saturation, hue and cast of the second against the first, each with
//! an interval. Luma by a straight line through the means of blocks, both of which err alike (Deming's regression), in IRE;
//! blocks near the ends of the scale are left out, as clipping would bend the line. Colour by one complex factor and one
//! complex constant for both differences, Cb the real part.
//!
//! Does not know: which of the two is right.

use serde::Serialize;

use crate::measures::Group;
use crate::measures::fingerprint::{CHROMA_STEPS, Fingerprint};
use crate::record::{FieldPrint, Pass, RecordError};
use crate::units::{CodeRange, LumaCode, ire_from_code};

use super::align::Piece;
use super::bootstrap::{ALPHA, Interval, block_length, bootstrap};
use super::rows::Verdict;
use super::shared::{Shared, index};

/// Levels of a block that are surely on the straight part of both chains, in IRE.
const STRAIGHT: (f64, f64) = (4.0, 94.0);

/// Least spread of levels, in IRE, that shows a contrast.
const LEAST_SPREAD: f64 = 3.0;

/// Least spread of colour, in % of full colour, that shows a saturation.
const LEAST_COLOUR: f64 = 0.8;

/// Excursion of a colour difference from neutral to full colour, in codes of the studio range (BT.601-5 §3.5.3: 224 levels
/// around 128) and of the full one.
const COLOUR_CODES: (f64, f64) = (112.0, 127.5);

/// One relation of two chains.
#[derive(Clone, Debug, Serialize)]
pub struct Relation {
    /// Permanent name, with its unit.
    pub id: &'static str,
    /// For a screen.
    pub label: &'static str,
    /// Unit, as printed.
    pub unit: &'static str,
    /// What it belongs to.
    pub group: &'static str,
    /// Seconds it rests on.
    pub seconds: usize,
    /// How far the second chain stands from the first; `None` where the picture does not show it.
    pub difference: Option<Interval>,
    /// Chance of such a difference between equal chains, adjusted for the number of rows.
    pub chance: Option<f64>,
    /// Whether they differ.
    pub verdict: Verdict,
}

impl Relation {
    /// Judges by the chance after adjustment.
    pub(super) fn judge(&mut self, adjusted: f64) {
        self.chance = self.difference.map(|_| adjusted);
        if self.difference.is_some() && adjusted < ALPHA {
            self.verdict = Verdict::Differs;
        }
    }
}

/// Permanent name, label and unit.
type Name = (&'static str, &'static str, &'static str);

/// A relation and what makes it of sums.
type Told<Sums> = (Name, fn(&Sums) -> Option<f64>);

/// Sums of luma of one second: n, x, y, xx, xy, yy.
type Luma = [f64; 6];

/// Sums of colour of one second: n, x (real, imaginary), y, |x|², conj(x)·y (real, imaginary), |y|².
type Colour = [f64; 9];

/// Relations of one pass with the first, by pieces of evidence: seconds, or less.
#[derive(Debug, Default)]
pub(super) struct Relations {
    luma: Vec<Luma>,
    colour: Vec<Colour>,
}

impl Relations {
    /// Reads both passes side by side.
    pub(super) fn of(
        first: &Pass,
        second: &Pass,
        pieces: &[Piece],
        shared: &Shared,
    ) -> Result<Self, RecordError> {
        let seconds = shared.of_second.len();
        let mut relations = Self::default();
        (0..seconds).for_each(|_| relations.begin(seconds));
        let (mut ours, mut theirs) = (Cursor::default(), Cursor::default());
        let ranges = (first.head().range, second.head().range);
        for piece in pieces {
            for field in piece.fields.clone() {
                let here = field + piece.offset;
                let Some(at) = shared.second_of(here).filter(|_| shared.has(here)) else {
                    continue;
                };
                if let (Some(x), Some(y)) = (ours.at(first, here)?, theirs.at(second, field)?) {
                    relations.add(at, (&x, &y), ranges);
                }
            }
        }
        Ok(relations)
    }

    /// Begins another piece of evidence, and forgets the oldest where there are more than `most`.
    pub(super) fn begin(&mut self, most: usize) {
        if self.luma.len() == most {
            self.luma.remove(0);
            self.colour.remove(0);
        }
        self.luma.push([0.0; 6]);
        self.colour.push([0.0; 9]);
    }

    /// How many pieces there are.
    pub(super) fn len(&self) -> usize {
        self.luma.len()
    }

    /// Adds the fingerprints of one moment in either pass to a piece.
    pub(super) fn add(
        &mut self,
        second: usize,
        (x, y): (&Fingerprint, &Fingerprint),
        ranges: (CodeRange, CodeRange),
    ) {
        let sums = &mut self.luma[second];
        for (&x, &y) in x.luma.iter().zip(&y.luma) {
            let x = ire_from_code(LumaCode(f64::from(x)), ranges.0).0;
            let y = ire_from_code(LumaCode(f64::from(y)), ranges.1).0;
            let straight = |level: f64| (STRAIGHT.0..=STRAIGHT.1).contains(&level);
            if straight(x) && straight(y) {
                for (sum, one) in sums.iter_mut().zip([1.0, x, y, x * x, x * y, y * y]) {
                    *sum += one;
                }
            }
        }
        let (Some(x), Some(y)) = (&x.chroma, &y.chroma) else {
            return;
        };
        let (mine, other) = (colour_step(ranges.0), colour_step(ranges.1));
        let sums = &mut self.colour[second];
        for cell in 0..x.cb.len() {
            let (a, b) = (f64::from(x.cb[cell]) * mine, f64::from(x.cr[cell]) * mine);
            let (c, d) = (f64::from(y.cb[cell]) * other, f64::from(y.cr[cell]) * other);
            add_colour(sums, [a, b], [c, d]);
        }
    }

    /// Every relation.
    pub(super) fn relations(&self) -> Vec<Relation> {
        let luma: [Told<Luma>; 3] = [
            (("luma.gain_pct", "contrast", "%"), |sums| {
                Some(100.0 * (line(sums)?.0 - 1.0))
            }),
            (("luma.offset_ire", "black", "IRE"), |sums| {
                Some(line(sums)?.1)
            }),
            (("luma.middle_ire", "middle grey", "IRE"), |sums| {
                let (gain, offset) = line(sums)?;
                Some(50.0 * (gain - 1.0) + offset)
            }),
        ];
        let colour: [Told<Colour>; 4] = [
            (("colour.saturation_pct", "saturation", "%"), |sums| {
                Some(100.0 * (factor(sums)?.size - 1.0))
            }),
            (("colour.hue_deg", "hue", "°"), |sums| {
                Some(factor(sums)?.turn.to_degrees())
            }),
            (("colour.cast_cb_pct", "blue cast", "%"), |sums| {
                Some(factor(sums)?.cast.0)
            }),
            (("colour.cast_cr_pct", "red cast", "%"), |sums| {
                Some(factor(sums)?.cast.1)
            }),
        ];
        let mut all = Vec::new();
        let (of_luma, of_colour) = (told(&self.luma), told(&self.colour));
        for (name, of) in luma {
            all.push(relation(name, Group::Levels, &of_luma, of));
        }
        for (name, of) in colour {
            all.push(relation(name, Group::Colour, &of_colour, of));
        }
        all
    }
}

/// A step of a stored colour mean in % of full colour.
fn colour_step(range: CodeRange) -> f64 {
    let codes = match range {
        CodeRange::Studio => COLOUR_CODES.0,
        CodeRange::Full => COLOUR_CODES.1,
    };
    100.0 / (codes * f64::from(CHROMA_STEPS))
}

/// Pieces with anything in them.
fn told<const K: usize>(pieces: &[[f64; K]]) -> Vec<[f64; K]> {
    let with_something = pieces.iter().filter(|sums| sums[0] > 0.0);
    with_something.copied().collect()
}

fn relation<const K: usize>(
    (id, label, unit): Name,
    group: Group,
    seconds: &[[f64; K]],
    of: fn(&[f64; K]) -> Option<f64>,
) -> Relation {
    let single: Vec<f64> = seconds.iter().filter_map(of).collect();
    let block = block_length(&single, 1);
    Relation {
        id,
        label,
        unit,
        group: group.word(),
        seconds: seconds.len(),
        difference: bootstrap(seconds, block, of),
        chance: None,
        verdict: Verdict::CannotBeTold,
    }
}

/// Contrast, and what black becomes.
fn line(&[n, x, y, xx, xy, yy]: &Luma) -> Option<(f64, f64)> {
    if n < 1.0 {
        return None;
    }
    let (mx, my) = (x / n, y / n);
    let (sxx, sxy, syy) = (xx / n - mx * mx, xy / n - mx * my, yy / n - my * my);
    if sxx < LEAST_SPREAD * LEAST_SPREAD || sxy <= 0.0 {
        return None;
    }
    let over = syy - sxx;
    let gain = (over + (over * over + 4.0 * sxy * sxy).sqrt()) / (2.0 * sxy);
    Some((gain, my - gain * mx))
}

/// What becomes of colours.
struct Factor {
    size: f64,
    turn: f64,
    /// Of grey, in % of full colour.
    cast: (f64, f64),
}

/// Adds one place's colour in either pass, blue and red difference of each.
fn add_colour(sums: &mut Colour, [a, b]: [f64; 2], [c, d]: [f64; 2]) {
    let one = [
        1.0,
        a,
        b,
        c,
        d,
        a * a + b * b,
        a * c + b * d,
        a * d - b * c,
        c * c + d * d,
    ];
    for (sum, one) in sums.iter_mut().zip(one) {
        *sum += one;
    }
}

fn factor(&[n, a, b, c, d, xx, re, im, yy]: &Colour) -> Option<Factor> {
    if n < 1.0 {
        return None;
    }
    let (a, b, c, d) = (a / n, b / n, c / n, d / n);
    let sxx = xx / n - a * a - b * b;
    let syy = yy / n - c * c - d * d;
    let (re, im) = (re / n - (a * c + b * d), im / n - (a * d - b * c));
    if sxx < LEAST_COLOUR * LEAST_COLOUR || syy <= 0.0 {
        return None;
    }
    // both err alike: the size is that of Deming's line through the sizes that go together
    let shared = re.hypot(im);
    if shared <= 0.0 {
        return None;
    }
    let over = syy - sxx;
    let size = (over + (over * over + 4.0 * shared * shared).sqrt()) / (2.0 * shared);
    let turn = im.atan2(re);
    let (re, im) = (size * turn.cos(), size * turn.sin());
    Some(Factor {
        size,
        turn,
        cast: (c - (re * a - im * b), d - (re * b + im * a)),
    })
}

/// Fingerprints of a pass by field; quick where fields are asked for in order.
#[derive(Debug, Default)]
pub(super) struct Cursor {
    block: Vec<FieldPrint>,
}

impl Cursor {
    /// The fingerprint of a field, if it has one; always of the same pass.
    pub(super) fn at(
        &mut self,
        pass: &Pass,
        field: i64,
    ) -> Result<Option<Fingerprint>, RecordError> {
        let field = index(field);
        let within = match (self.block.first(), self.block.last()) {
            (Some(first), Some(last)) => (first.field..=last.field).contains(&field),
            _ => false,
        };
        if !within {
            self.block = pass.prints_around(field)?;
        }
        let at = self.block.binary_search_by_key(&field, |print| print.field);
        Ok(at.ok().map(|at| self.block[at].print))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chain_of_known_contrast_and_brightness_is_told() {
        let mut sums = [0.0; 6];
        for level in 5..90 {
            let x = f64::from(level);
            let y = 1.06 * x - 4.0;
            for (sum, one) in sums.iter_mut().zip([1.0, x, y, x * x, x * y, y * y]) {
                *sum += one;
            }
        }
        let (gain, offset) = line(&sums).expect("a line");
        assert!(
            (gain - 1.06).abs() < 1e-9 && (offset + 4.0).abs() < 1e-9,
            "{gain} {offset}"
        );
        assert!(
            line(&[10.0, 500.0, 500.0, 25_000.0, 25_000.0, 25_000.0]).is_none(),
            "one grey shows no contrast"
        );
    }

    #[test]
    fn a_chain_of_known_saturation_hue_and_cast_is_told() {
        let (size, turn) = (0.8_f64, -10_f64.to_radians());
        let mut sums = [0.0; 9];
        for nth in 0..40 {
            let angle = f64::from(nth) * 0.7;
            let (a, b) = (3.0 + 10.0 * angle.cos(), -1.0 + 8.0 * angle.sin());
            let (re, im) = (size * turn.cos(), size * turn.sin());
            let (c, d) = (re * a - im * b + 1.5, re * b + im * a - 0.5);
            add_colour(&mut sums, [a, b], [c, d]);
        }
        let found = factor(&sums).expect("colour");
        assert!((found.size - size).abs() < 1e-9 && (found.turn - turn).abs() < 1e-9);
        assert!((found.cast.0 - 1.5).abs() < 1e-9 && (found.cast.1 + 0.5).abs() < 1e-9);
        assert!(
            factor(&[40.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 0.0, 1.0]).is_none(),
            "grey shows no saturation"
        );
    }
}
