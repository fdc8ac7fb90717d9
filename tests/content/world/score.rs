//! How far what an estimator says of a run of fields is from the truth.
//!
//! Only changes of timing can be seen in the picture: each field's displacement is known up to a constant (a pan), or up
//! to a straight line where the camera tilts or zooms, and each line's, per parity, up to a constant that every field of
//! the scene repeats. Where the picture moves up or down, what each of its rows was taken to stand at when it was first seen, under
//! another line's error, is unknown as well. Those are taken out of the error first. A constant taken out of n values takes 1/n of their variance
//! along, which is put back.

use trueline::standard::Parity;

use super::render::{CleanField, Owner};

/// Fields at the start of a scene that are not scored: the estimator meets it.
pub const UNSCORED: usize = 4;
/// Sigma in samples below which a line counts as good.
pub const GOOD_SIGMA: f64 = 0.1;
/// Bound in samples below which a line ought to be covered.
pub const FINE_BOUND: f64 = 0.05;
/// Error in samples that a good line that the object owns must not have.
pub const WRONG: f64 = 0.1;
/// Rows of the zones that are told apart: where the top bends, and where the heads switch.
const TOP_ROWS: usize = 40;
const BOTTOM_ROWS: usize = 7;
/// Least fields in which a line must be good for its constant to be taken out.
const LEAST_FIELDS: usize = 3;

/// What was said of a field.
#[derive(Clone, Debug, Default)]
pub struct Said {
    /// Value and sigma of each line, in samples.
    pub lines: Vec<Option<(f64, f64)>>,
    pub averaged: f64,
    pub cut: bool,
}

/// What was said of a field beside what is true of it.
#[derive(Clone, Debug)]
pub struct Seen {
    pub said: Said,
    pub parity: Parity,
    pub truth: Vec<f64>,
    /// Least standard error of each line, in samples.
    pub bound: Vec<f64>,
    pub owner: Vec<Owner>,
    /// The row of the scene that each line shows, in field lines.
    pub scene_row: Vec<f64>,
    pub new_scene: bool,
}

/// What is taken out of the error beside the constant of each line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unknown {
    /// The level of each field.
    Level,
    /// A straight line of each field.
    Line,
    /// That, and a constant of each row of the scene.
    SceneRows,
}

impl Seen {
    /// Sets `said` against `field`, to which noise of `density` square codes a sample was added.
    pub fn new(field: &CleanField, said: Said, density: f64) -> Self {
        let fields = if said.averaged > 0.0 {
            said.averaged
        } else {
            1.0
        };
        let share = (density * (1.0 + 1.0 / fields)).sqrt();
        let bound = |information: &f64| share / information.sqrt().max(f64::MIN_POSITIVE);
        Self {
            parity: field.parity,
            truth: field.displacement.clone(),
            bound: field.information.iter().map(bound).collect(),
            owner: field.owner.clone(),
            scene_row: field.scene_row.clone(),
            new_scene: field.new_scene,
            said,
        }
    }

    pub(super) fn is_good(&self, row: usize) -> bool {
        self.said.lines[row].is_some_and(|(_, sigma)| sigma <= GOOD_SIGMA)
    }
}

/// A mean square in the making.
#[derive(Clone, Copy, Debug, Default)]
pub struct Rms {
    squares: f64,
    pub count: usize,
}

impl Rms {
    pub fn add(&mut self, value: f64) {
        self.squares += value * value;
        self.count += 1;
    }

    pub fn merge(&mut self, other: Self) {
        self.squares += other.squares;
        self.count += other.count;
    }

    /// NaN of nothing.
    pub fn value(self) -> f64 {
        (self.squares / self.count as f64).sqrt()
    }
}

/// A share in the making.
#[derive(Clone, Copy, Debug, Default)]
pub struct Share {
    hits: usize,
    of: usize,
}

impl Share {
    fn add(&mut self, hit: bool) {
        self.hits += usize::from(hit);
        self.of += 1;
    }

    fn merge(&mut self, other: Self) {
        self.hits += other.hits;
        self.of += other.of;
    }

    pub fn hits(self) -> usize {
        self.hits
    }

    pub fn of(self) -> usize {
        self.of
    }

    pub fn percent(self) -> f64 {
        100.0 * self.hits as f64 / self.of as f64
    }
}

/// The score of one run, or of several.
#[derive(Clone, Debug, Default)]
pub struct Score {
    /// Error over bound of good lines of fine bound.
    pub over_bound: Rms,
    /// Error of those lines, in samples.
    pub fine: Rms,
    /// Good lines among those of fine bound.
    pub fine_covered: Share,
    /// Error of good lines of the scene's own, in samples.
    pub good: Rms,
    /// The same by zone: the top 40 lines, the middle, the last 7.
    pub zones: [Rms; 3],
    /// Good lines among all of the scene's own that no object crosses.
    pub covered: Share,
    /// Error of all lines of which something is said.
    pub usable: Rms,
    /// Rms bound of the good lines.
    pub bound: Rms,
    /// Good lines wrong by more than [`WRONG`], among lines that an object owns.
    pub fooled: Share,
    /// Good lines that an object crosses without owning them: their error.
    pub crossed: Rms,
    /// Scene changes that were not called so, and calls without one.
    pub cuts_missed: usize,
    pub cuts_invented: usize,
    /// Squares of displacement less its noise, by field, where nothing was put in.
    z: Vec<f64>,
}

