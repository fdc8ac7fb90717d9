//! A re-implementation of a published row-shift criterion, beside content timing, on the same pictures and shifts.
//!
//! The criterion (M. Nikolova, "One-iteration dejittering of digital video images", J. Vis. Commun. Image R. 2009; written
//! here from its description, not from its author's code): row by row, the integer shift that makes the second vertical
//! difference to the two rows above smallest, with exponent 1/2. Anchored on row 0, which is itself displaced by up to 6,
//! it needs a search of ± 12 (`X`); ± 6 (`X6`) cannot reach every shift but drifts less. The paper's two-phase version for
//! noise is not implemented. `DP` bounds the shifts to ± 6 and finds the best of all rows at once, for a truncated second
//! difference of rows smoothed by 1-2-1 (after R. Lang, arXiv 1703.09161): it has no anchor.
//!
//! All three see one frame. Content timing needs two fields of a scene and says nothing of one, so a second setting gives
//! everyone two frames of one scene with shifts of their own and scores the difference of the shifts; `P` is the same
//! exponent between the same rows of both frames, which is what the criterion would become if it might look at both.
//! Content timing takes at most 313 rows, so the second setting cuts the pictures in halves of 256.

use trueline::fields::Plane;
use trueline::measures::line_timing::content::ContentTiming;
use trueline::standard::Parity;

use crate::run::{Pictures, on_all};
use crate::world::dice::Dice;
use crate::world::picture::Picture;

const PICTURES: [&str; 5] = ["camera", "astronaut", "brick", "grass", "gravel"];
const LARGEST: isize = 6;
/// What two shifts of one scene can differ by.
const SPAN: isize = 2 * LARGEST;
const SEEDS: std::ops::RangeInclusive<u64> = 1001..=1020;
const NOISES: [f64; 2] = [0.0, 10.0];
/// Columns at either side that displaced rows may not show everywhere.
const SIDE: usize = 2 * SPAN as usize;

/// Rows displaced by known whole samples.
struct Frame {
    rows: Vec<Vec<f32>>,
    shifts: Vec<isize>,
}

impl Frame {
    fn new(picture: &Picture, deviation: f64, dice: &mut Dice) -> Self {
        let count = 2 * LARGEST + 1;
        let shifts: Vec<isize> = (0..picture.height)
            .map(|_| (dice.even() * count as f64) as isize - LARGEST)
            .collect();
        let rows = picture
            .samples
            .chunks_exact(picture.width)
            .zip(&shifts)
            .map(|(row, shift)| displaced(row, *shift, deviation, dice))
            .collect();
        Self { rows, shifts }
    }

    fn part(&self, rows: std::ops::Range<usize>) -> Self {
        Self {
            rows: self.rows[rows.clone()].to_vec(),
            shifts: self.shifts[rows].to_vec(),
        }
    }

    fn plane(&self) -> Plane {
        let samples = self.rows.iter().flatten().map(|value| *value as u8);
        Plane {
            samples: samples.collect(),
            width: self.rows[0].len(),
            rows: self.rows.len(),
        }
    }
}

/// The row moved right by `shift`, vacated samples 0, with noise, in 8 bits.
fn displaced(row: &[f32], shift: isize, deviation: f64, dice: &mut Dice) -> Vec<f32> {
    (0..row.len())
        .map(|x| {
            let from = x.checked_add_signed(-shift);
            let clean = from.and_then(|from| row.get(from)).copied().unwrap_or(0.0);
            let noise = if deviation > 0.0 {
                deviation * dice.normal()
            } else {
                0.0
            };
            (f64::from(clean) + noise).round().clamp(0.0, 255.0) as f32
        })
        .collect()
}

/// The row from `SIDE` on, put back by `shift`.
fn inside(row: &[f32], shift: isize) -> &[f32] {
    let first = SIDE.saturating_add_signed(shift);
    &row[first..first + row.len() - 2 * SIDE]
}

fn root_cost(terms: impl Iterator<Item = f32>) -> f32 {
    terms.map(|term| term.abs().sqrt()).sum()
}

fn cheapest(reach: isize, cost: impl Fn(isize) -> f32) -> isize {
    (-reach..=reach)
        .map(|shift| (shift, cost(shift)))
        .min_by(|a, b| a.1.total_cmp(&b.1).then(a.0.abs().cmp(&b.0.abs())))
        .map_or(0, |(shift, _)| shift)
}

/// The published criterion with a search of ± `reach`.
fn by_second_difference(rows: &[Vec<f32>], reach: isize) -> Vec<isize> {
    let mut shifts: Vec<isize> = vec![0];
    for y in 1..rows.len() {
        let above = inside(&rows[y - 1], shifts[y - 1]);
        let shift = if y == 1 {
            cheapest(reach, |shift| {
                root_cost(
                    inside(&rows[y], shift)
                        .iter()
                        .zip(above)
                        .map(|(a, b)| a - b),
                )
            })
        } else {
            let further = inside(&rows[y - 2], shifts[y - 2]);
            cheapest(reach, |shift| {
                let both = above.iter().zip(further);
                let row = inside(&rows[y], shift).iter();
                root_cost(row.zip(both).map(|(a, (b, c))| a - 2.0 * b + c))
            })
        };
        shifts.push(shift);
    }
    shifts
}

