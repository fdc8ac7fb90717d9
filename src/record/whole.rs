//! Tests of whole pass files: what other programs see, what a killed recorder leaves, how large an hour is.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use rusqlite::Connection;

use super::head::PassHead;
use super::open::upgrade;
use super::reader::Pass;
use super::row::Row;
use super::schema::{APPLICATION_ID, FILE_VERSION};
use super::store::Store;
use super::testing::{catalogue, closed, event, head, place, quantity, recorded, row};
use super::writer::{WhenFull, create_with};
use crate::measures::{Quantity, QuantityUnit, Value};
use crate::timecode::{Counting, FieldIndex, FrameIndex, Timecode};

/// The labels that the view gives to some fields of a pass that starts there.
fn check_labels(start: Timecode, fields: &[i64]) {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("a.pass");
    let head = PassHead {
        start,
        ..head(false)
    };
    Store::create(&path, &head, &catalogue()).expect("a new pass");
    let connection = Connection::open(&path).expect("the pass");
    connection.execute_batch("BEGIN").expect("one transaction");
    for field in fields {
        let insert = "INSERT INTO readings (field, parity, micros) VALUES (?1, 0, 0)";
        connection.execute(insert, [field]).expect("a row");
    }
    connection.execute_batch("COMMIT").expect("all of it");
    let mut statement = connection
        .prepare("SELECT field, timecode FROM fields")
        .expect("a view");
    let mut rows = statement.query(()).expect("rows");
    while let Some(row) = rows.next().expect("a row") {
        let (field, label): (i64, String) =
            (row.get(0).expect("field"), row.get(1).expect("label"));
        let frame = FieldIndex(field.unsigned_abs()).frame();
        assert_eq!(
            label,
            head.clock().label(frame).to_string(),
            "field {field} from {start}"
        );
    }
}

#[test]
fn the_view_labels_fields_as_the_program_does() {
    let fields: Vec<i64> = (0..400).chain((400..6_000_000).step_by(7_919)).collect();
    for counting in [Counting::At25, Counting::At30, Counting::At30Drop] {
        for start in [0, 1790, 17_900, counting.frames_a_day() - 100] {
            check_labels(Timecode::from_frame(FrameIndex(start), counting), &fields);
        }
    }
}

