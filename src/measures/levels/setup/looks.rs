//! Different scenes, and the lowest level of each.
//!
//! In: fields. Out: a record a scene: where its black ends, whether black in it is dead, and how noisy the tape is. A scene is
//! another when its blocks are, after a cut or at the end of a pan.
//!
//! Does not know: cases, IRE.

use crate::fields::Field;
use crate::measures::dsp::running::RunningMedian;

use super::super::blocks::{ACROSS, Block, Blocks, MOST_BANDS};
use super::Look;

/// Scenes that count as many: one level under all of them is no chance of the picture.
pub(super) const MANY: usize = 6;

/// Scenes remembered, and for how long: five minutes.
const KEPT: usize = 64;
const KEPT_SECONDS: f64 = 300.0;

/// Mean difference of the blocks, in codes, from which on it is another scene.
const OTHER_CODES: f32 = 14.0;

/// Fields in a row that must be other: more than a flash has.
const OTHER_FIELDS: u32 = 6;

/// Fields that a scene must last to count.
const LEAST_FIELDS: u32 = 12;

/// Blacks of a scene that are kept, each of so many fields: six seconds.
const BLACKS: usize = 51;
const BLACK_STEP: u32 = 4;

/// The lower end of a scene's blacks: a dark thing may pass through the picture for a while.
const LOWER_SHARE: f64 = 0.2;

/// Share of the area that must be dead for black to be: one per cent, far over dropouts.
const DEAD_SHARE: f64 = 0.01;

/// Fields from one look at the noise to the next.
const NOISE_STEP: u32 = 16;

/// A scene, as remembered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Record {
    /// Where its black ends, in codes.
    pub(super) black: f64,
    /// Whether black in it is dead.
    pub(super) dead: bool,
    /// When it was seen last.
    seconds: f64,
}

/// The scene that is on.
#[derive(Debug)]
struct Scene {
    reference: Box<[[f32; ACROSS]; MOST_BANDS]>,
    bands: usize,
    blacks: RunningMedian<BLACKS>,
    fields: u32,
    dead_fields: u32,
    other: u32,
}

impl Default for Scene {
    fn default() -> Self {
        Self {
            reference: Box::new([[0.0; ACROSS]; MOST_BANDS]),
            bands: 0,
            blacks: RunningMedian::default(),
            fields: 0,
            dead_fields: 0,
            other: 0,
        }
    }
}

impl Scene {
    fn begin(&mut self, blocks: &Blocks) {
        for (kept, band) in self.reference.iter_mut().zip(blocks.bands()) {
            *kept = band.map(|Block { mean, .. }| mean);
        }
        self.bands = blocks.count();
        self.blacks = RunningMedian::default();
        (self.fields, self.dead_fields, self.other) = (0, 0, 0);
    }

    fn distance(&self, blocks: &Blocks) -> f32 {
        if self.bands != blocks.count() {
            return f32::INFINITY;
        }
        let kept = self.reference[..self.bands].iter().flatten();
        let sum: f32 = kept
            .zip(blocks.all())
            .map(|(kept, block)| (kept - block.mean).abs())
            .sum();
        sum / (self.bands * ACROSS).max(1) as f32
    }

    fn record(&self, seconds: f64) -> Option<Record> {
        let black = self.blacks.quantile(LOWER_SHARE)?;
        (self.fields >= LEAST_FIELDS).then(|| Record {
            black: f64::from(black),
            dead: 2 * self.dead_fields > self.fields,
            seconds,
        })
    }
}

/// What was seen.
#[derive(Debug, Default)]
pub(super) struct Looks {
    scene: Scene,
    kept: Kept,
    noise: RunningMedian<15>,
    until_noise: u32,
}

/// The scenes that are over, newest first.
#[derive(Clone, Debug)]
struct Kept {
    records: [Option<Record>; KEPT],
}

impl Default for Kept {
    fn default() -> Self {
        Self {
            records: [None; KEPT],
        }
    }
}

/// The scenes that count now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Records {
    records: [Option<Record>; KEPT + 1],
    noise: Option<f64>,
}

