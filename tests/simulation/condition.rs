//! Dropouts, bands of noise, heads and the tracking aid on rich, moving scenes with known faults.
//!
//! What is to be seen of a streak is worked out from the same scene without it, by the documented way it fades: nothing of the
//! measure takes part.

use trueline::alarms::{Alarms, Change, PassClock};
use trueline::fields::{History, Plane, Splitter};
use trueline::limits::{Kind, Limits};
use trueline::measures::dropouts::{self, DROPOUT_DELAY, Dropouts, Streak};
use trueline::measures::levels::{Input, Levels, PictureArea};
use trueline::measures::line_timing::Border;
use trueline::measures::sync::Sync;
use trueline::measures::tracking::{self, Band, Tracking};
use trueline::measures::{Measure as _, Suite};
use trueline::record::{Live, live};
use trueline::sources::Source;
use trueline::sources::tape::{
    self, Camera, Dropout, Heads, LostBand, Noise, Picture, Scene, Segment, Shows, Tears,
    TruthEvent, find,
};
use trueline::standard::Standard;
use trueline::timecode::{Counting, Timecode};
use trueline::units::{CodeRange, Decibels, Nanos, Seconds};

use super::{HAND, PAN, tape_of, wrong_of};

/// Ten samples a field: ten seconds from one side of the world to the other.
const FAST: Camera = Camera {
    centre: (200.0, 330.0),
    pan: 500.0,
    ..Camera::STILL
};

const TILT: Camera = rolling(90.0);

const fn rolling(tilt: f64) -> Camera {
    Camera {
        centre: (480.0, 290.0),
        tilt,
        ..Camera::STILL
    }
}

const NO_TEARS: Tears = Tears {
    per_field: 0.0,
    longest: 1,
    size: Nanos(0.0),
};

fn good() -> Segment {
    Segment {
        tears: NO_TEARS,
        ..find("clean").expect("it is in the catalogue").tape[0]
    }
}

fn scene(tape: Vec<Segment>) -> &'static Scene {
    Box::leak(Box::new(Scene {
        name: "film",
        about: "some shots",
        tape: Box::leak(tape.into_boxed_slice()),
        ..*find("clean").expect("it is in the catalogue")
    }))
}

/// Four shots with movement in them: cuts between.
fn film(seconds: f64, like: &Segment) -> &'static Scene {
    let shots = [
        (Picture::Street, PAN),
        (Picture::Park, HAND),
        (Picture::Night, Camera::STILL),
        (Picture::Hall, PAN),
    ];
    let shots = shots.map(|(picture, camera)| Segment {
        seconds,
        shows: Shows::Picture(picture),
        camera,
        ..*like
    });
    scene(shots.to_vec())
}

/// What was found in a field, and what is in it.
struct Judged {
    streaks: Vec<Streak>,
    band: Option<Band>,
    area: PictureArea,
    truth: Vec<TruthEvent>,
}

impl Judged {
    fn dropouts(&self) -> impl Iterator<Item = &Dropout> {
        self.truth.iter().filter_map(|event| match event {
            TruthEvent::Dropout(dropout) => Some(dropout),
            _ => None,
        })
    }
}

/// Fields of a scene that are looked at.
const MOST_FIELDS: usize = 500;

