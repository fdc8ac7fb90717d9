use super::*;
use crate::compare::reel::{OTHER, PLAIN, Reel};

/// A tape of ten minutes, all of it on the earlier pass.
fn reel() -> Reel {
    Reel::shot(12, 36_000)
}

fn follow(reel: &Reel) -> Follow {
    Follow::new(reel.played(0..reel.fields.len(), PLAIN))
}

/// What became of a play: fields told, those of them at a wrong place of the tape, and the turns.
#[derive(Debug, Default)]
struct Played {
    told: usize,
    wrong: usize,
    uncertain: usize,
    turns: Vec<(Step, i64)>,
    last: Option<Step>,
}

impl Played {
    fn found(&self) -> Vec<i64> {
        self.at(|step| *step == Step::Found)
    }

    fn lost(&self) -> Vec<i64> {
        self.at(|step| *step == Step::Lost)
    }

    fn at(&self, which: impl Fn(&Step) -> bool) -> Vec<i64> {
        let turns = self.turns.iter().filter(|(step, _)| which(step));
        turns.map(|&(_, at)| at).collect()
    }
}

/// Plays these places of the tape through another chain; `None` is a field that never came.
fn play(follow: &mut Follow, reel: &Reel, places: &[Option<usize>]) -> Played {
    let played = reel.played(places.iter().map(|place| place.unwrap_or(0)), OTHER);
    let mut all = Played::default();
    for (at, place) in places.iter().enumerate() {
        if place.is_none() {
            continue;
        }
        follow.push(at as i64, played.cells(at as i64).copied());
        while let Some(step) = follow.step() {
            if let Step::Fits {
                fields,
                offset,
                certain,
            } = &step
            {
                for field in fields.clone() {
                    let Some(tape) = places[field as usize] else {
                        continue;
                    };
                    let there = &reel.fields[(field + offset) as usize];
                    // a still picture is the same at any of its fields
                    let alike = there
                        .iter()
                        .zip(&reel.fields[tape])
                        .all(|(a, b)| (a - b).abs() < 1e-9);
                    all.told += 1;
                    all.wrong += usize::from(!alike);
                }
                all.uncertain += usize::from(!certain);
            }
            if matches!(step, Step::Found | Step::Lost | Step::Moved { .. }) {
                all.turns.push((step.clone(), at as i64));
            }
            all.last = Some(step);
        }
    }
    all
}

fn places(fields: impl IntoIterator<Item = usize>) -> Vec<Option<usize>> {
    fields.into_iter().map(Some).collect()
}

#[test]
fn a_play_that_begins_in_the_middle_is_found_to_the_field_and_followed() {
    let reel = reel();
    for from in [0, 7_123, 20_001, 31_000] {
        let played = play(&mut follow(&reel), &reel, &places(from..from + 4_000));
        assert_eq!(played.wrong, 0, "{from}: {played:?}");
        let found = played.found();
        assert!(found.len() == 1 && found[0] < 1_300, "{from}: {found:?}");
        assert!(played.told >= 2_600, "{from}: {played:?}");
        assert!(played.lost().is_empty(), "{played:?}");
    }
}

#[test]
fn a_frame_that_is_lost_or_shown_again_moves_the_place_and_is_never_compared_wrongly_for_long() {
    let reel = reel();
    let mut lost = places(4_000..6_500);
    lost.extend(places(6_502..9_000));
    let mut again = places(4_000..6_500);
    again.extend(places(6_498..9_000));
    for places in [lost, again] {
        let played = play(&mut follow(&reel), &reel, &places);
        let moved = played.at(|step| matches!(step, Step::Moved { .. }));
        assert_eq!(moved.len(), 1, "{played:?}");
        // at the latest when the next shot moves
        assert!((2_500..3_200).contains(&moved[0]), "{moved:?}");
        assert!(played.lost().is_empty(), "{played:?}");
        // the rest of the window in which it happened
        assert!(played.wrong <= 30, "{played:?}");
        let since = played.turns.iter().find_map(|(step, _)| match step {
            Step::Moved { since } => Some(*since),
            _ => None,
        });
        assert!(since.is_some_and(|since| since <= 2_500), "{played:?}");
    }
}

#[test]
fn frames_that_the_source_knows_are_missing_leave_the_place_as_it_is() {
    let reel = reel();
    let mut places = places(4_000..8_000);
    places[2_000..2_200].fill(None);
    let played = play(&mut follow(&reel), &reel, &places);
    assert_eq!((played.wrong, played.lost()), (0, vec![]), "{played:?}");
    assert_eq!(played.turns.len(), 1, "{played:?}");
}

#[test]
fn a_still_picture_has_no_place_and_one_within_a_tape_keeps_the_place_but_not_for_certain() {
    let mut reel = reel();
    let still = play(&mut follow(&reel), &reel, &places(vec![5_000; 4_000]));
    assert_eq!(still.turns, []);
    assert!(
        matches!(still.last, Some(Step::Sought { why: Why::Still, fields }) if fields > 3_600),
        "{still:?}"
    );
    let title = reel.fields[6_000];
    reel.fields[6_000..7_500].fill(title);
    let played = play(&mut follow(&reel), &reel, &places(4_000..9_000));
    assert_eq!((played.wrong, played.lost()), (0, vec![]), "{played:?}");
    assert!(played.uncertain > 10, "{played:?}");
    assert!(
        matches!(played.last, Some(Step::Fits { certain: true, .. })),
        "{played:?}"
    );
}

#[test]
fn another_tape_is_not_found_however_long_it_plays() {
    let (reel, other) = (reel(), Reel::shot(13, 20_000));
    let played = play(&mut follow(&reel), &other, &places(0..20_000));
    assert_eq!(played.turns, []);
    assert!(
        matches!(played.last, Some(Step::Sought { .. })),
        "{played:?}"
    );
}

#[test]
fn what_is_on_the_tape_twice_has_no_place_until_something_else_comes() {
    let mut reel = reel();
    let shown = reel.fields[2_000..4_000].to_vec();
    reel.fields[20_000..22_000].copy_from_slice(&shown);
    let played = play(&mut follow(&reel), &reel, &places(20_000..25_000));
    assert_eq!(played.wrong, 0, "{played:?}");
    assert!(played.found()[0] > 2_000, "{played:?}");
}

#[test]
fn a_tape_that_is_wound_is_lost_and_found_again_where_it_plays_on() {
    let reel = reel();
    let mut wound = places(10_000..12_000);
    // back, at nine times the speed
    wound.extend((0..600).map(|field| Some(12_000 - 9 * field)));
    wound.extend(places(6_600..9_600));
    let played = play(&mut follow(&reel), &reel, &wound);
    let (found, lost) = (played.found(), played.lost());
    assert_eq!((found.len(), lost.len()), (2, 1), "{played:?}");
    assert!((2_000..2_300).contains(&lost[0]), "{lost:?}");
    assert!((2_600..4_600).contains(&found[1]), "{found:?}");
    assert!(played.wrong <= 30, "{played:?}");
}

#[test]
fn a_gap_longer_than_what_is_remembered_begins_the_search_anew() {
    let reel = reel();
    let mut gap = places(4_000..6_000);
    gap.extend(vec![None; 5_000]);
    gap.extend(places(20_000..23_000));
    let played = play(&mut follow(&reel), &reel, &gap);
    assert_eq!(played.wrong, 0, "{played:?}");
    assert_eq!(played.found().len(), 2, "{played:?}");
}
