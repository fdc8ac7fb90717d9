//! Shots, recordings and faults that the scenes are put together from.
//!
//! Does not know: which scene uses what.

use super::super::box_model::{BoxModel, Sides};
use super::super::camera::Camera;
use super::super::defects::{Dropouts, Tears, Vertical};
use super::super::levels::{Levels, Setup};
use super::super::movers::Mover;
use super::super::pictures::Picture;
use super::super::scene::{Fault, FaultKind, Noise, Segment, Shows};
use super::super::timing::{Injection, Timing};
use super::super::transport::Transport;
use crate::units::{Decibels, Lines, Nanos};

pub(super) const fn shot(seconds: f64, picture: Picture, camera: Camera) -> Segment {
    Segment {
        seconds,
        shows: Shows::Picture(picture),
        camera,
        ..Segment::GOOD
    }
}

pub(super) const fn still(seconds: f64, picture: Picture) -> Segment {
    shot(seconds, picture, Camera::STILL)
}

/// The same from a good player.
const fn played(segment: &Segment) -> Segment {
    Segment {
        timing: Timing::Played(Transport::ALIGNED),
        ..*segment
    }
}

/// Nothing recorded.
pub(super) const fn blank(seconds: f64) -> Segment {
    Segment {
        seconds,
        shows: Shows::Snow,
        ..Segment::GOOD
    }
}

/// A flat picture that the player puts in.
pub(super) const fn muted(seconds: f64, (red, green, blue): (f32, f32, f32)) -> Segment {
    Segment {
        seconds,
        shows: Shows::Flat(red, green, blue),
        ..Segment::GOOD
    }
}

pub(super) const PAN: Camera = Camera {
    centre: (420.0, 330.0),
    pan: 55.0,
    ..Camera::STILL
};
const TILT: Camera = Camera {
    centre: (480.0, 290.0),
    tilt: 18.0,
    ..Camera::STILL
};
pub(super) const ZOOM: Camera = Camera {
    centre: (512.0, 350.0),
    zoom: 0.98,
    zoom_rate: 0.06,
    ..Camera::STILL
};
const TURN: Camera = Camera {
    turn: 0.9,
    zoom: 1.1,
    ..Camera::STILL
};
pub(super) const HANDHELD: Camera = Camera {
    centre: (500.0, 340.0),
    pan: 12.0,
    shake: 5.0,
    ..Camera::STILL
};

pub(super) const BALL_AND_VAN: &[Mover] = &[
    Mover::BALL,
    Mover {
        height: 0.42,
        size: (110.0, 40.0),
        speed: -95.0,
        start: 640.0,
        hop: 0.0,
        rgb: (0.25, 0.35, 0.7),
        stripes: (0.05, 40.0),
        squareness: 6,
    },
];
/// Coat and head.
const PASSER_BY: &[Mover] = &[
    Mover {
        height: 0.77,
        size: (25.0, 74.0),
        speed: 64.0,
        start: 190.0,
        hop: 4.0,
        rgb: (0.5, 0.2, 0.3),
        stripes: (0.03, 9.0),
        squareness: 4,
    },
    Mover {
        height: 0.585,
        size: (13.0, 17.0),
        speed: 64.0,
        start: 191.0,
        hop: 4.0,
        rgb: (0.85, 0.66, 0.55),
        stripes: (0.0, 9.0),
        squareness: 2,
    },
];

/// A few seconds each of everything, all as it should be.
pub(super) const MIXED: &[Segment] = &[
    still(4.0, Picture::Harbour),
    shot(4.0, Picture::Street, PAN),
    Segment {
        movers: BALL_AND_VAN,
        ..still(4.0, Picture::Meadow)
    },
    shot(4.0, Picture::Park, TILT),
    shot(4.0, Picture::Hall, ZOOM),
    shot(4.0, Picture::Notice, TURN),
];

/// Noise of a good transfer of a good tape.
pub(super) const QUIET: Noise = Noise {
    luma: Decibels(50.0),
    chroma: Decibels(48.0),
};
/// Noise of a fair tape.
const FAIR: Noise = Noise {
    luma: Decibels(41.0),
    chroma: Decibels(38.0),
};
/// Noise of a poor tape.
const POOR: Noise = Noise {
    luma: Decibels(33.0),
    chroma: Decibels(31.0),
};

/// Chroma that a colour killer has cut off: its noise is gone too.
pub(super) const KILLED: Noise = Noise {
    luma: Decibels(46.0),
    chroma: Decibels(f64::INFINITY),
};
pub(super) const NO_COLOUR: Levels = Levels {
    saturation: 0.0,
    ..Levels::RIGHT
};

pub(super) const WHITE_JITTER: &[Injection] = &[Injection::White { rms: Nanos(37.0) }];
pub(super) const WAVE: &[Injection] = &[Injection::Sine {
    amplitude: Nanos(90.0),
    period: Lines(48.0),
    travel: Lines(5.3),
}];
pub(super) const FLAGGING: &[Injection] = &[
    Injection::Flagging {
        offset: Nanos(520.0),
        wander: Nanos(60.0),
        decay: Lines(14.0),
    },
    Injection::Step {
        rows: 4,
        by: Nanos(800.0),
    },
];
pub(super) const TEAR: &[Injection] = &[Injection::Tear {
    row: 120,
    lines: 7,
    offset: Nanos(900.0),
    every: 40,
}];
pub(super) const SLIP: &[Injection] = &[Injection::Slip {
    per_line: Nanos(41.0),
}];

