//! Whether the picture went on by one frame since the field before, as it had been doing.
//!
//! In: thumbnails, and which fields repeat. Out: frames lost that nobody tells of, and whether a run of repeats stood in for
//! lost pictures or was put in between.
//!
//! What moves makes fields of one parity differ by more the more frames lie between them, whatever moves: a pan, a zoom, a
//! hand, a ball. Over the last fields that is known for one frame, two, three; so the difference across a doubtful place
//! says how many frames lie there. A loss is told only where the motion was even before and is so again afterwards, for a
//! camera that jerks looks the same, and both fields of the frame must say it. The picture as a whole is asked first; where something
//! moves in it by itself, its parts are, and most of those that move must say the same. Of a still scene nothing can be told.
//!
//! Does not know: what moved, or what the device counted.

use super::thumbnail::{TILES, Thumbnail};

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

/// Share by which differences of even motion vary from field to field, in a picture of ordinary sharpness.
const EVEN: f64 = 0.15;

/// The most they may vary by. Where edges are sharper than the samples are close, a slow pan makes them swing as it crosses from sample
/// to sample.
const UNEVEN: f64 = 0.45;

/// What a loss must stand out by where they vary by more than [`EVEN`], in the largest distance of one from their mean.
const BEYOND_UNEVEN: f64 = 4.0;

/// What a frame more must add, in differences of one frame, to be counted: sampling leaves 0.02, uneven motion more.
const COUNTABLE: f64 = 0.1;

/// Standard deviations of one frame's differences that a loss must stand out by: rough lines alone make them vary.
const STANDS_OUT: f64 = 6.0;

/// Differences over the longest known that are another scene.
const ANOTHER_SCENE: f64 = 1.5;

/// Parts of the picture that move with it, of those that move at all, that must say the same of a loss: what moves by itself does so in
/// few.
const AGREEING: f64 = 0.6;

/// Fewest of them: in one or two, a thing that moves by itself is all that moves.
const FEWEST_TILES: usize = 4;

/// What one area of the picture says of a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Said {
    /// Nothing moves that would tell.
    Nothing,
    /// Something moves there by fits and starts, or as before.
    NoLoss,
    /// So many frames are gone.
    Lost(usize),
}

/// Mean square differences of one area of the picture, newest first.
#[derive(Clone, Copy, Debug, Default)]
struct Course {
    /// Of a field against the field of its parity one frame before, two, and so on.
    since: [[Option<f32>; FRAMES]; KEPT],
}

/// The last fields' differences.
#[derive(Debug)]
pub(super) struct Pace {
    whole: Course,
    tiles: Vec<Course>,
    repeated: [bool; KEPT],
    /// Fields since something broke the row of fields.
    fields: usize,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            whole: Course::default(),
            tiles: vec![Course::default(); TILES],
            repeated: [false; KEPT],
            fields: 0,
        }
    }
}

impl Pace {
    /// Something is missing between the field before and the next: frames cannot be counted across.
    pub(super) fn interrupt(&mut self) {
        self.fields = 0;
    }

    /// Takes in the newest field, by the thumbnails from it backwards.
    pub(super) fn follow(&mut self, thumbnails: &[Thumbnail; THUMBNAILS]) {
        self.fields = (self.fields + 1).min(THUMBNAILS + KEPT);
        self.repeated.rotate_right(1);
        self.repeated[0] = false;
        self.whole.age();
        self.tiles.iter_mut().for_each(Course::age);
        let now = &thumbnails[0];
        for frames in (1..=FRAMES).filter(|frames| self.fields > 2 * frames) {
            let Some(changes) = now.change_by_tile(&thumbnails[2 * frames]) else {
                continue;
            };
            // Parts are of one size but for a row or column.
            let whole = changes.iter().sum::<f32>() / TILES as f32;
            self.whole.since[0][frames - 1] = Some(whole);
            for (tile, change) in self.tiles.iter_mut().zip(changes) {
                tile.since[0][frames - 1] = Some(change);
            }
        }
    }

    /// The newest field shows an earlier picture again.
    pub(super) fn note_repeat(&mut self) {
        self.repeated[0] = true;
    }

    /// Whether the run of so many repeats that ended with the field before was put in between, and not in place of others;
    /// `None` where nothing moves that would tell.
    pub(super) fn was_inserted(&self, repeats: usize) -> Option<bool> {
        let frames = repeats.div_ceil(2);
        let mean = |frames: usize| -> Option<f64> {
            let of = |field: usize| self.whole.since.get(field)?[frames - 1];
            Some(f64::from(f32::midpoint(of(repeats + 1)?, of(repeats + 2)?)))
        };
        let one = mean(1)?;
        let all = (frames < FRAMES).then(|| mean(1 + frames)).flatten()?;
        let after = f64::from(self.whole.since[0][0]?);
        (all - one > COUNTABLE * one).then(|| after < (one * all).sqrt())
    }

    /// Frames that are missing right before the field [`DELAY`] fields ago; 0 where none are, or it cannot be told.
    ///
    /// The picture as a whole says so, or most parts of it that move: what moves by itself in front of a camera that goes on evenly
    /// spoils the whole, and few of its parts.
    pub(super) fn lost_unnoticed(&self) -> u64 {
        if self.repeated.contains(&true) {
            return 0;
        }
        match self.whole.says() {
            Said::Lost(frames) => frames as u64,
            Said::Nothing => 0,
            Said::NoLoss => self.tiles_say(),
        }
    }

