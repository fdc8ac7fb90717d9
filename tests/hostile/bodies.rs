//! What each kind of hostile input is put through, and what must hold whatever it is.
//!
//! One function a kind: the fuzz targets (`tests/fuzz`) and the ordinary tests beside this file call the same ones. Each panics where
//! something does not hold, and else returns.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use rusqlite::types::Value as Sql;
use trueline::alarms::{Alarms, EventLog, PassClock};
use trueline::compare::Weights;
use trueline::fields::{History, Splitter};
use trueline::limits::Limits;
use trueline::measures::waveform::Waveform;
use trueline::measures::{Readings, Suite, Value, quantities};
use trueline::record::{
    Finished, Keeper, Live, Pass, Row, Statistics, Summary, live, marks, worst_exhibits,
};
use trueline::sources::{self, Frame, Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::text;
use trueline::timecode::{Counting, FieldIndex, FrameIndex, Timecode};
use trueline::units::CodeRange;
use trueline::views::export::{Destination, Document, Format, What, export};
use trueline::views::report::{self, Reported};

/// Numbers and choices out of bytes; zeros when they are used up.
#[derive(Debug)]
struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    fn byte(&mut self) -> u8 {
        match self.0.split_first() {
            Some((&first, rest)) => {
                self.0 = rest;
                first
            }
            None => 0,
        }
    }

    fn number(&mut self) -> u32 {
        u32::from_le_bytes([self.byte(), self.byte(), self.byte(), self.byte()])
    }

    fn long(&mut self) -> i64 {
        let (low, high) = (i64::from(self.number()), i64::from(self.number()));
        high << 32 | low
    }

    fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[usize::from(self.byte()) % all.len()]
    }

    fn take(&mut self, most: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(most.min(self.0.len()));
        self.0 = rest;
        taken
    }
}

/// Frames of a stream that are looked at.
const MOST_FRAMES: usize = 4;

/// Y4M: a stream is read or refused, and every frame has the bytes that its format says.
pub(crate) fn y4m(data: &[u8]) {
    let begun = [b"YUV4MPEG2 ".as_slice(), data].concat();
    for stream in [data.to_vec(), begun] {
        let opened = sources::from_stream(Box::new(Cursor::new(stream)), "reel", &wishes(None));
        match opened {
            Ok(mut source) => {
                for _ in 0..MOST_FRAMES {
                    match source.next_frame() {
                        Ok(Some(frame)) => {
                            let format = &frame.format;
                            assert!(frame.data.bytes().len() >= format.buffer_bytes(format.rows));
                        }
                        Ok(None) => break,
                        Err(error) => {
                            check_message(&error.to_string());
                            break;
                        }
                    }
                }
            }
            Err(error) => check_message(&error.to_string()),
        }
    }
}

/// A failure says something, fits on a screen, and has what a stream holds escaped.
fn check_message(message: &str) {
    assert!(!message.is_empty() && message.len() < 4_000, "{message}");
    assert!(!message.chars().any(char::is_control), "{message:?}");
}

fn wishes(standard: Option<Standard>) -> Wishes {
    Wishes {
        standard: standard.map(StandardWish::Lines),
        ..Wishes::default()
    }
}

