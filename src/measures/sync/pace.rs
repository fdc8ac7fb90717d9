//! Whether the picture went on by one frame since the field before, as it had been doing.
//!
//! In: thumbnails, and which fields repeat. Out: frames lost that nobody tells of, and whether a run of repeats stood in for
//! lost pictures or was put in between.
//!
//! What moves makes fields of one parity differ by more the more frames lie between them, whatever moves: a pan, a zoom, a
//! hand, a ball. Over the last fields that is known for one frame, two, three; so the difference across a doubtful place
//! says how many frames lie there. A loss is told only where the motion was even before and is so again afterwards, for a
//! camera that jerks looks the same, and both fields of the frame must say it. Of a still scene nothing can be told.
//!
//! Does not know: what moved, or what the device counted.

use super::thumbnail::Thumbnail;

/// Frames over which differences are kept.
const FRAMES: usize = 5;

/// Thumbnails that takes, the newest included.
pub(super) const THUMBNAILS: usize = 2 * FRAMES + 1;

/// Fields after a loss that must have been seen to tell of it: both of the frame after it, and two frames more.
pub(super) const DELAY: usize = 5;

/// Fields before it: four frames.
const BEFORE: usize = 8;

/// Fields that are remembered.
const KEPT: usize = DELAY + 1 + BEFORE;

/// Share by which even motion varies from field to field.
const EVEN: f64 = 0.15;

/// The same some fields later.
const STILL_EVEN: f64 = 0.2;

/// What a frame more must add, in differences of one frame, to be counted: sampling leaves 0.02, uneven motion more.
const COUNTABLE: f64 = 0.1;

/// Standard deviations of one frame's differences that a loss must stand out by: rough lines alone make them vary.
const STANDS_OUT: f64 = 6.0;

/// Differences over the longest known that are another scene.
const ANOTHER_SCENE: f64 = 1.5;

/// Differences of the newest field.
#[derive(Clone, Copy, Debug, Default)]
struct Change {
    /// Against the field of its parity one frame before, two, and so on.
    since: [Option<f64>; FRAMES],
    repeated: bool,
}

/// The last fields' differences, newest first.
#[derive(Debug, Default)]
pub(super) struct Pace {
    changes: [Change; KEPT],
    /// Fields since something broke the row of fields.
    fields: usize,
}

impl Pace {
    /// Something is missing between the field before and the next: frames cannot be counted across.
    pub(super) fn interrupt(&mut self) {
        self.fields = 0;
    }

    /// Takes in the newest field, by the thumbnails from it backwards.
    pub(super) fn follow(&mut self, thumbnails: &[Thumbnail; THUMBNAILS]) {
        self.fields = (self.fields + 1).min(THUMBNAILS + KEPT);
        self.changes.rotate_right(1);
        let now = &thumbnails[0];
        self.changes[0] = Change::default();
        for (frames, since) in (1..).zip(&mut self.changes[0].since) {
            if self.fields > 2 * frames {
                *since = now.change(&thumbnails[2 * frames]);
            }
        }
    }

    /// The newest field shows an earlier picture again.
    pub(super) fn note_repeat(&mut self) {
        self.changes[0].repeated = true;
    }

    /// Whether the run of so many repeats that ended with the field before was put in between, and not in place of others;
    /// `None` where nothing moves that would tell.
    pub(super) fn was_inserted(&self, repeats: usize) -> Option<bool> {
        let frames = repeats.div_ceil(2);
        let mean = |frames: usize| -> Option<f64> {
            let of = |field: usize| self.changes.get(field)?.since[frames - 1];
            Some(f64::midpoint(of(repeats + 1)?, of(repeats + 2)?))
        };
        let one = mean(1)?;
        let all = (frames < FRAMES).then(|| mean(1 + frames)).flatten()?;
        let after = self.changes[0].since[0]?;
        (all - one > COUNTABLE * one).then(|| after < (one * all).sqrt())
    }

    /// Frames that are missing right before the field [`DELAY`] fields ago; 0 where none are, or it cannot be told.
    pub(super) fn lost_unnoticed(&self) -> u64 {
        self.count_lost().unwrap_or(0)
    }

    fn count_lost(&self) -> Option<u64> {
        let ones = |fields: std::ops::RangeInclusive<usize>| {
            self.changes[fields].iter().map(|change| change.since[0])
        };
        if self.changes.iter().any(|change| change.repeated) {
            return None;
        }
        let before = || ones(DELAY + 1..=KEPT - 1);
        let count = BEFORE as f64;
        let one = before().sum::<Option<f64>>()? / count;
        let power = before().map(|change| Some((change? - one).powi(2)));
        let sigma = (power.sum::<Option<f64>>()? / count).sqrt();
        let apart = ones(DELAY - 1..=DELAY).sum::<Option<f64>>()? / 2.0;
        let steady = near(before(), one, EVEN) && near(ones(0..=DELAY - 2), one, STILL_EVEN);
        let jumped = near(ones(DELAY - 1..=DELAY), apart, EVEN)
            && apart - one > (EVEN * one).max(STANDS_OUT * sigma);
        if !steady || !jumped {
            return None;
        }
        let frames = self.frames_apart(apart, one)?;
        Some(frames as u64 - 1)
    }

