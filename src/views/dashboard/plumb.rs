//! The plumb line: how far each line of the picture stands off its place, seen from the front.
//!
//! In: the last traces. Line numbers run down the screen, displacement runs sideways, right is late. A straight tape
//! hangs as a thread over its bob; what was a moment ago fades behind the newest field. A line is as wide as its uncertainty
//! and faint where that is large; lines without evidence are gaps.
//!
//! Does not know: what is a good or a bad displacement; the width says how far a sample is.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::measures::line_timing::LineTrace;
use crate::record::Live;
use crate::units::{Hertz, Seconds};

use super::dots::{DOTS_ACROSS, DOTS_DOWN, Dots};
use super::marks;
use super::paint::{below_heading, fitting, heading, put};
use super::palette::{Palette, Tone};
use super::words;

/// Half widths the panel can have, in samples.
const REACHES: [f64; 8] = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0];

/// Share of lines that must lie inside the panel; a few torn ones may not flatten the rest.
const INSIDE: f64 = 0.98;

/// How long a narrower width must suffice before it is taken: a panel that breathes cannot be read.
const SETTLE: Seconds = Seconds(3.0);

/// The panel's name.
const NAME: &str = "plumb line";

/// Columns of line numbers at the left.
pub(super) const NUMBERS: u16 = 4;

/// What the panel remembers from one picture to the next.
#[derive(Debug, Default)]
pub(super) struct Plumb {
    dots: Dots,
    /// Displacements of all traces shown, for medians.
    sorted: Vec<f64>,
    reach: usize,
    narrower_since: Option<Seconds>,
}

impl Plumb {
    /// Draws the panel.
    pub(super) fn draw(&mut self, buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
        let rate = live.sample_rate();
        let rest = self.rest_position(live, rate);
        self.settle_reach(live, rest);
        let reach = REACHES[self.reach];
        let plural = if reach > 1.0 { "s" } else { "" };
        let scale = [format!("±{reach} sample{plural}"), format!("±{reach}")];
        let scale = fitting(&scale, area.width.saturating_sub(NAME.len() as u16 + 1));
        heading(buffer, area, palette, NAME, scale);
        let body = below_heading(area);
        let body = Rect {
            height: body.height.saturating_sub(1),
            ..body
        };
        let foot = Rect {
            y: body.bottom(),
            height: area.bottom().saturating_sub(body.bottom()).min(1),
            ..area
        };
        let field = Rect {
            x: body.x + NUMBERS.min(body.width),
            width: body.width.saturating_sub(NUMBERS),
            ..body
        };
        draw_numbers(buffer, body, live, palette);
        draw_thread(buffer, field, reach, palette);
        marks::draw_switch(buffer, (body, field), live, palette);
        let view = View {
            rest: rest.unwrap_or(0.0),
            reach,
            rate,
        };
        let bob = self.draw_traces(buffer, field, live, &view, palette);
        marks::draw_bend(buffer, field, live, &view, palette);
        draw_foot(buffer, foot, bob, palette);
    }

    /// Where the picture hangs: the median of all lines shown, in samples.
    fn rest_position(&mut self, live: &Live, rate: Option<Hertz>) -> Option<f64> {
        self.sorted.clear();
        for trace in live.traces() {
            let shifts = trace.usable().map(|(_, shift)| shift.displacement.0);
            self.sorted
                .extend(shifts.map(|ns| words::in_samples(ns, rate)));
        }
        let middle = self.sorted.len() / 2;
        (!self.sorted.is_empty())
            .then(|| *self.sorted.select_nth_unstable_by(middle, f64::total_cmp).1)
    }

    /// Widens at once, narrows after a while.
    fn settle_reach(&mut self, live: &Live, rest: Option<f64>) {
        let (Some(rest), Some(now)) = (rest, live.place().map(|place| place.seconds)) else {
            return;
        };
        for shift in &mut self.sorted {
            *shift = (*shift - rest).abs();
        }
        let nth = ((self.sorted.len() as f64 * INSIDE) as usize).min(self.sorted.len() - 1);
        let needed = *self.sorted.select_nth_unstable_by(nth, f64::total_cmp).1;
        let wanted = REACHES
            .iter()
            .position(|&reach| needed <= reach)
            .unwrap_or(REACHES.len() - 1);
        if wanted >= self.reach {
            (self.reach, self.narrower_since) = (wanted, None);
        } else {
            let since = *self.narrower_since.get_or_insert(now);
            if now < since || now - since > SETTLE {
                (self.reach, self.narrower_since) = (wanted, None);
            }
        }
    }

    /// Draws all traces, the newest on top; gives the column where the newest hangs.
    fn draw_traces(
        &mut self,
        buffer: &mut Buffer,
        field: Rect,
        live: &Live,
        view: &View,
        palette: Palette,
    ) -> Option<u16> {
        self.dots.reset(field);
        let count = live.traces().len();
        for (index, trace) in live.traces().enumerate() {
            draw_trace(&mut self.dots, trace, view, layer(count - 1 - index));
        }
        if let Some(newest) = live.traces().next_back() {
            draw_uncertainty(&mut self.dots, newest, view);
        }
        self.dots.show(buffer, field, |layer| {
            palette.ink(match layer {
                NEWEST => Tone::Strong,
                RECENT => Tone::Plain,
                _ => Tone::Faint,
            })
        });
        let newest = live.traces().next_back()?;
        let (sum, lines) = newest
            .usable()
            .fold((0.0, 0_u32), |(sum, lines), (_, shift)| {
                (sum + shift.displacement.0, lines + 1)
            });
        let mean = (lines > 0).then(|| words::in_samples(sum / f64::from(lines), view.rate))?;
        let dot = view.dot(mean, self.dots.across())?;
        Some(NUMBERS + (dot / DOTS_ACROSS) as u16)
    }
}

