//! The mixed tape: good shots, and every few seconds a fault of some kind, in random order.
//!
//! Faults are those of the catalogue's scenes, above the limits; what must be told of each, and what may be told beside it, stands
//! in [`CLIPS`]. What only a device can say (a frame lost and counted, no signal) cannot go through a pipe: the live part has it. Levels
//! that are cut off are left out: a chain cuts off everywhere at the same code, and not in one shot.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

use trueline::sources::tape::{Chain, Fault, FaultKind, Scene, Segment, find};

use crate::Result;

/// A fault that is put in.
struct Clip {
    /// The scene it is taken from, and which of its segments.
    scene: &'static str,
    segment: usize,
    seconds: f64,
    /// Something the capture does in its middle.
    capture: Option<(FaultKind, u64)>,
    /// An event of one of these kinds must be told of it.
    must: &'static [&'static str],
    /// These may be told too: they are other sides of the same fault.
    may: &'static [&'static str],
}

const CLIPS: &[Clip] = &[
    clip("jitter", 0, 5.0, &["wobble"], &[]),
    clip("wave", 0, 5.0, &["wobble"], &[]),
    clip(
        "flagging",
        0,
        5.0,
        &["flagging"],
        &["wobble", "head_switch"],
    ),
    clip("tear", 0, 6.0, &["tear"], &["wobble"]),
    clip("dropouts", 0, 5.0, &["dropout_burst"], &["tear", "wobble"]),
    clip("weak-head", 0, 6.0, &["head_fault"], &[]),
    clip("colour-lost", 1, 3.0, &["colour_loss"], &[]),
    clip(
        "snow-gap",
        2,
        3.0,
        &["snow"],
        &["lock_lost", "tear", "wobble"],
    ),
    clip("muted-gap", 1, 3.0, &["muted"], &[]),
    clip("roll", 1, 3.0, &["roll", "lock_lost"], &["bounce"]),
    captured(FaultKind::Repeated, 1, &["repeated"]),
    captured(FaultKind::RepeatedAfresh, 2, &["repeated"]),
    captured(FaultKind::LostSilently, 2, &["missing"]),
    captured(FaultKind::FrozenBlocks, 15, &["patch_frozen"]),
];

const fn clip(
    scene: &'static str,
    segment: usize,
    seconds: f64,
    must: &'static [&'static str],
    may: &'static [&'static str],
) -> Clip {
    Clip {
        scene,
        segment,
        seconds,
        capture: None,
        must,
        may,
    }
}

/// In a pan over a street, whose even motion tells of pictures that are gone.
const fn captured(kind: FaultKind, frames: u64, must: &'static [&'static str]) -> Clip {
    Clip {
        scene: "clean",
        segment: 1,
        seconds: 6.0,
        capture: Some((kind, frames)),
        must,
        may: &["repeated", "missing"],
    }
}

/// Seconds of good tape between two faults, at least and at most.
const GOOD: (f64, f64) = (6.0, 14.0);

/// A fault as it was put in.
#[derive(Clone, Debug)]
pub(crate) struct Injected {
    /// Seconds of tape.
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) name: &'static str,
    pub(crate) must: &'static [&'static str],
    pub(crate) may: &'static [&'static str],
}

/// A tape of at least so many seconds, and what is in it.
pub(crate) fn mixed(seconds: f64, seed: u64) -> Result<(&'static Scene, Vec<Injected>)> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut even = || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
    let clean = find("clean").ok_or("no clean tape")?;
    let (mut tape, mut faults, mut injected) = (Vec::new(), Vec::new(), Vec::new());
    let mut at = 0.0;
    while at < seconds {
        let good = GOOD.0 + even() * (GOOD.1 - GOOD.0);
        let shot = clean.tape[(even() * clean.tape.len() as f64) as usize];
        tape.push(Segment {
            seconds: good,
            ..shot
        });
        at += good;
        let clip = &CLIPS[(even() * CLIPS.len() as f64) as usize];
        let scene = find(clip.scene).ok_or(format!("no scene {}", clip.scene))?;
        let segment = scene.tape.get(clip.segment).ok_or("no such segment")?;
        tape.push(Segment {
            seconds: clip.seconds,
            ..*segment
        });
        let name = match clip.capture {
            None => clip.scene,
            Some((kind, frames)) => {
                faults.push(Fault {
                    at: at + clip.seconds / 2.0,
                    every: None,
                    frames,
                    kind,
                });
                clip.must[0]
            }
        };
        injected.push(Injected {
            from: at,
            to: at + clip.seconds,
            name,
            must: clip.must,
            may: clip.may,
        });
        at += clip.seconds;
    }
    let scene = Scene {
        tape: tape.leak(),
        chain: Chain {
            faults: faults.leak(),
            ..clean.chain
        },
        ..*clean
    };
    Ok((Box::leak(Box::new(scene)), injected))
}
