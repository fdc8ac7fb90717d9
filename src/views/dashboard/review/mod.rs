//! The dashboard on a finished pass: its whole length at a glance, and whatever is asked about a place of it.
//!
//! In: a [`Pass`], what [`Finished`] says of it, and keys. Out: cells of a terminal, and the operator's [`Request`]s. Top to bottom: the
//! verdict; a row for each of the five groups, a symbol a minute; what is said of the place under the cursor; the reasons or, on
//! demand, a quantity over time; the picture kept with the chosen event; the events; the keys. What a picture needs is read from the
//! pass when it is looked at, a stretch of seconds or a few fields at a time.
//!
//! Does not know: how anything is judged, or what becomes of requests.

use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::alarms::{Event, EventId};
use crate::fields::FieldPlace;
use crate::limits::Kind;
use crate::measures::Group;
use crate::record::{Finished, Pass, RecordError, test_stretches};
use crate::timecode::FieldIndex;
use crate::units::Seconds;

use super::palette::{Palette, Tone};
use super::{keys as live_keys, layout as live_layout, paint};
use chart::Chart;
use evidence::Evidence;
use filter::Filter;
pub use graphics::Graphics;
use layout::Layout;
use picture::Painter;
pub use run::run;
use window::Window;

mod chart;
mod evidence;
mod filter;
pub(super) mod graphics;
mod keys;
mod layout;
mod lists;
mod log;
mod picture;
mod reasons;
mod rows;
mod run;
mod verdict;
mod window;

#[cfg(test)]
mod tests;

/// What the operator asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Request {
    /// Mark a place with a note, which may be empty.
    Mark {
        /// Where.
        at: FieldPlace,
        /// What was typed.
        note: String,
    },
    /// Change what a mark says; an empty note takes it away.
    Edit {
        /// Which.
        mark: EventId,
        /// What was typed.
        note: String,
    },
    /// Stop looking.
    Quit,
    /// Ctrl-C, which arrives as a key while the terminal is ours.
    Interrupt,
}

/// Characters of a note, as on the live dashboard.
const NOTE_CHARACTERS: usize = super::NOTE_CHARACTERS;

/// What the keyboard does at the moment.
#[derive(Debug)]
enum Mode {
    Looking,
    Help,
    /// The evidence of the chosen event over the panels.
    Evidence,
    /// The list of quantities, and which is pointed at.
    Quantities(usize),
    /// The list of kinds, and which is pointed at.
    Kinds(usize),
    /// The list of places to try a setting at.
    Stretches(usize),
    Note {
        at: FieldPlace,
        text: String,
    },
    Edit {
        mark: EventId,
        text: String,
    },
}

/// A finished pass being looked at.
#[derive(Debug)]
pub struct Review {
    palette: Palette,
    pass: Pass,
    finished: Finished,
    /// In the order of time, marks made afterwards at their places.
    events: Vec<Event>,
    window: Window,
    cursor: Seconds,
    group: usize,
    chosen: Option<EventId>,
    filter: Filter,
    /// Place of the quantity that is opened.
    quantity: Option<usize>,
    mode: Mode,
    chart: Option<Chart>,
    evidence: Option<Evidence>,
    painter: Painter,
    /// The answer to the last key, if one is owed; gone with the next.
    said: Option<String>,
    /// Columns a row of minutes had when it was drawn last: what a step of the cursor is.
    columns: u16,
}

impl Review {
    /// The whole length, the cursor at its beginning.
    #[must_use]
    pub fn new(pass: Pass, finished: Finished, palette: Palette, graphics: Graphics) -> Self {
        let length = finished.length(pass.head().field_period);
        let mut review = Self {
            palette,
            pass,
            events: Vec::new(),
            window: Window::whole(length),
            cursor: Seconds(0.0),
            group: 0,
            chosen: None,
            filter: Filter::All,
            quantity: None,
            mode: Mode::Looking,
            chart: None,
            evidence: None,
            painter: Painter::new(graphics, palette),
            said: None,
            columns: 1,
            finished,
        };
        review.take_events(review.finished.events.clone());
        review
    }

    /// The pass.
    #[must_use]
    pub fn pass(&self) -> &Pass {
        &self.pass
    }

    /// What became of a request; said until the next key.
    pub fn say(&mut self, answer: String) {
        self.said = Some(answer);
    }

