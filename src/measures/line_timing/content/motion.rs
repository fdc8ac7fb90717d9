//! How the camera moved since the last field of the parity, whatever the lines do.
//!
//! In: the present field and the last one. Out: [`Motion`]: where the picture went, down and across. Lines move across by
//! themselves, so each of some forty lines is given its own displacement and level, and what is asked is only what no
//! displacement of whole lines explains: the picture moving down, growing, turning. Solved by Gauss-Newton steps on all of
//! it at once; the lines' own unknowns are eliminated line by line (Schur complement).
//!
//! A picture that is slanted alike everywhere does not tell moving down from moving across; then the answer keeps the
//! motion foretold and says that it is unsure.
//!
//! Does not know: what line timing is made of the rest.

use multiversion::multiversion;

use crate::measures::dsp::fit::invert;
use crate::measures::dsp::robust;
use crate::measures::dsp::spline::STRETCH;
use crate::measures::hands::{Hands, Rows};

use super::coarse::{Foretold, Search};
use super::gradient::{GradientSums, Gradients, RowGradients};
use super::memory::Shot;
use super::reference::{Composer, Past, slopes};
use super::warp::{Frame, Warp};
use super::{MAX_STRETCHES, MOST_SAMPLES, SIGMA_PER_MEAN_DEVIATION, TAMING};

/// Lines looked at.
const LINES: usize = 40;

/// Lines of a block: few enough to share out.
const BLOCK_LINES: usize = 5;

/// Gauss-Newton steps at most.
const STEPS: usize = 6;

/// A step below which the next is not worth its time: it would be some tenths of this, in lines or samples.
const SETTLED: f64 = 0.02;

/// Lines of vertical motion, beyond what is foretold, that are looked for.
const REACH_DOWN: i32 = 6;

/// How much more than in the last field lines may miss for the motion to be as foretold: other lines need not be tried.
const AS_FORETOLD: f32 = 1.1;

/// How much better another line must fit before the picture is said to have moved down by a whole line unforetold.
const CLEARLY_BETTER: f32 = 0.85;

/// Part of a column's contrast that may be left over before it shows another picture.
const MOST_LEFT: f64 = 0.5;

/// Share of the width that shows another picture after a cut.
const CUT_SHARE: f64 = 0.5;

/// Share of the slopes from line to line that a displacement across must leave unexplained: pictures of things leave nine
/// tenths and more, one slanted alike everywhere a tenth.
const LEAST_TOLD: f64 = 0.35;

/// Share of the slopes from line to line that must be the picture's own and not its noise's.
const LEAST_STRUCTURED: f64 = 0.25;

/// A stretch has contrast of its own where it varies this many times as much as noise.
const CONTRASTY: f32 = 12.0;

/// Standard errors below which a motion is none: a still camera must stay still over hundreds of fields.
const NONE_BELOW: f64 = 4.5;

/// Departure from the middle of the lines, in samples and in their spreads, at which a line tells nothing of the camera.
const APART: f32 = 2.0;
const SPREADS: f32 = 5.0;

/// Unknowns of the whole field: down in the middle, more to the right, more to the bottom; growth across.
const UNKNOWNS: usize = 4;
/// Those of them that go down come first.
const DOWN: usize = 3;

/// How the camera moved.
#[derive(Clone, Copy, Debug)]
pub(super) struct Motion {
    /// From the present field to the last of its parity. What is common to all lines across is not in it: lines tell.
    pub warp: Warp,
    /// Down and across look alike: it was not seen whether the picture moves down.
    pub unsure: bool,
    /// Another scene.
    pub cut: bool,
}

/// Noise of the picture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    /// In codes².
    pub power: f32,
    /// Share of it that the blur keeps.
    pub kept: f64,
}

/// Finds motions; keeps its room.
#[derive(Debug)]
pub(super) struct MotionFinder {
    lines: Vec<Line>,
    sums: Vec<RowGradients>,
    /// What lines missed by where the motion was as foretold, in the last fields.
    usual_miss: Option<f32>,
}

