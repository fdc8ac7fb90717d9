//! Six gauges: what each quantity says now in words and figures, and how it went.
//!
//! One rule for all skylines: the higher, the worse; a flat line at the bottom is a good transfer. A quarter of the
//! height is one step of the words. Solid is what is typical of a column's time, shaded up to its worst.
//!
//! Does not know: limits of alarms; the words have steps of their own.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::record::{
    Live,
    live::{Band, Health, Shown, Totals, Yardstick},
};
use crate::units::{Hertz, Seconds};

use super::colours;
use super::grain;
use super::paint::{fitting, put};
use super::palette::{Palette, Tone};
use super::words::{self, Grade};

/// Fields whose median a gauge shows: half a second, so that figures can be read.
const READ_FIELDS: usize = 30;

/// Most columns a skyline has.
const MOST_COLUMNS: usize = 256;

/// Rows all gauges need at least: a sentence and a skyline each.
pub(super) const LEAST_ROWS: u16 = 12;

/// The gauges, from the top. The cast has its own beside the map of colours, noise and detail below their chart.
const GAUGES: [Shown; 6] = [
    Shown::LineError,
    Shown::Flagging,
    Shown::Black,
    Shown::Peak,
    Shown::Sync,
    Shown::Source,
];

/// Draws the six gauges below each other, sharing the height.
pub(super) fn draw(buffer: &mut Buffer, area: Rect, live: &Live, span: Seconds, palette: Palette) {
    let count = GAUGES.len() as u16;
    let rows = (area.height / count).max(1);
    for (index, shown) in GAUGES.into_iter().enumerate() {
        let top = index as u16 * rows;
        if top >= area.height {
            break;
        }
        let place = Rect {
            y: area.y + top,
            height: rows,
            ..area
        };
        draw_one(buffer, place, live, shown, palette);
        let chart = Rect {
            x: place.x + 2.min(place.width),
            y: place.y + 1,
            width: place.width.saturating_sub(2),
            height: chart_rows(rows),
        };
        draw_skyline(buffer, chart, live, (shown, span), palette);
    }
}

/// Rows of a skyline: one less than the gauge, and one more to tell it from the next where there is room.
fn chart_rows(rows: u16) -> u16 {
    match rows {
        0..=2 => rows.saturating_sub(1),
        _ => rows - 2,
    }
}

fn draw_one(buffer: &mut Buffer, place: Rect, live: &Live, shown: Shown, palette: Palette) {
    let said = said(live, shown);
    let room = place.width.saturating_sub(2);
    let against = against(live, shown);
    let ways = against.as_ref().unwrap_or(&said.ways);
    let sentence = fitting(ways, room);
    let symbol = said.grade.map_or(words::UNKNOWN, Grade::symbol);
    let tone = said.grade.map_or(Tone::Unsure, Grade::tone);
    put(buffer, place, (0, 0), symbol, palette.ink(tone));
    put(
        buffer,
        place,
        (2, 0),
        sentence,
        palette.ink(sentence_tone(said.grade)),
    );
}

/// Now, the reference or the earlier pass, and the difference with its uncertainty, where there is one; levels of another picture
/// cannot be compared.
pub(super) fn against(live: &Live, shown: Shown) -> Option<Vec<String>> {
    let (yardstick, found) = live.held_against(shown)?;
    let rate = live.sample_rate();
    let (name, scale, unit) = match shown {
        Shown::LineError => ("error", words::in_samples(1.0, rate), "sample"),
        Shown::Flagging => ("flag", words::in_samples(1.0, rate), "sample"),
        Shown::Black => ("black", 1.0, "IRE"),
        Shown::Peak => ("peak", 1.0, "IRE"),
        Shown::Noise => ("noise", 1.0, "dB weighted"),
        Shown::Detail => ("detail", 1.0, "MHz"),
        Shown::Sync | Shown::Source | Shown::Cast => return None,
    };
    let [then, difference, sigma] = [
        found.then.value,
        found.difference.value,
        found.difference.sigma,
    ]
    .map(|value| value * scale);
    let now = then + difference;
    // Two decimals: tenths of a sample are what settings change.
    let before = match yardstick {
        Yardstick::Reference => "was",
        Yardstick::Earlier => "then",
    };
    let figures = format!("{now:.2}, {before} {then:.2}");
    let is_level = matches!(shown, Shown::Black | Shown::Peak);
    if yardstick == Yardstick::Reference && is_level && live.shows_another_picture() {
        return Some(vec![
            format!("{name:<20}{figures} {unit}: another picture, no comparison"),
            format!("{name:<6}{figures}: another picture"),
            format!("{name:<6}another picture"),
        ]);
    }
    let change = format!("{difference:+.2} ±{sigma:.2}");
    Some(vec![
        format!("{name:<20}{figures}: {change} {unit}"),
        format!("{name:<6}{figures}: {change} {unit}"),
        format!("{name:<6}{figures}: {change}"),
        format!("{name:<6}{change}"),
        format!("{name:<6}{difference:+.1}"),
    ])
}

