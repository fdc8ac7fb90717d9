//! The checked job: every value parsed, every contradiction refused, before anything is opened.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use clap::{CommandFactory, Parser};
use clap_complete::Shell;

use crate::compare::Weights;
use crate::limits::{Limits, MOST_BYTES};
use crate::record::TapeSpeed;
use crate::sources::tape::DEFAULT_SCENE;
use crate::sources::{FieldOrder, Place, StandardWish, Wishes};
use crate::standard::Standard;
use crate::units::{CodeRange, Hertz, Ire};
use crate::views::export::{Document, Format, What};

use super::args::{
    Cli, Command, CompareArgs, ExportFormat, ExportWhat, FieldOrderArg, LinesArg, OnHangupArg,
    PassArgs, RangeArg, ScanArgs, SetupArg, SourceArgs, SpeedArg, StandardArg, TapeArgs,
    TeeGapsArg, WatchArgs,
};

/// Something to do.
#[derive(Debug)]
pub enum Job {
    /// The live dashboard.
    Watch(WatchJob),
    /// Measuring without one.
    Scan(ScanJob),
    /// What can be watched.
    Sources {
        /// JSON instead of text.
        json: bool,
    },
    /// The dashboard on a finished pass.
    Review {
        /// Its file.
        pass: PathBuf,
    },
    /// Passes as a page.
    Report(ReportJob),
    /// Passes beside each other.
    Compare(CompareJob),
    /// The weights in force.
    PrintWeights(Weights),
    /// A document out of a pass.
    Export(ExportJob),
    /// What a quantity or an event means.
    Explain {
        /// Which; `None` lists them.
        topic: Option<String>,
    },
    /// The limits in force.
    Limits(LimitsJob),
    /// Rendering the simulated tape.
    Tape(TapeJob),
    /// The scenes of the simulated tape.
    SceneList,
    /// A completion script.
    Completions(Shell),
    /// The manual page.
    Man,
}

/// A pass to watch.
#[derive(Debug)]
pub struct WatchJob {
    /// What to watch; none is the first capture device, else the simulated tape.
    pub places: Vec<Place>,
    /// How to read it.
    pub wishes: Wishes,
    /// What to keep of it.
    pub pass: PassJob,
    /// Whether the dashboard is wanted.
    pub dashboard: Dashboard,
    /// Frames are handed on.
    pub tee: Option<TeeJob>,
    /// How alarms are told besides on the screen.
    pub attention: Vec<Attention>,
    /// What a closed terminal does.
    pub on_hangup: OnHangup,
    /// Brightness and contrast of the device are to be found.
    pub find_levels: bool,
    /// It is the look before a transfer, as long as the pass is to be.
    pub check: bool,
    /// An earlier pass of the tape that this one is held against.
    pub against: Option<PathBuf>,
}

/// What a terminal that is closed does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OnHangup {
    /// Monitoring goes on without it.
    Continue,
    /// The pass ends.
    Stop,
}

/// A way to tell of an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Attention {
    /// This command is run.
    Command(String),
    /// The desktop shows a notification.
    #[cfg(feature = "notify")]
    Notification,
}

/// Handing frames on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TeeJob {
    /// Where to.
    pub to: TeeTo,
    /// Bytes of frames that may wait.
    pub buffer_bytes: usize,
    /// What stands for missing frames.
    pub gaps: Gaps,
}

/// Where frames are handed on to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TeeTo {
    /// Standard output.
    Stdout,
    /// A file or a pipe with a name.
    File(PathBuf),
}

/// What stands for frames that are missing in a stream without times.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gaps {
    /// The picture before, again.
    Repeat,
    /// Nothing.
    Omit,
}

/// Bytes of a MiB.
const MIB: usize = 1 << 20;

/// Whether to draw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dashboard {
    /// Where there is a terminal.
    WhereTerminal,
    /// Not at all.
    Never,
}

