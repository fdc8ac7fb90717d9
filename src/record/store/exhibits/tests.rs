//! Tests of the budget of pictures.

use rusqlite::Connection;

use super::*;
use crate::alarms::{Event, EventId};
use crate::limits::{Kind, Severity};
use crate::record::exhibit::View;
use crate::record::testing::{event, place};

fn tables() -> Connection {
    let connection = Connection::open_in_memory().expect("a database");
    for script in [
        include_str!("../../migrations/0001_pass.sql"),
        include_str!("../../migrations/0003_exhibits.sql"),
    ] {
        connection.execute_batch(script).expect("tables");
    }
    connection
}

fn told(connection: &Connection, id: u32, kind: Kind, severity: Severity, worst: f64) {
    let event = Event {
        kind,
        severity,
        worst: Some(worst),
        limit: Some(0.0),
        ..event(id, u64::from(id))
    };
    super::super::tables::write_event(connection, &event).expect("an event");
}

fn shown(id: u32, bytes: usize) -> Exhibit {
    Exhibit {
        event: EventId(id),
        view: View::Worst,
        place: place(u64::from(id)),
        size: (360, 243),
        jpeg: vec![0xff; bytes],
        lines: Vec::new(),
    }
}

fn left(connection: &Connection) -> Vec<u32> {
    let mut statement = connection
        .prepare("SELECT event FROM exhibits ORDER BY event")
        .expect("a table");
    let rows = statement.query_map((), |row| row.get(0)).expect("rows");
    rows.collect::<Result<_, _>>().expect("numbers")
}

#[test]
fn within_the_budget_everything_stays() {
    let connection = tables();
    told(&connection, 1, Kind::Wobble, Severity::Alarm, 80.0);
    write_exhibits(&connection, &[shown(1, 1000)]).expect("room");
    thin(&connection, 1000, 500).expect("counted");
    assert_eq!(left(&connection), [1]);
}

#[test]
fn the_oldest_notices_go_first_and_the_worst_of_each_kind_stay() {
    let connection = tables();
    // Ten alarms that grow less bad, ten notices of one kind that grow worse, and a mark.
    for id in 0..10 {
        told(
            &connection,
            id,
            Kind::Wobble,
            Severity::Alarm,
            200.0 - f64::from(id),
        );
    }
    for id in 10..20 {
        told(
            &connection,
            id,
            Kind::DropoutBurst,
            Severity::Notice,
            f64::from(id),
        );
    }
    told(&connection, 20, Kind::Mark, Severity::Notice, 0.0);
    let all: Vec<Exhibit> = (0..=20).map(|id| shown(id, 100)).collect();
    write_exhibits(&connection, &all).expect("room");
    thin(&connection, 2000, 1600).expect("thinned");
    // The worst notices are the last four; of the others the oldest five are gone.
    assert_eq!(
        left(&connection),
        [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 15, 16, 17, 18, 19, 20]
    );
    thin(&connection, 1500, 1100).expect("thinned");
    // Then the sixth, and the oldest of the alarms that are not among the worst.
    assert_eq!(left(&connection), [0, 1, 2, 3, 8, 9, 16, 17, 18, 19, 20]);
    thin(&connection, 1000, 300).expect("thinned");
    assert_eq!(left(&connection).len(), 3, "a budget is a budget");
}

#[test]
fn a_later_picture_of_the_same_event_replaces_the_earlier() {
    let connection = tables();
    write_exhibits(&connection, &[shown(7, 100), shown(7, 300)]).expect("room");
    let bytes: i64 = connection
        .query_row("SELECT sum(length(jpeg)) FROM exhibits", (), |row| {
            row.get(0)
        })
        .expect("a sum");
    assert_eq!(bytes, 300);
}
