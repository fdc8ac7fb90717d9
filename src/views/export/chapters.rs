//! `export events --as chapters`: the pass as chapters, in the metadata format of `FFmpeg` (its manual, section "Metadata").
//!
//! Chapters begin at 0, follow each other without gaps and end with the file. One begins where programme begins and where it
//! ends, at each mark, at each alarm and where that is over. What begins within a second is one chapter with the names of all;
//! alarms that overlap, or follow each other so closely, are one. What begins in the last second begins none.
//!
//! Does not know: what becomes of the file.

use std::io::Write;

use super::Failure;
use super::timeline::Timeline;
use crate::alarms::{Event, WhyEnded};
use crate::limits::{Kind, Severity};
use crate::record::{Pass, ProgrammeSpan, RecordError};

/// Shortest chapter in seconds: players list them for people to choose from, and a shorter one is over before it is seen.
const SHORTEST_CHAPTER: f64 = 1.0;

/// Seconds that make no difference to times in milliseconds.
const ROUNDING: f64 = 1e-6;

/// Chapters count in milliseconds.
const TIMEBASE: f64 = 1e3;

/// Writes all chapters.
pub(super) fn write<const N: usize>(pass: &Pass<N>, mut out: impl Write) -> Result<(), Failure> {
    let timeline = Timeline::of(pass)?;
    let head = pass.head();
    writeln!(out, ";FFMETADATA1")?;
    writeln!(out, "; {}", timeline.about())?;
    let title = head.tape.as_ref().unwrap_or(&head.source.name);
    writeln!(out, "title={}", escaped(title))?;
    for chapter in chapters(pass, &timeline)? {
        let (start, end, title) = (chapter.start, chapter.end, escaped(&chapter.title));
        writeln!(out, "\n[CHAPTER]\nTIMEBASE=1/{TIMEBASE:.0}")?;
        writeln!(out, "START={start}\nEND={end}\ntitle={title}")?;
    }
    Ok(out.flush()?)
}

/// Ends where the next begins.
#[derive(Debug, PartialEq)]
struct Chapter {
    start: u64,
    end: u64,
    title: String,
}

/// Where a chapter may begin.
struct Point {
    at: f64,
    /// `None`: what was there before goes on.
    title: Option<String>,
}

fn chapters<const N: usize>(
    pass: &Pass<N>,
    timeline: &Timeline,
) -> Result<Vec<Chapter>, RecordError> {
    let base = base(pass, timeline)?;
    let events = pass.events()?;
    let mut points = alarms(&events, timeline);
    points.extend(marks(&events, timeline));
    Ok(laid_out(&base, points, timeline.end()))
}

/// Programme and what lies between, from 0 on.
fn base<const N: usize>(
    pass: &Pass<N>,
    timeline: &Timeline,
) -> Result<Vec<(f64, String)>, RecordError> {
    let mut base = vec![(0.0, String::from("Before the programme"))];
    let spans = pass.programme()?;
    for (number, span) in (1..).zip(&spans) {
        let place = pass.place_from(span.start)?;
        let start = place.and_then(|place| timeline.start_of_field(span.start, place.seconds));
        let Some(start) = start else { continue };
        base.push((start, name(number, spans.len())));
        let (Some(end), Some(after)) = (span.end, after(span)) else {
            continue;
        };
        if let Some(place) = pass.place_from(end)? {
            base.push((timeline.end_of(place), after));
        }
    }
    Ok(base)
}

fn name(number: usize, of: usize) -> String {
    if of == 1 {
        String::from("Programme")
    } else {
        format!("Programme {number}")
    }
}

/// What follows a span; `None` where nothing does.
fn after(span: &ProgrammeSpan) -> Option<String> {
    let what = match span.why_ended? {
        WhyEnded::Snow => "snow",
        WhyEnded::Muted => "flat picture",
        WhyEnded::NoSignal => "no signal",
        WhyEnded::SourceLost => "source lost",
        WhyEnded::PassEnded => return None,
    };
    Some(format!("After the programme: {what}"))
}