impl Records {
    #[cfg(test)]
    pub(super) fn of(scenes: &[(f64, bool)], noise: Option<f64>) -> Self {
        let mut records = [None; KEPT + 1];
        for (record, &(black, dead)) in records.iter_mut().zip(scenes) {
            *record = Some(Record {
                black,
                dead,
                seconds: 0.0,
            });
        }
        Self { records, noise }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Record> + Clone {
        self.records.iter().flatten()
    }

    pub(super) fn count(&self) -> usize {
        self.iter().count()
    }

    /// Sigma of the tape's noise in raw samples, in codes; `None` where no plain place showed it.
    pub(super) fn noise(&self) -> Option<f64> {
        self.noise
    }
}

impl Looks {
    pub(super) fn reset(&mut self) {
        self.scene.bands = 0;
        self.scene.fields = 0;
        self.scene.blacks = RunningMedian::default();
        self.kept = Kept::default();
    }

    pub(super) fn follow(&mut self, look: &Look<'_>, seconds: f64) {
        let blocks = look.blocks;
        if blocks.count() == 0 {
            return;
        }
        if self.scene.bands == 0 {
            self.scene.begin(blocks);
        }
        let other = self.scene.distance(blocks) > OTHER_CODES;
        self.scene.other = if other { self.scene.other + 1 } else { 0 };
        if self.scene.other >= OTHER_FIELDS {
            if let Some(record) = self.scene.record(seconds) {
                self.kept.records.rotate_right(1);
                self.kept.records[0] = Some(record);
            }
            self.scene.begin(blocks);
        }
        if other {
            return; // neither the old scene nor, yet, a new one
        }
        let scene = &mut self.scene;
        if scene.fields.is_multiple_of(BLACK_STEP) {
            scene.blacks.push(look.black as f32);
        }
        scene.fields = scene.fields.saturating_add(1);
        scene.dead_fields += u32::from(look.dead >= DEAD_SHARE);
        if self.until_noise == 0 {
            self.until_noise = NOISE_STEP;
            if let Some(noise) = noise_of(look.field, look.floor) {
                self.noise.push(noise);
            }
        }
        self.until_noise -= 1;
    }

    /// The scenes of the last minutes, with the one that is on.
    pub(super) fn records(&self, now: f64) -> Records {
        let mut records = [None; KEPT + 1];
        let recent = |record: &Record| now - record.seconds < KEPT_SECONDS;
        for (record, kept) in records.iter_mut().zip(&self.kept.records) {
            *record = kept.filter(recent);
        }
        records[KEPT] = self.scene.record(now);
        Records {
            records,
            noise: self.noise.median().map(f64::from),
        }
    }
}

/// Length of a place that is looked at for noise, in samples.
const PATCH: usize = 24;

/// Places that must be clear of the ends.
const LEAST_PATCHES: usize = 40;

/// Sigma of the noise in the plainest places, in codes, by differences of samples three apart: tape noise is wider than
/// one sample, and an even slope drops out in the second difference.
fn noise_of(field: &Field, floor: f64) -> Option<f32> {
    const LAG: usize = 3;
    const ROW_STEP: usize = 12;
    const MOST: usize = 1024;
    let luma = &field.luma;
    let lowest = (floor + 12.0).min(250.0) as u8;
    let mut sizes = [0.0_f32; MOST];
    let mut count = 0;
    for row in (luma.rows / 10..luma.rows * 9 / 10).step_by(ROW_STEP) {
        let inner = luma.width / 12..luma.width - luma.width / 12;
        for patch in luma.row(row)[inner].chunks_exact(PATCH) {
            if count == MOST || patch.iter().any(|&code| code < lowest || code > 225) {
                continue;
            }
            let square: f32 = (LAG..PATCH - LAG)
                .map(|at| {
                    let code = |at: usize| f32::from(patch[at]);
                    (2.0 * code(at) - code(at - LAG) - code(at + LAG)).powi(2)
                })
                .sum();
            // Weights 2, -1, -1: six times the power of white noise.
            sizes[count] = (square / (PATCH - 2 * LAG) as f32 / 6.0).sqrt();
            count += 1;
        }
    }
    if count < LEAST_PATCHES {
        return None;
    }
    let sizes = &mut sizes[..count];
    sizes.sort_unstable_by(f32::total_cmp);
    // The plainest tenth reads low by chance, about as much as texture adds.
    Some(sizes[count / 10])
}
