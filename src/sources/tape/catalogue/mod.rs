//! The scenes there are.
//!
//! Out: [`scenes`] for a list, [`find`] by name. Names are permanent; what a scene shows may grow richer.
//!
//! Does not know: how any of it is simulated.

use crate::standard::Standard;
use crate::units::{Decibels, Hertz, Ire, Lines, LumaCode, Nanos, Samples, Seconds};

use super::box_model::{BoxModel, Sides};
use super::defects::{Dropouts, Flashes, Tears, Vertical};
use super::levels::{Levels, Setup};
use super::line_lock::LineLock;
use super::pictures::Picture;
use super::scene::{Chain, Fault, FaultKind, Noise, SLOW_LOCK, Scene, Segment, Shows};
use super::timing::Timing;
use tapes::{
    BALL_AND_VAN, BORDER_BOX, EVENING, EVENING_FAULTS, FERRY_TAPE, FLAGGING, HANDHELD, KILLED,
    MIXED, NO_COLOUR, PAN, QUIET, SETUP_REMOVED, SLIP, TEAR, WAVE, WHITE_JITTER, WORN_TAPE, ZOOM,
    blank, muted, shot, still,
};

mod tapes;
mod tracking;

/// Every scene's name and what it is, in the order of the list.
pub fn scenes() -> impl Iterator<Item = (&'static str, &'static str)> {
    CATALOGUE.iter().map(|scene| (scene.name, scene.about))
}

/// The scene of a name.
#[must_use]
pub fn find(name: &str) -> Option<&'static Scene> {
    CATALOGUE.iter().find(|scene| scene.name == name)
}

const fn scene(name: &'static str, about: &'static str, tape: &'static [Segment]) -> Scene {
    Scene {
        name,
        about,
        tape,
        ..Scene::PLAIN
    }
}

const fn through(scene: &Scene, boxed: BoxModel) -> Scene {
    Scene {
        chain: Chain {
            boxed: Some(boxed),
            ..scene.chain
        },
        ..*scene
    }
}

const fn captured(scene: &Scene, faults: &'static [Fault]) -> Scene {
    Scene {
        chain: Chain {
            faults,
            ..scene.chain
        },
        ..*scene
    }
}

