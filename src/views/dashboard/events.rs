//! What happened: the event log with timecodes, newest on top; the strip of standing conditions; the alarm banner.
//!
//! Does not know: when an event begins, stands or ends.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::alarms::{Event, wording};
use crate::record::{Live, advice, live::Logged};
use crate::units::Hertz;

use super::paint::{below_heading, fitting, heading, put, put_all, width_of};
use super::palette::{Palette, Tone};
use super::words;

/// Draws the log.
pub(super) fn draw_log(
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    skipped: usize,
    palette: Palette,
) {
    let count = live.events().len();
    let skipped = skipped.min(count.saturating_sub(1));
    let aside = match (skipped, live.unacknowledged()) {
        (0, 0) if count == 0 => String::new(),
        (0, 0) => format!("{count} kept"),
        (0, waiting) => format!("{waiting} to acknowledge"),
        (newer, _) => format!("{newer} newer above"),
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
    let shown = live.events().skip(skipped).take(body.height.into());
    for (row, logged) in shown.enumerate() {
        draw_event(buffer, body, row as u16, (logged, rate), palette);
    }
}

/// Column where the figures and the note of an event begin.
const DETAIL_COLUMN: u16 = 36;

fn draw_event(
    buffer: &mut Buffer,
    body: Rect,
    row: u16,
    (logged, rate): (&Logged, Option<Hertz>),
    palette: Palette,
) {
    let event = &logged.event;
    let room = body.width.saturating_sub(DETAIL_COLUMN);
    let said = sayings(event, rate);
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
            (fitting(&said, room), palette.ink(Tone::Faint)),
        ],
    );
}

/// How long an event lasted, or that it goes on; nothing of a single field.
pub(super) fn lasted(event: &Event) -> String {
    match event.end {
        None if event.standing => "standing".into(),
        None => "goes on".into(),
        Some(end) if end == event.start => String::new(),
        Some(end) => wording::duration((end.seconds - event.start.seconds).0),
    }
}

/// `2.3 samples (171 ns), limit 0.7`, and without the limit; empty where the event has no figure.
fn figures(event: &Event, rate: Option<Hertz>) -> [String; 2] {
    let Some(worst) = event.worst else {
        return [String::new(), String::new()];
    };
    let worst = match event.unit {
        "ns" => words::timing(worst, rate),
        // A row of the field: the one quantity without a unit that has limits.
        "" => format!("line {}", words::tidy(worst)),
        "fields" | "lines" => format!("{worst:.0} {}", event.unit),
        unit => format!("{} {unit}", words::tidy(worst)),
    };
    let with_limit = event.limit.map(|limit| {
        let limit = match event.unit {
            "ns" if rate.is_some() => words::in_samples(limit, rate),
            _ => limit,
        };
        format!("{worst}, limit {}", words::tidy(limit))
    });
    [with_limit.unwrap_or_else(|| worst.clone()), worst]
}

/// The note, a sentence with its figures in it; and for where it does not fit, the figure first, then the note to be cut.
pub(super) fn sayings(event: &Event, rate: Option<Hertz>) -> [String; 2] {
    let [_, worst] = figures(event, rate);
    let cut = if worst.is_empty() {
        event.note.clone()
    } else {
        format!("{worst}; {}", event.note)
    };
    [event.note.clone(), cut]
}

/// Draws the conditions that stand.
pub(super) fn draw_standing(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    let mut column = put(buffer, area, (0, 0), "standing ", palette.ink(Tone::Faint));
    let start = column;
    for logged in live.standing() {
        let event = &logged.event;
        column = put_all(
            buffer,
            area,
            (column, 0),
            &[
                ("▲", palette.ink(Tone::Look)),
                (" ", palette.ink(Tone::Plain)),
                (words::kind(event.kind), palette.ink(Tone::Look)),
                (
                    &format!(" since {}  ", event.start_timecode),
                    palette.ink(Tone::Plain),
                ),
            ],
        );
    }
    if column > start {
        return;
    }
    if let Some(finding) = live.finding() {
        let said = format!("finding levels: {finding}");
        put(buffer, area, (0, 0), &said, palette.ink(Tone::Look));
        return;
    }
    let nothing = put(
        buffer,
        area,
        (start, 0),
        "nothing",
        palette.ink(Tone::Faint),
    );
    draw_advice(buffer, area, nothing, live, palette);
}

/// Says how the tape's black stands, and what to do about it, where nothing else stands.
fn draw_advice(buffer: &mut Buffer, area: Rect, nothing: u16, live: &Live, palette: Palette) {
    let Some(setup) = live.latest().and_then(|latest| latest.levels.setup) else {
        return;
    };
    let advice = advice::with_control(&setup, |change| live.brightness_to_move(change));
    let (tone, symbol, column) = if advice.is_urgent {
        // It stands as long as nobody changes it.
        (Tone::Look, "▲ ", "standing ".len() as u16)
    } else {
        (Tone::Faint, "", nothing + 2)
    };
    let room = area.width.saturating_sub(column + width_of(symbol));
    let said = fitting(&advice.ways, room);
    if width_of(said) > room {
        return;
    }
    let pieces = [(symbol, palette.ink(tone)), (said, palette.ink(tone))];
    put_all(buffer, area, (column, 0), &pieces);
}

/// Draws the banner: the newest alarm that waits for the operator, else a quiet line.
pub(super) fn draw_banner(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    if let Some(logged) = live.pressing() {
        return draw_alarm(buffer, area, live, &logged.event, palette);
    }
    let waiting = live.unacknowledged();
    let said = match waiting {
        0 => "no alarm".to_owned(),
        1 => "▲ one alarm to acknowledge: a".to_owned(),
        _ => format!("▲ {waiting} alarms to acknowledge: a"),
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
    let start = area.width.saturating_sub(width_of(&watched));
    let pass = match &head.recorded_to {
        Some(pass) => [
            format!(" · pass kept in {pass}"),
            " · pass kept".to_owned(),
            String::new(),
        ],
        None => [
            " · no pass is kept".to_owned(),
            " · no pass".to_owned(),
            String::new(),
        ],
    };
    let room = start.saturating_sub(column + 1);
    let place = Rect {
        width: start.min(area.width),
        ..area
    };
    let column = put(
        buffer,
        place,
        (column, 0),
        fitting(&pass, room),
        palette.ink(Tone::Faint),
    );
    if start > column {
        put(buffer, area, (start, 0), &watched, palette.ink(Tone::Faint));
    }
}

fn draw_alarm(buffer: &mut Buffer, area: Rect, live: &Live, event: &Event, palette: Palette) {
    let style = palette.fill(Tone::Stop);
    buffer.set_style(area.intersection(buffer.area), style);
    let more = match live.unacknowledged() {
        0 | 1 => String::new(),
        count => format!(" (+{})", count - 1),
    };
    let hint = format!("{more}  a acknowledges ");
    let kind = words::kind(event.kind);
    let said = format!(" ■ ALARM {kind} since {}: ", event.start_timecode);
    let column = put(buffer, area, (0, 0), &said, style);
    let end = area.width.saturating_sub(width_of(&hint));
    let room = end.saturating_sub(column);
    let figures = figures(event, live.sample_rate());
    let place = Rect { width: end, ..area };
    put(buffer, place, (column, 0), fitting(&figures, room), style);
    put(buffer, area, (end, 0), &hint, style);
}
