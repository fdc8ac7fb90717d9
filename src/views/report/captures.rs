//! What was found in the captures, as a part of the page of a comparison: charts and tables of response and coherence, of luma and
//! of colour, and moments to look at.
//!
//! Does not know: how anything was found, or where on the page it goes.

use serde::Serialize;

use super::chart::{self, Knot, Scale};
use super::moments::{MomentFigures, moments};
use super::words::capital;
use crate::compare::{Band, COHERENT, Comparison, Pictures};
use crate::views::comparison::words;

/// One pass against the first.
#[derive(Serialize)]
pub(super) struct CapturesPart {
    letter: char,
    first: char,
    sentences: Vec<String>,
    charts: Vec<ResponseChart>,
    figures: Vec<FigureTable>,
    tables: Vec<BandTable>,
    moments: Vec<MomentFigures>,
    left_out: String,
}

/// Single figures.
#[derive(Serialize)]
struct FigureTable {
    id: &'static str,
    title: &'static str,
    rows: Vec<FigureRow>,
}

#[derive(Serialize)]
struct FigureRow {
    name: String,
    value: String,
    unit: String,
}

#[derive(Serialize)]
struct BandTable {
    id: &'static str,
    title: &'static str,
    beside: String,
    rows: Vec<BandRow>,
}

#[derive(Serialize)]
struct BandRow {
    megahertz: String,
    decibels: String,
    coherence: String,
}

/// A figure by frequency.
#[derive(Serialize)]
struct ResponseChart {
    id: String,
    title: String,
    unit: &'static str,
    top: String,
    bottom: String,
    band: String,
    line: String,
    outside: String,
    marks: Vec<Mark>,
    ticks: Vec<String>,
    description: String,
}

#[derive(Serialize)]
struct Mark {
    y: f64,
    label: String,
}

/// What is shown by frequency: of luma or of colour.
struct Kind {
    id: &'static str,
    /// Of the table and of the charts.
    title: &'static str,
    coherence_title: &'static str,
    /// From one tick to the next, in MHz, and decimals of what is told in MHz.
    tick: f64,
    decimals: usize,
    /// Levels that are marked, in dB.
    marks: [f64; 2],
}

const LUMA: Kind = Kind {
    id: "luma",
    title: "Response across a line",
    coherence_title: "Coherence across a line, 0 to 1",
    tick: 1.0,
    decimals: 1,
    marks: [0.0, -3.0],
};

const CHROMA: Kind = Kind {
    id: "chroma",
    title: "Response of colour across a line",
    coherence_title: "Coherence of colour across a line, 0 to 1",
    tick: 0.25,
    decimals: 2,
    marks: [0.0, -3.0],
};

/// A part for every pass whose captures were looked at.
pub(super) fn parts(found: &Comparison) -> Vec<CapturesPart> {
    let all = found.pictures.iter();
    all.map(|one| part(found, one)).collect()
}

fn part(found: &Comparison, one: &Pictures) -> CapturesPart {
    let letter = words::letter(found, one.pass);
    let mut told: Vec<(&Kind, &[Band])> = Vec::new();
    told.extend(one.response.iter().map(|own| (&LUMA, own.bands.as_slice())));
    told.extend(one.chroma.iter().map(|own| (&CHROMA, own.bands.as_slice())));
    let (moments, left_out) = moments(found, one);
    let sentences = if one.response.is_none() {
        vec!["Too little of the captures shows the same moments of tape.".to_owned()]
    } else {
        let sentences = [
            words::response(found, one),
            words::colour(found, one),
            words::noise(found, one),
        ];
        sentences
            .into_iter()
            .filter(|said| !said.is_empty())
            .collect()
    };
    CapturesPart {
        letter,
        first: found.passes[0].letter,
        sentences,
        charts: told
            .iter()
            .flat_map(|(kind, bands)| charts(kind, bands, letter))
            .collect(),
        figures: [
            figures(
                "colour",
                "Colour across a line",
                one.chroma
                    .as_ref()
                    .map_or_else(Vec::new, words::colour_rows),
            ),
            figures(
                "noise",
                "Noise where the picture is plain",
                words::noise_rows(found, one),
            ),
        ]
        .into_iter()
        .filter(|table| !table.rows.is_empty())
        .collect(),
        tables: told
            .iter()
            .map(|(kind, bands)| table(kind, bands))
            .collect(),
        moments,
        left_out,
    }
}