/// A pass to measure as fast as it comes.
#[derive(Debug)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a switch of the command line"
)]
pub struct ScanJob {
    /// What to measure.
    pub what: ScanWhat,
    /// How to read it.
    pub wishes: Wishes,
    /// What to keep of it.
    pub pass: PassJob,
    /// Summary on stdout.
    pub json: bool,
    /// Events on stdout.
    pub events: bool,
    /// Every line's timing into the pass.
    pub keep_lines: bool,
    /// Exit code 3 unless clean.
    pub strict: bool,
}

/// What a scan measures.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ScanWhat {
    /// One source.
    One(Place),
    /// Files, and directories of them.
    Several(Vec<PathBuf>),
}

impl ScanJob {
    /// Every option that what is measured and kept of a file depends on, except limits; scans of one program with the same
    /// text do the same.
    #[must_use]
    pub fn options(&self) -> String {
        let PassJob {
            record: _,
            limits: _,
            tape,
            chain,
            player,
            pass_through,
            speed,
            settings,
            setup,
            start_timecode,
            duration,
        } = &self.pass;
        let words = (tape, chain, player, pass_through, settings);
        let numbers = (speed, setup, start_timecode, duration, self.keep_lines);
        format!("{:?} {words:?} {numbers:?}", self.wishes)
    }
}

/// What is kept of a pass, and how it is judged.
#[derive(Clone, Debug)]
pub struct PassJob {
    /// Where it is recorded.
    pub record: RecordTo,
    /// The operator's words for it.
    pub tape: Option<String>,
    /// Player, box and device in a few words.
    pub chain: Option<String>,
    /// The player.
    pub player: Option<String>,
    /// The pass-through box.
    pub pass_through: Option<String>,
    /// Speed of the recording on the tape.
    pub speed: Option<TapeSpeed>,
    /// Settings as found.
    pub settings: Vec<(String, String)>,
    /// Limits to judge by.
    pub limits: LimitsJob,
    /// Set-up the tape carries; `None` leaves it to the standard.
    pub setup: Option<Ire>,
    /// Timecode of the first frame as typed: it can be read once the standard is known.
    pub start_timecode: Option<String>,
    /// When to stop, in tape time.
    pub duration: Option<Duration>,
}

/// Where a pass is recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RecordTo {
    /// A dated name in the data directory.
    DataDirectory,
    /// This file.
    File(PathBuf),
    /// Nowhere.
    Nowhere,
}

/// Limits, and a pass to learn some of them from.
#[derive(Clone, Debug)]
pub struct LimitsJob {
    /// The built-in ones, with those of the operator's file in their place.
    pub base: Limits,
    /// A finished pass of a good tape.
    pub learn: Option<PathBuf>,
}

/// A document out of a pass.
#[derive(Debug)]
pub struct ExportJob {
    /// The pass file.
    pub pass: PathBuf,
    /// What of it, in which form.
    pub document: Document,
    /// Where to.
    pub output: Output,
}

/// A page about passes.
#[derive(Debug)]
pub struct ReportJob {
    /// The pass files, in the order of the page.
    pub passes: Vec<PathBuf>,
    /// Where to.
    pub output: Output,
}

/// Passes to compare.
#[derive(Debug)]
pub struct CompareJob {
    /// The pass files, in the order they are told.
    pub passes: Vec<PathBuf>,
    /// JSON on stdout.
    pub json: bool,
    /// Where a page goes; `None` makes none.
    pub page: Option<Output>,
    /// The captures are looked at as well.
    pub with_pictures: bool,
    /// What counts how much.
    pub weights: Weights,
}

/// Where data goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// Standard output.
    Stdout,
    /// A file.
    File(PathBuf),
}

/// A tape to render.
#[derive(Debug)]
pub struct TapeJob {
    /// Name of the scene.
    pub scene: String,
    /// Seed and standard.
    pub wishes: Wishes,
    /// Seconds of tape; `None` plays the scene once.
    pub seconds: Option<f64>,
    /// Y4M file to write.
    pub output: PathBuf,
}

/// Passes that are compared at once: each two are a column, and each has a letter.
const MOST_COMPARED: usize = 8;

/// Longest tape that `--seconds` renders: a day.
const LONGEST_TAPE_SECONDS: f64 = 86_400.0;