static CATALOGUE: &[Scene] = &[
    captured(
        &scene(
            "evening",
            "a tape of the film club, mostly good, with one of everything to look at; 3 minutes",
            EVENING,
        ),
        EVENING_FAULTS,
    ),
    scene(
        "clean",
        "everything as it should be: cuts, pans, zooms, moving things",
        MIXED,
    ),
    Scene {
        standard: Standard::Lines625,
        ..scene("clean-625", "the same in 625 lines", MIXED)
    },
    scene(
        "still",
        "one quiet picture without noise or movement",
        &[Segment {
            noise: Noise {
                luma: Decibels(f64::INFINITY),
                chroma: Decibels(f64::INFINITY),
            },
            ..still(10.0, Picture::Street)
        }],
    ),
    scene(
        "chart",
        "stripes, squares, wedges and a sweep",
        &[Segment {
            noise: QUIET,
            ..still(10.0, Picture::Chart)
        }],
    ),
    scene(
        "edges",
        "a light wall under white jitter of 37 ns rms at 40 dB: picture edges with nothing beside them",
        &[Segment {
            timing: Timing::Injected(WHITE_JITTER),
            noise: Noise {
                luma: Decibels(40.0),
                chroma: Decibels(40.0),
            },
            ..still(12.0, Picture::Wall)
        }],
    ),
    scene(
        "jitter",
        "white line jitter of 37 ns (half a sample) rms",
        &[
            Segment {
                timing: Timing::Injected(WHITE_JITTER),
                ..still(8.0, Picture::Park)
            },
            Segment {
                timing: Timing::Injected(WHITE_JITTER),
                ..shot(8.0, Picture::Street, PAN)
            },
        ],
    ),
    scene(
        "wave",
        "lines wave by 90 ns with a period of 48 lines, travelling down",
        &[Segment {
            timing: Timing::Injected(WAVE),
            ..still(12.0, Picture::Street)
        }],
    ),
    scene(
        "flagging",
        "the top bends by 520 ns and recovers over 14 lines; head switch at the bottom",
        &[Segment {
            timing: Timing::Injected(FLAGGING),
            ..still(12.0, Picture::Hall)
        }],
    ),
    scene(
        "tear",
        "seven lines are thrown aside by 900 ns once in 40 fields",
        &[Segment {
            timing: Timing::Injected(TEAR),
            ..still(12.0, Picture::Street)
        }],
    ),
    scene(
        "slip",
        "the lines lose lock after five seconds and slip sideways",
        &[
            still(5.0, Picture::Harbour),
            Segment {
                timing: Timing::Injected(SLIP),
                ..still(3.0, Picture::Harbour)
            },
            still(5.0, Picture::Harbour),
        ],
    ),
    scene(
        "bare-player",
        "a worn player straight into the capture device",
        WORN_TAPE,
    ),
    Scene {
        standard: Standard::Lines625,
        chain: Chain {
            lock: SLOW_LOCK,
            ..Chain::BARE
        },
        ..scene(
            "slow-lock",
            "a worn player into a device that follows slowly: the top of the picture bends",
            WORN_TAPE,
        )
    },
    Scene {
        chain: Chain {
            lock: LineLock {
                natural: Hertz(300.0),
                damping: 0.7,
                coasts: false,
                feeds_forward: true,
            },
            ..Chain::BARE
        },
        ..scene(
            "fast-lock",
            "a worn player into a device that follows fast: no bend, but rough lines",
            WORN_TAPE,
        )
    },
    through(
        &scene(
            "box-straight-border",
            "a box that draws a straight border around lines that still wobble",
            WORN_TAPE,
        ),
        BoxModel {
            residual: 0.6,
            ..BORDER_BOX
        },
    ),
    through(
        &scene(
            "box-crop",
            "a box that leaves a tenth of the wobble and no blanking at the sides",
            WORN_TAPE,
        ),
        BoxModel {
            residual: 0.1,
            sides: Sides::Crop(8.0),
            ..BoxModel::THROUGH
        },
    ),
    through(
        &scene(
            "box-soft",
            "a box that steadies the picture, and wipes noise and detail away",
            WORN_TAPE,
        ),
        BoxModel {
            residual: 0.02,
            soften: Some(Hertz(2.0e6)),
            coring: Some(2.5),
            temporal_share: Some(0.35),
            ..BoxModel::THROUGH
        },
    ),
    through(
        &scene(
            "chroma-off",
            "a box whose colour comes 300 ns late and lies a line low, and stays in luma by a tenth",
            MIXED,
        ),
        BoxModel {
            chroma_late: Nanos(300.0),
            chroma_low: Lines(1.0),
            subcarrier: 0.1,
            ..BoxModel::THROUGH
        },
    ),
    through(
        &scene(
            "herringbone",
            "a box whose supply lays 2.6 MHz over the picture, 4 IRE from peak to peak",
            MIXED,
        ),
        BoxModel {
            pattern: Some((Ire(4.0), Hertz(2.6e6))),
            ..BoxModel::THROUGH
        },
    ),
    through(
        &scene(
            "hum",
            "mains of 50 Hz over the cable, 4 IRE from peak to peak",
            &[still(24.0, Picture::Street), still(24.0, Picture::Hall)],
        ),
        BoxModel {
            hum: Some((Ire(4.0), Hertz(50.06))),
            ..BoxModel::THROUGH
        },
    ),
    scene(
        "setup-kept",
        "525 lines with the set-up still in: black at code 32",
        &[
            Segment {
                levels: Levels {
                    setup: Setup::Kept,
                    ..Levels::RIGHT
                },
                ..still(6.0, Picture::Street)
            },
            Segment {
                levels: Levels {
                    setup: Setup::Kept,
                    ..Levels::RIGHT
                },
                ..shot(6.0, Picture::Hall, ZOOM)
            },
        ],
    ),
    scene(
        "setup-crushed",
        "525 lines with the set-up removed twice: shadows are gone",
        &[
            Segment {
                levels: Levels {
                    setup: Setup::RemovedTwice,
                    ..Levels::RIGHT
                },
                ..still(6.0, Picture::Night)
            },
            Segment {
                levels: Levels {
                    setup: Setup::RemovedTwice,
                    ..Levels::RIGHT
                },
                ..still(6.0, Picture::Street)
            },
        ],
    ),
    scene(
        "setup-removed",
        "525 lines with the set-up removed as it should be: blanking lies below black",
        &[
            Segment {
                levels: SETUP_REMOVED,
                ..still(6.0, Picture::Street)
            },
            Segment {
                levels: SETUP_REMOVED,
                ..still(6.0, Picture::Hall)
            },
        ],
    ),
    scene(
        "hot",
        "too much contrast: peaks cut off at code 235, an unsteady gain, a flash now and then",
        &[Segment {
            levels: Levels {
                gain: 1.22,
                clip: (LumaCode(16.0), LumaCode(235.0)),
                pumping: 0.05,
                parity: Ire(1.2),
                ..Levels::RIGHT
            },
            flashes: Flashes {
                per_field: 0.01,
                size: Ire(18.0),
            },
            ..shot(12.0, Picture::Park, PAN)
        }],
    ),
    scene(
        "colour-bars",
        "colour bars before the first shot",
        &[still(5.0, Picture::Bars), still(5.0, Picture::Harbour)],
    ),
    scene(
        "colour-lost",
        "the colour killer acts for two seconds; a grey title between, which keeps its noise, is no such thing",
        &[
            shot(4.0, Picture::Park, PAN),
            Segment {
                levels: NO_COLOUR,
                noise: KILLED,
                ..shot(2.0, Picture::Park, PAN)
            },
            shot(3.0, Picture::Street, PAN),
            Segment {
                levels: NO_COLOUR,
                ..still(3.0, Picture::Notice)
            },
            shot(3.0, Picture::Street, PAN),
        ],
    ),
    scene(
        "monochrome",
        "a black-and-white recording",
        &[
            Segment {
                levels: NO_COLOUR,
                noise: KILLED,
                ..shot(8.0, Picture::Street, PAN)
            },
            Segment {
                levels: NO_COLOUR,
                noise: KILLED,
                ..shot(8.0, Picture::Hall, ZOOM)
            },
        ],
    ),
    scene(
        "fog",
        "a foggy harbour: all greys close together, nothing black",
        &[shot(12.0, Picture::Fog, PAN)],
    ),
    scene(
        "dark",
        "a street at night: hardly a picture edge to read",
        &[still(12.0, Picture::Night)],
    ),
    scene(
        "handheld",
        "an unsteady hand, cuts, movement up and down",
        &[
            shot(5.0, Picture::Park, HANDHELD),
            shot(5.0, Picture::Street, HANDHELD),
            Segment {
                movers: BALL_AND_VAN,
                ..shot(5.0, Picture::Meadow, HANDHELD)
            },
        ],
    ),
    Scene {
        margins: Some((Samples(16.0), Samples(0.0))),
        ..scene(
            "wide-margins",
            "blanking of 16 samples at the left and none at the right",
            MIXED,
        )
    },
    scene(
        "dropouts",
        "three streaks a field, up to 28 µs, and lines thrown aside with some",
        &[Segment {
            dropouts: Dropouts {
                per_field: 3.0,
                longest_us: 28.0,
            },
            tears: Tears {
                per_field: 0.5,
                longest: 6,
                size: Nanos(900.0),
            },
            ..still(12.0, Picture::Harbour)
        }],
    ),
    scene(
        "tracking-band",
        "a bent track: a band of noise and streaks that stands, and one that travels down; then print",
        tracking::BANDS,
    ),
    scene(
        "tracking-sweep",
        "the tracking knob turned slowly from one end to the other, right after ten seconds",
        tracking::SWEEP,
    ),
    scene(
        "weak-head",
        "one head gives half the power of the other: every second field has 3 dB more noise",
        tracking::WEAK_HEAD,
    ),
    scene(
        "clogged-head",
        "one head clogs after four seconds for four: every second field is snow",
        tracking::CLOGGED_HEAD,
    ),
    captured(
        &scene(
            "losses",
            "a frame lost every 3 seconds, and every 4 seconds two that nobody tells of",
            MIXED,
        ),
        &[
            Fault {
                at: 1.0,
                every: Some(3.0),
                frames: 1,
                kind: FaultKind::Lost,
            },
            Fault {
                at: 2.5,
                every: Some(4.0),
                frames: 2,
                kind: FaultKind::LostSilently,
            },
        ],
    ),
    captured(
        &scene(
            "repeats",
            "pictures shown twice: bit for bit, converted afresh, and in addition",
            MIXED,
        ),
        &[
            Fault {
                at: 1.0,
                every: Some(3.0),
                frames: 1,
                kind: FaultKind::Repeated,
            },
            Fault {
                at: 2.0,
                every: Some(3.0),
                frames: 2,
                kind: FaultKind::RepeatedAfresh,
            },
            Fault {
                at: 2.5,
                every: Some(5.0),
                frames: 1,
                kind: FaultKind::Inserted,
            },
        ],
    ),
    captured(
        &scene(
            "frozen-blocks",
            "a box that shows blocks of an old picture for a tenth of a second, now and then for half a second",
            MIXED,
        ),
        &[
            Fault {
                at: 2.0,
                every: Some(3.0),
                frames: 3,
                kind: FaultKind::FrozenBlocks,
            },
            Fault {
                at: 3.5,
                every: Some(6.0),
                frames: 15,
                kind: FaultKind::FrozenBlocks,
            },
        ],
    ),
    scene(
        "snow-gap",
        "blank tape before, between and after two recordings",
        &[
            blank(3.0),
            still(6.0, Picture::Harbour),
            blank(3.0),
            shot(6.0, Picture::Hall, ZOOM),
            blank(5.0),
        ],
    ),
    scene(
        "muted-gap",
        "the player mutes to blue, grey and black between recordings",
        &[
            still(5.0, Picture::Harbour),
            muted(3.0, (0.1, 0.15, 0.75)),
            still(4.0, Picture::Street),
            muted(3.0, (0.5, 0.5, 0.5)),
            still(4.0, Picture::Hall),
            muted(3.0, (0.0, 0.0, 0.0)),
        ],
    ),
    scene(
        "no-signal",
        "the cable comes loose for three seconds",
        &[
            still(5.0, Picture::Street),
            Segment {
                seconds: 3.0,
                shows: Shows::NoSignal,
                ..Segment::GOOD
            },
            still(5.0, Picture::Street),
        ],
    ),
    scene(
        "roll",
        "the picture rolls for three seconds, and later bounces by a line",
        &[
            still(4.0, Picture::Street),
            Segment {
                vertical: Vertical::Rolls(Lines(3.0)),
                ..still(3.0, Picture::Street)
            },
            still(3.0, Picture::Hall),
            Segment {
                vertical: Vertical::Bounces(Lines(0.8)),
                ..still(4.0, Picture::Hall)
            },
        ],
    ),
    scene(
        "ferry-bare",
        "the club's demonstration tape, player straight into the device",
        FERRY_TAPE,
    ),
    Scene {
        start: Seconds(0.4),
        ..through(
            &scene(
                "ferry-box-one",
                "the same tape through a box that is steady but draws its own border and lifts black",
                FERRY_TAPE,
            ),
            BoxModel {
                lift: Ire(5.0),
                ..BORDER_BOX
            },
        )
    },
    Scene {
        start: Seconds(1.1),
        ..through(
            &scene(
                "ferry-box-two",
                "the same tape through a box that leaves some wobble, softens and overdrives",
                FERRY_TAPE,
            ),
            BoxModel {
                residual: 0.25,
                own_jitter: Nanos(6.0),
                soften: Some(Hertz(2.2e6)),
                temporal_share: Some(0.5),
                gain: 1.14,
                saturation: 1.2,
                ..BoxModel::THROUGH
            },
        )
    },
];
