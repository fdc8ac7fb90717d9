//! A command of the operator's, run when an alarm opens or worsens; or a notification on the desktop.
//!
//! In: what becomes of events. Out: the command, run by the shell as the operator wrote it, with the event as JSON on its standard
//! input and its main columns in the environment: words of files and devices are never part of what the shell reads. One at a time on a thread of its own, and not more often than every
//! [`LEAST_INTERVAL`]: alarms that come while it may not run are counted and told to the next run. The analysis never waits.
//! Notifications go the same way, every [`LEAST_BETWEEN_NOTES`] at most.
//!
//! Does not know: what the command does, or what the desktop makes of a notification.

use std::io::Write;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};

use crate::alarms::Change;
use crate::limits::Severity;
use crate::text;

use super::sinks::{Placed, Seen, Sink};
use crate::cli::Attention;

/// From the start of one run to the next: a burst of alarms is one call to a person.
const LEAST_INTERVAL: Duration = Duration::from_secs(2);

/// From one notification to the next: as often as the bell rings.
#[cfg(feature = "notify")]
const LEAST_BETWEEN_NOTES: Duration = Duration::from_secs(10);

/// A command that takes longer is ended, so that it cannot keep later alarms from being told.
const LONGEST_RUN: Duration = Duration::from_secs(30);

/// How long the end of the program waits for an alarm that is being told.
const PATIENCE: Duration = Duration::from_secs(3);

/// Between two looks at a running command.
const LOOK: Duration = Duration::from_millis(50);

/// An alarm to tell.
#[derive(Debug)]
struct Alarm {
    event: Placed,
    change: &'static str,
    /// Alarms before it that were not told.
    untold: u64,
}

/// Hands alarms to the command's thread.
pub(super) struct OnAlarm {
    /// `None` once it ends.
    alarms: Option<Sender<Alarm>>,
    untold: u64,
    ending: Arc<AtomicBool>,
    /// Closed when the thread has ended.
    over: Receiver<()>,
}

impl OnAlarm {
    /// Starts the thread that tells alarms of `source` in one way.
    ///
    /// # Errors
    /// There is no thread to be had.
    pub(super) fn start(way: &Attention, source: &str) -> Result<Self> {
        let (alarms, queue) = bounded(1);
        let (until_end, over) = bounded(0);
        let (way, source) = (way.clone(), source.to_owned());
        let ending = Arc::<AtomicBool>::default();
        let is_ending = Arc::clone(&ending);
        std::thread::Builder::new()
            .name("on alarm".into())
            .spawn(move || {
                let _until_end: Sender<()> = until_end;
                tell_all(&queue, (&way, &source), &is_ending);
            })
            .context("starting the thread that tells of alarms")?;
        Ok(Self {
            alarms: Some(alarms),
            untold: 0,
            ending,
            over,
        })
    }

    fn tell(&mut self, event: Placed, change: &'static str) {
        let alarm = Alarm {
            event,
            change,
            untold: self.untold,
        };
        let Some(alarms) = &self.alarms else { return };
        match alarms.try_send(alarm) {
            Ok(()) => self.untold = 0,
            Err(TrySendError::Full(_)) => self.untold += 1,
            Err(TrySendError::Disconnected(_)) => {}
        }
    }
}

impl Drop for OnAlarm {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::Relaxed);
        self.alarms = None;
        // Whether it ended or takes too long: the program is over.
        let _ = self.over.recv_timeout(PATIENCE);
    }
}

impl Sink for OnAlarm {
    fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
        for change in seen.changes {
            match change {
                Change::Opened(event) if event.severity == Severity::Alarm => {
                    self.tell(Placed::new(event, seen.handed_on), "opened");
                }
                Change::Worsened(event) if event.severity == Severity::Alarm => {
                    self.tell(Placed::new(event, seen.handed_on), "worsened");
                }
                _ => {}
            }
        }
        Ok(())
    }
}

