//! Several sources at once: one row each, and the full view of one.
//!
//! In: the [`Live`] of every source. Out: the rows or one [`Screen`], and requests with the source they are meant for.
//!
//! Does not know: how a full view looks, beyond its size.

use std::sync::{Mutex, MutexGuard, PoisonError};

use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::record::{Live, live::Shown};

use super::paint::{heading, put, put_all, put_keys, width_of};
use super::palette::{Palette, Tone};
use super::{Request, Screen, events, gauges, words};

/// Columns from which a source's reason and name stand in its row instead of below it.
const WIDE: u16 = 116;

/// Columns of the places in a row.
const MARK: u16 = 2;
const NUMBER: u16 = 3;
const WORD: u16 = 9;
const TIMECODE: u16 = 13;
const ERROR: u16 = 21;
const LEVEL: u16 = 9;
const LOST: u16 = 7;

/// The dashboard of one source or of several.
pub(super) struct Desk {
    screens: Vec<Screen>,
    selected: usize,
    /// Rows are shown, not the full view of one.
    rows: bool,
    palette: Palette,
}

/// A panic while the lock was held leaves readings that are at worst half a field old.
pub(super) fn lock(live: &Mutex<Live>) -> MutexGuard<'_, Live> {
    live.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    /// For so many sources; several begin with the rows.
    pub(super) fn new(sources: usize, palette: Palette) -> Self {
        Self {
            screens: (0..sources).map(|_| Screen::new(palette)).collect(),
            selected: 0,
            rows: sources > 1,
            palette,
        }
    }

    /// Draws whatever is looked at.
    pub(super) fn draw(&mut self, buffer: &mut Buffer, area: Rect, lives: &[&Mutex<Live>]) {
        if lives.len() == 1 {
            return self.screens[0].draw_on(buffer, area, &lock(lives[0]));
        }
        if self.rows {
            return self.draw_rows(buffer, area, lives);
        }
        self.draw_bar(buffer, Rect { height: 1, ..area }, lives);
        let rest = Rect {
            y: area.y + 1,
            height: area.height.saturating_sub(1),
            ..area
        };
        self.screens[self.selected].draw_on(buffer, rest, &lock(lives[self.selected]));
    }

    /// Takes a key; gives what is asked for, and of which source.
    pub(super) fn key(&mut self, key: KeyEvent) -> Option<(usize, Request)> {
        if key.kind == KeyEventKind::Release {
            return None;
        }
        let typed = key.modifiers.contains(KeyModifiers::CONTROL)
            || self.screens[self.selected].takes_all_keys();
        if self.screens.len() > 1 && !typed && self.turn(key.code) {
            return None;
        }
        let meant = !self.rows || typed || matches!(key.code, KeyCode::Char('m' | 'c' | 'a' | 'q'));
        let screen = &mut self.screens[self.selected];
        let request = if meant { screen.key(key) } else { None };
        request.map(|request| (self.selected, request))
    }

    /// Turns to another view; whether the key was for that.
    fn turn(&mut self, code: KeyCode) -> bool {
        let last = self.screens.len() - 1;
        match code {
            KeyCode::Tab => self.rows = !self.rows,
            KeyCode::Char(digit @ '1'..='9') => {
                let wanted = digit as usize - '1' as usize;
                if wanted <= last {
                    (self.selected, self.rows) = (wanted, false);
                }
            }
            KeyCode::Down if self.rows => self.selected = (self.selected + 1).min(last),
            KeyCode::Up if self.rows => self.selected = self.selected.saturating_sub(1),
            KeyCode::Enter if self.rows => self.rows = false,
            _ => return false,
        }
        true
    }

    /// All words in one line, for the one who looks at another source.
    fn draw_bar(&self, buffer: &mut Buffer, area: Rect, lives: &[&Mutex<Live>]) {
        let palette = self.palette;
        let mut column = 0;
        for (at, live) in lives.iter().enumerate() {
            let status = lock(live).status();
            let (tone, symbol) = words::word(status.word);
            let ink = if at == self.selected {
                palette.key()
            } else {
                palette.ink(Tone::Plain)
            };
            let number = format!("{}", at + 1);
            column = put_all(
                buffer,
                area,
                (column, 0),
                &[
                    (&number, ink),
                    (" ", palette.ink(Tone::Plain)),
                    (symbol, palette.ink(tone)),
                    (" ", palette.ink(Tone::Plain)),
                    (status.word.text(), palette.ink(tone)),
                    ("  ", palette.ink(Tone::Plain)),
                ],
            );
        }
        let name = lock(lives[self.selected]).head().source.clone();
        let end = format!("{name}  Tab: all sources");
        let start = area.width.saturating_sub(width_of(&end));
        if start >= column {
            put(buffer, area, (start, 0), &end, palette.ink(Tone::Faint));
        }
    }

    fn draw_rows(&mut self, buffer: &mut Buffer, area: Rect, lives: &[&Mutex<Live>]) {
        let palette = self.palette;
        let each = if area.width >= WIDE { 1 } else { 2 };
        heading(buffer, area, palette, "sources", "Enter: full view of one");
        draw_titles(buffer, area, palette);
        // heading, titles, a gap, at least three rows of the log, keys
        let room = area.height.saturating_sub(7) / each;
        let shown = usize::from(room).clamp(1, lives.len());
        let first = (self.selected + 1).saturating_sub(shown);
        for (at, live) in lives.iter().enumerate().skip(first).take(shown) {
            let top = 2 + each * (at - first) as u16;
            let live = lock(live);
            self.screens[at].look_at(&live);
            let place = Rect {
                y: area.y.saturating_add(top),
                height: each,
                ..area
            };
            draw_row(
                buffer,
                place.intersection(area),
                (at, at == self.selected),
                &live,
                palette,
            );
        }
        let top = 3 + each * shown as u16;
        let log = Rect {
            y: area.y.saturating_add(top),
            height: area.height.saturating_sub(top + 1),
            ..area
        };
        let bottom = Rect {
            y: area.y + area.height.saturating_sub(1),
            height: area.height.min(1),
            ..area
        };
        events::draw_log(
            buffer,
            log.intersection(area),
            &lock(lives[self.selected]),
            0,
            palette,
        );
        let screen = &self.screens[self.selected];
        if screen.takes_all_keys() {
            screen.draw_bottom(buffer, bottom);
        } else {
            draw_keys(buffer, bottom, palette);
        }
    }
}

