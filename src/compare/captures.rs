//! The captures that passes were measured from, at the same moments of tape.
//!
//! In: passes scanned from files that are still there, and what was found of them. Out: [`Pictures`] for each pass against the first:
//! the response across a line, that of colour, where the picture stands, and some moments to look at. Some seconds all over the
//! tape are looked at, four fields of each; both files are read once, side by side.
//!
//! Does not know: how spectra or pictures are made anything of.

use serde::Serialize;

use crate::fields::{Field, Plane};
use crate::record::Pass;
use crate::units::{Hertz, LumaCode, ire_from_code_step};

use super::Comparison;
use super::align::Piece;
use super::chroma::{ChromaComparer, ChromaResponse, PairOfRows};
use super::error::CompareError;
use super::noise::{FourLines, NoiseComparer, Scales, SharedNoise};
use super::response::{Comparer, Response};

pub use moments::{AMPLIFIED, Moment, Still, Stills, Why};

use moments::{Gallery, Lie};
use reader::{Capture, Taken};

mod moments;
mod reader;

/// Seconds of tape that are looked at: each is a piece of evidence of its own, and more would cost time without telling more.
const MOST_SECONDS: usize = 60;

/// Fields looked at in each.
const FIELDS_A_SECOND: i64 = 4;

/// Rows by which the one picture may stand lower than the other.
const ROWS_APART: i32 = 6;

/// Rows at the top and at the bottom that are left out: bent lines and switched heads are no matter of response.
const TOP_ROWS: usize = 24;
const BOTTOM_ROWS: usize = 14;

/// Samples at the sides that are left out: blanking. The one picture may stand as far to the side of the other.
const SIDE: usize = 16;

/// By so many samples at a time lines are cut further on in the second: as many as one of colour stands for at most.
const ACROSS_STEP: i32 = 4;

/// Samples that are taken together where rows are looked for.
const COARSE: usize = 8;

/// One pass's pictures beside those of the first.
#[derive(Clone, Debug, Serialize)]
pub struct Pictures {
    /// Place of the pass.
    pub pass: usize,
    /// Fields that were looked at.
    pub fields: usize,
    /// Lines of the field by which the picture stands lower.
    pub lines_down: i32,
    /// Across a line; `None` of too little tape in common.
    pub response: Option<Response>,
    /// Of colour; `None` of too little tape in common or too little colour, and where colour is not sampled alike.
    pub chroma: Option<ChromaResponse>,
    /// Noise of both plays; `None` of too little tape in common.
    pub noise: Option<SharedNoise>,
    /// Moments to look at, in the order of the tape.
    pub moments: Vec<Moment>,
}

/// Compares the captures of every pass with that of the first.
///
/// # Errors
/// A pass was not scanned from a file, the file cannot be read any more, or rasters differ.
pub fn pictures(passes: &[Pass], found: &Comparison) -> Result<Vec<Pictures>, CompareError> {
    let mut all = Vec::with_capacity(passes.len());
    for pass in 1..passes.len() {
        let pieces = &found.passes[pass].pieces;
        let moments = moments(pieces, found.field_seconds);
        all.push(beside(&passes[0], &passes[pass], pass, &moments)?);
    }
    Ok(all)
}

/// Fields of the second pass and of the first that show the same moment, second by second, in the order both files have.
fn moments(pieces: &[Piece], field_seconds: f64) -> Vec<Vec<(u64, u64)>> {
    let a_second = (1.0 / field_seconds).round() as i64;
    let mut seconds: Vec<Vec<(u64, u64)>> = Vec::new();
    let mut reached = -1;
    // Rows of the other parity lie half a line off.
    for piece in pieces.iter().filter(|piece| piece.offset % 2 == 0) {
        let mut start = piece.fields.start;
        while start + a_second <= piece.fields.end {
            let fields = (0..FIELDS_A_SECOND)
                .map(|nth| start + nth * a_second / FIELDS_A_SECOND)
                .map(|field| (field, field + piece.offset));
            let fields: Vec<(i64, i64)> = fields.collect();
            // The tape may have been wound back between pieces; files are read once.
            if fields[0].1 > reached && fields[0].0 >= 0 {
                reached = fields[fields.len() - 1].1;
                let known = |(theirs, ours): &(i64, i64)| {
                    Some((u64::try_from(*theirs).ok()?, u64::try_from(*ours).ok()?))
                };
                seconds.push(fields.iter().filter_map(known).collect());
            }
            start += a_second;
        }
    }
    let every = seconds.len().div_ceil(MOST_SECONDS).max(1);
    seconds.into_iter().step_by(every).collect()
}