/// Plays a scene; each field that was judged, with its number.
fn judged(scene: &'static Scene, standard: Standard) -> Vec<(usize, Judged)> {
    let mut tape = tape_of(scene, standard);
    let (mut splitter, mut history) = (Splitter::new(), History::default());
    let (mut sync, mut levels) = (Sync::default(), Levels::default());
    let (mut tracking, mut dropouts) = (Tracking::default(), Dropouts::default());
    let (mut truths, mut all) = (Vec::new(), Vec::new());
    while truths.len() < MOST_FIELDS
        && let Some(frame) = tape.next_frame().expect("a simulated tape plays")
    {
        truths.extend(tape.truth().iter().map(|truth| truth.events.clone()));
        let mut number = truths.len() - 2;
        splitter.split(&frame, &mut history, |history| {
            let around = &history.neighbourhood().expect("a field was put there");
            let state = sync.measure(around).state;
            let area = levels
                .measure(Input {
                    around,
                    state,
                    border: Border::Tape,
                    bars: None,
                })
                .area;
            let found = tracking.measure(tracking::Input {
                around,
                state,
                area: &area,
            });
            let reading = dropouts.measure(dropouts::Input {
                around,
                state,
                area: &area,
                spoiled: found.spoiled(),
            });
            let of = number.checked_sub(DROPOUT_DELAY as usize);
            if let (Some(of), Some(_)) = (of, reading.count) {
                let judged = Judged {
                    streaks: dropouts.found().to_vec(),
                    band: found.band,
                    area,
                    truth: truths[of].clone(),
                };
                all.push((of, judged));
            }
            number += 1;
        });
    }
    all
}

/// Luma of every field of a scene.
fn lumas(scene: &'static Scene, standard: Standard) -> Vec<Plane> {
    let mut tape = tape_of(scene, standard);
    let (mut splitter, mut history) = (Splitter::new(), History::default());
    let mut planes = Vec::new();
    while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
        splitter.split(&frame, &mut history, |history| {
            let around = history.neighbourhood().expect("a field was put there");
            planes.push(around.field.luma.clone());
        });
    }
    planes
}

const PLAIN_CODES: f64 = 25.0 * 2.19;

/// Samples of a streak, one after the other, that stand 25 IRE off the picture under it.
fn plain_samples(dropout: &Dropout, clean: &Plane, area: &PictureArea) -> usize {
    let line = clean.row(dropout.row);
    let (mut run, mut longest) = (0, 0);
    let end = (dropout.sample + dropout.samples).min(area.columns.end);
    let first = dropout.sample.max(area.columns.start).min(end);
    for (at, code) in (first..end).zip(&line[first..end]) {
        let settled = (at - dropout.sample) as f64 / dropout.samples as f64;
        let off = (dropout.code - f64::from(*code)).abs() * (1.0 - settled * settled);
        run = if off >= PLAIN_CODES { run + 1 } else { 0 };
        longest = longest.max(run);
    }
    longest
}

fn overlap(streak: &Streak, dropout: &Dropout) -> bool {
    streak.row == dropout.row
        && streak.sample < dropout.sample + dropout.samples
        && dropout.sample < streak.sample + streak.samples
}

#[test]
fn streaks_of_three_microseconds_and_25_ire_are_found_and_no_others() {
    for standard in [Standard::Lines525, Standard::Lines625] {
        let like = Segment {
            dropouts: tape::Dropouts {
                per_field: 3.0,
                longest_us: 28.0,
            },
            ..good()
        };
        let silent = Noise {
            luma: Decibels(f64::INFINITY),
            chroma: Decibels(f64::INFINITY),
        };
        let clean = lumas(
            film(
                2.0,
                &Segment {
                    noise: silent,
                    ..good()
                },
            ),
            standard,
        );
        let (mut wanted, mut found, mut wrong, mut missed) = (0, 0, 0, Vec::new());
        for (number, field) in judged(film(2.0, &like), standard) {
            for dropout in field.dropouts() {
                // 3 µs are 40.5 samples of 13.5 MHz; the first rows may hold data lines
                let inside = (3..field.area.rows.end).contains(&dropout.row);
                if !inside || plain_samples(dropout, &clean[number], &field.area) < 41 {
                    continue;
                }
                wanted += 1;
                if field.streaks.iter().any(|streak| overlap(streak, dropout)) {
                    found += 1;
                } else {
                    missed.push((number, *dropout));
                }
            }
            let invented = field
                .streaks
                .iter()
                .filter(|streak| !field.dropouts().any(|dropout| overlap(streak, dropout)));
            wrong += invented.count();
        }
        assert!(wanted > 300, "{wanted}");
        let share = f64::from(found) / f64::from(wanted);
        assert!(
            share >= 0.95,
            "{standard:?}: {found} of {wanted}; {missed:?}"
        );
        assert!(wrong <= 1, "{standard:?}: {wrong} were invented");
    }
}

