//! The length of the pass as a row for each group, a symbol a minute; the row of events; the axis; what is said of the cursor's place.
//!
//! A column that stands for several minutes shows the worst of them; a minute that takes several columns is in each.
//!
//! Does not know: how a minute is judged.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Modifier;

use super::super::paint::{fitting, heading, put, put_all, width_of};
use super::super::palette::Tone;
use super::super::words;
use super::Review;
use super::verdict::tone;
use crate::alarms::Event;
use crate::limits::{Kind, Severity};
use crate::measures::Group;
use crate::record::{MINUTE, Minute, Verdict};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

/// Heading, five groups, events, axis.
pub(super) const ROWS: u16 = 8;

/// Columns before a row: the longest name of a group, and its word's symbol.
const NAMES: u16 = 15;

/// Columns a label of the axis takes, and a space.
const LABEL: u16 = 9;

/// Columns of a row in an area, beside the names.
pub(super) fn columns(area: Rect) -> u16 {
    area.width.saturating_sub(NAMES).max(1)
}

/// Draws all of it.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, review: &Review) {
    let palette = review.palette;
    let (from, to) = review.window.ends();
    let span = format!(
        "{} to {}: ● clean ▲ usable ? undecided ■ unfit",
        words::clock(Seconds(from)),
        words::clock(Seconds(to))
    );
    let name = if review.window.is_whole() {
        "whole length"
    } else {
        "part of it"
    };
    heading(buffer, area, palette, name, &span);
    let body = Rect {
        x: area.x + NAMES,
        width: columns(area),
        ..area
    };
    for (at, group) in Group::ALL.into_iter().enumerate() {
        let row = at as u16 + 1;
        draw_name(buffer, area, row, (at, group), review);
        for column in 0..body.width {
            let ends = review.window.of_column(column, body.width);
            if let Some(verdict) = worst_of(&review.finished.minutes, group, ends) {
                let (tone, symbol) = tone(verdict);
                put(buffer, body, (column, row), symbol, palette.ink(tone));
            }
        }
    }
    let row = Group::ALL.len() as u16 + 1;
    put(buffer, area, (2, row), "events", palette.ink(Tone::Faint));
    draw_events(buffer, body, row, review);
    draw_axis(buffer, body, row + 1, review);
    draw_cursor(buffer, body, review);
}

fn draw_name(
    buffer: &mut Buffer,
    area: Rect,
    row: u16,
    (at, group): (usize, Group),
    review: &Review,
) {
    let palette = review.palette;
    let here = at == review.group;
    let ink = palette.ink(if here { Tone::Strong } else { Tone::Plain });
    let pointer = if here { "› " } else { "  " };
    let (tone, symbol) = tone(review.finished.judgement.groups.of(group));
    put_all(
        buffer,
        area,
        (0, row),
        &[(pointer, ink), (group.word(), ink)],
    );
    put(buffer, area, (NAMES - 2, row), symbol, palette.ink(tone));
}

/// Minutes that reach into a stretch.
fn minutes_in(minutes: &[Minute], (from, to): (f64, f64)) -> &[Minute] {
    let first = (from / MINUTE as f64) as usize;
    let end = (to / MINUTE as f64).ceil() as usize;
    let end = end.min(minutes.len());
    &minutes[first.min(end)..end]
}

/// The worst word of a group's minutes in a stretch; `None` where no programme is in it.
fn worst_of(minutes: &[Minute], group: Group, ends: (f64, f64)) -> Option<Verdict> {
    let judged = minutes_in(minutes, ends)
        .iter()
        .filter_map(|minute| minute.judged.as_ref());
    judged.map(|judged| judged.groups.of(group)).max()
}

/// How much an event asks to be seen in a column that has several.
fn rank(event: &Event) -> u8 {
    match (event.kind, event.severity) {
        (Kind::Mark, _) => 2,
        (_, Severity::Alarm) => 1,
        (_, Severity::Notice) => 0,
    }
}

fn draw_events(buffer: &mut Buffer, body: Rect, row: u16, review: &Review) {
    let mut seen: Vec<Option<u8>> = vec![None; body.width.into()];
    let last = review.window.length();
    let (from, to) = review.window.ends();
    for event in review.shown_events() {
        let end = event.end.map_or(last, |end| end.seconds);
        let start = event.start.seconds;
        if end.0 < from || start.0 > to {
            continue;
        }
        let column = |time: f64| {
            review
                .window
                .column(Seconds(time.clamp(from, to)), body.width)
                .unwrap_or(0)
        };
        for at in column(start.0)..=column(end.0) {
            let cell = &mut seen[usize::from(at)];
            *cell = (*cell).max(Some(rank(event)));
        }
    }
    for (column, rank) in (0..).zip(seen) {
        let (symbol, tone) = match rank {
            None => continue,
            Some(2) => ("m", Tone::Strong),
            Some(1) => ("■", Tone::Stop),
            Some(_) => ("△", Tone::Plain),
        };
        put(
            buffer,
            body,
            (column, row),
            symbol,
            review.palette.ink(tone),
        );
    }
}

