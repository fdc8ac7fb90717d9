//! Tests of what is kept of which event.

use super::*;
use crate::alarms::script::{Played, healthy, wobbling};
use crate::fields::{FieldRaster, History};
use crate::measures::sketch::{self, plane};
use crate::measures::sync;
use crate::timecode::FieldIndex;

/// A field that is as bright as its number says.
fn numbered(index: u64) -> Field {
    let raster: FieldRaster = sketch::raster(720, 243);
    let code = 16 + 2 * (index % 100) as u8;
    sketch::field(index, raster, plane(raster.width, raster.rows, |_, _| code))
}

/// Plays fields, each with what is measured of it, and gathers what is handed on.
fn kept(
    fields: impl Iterator<Item = u64> + Clone,
    read: impl Fn(u64) -> Readings,
) -> Vec<(Kind, Exhibit)> {
    let (mut played, mut keeper) = (Played::new(), Keeper::default());
    let mut history = History::default();
    let mut kept = Vec::new();
    let mut kinds = Vec::new();
    for index in fields.clone() {
        history.push(numbered(index));
        let around = history.neighbourhood().expect("a field was put there");
        let readings = read(index);
        let before = played.changes.len();
        played.alarms.observe(&readings, &mut played.changes);
        let changes = &played.changes[before..];
        kinds.extend(changes.iter().map(|it| (it.event().id, it.event().kind)));
        keeper.observe(&around, &readings, changes, played.alarms.worst_so_far());
        kept.extend(keeper.take());
    }
    played.next = fields.last().map_or(0, |last| last + 1);
    let before = played.changes.len();
    let played = played.finish();
    keeper.note(&played.changes[before..], history.neighbourhood().as_ref());
    kept.extend(std::iter::from_fn(|| keeper.take()));
    let kind = |exhibit: &Exhibit| kinds.iter().find(|(id, _)| *id == exhibit.event);
    let with_kind = |exhibit: Exhibit| Some((kind(&exhibit)?.1, exhibit));
    kept.into_iter().filter_map(with_kind).collect()
}

fn of(kept: &[(Kind, Exhibit)], kind: Kind) -> Vec<&Exhibit> {
    let of_kind = kept.iter().filter(|(known, _)| *known == kind);
    of_kind.map(|(_, exhibit)| exhibit).collect()
}

#[test]
fn the_worst_field_of_an_event_is_what_is_kept_in_the_end() {
    let worst = 71;
    let kept = kept(0..110, |field| match field {
        60..90 => wobbling(field, if field == worst { 400.0 } else { 150.0 }),
        _ => healthy(field),
    });
    let wobble = of(&kept, Kind::Wobble);
    let last = wobble.last().expect("a picture was kept");
    assert_eq!(last.place.field, FieldIndex(worst));
    assert!(!last.lines.is_empty(), "its lines were measured");
    assert!(
        wobble.len() >= 2,
        "one at the beginning too, lest a crash lose it"
    );
    let first = wobble[0].place.field.0;
    assert!((60..worst).contains(&first), "{first}");
}

#[test]
fn a_loss_keeps_the_fields_on_both_sides() {
    let kept = kept((0..20).chain(24..40), |field| {
        let mut readings = healthy(field);
        if field == 24 {
            readings.sync.missing_fields = 4;
        }
        readings
    });
    let missing = of(&kept, Kind::Missing);
    let shown: Vec<(View, u64)> = missing
        .iter()
        .map(|it| (it.view, it.place.field.0))
        .collect();
    assert!(shown.contains(&(View::Before, 19)), "{shown:?}");
    assert!(shown.contains(&(View::Worst, 24)), "{shown:?}");
}

#[test]
fn a_lost_signal_shows_nothing_worth_keeping() {
    let kept = kept(0..200, |field| match field {
        100.. => crate::alarms::script::blank(field, sync::State::NoSignal),
        _ => healthy(field),
    });
    assert!(of(&kept, Kind::NoSignal).is_empty());
    let begun = of(&kept, Kind::RecordingStart);
    assert_eq!(begun.len(), 1, "but where the recording begins is");
}

#[test]
fn a_picture_is_half_as_wide_and_its_levels_run_from_black_to_peak() {
    let raster = sketch::raster(720, 243);
    let mut drawn = sketch::field(
        0,
        raster,
        plane(raster.width, raster.rows, |column, _| {
            if column < raster.width / 2 { 16 } else { 235 }
        }),
    );
    drawn.cb.samples.fill(128 + 112);
    let mut picture = picture::SmallPicture::default();
    picture.take(&drawn);
    assert_eq!(picture.size(), (raster.width / 2, raster.rows));
    let left = picture.sample(2, 2);
    let right = picture.sample(raster.width / 2 - 3, raster.rows - 3);
    assert_eq!(left, [0, 255, 128]);
    assert_eq!(right, [255, 255, 128]);
    // ITU-T T.81 B.2.2: the frame header has rows, then samples a row.
    let jpeg = picture.jpeg().expect("it has a size");
    let header = jpeg
        .windows(2)
        .position(|it| it == [0xff, 0xc0])
        .expect("a baseline frame");
    let size: Vec<u8> = [raster.rows as u16, raster.width as u16 / 2]
        .iter()
        .flat_map(|it| it.to_be_bytes())
        .collect();
    assert_eq!(jpeg[header + 5..header + 9], size[..]);
}

#[test]
fn nothing_is_made_of_a_field_without_samples() {
    let picture = picture::SmallPicture::default();
    assert_eq!(picture.jpeg(), None);
}
