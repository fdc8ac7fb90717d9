//! What happened: the event log with timecodes, newest on top; the strip of standing conditions; the alarm banner.
//!
//! Does not know: when an event begins, stands or ends.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::alarms::Event;
use crate::record::Live;
use crate::record::live::Logged;
use crate::units::Hertz;

use super::paint::{below_heading, heading, put, put_all};
use super::palette::{Palette, Tone};
use super::words;

/// Draws the log.
pub(super) fn draw_log(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    let count = live.events().len();
    let aside = match live.unacknowledged() {
        0 if count == 0 => String::new(),
        0 => format!("{count} kept"),
        waiting => format!("{waiting} not acknowledged"),
    };
    heading(buffer, area, palette, "events", &aside);
    let body = below_heading(area);
    if count == 0 {
        put(
            buffer,
            body,
            (0, 0),
            "nothing has happened",
            palette.ink(Tone::Faint),
        );
    }
    let rate = live.sample_rate();
    for (row, logged) in live.events().take(body.height.into()).enumerate() {
        draw_event(buffer, body, row as u16, (logged, rate), palette);
    }
}

fn draw_event(
    buffer: &mut Buffer,
    body: Rect,
    row: u16,
    (logged, rate): (&Logged, Option<Hertz>),
    palette: Palette,
) {
    let event = &logged.event;
    let (tone, symbol) = words::severity(event.severity, event.end.is_none());
    let waiting = !logged.acknowledged && tone == Tone::Stop;
    let kind_tone = if waiting || event.end.is_none() {
        tone
    } else {
        Tone::Plain
    };
    put_all(
        buffer,
        body,
        (0, row),
        &[
            (&event.start_timecode.to_string(), palette.ink(Tone::Plain)),
            (" ", palette.ink(Tone::Plain)),
            (symbol, palette.ink(tone)),
            (
                &format!(" {:<12}", words::kind(event.kind)),
                palette.ink(kind_tone),
            ),
            (&format!("{:>8}  ", lasted(event)), palette.ink(Tone::Plain)),
            (&detail(event, rate), palette.ink(Tone::Faint)),
        ],
    );
}

fn lasted(event: &Event) -> String {
    match event.end {
        None if event.standing => "standing".into(),
        None => "goes on".into(),
        Some(end) if end == event.start => String::new(),
        Some(end) => words::duration(end.seconds - event.start.seconds),
    }
}

/// `2.3 samples (171 ns), limit 0.7; top third`.
fn detail(event: &Event, rate: Option<Hertz>) -> String {
    let worst = event.worst.map(|worst| match event.unit {
        "ns" => words::timing(worst, rate),
        unit => format!("{} {unit}", words::tidy(worst))
            .trim_end()
            .to_owned(),
    });
    let limit = event.limit.map(|limit| match event.unit {
        "ns" if rate.is_some() => format!("limit {}", words::tidy(words::in_samples(limit, rate))),
        _ => format!("limit {}", words::tidy(limit)),
    });
    let figures: Vec<String> = worst.into_iter().chain(limit).collect();
    match (figures.is_empty(), event.note.is_empty()) {
        (false, false) => format!("{}; {}", figures.join(", "), event.note),
        (false, true) => figures.join(", "),
        (true, _) => event.note.clone(),
    }
}

/// Draws the conditions that stand.
pub(super) fn draw_standing(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    let mut column = put(buffer, area, (0, 0), "standing ", palette.ink(Tone::Faint));
    let start = column;
    for logged in live.standing() {
        let event = &logged.event;
        let (_, symbol) = words::severity(event.severity, true);
        column = put_all(
            buffer,
            area,
            (column, 0),
            &[
                (symbol, palette.ink(Tone::Look)),
                (" ", palette.ink(Tone::Plain)),
                (words::kind(event.kind), palette.ink(Tone::Look)),
                (
                    &format!(" since {}  ", event.start_timecode),
                    palette.ink(Tone::Plain),
                ),
            ],
        );
    }
    if column == start {
        put(
            buffer,
            area,
            (start, 0),
            "nothing",
            palette.ink(Tone::Faint),
        );
    }
}

/// Draws the banner: the newest alarm that waits for the operator, else a quiet line.
pub(super) fn draw_banner(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    if let Some(logged) = live.pressing() {
        return draw_alarm(buffer, area, live, &logged.event, palette);
    }
    let waiting = live.unacknowledged();
    let said = match waiting {
        0 => "no alarm".to_owned(),
        1 => "▲ one alarm not acknowledged: a".to_owned(),
        _ => format!("▲ {waiting} alarms not acknowledged: a"),
    };
    let tone = if waiting == 0 {
        Tone::Faint
    } else {
        Tone::Look
    };
    let column = put(buffer, area, (0, 0), &said, palette.ink(tone));
    let head = live.head();
    let watched = match &head.tape {
        Some(tape) => format!("{tape} · {}", head.source),
        None => head.source.clone(),
    };
    let start = area.width.saturating_sub(super::paint::width_of(&watched));
    if start > column {
        put(buffer, area, (start, 0), &watched, palette.ink(Tone::Faint));
    }
}

fn draw_alarm(buffer: &mut Buffer, area: Rect, live: &Live, event: &Event, palette: Palette) {
    let style = palette.fill(Tone::Stop);
    let more = match live.unacknowledged() {
        0 | 1 => String::new(),
        count => format!("  (+{})", count - 1),
    };
    let said = format!(
        " ■ ALARM {} since {}: {}{more}",
        words::kind(event.kind),
        event.start_timecode,
        detail(event, live.sample_rate()),
    );
    buffer.set_style(area.intersection(buffer.area), style);
    put(buffer, area, (0, 0), &said, style);
    let hint = " a acknowledges ";
    let start = area.width.saturating_sub(hint.len() as u16);
    put(buffer, area, (start, 0), hint, style);
}
