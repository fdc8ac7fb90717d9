//! Which field is older, as the picture shows it.
//!
//! In: four fields in a row, those of two whole frames. Out: an [`Opinion`] on the order they are taken for.
//!
//! How: what moves differs the more, the more time lies between. Of two frames `a` and `b` the pair bottom(a), top(b)
//! is one field period apart if the top field is older, and three if it is younger; the pair top(a), bottom(b) the
//! other way round. Both pairs compare a top field with a bottom field, a row with the mean of the rows above and
//! below it, so vertical detail, the difference of the two heads, noise and line jitter weigh on both sides alike
//! and cancel in `(far − near) / (far + near)`. Both fields of one frame differing less than either pair, under
//! motion, are of one moment: progressive.
//!
//! Each frame with enough of a difference casts one vote; votes fade as new ones come, and a verdict needs far more
//! on one side than a run of chance gives (see [`DECISIVE`]). A still picture casts none; noise and jitter cast them to
//! both sides. So a scene must move for about two seconds, in one piece or several.
//!
//! Does not know: what the source said. Motion that repeats itself within three fields (a turning wheel, a moving
//! fence, a still picture fluttering at a third of the field rate) votes for the wrong side, for as long as it fills
//! the picture.

use multiversion::multiversion;

use crate::sources::FieldOrder;
use crate::standard::Parity;
use crate::timecode::FieldIndex;
use crate::units::Ratio;

use super::{Field, History, Plane};

/// Votes until one has faded to 1/e: long enough for [`DECISIVE`], short enough that a change of order within a tape
/// is seen within seconds of motion.
const MEMORY_VOTES: f32 = 50.0;

/// Lead of faded votes that makes a verdict: six standard deviations of the walk that votes cast by chance make
/// (1/√(1 − (1 − 1/50)²) = 5), and 46 votes of one mind.
const DECISIVE: f32 = 30.0;

/// Share by which the two pairs must differ to cast a vote; white noise alone gives about 0.005 on the samples taken.
const ORDER_SHARE: f32 = 0.03;

/// Share by which the fields of one frame must differ less than the nearer pair to cast a vote for progressive.
const PROGRESSIVE_SHARE: f32 = 0.06;

/// How far the vote for progressive must outweigh the imbalance of the pairs, which is zero then.
const PROGRESSIVE_LEAD: f32 = 2.0;

/// Codes a sample that count as no difference at all: the grain of 8-bit codes.
const GRAIN: f32 = 0.5;

/// Codes beyond which a difference counts no more: a dropout or a moving contour weighs as much as texture.
const CAP: u8 = 40;

/// One row in so many is looked at.
const ROW_STEP: usize = 6;

/// Parts of the height left out at either end (head switching, skew at the top), and of the width (blanking).
const MARGIN_PARTS: usize = 12;

/// Fewest rows and samples of a field that are worth a look.
const LEAST_ROWS: usize = 48;
const LEAST_WIDTH: usize = 64;

/// What the picture says of an order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Opinion {
    /// Not enough motion, or votes for several.
    Undecided,
    /// It shows the same.
    Agrees,
    /// It shows another.
    Says(FieldOrder),
}

/// Gathers what the picture shows of the field order.
#[derive(Clone, Debug, Default)]
pub struct OrderDetector {
    top: Votes,
    bottom: Votes,
    progressive: Votes,
    verdict: Option<FieldOrder>,
    interlace_shown: bool,
}

/// Votes for one order.
#[derive(Clone, Copy, Debug, Default)]
struct Votes {
    weight: f32,
    /// Field of the first vote that has not faded.
    since: FieldIndex,
}

impl Votes {
    fn fade(&mut self) {
        self.weight *= 1.0 - 1.0 / MEMORY_VOTES;
    }

    fn add(&mut self, field: FieldIndex) {
        if self.weight < 1.0 {
            self.since = field;
        }
        self.weight += 1.0;
    }
}

