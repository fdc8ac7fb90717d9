//! Frames lost that nobody tells of, on rich scenes: found and counted by the pace of the picture, and by nothing else.

use std::sync::Mutex;

use trueline::fields::{History, Splitter};
use trueline::measures::Measure as _;
use trueline::measures::sync::{Sync, UNNOTICED_DELAY};
use trueline::sources::Source;
use trueline::sources::tape::{
    Camera, Chain, Fault, FaultKind, Mover, Picture, Scene, Segment, Shows, find,
};
use trueline::standard::Standard;

use super::{HAND, PAN, tape_of, wrong_of};

/// Nearly two samples a field.
const BRISK: Camera = Camera {
    centre: (300.0, 330.0),
    pan: 102.0,
    ..Camera::STILL
};

/// Half a row a field.
const TILT: Camera = Camera {
    centre: (480.0, 200.0),
    tilt: 60.0,
    ..Camera::STILL
};

const ZOOM: Camera = Camera {
    zoom: 0.98,
    zoom_rate: 0.06,
    ..Camera::STILL
};

/// Pictures with something all over them; of flat ground, fog and a few lights at night the pace often tells nothing.
const PICTURES: [Picture; 5] = [
    Picture::Harbour,
    Picture::Street,
    Picture::Park,
    Picture::Hall,
    Picture::Notice,
];

/// Second of the tape, and frames that are gone from it.
const LOST: [(f64, u64); 3] = [(1.2, 1), (2.4, 2), (3.6, 3)];

const SECONDS: f64 = 5.0;

/// Fields that are looked at: with what is lost the shot ends earlier, and begins anew.
const MOST_FIELDS: u64 = 280;

type Case = (Picture, Camera, &'static [Mover]);

fn cases(cameras: &[Camera]) -> Vec<Case> {
    let movers: [&[Mover]; 2] = [&[], &[Mover::BALL]];
    let pictures = PICTURES
        .iter()
        .flat_map(|picture| movers.map(|it| (*picture, it)));
    pictures
        .flat_map(|(picture, movers)| cameras.iter().map(move |camera| (picture, *camera, movers)))
        .collect()
}

/// Plays a shot; what was told: the field before which frames are gone, and how many.
fn told((picture, camera, movers): &Case, lost: &[(f64, u64)]) -> Vec<(u64, u64)> {
    let clean = find("clean").expect("it is in the catalogue");
    let faults = lost.iter().map(|(at, frames)| Fault {
        at: *at,
        every: None,
        frames: *frames,
        kind: FaultKind::LostSilently,
    });
    let shot = Segment {
        seconds: SECONDS,
        shows: Shows::Picture(*picture),
        camera: *camera,
        movers,
        ..clean.tape[0]
    };
    let scene: &'static Scene = Box::leak(Box::new(Scene {
        tape: Box::leak(Box::new([shot])),
        chain: Chain {
            faults: faults.collect::<Vec<_>>().leak(),
            ..clean.chain
        },
        ..*clean
    }));
    let mut tape = tape_of(scene, Standard::Lines525);
    let (mut splitter, mut history, mut sync) =
        (Splitter::new(), History::default(), Sync::default());
    let (mut field, mut all) = (0, Vec::new());
    while field < MOST_FIELDS
        && let Some(frame) = tape.next_frame().expect("a simulated tape plays")
    {
        splitter.split(&frame, &mut history, |history| {
            let around = history.neighbourhood().expect("a field was put there");
            let lost = sync.measure(&around).unnoticed_losses;
            if lost > 0 {
                all.push((field - UNNOTICED_DELAY, lost / 2));
            }
            field += 1;
        });
    }
    all
}

/// What became of losses.
#[derive(Debug, Default)]
struct Tally {
    found: usize,
    counted: usize,
    of: usize,
    wrong: Vec<String>,
}

/// Plays every picture to each of these cameras, frames lost on the way; nothing may be told where none are.
fn tally(cameras: &[Camera]) -> Tally {
    let period = Standard::Lines525.field_period().0;
    let tally = Mutex::new(Tally::default());
    let invented = wrong_of(&cases(cameras), |case| {
        let mut told = told(case, &LOST);
        let mut gone = 0;
        for (at, frames) in LOST {
            // Where it stands in what is left.
            let place = at / period - 2.0 * gone as f64;
            gone += frames;
            let is_it = |told: &(u64, u64)| (told.0 as f64 - place).abs() < 3.0;
            let found = told.iter().position(is_it).map(|at| told.remove(at));
            let mut tally = tally.lock().expect("no thread panics");
            tally.of += 1;
            tally.found += usize::from(found.is_some());
            let counted = found.is_some_and(|(_, told)| told == frames);
            tally.counted += usize::from(counted);
            if !counted {
                tally
                    .wrong
                    .push(format!("{case:?}: {frames} told as {found:?}"));
            }
        }
        (!told.is_empty()).then(|| format!("{case:?}: {told:?} of nothing"))
    });
    assert!(invented.is_empty(), "{invented:#?}");
    tally.into_inner().expect("no thread panics")
}

#[test]
fn frames_that_are_gone_from_an_even_pan_or_tilt_are_all_found() {
    let Tally {
        found,
        counted,
        of,
        wrong,
    } = tally(&[PAN, BRISK, TILT]);
    assert_eq!((found, of), (90, 90), "{wrong:#?}");
    // Three frames and four look much the same where the picture has become another by then.
    assert!(counted >= 88, "{counted}: {wrong:#?}");
}

#[test]
fn nearly_all_are_found_in_a_slow_zoom() {
    // A third of a sample a field at the picture's sides, and nothing in its middle.
    let Tally {
        found, of, wrong, ..
    } = tally(&[ZOOM]);
    assert!(10 * found >= 9 * of, "{found} of {of}: {wrong:#?}");
}

#[test]
fn a_camera_held_by_hand_and_one_that_stands_still_lose_nothing() {
    let wrong = wrong_of(&cases(&[HAND, Camera::STILL]), |case| {
        let told = told(case, &[]);
        (!told.is_empty()).then(|| format!("{case:?}: {told:?}"))
    });
    assert!(wrong.is_empty(), "{wrong:#?}");
}