/// Scenes of the catalogue and harder ones, in which nothing is wrong with the tape.
fn flawless() -> Vec<(String, &'static Scene, Standard)> {
    let named = [
        ("clean", Standard::Lines525),
        ("clean-625", Standard::Lines625),
        ("handheld", Standard::Lines525),
        ("chart", Standard::Lines625),
        ("dark", Standard::Lines525),
        ("fog", Standard::Lines625),
        ("edges", Standard::Lines525),
        ("jitter", Standard::Lines625),
        ("wave", Standard::Lines525),
        ("tear", Standard::Lines625),
        ("bare-player", Standard::Lines525),
        ("colour-bars", Standard::Lines625),
        ("hot", Standard::Lines525),
        ("roll", Standard::Lines625),
        ("chroma-off", Standard::Lines525),
        ("box-soft", Standard::Lines625),
        ("evening", Standard::Lines525),
    ];
    let mut all: Vec<_> = named
        .into_iter()
        .map(|(name, standard)| {
            let scene = find(name).expect("it is in the catalogue");
            (name.to_owned(), scene, standard)
        })
        .collect();
    let moving = [
        (Picture::Notice, PAN),
        (Picture::Notice, FAST),
        (Picture::Notice, HAND),
        (Picture::Chart, PAN),
        (Picture::Chart, TILT),
        (Picture::Street, FAST),
        (Picture::Park, FAST),
        (Picture::Park, TILT),
        (Picture::Hall, FAST),
        (Picture::Meadow, TILT),
        // Print that rolls by three quarters of a line, one and a half, and two and a half a field, in both standards.
        (Picture::Notice, rolling(45.0)),
        (Picture::Notice, rolling(45.0)),
        (Picture::Notice, TILT),
        (Picture::Notice, TILT),
        (Picture::Notice, rolling(150.0)),
        (Picture::Notice, rolling(150.0)),
    ];
    for (index, (picture, camera)) in moving.into_iter().enumerate() {
        let shot = scene(vec![Segment {
            seconds: 3.0,
            shows: Shows::Picture(picture),
            camera,
            ..good()
        }]);
        let standard = [Standard::Lines525, Standard::Lines625][index % 2];
        all.push((format!("{picture:?} {index}"), shot, standard));
    }
    all
}

#[test]
fn where_the_tape_is_flawless_there_are_no_streaks_and_no_bands() {
    let cases = flawless();
    let tally = std::sync::Mutex::new((0_usize, 0_usize));
    let wrong = wrong_of(&cases, |(name, scene, standard)| {
        let fields = judged(scene, *standard);
        let (mut streaks, mut bands) = (Vec::new(), Vec::new());
        for (number, field) in &fields {
            let invented = field
                .streaks
                .iter()
                .filter(|streak| !field.dropouts().any(|dropout| overlap(streak, dropout)));
            streaks.extend(
                invented.map(|streak| (*number, streak.row, streak.sample, streak.samples)),
            );
            bands.extend(field.band.map(|band| (*number, band)));
        }
        let mut tally = tally.lock().expect("no thread panics");
        tally.0 += fields.len();
        tally.1 += streaks.len();
        // One field in a thousand, and one by chance.
        let allowed = 1 + fields.len() / 1000;
        (streaks.len() > allowed || !bands.is_empty()).then(|| {
            format!(
                "{name}: {} fields, {} streaks, first {:?}, {} bands, first {:?}",
                fields.len(),
                streaks.len(),
                &streaks[..streaks.len().min(12)],
                bands.len(),
                &bands[..bands.len().min(6)]
            )
        })
    });
    let (fields, streaks) = *tally.lock().expect("no thread panics");
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(streaks * 1000 < fields, "{streaks} in {fields} fields");
}

