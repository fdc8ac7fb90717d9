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
//! fence) can vote for the wrong side, for as long as it fills the picture.

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