/// One of the lines looked at.
#[derive(Clone, Copy, Debug, Default)]
struct Line {
    row: usize,
    shift: f32,
    offset: f32,
    scale: f32,
    /// What it misses by; `None` where nothing is known of it.
    miss: Option<f32>,
    /// It stands far from where most do.
    apart: bool,
    /// The stretches, a bit each, that a thing which moves by itself passes through.
    passing: u32,
}

/// Normal equations of the whole field.
#[derive(Clone, Copy, Debug, Default)]
struct Whole {
    matrix: [[f64; UNKNOWNS]; UNKNOWNS],
    right: [f64; UNKNOWNS],
    /// Squared slopes from line to line, before anything was eliminated.
    steps_down: f64,
    /// By unknowns down: what noise of one code² in slopes from line to line adds to the matrix.
    of_noise: [[f64; DOWN]; DOWN],
}

impl MotionFinder {
    pub(super) fn new() -> Self {
        Self {
            lines: Vec::with_capacity(LINES + 1),
            sums: Vec::with_capacity(LINES + 1),
            usual_miss: None,
        }
    }

    /// The motion from `last` to `shot`, near what is `foretold`.
    pub(super) fn find(
        &mut self,
        shot: &Shot,
        last: &Shot,
        foretold: &Warp,
        noise: Noise,
        hands: Hands,
    ) -> Motion {
        let mut warp = *foretold;
        warp.down[0] += f64::from(self.whole_lines_down(shot, last, foretold, hands));
        let mut variances = [f64::INFINITY; UNKNOWNS];
        let mut changed = 0.0;
        let mut structured = 1.0;
        let mut unsure = false;
        for _ in 0..STEPS {
            let (whole, remains) = self.equations(shot, last, &warp, noise.power, hands);
            changed = remains.share();
            if whole.told() < LEAST_TOLD {
                // Down and across look alike here: the picture is said to stand still.
                warp.down = [0.0; 3];
                warp.across[1] = 0.0;
                variances = [f64::INFINITY; UNKNOWNS];
                unsure = true;
                break;
            }
            let Some(solution) = whole.solve(remains.power(noise.kept), remains.slope_noise())
            else {
                break;
            };
            structured = whole.structured(remains.slope_noise());
            for k in 0..DOWN {
                warp.down[k] += solution.values[k].clamp(-1.5, 1.5);
            }
            warp.across[1] += solution.values[3].clamp(-3.0, 3.0);
            variances = solution.variances;
            let most = solution
                .values
                .iter()
                .fold(0.0_f64, |most, v| most.max(v.abs()));
            if most < SETTLED {
                break;
            }
        }
        if structured < LEAST_STRUCTURED {
            // Nothing in it goes up or down: upright stripes look alike wherever they stand.
            warp.down = [0.0; 3];
            warp.across[1] = foretold.across[1];
            for _ in 0..STEPS {
                let (whole, remains) = self.equations(shot, last, &warp, noise.power, hands);
                changed = remains.share();
                let (step, variance) = whole.solve_growth(remains.power(noise.kept));
                warp.across[1] += step.clamp(-3.0, 3.0);
                variances = [f64::INFINITY, f64::INFINITY, f64::INFINITY, variance];
                if step.abs() < SETTLED {
                    break;
                }
            }
        }
        settle(&mut warp, &variances);
        Motion {
            warp,
            unsure,
            cut: changed > CUT_SHARE,
        }
    }

    /// Whole lines that the picture moved down beyond what was foretold. The lines are left where they are found then.
    fn whole_lines_down(&mut self, shot: &Shot, last: &Shot, foretold: &Warp, hands: Hands) -> i32 {
        let usual = self.usual_miss;
        let mut miss = |down: i32| {
            let mut warp = *foretold;
            warp.down[0] += f64::from(down);
            self.rough(shot, last, &warp, hands)
        };
        let none = miss(0);
        if let Some(usual) = usual.filter(|usual| none <= AS_FORETOLD * usual) {
            // Motion that sets in slowly must not become usual.
            self.usual_miss = Some(none.min(1.02 * usual));
            return 0;
        }
        let (mut best, mut least) = (0, CLEARLY_BETTER * none);
        for way in [-1, 1] {
            for steps in 1..=REACH_DOWN {
                let here = miss(way * steps);
                if here < least {
                    (best, least) = (way * steps, here);
                } else if steps > 1 && here > none {
                    break;
                }
            }
        }
        // A picture slanted alike everywhere fits at any line: then it stands still.
        let still = -foretold.down[0].round() as i32;
        let as_good = still != best && miss(still) * CLEARLY_BETTER < miss(best);
        let best = if as_good { still } else { best };
        let least = miss(best);
        self.usual_miss = Some(least);
        best
    }

