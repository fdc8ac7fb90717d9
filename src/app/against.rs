//! `watch --against`: an earlier pass of the tape, followed on a thread of its own.
//!
//! In: readings on the analysis thread, copied into a bounded queue. Out: where on the earlier pass the tape stands and what differs there,
//! for the dashboard, or as a line on stderr where there is none. The queue never holds up a source that does not wait: what finds no room
//! is left out, and looks like fields that were lost.
//!
//! Does not know: how a place is found.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Context, Error, Result};
use crossbeam_channel::{Receiver, Sender, bounded};

use crate::alarms::PassClock;
use crate::compare::{Account, Against, Follower, Taken};
use crate::measures::Readings;
use crate::record::Live;
use crate::record::live::{ChainDifference, Earlier, Held, Shown, Whereabouts, shown_values};
use crate::units::CodeRange;

use super::capture::PATIENCE;
use super::report::open_as_far_as_it_goes;
use super::say;
use super::sinks::{Measured, Seen, Sink};

/// Fields that may wait: twenty seconds, in which six hours of an earlier pass are read.
const QUEUE_FIELDS: usize = 1200;

/// Opens a pass to be watched against.
///
/// # Errors
/// It is no pass, of a newer version, or holds nothing by which a place is found.
pub(super) fn open(path: &Path) -> Result<Against> {
    let doing = || format!("watching against '{}'", path.display());
    let pass = open_as_far_as_it_goes(path, "watched against").with_context(doing)?;
    Against::new(pass).with_context(doing)
}

/// What the thread is told: a field, or that there are no more.
type Word = Option<Taken>;

/// An earlier pass being followed.
pub(super) struct Following {
    path: String,
    live: Arc<Mutex<Live>>,
    fields: Sender<Word>,
    account: Receiver<Account>,
}

/// How the place is told.
pub(super) struct Telling {
    live: Arc<Mutex<Live>>,
    clock: PassClock,
    aloud: bool,
}

impl Following {
    /// Starts the thread; the sink is what hands it fields. A source that `waits` waits for it too.
    ///
    /// # Errors
    /// The system has no thread left.
    pub(super) fn start(
        against: Against,
        range: CodeRange,
        telling: Telling,
        waits: bool,
    ) -> Result<(Self, Box<dyn Sink>)> {
        let (fields, heard) = bounded(QUEUE_FIELDS);
        let (told, account) = bounded(1);
        telling.tell(&Earlier::new(against.name().to_owned()));
        let (live, path) = (Arc::clone(&telling.live), against.path());
        let path = path.display().to_string();
        std::thread::Builder::new()
            .name("against".into())
            .spawn(move || {
                let done = follow(against, range, &heard, &telling);
                let _ = told.try_send(done); // nobody has to listen
            })
            .context("starting the thread that follows the earlier pass")?;
        let sink: Box<dyn Sink> = Box::new(Fields {
            fields: fields.clone(),
            waits,
        });
        Ok((
            Self {
                path,
                live,
                fields,
                account,
            },
            sink,
        ))
    }

    /// Ends the thread, and says for the record which pass it was, how far it was followed, and what differed last. A disk that hangs is
    /// not waited for.
    pub(super) fn finish(self) -> String {
        let _ = self.fields.send_timeout(None, PATIENCE);
        let Ok(account) = self.account.recv_timeout(PATIENCE) else {
            return self.path;
        };
        let live = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        let differences = live.earlier().map(differences).unwrap_or_default();
        format!("{}; {}{differences}", self.path, in_words(account))
    }
}

fn in_words(account: Account) -> String {
    match account.last {
        None => "the place on it was not found".to_owned(),
        Some(last) => format!(
            "{} of {} fields were held against it, the last at {last}",
            account.followed, account.fields
        ),
    }
}

/// What differed last, quantities by their ids; empty where nothing did that could be told.
fn differences(earlier: &Earlier) -> String {
    let quantities = Shown::ALL.into_iter().filter_map(|shown| {
        let Held { value, sigma } = earlier.difference(shown)?.difference;
        Some(format!("{} {value:+.2} ±{sigma:.2}", shown.quantity()?))
    });
    let chain = earlier.chain.iter().map(ChainDifference::words);
    let said: Vec<String> = quantities.chain(chain).collect();
    if said.is_empty() {
        String::new()
    } else {
        format!("; over its last seconds: {}", said.join(", "))
    }
}

/// Hands fields on.
struct Fields {
    fields: Sender<Word>,
    waits: bool,
}

impl Sink for Fields {
    fn take(&mut self, seen: &Seen<'_>) -> Result<()> {
        if let Some(Measured { readings, .. }) = seen.measured {
            self.hand_on(readings);
        }
        Ok(())
    }
}

impl Fields {
    fn hand_on(&self, readings: &Readings) {
        let taken = Some(Taken {
            field: readings.place.field,
            print: readings.fingerprint,
            values: shown_values(readings),
        });
        // A thread that has given up has said so itself; a queue that is full costs the comparison some fields and the transfer none.
        if self.waits {
            let _ = self.fields.send(taken);
        } else {
            let _ = self.fields.try_send(taken);
        }
    }
}