/// Figures stay plain while nothing is wrong.
fn sentence_tone(grade: Option<Grade>) -> Tone {
    match grade {
        None => Tone::Faint,
        Some(Grade::Fine | Grade::Slight) => Tone::Plain,
        Some(grade) => grade.tone(),
    }
}

/// A gauge's grade and its sentence in some lengths, longest first.
struct Said {
    grade: Option<Grade>,
    ways: Vec<String>,
}

fn said(live: &Live, shown: Shown) -> Said {
    match shown {
        Shown::LineError => said_timing(live, shown, ("time-base error", "error")),
        Shown::Flagging => said_timing(live, shown, ("flagging at the top", "flag")),
        Shown::Black => said_level(live, shown, "black", "16 wanted"),
        Shown::Peak => said_level(live, shown, "peak", "235 at most"),
        Shown::Sync => said_sync(live),
        Shown::Source => said_source(live),
        Shown::Cast => {
            let (grade, ways) = colours::said(live);
            Said { grade, ways }
        }
        Shown::Noise => {
            let (grade, ways) = grain::said_of_noise(live);
            Said { grade, ways }
        }
        Shown::Detail => {
            let (grade, ways) = grain::said_of_detail(live);
            Said { grade, ways }
        }
    }
}

/// What is read of a quantity just now: the middle of its last fields.
pub(super) fn median(live: &Live, shown: Shown) -> Option<f64> {
    let mut values = [0.0_f32; READ_FIELDS];
    let mut count = 0;
    for (kept, value) in values
        .iter_mut()
        .zip(live.trends().latest(shown, READ_FIELDS))
    {
        *kept = value;
        count += 1;
    }
    let values = &mut values[..count];
    values.sort_unstable_by(f32::total_cmp);
    values.get(count / 2).map(|&value| f64::from(value))
}

fn graded(shown: Shown, value: f64, rate: Option<Hertz>) -> (Grade, &'static str) {
    let scale = words::scale(shown);
    let grade = scale.grade(words::badness(shown, value, rate));
    (grade, scale.word(grade))
}

fn said_timing(live: &Live, shown: Shown, (long, short): (&str, &str)) -> Said {
    let rate = live.sample_rate();
    let Some(value) = median(live, shown) else {
        return Said {
            grade: None,
            ways: vec![
                format!("{long}: no reading in these fields"),
                format!("{short:<6}no reading"),
            ],
        };
    };
    let (grade, word) = graded(shown, value, rate);
    let said = words::timing(value.abs(), rate);
    let side = match shown {
        Shown::Flagging if grade > Grade::Fine && value < 0.0 => " early",
        Shown::Flagging if grade > Grade::Fine => " late",
        _ => "",
    };
    Said {
        grade: Some(grade),
        ways: vec![
            format!("{long:<20}{said}{side}: {word}"),
            format!("{short:<6}{said}{side}: {word}"),
            format!("{short:<6}{said}: {word}"),
            format!("{short:<6}{word}"),
        ],
    }
}

fn said_level(live: &Live, shown: Shown, name: &str, wanted: &str) -> Said {
    let Some(value) = median(live, shown) else {
        return Said {
            grade: None,
            ways: vec![format!("{name:<6}not measured")],
        };
    };
    let (grade, word) = graded(shown, value, None);
    let side = match (shown, grade) {
        (Shown::Black, Grade::Slight | Grade::Marked | Grade::Bad) if value > 0.0 => "high",
        (Shown::Black, Grade::Slight | Grade::Marked | Grade::Bad) => "low",
        (Shown::Black, Grade::Fine) => "ok",
        _ => word,
    };
    let said = words::level(value, wanted);
    let ire = words::tidy(value);
    Said {
        grade: Some(grade),
        ways: vec![
            format!("{name:<20}{said}: {side}"),
            format!("{name:<6}{said}: {side}"),
            format!("{name:<6}{said}"),
            format!("{name:<6}{side}, {ire} IRE"),
            format!("{name:<6}{side}"),
        ],
    }
}

fn said_sync(live: &Live) -> Said {
    let Some(latest) = live.latest() else {
        return Said {
            grade: None,
            ways: vec!["sync  no picture yet".into()],
        };
    };
    let worst = median(live, Shown::Sync).unwrap_or(0.0);
    let (grade, _) = graded(Shown::Sync, worst, None);
    let state = words::state(latest.sync.state);
    let bounce = latest.sync.vertical_jitter.map_or(String::new(), |jitter| {
        format!(", bounces {} line", words::tidy(jitter.value.0))
    });
    Said {
        grade: Some(grade),
        ways: vec![
            format!("{:<20}{state}{bounce}", "sync"),
            format!("sync  {state}{bounce}"),
            format!("sync  {state}"),
        ],
    }
}