    /// Where each line stands to a sample if the camera moved by `warp`; returns what is missed by on average.
    fn rough(&mut self, shot: &Shot, last: &Shot, warp: &Warp, hands: Hands) -> f32 {
        let rows = shot.rows();
        let step = (rows / LINES).max(1);
        let looked_at = (step / 2 + 1..rows.saturating_sub(1))
            .step_by(step)
            .take(LINES);
        self.lines.clear();
        self.lines.extend(looked_at.map(|row| Line {
            row,
            ..Line::default()
        }));
        self.share(hands, &|lines, _| {
            let mut foretold = Foretold::default();
            for line in lines {
                line.look_for(shot, last, warp, &mut foretold);
            }
        });
        self.lines.retain(|line| line.miss.is_some());
        self.mark_apart();
        let miss: f32 = self.lines.iter().filter_map(|line| line.miss).sum();
        miss / self.lines.len().max(1) as f32
    }

    /// Marks lines that stand far from where most do: what moves by itself has taken them along, or they are torn.
    fn mark_apart(&mut self) {
        let mut shifts = [0.0; LINES];
        for (shift, line) in shifts.iter_mut().zip(&self.lines) {
            *shift = line.shift;
        }
        let count = self.lines.len().min(LINES);
        let Some((middle, spread)) = robust::median_and_spread(&mut shifts[..count]) else {
            return;
        };
        let most = APART.max(SPREADS * spread);
        for line in &mut self.lines {
            line.apart = (line.shift - middle).abs() > most;
        }
    }

    /// Does `work` on the lines, some at a time.
    fn share(&mut self, hands: Hands, work: &(impl Fn(&mut [Line], &mut [RowGradients]) + Sync)) {
        self.sums
            .resize(self.lines.len(), [GradientSums::default(); MAX_STRETCHES]);
        hands.share(
            self.lines.len(),
            BLOCK_LINES,
            Rows::new(&mut self.lines, 1),
            Rows::new(&mut self.sums, 1),
            &|_, lines, sums| work(lines, sums),
        );
    }

    /// Sums over all lines; each line's displacement and level follow to where they belong.
    fn equations(
        &mut self,
        shot: &Shot,
        last: &Shot,
        warp: &Warp,
        noise_power: f32,
        hands: Hands,
    ) -> (Whole, Remains) {
        let past = Past::of_last(last, warp);
        self.share(hands, &|lines, sums| {
            let mut expectation = Expectation::new();
            for (line, sums) in lines.iter_mut().zip(sums) {
                *sums = expectation.of(&past, shot, line.row).sums(
                    line.shift,
                    line.offset,
                    TAMING * line.scale.max(0.5),
                );
                line.scale = usual_scale(sums).unwrap_or(line.scale);
                leave_out(sums, line.passing);
            }
        });
        let frame = shot.frame();
        let mut whole = Whole::default();
        let mut remains = Remains::default();
        for (line, sums) in self.lines.iter_mut().zip(&self.sums) {
            if line.apart {
                continue;
            }
            remains.see(sums, noise_power);
            if let Some((shift, offset)) = whole.add(sums, line.row, frame) {
                line.shift -= shift.clamp(-1.0, 1.0);
                line.offset += offset;
            }
        }
        (whole, remains)
    }
}

impl Line {
    /// Finds where the line stands to a sample if the camera moved by `warp`.
    fn look_for(&mut self, shot: &Shot, last: &Shot, warp: &Warp, foretold: &mut Foretold) {
        let mut codes = [0; MOST_SAMPLES];
        let expected = &mut codes[..shot.stretches() * STRETCH];
        let known = whole_sample_row(last, warp, self.row, expected);
        // While the camera moves the picture down, or grows or turns it, all of it shows something else than expected.
        self.passing = if warp.moves_down() {
            0
        } else {
            passing(last.changed[self.row], known)
        };
        let search = Search {
            padded: shot.padded_codes(self.row),
            expected,
            known: known & !self.passing,
        };
        let found = search.run(foretold);
        self.miss = found.map(|found| found.miss);
        if let Some(found) = found {
            foretold.follow(&found);
            (self.shift, self.scale) = (found.shift, found.scale);
        }
    }
}