fn beside(
    first: &Pass,
    second: &Pass,
    place: usize,
    moments: &[Vec<(u64, u64)>],
) -> Result<Pictures, CompareError> {
    let (mut ours, mut theirs) = (Capture::open(first)?, Capture::open(second)?);
    let mut looker = Looker::new();
    for moment in moments {
        looker.begin_second();
        for &(their_field, our_field) in moment {
            let Some(our_field) = ours.field(our_field)? else {
                continue;
            };
            let Some(their_field) = theirs.field(their_field)? else {
                continue;
            };
            let (our_luma, their_luma) = (&our_field.field.luma, &their_field.field.luma);
            if (our_luma.width, our_luma.rows) != (their_luma.width, their_luma.rows) {
                return Err(CompareError::OtherRaster {
                    first: first.path().to_owned(),
                    second: second.path().to_owned(),
                    first_raster: (our_luma.width, our_luma.rows),
                    second_raster: (their_luma.width, their_luma.rows),
                });
            }
            looker.add(our_field, their_field);
        }
    }
    Ok(looker.told(place, [first, second]))
}

/// How the second picture lies on the first by whole rows and samples.
#[derive(Clone, Copy, Debug, Default)]
struct Whole {
    /// Rows of the field lower.
    down: i32,
    /// Samples of luma to the right, whole ones of colour too.
    across: i32,
}

/// Makes of fields what is told of captures.
#[derive(Debug)]
struct Looker {
    luma: Comparer,
    chroma: ChromaComparer,
    noise: NoiseComparer,
    gallery: Gallery,
    fields: usize,
    lie: Option<Whole>,
    rate: Option<Hertz>,
    /// IRE of a code in either.
    ire_a_code: [f64; 2],
    /// Rate of colour over that of luma.
    chroma_share: f64,
    /// No field of this second is in the gallery yet.
    second_begins: bool,
}

impl Looker {
    fn new() -> Self {
        Self {
            luma: Comparer::new(),
            chroma: ChromaComparer::new(),
            noise: NoiseComparer::new(),
            gallery: Gallery::default(),
            fields: 0,
            lie: None,
            rate: None,
            ire_a_code: [0.0; 2],
            chroma_share: 0.0,
            second_begins: true,
        }
    }

    fn begin_second(&mut self) {
        self.luma.begin_second();
        self.chroma.begin_second();
        self.noise.begin_second();
        self.second_begins = true;
    }

    /// Looks at a moment in both; fields are as large as each other.
    fn add(&mut self, our_taken: &Taken, their_taken: &Taken) {
        let (first, second) = (&our_taken.field, &their_taken.field);
        self.ire_a_code =
            [first, second].map(|field| ire_from_code_step(LumaCode(1.0), field.raster.range).0);
        self.rate = self.rate.or(first.raster.sample_rate);
        let known = self.lie;
        let lie = known.unwrap_or_else(|| self.find(&first.luma, &second.luma));
        self.lie = Some(lie);
        self.luma.add(pairs(&first.luma, &second.luma, lie));
        if first.chroma == second.chroma && first.cb.width > 0 {
            self.chroma_share = first.cb.width as f64 / first.luma.width as f64;
            let displaced = self.luma.displacements();
            let rows = rows(&first.luma, &second.luma, lie.down).zip(displaced);
            let share = self.chroma_share;
            self.chroma
                .add(rows.filter_map(|((row, other), displaced)| {
                    Some(PairOfRows {
                        first: colour_of(first, row, 0)?,
                        second: colour_of(second, other, lie.across)?,
                        displaced: displaced * share,
                    })
                }));
        }
        if std::mem::take(&mut self.second_begins) {
            self.gallery.keep(first, second);
        }
        self.fields += 1;
        if let (Some(ours), Some(theirs)) = (&our_taken.before, &their_taken.before) {
            self.add_noise([first, ours], [second, theirs], lie);
        }
    }

    /// How the second lies by whole rows and samples. Windows are set upon what both show alike: what stands in different
    /// parts of a window is taken for a little nearer than it is.
    fn find(&mut self, first: &Plane, second: &Plane) -> Whole {
        let lie = Whole {
            down: rows_apart(first, second),
            across: 0,
        };
        self.luma.look(pairs(first, second, lie));
        let mut displaced: Vec<f64> = self.luma.displacements().collect();
        displaced.sort_unstable_by(f64::total_cmp);
        let middle = displaced.get(displaced.len() / 2).copied().unwrap_or(0.0);
        let step = f64::from(ACROSS_STEP);
        let most = SIDE as f64;
        Whole {
            across: ((middle / step).round() * step).clamp(-most, most) as i32,
            ..lie
        }
    }

