//! `trueline scan` of several files: as many at once as there are cores, each with a pass of its own, one table at the end.
//!
//! In: a [`ScanJob`] and its files and directories. Out: passes, summaries on stdout where asked for, the table on stderr, and how
//! it ended. A file that was scanned before with the same options, limits and version is not scanned again: its pass says so.
//!
//! Each file has one thread that measures and one that reads, which waits for the other: the cores are shared out by
//! files, not within them. A file that fails leaves the others going.
//!
//! Does not know: how a single one is scanned.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use anyhow::{Context, Result, anyhow, bail};
use indicatif::MultiProgress;

use crate::cli::{RecordTo, ScanJob};
use crate::limits::Limits;
use crate::record::{Pass, Scanned, Summary, Verdict, passes_directory};
use crate::sources::{Place, video_files};
use crate::views::console::{self, Ink, Row, Word};

use super::analysis::End;
use super::learn::InForce;
use super::pass::{self, Recording};
use super::scan::{self, Scan};
use super::signals::Interrupt;
use super::sinks::{Progress, Sink, put_line, typed};
use super::team::Team;
use super::{Outcome, say, say_inked};

/// Measures files.
///
/// # Errors
/// There is no file to measure, or no place for passes. What goes wrong with one file is in the table.
pub(super) fn run(
    job: &ScanJob,
    paths: &[PathBuf],
    limits: &InForce,
    interrupt: &Interrupt,
) -> Result<Outcome> {
    let files = files(paths)?;
    let directory = directory(&job.pass.record)?;
    let known = directory
        .as_deref()
        .map_or_else(Vec::new, |directory| known_passes(directory, limits));
    let begun: Vec<Task<'_>> = files
        .iter()
        .map(|file| Task::of(job, file, &known))
        .collect();
    let batch = Batch {
        job,
        limits,
        interrupt,
        directory,
        bars: io::stderr().is_terminal().then(MultiProgress::new),
        naming: Mutex::new(()),
        told: Mutex::new(Told {
            ready: BTreeMap::new(),
            next: 0,
        }),
        alone: begun.iter().filter(|task| task.known.is_none()).count() == 1,
    };
    let done = batch.run_all(&begun)?;
    let rows: Vec<Row> = files
        .iter()
        .zip(&done)
        .map(|(file, done)| done.row(file))
        .collect();
    for line in console::table(&rows, Ink::of_stderr()) {
        say_inked("", &line);
    }
    Ok(outcome(job, &done))
}

fn outcome(job: &ScanJob, done: &[Done]) -> Outcome {
    let any = |matches: fn(&Done) -> bool| done.iter().any(matches);
    if any(|done| matches!(done, Done::Stopped(_))) {
        Outcome::Interrupted
    } else if any(|done| matches!(done, Done::Failed(..))) {
        Outcome::Failed
    } else if job.strict && !done.iter().all(Done::is_clean) {
        Outcome::NotClean
    } else {
        Outcome::Done
    }
}

/// What became of a file.
enum Done {
    /// It was measured, now or (`true`) before.
    Measured(Box<Summary>, bool),
    /// It was not, or not to its end: how long what was measured is, if anything was.
    Failed(anyhow::Error, Option<f64>),
    /// Somebody asked for the end; how long what was measured is, if it was begun.
    Stopped(Option<f64>),
}

impl Done {
    fn is_clean(&self) -> bool {
        matches!(self, Self::Measured(summary, _) if summary.verdict == Verdict::Clean)
    }

    fn row(&self, file: &Path) -> Row {
        let (seconds, word, note) = match self {
            Self::Measured(summary, before) => {
                let first = summary.reasons.first().map_or("", String::as_str);
                let note = match (before, first) {
                    (false, first) => first.to_owned(),
                    (true, "") => String::from("already scanned"),
                    (true, first) => format!("already scanned: {first}"),
                };
                let word = Word::Judged(summary.verdict);
                (Some(summary.seconds), word, note)
            }
            Self::Failed(error, seconds) => (*seconds, Word::Failed, on_one_line(error)),
            Self::Stopped(seconds) => {
                let note = if seconds.is_some() { "" } else { "not begun" };
                (*seconds, Word::Stopped, note.to_owned())
            }
        };
        Row {
            file: file.display().to_string(),
            seconds,
            word,
            note,
        }
    }

    /// As a line of JSON.
    fn line(&self, file: &Path) -> Result<Option<String>> {
        match self {
            Self::Measured(summary, _) => typed("summary", summary).map(Some),
            Self::Failed(error, _) => {
                let failure = serde_json::json!({
                    "source": file.display().to_string(),
                    "error": on_one_line(error),
                });
                typed("failure", &failure).map(Some)
            }
            Self::Stopped(_) => Ok(None),
        }
    }
}