/// The stretches of a row that showed something else than expected in the last field, and those beside them; none where these are
/// most of it, for then nothing tells which part of it moves by itself.
fn passing(changed: u32, known: u32) -> u32 {
    let passing = changed | changed << 1 | changed >> 1;
    if 2 * (passing & known).count_ones() > known.count_ones() {
        0
    } else {
        passing
    }
}

/// Takes those stretches out of the sums: what moves by itself says nothing of the camera.
fn leave_out(sums: &mut RowGradients, passing: u32) {
    for (nth, sums) in sums.iter_mut().enumerate() {
        if passing >> nth & 1 != 0 {
            *sums = GradientSums::default();
        }
    }
}

/// What a row should show, to the nearest sample and line; returns the stretches that are known, a bit each.
fn whole_sample_row(last: &Shot, warp: &Warp, row: usize, expected: &mut [u8]) -> u32 {
    let mut known = 0;
    for (stretch, expected) in expected.chunks_exact_mut(STRETCH).enumerate() {
        let first = (stretch * STRETCH) as f64;
        let place = last
            .frame()
            .relative(first + 0.5 * STRETCH as f64, row as f64);
        let [across, down] = warp.at(place);
        let y = row as f64 - down + 0.5;
        let line = y as usize;
        if !(y >= 0.0 && line < last.rows()) {
            continue;
        }
        let x = first - across + f64::from(last.place[line]) + 0.5;
        if x < 0.0 {
            continue;
        }
        if let Some(from) = last.codes(line)[(x as usize).min(last.width())..].get(..STRETCH) {
            expected.copy_from_slice(from);
            known |= 1 << stretch;
        }
    }
    known
}

/// What one row should show, with its slopes.
struct Expectation {
    composer: Composer,
    /// The row above, the row, the row below.
    rows: [[f32; MOST_SAMPLES]; 3],
    slopes: [f32; MOST_SAMPLES],
    steps_down: [f32; MOST_SAMPLES],
    averaged: [f32; MAX_STRETCHES],
}

impl Expectation {
    fn new() -> Self {
        Self {
            composer: Composer::new(),
            rows: [[0.0; MOST_SAMPLES]; 3],
            slopes: [0.0; MOST_SAMPLES],
            steps_down: [0.0; MOST_SAMPLES],
            averaged: [0.0; MAX_STRETCHES],
        }
    }

    fn of<'a>(&'a mut self, past: &Past<'_>, shot: &'a Shot, row: usize) -> Gradients<'a> {
        let samples = shot.stretches() * STRETCH;
        self.averaged = [1.0; MAX_STRETCHES];
        for (nth, expected) in self.rows.iter_mut().enumerate() {
            let known = self
                .composer
                .compose(past, row + nth - 1, &mut expected[..samples])
                .averaged;
            for (averaged, known) in self.averaged.iter_mut().zip(known) {
                *averaged *= f32::from(u8::from(known > 0.0));
            }
        }
        slopes(&self.rows[1][..samples], &mut self.slopes[..samples]);
        steps_down(&self.rows, &mut self.steps_down);
        Gradients {
            coefficients: shot.row(row),
            width: shot.width(),
            expected: &self.rows[1][..samples],
            slopes: &self.slopes[..samples],
            steps_down: &self.steps_down[..samples],
            averaged: &self.averaged,
        }
    }
}

/// Half the difference of the rows below and above.
#[multiversion(targets("x86_64+avx2"))]
fn steps_down(rows: &[[f32; MOST_SAMPLES]; 3], steps_down: &mut [f32; MOST_SAMPLES]) {
    for x in 0..MOST_SAMPLES {
        steps_down[x] = 0.5 * (rows[2][x] - rows[0][x]);
    }
}