impl Job {
    /// The job of this process's command line; prints help or a usage error and exits where clap does.
    ///
    /// # Errors
    /// A value that parses as text but makes no sense; the caller exits with 2.
    pub fn from_command_line() -> Result<Self> {
        Cli::parse().command.check()
    }

    /// The command line's own description, for completions and the manual page.
    #[must_use]
    pub fn command() -> clap::Command {
        Cli::command()
    }
}

impl Command {
    fn check(self) -> Result<Job> {
        Ok(match self {
            Self::Watch(args) => Job::Watch(args.check()?),
            Self::Scan(args) => Job::Scan(args.check()?),
            Self::Sources(args) => Job::Sources { json: args.json },
            Self::Export(args) => Job::Export(ExportJob {
                document: document(args.what, args.format)?,
                pass: args.pass,
                output: output(&args.output),
            }),
            Self::Review { pass } => Job::Review { pass },
            Self::Compare(args) => args.check()?,
            Self::Report(args) => Job::Report(ReportJob {
                output: output(&args.output),
                passes: args.passes,
            }),
            Self::Explain { topic } => Job::Explain { topic },
            Self::Limits(args) => Job::Limits(LimitsJob {
                base: limits(args.limits.as_deref())?,
                learn: args.learn_limits,
            }),
            Self::Tape(args) => args.check()?,
            Self::Completions { shell } => Job::Completions(shell),
            Self::Man => Job::Man,
        })
    }
}

impl CompareArgs {
    fn check(self) -> Result<Job> {
        let weights = weights(self.weights.as_deref())?;
        if self.print_weights {
            return Ok(Job::PrintWeights(weights));
        }
        ensure!(
            self.passes.len() <= MOST_COMPARED,
            "comparing {} passes: {MOST_COMPARED} can be compared at once; leave some out",
            self.passes.len()
        );
        let page = self.output.as_deref().map(output);
        ensure!(
            !(self.json && page == Some(Output::Stdout)),
            "--json and -o - both write to stdout: give the page a file"
        );
        Ok(Job::Compare(CompareJob {
            passes: self.passes,
            json: self.json,
            page,
            with_pictures: self.with_pictures,
            weights,
        }))
    }
}

impl WatchArgs {
    fn check(self) -> Result<WatchJob> {
        let tee = self.tee.map(|path| TeeJob {
            to: if path.as_os_str() == "-" {
                TeeTo::Stdout
            } else {
                TeeTo::File(path)
            },
            buffer_bytes: self.tee_buffer as usize * MIB,
            gaps: match self.tee_gaps {
                TeeGapsArg::Repeat => Gaps::Repeat,
                TeeGapsArg::Omit => Gaps::Omit,
            },
        });
        ensure!(
            tee.is_none() || self.sources.len() <= 1,
            "--tee hands the frames of one source on; watch several with a run for each"
        );
        ensure!(
            self.against.is_none() || self.sources.len() <= 1,
            "--against holds the tape of one source against an earlier pass of it; watch several with a run for each"
        );
        let places = self
            .sources
            .iter()
            .map(|text| place(text))
            .collect::<Result<Vec<_>>>()?;
        refuse_twins(&places)?;
        if let Some(command) = &self.on_alarm {
            ensure!(
                !command.trim().is_empty(),
                "--on-alarm: the command is empty"
            );
        }
        let attention = self.on_alarm.map(Attention::Command).into_iter();
        #[cfg(feature = "notify")]
        let attention = attention.chain(self.notify.then_some(Attention::Notification));
        let attention = attention.collect();
        let mut pass = self.pass.check(self.how.setup)?;
        if let Some(text) = &self.check {
            pass.duration = Some(duration("--check", text)?);
            // A look is no pass to be kept, unless a file for it is named.
            if pass.record == RecordTo::DataDirectory {
                pass.record = RecordTo::Nowhere;
            }
        }
        Ok(WatchJob {
            places,
            wishes: Wishes {
                held_bytes: tee.as_ref().map_or(0, |tee| tee.buffer_bytes),
                ..self.how.wishes()?
            },
            pass,
            dashboard: if self.no_dashboard {
                Dashboard::Never
            } else {
                Dashboard::WhereTerminal
            },
            tee,
            attention,
            // Nobody could take the controls of a search for settings, and they must be set back.
            on_hangup: match self.on_hangup {
                OnHangupArg::Continue if !self.find_levels => OnHangup::Continue,
                OnHangupArg::Continue | OnHangupArg::Stop => OnHangup::Stop,
            },
            find_levels: self.find_levels,
            check: self.check.is_some(),
            against: self.against,
        })
    }
}

