//! Drift and pumping: how far the levels of one and the same picture move within seconds.
//!
//! In: the blocks of fields, a few a second. Out: the largest change between now and any moment of the last eight
//! seconds, in codes, of the darker or the brighter half of the picture.
//!
//! Only a picture that stays can tell: what moves or is cut to differs block by block, and then nothing is said. A step within
//! one field is a lamp, or a cut between like pictures, and begins anew. A picture that loses or gains more than a third of its
//! contrast is faded, and begins anew too.
//!
//! Does not know: IRE, limits, gain controls.

use super::blocks::{ACROSS, Block, Blocks, MOST_BANDS};
use super::flash::Ends;

/// Moments kept.
const KEPT: usize = 20;

/// Fields from one to the next: eight seconds in all, three swells of a control that hunts.
const STEP: u32 = 24;

/// Moments that show the same picture, without which nothing is said.
const ENOUGH: usize = 3;

/// Median distance of the blocks from the common change, in codes, up to which it is the same picture.
const SAME_CODES: f32 = 2.0;

/// A step from one field to the next that is none of a gain control, in codes.
const STEP_CODES: f32 = 6.0;

/// Contrast over the contrast then, beyond which (or its inverse) the picture is faded.
const FADED: f32 = 1.5;

/// Blocks that must be free of the ends of the scale.
const LEAST_BLOCKS: usize = 64;

/// How levels have moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Drift {
    /// In codes, never negative.
    pub(super) codes: f32,
    pub(super) sigma: f32,
    /// Moments it was compared with.
    pub(super) moments: u32,
}

/// Watches for drift.
#[derive(Debug)]
pub(super) struct DriftWatch {
    /// Newest first.
    kept: Box<[Blocks; KEPT]>,
    filled: usize,
    until_next: u32,
    last: Option<f32>,
    drift: Option<Drift>,
}

impl Default for DriftWatch {
    fn default() -> Self {
        Self {
            kept: Box::new(std::array::from_fn(|_| Blocks::default())),
            filled: 0,
            until_next: 0,
            last: None,
            drift: None,
        }
    }
}

/// How one picture differs from the same a while ago.
struct Change {
    dark: f32,
    bright: f32,
    sigma: f32,
    contrast: f32,
}

impl DriftWatch {
    /// Begins anew.
    pub(super) fn interrupt(&mut self) {
        self.filled = 0;
        self.until_next = 0;
        self.last = None;
        self.drift = None;
    }

    /// Takes in a field; one that flashes is passed over.
    pub(super) fn follow(&mut self, blocks: &Blocks, flashes: bool, ends: Ends) -> Option<Drift> {
        if flashes || blocks.count() == 0 {
            return self.drift;
        }
        let level =
            blocks.all().map(|block| block.mean).sum::<f32>() / (blocks.count() * ACROSS) as f32;
        if self
            .last
            .is_some_and(|last| (last - level).abs() > STEP_CODES)
        {
            self.interrupt();
        }
        self.last = Some(level);
        if self.until_next > 0 {
            self.until_next -= 1;
            return self.drift;
        }
        self.until_next = STEP - 1;
        self.drift = self.compare(blocks, ends);
        self.kept.rotate_right(1);
        self.kept[0].clone_from(blocks);
        self.filled = (self.filled + 1).min(KEPT);
        self.drift
    }

    fn compare(&mut self, now: &Blocks, ends: Ends) -> Option<Drift> {
        let mut most: Option<(f32, f32)> = None;
        let mut moments = 0;
        for then in 0..self.filled {
            let Some(change) = change(now, &self.kept[then], ends) else {
                continue;
            };
            if !(1.0 / FADED..=FADED).contains(&change.contrast) {
                self.filled = 0;
                return None;
            }
            moments += 1;
            let size = change.dark.abs().max(change.bright.abs());
            if most.is_none_or(|(most, _)| size > most) {
                most = Some((size, change.sigma));
            }
        }
        let (codes, sigma) = most?;
        (moments >= ENOUGH).then_some(Drift {
            codes,
            sigma,
            moments: moments as u32,
        })
    }
}

