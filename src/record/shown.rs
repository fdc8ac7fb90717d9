//! Which of the pictures kept with events are worth a place on paper.
//!
//! In: a pass and its events. Out: the pictures of a few of them: the operator's marks first, then the worst of every kind, then the
//! second worst of every kind, and so on, alarms before notices.
//!
//! Does not know: what is in a picture, or how it is shown.

use std::cmp::Reverse;

use super::error::RecordError;
use super::exhibit::Exhibit;
use super::reader::Pass;
use crate::alarms::{Event, EventId};
use crate::limits::Kind;

/// The pictures of the events that matter most, at most so many events, in the order of time.
///
/// # Errors
/// When the pass cannot be read.
pub fn worst_exhibits(
    pass: &Pass,
    events: &[Event],
    most: usize,
) -> Result<Vec<(EventId, Vec<Exhibit>)>, RecordError> {
    let kept = pass.exhibited()?;
    let mut shown: Vec<&Event> = events
        .iter()
        .filter(|event| kept.binary_search(&event.id).is_ok())
        .collect();
    shown.sort_by(|a, b| {
        let worse = excess(b).total_cmp(&excess(a));
        worse
            .then_with(|| length(b).cmp(&length(a)))
            .then(a.id.cmp(&b.id))
    });
    let mut ranked: Vec<(usize, &Event)> = Vec::with_capacity(shown.len());
    for event in shown {
        let of_kind = ranked.iter().filter(|(_, other)| other.kind == event.kind);
        let place = if event.kind == Kind::Mark {
            0
        } else {
            of_kind.count()
        };
        ranked.push((place, event));
        if ranked.len() > MOST_RANKED {
            break;
        }
    }
    ranked.sort_by_key(|&(place, event)| {
        let first = event.kind != Kind::Mark;
        (first, place, Reverse(event.severity), event.id)
    });
    ranked.truncate(most);
    ranked.sort_by_key(|(_, event)| (event.start.field, event.id));
    ranked
        .into_iter()
        .map(|(_, event)| Ok((event.id, pass.exhibits(event.id)?)))
        .collect()
}

/// Events that are ranked at most: counting those before each takes the square of it.
const MOST_RANKED: usize = 2_000;

/// How far beyond its limit an event went, in limits; of what has none, nothing.
fn excess(event: &Event) -> f64 {
    match (event.worst, event.limit) {
        (Some(worst), Some(limit)) if limit != 0.0 => ((worst - limit) / limit).abs(),
        (Some(worst), _) => worst.abs(),
        (None, _) => 0.0,
    }
}

fn length(event: &Event) -> u64 {
    let end = event.end.map_or(u64::MAX, |end| end.field.0);
    end.saturating_sub(event.start.field.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::Severity;
    use crate::record::exhibit::View;
    use crate::record::testing::{closed, event, head, place};
    use crate::record::{WhenFull, create};

    /// An event with a picture, or without.
    fn told(id: u32, kind: Kind, severity: Severity, worst: f64) -> Event {
        Event {
            kind,
            severity,
            worst: Some(worst),
            limit: Some(40.0),
            ..closed(event(id, u64::from(id)), u64::from(id))
        }
    }

    fn stored(
        events: &[Event],
        with_picture: impl Fn(&Event) -> bool,
    ) -> (tempfile::TempDir, Pass) {
        let scratch = tempfile::tempdir().expect("a directory");
        let path = scratch.path().join("a.pass");
        let (mut sender, writer) = create(&path, &head(false), WhenFull::Wait).expect("a pass");
        let writing = std::thread::spawn(move || writer.run());
        for event in events {
            sender.event(event).expect("a writer");
            if with_picture(event) {
                let exhibit = Exhibit {
                    event: event.id,
                    view: View::Worst,
                    place: place(event.start.field.0),
                    size: (360, 240),
                    jpeg: vec![0xff, 0xd8, 0xff, 0xe0],
                    lines: Vec::new(),
                };
                sender.exhibit(exhibit).expect("a writer");
            }
        }
        sender
            .close(crate::record::testing::closing(0))
            .expect("a writer");
        writing.join().expect("no panic").expect("a closed pass");
        (scratch, Pass::open(&path).expect("the pass"))
    }

    fn chosen(events: &[Event], most: usize) -> Vec<u32> {
        let (_scratch, pass) = stored(events, |event| event.id.0 != 9);
        let shown = worst_exhibits(&pass, events, most).expect("readable");
        assert!(shown.iter().all(|(_, exhibits)| exhibits.len() == 1));
        shown.into_iter().map(|(id, _)| id.0).collect()
    }

    #[test]
    fn every_kind_has_its_worst_before_any_has_its_second_and_marks_come_first() {
        let (alarm, notice) = (Severity::Alarm, Severity::Notice);
        let events = [
            told(1, Kind::Wobble, alarm, 60.0),
            told(2, Kind::Wobble, alarm, 400.0),
            told(3, Kind::Wobble, alarm, 300.0),
            told(4, Kind::BlackLow, notice, 41.0),
            told(5, Kind::Tear, alarm, 50.0),
            told(6, Kind::Mark, notice, 0.0),
            told(9, Kind::Roll, alarm, 900.0),
        ];
        assert_eq!(chosen(&events, 1), [6]);
        assert_eq!(chosen(&events, 3), [2, 5, 6]);
        assert_eq!(chosen(&events, 4), [2, 4, 5, 6]);
        assert_eq!(chosen(&events, 5), [2, 3, 4, 5, 6]);
        // 9 has no picture
        assert_eq!(chosen(&events, 99), [1, 2, 3, 4, 5, 6]);
        assert_eq!(chosen(&events, 0), Vec::<u32>::new());
    }
}
