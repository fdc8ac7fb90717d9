//! What a scene is: a tape in segments, and the chain it is played through. All of it is data.
//!
//! In: nothing. Out: [`Scene`] and its parts, with a plain default of each to start from.
//!
//! Does not know: how any of it is simulated, or which scenes there are.

use crate::standard::Standard;
use crate::units::{Decibels, Hertz, Ire, Nanos, Samples, Seconds};

use super::super::format::FieldOrder;
use super::box_model::BoxModel;
use super::camera::Camera;
use super::defects::{Dropouts, Flashes, Tears, Vertical};
use super::heads::{Heads, Tracking};
use super::levels::Levels;
use super::line_lock::LineLock;
use super::movers::Mover;
use super::pictures::Picture;
use super::timing::Timing;

/// A tape and a chain.
#[derive(Clone, Copy, Debug)]
pub struct Scene {
    /// As the operator writes it.
    pub name: &'static str,
    /// One line for the list.
    pub about: &'static str,
    /// Standard, unless wished otherwise.
    pub standard: Standard,
    /// Field order, unless wished otherwise or given by the raster.
    pub field_order: Option<FieldOrder>,
    /// Blanking seen at the left and right, where it is not the standard's.
    pub margins: Option<(Samples, Samples)>,
    /// Luma bandwidth of the recording: 2.4 to 4 MHz.
    pub luma_band: Hertz,
    /// Colour bandwidth of the recording: 0.4 to 0.5 MHz.
    pub chroma_band: Hertz,
    /// What is recorded, in order.
    pub tape: &'static [Segment],
    /// Where on the tape this pass begins.
    pub start: Seconds,
    /// What it is played through.
    pub chain: Chain,
}

/// A stretch of tape.
#[derive(Clone, Copy, Debug)]
pub struct Segment {
    /// How long.
    pub seconds: f64,
    /// What is to be seen.
    pub shows: Shows,
    /// The camera.
    pub camera: Camera,
    /// What moves through the picture.
    pub movers: &'static [Mover],
    /// Time error.
    pub timing: Timing,
    /// Level faults.
    pub levels: Levels,
    /// Noise.
    pub noise: Noise,
    /// Streaks.
    pub dropouts: Dropouts,
    /// Lines thrown aside.
    pub tears: Tears,
    /// Jumps of level.
    pub flashes: Flashes,
    /// Vertical lock.
    pub vertical: Vertical,
    /// How the heads lie on the tracks.
    pub tracking: Tracking,
    /// What is wrong with one of them.
    pub heads: Heads,
}

/// What is to be seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shows {
    /// A picture from the tape.
    Picture(Picture),
    /// Noise: blank tape.
    Snow,
    /// A flat picture that player, box or device put in: red, green and blue.
    Flat(f32, f32, f32),
    /// Black, and the device says that nothing arrives.
    NoSignal,
}

/// Unweighted signal-to-noise ratios; infinite = none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// Luma.
    pub luma: Decibels,
    /// Colour differences.
    pub chroma: Decibels,
}

/// What a tape is played through.
#[derive(Clone, Copy, Debug)]
pub struct Chain {
    /// The loop of whatever first decodes the signal.
    pub lock: LineLock,
    /// A box in between.
    pub boxed: Option<BoxModel>,
    /// What the capture gets wrong.
    pub faults: &'static [Fault],
}

/// Something the capture gets wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// First time, in seconds of the pass.
    pub at: f64,
    /// Again after so many seconds.
    pub every: Option<f64>,
    /// For how many frames.
    pub frames: u64,
    /// What.
    pub kind: FaultKind,
}

/// Kinds of capture faults.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultKind {
    /// Frames are lost, and the device says so.
    Lost,
    /// Frames are lost on the way to the device, which does not notice: only the picture jumps.
    LostSilently,
    /// The picture before is shown instead, bit for bit.
    Repeated,
    /// The picture before is shown instead, converted once more.
    RepeatedAfresh,
    /// Blocks of the picture before stay in the place of what they should show, converted once more.
    FrozenBlocks,
    /// The picture before is shown in addition: sound and picture drift apart.
    Inserted,
}

/// A decoder as most capture devices have it.
pub(super) const USUAL_LOCK: LineLock = LineLock {
    natural: Hertz(100.0),
    damping: 1.0,
    coasts: false,
    feeds_forward: false,
};

/// A slow decoder: it flags.
pub(super) const SLOW_LOCK: LineLock = LineLock {
    natural: Hertz(35.0),
    damping: 0.8,
    coasts: true,
    feeds_forward: false,
};

impl Chain {
    /// A usual decoder, no box, no faults.
    pub(super) const BARE: Self = Self {
        lock: USUAL_LOCK,
        boxed: None,
        faults: &[],
    };
}

impl Segment {
    /// Twelve seconds of the harbour from a tripod, good in every way.
    pub(super) const GOOD: Self = Self {
        seconds: 12.0,
        shows: Shows::Picture(Picture::Harbour),
        camera: Camera::STILL,
        movers: &[],
        timing: Timing::Steady,
        levels: Levels::RIGHT,
        noise: Noise {
            luma: Decibels(46.0),
            chroma: Decibels(44.0),
        },
        dropouts: Dropouts {
            per_field: 0.0,
            longest_us: 12.0,
        },
        tears: Tears {
            per_field: 0.0,
            longest: 10,
            size: Nanos(1200.0),
        },
        flashes: Flashes {
            per_field: 0.0,
            size: Ire(18.0),
        },
        vertical: Vertical::Holds,
        tracking: Tracking::RIGHT,
        heads: Heads::ALIKE,
    };
}

impl Scene {
    /// A good tape through a bare chain.
    pub(super) const PLAIN: Self = Self {
        name: "",
        about: "",
        standard: Standard::Lines525,
        field_order: None,
        margins: None,
        luma_band: Hertz(3.0e6),
        chroma_band: Hertz(0.45e6),
        tape: &[],
        start: Seconds(0.0),
        chain: Chain::BARE,
    };

    /// How long the pass is.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        let tape: f64 = self.tape.iter().map(|segment| segment.seconds).sum();
        tape - self.start.0
    }
}