impl OrderDetector {
    /// Forgets all votes: another source, another raster.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    /// What has been seen, against the order the fields are taken for.
    #[must_use]
    pub fn opinion_of(&self, taken: FieldOrder) -> Opinion {
        match self.verdict {
            None => Opinion::Undecided,
            Some(verdict) if verdict == taken => Opinion::Agrees,
            Some(verdict) => Opinion::Says(verdict),
        }
    }

    /// How far the verdict's votes lead, as a share of the most they can.
    #[must_use]
    pub fn strength(&self) -> Option<Ratio> {
        self.verdict
            .map(|order| Ratio(f64::from((self.lead_of(order) / MEMORY_VOTES).max(0.0))))
    }

    /// The field the verdict has been shown since.
    #[must_use]
    pub fn since(&self) -> FieldIndex {
        self.verdict
            .map_or(FieldIndex(0), |order| self.votes(order).since)
    }

    /// Whether an older and a younger field were ever told apart.
    #[must_use]
    pub fn has_shown_interlace(&self) -> bool {
        self.interlace_shown
    }

    /// Looks at the newest frame, whose first field is `first`, and the one right before it.
    pub fn watch(&mut self, first: FieldIndex, history: &History) {
        let Some(vote) = FourFields::of(history).and_then(|fields| fields.vote()) else {
            return;
        };
        for votes in [&mut self.top, &mut self.bottom, &mut self.progressive] {
            votes.fade();
        }
        match vote {
            FieldOrder::Top => self.top.add(first),
            FieldOrder::Bottom => self.bottom.add(first),
            FieldOrder::Progressive => self.progressive.add(first),
        }
        if self.lead_of(vote) >= DECISIVE {
            self.verdict = Some(vote);
            self.interlace_shown |= vote != FieldOrder::Progressive;
        }
    }

    fn votes(&self, order: FieldOrder) -> &Votes {
        match order {
            FieldOrder::Top => &self.top,
            FieldOrder::Bottom => &self.bottom,
            FieldOrder::Progressive => &self.progressive,
        }
    }

    fn lead_of(&self, order: FieldOrder) -> f32 {
        let all = self.top.weight + self.bottom.weight + self.progressive.weight;
        let own = self.votes(order).weight;
        own - (all - own)
    }
}

/// The luma of two whole frames, one right after the other.
struct FourFields<'a> {
    top_before: &'a Plane,
    bottom_before: &'a Plane,
    top: &'a Plane,
    bottom: &'a Plane,
}

impl<'a> FourFields<'a> {
    fn of(history: &'a History) -> Option<Self> {
        let around = history.neighbourhood()?;
        let frame = [around.before(1)?, around.field];
        let frame_before = [around.before(3)?, around.before(2)?];
        let [top_before, bottom_before] = by_parity(frame_before)?;
        let [top, bottom] = by_parity(frame)?;
        let alike = |a: &Plane, b: &Plane| (a.width, a.rows) == (b.width, b.rows);
        let fit = alike(top_before, top) && alike(bottom_before, bottom);
        let large_enough = bottom.rows >= LEAST_ROWS && bottom.width >= LEAST_WIDTH;
        (fit && large_enough).then_some(Self {
            top_before,
            bottom_before,
            top,
            bottom,
        })
    }

    /// The order this frame shows, if it shows one.
    fn vote(&self) -> Option<FieldOrder> {
        let bottom_to_top = mean_difference(self.top, self.bottom_before);
        let top_to_bottom = mean_difference(self.top_before, self.bottom);
        let within = mean_difference(self.top, self.bottom);
        let order = share(top_to_bottom, bottom_to_top);
        let progressive = share(bottom_to_top.min(top_to_bottom), within);
        if progressive > PROGRESSIVE_SHARE && progressive > PROGRESSIVE_LEAD * order.abs() {
            Some(FieldOrder::Progressive)
        } else if order > ORDER_SHARE {
            Some(FieldOrder::Top)
        } else if order < -ORDER_SHARE {
            Some(FieldOrder::Bottom)
        } else {
            None
        }
    }
}