impl ScanArgs {
    fn check(self) -> Result<ScanJob> {
        let what = scan_what(&self.sources)?;
        if let (ScanWhat::Several(_), Some(record)) = (&what, &self.pass.record) {
            ensure!(
                !record.exists() || record.is_dir(),
                "--record {}: of several files the passes go to a directory, and this is a file",
                record.display()
            );
        }
        ensure!(
            !(self.events && matches!(what, ScanWhat::Several(_))),
            "--events tells of one source while it is scanned; of several files --json has the events of each"
        );
        Ok(ScanJob {
            what,
            wishes: self.how.wishes()?,
            pass: self.pass.check(self.how.setup)?,
            json: self.json,
            events: self.events,
            keep_lines: self.keep_lines,
            strict: self.strict,
        })
    }
}

impl TapeArgs {
    fn check(self) -> Result<Job> {
        if self.scene == "list" {
            return Ok(Job::SceneList);
        }
        if let Some(seconds) = self.seconds {
            ensure!(
                seconds > 0.0 && seconds <= LONGEST_TAPE_SECONDS,
                "--seconds {seconds}: a tape is longer than 0 and at most {LONGEST_TAPE_SECONDS} seconds"
            );
        }
        let Some(output) = self.output else {
            bail!("--output is missing: name the Y4M file to write");
        };
        Ok(Job::Tape(TapeJob {
            scene: self.scene,
            wishes: Wishes {
                standard: self.standard.map(|lines| StandardWish::Lines(lines.into())),
                seed: Some(self.seed),
                ..Wishes::default()
            },
            seconds: self.seconds,
            output: if output.as_os_str() == "-" {
                PathBuf::from("/dev/stdout")
            } else {
                output
            },
        }))
    }
}

impl SourceArgs {
    fn wishes(&self) -> Result<Wishes> {
        Ok(Wishes {
            input: self.input.clone(),
            standard: self.standard.map(StandardWish::from),
            field_order: self.field_order.map(FieldOrder::from),
            range: match self.range {
                None | Some(RangeArg::Auto) => None,
                Some(RangeArg::Studio) => Some(CodeRange::Studio),
                Some(RangeArg::Full) => Some(CodeRange::Full),
            },
            raster: self.raster.as_deref().map(raster).transpose()?,
            sample_rate: self.sample_rate.map(sample_rate).transpose()?,
            seed: self.seed,
            held_bytes: 0,
        })
    }
}

impl PassArgs {
    fn check(self, setup: Option<SetupArg>) -> Result<PassJob> {
        Ok(PassJob {
            record: match (self.record, self.no_record) {
                (Some(file), _) => RecordTo::File(file),
                (None, true) => RecordTo::Nowhere,
                (None, false) => RecordTo::DataDirectory,
            },
            tape: self.tape,
            chain: self.chain,
            player: self.player,
            pass_through: self.pass_through,
            speed: self.speed.map(|speed| match speed {
                SpeedArg::Sp => TapeSpeed::Sp,
                SpeedArg::Lp => TapeSpeed::Lp,
                SpeedArg::Ep => TapeSpeed::Ep,
            }),
            settings: self
                .set
                .iter()
                .map(|text| setting(text))
                .collect::<Result<_>>()?,
            limits: LimitsJob {
                base: limits(self.limits.as_deref())?,
                learn: self.learn_limits,
            },
            setup: setup.map(|setup| match setup {
                SetupArg::None => Ire(0.0),
                SetupArg::SevenAndAHalf => Ire(7.5),
            }),
            start_timecode: self.start_timecode,
            duration: self
                .duration
                .as_deref()
                .map(|text| duration("--for", text))
                .transpose()?,
        })
    }
}

