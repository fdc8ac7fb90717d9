//! Where on an earlier pass the tape stands, and what this chain makes of levels and colours of that one, in one row.
//!
//! Does not know: how the place is found. What the quantities differ by stands in their gauges.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::record::Live;
use crate::record::live::{ChainDifference, Earlier, Whereabouts};

use super::paint::{fitting, put};
use super::palette::{Palette, Tone};
use super::words;

/// Draws the row; nothing where no pass is held against.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
    let Some(earlier) = live.earlier().filter(|_| !area.is_empty()) else {
        return;
    };
    let (tone, places) = whereabouts(earlier);
    // as much of the differences as there is room for, then of the words before them
    let ways: Vec<String> = chain(&earlier.chain)
        .iter()
        .flat_map(|figures| places.iter().map(move |place| format!("{place}{figures}")))
        .collect();
    put(
        buffer,
        area,
        (0, 0),
        fitting(&ways, area.width),
        palette.ink(tone),
    );
}

/// In some lengths, longest first.
fn whereabouts(earlier: &Earlier) -> (Tone, Vec<String>) {
    let name = &earlier.name;
    let named = |said: &str| format!("against {name}: {said}");
    let unknown = words::UNKNOWN;
    match &earlier.whereabouts {
        Whereabouts::Reading => {
            let said = "reading the earlier pass";
            (Tone::Unsure, vec![named(said), said.to_owned()])
        }
        Whereabouts::Sought(wanting) => {
            let why = wanting.words();
            let ways = vec![
                named(&format!("looking for this place; {why}")),
                format!("{unknown} looking for this place; {why}"),
                format!("{unknown} looking for this place"),
            ];
            (Tone::Unsure, ways)
        }
        Whereabouts::Missing(wanting) => {
            let why = wanting.words();
            let ways = vec![
                named(&format!(
                    "not found on the earlier pass; {why}; still looking"
                )),
                format!("{unknown} not found on the earlier pass; {why}"),
                format!("{unknown} not found on the earlier pass"),
            ];
            (Tone::Look, ways)
        }
        Whereabouts::At {
            timecode, certain, ..
        } => {
            let at = if *certain {
                format!("at {timecode}")
            } else {
                format!("at about {timecode} (nothing moves)")
            };
            (
                Tone::Plain,
                vec![
                    format!("against {name} {at}"),
                    format!("against it {at}"),
                    at,
                ],
            )
        }
        Whereabouts::Unreadable(why) => {
            let said = format!("{unknown} the earlier pass cannot be followed: {why}");
            (Tone::Look, vec![said])
        }
    }
}

/// Every relation with its uncertainty, then without, then of levels alone; nothing where nothing is told.
fn chain(chain: &[ChainDifference]) -> Vec<String> {
    if chain.is_empty() {
        return vec![String::new()];
    }
    let list = |of: &[ChainDifference], one: fn(&ChainDifference) -> String| {
        let said: Vec<String> = of.iter().map(one).collect();
        format!(": {}", said.join(", "))
    };
    let plain =
        |one: &ChainDifference| format!("{} {:+.1} {}", one.label, one.difference.value, one.unit);
    vec![
        list(chain, ChainDifference::words),
        list(chain, plain),
        list(&chain[..chain.len().min(2)], plain),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::live::{Held, Wanting};
    use crate::timecode::{Counting, FieldIndex, FrameIndex, Timecode};

    fn told(whereabouts: Whereabouts, chain: Vec<ChainDifference>, width: u16) -> String {
        let mut stage = super::super::staged::Stage::played(super::super::staged::Scene::Good, 2);
        stage.live.set_earlier(Earlier {
            whereabouts,
            chain,
            ..Earlier::new("bare.pass".into())
        });
        let area = Rect::new(0, 0, width, 1);
        let mut buffer = Buffer::empty(area);
        draw(&mut buffer, area, &stage.live, Palette::new(true));
        let row: String = (0..width).map(|x| buffer[(x, 0)].symbol()).collect();
        row.trim_end().to_owned()
    }

    fn at(certain: bool) -> Whereabouts {
        Whereabouts::At {
            field: FieldIndex(500),
            timecode: Timecode::from_frame(FrameIndex(1500), Counting::At25),
            certain,
        }
    }

    fn chain() -> Vec<ChainDifference> {
        let one = |label, unit, value| ChainDifference {
            label,
            unit,
            difference: Held { value, sigma: 0.12 },
        };
        vec![
            one("contrast", "%", -6.94),
            one("black", "IRE", 1.83),
            one("saturation", "%", -18.2),
            one("hue", "°", 9.04),
        ]
    }

    #[test]
    fn the_place_and_what_differs_are_told_in_the_room_there_is() {
        assert_eq!(
            told(at(true), chain(), 120),
            "against bare.pass at 00:01:00:00: contrast -6.9 ±0.2 %, black +1.8 ±0.2 IRE, saturation -18.2 ±0.2 %, hue +9.0 ±0.2 °"
        );
        assert_eq!(
            told(at(true), chain(), 80),
            "at 00:01:00:00: contrast -6.9 %, black +1.8 IRE, saturation -18.2 %, hue +9.0 °"
        );
        assert_eq!(
            told(at(false), Vec::new(), 80),
            "against bare.pass at about 00:01:00:00 (nothing moves)"
        );
    }

    #[test]
    fn a_place_that_is_not_known_is_said_to_be_looked_for_and_why() {
        for (whereabouts, said) in [
            (Whereabouts::Reading, "reading the earlier pass"),
            (Whereabouts::Sought(Wanting::Motion), "moves too little"),
            (
                Whereabouts::Missing(Wanting::Likeness),
                "not found on the earlier pass",
            ),
            (
                Whereabouts::Unreadable("the disk is gone".into()),
                "the disk is gone",
            ),
        ] {
            let row = told(whereabouts, Vec::new(), 80);
            assert!(row.contains(said), "{row}");
        }
    }
}