impl Score {
    /// Scores a run.
    pub fn of(run: &[Seen], unknown: Unknown) -> Self {
        let mut score = Self::default();
        let scenes = scenes(run);
        score.count_cuts(run);
        for (n, scene) in scenes.iter().enumerate() {
            let skipped = if n == 0 { UNSCORED } else { UNSCORED.max(1) };
            let fields = scene.get(skipped.min(scene.len())..).unwrap_or_default();
            for parity in [Parity::Top, Parity::Bottom] {
                let fields: Vec<&Seen> = fields
                    .iter()
                    .filter(|field| field.parity == parity)
                    .collect();
                score.add(&fields, unknown);
            }
        }
        score
    }

    pub fn merge(&mut self, other: &Self) {
        self.over_bound.merge(other.over_bound);
        self.fine.merge(other.fine);
        self.fine_covered.merge(other.fine_covered);
        self.good.merge(other.good);
        for (zone, other) in self.zones.iter_mut().zip(other.zones) {
            zone.merge(other);
        }
        self.covered.merge(other.covered);
        self.usable.merge(other.usable);
        self.bound.merge(other.bound);
        self.fooled.merge(other.fooled);
        self.crossed.merge(other.crossed);
        self.cuts_missed += other.cuts_missed;
        self.cuts_invented += other.cuts_invented;
        self.z.extend_from_slice(&other.z);
    }

    /// Robust deviation of error over sigma: 1 where sigma is honest.
    pub fn honesty(&self) -> f64 {
        let mut sizes: Vec<f64> = self.z.iter().map(|z| z.abs()).collect();
        1.4826 * middle(&mut sizes).unwrap_or(f64::NAN)
    }

    fn count_cuts(&mut self, run: &[Seen]) {
        for (t, field) in run.iter().enumerate() {
            // A change may be seen in the first field of either parity.
            let called = |fields: &[Seen]| fields.iter().any(|field| field.said.cut);
            if field.new_scene && !called(&run[t..(t + 2).min(run.len())]) {
                self.cuts_missed += 1;
            }
            let real = run[t.saturating_sub(1)..=t].iter().any(|f| f.new_scene);
            if field.said.cut && t > 0 && !real {
                self.cuts_invented += 1;
            }
        }
    }

    /// Adds fields of one scene and parity.
    fn add(&mut self, fields: &[&Seen], unknown: Unknown) {
        let Some(first) = fields.first() else { return };
        let bent = unknown != Unknown::Level;
        let levelled = levelled(fields, bent);
        if unknown == Unknown::SceneRows {
            for (field, row, error) in super::rows::without_rows(fields, &levelled) {
                self.add_line(field, row, error);
            }
            return;
        }
        for row in 0..first.truth.len() {
            let errors: Vec<Option<f64>> = levelled.iter().map(|errors| errors[row]).collect();
            let good: Vec<Option<f64>> = fields
                .iter()
                .zip(&errors)
                .map(|(field, error)| error.filter(|_| field.is_good(row)))
                .collect();
            for (field, error) in fields.iter().zip(centred(&errors)) {
                if let Some(error) = error.filter(|_| field.owner[row] == Owner::Scene) {
                    self.usable.add(error);
                }
            }
            for (field, error) in fields.iter().zip(centred(&good)) {
                self.add_line(field, row, error);
            }
        }
    }

    /// `error` is that of a good line.
    fn add_line(&mut self, field: &Seen, row: usize, error: Option<f64>) {
        let bound = field.bound[row];
        match field.owner[row] {
            Owner::Object => {
                self.fooled
                    .add(error.is_some_and(|error| error.abs() > WRONG));
                return;
            }
            Owner::Crossed => {
                if let Some(error) = error {
                    self.crossed.add(error);
                }
                return;
            }
            Owner::Scene => {}
        }
        self.covered.add(field.is_good(row));
        if bound < FINE_BOUND {
            self.fine_covered.add(field.is_good(row));
        }
        let (Some(error), Some((_, sigma))) = (error, field.said.lines[row]) else {
            return;
        };
        self.good.add(error);
        self.zones[zone_of(row, field.truth.len())].add(error);
        self.bound.add(bound);
        self.z.push(error / sigma);
        if bound < FINE_BOUND {
            self.over_bound.add(error / bound);
            self.fine.add(error);
        }
    }
}

fn zone_of(row: usize, rows: usize) -> usize {
    if row < TOP_ROWS {
        0
    } else if row + BOTTOM_ROWS < rows {
        1
    } else {
        2
    }
}

/// The run cut where a scene begins or the estimator says that one does: per-line constants do not reach across.
fn scenes(run: &[Seen]) -> Vec<&[Seen]> {
    let mut scenes = Vec::new();
    let mut start = 0;
    for t in 1..run.len() {
        if run[t].new_scene || run[t].said.cut {
            scenes.push(&run[start..t]);
            start = t;
        }
    }
    scenes.push(&run[start..]);
    scenes
}

