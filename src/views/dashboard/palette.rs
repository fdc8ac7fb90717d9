//! What a colour stands for. Sixteen colours, and none of them alone: each goes with a symbol or a word.
//!
//! Colours say how much something asks for attention, not what it is; nothing wrong is drawn calm. Green is left out:
//! beside red it is the pair most often confused. Without colours the same is said by bold, dim and reversed cells.
//!
//! Does not know: what is drawn.

use ratatui::style::{Color, Modifier, Style};

/// How much something asks for attention.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tone {
    /// Words and figures.
    Plain,
    /// What leads the eye: headings, the newest trace.
    Strong,
    /// Scales, threads, older traces.
    Faint,
    /// As it should be.
    Calm,
    /// To know about.
    Look,
    /// To act on.
    Stop,
    /// Not known.
    Unsure,
}

/// Tones as styles of the terminal at hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Palette {
    coloured: bool,
}

impl Palette {
    /// Colours, unless the environment asks for none (`NO_COLOR` set and not empty).
    #[must_use]
    pub fn of_environment() -> Self {
        let refused = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        Self { coloured: !refused }
    }

    /// With or without colours.
    #[must_use]
    pub fn new(coloured: bool) -> Self {
        Self { coloured }
    }

    /// Whether there are colours.
    #[must_use]
    pub(super) fn is_coloured(self) -> bool {
        self.coloured
    }

    /// Writing in a tone on the terminal's own ground.
    #[must_use]
    pub(super) fn ink(self, tone: Tone) -> Style {
        // a cell may have been drawn before: its ink is replaced, its ground stays
        let plain = Style::new().fg(Color::Reset);
        match (tone, self.coloured) {
            (Tone::Plain, _) | (Tone::Calm, false) => plain,
            (Tone::Faint, true) => plain.fg(Color::DarkGray),
            (Tone::Faint, false) => plain.add_modifier(Modifier::DIM),
            (Tone::Calm, true) => plain.fg(Color::Cyan),
            (Tone::Look, true) => plain.fg(Color::Yellow).add_modifier(Modifier::BOLD),
            (Tone::Stop, true) => plain.fg(Color::LightRed).add_modifier(Modifier::BOLD),
            (Tone::Strong, _) | (Tone::Look | Tone::Stop, false) => {
                plain.add_modifier(Modifier::BOLD)
            }
            (Tone::Unsure, true) => plain.fg(Color::Magenta),
            (Tone::Unsure, false) => plain.add_modifier(Modifier::ITALIC),
        }
    }

    /// Writing on a ground filled with a tone; only what must be seen from afar fills its ground.
    #[must_use]
    pub(super) fn fill(self, tone: Tone) -> Style {
        let bold = Style::new().fg(Color::Reset).add_modifier(Modifier::BOLD);
        match (tone, self.coloured) {
            (Tone::Look, true) => bold.fg(Color::Black).bg(Color::Yellow),
            (Tone::Stop, true) => bold.fg(Color::White).bg(Color::Red),
            (Tone::Look | Tone::Stop, false) => bold.add_modifier(Modifier::REVERSED),
            _ => self.ink(tone).add_modifier(Modifier::BOLD),
        }
    }

    /// A key's letter, or other words that name what can be pressed.
    #[must_use]
    pub(super) fn key(self) -> Style {
        self.ink(Tone::Plain)
            .add_modifier(Modifier::BOLD | Modifier::UNDERLINED)
    }
}
