//! The command line as clap reads it.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum, ValueHint};
use clap_complete::Shell;

use crate::sources::tape::DEFAULT_SCENE;

/// A live signal monitor for the digitising of analogue videotape.
///
/// It watches a capture device (or a file, or a simulated tape) field by field: do the lines stand still, does the
/// top bend, are black and peak where they should be, did every picture come? It shows that on a dashboard, rings
/// when something goes wrong, and keeps each event with its timecode in a pass file.
#[derive(Debug, Parser)]
#[command(name = "trueline", version, max_term_width = 100, after_help = AFTER_HELP)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub(super) command: Command,
}

const AFTER_HELP: &str = "\
SOURCE is one of:
  tape, tape:SCENE   the simulated tape (trueline tape --scene list)
  /dev/videoN        a V4L2 capture device
  camera:N           a device by the platform's camera interface, where that is built in
  -                  Y4M on standard input
  FILE               Y4M, or anything the ffmpeg program decodes

Exit codes: 0 done, 1 failed, 2 usage, 3 --strict and not clean, 130 interrupted.";

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Watch a source on the live dashboard while a tape plays.
    Watch(WatchArgs),
    /// Measure a source as fast as it delivers, without a dashboard.
    Scan(ScanArgs),
    /// List what can be watched: devices, inputs, standards, formats, controls.
    Sources(SourcesArgs),
    /// Look through a finished pass on the dashboard: minute by minute, event by event; and mark places in it.
    Review {
        /// Pass file to look through.
        #[arg(value_hint = ValueHint::FilePath)]
        pass: PathBuf,
    },
    /// Write finished passes up as one HTML page: verdict, charts, events, what to do.
    Report(ReportArgs),
    /// Compare passes of the same tape through several chains: what differs, whether that is certain, which is best.
    Compare(CompareArgs),
    /// Write what a pass holds for other programs: as a table, as cues beside a video, as chapters.
    Export(ExportArgs),
    /// Say what a quantity or an event means, what usually causes it, and what to try.
    Explain {
        /// Quantity or kind of event [default: list them].
        topic: Option<String>,
    },
    /// Print the alarm limits in force, as TOML that can be edited and given back with --limits.
    Limits(LimitsArgs),
    /// Render the simulated tape into a Y4M file, with what was put in beside it.
    Tape(TapeArgs),
    /// Print a completion script for a shell.
    Completions {
        /// Which shell.
        shell: Shell,
    },
    /// Print the manual page.
    Man,
}

/// How to read a source.
#[derive(Debug, Args)]
#[command(next_help_heading = "Source")]
pub(super) struct SourceArgs {
    /// Input of the device, by name or number.
    #[arg(long, value_name = "NAME|N")]
    pub input: Option<String>,
    /// Standard of the signal; auto asks the device.
    #[arg(long, value_enum)]
    pub standard: Option<StandardArg>,
    /// Which field of a frame is the older one.
    #[arg(long, value_enum)]
    pub field_order: Option<FieldOrderArg>,
    /// Set-up the tape carries, in IRE [default: by standard].
    #[arg(long, value_enum)]
    pub setup: Option<SetupArg>,
    /// Codes of black and peak: 16-235 or 0-255.
    #[arg(long, value_enum)]
    pub range: Option<RangeArg>,
    /// Raster to ask the device for.
    #[arg(long, value_name = "WxH")]
    pub raster: Option<String>,
    /// Luma sample rate, where the raster does not tell.
    #[arg(long, value_name = "HZ")]
    pub sample_rate: Option<f64>,
    /// Seed of the simulated tape.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
}

/// What is kept of a pass, and how it is judged.
#[derive(Debug, Args)]
#[command(next_help_heading = "Pass")]
pub(super) struct PassArgs {
    /// Pass file to record [default: a dated name in the data directory]; of several sources each has its number behind
    /// the name; scanning several files, the directory for theirs.
    #[arg(long, value_name = "PASS", value_hint = ValueHint::FilePath, conflicts_with = "no_record")]
    pub record: Option<PathBuf>,
    /// Keep no pass file.
    #[arg(long)]
    pub no_record: bool,
    /// Which tape this is.
    #[arg(long, value_name = "TEXT")]
    pub tape: Option<String>,
    /// Player, pass-through box and capture device, in a few words.
    #[arg(long, value_name = "TEXT")]
    pub chain: Option<String>,
    /// The player.
    #[arg(long, value_name = "TEXT")]
    pub player: Option<String>,
    /// The pass-through box.
    #[arg(long = "box", value_name = "TEXT")]
    pub pass_through: Option<String>,
    /// Speed the tape was recorded at.
    #[arg(long, value_enum)]
    pub speed: Option<SpeedArg>,
    /// A setting of box or device as found; repeatable.
    #[arg(long, value_name = "NAME=VALUE")]
    pub set: Vec<String>,
    /// Alarm limits to use instead of the built-in ones (see `trueline limits`).
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub limits: Option<PathBuf>,
    /// Learn the limits on line timing from a finished pass of a good tape, in place of those rows; kept beside the pass
    /// as its name with .limits.toml.
    #[arg(long, value_name = "PASS", value_hint = ValueHint::FilePath)]
    pub learn_limits: Option<PathBuf>,
    /// Timecode of the first frame; `;` before the frames asks for drop-frame.
    #[arg(long, value_name = "TC")]
    pub start_timecode: Option<String>,
    /// Stop after this long (90s, 10m, 1h 30m), counted on the tape.
    #[arg(long = "for", value_name = "DURATION", allow_hyphen_values = true)]
    pub duration: Option<String>,
}