/// Takes a motion that its error explains for none.
fn settle(warp: &mut Warp, variances: &[f64; UNKNOWNS]) {
    let none = |value: f64, variance: f64| value * value < NONE_BELOW * NONE_BELOW * variance;
    for (down, variance) in warp.down.iter_mut().zip(variances) {
        if none(*down, *variance) {
            *down = 0.0;
        }
    }
    if none(warp.across[1], variances[3]) {
        warp.across[1] = 0.0;
    }
}

/// Standard deviation of a sample in the stretches that fit as most do.
fn usual_scale(sums: &RowGradients) -> Option<f32> {
    let mut distances = [0.0; MAX_STRETCHES];
    let mut count = 0;
    for sums in sums.iter().filter(|sums| sums.weight > 0.0) {
        distances[count] = sums.distance / STRETCH as f32;
        count += 1;
    }
    robust::median(&mut distances[..count]).map(|middle| SIGMA_PER_MEAN_DEVIATION * middle)
}

/// What the expected picture leaves unexplained, column by column of stretches.
#[derive(Clone, Copy, Debug, Default)]
struct Remains {
    contrast: [f64; MAX_STRETCHES],
    left: [f64; MAX_STRETCHES],
    known: [bool; MAX_STRETCHES],
    weighted: f64,
    weights: f64,
}

impl Remains {
    fn see(&mut self, sums: &RowGradients, noise_power: f32) {
        let least = CONTRASTY * noise_power * STRETCH as f32;
        for (nth, sums) in sums
            .iter()
            .enumerate()
            .filter(|(_, sums)| sums.weight > 0.0)
        {
            self.known[nth] = true;
            if sums.contrast.max(sums.left) > least {
                self.contrast[nth] += f64::from(sums.contrast);
                self.left[nth] += f64::from(sums.left);
            }
            self.weighted += f64::from(sums.rest_square);
            self.weights += f64::from(sums.weight);
        }
    }

    /// Share of the picture's width where it shows something else than expected. One thing that moves is not wide.
    fn share(&self) -> f64 {
        let failed = self.contrast.iter().zip(&self.left);
        let failed = failed.filter(|(contrast, left)| **left > MOST_LEFT * **contrast);
        let known = self.known.iter().filter(|&&known| known).count();
        failed.count() as f64 / known.max(1) as f64
    }

    /// Noise of a slope from line to line, in codes².
    ///
    /// What is left over has the noise of the field and of the last one; a slope, half the difference of two lines of the last, a
    /// quarter as much.
    fn slope_noise(&self) -> f64 {
        0.25 * self.weighted / self.weights.max(1.0)
    }

    /// Power of the noise where pictures have slopes: of what is left where the picture fits, before the blur.
    fn power(&self, value_noise: f64) -> f64 {
        (self.weighted / self.weights.max(1.0) / value_noise).max(0.1)
    }
}

struct Solved {
    values: [f64; UNKNOWNS],
    variances: [f64; UNKNOWNS],
}

