//! Tests of exports against other readers of CSV and JSON.

use std::ops::Range;

use super::*;
use crate::alarms::WhyEnded;
use crate::measures::line_timing;
use crate::record::ProgrammeSpan;
use crate::record::testing::{CATALOGUE, closed, event, recorded, recorded_with_lines};
use crate::timecode::FieldIndex;

const EVERYTHING: Range<FieldIndex> = FieldIndex(0)..FieldIndex(u64::MAX);

fn exported(pass: &Pass<5>, what: What, format: Format) -> String {
    let mut out = Vec::new();
    write(pass, Document::Table(what, format), &mut out).expect("an export");
    String::from_utf8(out).expect("text")
}

/// What the csv crate reads, by column.
fn csv_cells(text: &str) -> Vec<Vec<(String, String)>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().expect("names").clone();
    let cell = |(name, value): (&str, &str)| (name.to_owned(), value.to_owned());
    reader
        .records()
        .map(|row| names.iter().zip(&row.expect("a row")).map(cell).collect())
        .collect()
}

/// What `serde_json` reads, by key, as CSV would print it.
fn json_cells(text: &str) -> Vec<Vec<(String, String)>> {
    use serde_json::{Map, Value};
    let printed = |value: Value| match value {
        Value::Null => String::new(),
        Value::String(text) => text,
        other => other.to_string(),
    };
    text.lines()
        .map(|line| serde_json::from_str::<Map<String, Value>>(line).expect("an object"))
        .map(|row| {
            row.into_iter()
                .map(|(name, value)| (name, printed(value)))
                .collect()
        })
        .collect()
}

#[test]
fn fields_have_the_promised_columns_and_gaps() {
    let (_scratch, pass) = recorded(7, |_| ());
    let text = exported(&pass, What::Fields, Format::Csv);
    let lines: Vec<_> = text.lines().collect();
    let names = "field,parity,timecode,seconds,test.error_ns,test.black_ire,test.state,test.missing_fields,\
                 test.repeated";
    assert_eq!(lines[0], names);
    assert_eq!(lines[1], "0,top,00:00:59;20,0.000000,0.0,7.50,locked,0,0");
    assert_eq!(lines[3], "2,top,00:00:59;21,0.033367,0.2,,snow,0,0");
    assert_eq!(lines[7], "6,top,00:00:59;23,0.100100,,7.20,locked,0,0");
    let json = exported(&pass, What::Fields, Format::Jsonl);
    let third = concat!(
        r#"{"field":2,"parity":"top","timecode":"00:00:59;21","seconds":0.033367,"test.error_ns":0.2,"#,
        r#""test.black_ire":null,"test.state":"snow","test.missing_fields":0,"test.repeated":0}"#,
    );
    assert_eq!(json.lines().nth(2), Some(third));
}

#[test]
fn both_formats_hold_the_same_cells() {
    let (_scratch, pass) = recorded(600, |sender| {
        sender.event(&closed(event(1, 10), 11)).expect("room");
    });
    let csv = csv_cells(&exported(&pass, What::Fields, Format::Csv));
    let json = json_cells(&exported(&pass, What::Fields, Format::Jsonl));
    assert_eq!(csv.len(), 600);
    for (csv, json) in csv.iter().zip(&json) {
        for ((name, csv), (key, json)) in csv.iter().zip(json) {
            assert_eq!(name, key);
            let same_number = csv.parse::<f64>().ok() == json.parse::<f64>().ok();
            assert!(
                csv == json || (same_number && !csv.is_empty()),
                "{name}: {csv}, {json}"
            );
        }
    }
}