fn tell_all(alarms: &Receiver<Alarm>, (way, source): (&Attention, &str), ending: &AtomicBool) {
    for alarm in alarms {
        let begun = Instant::now();
        let rest = match way {
            Attention::Command(command) => {
                // A command that cannot be run is the operator's to notice: there is nobody else to tell, and the tape
                // goes on.
                if let Ok(child) = run(&alarm, (command, source)) {
                    wait(child, begun);
                }
                LEAST_INTERVAL
            }
            #[cfg(feature = "notify")]
            Attention::Notification => {
                let (title, text) = in_words(&alarm, source);
                // Without a desktop nobody sees it: the alarm is on the screen and in the pass all the same.
                let _ = notify_rust::Notification::new()
                    .appname("trueline")
                    .summary(&title)
                    .body(&text)
                    .show();
                LEAST_BETWEEN_NOTES
            }
        };
        while begun.elapsed() < rest && !ending.load(Ordering::Relaxed) {
            std::thread::sleep(LOOK);
        }
    }
}

/// Title and text of a notification.
#[cfg(any(feature = "notify", test))]
fn in_words(alarm: &Alarm, source: &str) -> (String, String) {
    let event = &alarm.event.event;
    let title = format!("{} at {}", event.kind.word(), event.start_timecode);
    let untold = match alarm.untold {
        0 => String::new(),
        1 => " (1 more alarm before)".to_owned(),
        more => format!(" ({more} more alarms before)"),
    };
    (title, format!("{source}: {}{untold}", event.note))
}

fn run(alarm: &Alarm, (command, source): (&str, &str)) -> Result<Child> {
    let json = as_json(alarm, source)?;
    let event = &alarm.event.event;
    let mut child = shell(command)
        .env("TRUELINE_SOURCE", &*text::one_line(source))
        .env("TRUELINE_CHANGE", alarm.change)
        .env("TRUELINE_KIND", event.kind.word())
        .env("TRUELINE_SEVERITY", event.severity.word())
        .env("TRUELINE_TIMECODE", &event.start_timecode)
        .env("TRUELINE_FIELD", event.start_field.0.to_string())
        .env("TRUELINE_SECONDS", event.start_seconds.to_string())
        .env("TRUELINE_NOTE", &*text::one_line(&event.note))
        .env("TRUELINE_UNTOLD", alarm.untold.to_string())
        .stdin(Stdio::piped())
        // Standard output may carry frames, and a dashboard covers the terminal.
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .context("starting the command of --on-alarm")?;
    if let Some(mut stdin) = child.stdin.take() {
        // A command that does not read its input is none the worse; the event fits into a pipe's buffer.
        let _ = stdin.write_all(json.as_bytes());
    }
    Ok(child)
}

/// The event as its columns, with what became of it and how many alarms before it were not told.
fn as_json(alarm: &Alarm, source: &str) -> Result<String> {
    let mut json = serde_json::to_value(&alarm.event).context("writing an event as JSON")?;
    json["source"] = source.into();
    json["change"] = alarm.change.into();
    json["untold"] = alarm.untold.into();
    Ok(format!("{json}\n"))
}

#[cfg(unix)]
fn shell(command: &str) -> Command {
    let mut shell = Command::new("sh");
    shell.arg("-c").arg(command);
    shell
}

#[cfg(not(unix))]
fn shell(command: &str) -> Command {
    let mut shell = Command::new("cmd");
    shell.arg("/C").arg(command);
    shell
}