    fn tiles_say(&self) -> u64 {
        let (mut votes, mut moving) = ([0; FRAMES], 0);
        for said in self.tiles.iter().map(Course::says) {
            moving += usize::from(said != Said::Nothing);
            if let Said::Lost(frames) = said {
                votes[frames] += 1;
            }
        }
        let most = (1..FRAMES).max_by_key(|frames| votes[*frames]);
        let told: usize = votes.iter().sum();
        match most {
            Some(frames) if told >= FEWEST_TILES && told as f64 >= AGREEING * moving as f64 => {
                frames as u64
            }
            _ => 0,
        }
    }
}

impl Course {
    fn age(&mut self) {
        self.since.rotate_right(1);
        self.since[0] = Default::default();
    }

    /// Of the place right before the field [`DELAY`] fields ago.
    fn says(&self) -> Said {
        let Some(known) = self.known() else {
            return Said::Nothing;
        };
        if known[1] - known[0] <= COUNTABLE * known[0] {
            return Said::Nothing;
        }
        self.count_lost(&known).map_or(Said::NoLoss, Said::Lost)
    }

    /// Means over the fields before the place, by frames apart.
    fn known(&self) -> Option<[f64; FRAMES]> {
        let mut known = [0.0; FRAMES];
        for since in &self.since[DELAY + 1..] {
            for (known, since) in known.iter_mut().zip(since) {
                *known += f64::from((*since)?) / BEFORE as f64;
            }
        }
        Some(known)
    }

    fn count_lost(&self, known: &[f64; FRAMES]) -> Option<usize> {
        let ones = |fields: std::ops::RangeInclusive<usize>| {
            let changes = self.since[fields].iter();
            changes.map(|since| since[0].map(f64::from))
        };
        let one = known[0];
        let power = ones(DELAY + 1..=KEPT - 1).map(|change| Some((change? - one).powi(2)));
        let sigma = (power.sum::<Option<f64>>()? / BEFORE as f64).sqrt();
        let apart = ones(DELAY - 1..=DELAY).sum::<Option<f64>>()? / 2.0;
        let unevenness = ones(DELAY + 1..=KEPT - 1)
            .chain(ones(0..=DELAY - 2))
            .map(|change| Some((change? - one).abs()))
            .try_fold(0.0, |most: f64, off| Some(most.max(off?)))?;
        let stands_out = if unevenness > EVEN * one {
            BEYOND_UNEVEN * unevenness
        } else {
            EVEN * one
        };
        let jumped = near(ones(DELAY - 1..=DELAY), apart, EVEN)
            && apart - one > stands_out.max(STANDS_OUT * sigma);
        if unevenness > UNEVEN * one || !jumped {
            return None;
        }
        Some(frames_apart(known, apart)? - 1)
    }
}

/// How many frames make such a difference, by the fields before the loss; `None` if not each frame more makes more.
fn frames_apart(known: &[f64; FRAMES], apart: f64) -> Option<usize> {
    if apart > ANOTHER_SCENE * known[FRAMES - 1] {
        return None;
    }
    let distance = |at: &usize| (known[*at] - apart).abs();
    let at = (1..FRAMES).min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
    let grows = known[..=at]
        .windows(2)
        .all(|pair| pair[1] - pair[0] > COUNTABLE * known[0]);
    let step = known[at] - known[at - 1];
    (grows && distance(&at) < 0.5 * step).then_some(at + 1)
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
        told_beside(world, camera, fields, at, |_, _| ())
    }

    /// The same with something in front, drawn into each field.
    fn told_beside(
        world: &World,
        camera: impl Fn(f64) -> Camera,
        fields: u64,
        at: impl Fn(u64) -> u64,
        draw: impl Fn(&mut Plane, u64),
    ) -> Vec<(u64, u64)> {
        let mut sketcher = Sketcher::new(3);
        let mut pace = Pace::default();
        let mut thumbnails: [Thumbnail; THUMBNAILS] = Default::default();
        let mut losses = Vec::new();
        for field in 0..fields {
            let shown = 2 * at(field / 2) + field % 2;
            let mut luma = sketcher
                .shot(field, world, camera(shown as f64))
                .luma
                .clone();
            draw(&mut luma, field);
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
    fn a_thing_that_hops_about_before_an_even_pan_hides_no_loss() {
        let at = |frame: u64| if frame < 20 { frame } else { frame + 2 };
        let hopping = |luma: &mut Plane, field: u64| {
            let width = luma.width;
            let left = 80 + (field / 2 * 37 % 90) as usize;
            for row in luma.samples.chunks_exact_mut(width).skip(60).take(70) {
                row[left..left + 90].fill(220);
            }
        };
        let told = told_beside(&World::street(1), pan, 80, at, hopping);
        assert_eq!(told, [(40, 2)]);
        let told = told_beside(&World::street(1), pan, 200, |frame| frame, hopping);
        assert_eq!(told, []);
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