fn draw_titles(buffer: &mut Buffer, area: Rect, palette: Palette) {
    let mut column = MARK + NUMBER;
    let titles = [
        ("", WORD),
        ("timecode", TIMECODE),
        ("error", ERROR),
        ("black", LEVEL),
        ("peak", LEVEL),
        ("lost", LOST),
    ];
    for (title, width) in titles {
        put(buffer, area, (column, 1), title, palette.ink(Tone::Faint));
        column += width;
    }
}

/// One source: number, word, timecode, error, black, peak, losses; reason and name beside or below.
fn draw_row(
    buffer: &mut Buffer,
    area: Rect,
    (at, selected): (usize, bool),
    live: &Live,
    palette: Palette,
) {
    let status = live.status();
    let (tone, symbol) = words::word(status.word);
    let plain = palette.ink(if selected { Tone::Strong } else { Tone::Plain });
    let mark = if selected { "▸" } else { " " };
    put(buffer, area, (0, 0), mark, plain);
    put(
        buffer,
        area,
        (MARK, 0),
        &(at + 1).to_string(),
        palette.key(),
    );
    let word = format!("{symbol} {}", status.word.text());
    let mut column = MARK + NUMBER;
    put(buffer, area, (column, 0), &word, palette.fill(tone));
    column += WORD;
    for (said, width) in figures(live) {
        put(buffer, area, (column, 0), &said, plain);
        column += width;
    }
    let reason = match live.over() {
        Some(why) => format!("over, {why}"),
        None => status.reason.to_owned(),
    };
    let alarms = match live.unacknowledged() {
        0 => String::new(),
        1 => ", 1 alarm".to_owned(),
        more => format!(", {more} alarms"),
    };
    let start = if area.height > 1 {
        (MARK + NUMBER, 1)
    } else {
        (column, 0)
    };
    put_all(
        buffer,
        area,
        start,
        &[
            (&reason, palette.ink(tone)),
            (&alarms, palette.ink(Tone::Plain)),
            (": ", palette.ink(Tone::Faint)),
            (&live.head().source, palette.ink(Tone::Faint)),
        ],
    );
}

/// Timecode, error, black, peak and losses, each with its columns.
fn figures(live: &Live) -> [(String, u16); 5] {
    let clock = live.head().clock;
    let timecode = live
        .place()
        .map_or("–".into(), |place| clock.label(place.frame()).to_string());
    let median = |shown| gauges::median(live, shown);
    let level = |shown| median(shown).map_or("?".into(), |ire| format!("{} IRE", words::tidy(ire)));
    let error = median(Shown::LineError).map_or("?".into(), |error| {
        words::timing(error.abs(), live.sample_rate())
    });
    [
        (timecode, TIMECODE),
        (error, ERROR),
        (level(Shown::Black), LEVEL),
        (level(Shown::Peak), LEVEL),
        (live.totals().lost.to_string(), LOST),
    ]
}

const KEYS: [(&str, &str); 6] = [
    ("↑ ↓", "select"),
    ("Tab", "full view and back"),
    ("m", "mark"),
    ("c", "counter"),
    ("a", "seen"),
    ("q", "quit"),
];

fn draw_keys(buffer: &mut Buffer, area: Rect, palette: Palette) {
    put_keys(buffer, area, KEYS, "  ", palette);
}
