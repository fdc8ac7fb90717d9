//! A pass from opening its source to closing its file: what `watch` and `scan` share.
//!
//! In: an opened source and the operator's [`PassJob`]. Out: what analysis and pass file must know, then the file being
//! written, at last the [`Summary`].
//!
//! Does not know: whether anybody watches.

use std::path::{Path, PathBuf};
use std::thread::JoinHandle;

use anyhow::{Context, Result, anyhow};

use crate::alarms::PassClock;
use crate::cli::{PassJob, RecordTo};
use crate::record::{
    Closed, Closing, Interrupted, PassHead, Readiness, RecordError, Scanned, Summary, WhenFull,
    Writer, WriterWatch, create, default_path, passes_directory, put_directory_in_order,
};
use crate::sources::{FieldOrder, IntervalFigures, Source, SourceDescription};
use crate::standard::Standard;
use crate::text;
use crate::timecode::{Counting, Timecode};
use crate::units::Ire;
use crate::views::console::{self, Ink};

use super::analysis::{Analysis, End, PassPlan};
use super::capture::{Capture, PATIENCE};
use super::learn::InForce;
use super::sinks::Recorder;
use super::tee::Tee;
use super::{say, say_inked};

/// What is known of a pass before its first frame.
pub(super) struct Prepared {
    /// What the analysis must know.
    pub plan: PassPlan,
    /// What the file says it is of.
    pub head: PassHead,
}

/// Works out what a pass is of.
///
/// # Errors
/// A start timecode that the source's standard does not have.
pub(super) fn prepare(
    source: &dyn Source,
    job: &PassJob,
    limits: InForce,
    keep_lines: bool,
) -> Result<Prepared> {
    let format = source.format();
    let standard = format.standard;
    let start = start_timecode(job.start_timecode.as_deref(), standard)?;
    let head = PassHead {
        program: env!("CARGO_PKG_VERSION").to_owned(),
        started_at: wall_clock(),
        tape: job.tape.clone(),
        chain: job.chain.clone(),
        player: job.player.clone(),
        pass_box: job.pass_through.clone(),
        speed: job.speed,
        settings: job.settings.clone(),
        source: source.description().clone(),
        standard,
        field_order: format.field_order.unwrap_or(FieldOrder::Top),
        range: format.range,
        setup: job.setup.unwrap_or_else(|| usual_setup(standard)),
        field_period: standard.unwrap_or(Standard::Lines625).field_period(),
        sample_rate: format.sample_rate,
        start,
        limits: limits.text,
        keep_lines,
    };
    let plan = PassPlan {
        source: source.description().name.clone(),
        standard,
        sample_rate: format.sample_rate,
        clock: PassClock { start },
        limits: limits.limits,
        length: job.duration,
    };
    Ok(Prepared { plan, head })
}

fn start_timecode(typed: Option<&str>, standard: Option<Standard>) -> Result<Timecode> {
    let standard = standard.unwrap_or(Standard::Lines625);
    match typed {
        Some(text) => Timecode::parse_for(text, standard).context("reading --start-timecode"),
        None => Ok(Timecode::zero(Counting::usual(standard))),
    }
}

/// Set-up of a standard where nobody says otherwise (SMPTE 170M Table 1; BT.1700 Parts B and C).
fn usual_setup(standard: Option<Standard>) -> Ire {
    match standard {
        Some(Standard::Lines525) => Ire(7.5),
        Some(Standard::Lines625) | None => Ire(0.0),
    }
}

/// The wall clock for people, never for arithmetic.
fn wall_clock() -> String {
    jiff::ZonedDateTime::now()
        .strftime("%Y-%m-%dT%H:%M:%S%:z")
        .to_string()
}

/// Puts passes in order, where the new one is to be kept, whose recorder was ended before it could close them; and says so.
pub(super) fn put_earlier_in_order(record: &RecordTo) {
    let directory = match record {
        RecordTo::Nowhere => return,
        RecordTo::File(path) if path.is_dir() => path.clone(),
        RecordTo::File(path) => match path.parent() {
            Some(parent) if parent.as_os_str().is_empty() => PathBuf::from("."),
            Some(parent) => parent.to_owned(),
            None => return,
        },
        // What is wrong with it is told when the pass is made.
        RecordTo::DataDirectory => match passes_directory() {
            Ok(directory) => directory,
            Err(_) => return,
        },
    };
    for done in put_directory_in_order(&directory, &wall_clock()) {
        match done {
            Ok(Interrupted {
                path,
                last_timecode,
                ..
            }) => {
                let reaches = last_timecode.map_or_else(
                    || String::from("it holds no field"),
                    |timecode| format!("it reaches to {timecode}"),
                );
                say(&format!(
                    "{} was cut short and has been closed as interrupted: {reaches}",
                    path.display()
                ));
            }
            Err(error) => say(&format!("{:#}", anyhow::Error::from(error))),
        }
    }
}

/// A pass file being written on a thread of its own.
pub(super) struct Recording {
    path: PathBuf,
    watch: WriterWatch,
    thread: JoinHandle<Result<Closed, RecordError>>,
    /// The file that is scanned, if one is.
    scanned: Option<Scanned>,
    /// What was found out beside the picture: name and words.
    notes: Vec<(String, String)>,
    told: bool,
}