fn figures(id: &'static str, title: &'static str, rows: Vec<[String; 3]>) -> FigureTable {
    let rows = rows.into_iter();
    FigureTable {
        id,
        title,
        rows: rows
            .map(|[name, value, unit]| FigureRow {
                name: capital(&name),
                value,
                unit,
            })
            .collect(),
    }
}

fn table(kind: &Kind, bands: &[Band]) -> BandTable {
    let rows = words::bands(bands, kind.decimals);
    BandTable {
        id: kind.id,
        title: kind.title,
        beside: rows
            .first()
            .map_or_else(String::new, |[megahertz, ..]| megahertz.clone()),
        rows: rows
            .into_iter()
            .map(|[megahertz, decibels, coherence]| BandRow {
                megahertz,
                decibels,
                coherence,
            })
            .collect(),
    }
}

/// Response and coherence; neither of what has no bands.
fn charts(kind: &Kind, bands: &[Band], letter: char) -> Vec<ResponseChart> {
    let Some(last) = bands.last() else {
        return Vec::new();
    };
    let ticks = (last.megahertz / kind.tick).floor() as usize + 1;
    let width = ticks as f64 * kind.tick;
    let axis = Axis {
        width,
        outside: incoherent(bands, width),
        ticks: (0..=ticks)
            .map(|tick| {
                let megahertz = tick as f64 * kind.tick;
                let unit = if tick == ticks { "\u{a0}MHz" } else { "" };
                format!("{megahertz}{unit}")
            })
            .collect(),
    };
    vec![
        response_chart(kind, bands, &axis, letter),
        coherence_chart(kind, bands, &axis, letter),
    ]
}

/// What lies across a chart by frequency.
struct Axis {
    /// MHz at its right end.
    width: f64,
    outside: String,
    ticks: Vec<String>,
}

fn response_chart(kind: &Kind, bands: &[Band], axis: &Axis, letter: char) -> ResponseChart {
    let knots: Vec<Option<Knot>> = bands
        .iter()
        .map(|band| {
            band.decibels.map(|told| Knot {
                across: band.megahertz / axis.width,
                low: told.low,
                value: told.value,
                high: told.high,
            })
        })
        .collect();
    let coherent = bands.iter().filter(|band| band.coherence > COHERENT);
    let ends = coherent
        .filter_map(|band| band.decibels)
        .flat_map(|told| [told.low, told.high]);
    let (from, to) = ends
        .chain(kind.marks)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(from, to), value| {
            (from.min(value), to.max(value))
        });
    // Whole decibels, so that the ends can be read.
    let scale = Scale {
        from: from.floor() - 1.0,
        to: to.ceil() + 1.0,
    };
    let (band, line) = chart::curve(&knots, scale);
    let told: Vec<String> = bands
        .iter()
        .filter(|band| band.coherence > COHERENT)
        .filter_map(|band| {
            let decibels = words::signed(band.decibels?.value, 1);
            Some(format!(
                "{decibels} at {:.*}",
                kind.decimals, band.megahertz
            ))
        })
        .collect();
    let beside = bands.first().map_or(0.0, |band| band.megahertz);
    ResponseChart {
        id: format!("response-{}-{letter}", kind.id),
        title: kind.title.to_owned(),
        unit: "dB by MHz",
        top: format!("{} dB", words::signed(scale.to, 0)),
        bottom: format!("{} dB", words::signed(scale.from, 0)),
        band,
        line,
        outside: axis.outside.clone(),
        marks: kind
            .marks
            .map(|level| Mark {
                y: scale.y(level),
                label: format!("{} dB", words::signed(level, 0)),
            })
            .into(),
        ticks: axis.ticks.clone(),
        description: format!(
            "Amplitude beside {beside:.*} MHz. In dB at MHz: {}.",
            kind.decimals,
            if told.is_empty() {
                "nowhere is half of the power what both have in common".to_owned()
            } else {
                told.join(", ")
            }
        ),
    }
}