/// Largest standard error, in samples, of a line that is drawn in full: a tenth of a sample is hard to see in a picture.
const CERTAIN: f64 = 0.1;

const OLD: u8 = 1;
const RECENT: u8 = 2;
const NEWEST: u8 = 3;

/// The layer of a trace by its age in fields.
fn layer(age: usize) -> u8 {
    match age {
        0 => NEWEST,
        1..=2 => RECENT,
        _ => OLD,
    }
}

/// What part of the displacement axis is shown.
pub(super) struct View {
    rest: f64,
    reach: f64,
    rate: Option<Hertz>,
}

impl View {
    /// The column of a displacement in ns; `None` where it lies outside.
    pub(super) fn column(&self, ns: f64, columns: u16) -> Option<u16> {
        let samples = words::in_samples(ns, self.rate);
        let inside = (samples - self.rest).abs() <= self.reach;
        let dot = self.dot(samples, usize::from(columns) * DOTS_ACROSS)?;
        inside.then_some((dot / DOTS_ACROSS) as u16)
    }

    /// The dot of a displacement in samples, at the edge for what lies beyond; `None` without any width.
    fn dot(&self, samples: f64, across: usize) -> Option<usize> {
        let last = across.checked_sub(1)? as f64;
        let share = (samples - self.rest) / self.reach;
        Some((f64::midpoint(share, 1.0).clamp(0.0, 1.0) * last).round() as usize)
    }
}

/// Dots of one trace; successive lines are joined sideways, so that a jump is drawn and not only its ends.
fn draw_trace(dots: &mut Dots, trace: &LineTrace, view: &View, layer: u8) {
    let (down, rows) = (dots.down(), trace.rows().max(1));
    let mut before: Option<(usize, usize)> = None;
    for (row, shift) in trace.usable() {
        let samples = words::in_samples(shift.displacement.0, view.rate);
        let Some(x) = view.dot(samples, dots.across()) else {
            return;
        };
        let y = row * down / rows;
        let from = before
            .filter(|&(last, _)| last + 1 == row)
            .map_or(x, |(_, x)| x);
        let certain = words::in_samples(shift.sigma.0, view.rate) <= CERTAIN;
        dots.run((from, x), y, if certain { layer } else { OLD });
        before = Some((row, x));
    }
}

/// A dot or more on either side of each line that may as well stand there, by one standard error.
fn draw_uncertainty(dots: &mut Dots, trace: &LineTrace, view: &View) {
    let (down, rows) = (dots.down(), trace.rows().max(1));
    for (row, shift) in trace.usable() {
        let dot = |ns: f64| view.dot(words::in_samples(ns, view.rate), dots.across());
        let (middle, sigma) = (shift.displacement.0, shift.sigma.0);
        if let (Some(from), Some(to)) = (dot(middle - sigma), dot(middle + sigma)) {
            dots.run((from, to), row * down / rows, OLD);
        }
    }
}

/// Line numbers down the left side.
fn draw_numbers(buffer: &mut Buffer, body: Rect, live: &Live, palette: Palette) {
    let rows = live.traces().next_back().map_or(0, LineTrace::rows);
    if rows == 0 || body.height == 0 {
        return;
    }
    let every = (body.height / 4).max(1);
    for row in (0..body.height).step_by(every.into()) {
        let line = usize::from(row) * DOTS_DOWN * rows / (usize::from(body.height) * DOTS_DOWN);
        put(
            buffer,
            body,
            (0, row),
            &format!("{line:>3}"),
            palette.ink(Tone::Faint),
        );
    }
}

/// The thread where the picture hangs, and one at half the width on either side.
fn draw_thread(buffer: &mut Buffer, field: Rect, reach: f64, palette: Palette) {
    let across = usize::from(field.width) * DOTS_ACROSS;
    let view = View {
        rest: 0.0,
        reach,
        rate: None,
    };
    for (share, symbol) in [(-0.5, "┊"), (0.0, "│"), (0.5, "┊")] {
        let Some(dot) = view.dot(share * reach, across) else {
            return;
        };
        for row in 0..field.height {
            let at = ((dot / DOTS_ACROSS) as u16, row);
            put(buffer, field, at, symbol, palette.ink(Tone::Faint));
        }
    }
}

/// The bob under the thread, between the names of the two sides.
fn draw_foot(buffer: &mut Buffer, foot: Rect, bob: Option<u16>, palette: Palette) {
    let faint = palette.ink(Tone::Faint);
    put(buffer, foot, (NUMBERS, 0), "‹early", faint);
    put(
        buffer,
        foot,
        (foot.width.saturating_sub(5), 0),
        "late›",
        faint,
    );
    match bob {
        Some(column) => put(buffer, foot, (column, 0), "▼", palette.ink(Tone::Strong)),
        None => put(
            buffer,
            foot,
            (NUMBERS + foot.width.saturating_sub(NUMBERS) / 2, 0),
            words::UNKNOWN,
            palette.ink(Tone::Unsure),
        ),
    };
}
