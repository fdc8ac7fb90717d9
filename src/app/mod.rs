//! Runs a job: the only place that starts threads and makes channels.
//!
//! In: a checked [`Job`]. Out: what the job is for, and an [`Outcome`]. Wires stage to stage.
//!
//! Does not know: how anything is measured, judged or drawn.

use std::io::{self, Write};
use std::process::ExitCode;

use anyhow::{Context, Result};

use crate::cli::Job;
use crate::{sources, views};

mod against;
mod analysis;
mod attention;
mod batch;
mod capture;
mod compare;
mod explain;
mod export;
mod find_levels;
mod health;
mod learn;
mod pass;
mod relief;
mod render;
mod report;
mod review;
mod scan;
mod signals;
mod sinks;
mod station;
mod stop;
mod stored;
mod team;
mod tee;
#[cfg(test)]
mod testing;
mod watch;

/// How a job ended, when it did not fail; the exit codes are permanent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Done.
    Done,
    /// Failed: why has been printed.
    Failed,
    /// The command line makes no sense.
    Usage,
    /// `--strict`, and the verdict is not `clean`.
    NotClean,
    /// A signal asked for the end; the pass is closed properly.
    Interrupted,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Done => Self::SUCCESS,
            Outcome::Failed => Self::from(1),
            Outcome::Usage => Self::from(2),
            Outcome::NotClean => Self::from(3),
            Outcome::Interrupted => Self::from(130),
        }
    }
}

/// Runs a job to its end.
///
/// # Errors
/// Whatever kept the job from being done, as a chain that says what, to what, why and what next.
pub fn run(job: Job) -> Result<Outcome> {
    match job {
        Job::Watch(job) => watch::run(&job),
        Job::Scan(job) => scan::run(&job),
        Job::Sources { json } => list_sources(json),
        Job::Report(job) => report::run(&job),
        Job::Review { pass } => review::run(&pass),
        Job::Compare(job) => compare::run(&job),
        Job::PrintWeights(weights) => print(&weights.to_toml()),
        Job::Export(job) => export::run(&job),
        Job::Explain { topic } => explain::run(topic.as_deref()),
        Job::Limits(job) => learn::show(&job),
        Job::Tape(job) => render::run(&job),
        Job::SceneList => print(&render::scene_list()),
        Job::Completions(shell) => completions(shell),
        Job::Man => manual_page(),
    }
}

/// Text for people on stdout; a reader that has gone away is no failure.
fn print(text: &str) -> Result<Outcome> {
    write_stdout(crate::text::lines(text).as_bytes())?;
    Ok(Outcome::Done)
}

/// A word to the operator on stderr: progress, remarks, where things are kept, and at last what failed. Names and words of files and
/// devices in it cannot act on the terminal.
///
/// A stderr that is gone, as when the terminal was closed, leaves nobody to tell; it must not end what still has to be
/// closed, as the panic of `eprintln` would.
pub fn say(text: &str) {
    let _ = writeln!(io::stderr(), "trueline: {}", crate::text::lines(text));
}

/// A line of [`console`](views::console) on stderr: its colours are ours, and words of others are fit already.
fn say_inked(before: &str, line: &str) {
    let _ = writeln!(io::stderr(), "{before}{line}");
}

/// Data on stdout as it is, unless that is a terminal.
fn write_stdout(bytes: &[u8]) -> Result<()> {
    let mut out = views::stdout();
    match out.write_all(bytes).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        Err(error) if is_of_a_closed_terminal(&error) => Ok(()),
        other => other.context("writing to stdout"),
    }
}

/// Whether nobody can read what is written any more: Linux answers EIO where the other end of a terminal is gone.
#[cfg(unix)]
fn is_of_a_closed_terminal(error: &io::Error) -> bool {
    use rustix::fs::{FileType, fstat};
    let is_device = || {
        fstat(io::stdout())
            .is_ok_and(|about| FileType::from_raw_mode(about.st_mode) == FileType::CharacterDevice)
    };
    error.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error()) && is_device()
}

/// Terminals do not hang up here.
#[cfg(not(unix))]
fn is_of_a_closed_terminal(_error: &io::Error) -> bool {
    false
}

fn list_sources(json: bool) -> Result<Outcome> {
    let devices = sources::devices();
    if json {
        write_stdout(format!("{}\n", views::sources::json(&devices)).as_bytes())?;
        Ok(Outcome::Done)
    } else {
        print(&views::sources::text(&devices))
    }
}

fn completions(shell: clap_complete::Shell) -> Result<Outcome> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Job::command(), "trueline", &mut script);
    write_stdout(&script)?;
    Ok(Outcome::Done)
}

/// One page: the command itself, then each subcommand.
fn manual_page() -> Result<Outcome> {
    let mut page = Vec::new();
    let mut command = Job::command();
    command.build();
    let man = clap_mangen::Man::new(command.clone());
    man.render(&mut page).context("rendering the manual page")?;
    for subcommand in command
        .get_subcommands()
        .filter(|subcommand| subcommand.get_name() != "help")
    {
        let title = format!("trueline {}", subcommand.get_name());
        let man = clap_mangen::Man::new(subcommand.clone().bin_name(&title).display_name(&title));
        for part in [
            clap_mangen::Man::render_name_section,
            clap_mangen::Man::render_synopsis_section,
            clap_mangen::Man::render_options_section,
        ] {
            part(&man, &mut page).context("rendering the manual page")?;
        }
    }
    write_stdout(&page)?;
    Ok(Outcome::Done)
}