/// Limits as TOML: what is taken prints as what is taken again, the same.
pub(crate) fn limits(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match Limits::from_toml(text) {
        Ok(limits) => {
            let printed = limits.to_toml();
            let again = Limits::from_toml(&printed).expect("our own print");
            assert_eq!(again.to_toml(), printed);
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// Weights as TOML, likewise.
pub(crate) fn weights(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    if let Ok(weights) = Weights::from_toml(text) {
        let printed = weights.to_toml();
        let again = Weights::from_toml(&printed).expect("our own print");
        assert_eq!(again.to_toml(), printed);
    }
}

/// What `ffprobe` says: understood or refused.
pub(crate) fn probe(data: &[u8]) {
    for standard in [None, Some(Standard::Lines525), Some(Standard::Lines625)] {
        if let Ok(said) = sources::described_by_probe("reel.mkv", data, &wishes(standard)) {
            assert!(!said.details.is_empty());
        }
    }
}

/// Labels: one that is taken stands for a frame whose label is the same, and sums wrap at a day.
pub(crate) fn timecode(data: &[u8]) {
    let mut bytes = Bytes(data);
    let frames = FrameIndex(bytes.long().unsigned_abs());
    for counting in [Counting::At25, Counting::At30, Counting::At30Drop] {
        let label = Timecode::from_frame(frames, counting);
        assert_eq!(label.to_frame().0, frames.0 % counting.frames_a_day());
        let said: Timecode = match label.to_string().parse() {
            Ok(said) => said,
            Err(error) => panic!("{label}: {error}"),
        };
        assert_eq!(said.to_string(), label.to_string());
    }
    let Ok(text) = std::str::from_utf8(bytes.0) else {
        return;
    };
    let _ = text.parse::<Timecode>();
    for standard in [Standard::Lines525, Standard::Lines625] {
        if let Ok(label) = Timecode::parse_for(text, standard) {
            let back = Timecode::from_frame(label.to_frame(), label.counting());
            assert_eq!(back, label, "{text}");
            assert!(label.plus(frames).to_frame().0 < label.counting().frames_a_day());
        }
    }
}

/// Text of others: nothing that acts is left.
pub(crate) fn words(data: &[u8]) {
    let said = String::from_utf8_lossy(data);
    assert!(!text::one_line(&said).chars().any(text::acts));
    let mut fit = Vec::new();
    std::io::Write::write_all(&mut text::Fit::new(&mut fit), data).expect("memory takes it");
    let fit = String::from_utf8(fit).expect("only text goes out");
    assert!(
        !fit.chars()
            .any(|it| text::acts(it) && !matches!(it, '\n' | '\t'))
    );
}

/// What the headers of invented streams may say of their samples.
const SAMPLES: [&str; 12] = [
    "Cmono",
    "C420jpeg",
    "C420paldv",
    "C420mpeg2",
    "C422",
    "C411",
    "C444",
    "C444alpha",
    "Cmono10",
    "C420p10",
    "C422p10",
    "C444p16",
];

/// Rates, usual and odd.
const RATES: [&str; 6] = ["25:1", "30000:1001", "50:1", "1:1", "1000:1", "24000:1001"];

/// Widths and rows that mean something to somebody; every other is made too.
const WIDTHS: [usize; 8] = [1, 16, 352, 640, 704, 720, 768, 1920];
const ROWS: [usize; 8] = [1, 2, 16, 240, 480, 486, 576, 1080];

/// Samples of a frame, so that one input takes milliseconds.
const MOST_SAMPLES: usize = 720 * 576;

/// Fields put through all measures: more than any of them looks back on.
const MOST_FIELDS: usize = 24;

/// A stream of frames invented from bytes: its header, then each frame from a few bytes.
pub(crate) fn invented_stream(data: &[u8]) -> (Vec<u8>, Wishes) {
    let mut bytes = Bytes(data);
    let side = |bytes: &mut Bytes<'_>, usual: &[usize]| match bytes.byte() {
        kind if kind < 160 => bytes.one_of(usual),
        _ => 1 + bytes.number() as usize % 800,
    };
    let width = side(&mut bytes, &WIDTHS);
    let rows = side(&mut bytes, &ROWS).min(MOST_SAMPLES / width).max(1);
    let samples = bytes.one_of(&SAMPLES);
    let order = bytes.one_of(&["p", "t", "b", "m", "?"]);
    let rate = bytes.one_of(&RATES);
    let range = bytes.one_of(&["", " XCOLORRANGE=FULL", " XCOLORRANGE=LIMITED"]);
    let standard = bytes.one_of(&[None, Some(Standard::Lines525), Some(Standard::Lines625)]);
    let header = format!("YUV4MPEG2 W{width} H{rows} F{rate} I{order} {samples}{range}\n");
    let frame_bytes = frame_bytes(&header);
    let mut stream = header.into_bytes();
    let mut before = vec![16; frame_bytes];
    let count = 1 + usize::from(bytes.byte()) % (MOST_FIELDS / 2);
    for _ in 0..count {
        stream.extend(b"FRAME\n");
        paint(&mut bytes, &mut before, width);
        stream.extend(&before);
    }
    (stream, wishes(standard))
}

/// Bytes of a frame by its header's own word, counted without the reader under test.
fn frame_bytes(header: &str) -> usize {
    let number = |letter| {
        let tag = header.split(' ').find_map(|tag| tag.strip_prefix(letter));
        tag.and_then(|text| text.trim().parse().ok()).unwrap_or(0)
    };
    let (width, rows): (usize, usize) = (number('W'), number('H'));
    let samples = header
        .split(' ')
        .find_map(|tag| tag.strip_prefix('C'))
        .unwrap_or("")
        .trim();
    let chroma = match samples.get(..3) {
        Some("420") => 2 * width.div_ceil(2) * rows.div_ceil(2),
        Some("422") => 2 * width.div_ceil(2) * rows,
        Some("411") => 2 * width.div_ceil(4) * rows,
        Some("444") if samples.ends_with("alpha") => 3 * width * rows,
        Some("444") => 2 * width * rows,
        _ => 0,
    };
    let bytes_a_sample = if samples.ends_with("10") || samples.ends_with("p16") {
        2
    } else {
        1
    };
    (width * rows + chroma) * bytes_a_sample
}

/// Paints the next frame over the one before.
fn paint(bytes: &mut Bytes<'_>, frame: &mut [u8], width: usize) {
    let (kind, code) = (bytes.byte(), bytes.byte());
    let place = |at: usize| (at % width, at / width);
    match kind % 11 {
        0 => frame.fill(code),
        1 => {
            let mut state = u64::from(bytes.number()) | 1;
            for sample in frame {
                // Marsaglia's xorshift: noise that the program's own generator has no part in
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                *sample = (state >> 32) as u8;
            }
        }
        2 => {
            for (at, sample) in frame.iter_mut().enumerate() {
                let (column, row) = place(at);
                *sample = if (column ^ row) & 1 == 0 { 0 } else { 255 };
            }
        }
        3 => {
            let period = 1 + usize::from(code) % 64;
            for (at, sample) in frame.iter_mut().enumerate() {
                *sample = if place(at).0 / period % 2 == 0 {
                    0
                } else {
                    255
                };
            }
        }
        4 => {
            let period = 1 + usize::from(code) % 64;
            for (at, sample) in frame.iter_mut().enumerate() {
                *sample = if place(at).1 / period % 2 == 0 {
                    16
                } else {
                    235
                };
            }
        }
        5 => {
            for (at, sample) in frame.iter_mut().enumerate() {
                let (column, row) = place(at);
                *sample = (column.wrapping_mul(usize::from(code)) + row) as u8;
            }
        }
        6 => {
            // a picture between borders, each row displaced on its own
            let mut shift = 0;
            for (at, sample) in frame.iter_mut().enumerate() {
                let (column, row) = place(at);
                if column == 0 {
                    shift = row.wrapping_mul(usize::from(code) + 1) % 9;
                }
                let inside = column > 12 + shift && column + 12 < width + shift;
                *sample = if inside {
                    60 + (column * 3 + row) as u8 % 120
                } else {
                    16
                };
            }
        }
        7 => frame.rotate_right(usize::from(code) % frame.len().max(1)),
        8 => {
            let tile = bytes.take(1 + usize::from(code) % 64);
            if !tile.is_empty() {
                let tiles = tile.iter().cycle();
                frame
                    .iter_mut()
                    .zip(tiles)
                    .for_each(|(sample, tile)| *sample = *tile);
            }
        }
        9 => {
            let spread = 1 + usize::from(code);
            for sample in frame.iter_mut().step_by(spread) {
                *sample = !*sample;
            }
        }
        _ => {} // the same again
    }
}

/// The whole chain of measures on any frames: every value is finite and one that its quantity may have.
pub(crate) fn measures(data: &[u8]) {
    let (stream, wishes) = invented_stream(data);
    let opened = sources::from_stream(Box::new(Cursor::new(stream)), "invented", &wishes);
    let mut source = opened.expect("a stream of our own making");
    let mut chain = Chain::new(source.as_ref());
    while let Some(frame) = source.next_frame().expect("a stream of our own making") {
        chain.take(&frame);
    }
    chain.finish();
}

/// Everything between a frame and what is kept of it.
pub(crate) struct Chain {
    splitter: Splitter,
    history: History,
    suite: Suite,
    alarms: Alarms,
    statistics: Statistics,
    log: EventLog,
    live: Live,
    waveform: Waveform,
    keeper: Keeper,
    changes: Vec<trueline::alarms::Change>,
}

impl Chain {
    /// The chain for a source.
    pub(crate) fn new(source: &dyn Source) -> Self {
        let limits = Limits::default();
        let standard = source.format().standard;
        let counting = Counting::usual(standard.unwrap_or(Standard::Lines625));
        let clock = PassClock {
            start: Timecode::zero(counting),
        };
        let head = live::Head {
            source: source.description().name.clone(),
            tape: None,
            recorded_to: None,
            standard,
            sample_rate: source.format().sample_rate,
            range: CodeRange::Studio,
            clock,
        };
        Self {
            splitter: Splitter::new(),
            history: History::default(),
            suite: Suite::new(),
            alarms: Alarms::new(&limits, clock),
            statistics: Statistics::new(&limits.numbers),
            log: EventLog::new(),
            live: Live::new(head),
            waveform: Waveform::new(),
            keeper: Keeper::default(),
            changes: Vec::new(),
        }
    }

    /// Takes a frame.
    pub(crate) fn take(&mut self, frame: &Frame) {
        let Self {
            splitter,
            history,
            suite,
            alarms,
            statistics,
            log,
            live,
            waveform,
            keeper,
            changes,
        } = self;
        splitter.split(frame, history, |history| {
            let around = history.neighbourhood().expect("a field is the newest");
            let readings = suite.measure(&around);
            check_readings(&readings);
            let row = Row::from(&readings);
            alarms.observe(&readings, changes);
            statistics.observe(&row, alarms.programme());
            waveform.trace(around.field);
            live.observe(&readings, changes);
            live.exchange_waveform(waveform);
            keeper.observe(&around, &readings, changes, alarms.worst_so_far());
            while let Some(exhibit) = keeper.take() {
                assert!(exhibit.jpeg.len() < 1 << 20);
            }
            for change in changes.drain(..) {
                let event = change.event();
                assert!(event.worst.is_none_or(f64::is_finite), "{event:?}");
                log.apply(&change);
            }
        });
    }

    /// What is said at the end.
    pub(crate) fn finish(&mut self) {
        self.statistics.finish(self.alarms.programme());
        for (quantity, figures) in self.statistics.figures() {
            let json = serde_json::to_string(&figures).expect("figures are finite");
            // what is no finite number is written as null, as is what was never measured
            let measured = !json.contains("\"n\":0");
            assert!(
                !(measured && json.contains("null")),
                "{}: {json}",
                quantity.id
            );
        }
    }
}

fn check_readings(readings: &Readings) {
    let row = Row::from(readings);
    for (quantity, value) in quantities().zip(row.values) {
        let fits = match value {
            None | Some(Value::Count(_)) => true,
            Some(Value::Number { value, sigma }) => {
                value.is_finite() && sigma.is_none_or(|sigma| sigma.is_finite() && sigma >= 0.0)
            }
            Some(Value::Word(word)) => quantity.words.contains(&word),
        };
        assert!(fits, "{} is {value:?}", quantity.id);
    }
    for (row, shift) in readings.line_timing.lines.usable() {
        let sound = shift.displacement.0.is_finite() && shift.sigma.0.is_finite();
        assert!(sound, "row {row}: {shift:?}");
    }
}

/// A pass that somebody has tampered with: `base` with bytes or values of the input's choice in it. It is read in every way there is, or
/// refused.
pub(crate) fn pass(base: &[u8], data: &[u8]) {
    let scratch = Scratch::new();
    let path = scratch.0.path().join("a.pass");
    let mut bytes = Bytes(data);
    match bytes.byte() % 4 {
        0 => std::fs::write(&path, bytes.0).expect("room"),
        1 | 2 => {
            let mut file = base.to_vec();
            while !bytes.0.is_empty() {
                let at = bytes.number() as usize % file.len();
                file[at] = bytes.byte();
            }
            std::fs::write(&path, file).expect("room");
        }
        _ => {
            std::fs::write(&path, base).expect("room");
            tamper(&path, &mut bytes);
        }
    }
    read_in_every_way(&path, scratch.0.path());
}

/// A directory in memory, where there is one.
struct Scratch(tempfile::TempDir);

impl Scratch {
    fn new() -> Self {
        let memory = Path::new("/dev/shm");
        let made = if memory.is_dir() {
            tempfile::tempdir_in(memory)
        } else {
            tempfile::tempdir()
        };
        Self(made.expect("a directory"))
    }
}

/// Tables and how they are changed.
const TABLES: [&str; 14] = [
    "pass",
    "settings",
    "quantities",
    "words",
    "readings",
    "seconds",
    "lines",
    "event_rows",
    "programme",
    "gaps",
    "handed_on",
    "exhibits",
    "fingerprints",
    "sqlite_schema",
];

/// Puts values where others stand, as any program that knows SQL can.
fn tamper(path: &Path, bytes: &mut Bytes<'_>) {
    let connection = rusqlite::Connection::open(path).expect("our own pass");
    let _ =
        connection.execute_batch("PRAGMA ignore_check_constraints = 1; PRAGMA writable_schema = 1");
    for _ in 0..16 {
        if bytes.0.is_empty() {
            break;
        }
        let table = bytes.one_of(&TABLES);
        let Ok(statement) = connection.prepare(&format!("SELECT * FROM {table}")) else {
            continue;
        };
        let columns: Vec<String> = statement.column_names().map(str::to_owned).collect();
        drop(statement);
        let column = &columns[usize::from(bytes.byte()) % columns.len()];
        let (which, value) = (bytes.byte(), value(bytes));
        // Constraints of type are in the way of an honest program; what breaks one is left out.
        let _ = match which {
            0..=30 => connection.execute(&format!("DELETE FROM {table}"), ()),
            31..=50 => connection.execute(
                &format!("INSERT INTO {table} SELECT * FROM {table} LIMIT 1"),
                (),
            ),
            51..=60 => {
                connection.execute(&format!("ALTER TABLE {table} DROP COLUMN \"{column}\""), ())
            }
            _ => connection.execute(
                &format!(
                    "UPDATE {table} SET \"{column}\" = ?1 WHERE _rowid_ % {} = 0",
                    1 + which % 3
                ),
                [value],
            ),
        };
    }
}

fn value(bytes: &mut Bytes<'_>) -> Sql {
    match bytes.byte() % 9 {
        0 => Sql::Null,
        1 => Sql::Integer(bytes.long()),
        2 => Sql::Integer(bytes.one_of(&[0, 1, -1, i64::MAX, i64::MIN, 1 << 31, 1 << 53, 65_535])),
        3 => Sql::Real(f64::from_bits(bytes.long().cast_unsigned())),
        4 => Sql::Real(bytes.one_of(&[0.0, -1.0, f64::MAX, f64::MIN_POSITIVE, f64::INFINITY])),
        5 => Sql::Text(String::from_utf8_lossy(bytes.take(24)).into_owned()),
        6 => Sql::Blob(bytes.take(48).to_vec()),
        7 => Sql::Text("x".repeat(usize::from(bytes.byte()) << 10)),
        _ => Sql::Integer(i64::from(bytes.byte())),
    }
}

/// Everything that any command reads of a pass.
fn read_in_every_way(path: &Path, scratch: &Path) {
    let Ok(pass) = Pass::open(path) else {
        let _ = marks::is_finished(path);
        return;
    };
    let everything = FieldIndex(0)..FieldIndex(u64::MAX);
    // An error is an answer; what must not be is a panic, a loop without end, or memory without bound.
    let rows = pass.rows(everything.clone()).take(10_000);
    for row in rows.map_while(Result::ok) {
        for value in row.values.into_iter().flatten() {
            assert!(value.number().is_none_or(f64::is_finite), "{value:?}");
        }
    }
    if let Ok(lines) = pass.lines(everything) {
        lines.take(10_000).map_while(Result::ok).for_each(drop);
    }
    pass.prints()
        .take(10_000)
        .map_while(Result::ok)
        .for_each(drop);
    let _ = (
        pass.gaps(),
        pass.found(),
        pass.scanned(),
        pass.handed_on(),
        pass.summary(),
    );
    if let Ok(events) = pass.exhibited() {
        for event in events.into_iter().take(100) {
            let exhibits = pass.exhibits(event).unwrap_or_default();
            for exhibit in exhibits {
                let _ = exhibit.trace();
            }
        }
    }
    let table = |what, format| Document::Table(what, format);
    for (number, document) in [
        table(What::Events, Format::Csv),
        table(What::Fields, Format::Jsonl),
        table(What::Spans, Format::Parquet),
        Document::Cues,
        Document::Chapters,
    ]
    .into_iter()
    .enumerate()
    {
        let to = scratch.join(number.to_string());
        let _ = export(&pass, document, &Destination::File(to));
    }
    if let Ok(finished) = Finished::of(&pass) {
        let pictures = worst_exhibits(&pass, &finished.events, report::MOST_PICTURED);
        let reported = Reported {
            path: PathBuf::from("a.pass"),
            head: pass.head().clone(),
            closed_at: pass.closed_at().map(str::to_owned),
            found: pass.found().unwrap_or_default(),
            finished,
            pictures: pictures.unwrap_or_default(),
        };
        let page = report::page(&[reported]).expect("every template has its values");
        assert!(
            !page
                .chars()
                .any(|it| text::acts(it) && !matches!(it, '\n' | '\t'))
        );
    }
    if let Ok(Some(summary)) = pass.summary() {
        let _ = serde_json::from_value::<Summary>(summary);
    }
    drop(pass);
    let _ = marks::is_finished(path);
}
