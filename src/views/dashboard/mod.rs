//! The live dashboard: read at a glance from across the room, or looked at for long.
//!
//! In: [`Live`], whatever it holds at the moment. Out: cells of a terminal, and the operator's [`Request`]s. One panel a
//! file; each draws into its own area and never outside it, at any size.
//!
//! Does not know: threads, files, devices; it computes nothing but words and places, and asks for the spectrum of slow
//! flutter only while that is looked at.

use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::fields::FieldPlace;
use crate::record::Live;
use crate::units::Seconds;

pub use palette::Palette;
pub use run::run;
pub use terminal::{Session, available};

use dots::Dots;
use flutter::FlutterPage;
use layout::{Layout, Wanted};
use palette::Tone;
use plumb::Plumb;

mod colours;
mod controls;
mod dots;
mod earlier;
mod events;
mod evidence;
mod flutter;
mod gauges;
mod grain;
mod history;
mod keys;
mod ladder;
mod layout;
mod letters;
mod marks;
mod paint;
mod palette;
mod plumb;
pub mod review;
mod run;
mod several;
mod spectrum;
mod strip;
mod terminal;
mod tracking;
mod wave;
mod words;

#[cfg(test)]
mod staged;
#[cfg(test)]
mod tests;

/// What the operator asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Request {
    /// Mark a moment with a note, which may be empty.
    Mark {
        /// The newest field when the key was pressed; `None` before the first.
        at: Option<FieldPlace>,
        /// What was typed.
        note: String,
    },
    /// The player's counter.
    Counter {
        /// The newest field when the key was pressed; `None` before the first.
        at: Option<FieldPlace>,
        /// What was typed: digits, `:`, `.` and `-`.
        reading: String,
    },
    /// All alarms so far are known.
    Acknowledge,
    /// Move a control of the device.
    StepControl {
        /// Its number.
        id: u32,
        /// By so many of its steps.
        steps: i64,
    },
    /// Set the device's controls as they were found.
    RestoreControls,
    /// Hold what follows against the present readings, or no longer.
    Reference,
    /// Stop watching: asked and answered.
    Quit,
    /// Ctrl-C, which arrives as a key while the terminal is ours: what SIGINT would have said.
    Interrupt,
}

/// Which view stands beside the plumb line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum View {
    Plain,
    Waveform,
    History,
    Waves,
    Flutter,
    Colours,
    Grain,
}

impl View {
    fn next(self) -> Self {
        match self {
            Self::Plain => Self::Waveform,
            Self::Waveform => Self::History,
            Self::History => Self::Waves,
            Self::Waves | Self::Flutter => Self::Colours,
            Self::Colours => Self::Grain,
            Self::Grain => Self::Plain,
        }
    }
}

/// Spans of time the skylines can show, and their names.
const SPANS: [(Seconds, &str); 4] = [
    (Seconds(10.0), "10 s"),
    (Seconds(60.0), "1 min"),
    (Seconds(600.0), "10 min"),
    (Seconds(3600.0), "1 h"),
];

/// Events a page key scrolls by.
const PAGE: usize = 10;

/// Steps of a control that a page key takes.
const CONTROL_PAGE: i64 = 10;

/// Characters of a note; a longer thought belongs on paper.
const NOTE_CHARACTERS: usize = 200;

/// Characters of a counter reading.
const COUNTER_CHARACTERS: usize = 16;

/// What the keyboard does at the moment.
#[derive(Debug)]
enum Mode {
    Watching,
    Help,
    Controls,
    /// The tracking aid, and the time from which its best place is sought.
    Tracking {
        since: Seconds,
    },
    Note {
        at: Option<FieldPlace>,
        text: String,
    },
    Counter {
        at: Option<FieldPlace>,
        text: String,
    },
    Leaving,
}

/// What is held still.
#[derive(Debug)]
enum Freeze {
    Off,
    /// From the next picture on.
    Wanted,
    Held(Box<Live>),
}

/// The dashboard's own state: what is looked at, not what is measured.
#[derive(Debug)]
pub struct Screen {
    palette: Palette,
    /// `None` until the operator chooses: then the size of the terminal decides.
    view: Option<View>,
    span: usize,
    mode: Mode,
    freeze: Freeze,
    /// Newest events that are scrolled past.
    skipped: usize,
    plumb: Plumb,
    dots: Dots,
    flutter: FlutterPage,
    seen: Option<FieldPlace>,
    roomy: bool,
    /// Place of the control that is stepped, how many there are, and its number.
    control: usize,
    controls: usize,
    control_id: Option<u32>,
}