#[derive(Debug, Args)]
pub(super) struct WatchArgs {
    /// What to watch, each source once; of several one row each, and the full view of one a key away [default: the first
    /// capture device, else the simulated tape].
    #[arg(value_name = "SOURCE")]
    pub sources: Vec<String>,
    #[command(flatten)]
    pub how: SourceArgs,
    #[command(flatten)]
    pub pass: PassArgs,
    /// Find the values of the device's brightness and contrast that put black and peak where they belong, by small steps, and
    /// propose them; on quitting all is set back as it was found. Best with colour bars; levels move meanwhile.
    #[arg(long)]
    pub find_levels: bool,
    /// The look before a transfer: watch for so long (3m), then say whether the chain is ready, what to fix first, and what
    /// should be seen before that can be told. Keeps no pass unless --record names one.
    #[arg(
        long,
        value_name = "DURATION",
        conflicts_with = "duration",
        allow_hyphen_values = true
    )]
    pub check: Option<String>,
    /// An earlier pass of the same tape: the same place is found on it while the tape plays, and what differs there is shown, so
    /// that a box or a setting can be tried. Of one source only.
    #[arg(long, value_name = "PASS", value_hint = ValueHint::FilePath)]
    pub against: Option<PathBuf>,
    /// No dashboard: each event as a line on stdout (also when there is no terminal).
    #[arg(long)]
    pub no_dashboard: bool,
    /// Hand every frame on as Y4M, samples unaltered: a file or named pipe, or - for stdout. The dashboard then uses the
    /// terminal itself.
    #[arg(long, value_name = "PATH", value_hint = ValueHint::FilePath)]
    pub tee: Option<PathBuf>,
    /// How much of it may wait for whoever takes it, in MiB.
    #[arg(long, value_name = "MIB", default_value_t = 256, value_parser = clap::value_parser!(u32).range(1..=65536), requires = "tee")]
    pub tee_buffer: u32,
    /// What stands for frames that the source lost: the picture before again (sound stays in step), or nothing.
    #[arg(long, value_enum, default_value_t = TeeGapsArg::Repeat, requires = "tee")]
    pub tee_gaps: TeeGapsArg,
    /// Command to run when an alarm opens or worsens: the event as JSON on its stdin, and in TRUELINE_* variables; at
    /// most one at a time and one in two seconds.
    #[arg(long, value_name = "COMMAND")]
    pub on_alarm: Option<String>,
    /// What a closed terminal does: monitoring and recording go on without a dashboard, and an entry in the log says so; or
    /// the pass ends and is closed. A search for settings (--find-levels) always ends.
    #[arg(long, value_enum, default_value_t = OnHangupArg::Continue)]
    pub on_hangup: OnHangupArg,
    /// Show a notification on the desktop when an alarm opens or worsens; at most one in ten seconds.
    #[cfg(feature = "notify")]
    #[arg(long)]
    pub notify: bool,
}

#[derive(Debug, Args)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a switch of the command line"
)]
pub(super) struct ScanArgs {
    /// What to measure; of several, files and directories: the video files in a directory, as many at once as there are
    /// cores, and those that were scanned before with the same options not again.
    #[arg(value_name = "SOURCE", required = true)]
    pub sources: Vec<String>,
    #[command(flatten)]
    pub how: SourceArgs,
    #[command(flatten)]
    pub pass: PassArgs,
    /// Print the summary as a JSON object on stdout, of several files one a line.
    #[arg(long)]
    pub json: bool,
    /// Print each event as a JSON line on stdout as it closes.
    #[arg(long)]
    pub events: bool,
    /// Keep the timing of every line in the pass.
    #[arg(long, conflicts_with = "no_record")]
    pub keep_lines: bool,
    /// Exit with 3 unless the verdict (of several files each) is clean.
    #[arg(long)]
    pub strict: bool,
}