fn follow(
    against: Against,
    range: CodeRange,
    heard: &Receiver<Word>,
    telling: &Telling,
) -> Account {
    let name = against.name().to_owned();
    let mut account = Account::default();
    let run = || -> Result<()> {
        let mut follower: Follower = against.follower(range)?;
        while let Ok(Some(taken)) = heard.recv() {
            let earlier = follower.take(&taken);
            account = follower.account();
            if let Some(earlier) = earlier? {
                telling.tell(&earlier);
            }
        }
        Ok(())
    };
    if let Err(error) = run() {
        telling.tell(&unreadable(name, &error));
    }
    account
}

fn unreadable(name: String, error: &Error) -> Earlier {
    Earlier {
        whereabouts: Whereabouts::Unreadable(format!("{error:#}")),
        ..Earlier::new(name)
    }
}

impl Telling {
    /// To a dashboard, whose frames `clock` labels; where nothing is drawn, in lines on stderr too.
    pub(super) fn new(live: &Arc<Mutex<Live>>, clock: PassClock, aloud: bool) -> Self {
        Self {
            live: Arc::clone(live),
            clock,
            aloud,
        }
    }

    fn tell(&self, earlier: &Earlier) {
        let mut live = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        let before = live.earlier().map(|earlier| earlier.whereabouts.clone());
        live.set_earlier(earlier.clone());
        drop(live);
        if self.aloud
            && let Some(line) = self.line(before.as_ref(), earlier)
        {
            say(&line);
        }
    }

    /// What is said where the place was found, lost or given up just now.
    fn line(&self, before: Option<&Whereabouts>, earlier: &Earlier) -> Option<String> {
        let name = &earlier.name;
        let was_at = matches!(before, Some(Whereabouts::At { .. }));
        match &earlier.whereabouts {
            Whereabouts::At {
                field, timecode, ..
            } if !was_at => {
                let here = self.clock.label(field.frame());
                Some(format!(
                    "against {name}: found, {here} here is {timecode} there"
                ))
            }
            Whereabouts::Sought(_) if was_at => Some(format!(
                "against {name}: the place is lost, and looked for again"
            )),
            Whereabouts::Missing(wanting) if !matches!(before, Some(Whereabouts::Missing(_))) => {
                let why = wanting.words();
                Some(format!(
                    "against {name}: not found on the earlier pass in a minute of tape ({why}); it is looked for on"
                ))
            }
            Whereabouts::Unreadable(why) => Some(format!("against {name}: {why}")),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::script::healthy;
    use crate::record::live::Wanting;
    use crate::timecode::{Counting, FieldIndex, FrameIndex, Timecode};

    fn telling() -> Telling {
        let clock = PassClock {
            start: Timecode::zero(Counting::At25),
        };
        let head = crate::record::live::Head {
            source: "tape:clean".into(),
            tape: None,
            recorded_to: None,
            standard: None,
            sample_rate: None,
            range: CodeRange::Studio,
            clock,
        };
        Telling::new(&Arc::new(Mutex::new(Live::new(head))), clock, true)
    }

    fn earlier(whereabouts: Whereabouts) -> Earlier {
        Earlier {
            whereabouts,
            ..Earlier::new("bare.pass".into())
        }
    }

    #[test]
    fn a_place_is_told_when_it_is_found_and_when_it_is_lost_and_not_in_between() {
        let telling = telling();
        let at = |certain| Whereabouts::At {
            field: FieldIndex(500),
            timecode: Timecode::from_frame(FrameIndex(1500), Counting::At25),
            certain,
        };
        let sought = Whereabouts::Sought(Wanting::Time);
        let missing = Whereabouts::Missing(Wanting::Likeness);
        let mut before = None;
        let mut said = Vec::new();
        for whereabouts in [
            Whereabouts::Reading,
            sought.clone(),
            at(true),
            at(false),
            sought,
            missing.clone(),
            missing,
            at(true),
        ] {
            let now = earlier(whereabouts);
            said.extend(telling.line(before.as_ref(), &now));
            before = Some(now.whereabouts);
        }
        let found = "against bare.pass: found, 00:00:10:00 here is 00:01:00:00 there";
        assert_eq!(said.len(), 4, "{said:?}");
        assert_eq!((said[0].as_str(), said[3].as_str()), (found, found));
        assert!(
            said[1].contains("lost") && said[2].contains("not found"),
            "{said:?}"
        );
    }

    #[test]
    fn a_queue_that_is_full_holds_nothing_up() {
        let (fields, heard) = bounded(2);
        let sink = Fields {
            fields,
            waits: false,
        };
        for field in 0..5 {
            sink.hand_on(&healthy(field));
        }
        let kept: Vec<u64> = heard
            .try_iter()
            .flatten()
            .map(|taken| taken.field.0)
            .collect();
        assert_eq!(kept, [0, 1]);
    }
}