impl Screen {
    /// A screen that shows everything and holds nothing.
    #[must_use]
    pub fn new(palette: Palette) -> Self {
        Self {
            palette,
            view: None,
            span: 1,
            mode: Mode::Watching,
            freeze: Freeze::Off,
            skipped: 0,
            plumb: Plumb::default(),
            dots: Dots::default(),
            flutter: FlutterPage::default(),
            seen: None,
            roomy: false,
            control: 0,
            controls: 0,
            control_id: None,
        }
    }

    /// Draws everything.
    pub fn draw(&mut self, frame: &mut Frame<'_>, live: &Live) {
        let area = frame.area();
        self.draw_on(frame.buffer_mut(), area, live);
    }

    /// Remembers what keys are about: the moment and the control.
    fn look_at(&mut self, live: &Live) {
        self.seen = live.place();
        self.controls = live.controls().standing().len();
        self.control = self.control.min(self.controls.saturating_sub(1));
        self.control_id = controls::id_at(live, self.control);
    }

    /// Whether letters are typed into something, or an answer is awaited.
    fn takes_all_keys(&self) -> bool {
        matches!(
            self.mode,
            Mode::Note { .. } | Mode::Counter { .. } | Mode::Leaving
        )
    }

    fn draw_on(&mut self, buffer: &mut Buffer, area: Rect, live: &Live) {
        self.look_at(live);
        self.roomy = layout::has_room_for_view(area);
        if matches!(self.freeze, Freeze::Wanted) {
            self.freeze = Freeze::Held(Box::new(live.clone()));
        }
        if area.width < layout::LEAST.0 || area.height < layout::LEAST.1 - layout::BAR {
            return self.draw_too_small(buffer, area, live);
        }
        let view = self.view();
        let wanted = Wanted {
            view: view != View::Plain,
            earlier: live.earlier().is_some(),
        };
        let layout = layout::arrange(area, wanted);
        strip::draw(buffer, layout.strip, live, self.palette);
        events::draw_banner(buffer, layout.banner, live, self.palette);
        self.draw_body(buffer, &layout, live);
        earlier::draw(buffer, layout.earlier, live, self.palette);
        events::draw_standing(buffer, layout.standing, live, self.palette);
        self.skipped = self.skipped.min(live.events().len().saturating_sub(1));
        events::draw_log(buffer, layout.log, live, self.skipped, self.palette);
        let panels = Rect {
            y: layout.plumb.y,
            height: layout.keys.y - layout.plumb.y,
            ..area
        };
        match self.mode {
            Mode::Help => keys::draw_help(buffer, panels, self.palette),
            Mode::Controls => controls::draw(buffer, panels, live, self.control, self.palette),
            Mode::Tracking { since } => {
                let about = (since, SPANS[self.span]);
                tracking::draw(buffer, panels, live, about, self.palette);
            }
            _ => {}
        }
        self.draw_bottom(buffer, layout.keys);
    }

    /// The view shown: the operator's choice, else what there is room for.
    fn view(&self) -> View {
        let usual = if self.roomy {
            View::Waveform
        } else {
            View::Plain
        };
        self.view.unwrap_or(usual)
    }

    /// The panels that can be held still.
    fn draw_body(&mut self, buffer: &mut Buffer, layout: &Layout, live: &Live) {
        let (palette, span) = (self.palette, SPANS[self.span]);
        let held = match &self.freeze {
            Freeze::Held(held) => Some(&**held),
            Freeze::Off | Freeze::Wanted => None,
        };
        let shown = held.unwrap_or(live);
        self.plumb.draw(buffer, layout.plumb, shown, palette);
        match (layout.view, self.view.unwrap_or(View::Waveform)) {
            (Some(area), View::History) => history::draw(buffer, area, shown, span, palette),
            (Some(area), View::Waves) => spectrum::draw(buffer, area, shown, span, palette),
            (Some(area), View::Flutter) => self.flutter.draw(buffer, area, shown, palette),
            (Some(area), View::Colours) => {
                colours::draw(&mut self.dots, buffer, area, shown, (span.0, palette));
            }
            (Some(area), View::Grain) => {
                grain::draw(&mut self.dots, buffer, area, shown, (span.0, palette));
            }
            (Some(area), View::Waveform | View::Plain) => {
                wave::draw(&mut self.dots, buffer, area, shown, palette);
            }
            (None, _) => {}
        }
        gauges::draw(buffer, layout.gauges, shown, span.0, palette);
        ladder::draw(buffer, layout.ladder, shown, palette);
        let column = held.map_or(0, |held| draw_held(buffer, layout.evidence, held, palette));
        let rest = Rect {
            x: layout.evidence.x + column,
            width: layout.evidence.width.saturating_sub(column),
            ..layout.evidence
        };
        evidence::draw(buffer, rest, shown, palette);
    }

