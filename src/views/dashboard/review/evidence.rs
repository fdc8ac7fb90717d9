//! What was kept with the chosen event: pictures, the timing of the shown field's lines, the readings around it.
//!
//! Does not know: how pictures get into cells.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::{Clear, Widget};

use super::super::dots::Dots;
use super::super::paint::{below_heading, heading, put, put_all};
use super::super::palette::{Palette, Tone};
use super::super::words;
use super::Review;
use super::picture::Painter;
use super::reasons::wrapped;
use crate::alarms::{Event, EventId};
use crate::limits::Limits;
use crate::measures::line_timing::LineTrace;
use crate::measures::{Quantity, Value};
use crate::record::{Exhibit, Pass, RecordError, View};
use crate::standard::Parity;
use crate::timecode::{FieldIndex, Timecode};
use crate::units::Hertz;

/// Fields before and after the shown one whose readings are listed.
const AROUND: u64 = 4;

/// Columns the lines take beside the pictures.
const TRACE_COLUMNS: u16 = 13;

/// Half widths that the lines are drawn in, in samples; the first that holds nine of ten.
const REACHES: [f64; 7] = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0];

/// What was kept with an event.
#[derive(Debug)]
pub(super) struct Evidence {
    event: Event,
    exhibits: Vec<(Exhibit, String)>,
    trace: Option<LineTrace>,
    rate: Option<Hertz>,
    /// Of the quantity that the event is told by.
    around: Vec<Around>,
    told_by: String,
    /// Everything else that was measured of the shown field in the same group.
    beside: Vec<String>,
}

/// One field's reading.
#[derive(Debug)]
struct Around {
    label: String,
    value: String,
    is_shown: bool,
}

impl Evidence {
    pub(super) fn read(pass: &Pass, limits: &Limits, event: &Event) -> Result<Self, RecordError> {
        let clock = pass.head().clock();
        let exhibits = pass.exhibits(event.id)?;
        let worst = exhibits.iter().find(|exhibit| exhibit.view == View::Worst);
        let at = worst.map_or(event.start, |exhibit| exhibit.place);
        let trace = worst.and_then(Exhibit::trace);
        let mut rows = limits.rows().iter().filter(|row| row.kind == event.kind);
        let told_by = rows
            .next()
            .and_then(|row| crate::measures::quantity(row.quantity));
        let (mut around, mut beside) = (Vec::new(), Vec::new());
        if let Some((place, quantity)) = told_by {
            let first = FieldIndex(at.field.0.saturating_sub(AROUND));
            let end = FieldIndex(at.field.0.saturating_add(AROUND + 1));
            for row in pass.rows(first..end) {
                let row = row?;
                let is_shown = row.place.field == at.field;
                around.push(Around {
                    label: named(clock.label(row.place.frame()), row.place.parity),
                    value: value_of(pass, place, row.values[place]),
                    is_shown,
                });
                if is_shown {
                    beside = in_group(pass, quantity, &row.values);
                }
            }
        }
        let labelled = exhibits.into_iter().map(|exhibit| {
            let said = named(clock.label(exhibit.place.frame()), exhibit.place.parity);
            (exhibit, said)
        });
        Ok(Self {
            exhibits: labelled.collect(),
            trace,
            rate: pass.head().sample_rate,
            around,
            told_by: told_by.map_or_else(String::new, |(_, quantity)| quantity.label.to_owned()),
            beside,
            event: event.clone(),
        })
    }

    pub(super) fn event(&self) -> EventId {
        self.event.id
    }
}

/// A field by its frame's label and which of the two it is.
fn named(label: Timecode, parity: Parity) -> String {
    let field = match parity {
        Parity::Top => "t",
        Parity::Bottom => "b",
    };
    format!("{label}{field}")
}

fn value_of(pass: &Pass, place: usize, value: Option<Value>) -> String {
    let quantity = pass.catalogue()[place];
    let unit = quantity.unit.symbol();
    match value {
        None => "–".to_owned(),
        Some(Value::Word(word)) => word.replace('_', " "),
        Some(Value::Count(count)) => format!("{count} {unit}"),
        Some(Value::Number { value, .. }) => {
            format!("{value:.*} {unit}", pass.decimals(place).min(2))
        }
    }
}

/// What else was measured of a field in the group of a quantity.
fn in_group(pass: &Pass, of: &Quantity, values: &[Option<Value>]) -> Vec<String> {
    let all = pass.catalogue().iter().zip(values).enumerate();
    all.filter(|(_, (quantity, value))| quantity.group == of.group && value.is_some())
        .map(|(place, (quantity, value))| {
            format!("{} {}", quantity.label, value_of(pass, place, *value))
        })
        .collect()
}

/// What is said in place of a picture.
fn none_kept(chosen: Option<&Event>) -> &'static str {
    match chosen {
        None => "n and p choose an event",
        Some(_) => "no picture was kept with it",
    }
}

/// Draws the picture of the chosen event into a panel.
pub(super) fn draw_small(buffer: &mut Buffer, area: Rect, review: &mut Review) {
    let palette = review.palette;
    let chosen = review.chosen_event();
    let name = chosen.map_or("picture", |event| words::kind(event.kind));
    heading(buffer, area, palette, name, "v");
    let body = below_heading(area);
    let said = none_kept(chosen);
    let shown = review
        .evidence
        .as_ref()
        .and_then(|evidence| evidence.exhibits.first());
    let drawn = shown.map_or(0, |(exhibit, _)| review.painter.draw(buffer, body, exhibit));
    if drawn == 0 {
        for (row, line) in (0..).zip(wrapped(said, body.width)) {
            put(buffer, body, (0, row), &line, palette.ink(Tone::Faint));
        }
    }
}