fn said_source(live: &Live) -> Said {
    let (totals, health) = (live.totals(), live.health());
    let lately: f32 = live.trends().latest(Shown::Source, READ_FIELDS).sum();
    let grade = match (lately > 0.0, health.writer_well) {
        (true, _) | (_, false) => Grade::Bad,
        (false, true) if totals.lost + totals.repeated > 0 => Grade::Slight,
        (false, true) => Grade::Fine,
    };
    Said {
        grade: Some(grade),
        ways: source_ways(totals, health),
    }
}

/// A writer in trouble comes first, else what was lost.
fn source_ways(totals: Totals, health: &Health) -> Vec<String> {
    // Which of them this computer was too slow for: the others are the chain's.
    let ours = match totals.lost_by_us {
        0 => String::new(),
        ours => format!(" ({ours} by us)"),
    };
    let lost = match (totals.lost, totals.repeated) {
        (0, 0) => "all fields came".to_owned(),
        (lost, 0) => format!("{lost} lost{ours}"),
        (lost, repeated) => format!("{lost} lost{ours}, {repeated} repeated"),
    };
    let queue = match health.queue_capacity {
        0 => String::new(),
        capacity => format!("queue {} of {capacity}", health.queue_frames),
    };
    let writer = &health.writer;
    if !health.writer_well {
        return vec![
            format!("source {}", list(&[writer, &lost, &queue])),
            format!("source {writer}"),
        ];
    }
    vec![
        format!(
            "{:<20}{}",
            "source",
            list(&[&lost, &health.device, &queue, writer])
        ),
        format!("source {}", list(&[&lost, &health.device, &queue])),
        format!("source {}", list(&[&lost, &health.device])),
        format!("source {}", list(&[&lost, &queue, writer])),
        format!("source {}", list(&[&lost, &queue])),
        format!("source {lost}"),
        format!("source {} lost", totals.lost),
    ]
}

/// What is not empty, one after the other.
fn list(parts: &[&str]) -> String {
    let said: Vec<&str> = parts
        .iter()
        .copied()
        .filter(|part| !part.is_empty())
        .collect();
    said.join("; ")
}

/// Draws how a quantity went: newest at the right.
pub(super) fn draw_skyline(
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    (shown, span): (Shown, Seconds),
    palette: Palette,
) {
    let area = area.intersection(buffer.area);
    let mut bands = [None; MOST_COLUMNS];
    let bands = &mut bands[..MOST_COLUMNS.min(area.width.into())];
    live.trends().bands(shown, span, bands);
    let elapsed = live.place().map_or(0.0, |place| place.seconds.0);
    // what lies before the pass is no gap in it
    let columns_elapsed = (elapsed / span.0 * bands.len() as f64) as usize;
    let first = bands.len().saturating_sub(columns_elapsed);
    for (column, band) in bands.iter().enumerate() {
        let x = area.x + column as u16;
        match band {
            Some(band) => draw_tower(
                buffer,
                (x, area),
                *band,
                (shown, live.sample_rate()),
                palette,
            ),
            None if column >= first => mark_gap(buffer, (x, area), palette),
            None => {}
        }
    }
}

fn mark_gap(buffer: &mut Buffer, (x, area): (u16, Rect), palette: Palette) {
    if area.height > 0 {
        let bottom = (x, area.bottom() - 1);
        if let Some(cell) = buffer.cell_mut(bottom) {
            cell.set_char('·').set_style(palette.ink(Tone::Faint));
        }
    }
}

/// Eighths of a cell, from the lowest.
const EIGHTHS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// What a column shows above its typical value, where that takes whole cells.
const SHADE: char = '░';

fn draw_tower(
    buffer: &mut Buffer,
    (x, area): (u16, Rect),
    band: Band,
    (shown, rate): (Shown, Option<Hertz>),
    palette: Palette,
) {
    let scale = words::scale(shown);
    let bad = |value: f32| words::badness(shown, f64::from(value), rate);
    let worst = bad(band.low).max(bad(band.high));
    // one row has no room for two heights: it shows the worse
    let solid = if area.height > 1 {
        bad(band.typical)
    } else {
        worst
    };
    let eighths = |badness: f64| {
        let full = f64::from(area.height) * 8.0;
        ((scale.height(badness) * full) as usize).max(1)
    };
    let (solid, top) = (eighths(solid), eighths(worst));
    let style = palette.ink(scale.grade(worst).tone());
    for row in 0..area.height {
        let from = usize::from(area.height - 1 - row) * 8;
        let symbol = match solid.saturating_sub(from).min(8) {
            0 if top > from => SHADE,
            0 => continue,
            eighth => EIGHTHS[eighth],
        };
        if let Some(cell) = buffer.cell_mut((x, area.y + row)) {
            cell.set_char(symbol).set_style(style);
        }
    }
}