/// A point at each run of alarms and one where it is over.
fn alarms(events: &[Event], timeline: &Timeline) -> Vec<Point> {
    let alarms = events
        .iter()
        .filter(|event| event.severity == Severity::Alarm);
    let mut runs: Vec<(f64, f64, Vec<&Event>)> = Vec::new();
    let mut placed: Vec<(f64, &Event)> = alarms
        .filter_map(|event| Some((timeline.start_of(event.start)?, event)))
        .collect();
    placed.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (start, event) in placed {
        let end = event.end.map_or(timeline.end(), |end| timeline.end_of(end));
        // What goes on after a shorter one has a chapter too.
        let end = end.max(start + SHORTEST_CHAPTER);
        match runs.last_mut() {
            Some(run) if start < run.1 + SHORTEST_CHAPTER => {
                run.1 = run.1.max(end);
                run.2.push(event);
            }
            _ => runs.push((start, end, vec![event])),
        }
    }
    let points = runs.into_iter().flat_map(|(start, end, events)| {
        let title = match events.as_slice() {
            [only] => format!("Alarm: {}. {}", only.kind, only.note),
            several => format!("Alarms: {}", kinds(several)),
        };
        [
            Point {
                at: start,
                title: Some(title),
            },
            Point {
                at: end,
                title: None,
            },
        ]
    });
    points.collect()
}

/// Each kind once, with its number where that is not one.
fn kinds(events: &[&Event]) -> String {
    let mut counted: Vec<(Kind, usize)> = Vec::new();
    for event in events {
        match counted.iter_mut().find(|(kind, _)| *kind == event.kind) {
            Some((_, count)) => *count += 1,
            None => counted.push((event.kind, 1)),
        }
    }
    let named: Vec<String> = counted
        .iter()
        .map(|(kind, count)| match count {
            1 => kind.to_string(),
            _ => format!("{kind} ({count})"),
        })
        .collect();
    named.join(", ")
}

fn marks(events: &[Event], timeline: &Timeline) -> Vec<Point> {
    let marks = events.iter().filter(|event| event.kind == Kind::Mark);
    let points = marks.filter_map(|event| {
        Some(Point {
            at: timeline.start_of(event.start)?,
            title: Some(format!("Mark: {}", event.note)),
        })
    });
    points.collect()
}

/// Chapters one after the other, of what goes on and of what begins within it.
fn laid_out(base: &[(f64, String)], points: Vec<Point>, end: f64) -> Vec<Chapter> {
    let of_base = base.iter().map(|(at, title)| Point {
        at: *at,
        title: Some(title.clone()),
    });
    let mut points: Vec<Point> = of_base.chain(points).collect();
    points.sort_by(|a, b| a.at.total_cmp(&b.at));
    let goes_on = |at: f64| {
        let under_way = base.iter().rfind(|(start, _)| *start <= at);
        let title = under_way.map_or("", |(_, title)| title);
        format!("{title}, continued")
    };
    // What begins within a second is one: all its names, the last of what goes on.
    let mut merged: Vec<(f64, Vec<String>)> = Vec::new();
    for point in points {
        match merged.last_mut() {
            Some((at, titles)) if point.at + ROUNDING < *at + SHORTEST_CHAPTER => {
                titles.extend(point.title.filter(|title| !titles.contains(title)));
            }
            _ => merged.push((
                point.at,
                vec![point.title.unwrap_or_else(|| goes_on(point.at))],
            )),
        }
    }
    // A chapter of no length would be none.
    merged.retain(|(at, _)| *at == 0.0 || *at + SHORTEST_CHAPTER <= end);
    let in_base = |seconds: f64| (seconds * TIMEBASE).round() as u64;
    let ends = merged.iter().skip(1).map(|(at, _)| *at).chain([end]);
    let ends: Vec<f64> = ends.collect();
    let begins_with_base = |titles: &[String]| titles.len() > 1 && titles[0] == base[0].1;
    merged
        .into_iter()
        .zip(ends)
        .map(|((at, titles), end)| Chapter {
            start: in_base(at),
            end: in_base(end).max(in_base(at) + 1),
            // The lead-in is worth no name where something else begins with the file.
            title: titles[usize::from(begins_with_base(&titles))..].join("; "),
        })
        .collect()
}