fn bent(bow: f64, at: f64, reach: f64) -> tape::Tracking {
    tape::Tracking {
        bow,
        bow_at: at,
        bow_reach: reach,
        ..tape::Tracking::RIGHT
    }
}

#[test]
fn bands_of_six_lines_and_more_are_found_where_they_are() {
    // About 6, 12, 26 and 60 rows of 240.
    let bends = [
        (1.0, 0.3, 0.023),
        (1.0, 0.6, 0.045),
        (0.9, 0.2, 0.115),
        (0.95, 0.5, 0.24),
    ];
    for (bow, at, reach) in bends {
        for standard in [Standard::Lines525, Standard::Lines625] {
            let like = Segment {
                tracking: bent(bow, at, reach),
                ..good()
            };
            let (mut wanted, mut found) = (0, 0);
            let mut off = Vec::new();
            for (number, field) in judged(film(1.2, &like), standard) {
                let lost = field.truth.iter().find_map(|event| match event {
                    TruthEvent::LostBand(band) => Some(*band),
                    _ => None,
                });
                let Some(LostBand { row, lines }) = lost else {
                    continue;
                };
                assert!(lines >= 6, "{lines}");
                wanted += 1;
                // The band fades in and out over a third of its height.
                let slack = 3 + lines / 3;
                match field.band {
                    Some(band)
                        if band.row.abs_diff(row) <= slack
                            && band.lines.abs_diff(lines) <= slack + 2 =>
                    {
                        found += 1;
                    }
                    other => off.push((number, row, lines, other)),
                }
            }
            assert!(wanted > 150, "{wanted}");
            assert!(
                f64::from(found) >= 0.95 * f64::from(wanted),
                "{bow} {at} {reach} {standard:?}: {found} of {wanted}; {:?}",
                &off[..off.len().min(10)]
            );
        }
    }
}

/// Kinds of events, and when each was told.
fn told(scene: &'static Scene, standard: Standard) -> Vec<(Kind, f64)> {
    let clock = PassClock {
        start: Timecode::zero(Counting::usual(standard)),
    };
    let mut alarms = Alarms::new(&Limits::default(), clock);
    let (mut changes, mut all) = (Vec::new(), Vec::new());
    let mut tape = tape_of(scene, standard);
    let (mut splitter, mut history, mut suite) =
        (Splitter::new(), History::default(), Suite::new());
    while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
        splitter.split(&frame, &mut history, |history| {
            let around = history.neighbourhood().expect("a field was put there");
            let now = around.field.place.seconds.0;
            alarms.observe(&suite.measure(&around), &mut changes);
            all.extend(changes.drain(..).filter_map(|change| match change {
                Change::Opened(event) => Some((event.kind, now)),
                _ => None,
            }));
        });
    }
    all
}

fn told_at(events: &[(Kind, f64)], kind: Kind) -> Option<f64> {
    events
        .iter()
        .find(|(told, _)| *told == kind)
        .map(|(_, at)| *at)
}

#[test]
fn a_head_that_is_weak_by_noise_or_level_is_told_within_ten_seconds() {
    let faults = [(-2.0, 0.0), (0.0, -3.0), (-3.0, 0.0)];
    for (index, (carrier, level)) in faults.into_iter().enumerate() {
        let heads = Heads {
            carrier: Decibels(carrier),
            level: Decibels(level),
        };
        let film = film(2.0, &Segment { heads, ..good() });
        let standard = [Standard::Lines525, Standard::Lines625][index % 2];
        let at = told_at(&told(film, standard), Kind::HeadFault);
        assert!(at.is_some_and(|at| at < 10.0), "{heads:?}: {at:?}");
    }
}