    /// Reads the events again, after marks were changed; chooses one of them.
    ///
    /// # Errors
    /// When the pass cannot be read.
    pub fn read_events(&mut self, chosen: Option<EventId>) -> Result<(), RecordError> {
        let events = self.pass.events()?;
        self.take_events(events);
        let known = |id: &EventId| self.events.iter().any(|event| event.id == *id);
        self.chosen = chosen.or(self.chosen).filter(known);
        self.evidence = None;
        Ok(())
    }

    fn take_events(&mut self, mut events: Vec<Event>) {
        events.sort_by_key(|event| (event.start.field, event.id));
        self.events = events;
    }

    /// Draws everything.
    pub fn draw_on(&mut self, buffer: &mut Buffer, area: Rect) {
        let (columns, rows) = live_layout::LEAST;
        if area.width < columns || area.height < rows {
            let plea = format!(
                "Please make this at least {columns}x{rows}; it is {}x{}.",
                area.width, area.height
            );
            paint::put(buffer, area, (0, 0), &plea, self.palette.ink(Tone::Plain));
            return;
        }
        let layout = layout::arrange(area);
        self.columns = rows::columns(layout.rows);
        self.load(&layout);
        verdict::draw(buffer, layout.strip, self);
        rows::draw(buffer, layout.rows, self);
        rows::draw_place(buffer, layout.place, self);
        match &self.chart {
            Some(chart) => chart.draw(buffer, layout.chart, self),
            None => reasons::draw(buffer, layout.chart, self),
        }
        // A picture that is covered in the same breath would be sent to the terminal for nothing, and not again.
        if matches!(
            self.mode,
            Mode::Looking | Mode::Note { .. } | Mode::Edit { .. }
        ) {
            evidence::draw_small(buffer, layout.picture, self);
        }
        log::draw(buffer, layout.log, self);
        let panels = Rect {
            y: layout.rows.y,
            height: layout.keys.y - layout.rows.y,
            ..area
        };
        match self.mode {
            Mode::Help => keys::draw_help(buffer, panels, self.palette),
            Mode::Evidence => evidence::draw_page(buffer, panels, self),
            Mode::Quantities(at) => lists::draw_quantities(buffer, panels, self, at),
            Mode::Kinds(at) => lists::draw_kinds(buffer, panels, self, at),
            Mode::Stretches(at) => lists::draw_stretches(buffer, panels, self, at),
            _ => {}
        }
        self.draw_bottom(buffer, layout.keys);
    }

    /// Reads what the picture needs and is not at hand.
    fn load(&mut self, layout: &Layout) {
        let loaded = self
            .load_chart(rows::columns(layout.chart))
            .and_then(|()| self.load_evidence());
        if let Err(error) = loaded {
            self.said = Some(in_one_line(&error));
        }
    }

    fn load_chart(&mut self, columns: u16) -> Result<(), RecordError> {
        let wanted = self
            .quantity
            .map(|place| (place, self.window.seconds(), columns));
        if self.chart.as_ref().map(Chart::key) != wanted {
            self.chart = match wanted {
                None => None,
                Some(wanted) => Some(Chart::read(&self.pass, wanted)?),
            };
        }
        Ok(())
    }

    fn load_evidence(&mut self) -> Result<(), RecordError> {
        if self.evidence.as_ref().map(Evidence::event) != self.chosen {
            let chosen = self.chosen_event().cloned();
            self.evidence = match chosen {
                None => None,
                Some(event) => Some(Evidence::read(&self.pass, &self.finished.limits, &event)?),
            };
            self.painter.forget();
        }
        Ok(())
    }

    fn draw_bottom(&self, buffer: &mut Buffer, area: Rect) {
        match &self.mode {
            Mode::Note { text, .. } => {
                live_keys::draw_entry(buffer, area, ("note:", text), self.palette);
            }
            Mode::Edit { text, .. } => {
                let asked = ("the mark says (empty: take it away):", text.as_str());
                live_keys::draw_entry(buffer, area, asked, self.palette);
            }
            _ => match &self.said {
                Some(said) => {
                    paint::put(buffer, area, (0, 0), said, self.palette.ink(Tone::Look));
                }
                None => keys::draw_keys(buffer, area, &self.mode, self.palette),
            },
        }
    }

    fn chosen_event(&self) -> Option<&Event> {
        let chosen = self.chosen?;
        self.events.iter().find(|event| event.id == chosen)
    }

    /// The events that the filter lets through.
    fn shown_events(&self) -> impl DoubleEndedIterator<Item = &Event> {
        let filter = self.filter;
        self.events.iter().filter(move |event| filter.lets(event))
    }