#[test]
fn exported_numbers_are_those_of_the_rows() {
    let (_scratch, pass) = recorded(600, |_| ());
    let csv = csv_cells(&exported(&pass, What::Fields, Format::Csv));
    for (cells, row) in csv.iter().zip(pass.rows(EVERYTHING)) {
        let row = row.expect("a row");
        for (value, (_, cell)) in row.values.iter().zip(&cells[4..]) {
            let number = value.and_then(crate::measures::Value::number);
            assert!(
                number.is_none() || cell.parse().ok() == number,
                "{cell}: {value:?}"
            );
        }
    }
    assert_eq!(csv[0].len(), 4 + CATALOGUE.len());
}

#[test]
fn events_have_the_promised_columns() {
    let (_scratch, pass) = recorded(60, |sender| {
        sender.event(&closed(event(1, 10), 11)).expect("room");
        sender.event(&event(2, 30)).expect("room");
    });
    let text = exported(&pass, What::Events, Format::Csv);
    let lines: Vec<_> = text.lines().collect();
    let names = "id,kind,severity,standing,start_field,end_field,start_timecode,end_timecode,start_seconds,\
                 duration_seconds,worst,unit,limit,note";
    assert_eq!(lines[0], names);
    let first = "1,wobble,alarm,false,10,11,00:00:59;25,00:00:59;25,0.166833,0.033367,81.25,ns,40,\
                 \"lines move, \"\"just visible\"\"\"";
    assert_eq!(lines[1], first);
    let json = exported(&pass, What::Events, Format::Jsonl);
    let second: serde_json::Value =
        serde_json::from_str(json.lines().nth(1).expect("two events")).expect("an object");
    assert_eq!(second["end_field"], serde_json::Value::Null);
    assert_eq!(second["duration_seconds"], serde_json::Value::Null);
    assert_eq!(second["note"], event(2, 30).note);
}

#[test]
fn lines_are_the_usable_ones() {
    let mut timing = line_timing::Reading {
        basis: line_timing::Basis::Edge,
        lines: line_timing::LineTrace::blank(4),
        ..Default::default()
    };
    let shift = |displacement, sigma| line_timing::LineShift {
        displacement: crate::units::Nanos(displacement),
        sigma: crate::units::Nanos(sigma),
    };
    timing.lines.set(0, shift(-12.34, 0.8));
    timing.lines.set(2, shift(1000.0, 18.0));
    timing.lines.set(3, shift(5.0, 25.0));
    let (_scratch, pass) = recorded_with_lines(2, &timing);
    let text = exported(&pass, What::Lines, Format::Csv);
    let lines: Vec<_> = text.lines().collect();
    assert_eq!(
        lines[..3],
        [
            "field,line,error_ns,sigma_ns,basis",
            "0,0,-12.3,0.80,edge",
            "0,2,1000.0,18.10,edge"
        ]
    );
    assert_eq!(
        lines.len(),
        5,
        "a quarter of a sample is 18.5 ns: 25 ns is no use"
    );
}

#[test]
fn a_file_appears_whole_or_not_at_all() {
    let (scratch, pass) = recorded(3, |_| ());
    let path = scratch.path().join("out.csv");
    std::fs::write(&path, "old").expect("an older export");
    let destination = Destination::File(path.clone());
    let refused = export(
        &pass,
        Document::Table(What::Lines, Format::Csv),
        &destination,
    );
    assert!(
        matches!(refused, Err(ExportError::Pass(RecordError::NoLines(_)))),
        "{refused:?}"
    );
    assert_eq!(std::fs::read_to_string(&path).expect("the file"), "old");
    export(
        &pass,
        Document::Table(What::Fields, Format::Csv),
        &destination,
    )
    .expect("an export");
    let text = std::fs::read_to_string(&path).expect("the file");
    assert_eq!(text, exported(&pass, What::Fields, Format::Csv));
    let left: Vec<_> = std::fs::read_dir(scratch.path())
        .expect("the directory")
        .collect();
    assert_eq!(left.len(), 2, "the pass and the export: {left:?}");
}