    fn draw_bottom(&self, buffer: &mut Buffer, area: Rect) {
        match &self.mode {
            Mode::Watching | Mode::Help => {
                keys::draw_keys(buffer, area, SPANS[self.span].1, self.palette);
            }
            Mode::Controls => controls::draw_keys(buffer, area, self.palette),
            Mode::Tracking { .. } => {
                tracking::draw_keys(buffer, area, SPANS[self.span].1, self.palette);
            }
            Mode::Note { text, .. } => {
                keys::draw_entry(buffer, area, ("note:", text), self.palette);
            }
            Mode::Counter { text, .. } => {
                let asked = "the player's counter reads:";
                keys::draw_entry(buffer, area, (asked, text), self.palette);
            }
            Mode::Leaving => keys::draw_question(buffer, area, self.palette),
        }
    }

    /// A polite line, and the word, which matters most.
    fn draw_too_small(&self, buffer: &mut Buffer, area: Rect, live: &Live) {
        let status = live.status();
        let (tone, symbol) = words::word(status.word);
        let said = format!("{symbol} {} {}", status.word.text(), status.reason);
        paint::put(buffer, area, (0, 0), &said, self.palette.fill(tone));
        let (columns, rows) = layout::LEAST;
        let plea = format!(
            "Please make this at least {columns}x{rows}; it is {}x{}.",
            area.width, area.height
        );
        paint::put(buffer, area, (0, 1), &plea, self.palette.ink(Tone::Plain));
    }

