//! What the terminal can show of a picture: pixels by one of three protocols, else coloured half blocks.
//!
//! In: what the terminal answered when it was asked, its environment, and the size of its cells. Sixel is announced in the primary
//! device attributes (attribute 4, DEC STD 070); the graphics protocol with placeholders answers its own query with OK; the one by
//! inline files has no query and is known by the terminal's name. A terminal inside another answers for itself, and only what it
//! shows itself is used.
//!
//! Does not know: how terminals are asked.

/// Asks for both, the attributes last: every terminal answers those, so that nobody waits for an answer that never comes.
pub(in crate::views::dashboard) const QUESTION: &[u8] =
    b"\x1b_Gi=31,s=1,v=1,a=q,t=d,f=24;AAAA\x1b\\\x1b[c";

/// How pictures are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Way {
    /// Half blocks in colour; without colours, blocks of four densities.
    Blocks,
    Sixel,
    Placeholders,
    InlineFile,
}

/// What a terminal can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Graphics {
    pub(super) way: Way,
    /// Pixels of a cell, across and down.
    pub(super) cell: (u16, u16),
}

/// Cells are taken to be twice as high as wide where nobody says.
const USUAL_CELL: (u16, u16) = (8, 16);

impl Graphics {
    /// Half blocks, which every terminal shows.
    #[must_use]
    pub fn blocks() -> Self {
        Self {
            way: Way::Blocks,
            cell: USUAL_CELL,
        }
    }

    /// Of an answer to [`QUESTION`], the environment, and the size of a cell where it is known.
    pub(in crate::views::dashboard) fn of(
        answer: &[u8],
        environment: impl Fn(&str) -> Option<String>,
        cell: Option<(u16, u16)>,
    ) -> Self {
        let Some(cell) = cell.filter(|&(across, down)| across > 0 && down > 0) else {
            return Self::blocks();
        };
        let set = |name: &str| environment(name).is_some_and(|value| !value.is_empty());
        let program = environment("TERM_PROGRAM").unwrap_or_default();
        let inside = program == "tmux" || set("TMUX") || set("STY");
        // These two answer the query but do not place pictures by placeholders.
        let without_placeholders = set("WEZTERM_EXECUTABLE") || set("KONSOLE_VERSION");
        let inline = ["iTerm", "WezTerm", "mintty", "vscode"];
        let answer = String::from_utf8_lossy(answer);
        let way = if answer.contains("_Gi=31;OK") && !without_placeholders && !inside {
            Way::Placeholders
        } else if !inside && inline.iter().any(|name| program.contains(name)) {
            Way::InlineFile
        } else if has_sixel(&answer) {
            Way::Sixel
        } else {
            Way::Blocks
        };
        Self { way, cell }
    }
}

/// Whether attribute 4 is among the primary device attributes: `ESC [ ? 62 ; 4 ; 22 c`.
fn has_sixel(answer: &str) -> bool {
    let attributes = answer.rsplit("\x1b[?").next().unwrap_or_default();
    let Some(attributes) = attributes.strip_suffix('c') else {
        return false;
    };
    attributes.split(';').skip(1).any(|number| number == "4")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(answer: &str, environment: &[(&str, &str)], cell: Option<(u16, u16)>, expected: Way) {
        let value = |name: &str| {
            let found = environment.iter().find(|(known, _)| *known == name);
            found.map(|(_, value)| (*value).to_owned())
        };
        let found = Graphics::of(answer.as_bytes(), value, cell);
        assert_eq!(found.way, expected, "{answer:?} {environment:?}");
    }

    #[test]
    fn a_terminal_is_believed_and_one_that_says_nothing_gets_blocks() {
        let cell = Some((9, 18));
        check("", &[], cell, Way::Blocks);
        check("\x1b[?62;22c", &[], cell, Way::Blocks);
        check("\x1b[?62;4;22c", &[], cell, Way::Sixel);
        check("\x1b[?4c", &[], cell, Way::Blocks); // a class of terminal, not an attribute
        check("\x1b[?62;14;42c", &[], cell, Way::Blocks);
        let both = "\x1b_Gi=31;OK\x1b\\\x1b[?62;4c";
        check(both, &[], cell, Way::Placeholders);
        check(both, &[("KONSOLE_VERSION", "240802")], cell, Way::Sixel);
        check(
            both,
            &[("TMUX", "/tmp/tmux-0/default,1,0")],
            cell,
            Way::Sixel,
        );
        check(
            "\x1b[?1;2c",
            &[("TERM_PROGRAM", "iTerm.app")],
            cell,
            Way::InlineFile,
        );
        check("\x1b[?1;2c", &[("TERM_PROGRAM", "tmux")], cell, Way::Blocks);
        check(both, &[], None, Way::Blocks);
        check(both, &[], Some((0, 0)), Way::Blocks);
    }
}