const BARE_PLAYER: Timing = Timing::Played(Transport::DOMESTIC);
/// The bare player's tape as it is heard of most: some dropouts, a tear now and then.
const WORN: Segment = Segment {
    timing: BARE_PLAYER,
    noise: FAIR,
    dropouts: Dropouts {
        per_field: 0.3,
        longest_us: 15.0,
    },
    tears: Tears {
        per_field: 0.004,
        longest: 8,
        size: Nanos(900.0),
    },
    ..Segment::GOOD
};
pub(super) const WORN_TAPE: &[Segment] = &[
    Segment {
        seconds: 6.0,
        ..WORN
    },
    Segment {
        seconds: 6.0,
        shows: Shows::Picture(Picture::Street),
        camera: PAN,
        movers: PASSER_BY,
        ..WORN
    },
    Segment {
        seconds: 6.0,
        shows: Shows::Picture(Picture::Hall),
        camera: HANDHELD,
        ..WORN
    },
];

/// A recorder that corrects the time base and draws a border of its own.
pub(super) const BORDER_BOX: BoxModel = BoxModel {
    residual: 0.08,
    own_jitter: Nanos(3.0),
    sides: Sides::Border {
        left: 9.0,
        right: 9.0,
    },
    ..BoxModel::THROUGH
};

/// Leader, three shots, blank tape: the club's own demonstration tape, as its player gives it.
pub(super) const FERRY_TAPE: &[Segment] = &[
    blank(3.0),
    Segment {
        seconds: 7.0,
        levels: SETUP_REMOVED,
        movers: PASSER_BY,
        ..WORN
    },
    Segment {
        seconds: 7.0,
        shows: Shows::Picture(Picture::Street),
        camera: PAN,
        levels: SETUP_REMOVED,
        ..WORN
    },
    Segment {
        seconds: 6.0,
        shows: Shows::Picture(Picture::Hall),
        camera: HANDHELD,
        levels: SETUP_REMOVED,
        noise: POOR,
        dropouts: Dropouts {
            per_field: 1.5,
            longest_us: 25.0,
        },
        ..WORN
    },
    Segment {
        seconds: 7.0,
        shows: Shows::Picture(Picture::Park),
        camera: ZOOM,
        levels: SETUP_REMOVED,
        ..WORN
    },
    blank(3.0),
];
pub(super) const SETUP_REMOVED: Levels = Levels {
    setup: Setup::Removed,
    ..Levels::RIGHT
};

/// Two hours shrunk to four minutes: mostly good, with one of everything to look at.
pub(super) const EVENING: &[Segment] = &[
    blank(2.0),
    Segment {
        movers: PASSER_BY,
        ..played(&shot(14.0, Picture::Harbour, Camera::STILL))
    },
    played(&shot(12.0, Picture::Street, PAN)),
    Segment {
        movers: BALL_AND_VAN,
        ..played(&still(12.0, Picture::Meadow))
    },
    Segment {
        timing: Timing::Injected(FLAGGING),
        ..shot(12.0, Picture::Park, TILT)
    },
    played(&shot(14.0, Picture::Hall, ZOOM)),
    muted(4.0, (0.1, 0.15, 0.75)),
    Segment {
        timing: Timing::Injected(&[
            Injection::Sine {
                amplitude: Nanos(170.0),
                period: Lines(55.0),
                travel: Lines(7.1),
            },
            Injection::White { rms: Nanos(30.0) },
        ]),
        noise: FAIR,
        ..shot(14.0, Picture::Street, HANDHELD)
    },
    played(&shot(12.0, Picture::Notice, TURN)),
    Segment {
        levels: Levels {
            setup: Setup::Kept,
            ..Levels::RIGHT
        },
        ..played(&shot(12.0, Picture::Harbour, ZOOM))
    },
    played(&still(12.0, Picture::Night)),
    Segment {
        dropouts: Dropouts {
            per_field: 3.0,
            longest_us: 28.0,
        },
        tears: Tears {
            per_field: 0.3,
            longest: 10,
            size: Nanos(1400.0),
        },
        noise: POOR,
        ..played(&shot(10.0, Picture::Hall, HANDHELD))
    },
    Segment {
        levels: Levels {
            gain: 1.13,
            pumping: 0.06,
            ..Levels::RIGHT
        },
        ..played(&shot(12.0, Picture::Park, PAN))
    },
    played(&shot(12.0, Picture::Fog, PAN)),
    Segment {
        vertical: Vertical::Rolls(Lines(2.0)),
        ..played(&still(4.0, Picture::Street))
    },
    played(&shot(14.0, Picture::Street, TILT)),
    blank(10.0),
];

/// The evening's losses: one frame, a few, and a picture shown twice.
pub(super) const EVENING_FAULTS: &[Fault] = &[
    Fault {
        at: 37.0,
        every: None,
        frames: 1,
        kind: FaultKind::Lost,
    },
    Fault {
        at: 95.0,
        every: None,
        frames: 1,
        kind: FaultKind::Repeated,
    },
    Fault {
        at: 132.0,
        every: None,
        frames: 4,
        kind: FaultKind::Lost,
    },
];