    /// Takes a key; gives what the operator asks for, if anything.
    pub fn key(&mut self, key: KeyEvent) -> Option<Request> {
        if key.kind == KeyEventKind::Release {
            return None;
        }
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return (key.code == KeyCode::Char('c')).then_some(Request::Interrupt);
        }
        match &mut self.mode {
            Mode::Watching => self.command(key.code),
            Mode::Help => {
                self.mode = Mode::Watching;
                None
            }
            Mode::Controls => self.control_key(key.code),
            Mode::Tracking { .. } => self.tracking_key(key.code),
            Mode::Leaving => {
                self.mode = Mode::Watching;
                matches!(key.code, KeyCode::Char('y' | 'Y')).then_some(Request::Quit)
            }
            Mode::Note { .. } | Mode::Counter { .. } => self.typed(key.code),
        }
    }

    fn command(&mut self, code: KeyCode) -> Option<Request> {
        let (at, text) = (self.seen, String::new());
        match code {
            KeyCode::Char('m') => self.mode = Mode::Note { at, text },
            KeyCode::Char('c') => self.mode = Mode::Counter { at, text },
            KeyCode::Char('a') => return Some(Request::Acknowledge),
            KeyCode::Char('r') => return Some(Request::Reference),
            KeyCode::Char('f') => self.toggle_freeze(),
            KeyCode::Char('z') => self.span = (self.span + 1) % SPANS.len(),
            KeyCode::Char('v') => self.view = Some(self.view().next()),
            KeyCode::Char('w') => {
                self.view = Some(if self.view == Some(View::Waves) {
                    View::Flutter
                } else {
                    View::Waves
                });
            }
            KeyCode::Char('k') => self.view = Some(View::Colours),
            KeyCode::Char('n') => self.view = Some(View::Grain),
            KeyCode::Char('d') => self.mode = Mode::Controls,
            KeyCode::Char('t') => self.seek_tracking(),
            KeyCode::Char('?' | 'h') => self.mode = Mode::Help,
            KeyCode::Down => self.skipped = self.skipped.saturating_add(1),
            KeyCode::Up => self.skipped = self.skipped.saturating_sub(1),
            KeyCode::PageDown => self.skipped = self.skipped.saturating_add(PAGE),
            KeyCode::PageUp => self.skipped = self.skipped.saturating_sub(PAGE),
            KeyCode::Home => self.skipped = 0,
            KeyCode::Char('q') => self.mode = Mode::Leaving,
            _ => {}
        }
        None
    }

    /// A key while the page of controls is open.
    fn control_key(&mut self, code: KeyCode) -> Option<Request> {
        let last = self.controls.saturating_sub(1);
        let steps = match code {
            KeyCode::Down => {
                self.control = (self.control + 1).min(last);
                return None;
            }
            KeyCode::Up => {
                self.control = self.control.saturating_sub(1);
                return None;
            }
            KeyCode::Esc | KeyCode::Char('d' | 'q') => {
                self.mode = Mode::Watching;
                return None;
            }
            KeyCode::Char('a') => return Some(Request::Acknowledge),
            KeyCode::Char('o') => return Some(Request::RestoreControls),
            KeyCode::Left => -1,
            KeyCode::Right => 1,
            KeyCode::PageDown => -CONTROL_PAGE,
            KeyCode::PageUp => CONTROL_PAGE,
            _ => return None,
        };
        self.control_id.map(|id| Request::StepControl { id, steps })
    }

    /// Opens the tracking aid, or begins anew in it.
    fn seek_tracking(&mut self) {
        let since = self.seen.map_or(Seconds(0.0), |place| place.seconds);
        self.mode = Mode::Tracking { since };
    }

    /// A key while the tracking aid is open.
    fn tracking_key(&mut self, code: KeyCode) -> Option<Request> {
        match code {
            KeyCode::Char('t') => self.seek_tracking(),
            KeyCode::Char('z') => self.span = (self.span + 1) % SPANS.len(),
            KeyCode::Char('a') => return Some(Request::Acknowledge),
            KeyCode::Esc | KeyCode::Char('q') => self.mode = Mode::Watching,
            _ => {}
        }
        None
    }

    fn toggle_freeze(&mut self) {
        self.freeze = match self.freeze {
            Freeze::Off => Freeze::Wanted,
            Freeze::Wanted | Freeze::Held(_) => Freeze::Off,
        };
    }

    fn typed(&mut self, code: KeyCode) -> Option<Request> {
        match code {
            KeyCode::Esc => self.mode = Mode::Watching,
            KeyCode::Enter => return self.entered(),
            KeyCode::Backspace => {
                if let Mode::Note { text, .. } | Mode::Counter { text, .. } = &mut self.mode {
                    text.pop();
                }
            }
            KeyCode::Char(letter) => self.add_letter(letter),
            _ => {}
        }
        None
    }

    fn add_letter(&mut self, letter: char) {
        let (text, room, welcome) = match &mut self.mode {
            Mode::Note { text, .. } => (text, NOTE_CHARACTERS, !letter.is_control()),
            Mode::Counter { text, .. } => {
                let welcome = letter.is_ascii_digit() || ":.-".contains(letter);
                (text, COUNTER_CHARACTERS, welcome)
            }
            Mode::Watching
            | Mode::Help
            | Mode::Controls
            | Mode::Tracking { .. }
            | Mode::Leaving => return,
        };
        if welcome && text.chars().count() < room {
            text.push(letter);
        }
    }

    fn entered(&mut self) -> Option<Request> {
        match std::mem::replace(&mut self.mode, Mode::Watching) {
            Mode::Note { at, text } => Some(Request::Mark { at, note: text }),
            Mode::Counter { at, text } if !text.is_empty() => {
                Some(Request::Counter { at, reading: text })
            }
            _ => None,
        }
    }
}

/// Says that the panels are held, and since when; gives the column after it.
fn draw_held(buffer: &mut Buffer, area: Rect, held: &Live, palette: Palette) -> u16 {
    let clock = held.head().clock;
    let when = held.place().map_or(String::new(), |place| {
        format!(" at {}", clock.label(place.frame()))
    });
    let said = format!("▲ held{when}, f goes on");
    paint::put(buffer, area, (0, 0), &said, palette.fill(Tone::Look)) + 2
}