/// The same exponent between the same rows of two frames.
fn by_difference(first: &[Vec<f32>], second: &[Vec<f32>]) -> Vec<isize> {
    let rows = first.iter().zip(second);
    rows.map(|(first, second)| {
        let reference = inside(first, 0);
        cheapest(SPAN, |shift| {
            root_cost(
                inside(second, shift)
                    .iter()
                    .zip(reference)
                    .map(|(a, b)| a - b),
            )
        })
    })
    .collect()
}

/// The best bounded shifts of all rows at once.
fn by_dynamic_programming(rows: &[Vec<f32>]) -> Vec<isize> {
    const STATES: usize = 2 * LARGEST as usize + 1;
    const SPREAD: usize = 2 * SPAN as usize + 1;
    let smooth: Vec<Vec<f32>> = rows.iter().map(|row| smoothed(row)).collect();
    // best[a][b]: the least cost with the last two rows at a and b.
    let mut best = vec![0.0_f32; STATES * STATES];
    let mut came_from: Vec<Vec<u8>> = Vec::new();
    for triple in smooth.windows(3) {
        let costs = second_differences(triple);
        let mut next = vec![f32::INFINITY; STATES * STATES];
        let mut from = vec![0_u8; STATES * STATES];
        for (a, b, c) in triples(STATES) {
            let cost = costs[(a + SPAN as usize - b) * SPREAD + (c + SPAN as usize - b)];
            let sum = best[a * STATES + b] + cost;
            if sum < next[b * STATES + c] {
                next[b * STATES + c] = sum;
                from[b * STATES + c] = a as u8;
            }
        }
        best = next;
        came_from.push(from);
    }
    let mut state = (0..STATES * STATES)
        .min_by(|&a, &b| best[a].total_cmp(&best[b]))
        .unwrap_or(0);
    let mut shifts = vec![state % STATES, state / STATES];
    for from in came_from.iter().rev() {
        let before = usize::from(from[state]);
        shifts.push(before);
        state = before * STATES + state / STATES;
    }
    shifts.reverse();
    shifts
        .iter()
        .map(|&shift| shift.cast_signed() - LARGEST)
        .collect()
}

fn triples(n: usize) -> impl Iterator<Item = (usize, usize, usize)> {
    (0..n * n * n).map(move |k| (k / (n * n), k / n % n, k % n))
}

fn smoothed(row: &[f32]) -> Vec<f32> {
    let at = |x: usize| row[x.min(row.len() - 1)];
    (0..row.len())
        .map(|x| 0.25 * at(x.saturating_sub(1)) + 0.5 * at(x) + 0.25 * at(x + 1))
        .collect()
}

/// Truncated second differences by the displacements of the outer rows against the middle one.
fn second_differences(triple: &[Vec<f32>]) -> Vec<f32> {
    /// Codes; what an edge of the picture may cost.
    const MOST: f32 = 25.0;
    let middle = inside(&triple[1], 0);
    let mut costs = Vec::new();
    for above in -SPAN..=SPAN {
        let above = inside(&triple[0], above);
        let expected: Vec<f32> = above.iter().zip(middle).map(|(a, b)| 2.0 * b - a).collect();
        for below in -SPAN..=SPAN {
            let below = inside(&triple[2], below).iter();
            let terms = below.zip(&expected).map(|(c, e)| (c - e).abs().min(MOST));
            costs.push(terms.sum());
        }
    }
    costs
}

/// What content timing says of the second of two frames: `None` where it says nothing.
fn by_content(first: &Frame, second: &Frame) -> Vec<Option<isize>> {
    let mut timing = ContentTiming::new();
    let columns = 0..first.rows[0].len();
    timing.time(&first.plane(), Parity::Top, columns.clone());
    let trace = timing.time(&second.plane(), Parity::Top, columns);
    let shift = |row: usize| trace.line(row).map(|shift| shift.value.round() as isize);
    (0..second.rows.len()).map(shift).collect()
}

/// Sums of what is printed.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    rows: usize,
    exact: usize,
    found: usize,
    distance: usize,
    pairs: usize,
    exact_pairs: usize,
}

impl Tally {
    fn of(found: &[Option<isize>], truth: &[isize]) -> Self {
        let errors: Vec<Option<isize>> = found
            .iter()
            .zip(truth)
            .map(|(found, truth)| found.map(|found| found - truth))
            .collect();
        let commonest = (-4 * SPAN..=4 * SPAN)
            .max_by_key(|level| {
                errors
                    .iter()
                    .flatten()
                    .filter(|error| error == &level)
                    .count()
            })
            .unwrap_or(0);
        let off = || errors.iter().flatten().map(|error| error - commonest);
        Self {
            rows: errors.len(),
            exact: off().filter(|&error| error == 0).count(),
            found: off().count(),
            distance: off().map(isize::unsigned_abs).sum(),
            pairs: errors.len() - 1,
            exact_pairs: errors
                .windows(2)
                .filter(|pair| pair[0].is_some() && pair[0] == pair[1])
                .count(),
        }
    }

