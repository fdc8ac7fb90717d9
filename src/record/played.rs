//! A scripted pass through alarms and statistics, for tests.

use super::{
    Closing, Evidence, Pass, PassFacts, PassHead, ProgrammeSpan, Row, Statistics, Summary,
    WhenFull, create,
};
use crate::alarms::EventLog;
use crate::alarms::script::{Played, clock};
use crate::limits::Limits;
use crate::measures::Readings;
use crate::sources::FieldOrder;
use crate::standard::Standard;
use crate::units::Hertz;

/// So many fields, each made by a function of its index.
pub(crate) type Stretch<'a> = (u64, &'a dyn Fn(u64) -> Readings);

/// All that a verdict and a summary are made of.
pub(crate) struct PlayedPass {
    pub(crate) played: Played,
    pub(crate) statistics: Statistics,
    pub(crate) log: EventLog,
    pub(crate) limits: Limits,
}

/// Plays stretches to their end, after which the pass is over.
pub(crate) fn pass_of(stretches: &[Stretch<'_>]) -> PlayedPass {
    let limits = Limits::default();
    let mut played = Played::new();
    let mut statistics = Statistics::new(&limits.numbers);
    for (fields, field) in stretches {
        for _ in 0..*fields {
            let row = Row::from(&field(played.next));
            played = played.play(1, field);
            statistics.observe(&row, played.alarms.programme());
        }
    }
    let played = played.finish();
    statistics.finish(played.alarms.programme());
    let mut log = EventLog::new();
    for change in &played.changes {
        log.apply(change);
    }
    PlayedPass {
        played,
        statistics,
        log,
        limits,
    }
}

/// Whether a pass has a summary.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    /// It was closed.
    Closed,
    /// It has none.
    CutShort,
}

/// A scripted pass as a file, and what it was made of.
pub(crate) fn stored(
    head: &PassHead,
    stretches: &[Stretch<'_>],
    end: End,
) -> (tempfile::TempDir, Pass, PlayedPass) {
    let played = pass_of(stretches);
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("a.pass");
    let (mut sender, writer) = create(&path, head, WhenFull::Wait).expect("a new pass");
    let writing = std::thread::spawn(move || writer.run());
    let mut next = 0;
    for (fields, field) in stretches {
        for _ in 0..*fields {
            let row = Row::from(&field(next));
            sender.field(&row, None).expect("a writer");
            next += 1;
        }
    }
    for event in played.log.events() {
        sender.event(event).expect("a writer");
    }
    let spans = played.played.alarms.programme().spans().iter();
    let spans: Vec<ProgrammeSpan> = spans.map(ProgrammeSpan::from).collect();
    sender.programme(&spans).expect("a writer");
    let summary = match end {
        End::CutShort => String::from("{}"),
        End::Closed => {
            let facts = PassFacts {
                source: String::from("tape:ferry-street"),
                standard: Some(Standard::Lines525),
                field_order: FieldOrder::Bottom,
            };
            let summary = Summary::new(facts, evidence(&played)).expect("finite figures");
            serde_json::to_string(&summary).expect("plain data")
        }
    };
    let closing = Closing {
        found: Vec::new(),
        scanned: None,
        summary,
        closed_at: "2026-03-01T20:05:00+00:00".to_owned(),
    };
    sender.close(closing).expect("a writer");
    writing.join().expect("no panic").expect("a closed pass");
    (scratch, Pass::open(&path).expect("the pass"), played)
}

/// What is judged of it while it runs.
pub(crate) fn evidence(pass: &PlayedPass) -> Evidence<'_> {
    Evidence {
        statistics: &pass.statistics,
        spans: pass.played.alarms.programme().spans(),
        log: &pass.log,
        coverage: pass.played.alarms.coverage(),
        limits: &pass.limits,
        clock: clock(),
        sample_rate: Some(Hertz(13.5e6)),
    }
}