    fn period(&self) -> Seconds {
        self.pass.head().field_period
    }

    /// Takes a key; gives what the operator asks for, if anything.
    pub fn key(&mut self, key: KeyEvent) -> Option<Request> {
        if key.kind == KeyEventKind::Release {
            return None;
        }
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return (key.code == KeyCode::Char('c')).then_some(Request::Interrupt);
        }
        self.said = None;
        match &mut self.mode {
            Mode::Looking => self.command(key.code),
            Mode::Evidence if matches!(key.code, KeyCode::Char('n' | 'p')) => {
                self.command(key.code)
            }
            Mode::Help | Mode::Evidence => {
                self.mode = Mode::Looking;
                None
            }
            Mode::Quantities(at) => {
                let count = self.pass.catalogue().len();
                match list_key(at, count, key.code) {
                    Listed::Moved => {}
                    Listed::Left => self.mode = Mode::Looking,
                    Listed::Chosen(at) => {
                        self.quantity = Some(at);
                        self.mode = Mode::Looking;
                    }
                }
                None
            }
            Mode::Kinds(at) => {
                let choices = filter::choices(&self.events);
                match list_key(at, choices.len(), key.code) {
                    Listed::Moved => {}
                    Listed::Left => self.mode = Mode::Looking,
                    Listed::Chosen(at) => {
                        self.filter = choices[at].0;
                        self.mode = Mode::Looking;
                    }
                }
                None
            }
            Mode::Stretches(at) => {
                let stretches = test_stretches(&self.finished);
                match list_key(at, stretches.len(), key.code) {
                    Listed::Moved => {}
                    Listed::Left => self.mode = Mode::Looking,
                    Listed::Chosen(at) => {
                        self.mode = Mode::Looking;
                        self.move_to(stretches[at].start);
                    }
                }
                None
            }
            Mode::Note { .. } | Mode::Edit { .. } => self.typed(key.code),
        }
    }

    fn command(&mut self, code: KeyCode) -> Option<Request> {
        let step = self.window.step(self.columns);
        match code {
            KeyCode::Char('q') => return Some(Request::Quit),
            KeyCode::Left => self.move_to(Seconds(self.cursor.0 - step)),
            KeyCode::Right => self.move_to(Seconds(self.cursor.0 + step)),
            KeyCode::PageUp => self.pan(-0.5),
            KeyCode::PageDown => self.pan(0.5),
            KeyCode::Home => self.move_to(Seconds(0.0)),
            KeyCode::End => self.move_to(self.window.length()),
            KeyCode::Up => self.group = self.group.saturating_sub(1),
            KeyCode::Down => self.group = (self.group + 1).min(Group::ALL.len() - 1),
            KeyCode::Char('n') => self.jump(true),
            KeyCode::Char('p') => self.jump(false),
            KeyCode::Char('z' | '+') => self.window.zoom(0.5, self.cursor),
            KeyCode::Char('x' | '-') => self.window.zoom(2.0, self.cursor),
            KeyCode::Char('f') => self.mode = Mode::Kinds(0),
            KeyCode::Char('o') => self.mode = Mode::Quantities(self.first_quantity()),
            KeyCode::Esc => self.quantity = None,
            KeyCode::Char('t') => self.mode = Mode::Stretches(0),
            KeyCode::Char('v') => self.look_at_evidence(),
            KeyCode::Char('m') => self.begin_note(),
            KeyCode::Char('e') => self.begin_edit(),
            KeyCode::Char('?' | 'h') => self.mode = Mode::Help,
            _ => {}
        }
        None
    }

    /// The quantity that the list opens at: the one that is open, else the first of the group.
    fn first_quantity(&self) -> usize {
        let group = Group::ALL[self.group];
        let mut own = self.pass.catalogue().iter();
        let first = own.position(|quantity| quantity.group == group);
        self.quantity.or(first).unwrap_or(0)
    }

    fn move_to(&mut self, to: Seconds) {
        self.cursor = self.window.within(to);
        self.window.show(self.cursor);
    }

    fn pan(&mut self, share: f64) {
        let by = Seconds(self.window.span() * share);
        self.move_to(self.cursor + by);
    }

    /// To the next event that the filter lets through, or the one before.
    fn jump(&mut self, forward: bool) {
        let here = match self.chosen_event() {
            // several may begin at one field
            Some(event) if event.start.seconds == self.cursor => (event.start.field, event.id),
            _ => {
                let field = (self.cursor.0 / self.period().0).round() as u64;
                (
                    FieldIndex(field),
                    EventId(if forward { 0 } else { u32::MAX }),
                )
            }
        };
        let place = |event: &&Event| (event.start.field, event.id);
        let found = if forward {
            self.shown_events().find(|event| place(event) > here)
        } else {
            self.shown_events().rev().find(|event| place(event) < here)
        };
        if let Some((id, seconds, kind)) =
            found.map(|event| (event.id, event.start.seconds, event.kind))
        {
            self.chosen = Some(id);
            self.move_to(seconds);
            if let Some(at) = group_of(kind, &self.finished) {
                self.group = at;
            }
        } else {
            let way = if forward { "after" } else { "before" };
            let what = self.filter.word();
            self.said = Some(format!("no {what} {way} this"));
        }
    }

    fn look_at_evidence(&mut self) {
        if self.chosen.is_none() {
            self.said = Some("no event is chosen: n and p jump to one".to_owned());
        } else {
            self.mode = Mode::Evidence;
        }
    }

    fn begin_note(&mut self) {
        let field = FieldIndex((self.cursor.0 / self.period().0).round() as u64);
        let chosen = self.chosen_event().map(|event| event.start);
        let at = match chosen.filter(|start| start.seconds == self.cursor) {
            Some(start) => Ok(Some(start)),
            None => self.pass.place_from(field),
        };
        match at {
            Ok(at) => match at.or(self.finished.last) {
                Some(at) => {
                    let text = String::new();
                    self.mode = Mode::Note { at, text };
                }
                None => self.said = Some("the pass is empty: there is nothing to mark".to_owned()),
            },
            Err(error) => self.said = Some(in_one_line(&error)),
        }
    }

    fn begin_edit(&mut self) {
        let chosen = self.chosen_event();
        let found = chosen.map(|event| (event.kind, event.id, event.note.clone()));
        if let Some((Kind::Mark, mark, text)) = found {
            self.mode = Mode::Edit { mark, text };
        } else {
            let plea = "only a mark can be changed: jump to one with n or p, or make one with m";
            self.said = Some(plea.to_owned());
        }
    }

    /// A key while something is typed.
    fn typed(&mut self, code: KeyCode) -> Option<Request> {
        let (Mode::Note { text, .. } | Mode::Edit { text, .. }) = &mut self.mode else {
            return None;
        };
        match code {
            KeyCode::Char(letter) if !letter.is_control() => {
                if text.chars().count() < NOTE_CHARACTERS {
                    text.push(letter);
                }
                None
            }
            KeyCode::Backspace => {
                text.pop();
                None
            }
            KeyCode::Esc => {
                self.mode = Mode::Looking;
                None
            }
            KeyCode::Enter => match std::mem::replace(&mut self.mode, Mode::Looking) {
                Mode::Note { at, text } => Some(Request::Mark {
                    at,
                    note: text.trim().to_owned(),
                }),
                Mode::Edit { mark, text } => Some(Request::Edit {
                    mark,
                    note: text.trim().to_owned(),
                }),
                _ => None,
            },
            _ => None,
        }
    }
}