fn place(text: &str) -> Result<Place> {
    if text == "-" {
        return Ok(Place::Stdin);
    }
    if text == "tape" {
        return Ok(Place::Tape(DEFAULT_SCENE.to_owned()));
    }
    if let Some(scene) = text.strip_prefix("tape:") {
        ensure!(
            !scene.is_empty(),
            "tape: names no scene; see `trueline tape --scene list`"
        );
        return Ok(Place::Tape(scene.to_owned()));
    }
    if let Some(number) = text.strip_prefix("camera:") {
        let number = number.parse().ok();
        return number
            .map(Place::Camera)
            .with_context(|| format!("{text}: a camera is named by its number, as in camera:0"));
    }
    ensure!(
        !text.is_empty(),
        "the source is empty; name a device, a file, - or tape"
    );
    if is_device_node(text) {
        return Ok(Place::Device(text.into()));
    }
    Ok(Place::File(text.into()))
}

fn scan_what(sources: &[String]) -> Result<ScanWhat> {
    let places = sources
        .iter()
        .map(|text| place(text))
        .collect::<Result<Vec<_>>>()?;
    match places.as_slice() {
        [Place::File(path)] if path.is_dir() => Ok(ScanWhat::Several(vec![path.clone()])),
        [one] => Ok(ScanWhat::One(one.clone())),
        _ => {
            let files = places
                .into_iter()
                .zip(sources)
                .map(|(place, text)| match place {
                    Place::File(path) => Ok(path),
                    _ => bail!(
                        "'{text}' is no file: of several sources, all are files or directories"
                    ),
                });
            files.collect::<Result<_>>().map(ScanWhat::Several)
        }
    }
}

/// A device has one reader, and a pass that is kept twice helps nobody.
fn refuse_twins(places: &[Place]) -> Result<()> {
    let known: Vec<Place> = places.iter().map(as_found).collect();
    for (at, place) in known.iter().enumerate() {
        let first = known[..at].iter().position(|other| other == place);
        ensure!(
            first.is_none(),
            "source {} is the same as an earlier one; name each source once",
            at + 1
        );
    }
    Ok(())
}

/// The place with links followed, so that two names of one device are told to be one.
fn as_found(place: &Place) -> Place {
    let found = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    match place {
        Place::Device(path) => Place::Device(found(path)),
        Place::File(path) => Place::File(found(path)),
        Place::Tape(_) | Place::Camera(_) | Place::Stdin => place.clone(),
    }
}

/// Device nodes are told by their name, so that one that is unplugged right now is still asked for as a device.
fn is_device_node(text: &str) -> bool {
    text.starts_with("/dev/video") || text.starts_with("/dev/v4l/")
}

fn raster(text: &str) -> Result<(usize, usize)> {
    let sides = text
        .split_once(['x', 'X'])
        .and_then(|(width, rows)| Some((width.parse().ok()?, rows.parse().ok()?)));
    match sides {
        Some((width, rows)) if width > 0 && rows > 0 => Ok((width, rows)),
        _ => bail!("--raster '{text}': write width and rows as in 720x576"),
    }
}

fn sample_rate(hertz: f64) -> Result<Hertz> {
    // Nothing that digitises analogue video samples slower than its luma band or faster than 8 times 13.5 MHz.
    ensure!(
        (1e6..=108e6).contains(&hertz),
        "--sample-rate {hertz}: luma is sampled at 1 000 000 to 108 000 000 Hz (13500000 for 720 wide)"
    );
    Ok(Hertz(hertz))
}

fn setting(text: &str) -> Result<(String, String)> {
    match text.split_once('=') {
        Some((name, value)) if !name.trim().is_empty() => {
            Ok((name.trim().to_owned(), value.trim().to_owned()))
        }
        _ => bail!("--set '{text}': write NAME=VALUE"),
    }
}