    /// Compares what a field and the one before differ by in both; the field's own lines were looked at last.
    fn add_noise(&mut self, first: [&Field; 2], second: [&Field; 2], lie: Whole) {
        let size = |field: &Field| (field.luma.width, field.luma.rows);
        if size(first[1]) != size(first[0]) || size(second[1]) != size(first[0]) {
            return;
        }
        let displaced: Vec<f64> = self.luma.displacements().collect();
        self.luma.look(pairs(&first[1].luma, &second[1].luma, lie));
        let now = pairs(&first[0].luma, &second[0].luma, lie);
        let before = pairs(&first[1].luma, &second[1].luma, lie);
        let places = displaced.into_iter().zip(self.luma.displacements());
        let lines = now.zip(before).zip(places);
        self.noise
            .add(lines.map(|((now, before), displaced)| FourLines {
                first: [now.0, before.0],
                second: [now.1, before.1],
                displaced: displaced.into(),
            }));
    }

    fn told(self, pass: usize, passes: [&Pass; 2]) -> Pictures {
        let whole = self.lie.unwrap_or_default();
        let response = self.rate.and_then(|rate| self.luma.response(rate.0 / 1e6));
        let response = response.map(|found| Response {
            right_samples: found
                .right_samples
                .map(|right| right.plus(f64::from(whole.across))),
            ..found
        });
        let value = |interval: Option<super::Interval>| interval.map_or(0.0, |found| found.value);
        let lie = Lie {
            right: value(response.as_ref().and_then(|found| found.right_samples)),
            wider: 0.01 * value(response.as_ref().and_then(|found| found.wider_percent)),
            down: whole.down,
        };
        let noise = self.rate.zip(response.as_ref()).and_then(|(rate, found)| {
            self.noise.shared(Scales {
                gains: &found.gains,
                ire_a_code: self.ire_a_code,
                sampled_megahertz: rate.0 / 1e6,
            })
        });
        let clocks = passes.map(|pass| pass.head().clock());
        Pictures {
            pass,
            fields: self.fields,
            lines_down: whole.down,
            chroma: self
                .rate
                .and_then(|rate| self.chroma.response(Hertz(rate.0 * self.chroma_share))),
            noise,
            moments: self.gallery.moments(lie, &clocks),
            response,
        }
    }
}

/// Lines of the first and of the second that show the same, `down` rows apart.
fn rows(first: &Plane, second: &Plane, down: i32) -> impl Iterator<Item = (usize, usize)> {
    let (rows, other_rows) = (first.rows, second.rows);
    (TOP_ROWS..rows.saturating_sub(BOTTOM_ROWS)).filter_map(move |row| {
        let other = row.checked_add_signed(down as isize)?;
        (other < other_rows).then_some((row, other))
    })
}

/// What of a line is looked at, cut so many samples of luma further on; of luma or of fewer samples a line.
fn inner(row: &[u8], luma_width: usize, across: i32) -> Option<&[u8]> {
    let side = (SIDE * row.len()).div_ceil(luma_width.max(1));
    let moved = across as isize * row.len() as isize / luma_width.max(1) as isize;
    let from = side.checked_add_signed(moved)?;
    let to = row.len().checked_sub(side)?.checked_add_signed(moved)?;
    row.get(from..to)
}

/// The samples of lines that show the same.
fn pairs<'a>(
    first: &'a Plane,
    second: &'a Plane,
    lie: Whole,
) -> impl Iterator<Item = (&'a [u8], &'a [u8])> {
    rows(first, second, lie.down).filter_map(move |(row, other)| {
        Some((
            inner(first.row(row), first.width, 0)?,
            inner(second.row(other), second.width, lie.across)?,
        ))
    })
}

/// Both colour differences of a line, cut so many samples of luma further on; `None` of lines that have none of their own.
fn colour_of(field: &Field, row: usize, across: i32) -> Option<[&[u8]; 2]> {
    let (luma, chroma) = (&field.luma, &field.cb);
    // Every line has its own or every second one.
    let lines = ((luma.rows + chroma.rows / 2) / chroma.rows.max(1)).max(1);
    let at = row / lines;
    if !row.is_multiple_of(lines) || at >= chroma.rows.min(field.cr.rows) {
        return None;
    }
    Some([
        inner(field.cb.row(at), luma.width, across)?,
        inner(field.cr.row(at), luma.width, across)?,
    ])
}