fn on_one_line(error: &anyhow::Error) -> String {
    format!("{error:#}").replace(['\n', '\r'], " ")
}

/// A file, and its summary where it was scanned before.
struct Task<'a> {
    file: &'a Path,
    scanned: Option<Scanned>,
    known: Option<Summary>,
}

impl<'a> Task<'a> {
    fn of(job: &ScanJob, file: &'a Path, known: &[Known]) -> Self {
        let scanned = scan::seen(job, file);
        let same = |known: &&Known| {
            let scanned = scanned.as_ref();
            scanned.is_some_and(|scanned| known.scanned.is_same_work(scanned))
        };
        let known = known.iter().find(same).map(|known| Summary {
            // The file may have another name by now.
            source: file.display().to_string(),
            ..known.summary.clone()
        });
        Self {
            file,
            scanned,
            known,
        }
    }
}

/// What all that measure share.
struct Batch<'a> {
    job: &'a ScanJob,
    limits: &'a InForce,
    interrupt: &'a Interrupt,
    /// Where passes go; `None`: none are kept.
    directory: Option<PathBuf>,
    bars: Option<MultiProgress>,
    /// Held while a pass is given a name and made.
    naming: Mutex<()>,
    told: Mutex<Told>,
    /// One file is left to be measured: then two cores share its rows.
    alone: bool,
}

/// Lines for stdout, which come in the order of the files.
struct Told {
    /// Of files of which it is known: the line, if there is one.
    ready: BTreeMap<usize, Option<String>>,
    /// The first file of which nothing was told.
    next: usize,
}

impl Batch<'_> {
    fn run_all(&self, tasks: &[Task<'_>]) -> Result<Vec<Done>> {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let next = AtomicUsize::new(0);
        let done: Vec<Mutex<Option<Done>>> = tasks.iter().map(|_| Mutex::new(None)).collect();
        let work = || -> Result<()> {
            loop {
                let at = next.fetch_add(1, Ordering::Relaxed);
                let Some(task) = tasks.get(at) else {
                    return Ok(());
                };
                let ended = self.one(task);
                self.tell(at, ended.line(task.file)?)?;
                *lock(&done[at]) = Some(ended);
            }
        };
        std::thread::scope(|scope| {
            let workers = (0..cores.min(tasks.len()))
                .map(|nth| {
                    std::thread::Builder::new()
                        .name(format!("scan {}", nth + 1))
                        .spawn_scoped(scope, work)
                        .context("starting the threads that scan")
                })
                .collect::<Result<Vec<_>>>()?;
            // A worker that panicked has left its file without a word, which is told below.
            let ends = workers
                .into_iter()
                .map(|worker| worker.join().unwrap_or(Ok(())));
            ends.collect::<Result<Vec<()>>>()
        })?;
        let ends = done.into_iter().map(|done| {
            let done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
            done.unwrap_or_else(|| {
                Done::Failed(anyhow!("the thread that measured it panicked"), None)
            })
        });
        Ok(ends.collect())
    }

    fn one(&self, task: &Task<'_>) -> Done {
        if let Some(summary) = &task.known {
            return Done::Measured(Box::new(summary.clone()), true);
        }
        if self.interrupt.stop().is_set() {
            return Done::Stopped(None);
        }
        match self.measure(task) {
            Ok((summary, End::Whole)) => Done::Measured(Box::new(summary), false),
            Ok((summary, End::Asked)) => Done::Stopped(Some(summary.seconds)),
            Ok((summary, End::Failed(error))) => Done::Failed(error, Some(summary.seconds)),
            Err(error) => Done::Failed(error, None),
        }
    }

    fn measure(&self, task: &Task<'_>) -> Result<(Summary, End)> {
        let place = Place::File(task.file.to_owned());
        let (source, prepared) = scan::open(self.job, &place, self.limits.clone())?;
        let name = task.file.display().to_string();
        for remark in pass::remarks(source.description()) {
            self.say(&format!("{name}: {remark}"));
        }
        let started = match &self.directory {
            None => None,
            Some(directory) => {
                let _named = lock(&self.naming);
                let to = RecordTo::File(free_name(directory, task.file));
                Recording::start(&to, &prepared.head)?
            }
        };
        let (recording, recorder) = started.unzip();
        let recording = recording.map(|recording| recording.of_file(task.scanned.clone()).untold());
        let mut sinks: Vec<Box<dyn Sink>> = Vec::new();
        if let Some(bars) = &self.bars {
            let frames = source.description().frames;
            sinks.push(Box::new(Progress::among(bars, &name, frames)));
        }
        let team = if self.alone {
            Team::gather(false)?
        } else {
            Team::alone()
        };
        let scan = Scan {
            prepared,
            recording,
            recorder,
            sinks,
            team,
        };
        scan.run(source, &self.interrupt.stop())
    }

    /// A word on stderr, above the bars.
    fn say(&self, text: &str) {
        match &self.bars {
            Some(bars) => bars.suspend(|| say(text)),
            None => say(text),
        }
    }

    /// Puts what is known of a file on stdout as soon as those before it are told.
    fn tell(&self, at: usize, line: Option<String>) -> Result<()> {
        if !self.job.json {
            return Ok(());
        }
        let mut told = lock(&self.told);
        let told = &mut *told;
        told.ready.insert(at, line);
        while let Some(line) = told.ready.remove(&told.next) {
            told.next += 1;
            if let Some(line) = line {
                put_line(&line)?;
            }
        }
        Ok(())
    }
}

