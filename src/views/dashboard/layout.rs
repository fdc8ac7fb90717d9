//! Where each panel stands, for any size of terminal.
//!
//! Top to bottom: strip, banner, body, evidence, the earlier pass where the tape is held against one, standing conditions, log, keys. The body, left to right: plumb line, the
//! view beside it, gauges, ladder. Rows beyond the least go two parts to the body and one to the log.
//!
//! Does not know: what the panels show.

use ratatui::layout::Rect;

use super::{gauges, strip};

/// The smallest terminal that has room for everything.
pub(super) const LEAST: (u16, u16) = (80, 24);

/// Rows that the words of all sources take above the full view of one; on the smallest terminal the log gives them.
pub(super) const BAR: u16 = 1;

/// The smallest terminal whose strip is all in large letters.
const LARGE: (u16, u16) = (120, 36);

/// Columns from which a view has its place beside the plumb line without taking from the gauges.
const WIDE: u16 = 110;

/// Columns from which gauges have their long names.
const VERY_WIDE: u16 = 160;

/// Areas of all panels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Layout {
    pub(super) strip: Rect,
    pub(super) banner: Rect,
    pub(super) plumb: Rect,
    pub(super) view: Option<Rect>,
    pub(super) gauges: Rect,
    pub(super) ladder: Rect,
    pub(super) evidence: Rect,
    pub(super) earlier: Rect,
    pub(super) standing: Rect,
    pub(super) log: Rect,
    pub(super) keys: Rect,
}

/// Whether a view stands beside the plumb line unless the operator sends it away.
#[must_use]
pub(super) fn has_room_for_view(area: Rect) -> bool {
    area.width >= WIDE
}

/// What has a place only where it is wanted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Wanted {
    /// A view beside the plumb line.
    pub(super) view: bool,
    /// A row on the earlier pass; the log gives it.
    pub(super) earlier: bool,
}

/// The areas on a terminal of at least [`LEAST`].
#[must_use]
pub(super) fn arrange(area: Rect, wanted: Wanted) -> Layout {
    let large = area.width >= LARGE.0 && area.height >= LARGE.1;
    let strip = if large {
        strip::LARGE_ROWS
    } else {
        strip::SMALL_ROWS
    };
    let single_rows = 4; // banner, evidence, standing, keys
    let shared = area.height.saturating_sub(strip + single_rows);
    let step = gauges::LEAST_ROWS / 2;
    let body = ((shared * 2 / 3 + step / 2) / step * step).max(gauges::LEAST_ROWS);

    let mut top = area.y;
    let mut rows = |height: u16| {
        let band = Rect {
            y: top,
            height,
            ..area
        };
        top += height;
        band.intersection(area)
    };
    let (strip, banner, body) = (rows(strip), rows(1), rows(body));
    let (evidence, earlier) = (rows(1), rows(u16::from(wanted.earlier)));
    let standing = rows(1);
    let log = rows(shared.saturating_sub(body.height + earlier.height));
    let keys = rows(1);
    let [plumb, view, gauges, ladder] = columns(body, wanted.view);
    Layout {
        strip,
        banner,
        plumb,
        view: wanted.view.then_some(view),
        gauges,
        ladder,
        evidence,
        earlier,
        standing,
        log,
        keys,
    }
}

/// Plumb line, view, gauges and ladder, a column apart.
fn columns(body: Rect, with_view: bool) -> [Rect; 4] {
    let width = body.width;
    let ladder = 15 + (width.saturating_sub(LEAST.0) / 20).min(7);
    let gauges = match (width, with_view) {
        (VERY_WIDE.., _) => 68,
        (WIDE.., _) | (_, false) => 41,
        (_, true) => 22,
    };
    let rest = width.saturating_sub(ladder + gauges + 2);
    let (plumb, view) = if with_view {
        (rest * 2 / 5, rest.saturating_sub(rest * 2 / 5 + 1))
    } else {
        (rest, 0)
    };
    let mut left = body.x;
    [plumb, view, gauges, ladder].map(|columns| {
        let panel = Rect {
            x: left,
            width: columns,
            ..body
        };
        left += if columns == 0 { 0 } else { columns + 1 };
        panel.intersection(body)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn panels(layout: &Layout, wanted: Wanted) -> Vec<Rect> {
        let mut panels = vec![
            layout.strip,
            layout.banner,
            layout.plumb,
            layout.gauges,
            layout.ladder,
            layout.evidence,
            layout.standing,
            layout.log,
            layout.keys,
        ];
        panels.extend(layout.view);
        panels.extend(wanted.earlier.then_some(layout.earlier));
        panels
    }

    #[test]
    fn panels_never_overlap_and_stay_on_the_screen() {
        for (width, height) in [
            (80, 24),
            (81, 25),
            (109, 30),
            (120, 40),
            (200, 60),
            (250, 80),
        ] {
            for (view, earlier) in [(false, false), (true, false), (false, true), (true, true)] {
                let area = Rect::new(0, 0, width, height);
                let wanted = Wanted { view, earlier };
                let panels = panels(&arrange(area, wanted), wanted);
                for (index, panel) in panels.iter().enumerate() {
                    assert!(!panel.is_empty(), "{width}x{height} panel {index}");
                    assert_eq!(panel.intersection(area), *panel);
                    let clash = panels[..index]
                        .iter()
                        .find(|other| other.intersects(*panel));
                    assert_eq!(clash, None, "{width}x{height} panel {index}");
                }
            }
        }
    }

    #[test]
    fn every_row_of_the_smallest_screen_is_used() {
        for (earlier, log) in [(false, 5), (true, 4)] {
            let wanted = Wanted {
                view: false,
                earlier,
            };
            let layout = arrange(Rect::new(0, 0, 80, 24), wanted);
            assert_eq!((layout.plumb.height, layout.log.height), (12, log));
            assert_eq!(layout.keys.bottom(), 24);
            assert_eq!(layout.ladder.right(), 80);
        }
    }
}