impl Whole {
    /// Adds a line with its own displacement and level eliminated; returns both.
    fn add(&mut self, sums: &RowGradients, row: usize, frame: Frame) -> Option<(f32, f32)> {
        let mut own = [[0.0; 2]; 2];
        let mut cross = [[0.0; UNKNOWNS]; 2];
        let mut matrix = [[0.0; UNKNOWNS]; UNKNOWNS];
        let (mut own_right, mut right) = ([0.0; 2], [0.0; UNKNOWNS]);
        for (stretch, sums) in sums
            .iter()
            .enumerate()
            .filter(|(_, sums)| sums.weight > 0.0)
        {
            let middle = (stretch * STRETCH) as f64 + 0.5 * STRETCH as f64;
            let [x, y] = frame.relative(middle, row as f64);
            let [w, g, gg, r, gr, v, vv, gv, vr] = sums.products();
            own[0][0] += gg;
            own[0][1] += g;
            own[1][1] += w;
            own_right[0] += gr;
            own_right[1] += r;
            // Each unknown of the field acts through a slope, down (first three) or across, times a factor.
            let factors = [1.0, x, y, x];
            let down = [true, true, true, false];
            for j in 0..DOWN {
                for k in 0..DOWN {
                    self.of_noise[j][k] += factors[j] * factors[k] * w;
                }
            }
            for j in 0..UNKNOWNS {
                let (with_slope, with_level, with_rest) =
                    if down[j] { (gv, v, vr) } else { (gg, g, gr) };
                cross[0][j] += factors[j] * with_slope;
                cross[1][j] += factors[j] * with_level;
                right[j] += factors[j] * with_rest;
                for k in 0..UNKNOWNS {
                    let product = match (down[j], down[k]) {
                        (true, true) => vv,
                        (false, false) => gg,
                        _ => gv,
                    };
                    matrix[j][k] += factors[j] * factors[k] * product;
                }
            }
        }
        own[1][0] = own[0][1];
        let [[a, b], [_, d]] = own;
        let determinant = a * d - b * b;
        if determinant <= 1e-3 * d * d {
            return None;
        }
        let inverse = [
            [d / determinant, -b / determinant],
            [-b / determinant, a / determinant],
        ];
        let through = |column: [f64; 2]| -> [f64; 2] {
            std::array::from_fn(|i| inverse[i][0] * column[0] + inverse[i][1] * column[1])
        };
        let own_solution = through(own_right);
        self.steps_down += matrix[0][0] - cross[1][0] * cross[1][0] / d;
        for j in 0..UNKNOWNS {
            let column = [cross[0][j], cross[1][j]];
            let solved = through(column);
            for k in 0..UNKNOWNS {
                self.matrix[k][j] +=
                    matrix[k][j] - cross[0][k] * solved[0] - cross[1][k] * solved[1];
            }
            self.right[j] += right[j] - column[0] * own_solution[0] - column[1] * own_solution[1];
        }
        Some((own_solution[0] as f32, own_solution[1] as f32))
    }

    /// Share of the slopes from line to line that no displacement across explains.
    fn told(&self) -> f64 {
        self.matrix[0][0] / self.steps_down.max(1e-9)
    }

    /// Share of the slopes from line to line that is not noise, 1 at most.
    fn structured(&self, slope_noise: f64) -> f64 {
        1.0 - slope_noise * self.of_noise[0][0] / self.steps_down.max(1e-9)
    }

    /// What growth alone still lacks, and its variance where the noise has `power`.
    fn solve_growth(&self, power: f64) -> (f64, f64) {
        let information = self.matrix[3][3] + 0.01 * power;
        (-self.right[3] / information, power / information)
    }

    /// The step that is still missing, with variances where the noise has `power` and a slope from line to line `slope_noise`.
    ///
    /// Noise in the slopes passes for evidence: what is left of the matrix without it tells how far the evidence really goes.
    fn solve(&self, power: f64, slope_noise: f64) -> Option<Solved> {
        // Nothing moves by more than some ten lines or samples between fields unforetold.
        let held = |mut matrix: [[f64; UNKNOWNS]; UNKNOWNS]| {
            for (k, row) in matrix.iter_mut().enumerate() {
                row[k] += 0.01 * power;
            }
            matrix
        };
        let mut inverse = held(self.matrix);
        if !invert(&mut inverse) {
            return None;
        }
        let values = std::array::from_fn(|j| {
            -(0..UNKNOWNS)
                .map(|k| inverse[j][k] * self.right[k])
                .sum::<f64>()
        });
        let mut evidence = held(self.matrix);
        for (row, of_noise) in evidence.iter_mut().zip(&self.of_noise) {
            for (value, of_noise) in row.iter_mut().zip(of_noise) {
                *value -= slope_noise * of_noise;
            }
        }
        let sound = invert(&mut evidence) && (0..UNKNOWNS).all(|k| evidence[k][k] > 0.0);
        let variance = |k: usize| {
            let through = |j: usize| -> f64 {
                (0..UNKNOWNS)
                    .map(|i| self.matrix[j][i] * evidence[i][k])
                    .sum()
            };
            power
                * (0..UNKNOWNS)
                    .map(|j| evidence[k][j] * through(j))
                    .sum::<f64>()
        };
        Some(Solved {
            values,
            variances: std::array::from_fn(|k| if sound { variance(k) } else { f64::INFINITY }),
        })
    }
}