impl Recording {
    /// Makes the file and starts its thread; `None` where no pass is wanted.
    ///
    /// # Errors
    /// The file exists or cannot be made.
    pub(super) fn start(record: &RecordTo, head: &PassHead) -> Result<Option<(Self, Recorder)>> {
        let path = match record {
            RecordTo::Nowhere => return Ok(None),
            RecordTo::File(path) => path.clone(),
            RecordTo::DataDirectory => default_path(&jiff::ZonedDateTime::now())?,
        };
        // A live source cannot wait for the disk.
        let when_full = if head.source.live {
            WhenFull::Drop
        } else {
            WhenFull::Wait
        };
        let (sender, writer) = create(&path, head, when_full)?;
        let watch = sender.watch();
        let thread = std::thread::Builder::new()
            .name("pass writer".into())
            .spawn(move || Writer::run(writer))
            .context("starting the thread that writes the pass")?;
        Ok(Some((
            Self {
                path,
                watch,
                thread,
                scanned: None,
                notes: Vec::new(),
                told: true,
            },
            Recorder::new(sender),
        )))
    }

    /// The same of a file that is scanned: once the whole of it was, the pass says so.
    pub(super) fn of_file(self, scanned: Option<Scanned>) -> Self {
        Self { scanned, ..self }
    }

    /// The same without a word about where it is kept.
    pub(super) fn untold(self) -> Self {
        Self {
            told: false,
            ..self
        }
    }

    /// Keeps what was found out beside the picture, to be stored at the end.
    pub(super) fn note(&mut self, name: &str, words: String) {
        self.notes.push((name.to_owned(), words));
    }

    /// The file.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// How the writing goes.
    pub(super) fn watch(&self) -> &WriterWatch {
        &self.watch
    }

    /// Stores the summary and closes the file.
    ///
    /// # Errors
    /// The last of it could not be stored; the file holds what was committed before.
    fn close(
        self,
        recorder: Recorder,
        summary: &Summary,
        found: Vec<(String, String)>,
        whole: bool,
    ) -> Result<()> {
        let closing = Closing {
            scanned: self.scanned.filter(|_| whole),
            summary: serde_json::to_string(summary).context("writing the summary as JSON")?,
            closed_at: wall_clock(),
            found: found.into_iter().chain(self.notes).collect(),
        };
        let sent = recorder
            .into_sender()
            .and_then(|sender| sender.close(closing));
        let written = self
            .thread
            .join()
            .map_err(|_panic| anyhow!("the thread that writes the pass panicked"))?;
        let closed = written.and_then(|closed| sent.map(|()| closed));
        let closed = closed.with_context(|| format!("closing the pass {}", self.path.display()))?;
        if self.told {
            say(&format!("pass kept in {}", self.path.display()));
        }
        if closed == Closed::LogBeside {
            say(
                "another program has the pass open: its log stays beside it until that one closes it",
            );
        }
        Ok(())
    }
}

/// Ends the capture, sums up and closes the pass, whatever became of the analysis.
///
/// # Errors
/// The analysis failed, a thread panicked, or the end of the pass could not be stored.
pub(super) fn conclude(
    analysed: Result<End>,
    capture: Capture,
    mut analysis: Analysis,
    recording: Option<Recording>,
    tee: Option<&Tee>,
) -> Result<(Summary, Readiness, End)> {
    let whole = matches!(analysed, Ok(End::Whole));
    let intervals = capture.seen().intervals.figures();
    let intervals = intervals.map(|figures| ("frame intervals".to_owned(), in_numbers(&figures)));
    let said = analysis
        .input_in_words()
        .map(|said| ("input state".to_owned(), said));
    let found = intervals.into_iter().chain(said).collect();
    let ending = capture.end();
    let note = tee.and_then(|tee| tee.late_note(PATIENCE));
    let told = note.map_or(Ok(()), |note| analysis.overrun(&note));
    let events = told.and(analysis.close_events());
    let readiness = analysis.readiness();
    let (summary, recorder) = analysis.sum_up();
    let closed = summary.and_then(|summary| {
        if let (Some(recording), Some(recorder)) = (recording, recorder) {
            recording.close(recorder, &summary, found, whole)?;
        }
        Ok(summary)
    });
    // Last of all: a source that is stuck must not keep the pass from being closed.
    let captured = ending.wait(PATIENCE);
    // A sink that failed fails again while things are closed: its first failure is the one to tell.
    let end = analysed?;
    match (events.and(captured).and(closed), end) {
        (Ok(summary), end) => Ok((summary, readiness, end)),
        (Err(closing), End::Failed(error)) => Err(closing.context(format!("{error:#}"))),
        (Err(closing), _) => Err(closing),
    }
}

/// The verdict, group by group, and its reasons, for people.
pub(super) fn tell(summary: &Summary) {
    for line in console::summary(summary, Ink::of_stderr()) {
        say_inked("trueline: ", &line);
    }
}

/// Whether the chain is ready to transfer the tape, for people.
pub(super) fn tell_readiness(readiness: &Readiness, whose: Option<&str>) {
    let whose = whose.map_or(String::new(), |name| format!("{}: ", text::one_line(name)));
    for line in console::readiness(readiness, Ink::of_stderr()) {
        say_inked("trueline: ", &format!("{whose}{line}"));
    }
}

/// How evenly a device delivered, for people.
pub(super) fn evenness(figures: &IntervalFigures) -> String {
    format!("frames by the device's clock: {}", in_numbers(figures))
}

fn in_numbers(figures: &IntervalFigures) -> String {
    format!(
        "every {:.3} ms, jitter {:.3} ms rms, at most {:.2} ms off",
        figures.mean.0, figures.jitter.0, figures.worst.0
    )
}

/// What the operator should know of a source before it runs.
pub(super) fn remarks(description: &SourceDescription) -> impl Iterator<Item = &str> {
    description.remarks.iter().map(String::as_str)
}