/// Errors by field and line without what each whole field has in common.
///
/// What lines and what fields have in common are told apart in turns: the median over lines is as sharp as it can be only
/// when the constants of the lines, which may be samples apart, are out of the way.
fn levelled(fields: &[&Seen], bent: bool) -> Vec<Vec<Option<f64>>> {
    const TURNS: usize = 6;
    let mut errors: Vec<Vec<Option<f64>>> = fields.iter().map(|field| errors(field)).collect();
    let rows = errors.first().map_or(0, Vec::len);
    for _ in 0..TURNS {
        let constants: Vec<f64> = (0..rows)
            .map(|row| {
                let seen = fields.iter().zip(&errors);
                let mut good: Vec<f64> = seen
                    .filter(|(field, _)| field.is_good(row))
                    .filter_map(|(_, errors)| errors[row])
                    .collect();
                middle(&mut good).unwrap_or(0.0)
            })
            .collect();
        for (field, errors) in fields.iter().zip(&mut errors) {
            level(field, errors, &constants, bent);
        }
    }
    errors
}

fn errors(field: &Seen) -> Vec<Option<f64>> {
    let lines = field.said.lines.iter().zip(&field.truth);
    lines
        .map(|(line, truth)| line.map(|(value, _)| value - truth))
        .collect()
}

/// Takes out of `errors` what the good lines say they have in common beside `constants`.
fn level(field: &Seen, errors: &mut [Option<f64>], constants: &[f64], bent: bool) {
    // Where an object may carry lines away the rest says where the field stands.
    let mut points: Vec<(f64, f64)> = (0..errors.len())
        .filter(|&row| field.is_good(row) && field.owner[row] != Owner::Object)
        .filter_map(|row| Some((row as f64, errors[row]? - constants[row])))
        .collect();
    let mut values: Vec<f64> = points.iter().map(|point| point.1).collect();
    let (mut level, mut slope) = (middle(&mut values).unwrap_or(0.0), 0.0);
    if bent {
        // Fitted to the lines that count, then to those near the first fit.
        for _ in 0..3 {
            let Some(line) = straight_line(&points) else {
                break;
            };
            (level, slope) = line;
            let off = |point: &(f64, f64)| (point.1 - level - slope * point.0).abs();
            let mut sizes: Vec<f64> = points.iter().map(off).collect();
            let near = 4.0 * 1.4826 * middle(&mut sizes).unwrap_or(0.0);
            points.retain(|point| off(point) <= near);
        }
    }
    for (row, error) in errors.iter_mut().enumerate() {
        if let Some(error) = error {
            *error -= level + slope * row as f64;
        }
    }
}

/// Level at 0 and slope of the least-squares line.
fn straight_line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    if points.len() < 3 {
        return None;
    }
    let (x, y) = points
        .iter()
        .fold((0.0, 0.0), |sum, point| (sum.0 + point.0, sum.1 + point.1));
    let (x, y) = (x / n, y / n);
    let (mut xx, mut xy) = (0.0, 0.0);
    for point in points {
        xx += (point.0 - x).powi(2);
        xy += (point.0 - x) * (point.1 - y);
    }
    let slope = xy / xx;
    Some((y - slope * x, slope))
}

/// Values without their mean, with the variance that the mean took put back; nothing of too few.
fn centred(values: &[Option<f64>]) -> Vec<Option<f64>> {
    let n = values.iter().flatten().count();
    if n < LEAST_FIELDS {
        return vec![None; values.len()];
    }
    let mean = values.iter().flatten().sum::<f64>() / n as f64;
    let scale = (1.0 - 1.0 / n as f64).sqrt().recip();
    values
        .iter()
        .map(|value| value.map(|value| (value - mean) * scale))
        .collect()
}

fn middle(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let place = values.len() / 2;
    Some(*values.select_nth_unstable_by(place, f64::total_cmp).1)
}

/// Wobble that is said to be there, in samples rms over a field's lines with the noise of the readings taken out, of each
/// scored field with 30 % of its lines; a straight line is taken out, as the error figures do.
pub fn wobble(run: &[Seen]) -> Vec<f64> {
    let scored = run.iter().skip(UNSCORED);
    scored.filter_map(field_wobble).collect()
}

fn field_wobble(field: &Seen) -> Option<f64> {
    let points: Vec<(f64, f64, f64)> = field
        .said
        .lines
        .iter()
        .enumerate()
        .filter_map(|(row, line)| line.map(|(value, sigma)| (row as f64, value, sigma)))
        .filter(|(_, _, sigma)| *sigma <= GOOD_SIGMA)
        .collect();
    if points.len() * 10 < field.truth.len() * 3 {
        return None;
    }
    let plain: Vec<(f64, f64)> = points.iter().map(|point| (point.0, point.1)).collect();
    let (level, slope) = straight_line(&plain)?;
    let excess: f64 = points
        .iter()
        .map(|(row, value, sigma)| (value - level - slope * row).powi(2) - sigma * sigma)
        .sum();
    Some((excess / points.len() as f64).max(0.0).sqrt())
}