/// What the darker and the brighter half have changed by; `None` where the picture is another.
fn change(now: &Blocks, then: &Blocks, ends: Ends) -> Option<Change> {
    if now.count() != then.count() {
        return None;
    }
    let free = |block: &Block| block.low > ends.low + 3.0 && block.high < ends.high - 3.0;
    let mut pairs = [(0.0_f32, 0.0_f32); ACROSS * MOST_BANDS];
    let mut count = 0;
    for (now, then) in now.all().zip(then.all()) {
        if free(now) && free(then) {
            pairs[count] = (then.mean, now.mean - then.mean);
            count += 1;
        }
    }
    if count < LEAST_BLOCKS {
        return None;
    }
    let pairs = &mut pairs[..count];
    pairs.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let (dark, bright) = pairs.split_at_mut(count / 2);
    let levels = [&*dark, &*bright].map(|half| half[half.len() / 2].0);
    let changes = [dark, bright].map(|half| {
        half.sort_unstable_by(|a, b| a.1.total_cmp(&b.1));
        half[half.len() / 2].1
    });
    let slope = (changes[1] - changes[0]) / (levels[1] - levels[0]).max(4.0);
    let mut distances = [0.0_f32; ACROSS * MOST_BANDS];
    for (distance, (level, change)) in distances.iter_mut().zip(pairs.iter()) {
        *distance = (change - changes[0] - slope * (level - levels[0])).abs();
    }
    let distances = &mut distances[..count];
    distances.sort_unstable_by(f32::total_cmp);
    let off = distances[count / 2];
    (off <= SAME_CODES).then_some(Change {
        dark: changes[0],
        bright: changes[1],
        sigma: 1.4826 * 1.2533 * off / (count as f32 / 2.0).sqrt(),
        contrast: 1.0 + slope,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDE: Ends = Ends {
        low: 0.0,
        high: 255.0,
    };

    /// The largest drift told while `level` makes codes of field number and picture level.
    fn largest(fields: u32, level: impl Fn(u32, f32) -> f32) -> Option<f32> {
        let mut watch = DriftWatch::default();
        let mut blocks = Blocks::default();
        let mut most = None;
        for field in 0..fields {
            let values: Vec<u16> = (0..160 * 120)
                .map(|at: u32| {
                    let picture = 40 + ((at % 160) / 10 * 37 + at / 640 * 53) % 140;
                    (8.0 * level(field, picture as f32)).round() as u16
                })
                .collect();
            blocks.take(&values, 160);
            let drift = watch.follow(&blocks, false, WIDE);
            most = most.max(drift.map(|drift| (drift.codes * 1000.0) as u32));
        }
        most.map(|most: u32| most as f32 / 1000.0)
    }

    #[test]
    fn a_gain_that_hunts_by_five_percent_is_told_by_its_size() {
        // Contrast swells by ±5 % in 2.3 s: the middle of the brighter half, near code 145, by ±6.5 codes.
        let found = largest(600, |field, code| {
            let swell = (std::f32::consts::TAU * field as f32 / 115.0).sin();
            16.0 + (code - 16.0) * (1.0 + 0.05 * swell)
        });
        let found = found.expect("a still picture");
        assert!((10.0..15.0).contains(&found), "{found}");
    }

    #[test]
    fn a_level_that_stays_does_not_drift() {
        let found = largest(300, |_, code| code).expect("a still picture");
        assert!(found < 0.2, "{found}");
    }

    #[test]
    fn a_step_and_a_fade_are_no_drift() {
        let step = largest(
            400,
            |field, code| if field < 200 { code } else { code + 20.0 },
        );
        assert!(step.expect("a still picture") < 0.2, "{step:?}");
        let fade = largest(200, |field, code| {
            16.0 + (code - 16.0) * (1.0 - field as f32 / 60.0).max(0.0)
        });
        assert!(fade.is_none_or(|codes| codes < 12.0), "{fade:?}");
    }

    #[test]
    fn another_picture_says_nothing() {
        let found = largest(400, |field, code| {
            let scene = (field / 24 % 50) as f32;
            (code * (3.0 + 2.0 * scene)) % 140.0 + 40.0
        });
        assert_eq!(found, None);
    }
}