    /// How many frames make such a difference, by the fields before the loss; `None` if not each frame more makes more.
    fn frames_apart(&self, apart: f64, one: f64) -> Option<usize> {
        let mut known = [0.0; FRAMES];
        for (frames, known) in known.iter_mut().enumerate() {
            let before = self.changes[DELAY + 1..].iter();
            let sum = before
                .map(|change| change.since[frames])
                .sum::<Option<f64>>()?;
            *known = sum / BEFORE as f64;
        }
        if apart > ANOTHER_SCENE * known[FRAMES - 1] {
            return None;
        }
        let distance = |at: &usize| (known[*at] - apart).abs();
        let at = (1..FRAMES).min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
        let grows = known[..=at]
            .windows(2)
            .all(|pair| pair[1] - pair[0] > COUNTABLE * one);
        let step = known[at] - known[at - 1];
        (grows && distance(&at) < 0.5 * step).then_some(at + 1)
    }
}

/// Whether all of these differences are known, and the wanted one but for a share of it.
fn near(mut changes: impl Iterator<Item = Option<f64>>, wanted: f64, share: f64) -> bool {
    changes.all(|change| change.is_some_and(|change| (change - wanted).abs() < share * wanted))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fields::Plane;
    use crate::measures::sketch::{Camera, Sketcher, World};

    /// Shows fields of a moving camera to the pace, `at` giving the frame that each shows; every loss told.
    fn told(
        world: &World,
        camera: impl Fn(f64) -> Camera,
        fields: u64,
        at: impl Fn(u64) -> u64,
    ) -> Vec<(u64, u64)> {
        let mut sketcher = Sketcher::new(3);
        let mut pace = Pace::default();
        let mut thumbnails: [Thumbnail; THUMBNAILS] = Default::default();
        let mut losses = Vec::new();
        for field in 0..fields {
            let shown = 2 * at(field / 2) + field % 2;
            let luma: Plane = sketcher
                .shot(field, world, camera(shown as f64))
                .luma
                .clone();
            thumbnails.rotate_right(1);
            thumbnails[0].shrink(&luma);
            pace.follow(&thumbnails);
            let lost = pace.lost_unnoticed();
            if lost > 0 {
                losses.push((field - DELAY as u64, lost));
            }
        }
        losses
    }

    fn pan(field: f64) -> Camera {
        Camera {
            x: 100.0 + 2.0 * field,
            ..Camera::default()
        }
    }

    #[test]
    fn frames_lost_in_a_pan_are_counted() {
        for lost in [1, 2, 3] {
            let at = |frame: u64| if frame < 20 { frame } else { frame + lost };
            assert_eq!(told(&World::street(1), pan, 80, at), [(40, lost)], "{lost}");
        }
    }

    #[test]
    fn an_even_pan_and_a_still_scene_lose_nothing() {
        assert_eq!(told(&World::street(1), pan, 120, |frame| frame), []);
        let still = |_: f64| Camera::default();
        let at = |frame: u64| if frame < 20 { frame } else { frame + 3 };
        assert_eq!(told(&World::street(1), still, 80, at), []);
    }

    #[test]
    fn a_hand_that_shakes_loses_nothing() {
        let shaking = |field: f64| Camera {
            x: 100.0 + 6.0 * (field / 3.7).sin() + 4.0 * (field / 1.9).cos(),
            y: 50.0 + 2.0 * (field / 5.3).sin(),
            ..Camera::default()
        };
        assert_eq!(told(&World::street(1), shaking, 300, |frame| frame), []);
    }

    #[test]
    fn rough_lines_in_a_still_scene_lose_nothing() {
        // Each row of each field moved by a sample or so, anew.
        let world = World::leaves(1);
        let mut sketcher = Sketcher::new(9);
        let mut pace = Pace::default();
        let mut thumbnails: [Thumbnail; THUMBNAILS] = Default::default();
        for field in 0..400 {
            let mut luma = sketcher.shot(field, &world, Camera::default()).luma.clone();
            let width = luma.width;
            for row in luma.samples.chunks_exact_mut(width) {
                row.rotate_right((2.0 + 1.5 * sketcher.bell()).max(0.0) as usize);
            }
            thumbnails.rotate_right(1);
            thumbnails[0].shrink(&luma);
            pace.follow(&thumbnails);
            assert_eq!(pace.lost_unnoticed(), 0, "{field}");
        }
    }

    #[test]
    fn a_camera_that_starts_and_stops_loses_nothing() {
        let starting = |field: f64| Camera {
            x: 100.0 + 2.0 * (field - 60.0).clamp(0.0, 60.0),
            ..Camera::default()
        };
        assert_eq!(told(&World::street(1), starting, 200, |frame| frame), []);
    }
}