/// What a key did to a list.
enum Listed {
    Moved,
    Left,
    Chosen(usize),
}

/// Rows a page key moves by in a list.
const LIST_PAGE: usize = 10;

fn list_key(at: &mut usize, count: usize, code: KeyCode) -> Listed {
    let last = count.saturating_sub(1);
    *at = match code {
        KeyCode::Up => at.saturating_sub(1),
        KeyCode::Down => *at + 1,
        KeyCode::PageUp => at.saturating_sub(LIST_PAGE),
        KeyCode::PageDown => *at + LIST_PAGE,
        KeyCode::Home => 0,
        KeyCode::End => last,
        KeyCode::Enter if count > 0 => return Listed::Chosen((*at).min(last)),
        KeyCode::Esc | KeyCode::Char('q' | 'f' | 'o' | 't') => return Listed::Left,
        _ => *at,
    }
    .min(last);
    Listed::Moved
}

/// Place of the group that a kind of event speaks against.
fn group_of(kind: Kind, finished: &Finished) -> Option<usize> {
    let limit = finished.limits.of_kind(kind)?;
    let (_, quantity) = crate::measures::quantity(limit.quantity)?;
    Group::ALL.iter().position(|group| *group == quantity.group)
}

/// An error and its causes in a line.
fn in_one_line(error: &RecordError) -> String {
    let mut text = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(error) = cause {
        text = format!("{text}: {error}");
        cause = error.source();
    }
    text
}