#[test]
fn a_pass_is_not_replaced_by_its_export() {
    let (scratch, pass) = recorded(3, |_| ());
    let path = scratch.path().join(".").join("a.pass");
    let onto = export(
        &pass,
        Document::Table(What::Events, Format::Csv),
        &Destination::File(path),
    );
    assert!(matches!(onto, Err(ExportError::OntoPass(_))), "{onto:?}");
    assert!(Pass::<5>::open_with(pass.path(), crate::record::testing::catalogue()).is_ok());
}

#[test]
fn a_place_that_cannot_be_written_to_is_named() {
    let (scratch, pass) = recorded(3, |_| ());
    let path = scratch.path().join("none").join("out.csv");
    let destination = Destination::File(path.clone());
    let error = export(
        &pass,
        Document::Table(What::Events, Format::Csv),
        &destination,
    )
    .expect_err("no directory");
    assert!(
        error.to_string().contains(&path.display().to_string()),
        "{error}"
    );
}

#[cfg(unix)]
#[test]
fn what_is_no_ordinary_file_is_written_to_as_it_is() {
    let (_scratch, pass) = recorded(3, |_| ());
    let null = PathBuf::from("/dev/null");
    export(
        &pass,
        Document::Table(What::Fields, Format::Csv),
        &Destination::File(null.clone()),
    )
    .expect("an export");
    assert!(!fs::metadata(null).expect("/dev/null").is_file());
}

#[test]
fn a_reader_that_stops_early_is_no_error_and_a_full_disk_is() {
    struct Stops(ErrorKind);
    impl Write for Stops {
        fn write(&mut self, _bytes: &[u8]) -> io::Result<usize> {
            Err(self.0.into())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }
    let (_scratch, pass) = recorded(300, |_| ());
    for format in [Format::Csv, Format::Jsonl, Format::Parquet] {
        let written = |kind| {
            until_reader_stops(write(
                &pass,
                Document::Table(What::Fields, format),
                Stops(kind),
            ))
        };
        assert!(written(ErrorKind::BrokenPipe).is_ok());
        assert!(written(ErrorKind::StorageFull).is_err());
    }
}

#[test]
fn spans_are_programme_and_what_to_play_again_with_why() {
    let programme = ProgrammeSpan {
        start: FieldIndex(100),
        end: Some(FieldIndex(999)),
        why_ended: Some(WhyEnded::Snow),
    };
    let (_scratch, pass) = recorded(1_000, |sender| {
        sender.programme(&[programme]).expect("room");
        sender.event(&closed(event(1, 400), 460)).expect("room");
    });
    let text = exported(&pass, What::Spans, Format::Csv);
    let lines: Vec<_> = text.lines().collect();
    // 3 s of 525 lines are 180 fields.
    let expected = [
        "span,start_field,end_field,start_timecode,end_timecode,start_seconds,duration_seconds,why,events,worst_event,\
         worst_kind,worst,unit",
        "programme,100,999,00:01:01;12,00:01:16;11,1.668333,15.015000,snow,,,,,",
        "play_again,220,640,00:01:03;12,00:01:10;12,3.670333,7.023683,\"lines move, \"\"just visible\"\"\",1,1,wobble,\
         81.25,ns",
    ];
    assert_eq!(lines, expected);
}

#[test]
fn a_span_that_begins_with_lost_fields_has_the_time_they_would_have_had() {
    let programme = ProgrammeSpan {
        start: FieldIndex(700),
        end: None,
        why_ended: None,
    };
    let (_scratch, pass) = recorded(600, |sender| {
        sender.programme(&[programme]).expect("room");
    });
    let text = exported(&pass, What::Spans, Format::Jsonl);
    let span: serde_json::Value = serde_json::from_str(&text).expect("one object");
    assert_eq!(span["start_seconds"], 11.678_333);
    assert_eq!(span["end_field"], serde_json::Value::Null);
    assert_eq!(span["duration_seconds"], serde_json::Value::Null);
}