#[test]
fn the_views_show_values_sigmas_and_seconds_under_their_names() {
    let (scratch, pass) = recorded(130, |_| ());
    drop(pass);
    let connection = Connection::open(scratch.path().join("a.pass")).expect("the pass");
    let first = |select: &str| -> rusqlite::types::Value {
        connection
            .query_row(select, (), |row| row.get(0))
            .expect(select)
    };
    let real = rusqlite::types::Value::Real;
    let word = |word: &str| rusqlite::types::Value::Text(word.to_owned());
    assert_eq!(
        first(r#"SELECT "test.error_ns" FROM fields WHERE field = 3"#),
        real(0.3)
    );
    assert_eq!(
        first(r#"SELECT "test.state" FROM fields WHERE field = 4"#),
        word("lost")
    );
    let absent = first(r#"SELECT "test.error_ns" FROM fields WHERE field = 6"#);
    assert_eq!(absent, rusqlite::types::Value::Null);
    assert_eq!(
        first(r#"SELECT "test.error_ns.sigma" FROM sigmas WHERE field = 3"#),
        real(0.25)
    );
    assert_eq!(
        first(r#"SELECT "test.error_ns.max" FROM per_second WHERE second = 0"#),
        real(5.9)
    );
    assert_eq!(
        first(r#"SELECT "test.state.median" FROM per_second WHERE second = 0"#),
        word("locked")
    );
    assert_eq!(
        first("SELECT count(*) FROM per_second"),
        rusqlite::types::Value::Integer(3)
    );
}

/// A program that reads `SQLite` files and is not ours: `sqlite3`, or Python's module; `None` where neither is installed.
fn ask_another_program(path: &Path, select: &str) -> Option<String> {
    let python = "import sqlite3, sys
for row in sqlite3.connect(sys.argv[1]).execute(sys.argv[2]): print('|'.join('' if v is None else str(v) for v in row))";
    let mut programs = [Command::new("sqlite3"), Command::new("python3")];
    programs[1].args(["-c", python]);
    let output = programs
        .iter_mut()
        .find_map(|program| program.arg(path).arg(select).output().ok())?;
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{select}: {complaint}");
    Some(
        String::from_utf8(output.stdout)
            .expect("text")
            .trim_end()
            .to_owned(),
    )
}

#[test]
fn other_programs_read_a_pass() {
    let (scratch, pass) = recorded(130, |sender| {
        sender.event(&closed(event(1, 10), 11)).expect("room");
    });
    drop(pass);
    let path = scratch.path().join("a.pass");
    let check = |select, expected: &str| {
        if let Some(found) = ask_another_program(&path, select) {
            assert_eq!(found, expected, "{select}");
        }
    };
    check("PRAGMA integrity_check", "ok");
    check("PRAGMA application_id", &APPLICATION_ID.to_string());
    check("PRAGMA user_version", &FILE_VERSION.to_string());
    let fields = r#"SELECT field, parity, timecode, seconds, "test.error_ns", "test.black_ire", "test.state"
                    FROM fields WHERE field IN (2, 6, 21)"#;
    let expected = "2|top|00:00:59;21|0.033367|0.2||snow\n6|top|00:00:59;23|0.1001||7.2|locked\n\
                    21|bottom|00:01:00;02|0.35035|2.1|6.45|locked";
    check(fields, expected);
    let events =
        r#"SELECT id, kind, start_timecode, duration_seconds, worst, unit, "limit" FROM events"#;
    check(events, "1|wobble|00:00:59;25|0.033367|81.25|ns|40.0");
    check("SELECT count(*) FROM per_second", "3");
}

/// Where the recorder that is to be killed writes; only its own process has it.
const KILLED_PASS: &str = "TRUELINE_TEST_KILLED_PASS";

/// Fields the recorder says are stored before it is killed.
const STORED_BEFORE_KILL: u64 = 500;

/// Not a test by itself: the process that [`a_killed_recorder_leaves_every_field_it_said_was_stored`] starts and kills.
#[test]
fn recorder_to_be_killed() {
    let Some(path) = std::env::var_os(KILLED_PASS).map(PathBuf::from) else {
        return;
    };
    let made = create_with(&path, &head(false), &catalogue(), WhenFull::Wait, 64);
    let (mut sender, writer) = made.expect("a new pass");
    let watch = sender.watch();
    std::thread::spawn(move || writer.run());
    let mut told = false;
    for field in 0.. {
        sender.field(&row(field), None).expect("a writer");
        if !told && watch.state().fields_stored >= STORED_BEFORE_KILL {
            writeln!(std::io::stdout(), "\nstored").expect("someone who reads");
            told = true;
        }
    }
}

#[test]
fn a_killed_recorder_leaves_every_field_it_said_was_stored() {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("a.pass");
    let mut recorder = Command::new(std::env::current_exe().expect("this program"))
        .args([
            "--exact",
            "record::whole::recorder_to_be_killed",
            "--nocapture",
        ])
        .env(KILLED_PASS, &path)
        .stdout(Stdio::piped())
        .spawn()
        .expect("this program again");
    let said = BufReader::new(recorder.stdout.take().expect("a pipe"))
        .lines()
        .any(|line| line.is_ok_and(|line| line == "stored"));
    recorder.kill().expect("its end");
    recorder.wait().expect("its end");
    assert!(said, "the recorder ended by itself");
    let pass = Pass::open_with(&path, catalogue()).expect("what is left");
    assert_eq!(pass.closed_at(), None);
    let fields: Vec<_> = pass
        .rows(FieldIndex(0)..FieldIndex(u64::MAX))
        .map(|row| row.expect("a row").place.field.0)
        .collect();
    assert!(
        fields.len() as u64 >= STORED_BEFORE_KILL,
        "{}",
        fields.len()
    );
    assert_eq!(fields, (0..fields.len() as u64).collect::<Vec<_>>());
    drop(pass);
    let sound: String = Connection::open(&path)
        .and_then(|pass| pass.pragma_query_value(None, "integrity_check", |row| row.get(0)))
        .expect("a check");
    assert_eq!(sound, "ok");
    upgrade(&path).expect("a pass in one file");
    let left: Vec<_> = std::fs::read_dir(scratch.path())
        .expect("the directory")
        .collect();
    assert_eq!(left.len(), 1, "{left:?}");
}

/// As many quantities as there will be when everything is measured, with sigmas for all but a few.
const MANY: usize = 80;

const MANY_IDS: [&str; MANY] = many_ids();

const fn many_ids() -> [&'static str; MANY] {
    const DIGITS: &str = "q00q01q02q03q04q05q06q07q08q09q10q11q12q13q14q15q16q17q18q19q20q21q22q23q24q25q26q27q28q29\
        q30q31q32q33q34q35q36q37q38q39q40q41q42q43q44q45q46q47q48q49q50q51q52q53q54q55q56q57q58q59q60q61q62q63q64\
        q65q66q67q68q69q70q71q72q73q74q75q76q77q78q79";
    let mut ids = [""; MANY];
    let mut at = 0;
    while at < MANY {
        ids[at] = DIGITS.split_at(3 * at).1.split_at(3).0;
        at += 1;
    }
    ids
}

const MANY_QUANTITIES: [Quantity; MANY] = {
    let mut all = [quantity("", QuantityUnit::Ns, 0.1, &[]); MANY];
    let mut at = 0;
    while at < MANY {
        all[at].id = MANY_IDS[at];
        at += 1;
    }
    all
};

/// Every quantity measured: times of tens to hundreds of nanoseconds, in tenths, with sigmas of a few percent.
fn full_row(field: u64) -> Row<MANY> {
    let noise = |at: u64| {
        let mixed = (field * 80 + at).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
        mixed as f64 / f64::from(1 << 24)
    };
    Row {
        place: place(field),
        values: std::array::from_fn(|at| {
            let value = 4.0 * (at as f64 + 2.0) * (0.5 + noise(at as u64));
            Some(Value::Number {
                value,
                sigma: Some(value * 0.02 * (0.5 + noise(at as u64 + 40))),
            })
        }),
    }
}

#[test]
fn an_hour_of_eighty_quantities_with_sigmas_takes_less_than_150_mb() {
    const SECONDS: u64 = 60;
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("a.pass");
    let mut store =
        Store::create(&path, &head(false), &MANY_QUANTITIES.each_ref()).expect("a new pass");
    let empty = store.bytes().expect("a size");
    let mut batch = Store::new_batch(60);
    for second in 0..SECONDS {
        for field in 60 * second..60 * (second + 1) {
            store.add_field(&mut batch, &full_row(field), None);
        }
        store.write(&mut batch, |_| ()).expect("a batch");
    }
    let an_hour = (store.bytes().expect("a size") - empty) * 3600 / SECONDS;
    // 150 MB an hour is the promise; a tenth of it is left to what is not measured yet.
    assert!(an_hour < 135_000_000, "{an_hour} bytes");
}