/// A value with what the format gives a meaning to made plain.
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars().filter(|letter| !matches!(letter, '\r' | '\0')) {
        if matches!(letter, '=' | ';' | '#' | '\\' | '\n') {
            escaped.push('\\');
        }
        escaped.push(letter);
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::testing::{closed, event, recorded};
    use crate::timecode::FieldIndex;

    /// Seventeen seconds: programme from 5 to 15 s, a mark, alarms.
    fn written(events: &[Event]) -> String {
        let span = ProgrammeSpan {
            start: FieldIndex(300),
            end: Some(FieldIndex(899)),
            why_ended: Some(WhyEnded::Snow),
        };
        let (_scratch, pass) = recorded(1_000, |sender| {
            sender.programme(&[span]).expect("room");
            for event in events {
                sender.event(event).expect("room");
            }
        });
        let mut out = Vec::new();
        write(&pass, &mut out).expect("memory has room");
        String::from_utf8(out).expect("text")
    }

    /// Start, end and title of each chapter.
    fn chapters(text: &str) -> Vec<(u64, u64, &str)> {
        let value = |chapter: &'_ str, key: &str| -> u64 {
            let found = chapter.lines().find_map(|line| line.strip_prefix(key));
            found.and_then(|it| it.parse().ok()).expect("a number")
        };
        let chapters = text.split("[CHAPTER]\n").skip(1);
        chapters
            .map(|chapter| {
                let title = chapter.split_once("title=").expect("a title").1;
                (
                    value(chapter, "START="),
                    value(chapter, "END="),
                    title.trim_end(),
                )
            })
            .collect()
    }

    #[test]
    fn chapters_cover_the_file_without_a_gap() {
        let mark = Event {
            kind: Kind::Mark,
            severity: Severity::Notice,
            note: "the ferry".to_owned(),
            ..closed(event(2, 420), 420)
        };
        let events = [
            closed(event(1, 540), 659),
            mark,
            closed(event(3, 840), 899),
            closed(event(4, 850), 860),
        ];
        let text = written(&events);
        assert!(text.starts_with(";FFMETADATA1\n; Times are those of the pass"));
        let expected = [
            (0, 5_005, "Before the programme"),
            (5_005, 7_007, "Programme"),
            (7_007, 9_009, "Mark: the ferry"),
            (9_009, 11_011, "Alarm: wobble. lines move, \"just visible\""),
            (11_011, 14_014, "Programme, continued"),
            (14_014, 15_015, "Alarms: wobble (2)"),
            (15_015, 16_683, "After the programme: snow"),
        ];
        assert_eq!(chapters(&text), expected);
    }

    #[test]
    fn what_begins_together_is_one_chapter() {
        let start = closed(event(1, 0), 120);
        let with_programme = closed(event(2, 310), 420);
        let last = closed(event(3, 970), 999);
        let text = written(&[start, with_programme, last]);
        let chapters = chapters(&text);
        assert!(chapters[0].2.starts_with("Alarm: wobble"), "{chapters:?}");
        let joined = chapters.iter().find(|chapter| chapter.0 == 5_005);
        let joined = joined.expect("programme begins there");
        assert!(
            joined.2.starts_with("Programme\\; Alarm: wobble"),
            "{joined:?}"
        );
        assert_eq!(chapters.last().map(|it| it.1), Some(16_683));
        for pair in chapters.windows(2) {
            assert_eq!(pair[0].1, pair[1].0);
            assert!(pair[0].0 < pair[0].1);
        }
    }

    #[test]
    fn signs_of_the_format_are_escaped() {
        assert_eq!(escaped("a=b;c#d\\e\r\nf"), "a\\=b\\;c\\#d\\\\e\\\nf");
    }
}
