//! Where each panel stands, for any size of terminal.
//!
//! Does not know: what the panels show.

use ratatui::layout::Rect;

use super::rows;

/// Rows of the verdict: its letters are three high.
const STRIP_ROWS: u16 = 3;

/// Areas of all panels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Layout {
    pub(super) strip: Rect,
    pub(super) rows: Rect,
    pub(super) place: Rect,
    pub(super) chart: Rect,
    pub(super) picture: Rect,
    pub(super) log: Rect,
    pub(super) keys: Rect,
}

/// The areas on a terminal of at least the live dashboard's least size. Rows beyond it go three parts to chart and picture, two to
/// the log.
pub(super) fn arrange(area: Rect) -> Layout {
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
    let (strip, minutes, place) = (rows(STRIP_ROWS), rows(rows::ROWS), rows(1));
    let shared = area.height.saturating_sub(STRIP_ROWS + rows::ROWS + 2);
    let middle = rows(shared * 3 / 5);
    let log = rows(shared.saturating_sub(middle.height));
    let keys = rows(1);
    // a picture of 4:3 in cells twice as high as wide, below its heading
    let picture = (middle.height.saturating_sub(1) * 8 / 3).min(area.width * 2 / 5);
    let chart = Rect {
        width: middle.width.saturating_sub(picture + 1),
        ..middle
    };
    Layout {
        strip,
        rows: minutes,
        place,
        chart,
        picture: Rect {
            x: middle.x + chart.width + 1,
            width: picture,
            ..middle
        },
        log,
        keys,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn panels_never_overlap_and_stay_on_the_screen() {
        for (width, height) in [(80, 24), (81, 25), (120, 40), (250, 80)] {
            let area = Rect::new(0, 0, width, height);
            let layout = arrange(area);
            let panels = [
                layout.strip,
                layout.rows,
                layout.place,
                layout.chart,
                layout.picture,
                layout.log,
                layout.keys,
            ];
            for (index, panel) in panels.iter().enumerate() {
                assert!(!panel.is_empty(), "{width}x{height} panel {index}");
                assert_eq!(panel.intersection(area), *panel);
                let clash = panels[..index]
                    .iter()
                    .find(|other| other.intersects(*panel));
                assert_eq!(clash, None, "{width}x{height} panel {index}");
            }
            assert_eq!(layout.keys.bottom(), height);
        }
    }
}
