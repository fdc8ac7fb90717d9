//! Tapes whose tracks are not read as they should be.
//!
//! Does not know: which scene uses what.

use super::super::camera::Camera;
use super::super::heads::{Heads, Tracking};
use super::super::pictures::Picture;
use super::super::scene::Segment;
use super::tapes::{BALL_AND_VAN, PAN, shot, still};
use crate::units::Decibels;

/// A bend that stands in the upper half, one that travels down, and print that must not look like one.
pub(super) const BANDS: &[Segment] = &[
    Segment {
        tracking: Tracking {
            bow: 0.95,
            bow_at: 0.3,
            bow_reach: 0.07,
            ..Tracking::RIGHT
        },
        ..still(6.0, Picture::Harbour)
    },
    Segment {
        tracking: Tracking {
            bow: 0.85,
            bow_at: 0.5,
            bow_travel: 0.05,
            bow_reach: 0.05,
            ..Tracking::RIGHT
        },
        ..shot(6.0, Picture::Street, PAN)
    },
    still(4.0, Picture::Notice),
];

/// Seconds of the sweep.
const SWEEP_SECONDS: f64 = 24.0;

/// The knob is turned from one end to the other; the middle of the track is passed after ten seconds.
pub(super) const SWEEP: &[Segment] = &[Segment {
    tracking: Tracking {
        offset: -0.7,
        sweep: 0.07,
        bow: 0.12,
        bow_at: 0.85,
        bow_reach: 0.15,
        ..Tracking::RIGHT
    },
    movers: BALL_AND_VAN,
    ..shot(SWEEP_SECONDS, Picture::Meadow, Camera::STILL)
}];

const WEAK: Heads = Heads {
    carrier: Decibels(-3.0),
    ..Heads::ALIKE
};

/// One head gives half the power of the other.
pub(super) const WEAK_HEAD: &[Segment] = &[
    Segment {
        heads: WEAK,
        ..still(8.0, Picture::Harbour)
    },
    Segment {
        heads: WEAK,
        ..shot(8.0, Picture::Park, PAN)
    },
];

/// One head clogs after four seconds, and is free again after four more.
pub(super) const CLOGGED_HEAD: &[Segment] = &[
    still(4.0, Picture::Street),
    Segment {
        heads: Heads {
            carrier: Decibels(f64::NEG_INFINITY),
            ..Heads::ALIKE
        },
        ..still(4.0, Picture::Street)
    },
    still(4.0, Picture::Street),
];