fn duration(option: &str, text: &str) -> Result<Duration> {
    let span: jiff::SignedDuration = text
        .parse()
        .with_context(|| format!("{option} '{text}': write a duration as in 90s, 10m or 1h 30m"))?;
    match Duration::try_from(span) {
        Ok(positive) if !positive.is_zero() => Ok(positive),
        _ => bail!("{option} '{text}': a duration is longer than nothing"),
    }
}

fn limits(file: Option<&Path>) -> Result<Limits> {
    let Some(file) = file else {
        return Ok(Limits::default());
    };
    Limits::from_file(file).with_context(|| format!("reading the limits file {}", file.display()))
}

fn weights(file: Option<&Path>) -> Result<Weights> {
    let Some(file) = file else {
        return Ok(Weights::default());
    };
    let reading = || format!("reading the weights file {}", file.display());
    let mut text = String::new();
    File::open(file)
        .and_then(|file| file.take(MOST_BYTES as u64 + 1).read_to_string(&mut text))
        .with_context(reading)?;
    if text.len() > MOST_BYTES {
        bail!(
            "{}: it is longer than {} KiB: this is no weights file (`trueline compare --print-weights` prints one)",
            reading(),
            MOST_BYTES / 1024
        );
    }
    Weights::from_toml(&text).with_context(reading)
}

fn document(what: ExportWhat, format: ExportFormat) -> Result<Document> {
    let table = |format| {
        let what = match what {
            ExportWhat::Events => What::Events,
            ExportWhat::Fields => What::Fields,
            ExportWhat::Lines => What::Lines,
            ExportWhat::Spans => What::Spans,
        };
        Document::Table(what, format)
    };
    match format {
        ExportFormat::Csv => Ok(table(Format::Csv)),
        ExportFormat::Jsonl => Ok(table(Format::Jsonl)),
        ExportFormat::Parquet => Ok(table(Format::Parquet)),
        ExportFormat::Webvtt | ExportFormat::Chapters if what != ExportWhat::Events => bail!(
            "--as {}: only events can be written so; write `events`, or --as csv, jsonl or parquet",
            if format == ExportFormat::Webvtt {
                "webvtt"
            } else {
                "chapters"
            }
        ),
        ExportFormat::Webvtt => Ok(Document::Cues),
        ExportFormat::Chapters => Ok(Document::Chapters),
    }
}

fn output(path: &Path) -> Output {
    if path.as_os_str() == "-" {
        Output::Stdout
    } else {
        Output::File(path.to_owned())
    }
}

impl From<LinesArg> for Standard {
    fn from(arg: LinesArg) -> Self {
        match arg {
            LinesArg::L525 => Self::Lines525,
            LinesArg::L625 => Self::Lines625,
        }
    }
}

impl From<FieldOrderArg> for FieldOrder {
    fn from(arg: FieldOrderArg) -> Self {
        match arg {
            FieldOrderArg::Top => Self::Top,
            FieldOrderArg::Bottom => Self::Bottom,
            FieldOrderArg::Progressive => Self::Progressive,
        }
    }
}