fn coherence_chart(kind: &Kind, bands: &[Band], axis: &Axis, letter: char) -> ResponseChart {
    let knots: Vec<Option<Knot>> = bands
        .iter()
        .map(|band| {
            Some(Knot {
                across: band.megahertz / axis.width,
                low: band.coherence,
                value: band.coherence,
                high: band.coherence,
            })
        })
        .collect();
    let scale = Scale { from: 0.0, to: 1.0 };
    let half = bands.iter().find(|band| band.coherence <= COHERENT);
    ResponseChart {
        id: format!("coherence-{}-{letter}", kind.id),
        title: kind.coherence_title.to_owned(),
        unit: "",
        top: "1".to_owned(),
        bottom: "0".to_owned(),
        band: String::new(),
        line: chart::curve(&knots, scale).1,
        outside: axis.outside.clone(),
        marks: vec![Mark {
            y: scale.y(COHERENT),
            label: format!("{COHERENT}"),
        }],
        ticks: axis.ticks.clone(),
        description: half.map_or_else(
            || "At all frequencies at least half of the power is what both have in common.".to_owned(),
            |band| {
                format!(
                    "From {:.*} MHz on less than half of the power is what both have in common: noise of either play.",
                    kind.decimals, band.megahertz
                )
            },
        ),
    }
}

/// Where less than half of the power is common, half way to the bands on either side.
fn incoherent(bands: &[Band], width: f64) -> String {
    let border = |at: usize| {
        if at == 0 {
            return 0.0;
        }
        let before = bands[at - 1].megahertz;
        let next = bands.get(at).map_or(width, |band| band.megahertz);
        let middle = if at == bands.len() {
            width
        } else {
            f64::midpoint(before, next)
        };
        middle / width
    };
    let coherent = bands.iter().enumerate();
    let coherent: Vec<(f64, f64)> = coherent
        .filter(|(_, band)| band.coherence > COHERENT)
        .map(|(at, _)| (border(at), border(at + 1)))
        .collect();
    chart::outside(&coherent)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::Interval;

    fn band(megahertz: f64, decibels: Option<f64>, coherence: f64) -> Band {
        Band {
            megahertz,
            decibels: decibels.map(|value| Interval::new(value, 0.1, 10.0)),
            coherence,
        }
    }

    #[test]
    fn a_response_is_drawn_to_scale_with_its_interval_and_shaded_where_it_is_noise() {
        let bands = [
            band(0.5, Some(0.0), 0.99),
            band(1.0, Some(-4.0), 0.8),
            band(1.5, None, 0.2),
        ];
        let [response, coherence] = charts(&LUMA, &bands, 'B').try_into().ok().expect("two");
        // from -4.2 and -1 further down, to 0.2 and 1 further up: -6 … +2 dB; across to 2 MHz
        assert_eq!((&*response.top, &*response.bottom), ("+2 dB", "−6 dB"));
        assert_eq!(response.line, "M250.0 25.0L500.0 75.0");
        assert!(
            response
                .band
                .starts_with("M250.0 22.2L500.0 72.2L500.0 77.8")
        );
        assert_eq!(response.ticks, ["0", "1", "2\u{a0}MHz"]);
        assert_eq!(response.outside, "M625.0 0H1000.0V100H625.0Z");
        assert!(
            response.description.contains("−4.0 at 1.0"),
            "{}",
            response.description
        );
        assert_eq!(coherence.line, "M250.0 1.0L500.0 20.0L750.0 80.0");
        assert!(coherence.description.starts_with("From 1.5 MHz"));
    }
}