    fn merge(&mut self, other: Self) {
        self.rows += other.rows;
        self.exact += other.exact;
        self.found += other.found;
        self.distance += other.distance;
        self.pairs += other.pairs;
        self.exact_pairs += other.exact_pairs;
    }

    fn text(self) -> String {
        let percent = |part: usize, of: usize| 100.0 * part as f64 / of.max(1) as f64;
        format!(
            "{:>5.1}/{:>5.2}/{:>5.1}",
            percent(self.exact, self.rows),
            self.distance as f64 / self.found as f64,
            percent(self.exact_pairs, self.pairs),
        )
    }
}

fn all(shifts: &[isize]) -> Vec<Option<isize>> {
    shifts.iter().copied().map(Some).collect()
}

fn less(a: &[isize], b: &[isize]) -> Vec<isize> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

/// X6, X and DP on one frame.
fn single(picture: &Picture, deviation: f64, seed: u64) -> Vec<Tally> {
    let frame = Frame::new(picture, deviation, &mut Dice::new(seed));
    [
        by_second_difference(&frame.rows, LARGEST),
        by_second_difference(&frame.rows, SPAN),
        by_dynamic_programming(&frame.rows),
    ]
    .iter()
    .map(|shifts| Tally::of(&all(shifts), &frame.shifts))
    .collect()
}

/// X6, X, DP, P and content timing on the difference of two frames.
fn double(picture: &Picture, deviation: f64, seed: u64) -> Vec<Tally> {
    let mut dice = Dice::new(seed);
    let frames = [(); 2].map(|()| Frame::new(picture, deviation, &mut dice));
    let mut tallies = vec![Tally::default(); 5];
    let half = picture.height / 2;
    for rows in [0..half, half..picture.height] {
        let [first, second] = [frames[0].part(rows.clone()), frames[1].part(rows)];
        let truth = less(&second.shifts, &first.shifts);
        let alone = |method: &dyn Fn(&[Vec<f32>]) -> Vec<isize>| {
            all(&less(&method(&second.rows), &method(&first.rows)))
        };
        let found = [
            alone(&|rows| by_second_difference(rows, LARGEST)),
            alone(&|rows| by_second_difference(rows, SPAN)),
            alone(&by_dynamic_programming),
            all(&by_difference(&first.rows, &second.rows)),
            by_content(&first, &second),
        ];
        for (tally, found) in tallies.iter_mut().zip(found) {
            tally.merge(Tally::of(&found, &truth));
        }
    }
    tallies
}

/// Scores of one frame, or two, of a picture at a noise, by seed.
type Setting = fn(&Picture, f64, u64) -> Vec<Tally>;

/// Prints both settings.
pub(crate) fn print(words: &[String]) {
    if !words
        .iter()
        .all(|word| word == "rowshift" || PICTURES.contains(&word.as_str()))
    {
        return;
    }
    let pictures = Pictures::read(&PICTURES);
    println!(
        "\nrowshift: whole shifts of -6..6 a row, 512 x 512, 20 seeds; % of rows exact after the most common constant / mean\n\
         |error| in samples / % of neighbouring rows exact to each other. X, X6: a re-implementation of a published criterion.\n\
         One frame is not addressed by content timing: it needs two fields of a scene."
    );
    let methods = ["X6", "X", "DP", "P", "content"];
    let settings: [(&str, Setting); 2] = [("one frame", single), ("two frames", double)];
    for (setting, method) in settings {
        let columns = methods.map(|name| format!("{name:>17}")).join(" | ");
        println!("{setting:<22} | {columns}");
        let cells: Vec<(&str, f64)> = PICTURES
            .iter()
            .filter(|name| words.iter().all(|word| word == "rowshift" || word == *name))
            .flat_map(|&name| NOISES.map(|deviation| (name, deviation)))
            .collect();
        for (name, deviation) in cells {
            let Some(picture) = pictures.get(name) else {
                continue;
            };
            let seeds: Vec<u64> = SEEDS.collect();
            let runs = on_all(&seeds, |&seed| method(picture, deviation, seed));
            let mut sums: Vec<Tally> = Vec::new();
            for tallies in runs {
                sums.resize_with(tallies.len(), Tally::default);
                sums.iter_mut()
                    .zip(tallies)
                    .for_each(|(sum, tally)| sum.merge(tally));
            }
            let texts: Vec<String> = sums.into_iter().map(Tally::text).collect();
            println!("{name:<10} noise {deviation:>3}   | {}", texts.join(" | "));
        }
    }
}