/// Rows by which `second` stands lower, by which rows look most alike beside their own brightness.
fn rows_apart(first: &Plane, second: &Plane) -> i32 {
    let miss = |down: i32| {
        let (mut sum, mut count) = (0.0, 0.0_f64);
        for (ours, theirs) in pairs(first, second, Whole { down, across: 0 }) {
            let (ours, theirs) = (coarse(ours), coarse(theirs));
            for (a, b) in ours.iter().zip(&theirs) {
                sum += (a - b).powi(2);
                count += 1.0;
            }
        }
        sum / count.max(1.0)
    };
    let nearest_first = |down: &i32| (down.abs(), *down);
    let mut tried: Vec<i32> = (-ROWS_APART..=ROWS_APART).collect();
    tried.sort_by_key(nearest_first);
    let least = tried.iter().map(|&down| miss(down)).enumerate();
    least
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0, |(at, _)| tried[at])
}

/// Means of neighbouring samples without that of the line.
fn coarse(line: &[u8]) -> Vec<f64> {
    let mean_of =
        |codes: &[u8]| codes.iter().map(|&code| f64::from(code)).sum::<f64>() / codes.len() as f64;
    let all = mean_of(line);
    line.chunks_exact(COARSE)
        .map(|codes| mean_of(codes) - all)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_spread_over_all_pieces_and_never_go_back() {
        let piece = |fields: std::ops::Range<i64>, offset| Piece { fields, offset };
        let pieces = [
            piece(0..6000, 10),
            piece(6000..6060, 11),
            piece(6100..6500, -4000),
            piece(6500..9000, 40),
        ];
        let seconds = moments(&pieces, 1001.0 / 60000.0);
        // Every third of 141: no more than are wanted, and not far fewer.
        assert_eq!(seconds.len(), 47);
        let all: Vec<(u64, u64)> = seconds.into_iter().flatten().collect();
        for pair in all.windows(2) {
            assert!(pair[0].0 < pair[1].0 && pair[0].1 < pair[1].1, "{pair:?}");
        }
        for (theirs, ours) in all {
            let expected = if theirs < 6000 { 10 } else { 40 };
            assert_eq!(ours - theirs, expected);
        }
    }

    /// Waves of luma and of colour that differ from row to row and field to field, moved to the right and down.
    fn field(number: u64, right: f64, down: i32) -> Field {
        let at = |at: usize, width: usize| {
            let (x, y) = (at % width * (720 / width), (at / width) as i32 - down);
            (x as f64 - right, f64::from(y), number as f64)
        };
        let wave = |(x, y, n): (f64, f64, f64), cycles: f64, size: f64| {
            size * (std::f64::consts::TAU * cycles * x + 0.31 * y * y + 1.3 * n).sin()
        };
        let plane = |width: usize, sizes: [f64; 3]| Plane {
            samples: (0..width * 240)
                .map(|nth| {
                    let place = at(nth, width);
                    let steps = [0.007, 0.019, 0.052];
                    let sum: f64 = steps
                        .iter()
                        .zip(sizes)
                        .map(|(cycles, size)| wave(place, cycles + 1e-5 * place.1, size))
                        .sum();
                    (128.0 + sum).round() as u8
                })
                .collect(),
            width,
            rows: 240,
        };
        moments::test_field(
            number,
            plane(720, [30.0, 30.0, 20.0]),
            [plane(360, [25.0, 15.0, 5.0]), plane(360, [15.0, 20.0, 5.0])],
        )
    }

    #[test]
    fn a_picture_far_to_the_side_is_placed_and_its_colour_not_taken_for_late() {
        let mut looker = Looker::new();
        let taken = |field: Field| Taken {
            field,
            before: None,
        };
        for number in 0..12 {
            if number % 2 == 0 {
                looker.begin_second();
            }
            looker.add(
                &taken(field(number, 0.0, 0)),
                &taken(field(number, 10.3, 2)),
            );
        }
        assert_eq!(looker.lie.map(|lie| (lie.down, lie.across)), Some((2, 12)));
        let whole = looker.lie.expect("found");
        let response = looker.luma.response(13.5).expect("six seconds");
        let right = response.right_samples.expect("told").value + f64::from(whole.across);
        assert!((right - 10.3).abs() < 0.06, "{right}");
        let chroma = looker.chroma.response(Hertz(6.75e6)).expect("six seconds");
        let late = chroma.late_ns.expect("told");
        assert!(late.value.abs() < 6.0, "{late:?}");
    }

    #[test]
    fn a_picture_that_stands_lower_is_found_to() {
        let plane = |down: i32| {
            let sample = |at: usize| {
                let (x, y) = (at % 720, (at / 720) as i32 - down);
                let value = 120.0
                    + 60.0 * (x as f64 * 0.01).sin() * (f64::from(y) * 0.21).cos()
                    + f64::from(y * 7 % 13);
                value as u8
            };
            Plane {
                samples: (0..720 * 240).map(sample).collect(),
                width: 720,
                rows: 240,
            }
        };
        for down in [-3, 0, 2] {
            assert_eq!(rows_apart(&plane(0), &plane(down)), down);
        }
    }
}