impl From<StandardArg> for StandardWish {
    /// Bits are those of `videodev2.h` (kernel document `vidioc-enumstd`).
    fn from(arg: StandardArg) -> Self {
        let colour = |name, bits, lines| Self::Colour { name, bits, lines };
        match arg {
            StandardArg::Auto => Self::Auto,
            StandardArg::L525 => Self::Lines(Standard::Lines525),
            StandardArg::L625 => Self::Lines(Standard::Lines625),
            StandardArg::NtscM => colour("ntsc-m", 0x1000, Standard::Lines525),
            StandardArg::NtscJ => colour("ntsc-j", 0x2000, Standard::Lines525),
            StandardArg::Ntsc443 => colour("ntsc-443", 0x4000, Standard::Lines525),
            StandardArg::Pal => colour("pal", 0xff, Standard::Lines625),
            StandardArg::Pal60 => colour("pal-60", 0x800, Standard::Lines525),
            StandardArg::PalM => colour("pal-m", 0x100, Standard::Lines525),
            StandardArg::PalN => colour("pal-n", 0x200, Standard::Lines625),
            StandardArg::Secam => colour("secam", 0x00ff_0000, Standard::Lines625),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(words: &[&str]) -> Result<Job> {
        let cli = Cli::try_parse_from([&["trueline"], words].concat())?;
        cli.command.check()
    }

    #[test]
    fn the_command_line_is_well_formed() {
        Cli::command().debug_assert();
    }

    #[test]
    fn sources_are_told_apart_by_their_form() {
        let rows = [
            ("-", Place::Stdin),
            ("tape", Place::Tape("evening".into())),
            ("tape:wave", Place::Tape("wave".into())),
            ("/dev/video3", Place::Device("/dev/video3".into())),
            (
                "/dev/v4l/by-id/usb-x",
                Place::Device("/dev/v4l/by-id/usb-x".into()),
            ),
            ("reel 2.mkv", Place::File("reel 2.mkv".into())),
            ("./tape", Place::File("./tape".into())),
        ];
        for (text, expected) in rows {
            assert_eq!(place(text).expect("a source"), expected, "{text}");
        }
        assert!(place("").is_err());
        assert!(place("tape:").is_err());
        assert_eq!(place("camera:1").expect("a camera"), Place::Camera(1));
        assert!(place("camera:one").is_err());
    }

    #[test]
    fn one_source_by_two_names_is_refused() {
        let directory = tempfile::tempdir().expect("room for a directory");
        let [file, other] = ["reel.y4m", "link.y4m"].map(|name| directory.path().join(name));
        std::fs::write(&file, b"").expect("a file");
        let tape = |scene: &str| Place::Tape(scene.to_owned());
        refuse_twins(&[tape("clean"), tape("wobble"), Place::Stdin]).expect("all differ");
        let twins = refuse_twins(&[tape("clean"), tape("wobble"), tape("clean")]);
        let message = twins.expect_err("the first and the third").to_string();
        assert!(message.contains("source 3 is the same"), "{message}");
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(&file, &other).expect("a link");
            let by_links = [Place::File(file), Place::File(other)];
            refuse_twins(&by_links).expect_err("a link is the file");
        }
    }

    #[test]
    fn frames_of_several_sources_are_not_handed_on() {
        let error = check(&["watch", "tape:clean", "tape:jitter", "--tee", "-"]);
        assert!(format!("{:#}", error.expect_err("refused")).contains("--tee"));
        check(&["watch", "tape:clean", "--tee", "-"]).expect("one source");
    }

    #[test]
    fn values_that_make_no_sense_are_refused_with_their_name() {
        let rows: &[(&[&str], &str)] = &[
            (&["scan", "x", "--raster", "720"], "--raster"),
            (&["scan", "x", "--raster", "0x576"], "--raster"),
            (&["scan", "x", "--sample-rate", "12"], "--sample-rate"),
            (&["scan", "x", "--set", "sharpness"], "--set"),
            (&["scan", "x", "--for", "soon"], "--for"),
            (&["scan", "x", "--for", "-3s"], "--for"),
            (&["tape", "-o", "x.y4m", "--seconds", "nan"], "--seconds"),
            (&["scan", "x", "--limits", "/nowhere.toml"], "/nowhere.toml"),
            (&["scan", "x", "--limits", "/"], "directory"),
        ];
        for (words, expected) in rows {
            let error = check(words).expect_err("refused");
            assert!(
                format!("{error:#}").contains(expected),
                "{words:?}: {error:#}"
            );
        }
    }

    #[test]
    fn only_events_are_cues_and_chapters() {
        let wanted = |what: &str, format: &str| {
            let words = ["export", "a.pass", what, "--as", format, "-o", "-"];
            check(&words).map(|job| match job {
                Job::Export(job) => job.document,
                other => panic!("{other:?}"),
            })
        };
        for what in ["fields", "lines", "spans"] {
            for format in ["webvtt", "chapters"] {
                let error = wanted(what, format).expect_err("refused").to_string();
                assert!(error.contains(&format!("--as {format}")), "{error}");
            }
        }
        assert_eq!(wanted("events", "webvtt").expect("cues"), Document::Cues);
        assert_eq!(
            wanted("spans", "parquet").expect("a table"),
            Document::Table(What::Spans, Format::Parquet)
        );
    }

    #[test]
    fn a_pass_is_recorded_unless_told_otherwise() {
        let record = |words: &[&str]| match check(words) {
            Ok(Job::Scan(job)) => job.pass.record,
            other => panic!("{other:?}"),
        };
        assert_eq!(record(&["scan", "x"]), RecordTo::DataDirectory);
        assert_eq!(record(&["scan", "x", "--no-record"]), RecordTo::Nowhere);
        assert_eq!(
            record(&["scan", "x", "--record", "p"]),
            RecordTo::File("p".into())
        );
        assert!(check(&["scan", "x", "--record", "p", "--no-record"]).is_err());
    }

    #[test]
    fn several_files_are_scanned_and_other_sources_by_themselves() {
        let what = |words: &[&str]| {
            check(&[&["scan"], words].concat()).map(|job| match job {
                Job::Scan(job) => job.what,
                other => panic!("{other:?}"),
            })
        };
        let one = what(&["a.mkv"]).expect("one file");
        assert_eq!(one, ScanWhat::One(Place::File("a.mkv".into())));
        let two = what(&["a.mkv", "b.mkv"]).expect("two files");
        assert_eq!(two, ScanWhat::Several(vec!["a.mkv".into(), "b.mkv".into()]));
        let directory = tempfile::tempdir().expect("room for a directory");
        let path = directory.path().to_str().expect("a plain path");
        let of_directory = what(&[path]).expect("a directory");
        assert_eq!(
            of_directory,
            ScanWhat::Several(vec![directory.path().into()])
        );
        for words in [
            &["a.mkv", "tape"][..],
            &["-", "a.mkv"],
            &["a.mkv", "b.mkv", "--events"],
            &["a.mkv", "b.mkv", "--record", "/dev/null"],
        ] {
            what(words).expect_err("refused");
        }
    }

    #[test]
    fn every_option_of_a_pass_counts_as_one() {
        let options = |words: &[&str]| match check(&[&["scan", "x"], words].concat()) {
            Ok(Job::Scan(job)) => job.options(),
            other => panic!("{other:?}"),
        };
        let plain = options(&[]);
        for words in [
            &["--tape", "Low tide"][..],
            &["--standard", "625"],
            &["--keep-lines"],
            &["--for", "10s"],
            &["--set", "sharpness=3"],
        ] {
            assert_ne!(options(words), plain, "{words:?}");
        }
        assert_eq!(options(&["--record", "p"]), plain);
    }

    #[test]
    fn a_look_before_a_transfer_is_as_long_as_it_says_and_keeps_no_pass_unless_one_is_named() {
        let looked = |words: &[&str]| -> Result<WatchJob> {
            let words = ["trueline", "watch"].iter().chain(words);
            match Cli::try_parse_from(words)?.command.check()? {
                Job::Watch(job) => Ok(job),
                other => panic!("{other:?}"),
            }
        };
        let job = looked(&["--check", "3m"]).expect("a job");
        assert!(job.check);
        assert_eq!(job.pass.duration, Some(Duration::from_secs(180)));
        assert_eq!(job.pass.record, RecordTo::Nowhere);
        let job = looked(&["--check", "90s", "--record", "p"]).expect("a job");
        assert_eq!(job.pass.record, RecordTo::File(PathBuf::from("p")));
        assert!(!looked(&[]).expect("a job").check);
        for refused in [
            &["--check", "soon"] as &[&str],
            &["--check", "0s"],
            &["--check", "1m", "--for", "1m"],
        ] {
            assert!(looked(refused).is_err(), "{refused:?}");
        }
    }

    #[test]
    fn durations_are_written_as_people_write_them() {
        for (text, seconds) in [("90s", 90), ("10m", 600), ("1h 30m", 5400), ("1h30m", 5400)] {
            assert_eq!(
                duration("--for", text).expect("a duration"),
                Duration::from_secs(seconds),
                "{text}"
            );
        }
    }
}