#[derive(Debug, Args)]
pub(super) struct SourcesArgs {
    /// Print JSON on stdout.
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct ReportArgs {
    /// Pass files to read; of several, the page begins with an overview of all.
    #[arg(required = true, value_name = "PASS", value_hint = ValueHint::FilePath)]
    pub passes: Vec<PathBuf>,
    /// Where to: a file, or - for stdout.
    #[arg(short, long, value_name = "FILE.html", value_hint = ValueHint::FilePath)]
    pub output: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct CompareArgs {
    /// Pass files of the same stretch of tape; others are compared with the first.
    #[arg(
        required_unless_present = "print_weights",
        num_args = 2..,
        value_name = "PASS",
        value_hint = ValueHint::FilePath
    )]
    pub passes: Vec<PathBuf>,
    /// Print the comparison as a JSON object on stdout.
    #[arg(long)]
    pub json: bool,
    /// Write a page: a file, or - for stdout.
    #[arg(short, long, value_name = "FILE.html", value_hint = ValueHint::FilePath)]
    pub output: Option<PathBuf>,
    /// Look at the captures that the passes were scanned from as well: response across a line, and where the picture stands.
    #[arg(long)]
    pub with_pictures: bool,
    /// Weights for the ranking, as TOML, over the built-in ones.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub weights: Option<PathBuf>,
    /// Print the weights in force with their reasons, as TOML that can be edited and given back with --weights.
    #[arg(long, conflicts_with_all = ["passes", "json", "output", "with_pictures"])]
    pub print_weights: bool,
}

#[derive(Debug, Args)]
pub(super) struct ExportArgs {
    /// Pass file to read.
    #[arg(value_hint = ValueHint::FilePath)]
    pub pass: PathBuf,
    /// What to write.
    #[arg(value_enum)]
    pub what: ExportWhat,
    /// How to write it.
    #[arg(long = "as", value_enum, value_name = "FORMAT")]
    pub format: ExportFormat,
    /// Where to: a file, or - for stdout.
    #[arg(short, long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub output: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct LimitsArgs {
    /// Limits file to lay over the built-in ones first.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub limits: Option<PathBuf>,
    /// Learn the limits on line timing from a finished pass of a good tape: each where 99 % of its programme fields
    /// stay inside.
    #[arg(long, value_name = "PASS", value_hint = ValueHint::FilePath)]
    pub learn_limits: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct TapeArgs {
    /// Y4M file to write, FILE.truth.jsonl beside it; - writes the frames alone to stdout.
    #[arg(short, long, value_name = "FILE.y4m", value_hint = ValueHint::FilePath)]
    pub output: Option<PathBuf>,
    /// Scene to play, or `list`.
    #[arg(long, value_name = "NAME", default_value = DEFAULT_SCENE)]
    pub scene: String,
    /// Seed: the same seed gives the same tape.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Standard.
    #[arg(long, value_enum)]
    pub standard: Option<LinesArg>,
    /// Length in seconds of tape [default: the scene once].
    #[arg(long, value_name = "S")]
    pub seconds: Option<f64>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum LinesArg {
    /// 525 lines, 59.94 fields a second.
    #[value(name = "525")]
    L525,
    /// 625 lines, 50 fields a second.
    #[value(name = "625")]
    L625,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum StandardArg {
    /// Ask the device.
    Auto,
    /// 525 lines, 59.94 fields a second.
    #[value(name = "525")]
    L525,
    /// 625 lines, 50 fields a second.
    #[value(name = "625")]
    L625,
    /// 525 lines with set-up.
    NtscM,
    /// 525 lines without set-up (Japan).
    NtscJ,
    /// 525 lines, 4.43 MHz colour.
    #[value(name = "ntsc-443")]
    Ntsc443,
    /// 625 lines.
    Pal,
    /// 525 lines, 625 colour.
    #[value(name = "pal-60")]
    Pal60,
    /// 525 lines (Brazil).
    PalM,
    /// 625 lines (Argentina).
    PalN,
    /// 625 lines, sequential colour.
    Secam,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum FieldOrderArg {
    /// Top field first.
    Top,
    /// Bottom field first.
    Bottom,
    /// Both at once.
    Progressive,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum SetupArg {
    /// Black is blanking.
    #[value(name = "0")]
    None,
    /// Black is 7.5 IRE above blanking.
    #[value(name = "7.5")]
    SevenAndAHalf,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum RangeArg {
    /// 16-235.
    Studio,
    /// 0-255.
    Full,
    /// What the source says, else 16-235.
    Auto,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum OnHangupArg {
    /// Go on.
    Continue,
    /// End the pass.
    Stop,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum TeeGapsArg {
    /// The picture before, again.
    Repeat,
    /// Nothing.
    Omit,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum SpeedArg {
    /// Standard play.
    Sp,
    /// Long play.
    Lp,
    /// Extended play.
    Ep,
}

/// What an export writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum ExportWhat {
    /// What happened, one row an event.
    Events,
    /// Every quantity, one row a field.
    Fields,
    /// The timing of every usable line (passes recorded with --keep-lines).
    Lines,
    /// Programme, and stretches to play again with why.
    Spans,
}

/// How an export writes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum ExportFormat {
    /// Comma-separated values with a header row.
    Csv,
    /// One JSON object a line.
    Jsonl,
    /// Apache Parquet: typed columns with their units.
    Parquet,
    /// Events as cues beside the recorded file.
    Webvtt,
    /// Programme, marks and alarms as chapters (ffmetadata); of events.
    Chapters,
}