/// Top and bottom of the two fields of a frame.
fn by_parity([first, second]: [&Field; 2]) -> Option<[&Plane; 2]> {
    match (first.place.parity, second.place.parity) {
        (Parity::Top, Parity::Bottom) => Some([&first.luma, &second.luma]),
        (Parity::Bottom, Parity::Top) => Some([&second.luma, &first.luma]),
        _ => None,
    }
}

/// How much larger `far` is than `near`, from −1 to 1.
fn share(far: f32, near: f32) -> f32 {
    (far - near) / (far + near + GRAIN)
}

/// Mean capped difference of a top field's rows from the mean of the bottom field's rows above and below.
fn mean_difference(top: &Plane, bottom: &Plane) -> f32 {
    let rows = top.rows.min(bottom.rows);
    let (from, to) = (rows / MARGIN_PARTS, rows - rows / MARGIN_PARTS);
    let columns = top.width / MARGIN_PARTS..top.width - top.width / MARGIN_PARTS;
    let (mut sum, mut samples) = (0_u32, 0_usize);
    for row in (from.max(1)..to).step_by(ROW_STEP) {
        let middle = &top.row(row)[columns.clone()];
        let above = &bottom.row(row - 1)[columns.clone()];
        let below = &bottom.row(row)[columns.clone()];
        sum += row_difference(middle, above, below);
        samples += middle.len();
    }
    sum as f32 / samples as f32
}