fn lock<T>(shared: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The files of a command line: those named, and the videos of each directory; each once.
fn files(paths: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let mut files: Vec<PathBuf> = Vec::new();
    let mut found = Vec::new();
    for path in paths {
        let within = if path.is_dir() {
            let videos = video_files(path)
                .with_context(|| format!("looking for video files in {}", path.display()))?;
            if videos.is_empty() {
                bail!(
                    "{} holds no video file; directories within it are not looked into: name them, or the files",
                    path.display()
                );
            }
            videos
        } else {
            vec![path.clone()]
        };
        for file in within {
            let real = fs::canonicalize(&file).unwrap_or_else(|_| file.clone());
            if !found.contains(&real) {
                found.push(real);
                files.push(file);
            }
        }
    }
    Ok(files)
}

/// Where passes go; the directory is made.
fn directory(record: &RecordTo) -> Result<Option<PathBuf>> {
    match record {
        RecordTo::Nowhere => Ok(None),
        RecordTo::DataDirectory => Ok(Some(passes_directory()?)),
        RecordTo::File(directory) => {
            fs::create_dir_all(directory).with_context(|| {
                format!("making the directory for passes {}", directory.display())
            })?;
            Ok(Some(directory.clone()))
        }
    }
}

/// `reel 2.mkv.pass`, with a number where that is taken: two containers of one name differ, and a pass is not replaced.
fn free_name(directory: &Path, file: &Path) -> PathBuf {
    let name = |number: u32| {
        let mut name: OsString = file.file_name().unwrap_or_default().to_owned();
        if number > 1 {
            name.push(format!("-{number}"));
        }
        name.push(".pass");
        directory.join(name)
    };
    let mut names = (1_u32..).map(name);
    names
        .find(|path| !path.exists())
        .expect("nobody keeps four thousand million passes of one file")
}

/// A pass of a file that was scanned to its end.
struct Known {
    scanned: Scanned,
    summary: Summary,
}

/// The passes of a directory that this version made of whole files with these limits. What cannot be read is none.
fn known_passes(directory: &Path, limits: &InForce) -> Vec<Known> {
    let Ok(entries) = fs::read_dir(directory) else {
        return Vec::new();
    };
    let paths = entries.flatten().map(|entry| entry.path());
    let passes = paths.filter(|path| path.extension().is_some_and(|it| it == "pass"));
    let wanted = limits.limits.to_json();
    let known = |path: PathBuf| {
        let pass = Pass::open(&path).ok()?;
        let head = pass.head();
        let same_limits = || {
            let of_pass = Limits::from_toml(&head.limits);
            of_pass.is_ok_and(|limits| limits.to_json() == wanted)
        };
        if head.program != env!("CARGO_PKG_VERSION") || !same_limits() {
            return None;
        }
        let scanned = pass.scanned().ok()??;
        let summary = serde_json::from_value(pass.summary().ok()??).ok()?;
        Some(Known { scanned, summary })
    };
    passes.filter_map(known).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passes_of_files_have_their_names_and_replace_nothing() {
        let directory = tempfile::tempdir().expect("room for a directory");
        let name = || free_name(directory.path(), Path::new("/tapes/reel 2.mkv"));
        assert_eq!(name(), directory.path().join("reel 2.mkv.pass"));
        fs::write(name(), b"").expect("room");
        assert_eq!(name(), directory.path().join("reel 2.mkv-2.pass"));
    }

    #[test]
    fn a_file_that_is_named_twice_is_scanned_once() {
        let directory = tempfile::tempdir().expect("room for a directory");
        let file = directory.path().join("a.mkv");
        fs::write(&file, b"").expect("room");
        let named = [file.clone(), directory.path().to_owned(), "gone.mkv".into()];
        let found = files(&named).expect("there are some");
        assert_eq!(found, [file.clone(), "gone.mkv".into()]);
        fs::remove_file(file).expect("it is there");
        let error = files(&named[1..2]).expect_err("nothing is in it");
        assert!(error.to_string().contains("no video file"), "{error}");
    }
}