/// Timecodes below the row, as many as there is room for.
fn draw_axis(buffer: &mut Buffer, body: Rect, row: u16, review: &Review) {
    let faint = review.palette.ink(Tone::Faint);
    let labels = (body.width / (LABEL + 6)).max(1);
    for at in 0..labels {
        let column = at * (body.width / labels);
        let (from, _) = review.window.of_column(column, body.width);
        let field = FieldIndex((from / review.period().0) as u64);
        let label = review.pass.head().clock().label(field.frame()).to_string();
        let whole = label.len().saturating_sub(3);
        put_all(
            buffer,
            body,
            (column, row),
            &[("╵", faint), (&label[..whole], faint)],
        );
    }
}

fn draw_cursor(buffer: &mut Buffer, body: Rect, review: &Review) {
    let Some(column) = review.window.column(review.cursor, body.width) else {
        return;
    };
    for row in 1..ROWS {
        let position = (body.x + column, body.y + row);
        if let Some(cell) = buffer.cell_mut(position) {
            let style = cell.style().add_modifier(Modifier::REVERSED);
            cell.set_style(style);
        }
    }
}

/// The events of the group that reach into the cursor's minute or column, the worst first.
fn told_here(review: &Review, ends: (f64, f64)) -> Option<&Event> {
    let last = review.window.length();
    let here = review.shown_events().filter(|event| {
        let end = event.end.map_or(last, |end| end.seconds);
        event.start.seconds.0 < ends.1 && end.0 >= ends.0
    });
    let own =
        here.filter(|event| super::group_of(event.kind, &review.finished) == Some(review.group));
    own.max_by_key(|event| event.severity)
}

/// Draws what is said of the place under the cursor: its time, the word of the group whose row is pointed at, and why.
pub(super) fn draw_place(buffer: &mut Buffer, area: Rect, review: &Review) {
    let palette = review.palette;
    let group = Group::ALL[review.group];
    let field = FieldIndex((review.cursor.0 / review.period().0).round() as u64);
    let label = review.pass.head().clock().label(field.frame()).to_string();
    let column = put(buffer, area, (0, 0), &label, palette.ink(Tone::Strong)) + 1;
    let minute = (review.cursor.0 / MINUTE as f64) as usize;
    let minute = review.finished.minutes.get(minute);
    let Some(judged) = minute.and_then(|minute| minute.judged.as_ref()) else {
        let said = "no programme here";
        put(buffer, area, (column, 0), said, palette.ink(Tone::Faint));
        return;
    };
    let verdict = judged.groups.of(group);
    let (tone, symbol) = tone(verdict);
    let column = put_all(
        buffer,
        area,
        (column, 0),
        &[
            (symbol, palette.ink(tone)),
            (" ", palette.ink(Tone::Plain)),
            (group.word(), palette.ink(Tone::Plain)),
            (" ", palette.ink(Tone::Plain)),
            (verdict.word(), palette.ink(tone)),
        ],
    );
    let start = (review.cursor.0 / MINUTE as f64).floor() * MINUTE as f64;
    let note = told_here(review, (start, start + MINUTE as f64));
    let kinds = judged
        .kinds
        .iter()
        .filter(|kind| super::group_of(**kind, &review.finished) == Some(review.group));
    let kinds: Vec<&str> = kinds.map(|kind| words::kind(*kind)).collect();
    let why = match (note, kinds.as_slice(), verdict) {
        (Some(event), ..) => vec![format!(": {}: {}", words::kind(event.kind), event.note)],
        (None, [_, ..], _) => vec![format!(": {}", kinds.join(", "))],
        (None, [], Verdict::Undecided) => {
            vec![": too little could be seen in this minute".to_owned()]
        }
        (None, [], Verdict::Clean) => vec![": nothing happened in this minute".to_owned()],
        (None, [], _) => vec![": by its levels as a whole, without an event".to_owned()],
    };
    let room = area.width.saturating_sub(column);
    let said = fitting(&why, room);
    put(buffer, area, (column, 0), said, palette.ink(Tone::Faint));
    debug_assert!(width_of(&label) < area.width);
}