#[test]
fn heads_that_are_alike_are_not_told_of() {
    for standard in [Standard::Lines525, Standard::Lines625] {
        let events = told(film(2.0, &good()), standard);
        for kind in [Kind::HeadFault, Kind::Tracking, Kind::DropoutBurst] {
            assert_eq!(told_at(&events, kind), None, "{standard:?}: {events:?}");
        }
    }
}

#[test]
fn a_clogged_head_is_told_within_two_seconds() {
    let clogs_at = 3.0;
    for (picture, standard) in [
        (Picture::Street, Standard::Lines525),
        (Picture::Harbour, Standard::Lines625),
    ] {
        let whole = Segment {
            seconds: clogs_at,
            shows: Shows::Picture(picture),
            ..good()
        };
        let clogged = Segment {
            heads: Heads {
                carrier: Decibels(f64::NEG_INFINITY),
                ..Heads::ALIKE
            },
            ..whole
        };
        let events = told(scene(vec![whole, clogged]), standard);
        let at = told_at(&events, Kind::HeadFault);
        assert!(
            at.is_some_and(|at| (clogs_at..clogs_at + 2.0).contains(&at)),
            "{picture:?} {standard:?}: {events:?}"
        );
    }
}

#[test]
fn the_tracking_aid_follows_a_slow_sweep_and_finds_its_best_place() {
    let sweep = find("tracking-sweep").expect("it is in the catalogue");
    for standard in [Standard::Lines525, Standard::Lines625] {
        let mut tape = tape_of(sweep, standard);
        let mut live = Live::new(live::Head {
            source: String::from("the simulated tape"),
            tape: None,
            recorded_to: None,
            standard: Some(standard),
            sample_rate: tape.format().sample_rate,
            range: CodeRange::Studio,
            clock: PassClock {
                start: Timecode::zero(Counting::usual(standard)),
            },
        });
        let (mut splitter, mut history, mut suite) =
            (Splitter::new(), History::default(), Suite::new());
        let (mut nearest, mut course) = ((f64::INFINITY, 0.0), Vec::new());
        while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
            let offset = tape.truth()[0].events.iter().find_map(|event| match event {
                TruthEvent::OffTrack { offset } => Some(*offset),
                _ => None,
            });
            splitter.split(&frame, &mut history, |history| {
                let around = history.neighbourhood().expect("a field was put there");
                live.observe(&suite.measure(&around), &[]);
                let at = around.field.place.seconds.0;
                if let Some(offset) = offset {
                    if offset.abs() < nearest.0 {
                        nearest = (offset.abs(), at);
                    }
                    let points = live.tracking().now().map(|now| now.points);
                    course.push((offset, points));
                }
            });
        }
        let best = live
            .tracking()
            .best_since(Seconds(0.0))
            .expect("the picture was steady for long");
        // Within a tenth of a track's width, which costs a decibel: the sweep takes 1.4 s for it.
        assert!(
            (best.at.0 + 0.25 - nearest.1).abs() < 1.4,
            "{standard:?}: {best:?}, {nearest:?}"
        );
        // Half a track's width aside is far worse, to either side.
        for side in [-0.5, 0.55] {
            let there = course
                .iter()
                .find(|(offset, _)| *offset >= side)
                .and_then(|(_, points)| *points);
            assert!(
                there.is_none_or(|points| points < best.points - 15.0),
                "{standard:?} {side}: {there:?} {best:?}"
            );
        }
    }
}

#[test]
fn no_picture_is_no_evidence() {
    let fields = judged(find("snow-gap").expect("it is there"), Standard::Lines625);
    let snowy = |field: &Judged| field.truth.contains(&TruthEvent::Snow);
    // Three fields of snow pass before it is one: the state needs them, and the delay hides two.
    let judged_in_snow = fields.iter().filter(|(_, field)| snowy(field)).count();
    assert!(judged_in_snow <= 9, "{judged_in_snow}");
    assert!(
        fields
            .iter()
            .all(|(_, field)| snowy(field) || field.band.is_none())
    );
}