/// Draws everything that was kept with the chosen event over the panels.
pub(super) fn draw_page(buffer: &mut Buffer, area: Rect, review: &mut Review) {
    let palette = review.palette;
    Clear.render(area.intersection(buffer.area), buffer);
    let Some(evidence) = &review.evidence else {
        return;
    };
    let event = &evidence.event;
    let title = format!("{} at {}", words::kind(event.kind), event.start_timecode);
    heading(buffer, area, palette, &title, "evidence");
    let body = below_heading(area);
    let notes = wrapped(&event.note, body.width);
    let mut row = 0;
    for line in notes.iter().take(2) {
        put(buffer, body, (0, row), line, palette.ink(Tone::Plain));
        row += 1;
    }
    let body = Rect {
        y: body.y + row,
        height: body.height.saturating_sub(row),
        ..body
    };
    let taken = draw_pictures(buffer, body, evidence, &mut review.painter, palette);
    let rest = Rect {
        x: body.x + taken,
        width: body.width.saturating_sub(taken),
        ..body
    };
    let mut column = 0;
    if let Some(trace) = &evidence.trace {
        let place = Rect {
            width: TRACE_COLUMNS.min(rest.width),
            ..rest
        };
        draw_trace(buffer, place, (trace, evidence.rate), palette);
        column = TRACE_COLUMNS + 1;
    }
    let readings = Rect {
        x: rest.x + column,
        width: rest.width.saturating_sub(column),
        ..rest
    };
    draw_readings(buffer, readings, evidence, palette);
}

/// The pictures below each other, the one before on top, as it came; gives the columns they took and one more.
fn draw_pictures(
    buffer: &mut Buffer,
    body: Rect,
    evidence: &Evidence,
    painter: &mut Painter,
    palette: Palette,
) -> u16 {
    let count = evidence.exhibits.len() as u16;
    if count == 0 {
        let said = none_kept(Some(&evidence.event));
        put(buffer, body, (0, 0), said, palette.ink(Tone::Faint));
        return said.len() as u16 + 2;
    }
    let height = body.height / count;
    let mut widest = 0;
    for (at, (exhibit, label)) in (0..).zip(evidence.exhibits.iter().rev()) {
        let place = Rect {
            y: body.y + at * height,
            width: body.width * 11 / 20,
            height,
            ..body
        };
        let what = match exhibit.view {
            View::Worst => "",
            View::Before => "before: ",
        };
        let said = format!("{what}{label}");
        put(buffer, place, (0, 0), &said, palette.ink(Tone::Faint));
        let columns = painter.draw(buffer, below_heading(place), exhibit);
        widest = widest.max(columns).max(said.len() as u16);
    }
    widest + 1
}

/// Each line against the middle of all, first on top.
fn draw_trace(
    buffer: &mut Buffer,
    area: Rect,
    (trace, rate): (&LineTrace, Option<Hertz>),
    palette: Palette,
) {
    let mut offsets: Vec<f64> = trace
        .usable()
        .map(|(_, shift)| words::in_samples(shift.displacement.0, rate))
        .collect();
    offsets.sort_unstable_by(f64::total_cmp);
    let Some(&rest) = offsets.get(offsets.len() / 2) else {
        put(buffer, area, (0, 0), "no lines", palette.ink(Tone::Unsure));
        return;
    };
    let mut sizes: Vec<f64> = offsets.iter().map(|offset| (offset - rest).abs()).collect();
    sizes.sort_unstable_by(f64::total_cmp);
    let needed = sizes[(sizes.len() * 9 / 10).min(sizes.len() - 1)];
    let last = REACHES[REACHES.len() - 1];
    let reach = REACHES
        .into_iter()
        .find(|&reach| needed <= reach)
        .unwrap_or(last);
    put(
        buffer,
        area,
        (0, 0),
        &format!("±{reach} samples"),
        palette.ink(Tone::Faint),
    );
    let body = below_heading(area);
    let mut dots = Dots::default();
    dots.reset(body);
    let middle = dots.across() as f64 / 2.0;
    for y in (0..dots.down()).step_by(2) {
        dots.set(middle as usize, y, 1);
    }
    let rows = trace.rows().max(1);
    for (row, shift) in trace.usable() {
        let off = words::in_samples(shift.displacement.0, rate) - rest;
        let x = (middle + off / reach * (middle - 1.0)).clamp(0.0, dots.across() as f64 - 1.0);
        dots.set(x as usize, row * dots.down() / rows, 2);
    }
    dots.show(buffer, body, |layer| {
        palette.ink(if layer == 2 {
            Tone::Strong
        } else {
            Tone::Faint
        })
    });
}

fn draw_readings(buffer: &mut Buffer, area: Rect, evidence: &Evidence, palette: Palette) {
    if evidence.around.is_empty() {
        return;
    }
    put(
        buffer,
        area,
        (0, 0),
        &evidence.told_by,
        palette.ink(Tone::Strong),
    );
    let mut row = 1;
    for around in &evidence.around {
        let ink = palette.ink(if around.is_shown {
            Tone::Strong
        } else {
            Tone::Plain
        });
        let pointer = if around.is_shown { "›" } else { " " };
        let pieces = [
            (pointer, ink),
            (&around.label, ink),
            (" ", ink),
            (&around.value, ink),
        ];
        put_all(buffer, area, (0, row), &pieces);
        row += 1;
    }
    row += 1;
    for text in &evidence.beside {
        for line in wrapped(text, area.width) {
            put(buffer, area, (0, row), &line, palette.ink(Tone::Faint));
            row += 1;
        }
    }
}