#[multiversion(targets("x86_64+avx2"))]
fn row_difference(middle: &[u8], above: &[u8], below: &[u8]) -> u32 {
    let mut sum = 0;
    for ((&middle, &above), &below) in middle.iter().zip(above).zip(below) {
        let between = (u16::from(above) + u16::from(below)).div_ceil(2) as u8;
        sum += u32::from(middle.abs_diff(between).min(CAP));
    }
    sum
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;
    use std::sync::Arc;
    use std::time::Instant;

    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;
    use crate::fields::{OrderNotice, Splitter};
    use crate::sources::{
        ChromaGrid, Frame, FramePool, Gap, InputState, Packing, PictureFormat, RowLayout,
        SampleFormat,
    };
    use crate::standard::{RateTrust, Standard};
    use crate::units::CodeRange;

    /// Narrow, so that many frames are painted fast: a fifth of the evidence a whole picture has.
    const WIDTH: usize = 160;

    /// A scene, sampled field by field.
    #[derive(Clone, Copy)]
    struct Scene {
        standard: Standard,
        truth: FieldOrder,
        /// Samples and frame rows a field period.
        speed: (f64, f64),
        /// Codes, rms.
        noise: f64,
        /// Samples, rms, of each line by itself.
        jitter: f64,
        texture: bool,
    }

    const PAN: Scene = Scene {
        standard: Standard::Lines625,
        truth: FieldOrder::Top,
        speed: (1.3, 0.2),
        noise: 2.0,
        jitter: 0.0,
        texture: true,
    };

    impl Scene {
        fn rows(self) -> usize {
            match self.standard {
                Standard::Lines525 => 480,
                Standard::Lines625 => 576,
            }
        }

        /// Field periods since the start at which a row of a frame was taken.
        fn moment(self, frame: usize, row: usize) -> f64 {
            let younger = match self.truth {
                FieldOrder::Top => row % 2,
                FieldOrder::Bottom => 1 - row % 2,
                FieldOrder::Progressive => 0,
            };
            (2 * frame + younger) as f64
        }

        fn frame(
            self,
            index: usize,
            said: Option<FieldOrder>,
            random: &mut impl rand::Rng,
        ) -> Frame {
            let format = Arc::new(PictureFormat {
                width: WIDTH,
                rows: self.rows(),
                samples: SampleFormat {
                    packing: Packing::Planar,
                    chroma: ChromaGrid::Mono,
                    depth: 8,
                },
                padded_stride: None,
                range: CodeRange::Studio,
                standard: Some(self.standard),
                sample_rate: None,
                rate_trust: RateTrust::Known,
                field_order: said,
                field_order_forced: false,
            });
            let mut pool = FramePool::new(1, WIDTH * self.rows());
            let mut vacant = pool.vacant().expect("a new pool has room");
            for (row, samples) in vacant.bytes_mut().chunks_exact_mut(WIDTH).enumerate() {
                self.paint_row(row, self.moment(index, row), samples, random);
            }
            Frame {
                format,
                rows: RowLayout::Woven,
                data: vacant.fill(),
                gap: Gap::default(),
                device_time: None,
                arrived: Instant::now(),
                damaged: false,
                input: InputState::Unsaid,
            }
        }

        /// Waves of many directions, no two of them in step.
        fn paint_row(
            self,
            row: usize,
            moment: f64,
            samples: &mut [u8],
            random: &mut impl rand::Rng,
        ) {
            let waves = [
                (23.0, 61.0),
                (-37.0, 29.0),
                (71.0, -43.0),
                (13.3, 170.0),
                (190.0, 17.0),
            ];
            let shift = self.speed.0 * moment + self.jitter * bell(random);
            let y = row as f64 - self.speed.1 * moment;
            // one turn a sample of each wave, instead of a sine a sample
            let mut turning = waves.map(|(px, py)| (TAU * (y / py - shift / px)).sin_cos());
            let turns = waves.map(|(px, _)| (TAU / px).sin_cos());
            for sample in samples {
                let texture: f64 = turning.iter().map(|(sin, _)| sin).sum();
                for ((sin, cos), (turn_sin, turn_cos)) in turning.iter_mut().zip(turns) {
                    (*sin, *cos) = (
                        *sin * turn_cos + *cos * turn_sin,
                        *cos * turn_cos - *sin * turn_sin,
                    );
                }
                let texture = if self.texture { 18.0 * texture } else { 0.0 };
                let noise = self.noise * bell(random);
                *sample = (110.5 + texture + noise).clamp(1.0, 254.0) as u8;
            }
        }

        /// What a splitter makes of a stretch of it.
        fn watched(self, frames: usize, said: Option<FieldOrder>) -> (Splitter, Vec<OrderNotice>) {
            let mut random = Xoshiro256PlusPlus::seed_from_u64(20_231);
            let mut splitter = Splitter::new();
            let mut history = History::default();
            let mut notices = Vec::new();
            for index in 0..frames {
                let frame = self.frame(index, said, &mut random);
                splitter.split(&frame, &mut history, |_| ());
                notices.extend(splitter.order_notice());
            }
            (splitter, notices)
        }

        fn opinion(self, frames: usize) -> Opinion {
            let (splitter, _) = self.watched(frames, Some(FieldOrder::Top));
            splitter.detector().opinion_of(FieldOrder::Top)
        }
    }

    /// About normal, of unit variance: the sum of eight bytes.
    fn bell(random: &mut impl rand::Rng) -> f64 {
        let sum: u32 = random
            .random::<u64>()
            .to_le_bytes()
            .map(u32::from)
            .iter()
            .sum();
        (f64::from(sum) - 8.0 * 127.5) / (8.0_f64 * (256.0 * 256.0 - 1.0) / 12.0).sqrt()
    }

    const TWO_SECONDS: usize = 60;

    #[test]
    fn a_moving_picture_shows_its_order_in_both_standards() {
        for standard in [Standard::Lines525, Standard::Lines625] {
            let scene = Scene { standard, ..PAN };
            assert_eq!(scene.opinion(TWO_SECONDS), Opinion::Agrees);
            let truth = FieldOrder::Bottom;
            let scene = Scene { truth, ..scene };
            assert_eq!(scene.opinion(TWO_SECONDS), Opinion::Says(truth));
        }
    }

    #[test]
    fn a_tilt_and_a_slow_pan_show_it_too() {
        for speed in [(0.0, 0.7), (0.4, 0.0), (-6.0, 1.5)] {
            let truth = FieldOrder::Bottom;
            let scene = Scene {
                truth,
                speed,
                ..PAN
            };
            assert_eq!(
                scene.opinion(TWO_SECONDS),
                Opinion::Says(truth),
                "{speed:?}"
            );
        }
    }

    #[test]
    fn the_noise_and_jitter_of_a_worn_tape_do_not_hide_it() {
        let truth = FieldOrder::Bottom;
        let scene = Scene {
            truth,
            noise: 8.0,
            jitter: 0.6,
            ..PAN
        };
        assert_eq!(scene.opinion(2 * TWO_SECONDS), Opinion::Says(truth));
    }

    #[test]
    fn frames_of_one_moment_show_as_progressive() {
        let truth = FieldOrder::Progressive;
        assert_eq!(
            Scene { truth, ..PAN }.opinion(TWO_SECONDS),
            Opinion::Says(truth)
        );
    }

    #[test]
    fn a_still_picture_shows_nothing_however_its_lines_tremble() {
        for (noise, jitter) in [(0.0, 0.0), (3.0, 0.0), (3.0, 1.0), (0.0, 3.0)] {
            let speed = (0.0, 0.0);
            let scene = Scene {
                speed,
                noise,
                jitter,
                ..PAN
            };
            assert_eq!(scene.opinion(150), Opinion::Undecided, "{noise} {jitter}");
        }
    }

    #[test]
    fn noise_alone_shows_nothing() {
        let texture = false;
        let scene = Scene {
            noise: 40.0,
            texture,
            ..PAN
        };
        assert_eq!(scene.opinion(150), Opinion::Undecided);
    }

    #[test]
    fn a_source_that_said_nothing_is_corrected_between_frames() {
        let truth = FieldOrder::Bottom;
        let (splitter, notices) = Scene { truth, ..PAN }.watched(TWO_SECONDS, None);
        assert_eq!(splitter.field_order(), truth);
        let [notice] = notices.as_slice() else {
            panic!("one notice, not {notices:?}");
        };
        assert_eq!((notice.taken, notice.shown), (FieldOrder::Top, truth));
        assert!(notice.followed && notice.said.is_none());
        assert!(notice.since.0 < 10, "{notice}");
    }

    #[test]
    fn a_source_that_said_otherwise_is_contradicted_once_and_not_corrected() {
        let truth = FieldOrder::Bottom;
        let said = FieldOrder::Top;
        let (splitter, notices) = Scene { truth, ..PAN }.watched(2 * TWO_SECONDS, Some(said));
        assert_eq!(splitter.field_order(), said);
        let [notice] = notices.as_slice() else {
            panic!("one notice, not {notices:?}");
        };
        assert!(!notice.followed);
        let text = notice.to_string();
        assert!(text.contains("the source says top field first"), "{text}");
        assert!(text.contains("--field-order bottom"), "{text}");
    }

    #[test]
    fn film_on_an_interlaced_tape_is_no_contradiction() {
        let truth = FieldOrder::Progressive;
        let (_, notices) = Scene { truth, ..PAN }.watched(TWO_SECONDS, Some(FieldOrder::Top));
        assert_eq!(notices, []);
    }

    #[test]
    fn the_strength_of_a_verdict_grows_with_its_votes() {
        let (early, _) = PAN.watched(50, Some(FieldOrder::Top));
        let (late, _) = PAN.watched(90, Some(FieldOrder::Top));
        let [early, late] = [early, late].map(|s| s.detector().strength().map(|s| s.0));
        assert!(early > Some(0.6) && late > early, "{early:?} {late:?}");
    }
}
