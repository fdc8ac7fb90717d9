//! `export events --as webvtt`: each event as a cue, to lie beside the recorded file (W3C `WebVTT`, section 4).
//!
//! A cue lasts as long as its event and at least as long as it takes to read. Its identifier is the event's id; its first line
//! has timecode, kind and severity, the next the note. Cues of events at one time overlap, as the format allows.
//!
//! Does not know: whether anything plays them.

use std::fmt::Write as _;
use std::io::Write;

use super::Failure;
use super::timeline::Timeline;
use crate::alarms::Event;
use crate::record::Pass;

/// Letters read in a second, spaces included: subtitles for adults allow 15 to 20 (common practice, no source).
const LETTERS_A_SECOND: f64 = 15.0;

/// Shortest cue in seconds: less is a flash that nobody reads.
const SHORTEST_CUE: f64 = 2.0;

/// Longest time in seconds that a short event's cue is given to be read.
const LONGEST_READING: f64 = 8.0;

/// Writes all events.
pub(super) fn write<const N: usize>(pass: &Pass<N>, mut out: impl Write) -> Result<(), Failure> {
    let timeline = Timeline::of(pass)?;
    let events = pass.events()?;
    let mut cues: Vec<Cue> = events
        .iter()
        .filter_map(|event| Cue::of(event, &timeline))
        .collect();
    cues.sort_by(|a, b| a.start.total_cmp(&b.start).then(a.end.total_cmp(&b.end)));
    out.write_all(header(pass, &timeline, events.len() - cues.len()).as_bytes())?;
    for cue in &cues {
        let (start, end) = (time(cue.start), time(cue.end));
        write!(out, "\n{}\n{start} --> {end}\n{}\n", cue.id, cue.text)?;
    }
    Ok(out.flush()?)
}

struct Cue {
    id: u32,
    start: f64,
    end: f64,
    text: String,
}

impl Cue {
    /// `None` where the recorded file is over before the event.
    fn of(event: &Event, timeline: &Timeline) -> Option<Self> {
        let start = timeline.start_of(event.start)?;
        let end = event.end.map_or(timeline.end(), |end| timeline.end_of(end));
        let (label, severity) = (event.start_timecode, event.severity.word());
        let said = format!("{label}  {}  {severity}\n{}", event.kind, event.note);
        let said = without_empty_lines(&said);
        let reading = said.chars().count() as f64 / LETTERS_A_SECOND;
        let shortest = reading.clamp(SHORTEST_CUE, LONGEST_READING);
        Some(Self {
            id: event.id.0,
            start,
            end: end.max(start + shortest),
            text: escaped(&said),
        })
    }
}

fn header<const N: usize>(pass: &Pass<N>, timeline: &Timeline, left_out: usize) -> String {
    let head = pass.head();
    let mut text = String::from("WEBVTT\n\nNOTE\n");
    let tape = head.tape.iter().map(|tape| format!(" ({tape})"));
    let what = format!(
        "Events of a pass of {}{}.",
        head.source.name,
        tape.collect::<String>()
    );
    let _ = writeln!(text, "{}\n{}", escaped(&what), timeline.about());
    if left_out > 0 {
        let _ = writeln!(
            text,
            "Events after the end of the recorded file are left out: {left_out}."
        );
    }
    text
}

/// An empty line would end a cue or a comment.
fn without_empty_lines(text: &str) -> String {
    let lines = text.split(['\n', '\r']).map(str::trim);
    let lines: Vec<&str> = lines.filter(|line| !line.is_empty()).collect();
    lines.join("\n")
}

/// Text of a cue or a comment: no markup, no arrow, no empty line.
fn escaped(text: &str) -> String {
    without_empty_lines(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('\0', "\u{fffd}")
}

/// `00:01:02.345`.
fn time(seconds: f64) -> String {
    let millis = (seconds * 1e3).round() as u64;
    let (seconds, millis) = (millis / 1_000, millis % 1_000);
    let (minutes, hours) = (seconds / 60 % 60, seconds / 3_600);
    format!("{hours:02}:{minutes:02}:{:02}.{millis:03}", seconds % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::{Kind, Severity};
    use crate::record::testing::{closed, event, recorded};

    fn written(events: &[Event]) -> String {
        let (_scratch, pass) = recorded(1_000, |sender| {
            for event in events {
                sender.event(event).expect("room");
            }
        });
        let mut out = Vec::new();
        write(&pass, &mut out).expect("memory has room");
        String::from_utf8(out).expect("text")
    }

    #[test]
    fn cues_have_their_times_and_enough_of_them_to_read() {
        let long = closed(event(1, 10), 609);
        let short = Event {
            note: "three".to_owned(),
            ..closed(event(2, 32), 32)
        };
        let text = written(&[long, short]);
        let cues: Vec<&str> = text.split("\n\n").collect();
        assert_eq!(cues[0], "WEBVTT");
        assert!(cues[1].starts_with("NOTE\n") && cues[1].contains("Times are those of the pass"));
        // 10 and 610 fields of 1001/60000 s
        let first = "1\n00:00:00.167 --> 00:00:10.177\n00:00:59;25  wobble  alarm\nlines move, \"just visible\"";
        assert_eq!(cues[2], first);
        // 32 letters at 15 a second
        let second = "2\n00:00:00.534 --> 00:00:02.667\n00:01:00;08  wobble  alarm\nthree\n";
        assert_eq!(cues[3], second);
    }

    #[test]
    fn an_event_that_goes_on_lasts_to_the_end() {
        let text = written(&[event(1, 600)]);
        assert!(text.contains("00:00:10.010 --> 00:00:16.683"), "{text}");
    }

    #[test]
    fn a_hostile_note_stays_one_cue_without_markup() {
        let mark = Event {
            kind: Kind::Mark,
            severity: Severity::Notice,
            note: "00:00 --> 00:09\n\n<b>1 & 2</b>\r\n \r\nNOTE".to_owned(),
            ..closed(event(1, 10), 10)
        };
        let text = written(&[mark]);
        let cue = text.split("\n\n").nth(2).expect("one cue");
        let said: Vec<&str> = cue.lines().skip(3).collect();
        assert_eq!(
            said,
            ["00:00 --&gt; 00:09", "&lt;b&gt;1 &amp; 2&lt;/b&gt;", "NOTE"]
        );
        assert_eq!(text.matches("-->").count(), 1);
    }

    #[test]
    fn times_carry_over() {
        assert_eq!(time(59.9996), "00:01:00.000");
        assert_eq!(time(360_000.0 + 61.5), "100:01:01.500");
    }
}