fn wait(mut child: Child, begun: Instant) {
    while matches!(child.try_wait(), Ok(None)) {
        if begun.elapsed() > LONGEST_RUN {
            // It may have ended in this moment: then there is nothing to end.
            let _ = child.kill();
            let _ = child.wait();
            return;
        }
        std::thread::sleep(LOOK);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::{Event, EventId, EventRecord};
    use crate::limits::Kind;
    use crate::record::FilePlace;
    use crate::timecode::FieldIndex;

    fn event(kind: Kind) -> EventRecord {
        EventRecord {
            id: EventId(7),
            kind,
            severity: Severity::Alarm,
            standing: false,
            start_field: FieldIndex(120),
            end_field: None,
            start_timecode: "00:00:02:10".into(),
            end_timecode: None,
            start_seconds: 2.4,
            duration_seconds: None,
            worst: Some(12.0),
            unit: Some("lines".into()),
            limit: Some(2.0),
            note: "Lines are \"torn\"; $HOME.".into(),
        }
    }

    fn alarm() -> Alarm {
        Alarm {
            event: Placed {
                event: event(Kind::Tear),
                file: Some(FilePlace {
                    tee_frame: Some(58),
                    file_seconds: Some(2.32),
                }),
            },
            change: "opened",
            untold: 3,
        }
    }

    #[test]
    #[cfg(unix)]
    fn the_command_gets_the_event_on_stdin_and_in_its_environment() {
        let directory = tempfile::tempdir().expect("room for a directory");
        let [read, environment] = ["read", "environment"].map(|name| directory.path().join(name));
        let command = format!(
            "cat > '{}'; printf '%s|%s|%s|%s' \"$TRUELINE_KIND\" \"$TRUELINE_TIMECODE\" \"$TRUELINE_NOTE\" \
             \"$TRUELINE_UNTOLD\" > '{}'",
            read.display(),
            environment.display()
        );
        let mut child = run(&alarm(), (&command, "/dev/video0")).expect("a shell");
        assert!(child.wait().expect("it ends").success());
        let json: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(read).expect("it was written"))
                .expect("JSON");
        assert_eq!(json["kind"], "tear");
        assert_eq!(json["start_field"], 120);
        assert_eq!(json["tee_frame"], 58);
        assert_eq!(json["file_seconds"], 2.32);
        assert_eq!(json["change"], "opened");
        assert_eq!(json["untold"], 3);
        assert_eq!(json["source"], "/dev/video0");
        let environment = std::fs::read_to_string(environment).expect("it was written");
        assert_eq!(environment, "tear|00:00:02:10|Lines are \"torn\"; $HOME.|3");
    }

    #[test]
    #[cfg(unix)]
    fn words_of_a_file_are_never_part_of_the_command() {
        let directory = tempfile::tempdir().expect("room for a directory");
        let [seen, made] = ["seen", "made"].map(|name| directory.path().join(name));
        let hostile = format!(
            "'; touch '{0}'; $(touch '{0}') `touch '{0}'`\n\0\u{1b}[2J",
            made.display()
        );
        let mut alarm = alarm();
        alarm.event.event.note.clone_from(&hostile);
        let command = format!(
            "printf '%s|%s' \"$TRUELINE_NOTE\" \"$TRUELINE_SOURCE\" > '{}'",
            seen.display()
        );
        let mut child = run(&alarm, (&command, &hostile)).expect("a shell");
        assert!(child.wait().expect("it ends").success());
        assert!(!made.exists(), "the shell has read a word of the file");
        let fit = text::one_line(&hostile);
        let seen = std::fs::read_to_string(seen).expect("it was written");
        assert_eq!(seen, format!("{fit}|{fit}"));
    }

    #[test]
    fn a_notification_says_what_where_and_of_which_source() {
        let (title, text) = in_words(&alarm(), "/dev/video0");
        assert_eq!(title, "tear at 00:00:02:10");
        assert_eq!(
            text,
            "/dev/video0: Lines are \"torn\"; $HOME. (3 more alarms before)"
        );
    }

    #[test]
    fn alarms_that_find_the_command_busy_are_counted_for_the_next() {
        let (alarms, queue) = bounded(1);
        let mut on_alarm = OnAlarm {
            alarms: Some(alarms),
            untold: 0,
            ending: Arc::default(),
            over: bounded(0).1,
        };
        let place = crate::alarms::script::place_at(0);
        let one = Event {
            id: EventId(1),
            kind: Kind::Tear,
            severity: Severity::Alarm,
            standing: false,
            start: place,
            end: None,
            start_timecode: crate::alarms::script::clock().label(place.frame()),
            end_timecode: None,
            worst: None,
            unit: "",
            limit: None,
            note: String::new(),
        };
        for _ in 0..4 {
            on_alarm.tell(Placed::new(&one, None), "opened");
        }
        assert_eq!(queue.recv().expect("the first").untold, 0);
        on_alarm.tell(Placed::new(&one, None), "worsened");
        let next = queue.recv().expect("the fifth");
        assert_eq!((next.untold, next.change), (3, "worsened"));
        assert_eq!(on_alarm.untold, 0);
    }
}
