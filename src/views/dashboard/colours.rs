//! The colours of the picture as a map, blue to the right and red up; below it what is said of them; beside it, of colour bars,
//! how far each is off.
//!
//! Each letter stands where the 75 % bar of that colour belongs: yellow, cyan, green, magenta, red, blue. Distance from the
//! cross in the middle is saturation, direction is hue.
//!
//! Does not know: how colours are counted, or which are right.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::measures::bars::{COLOURS, Found};
use crate::measures::chroma::Presence;
use crate::record::{
    Live,
    live::{Shown, VECTOR_CELLS, VECTOR_REACH, Vectors},
};
use crate::units::{Estimate, Percent, Seconds};

use super::dots::{DOTS_ACROSS, DOTS_DOWN, Dots};
use super::gauges::draw_skyline;
use super::paint::{below_heading, fitting, heading, put, width_of};
use super::palette::{Palette, Tone};
use super::words::{self, Grade};

/// Composite axes of 75 % yellow, cyan, green, magenta, red and blue, as shares of white: half the chroma peak to peak of SMPTE 170M
/// Table A.3 over 92.5 IRE, at its phase.
const TARGETS: [(f64, f64); 6] = [
    (-0.327, 0.075),
    (0.110, -0.461),
    (-0.217, -0.386),
    (0.217, 0.386),
    (-0.110, 0.461),
    (0.327, -0.075),
];

/// Rows below the map: a sentence and its skyline.
const FOOT_ROWS: u16 = 2;

/// Columns of the table of bars, one of them apart from the map, and the fewest that leave a map beside it.
const TABLE: u16 = 28;
const LEAST_MAP: u16 = 16;

/// Draws the panel.
pub(super) fn draw(
    dots: &mut Dots,
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    (span, palette): (Seconds, Palette),
) {
    let bars = live.latest().and_then(|readings| readings.bars.found);
    let aside = bars.map_or("blue right, red up", |bars| bars.kind.name());
    heading(buffer, area, palette, "colour", aside);
    let body = below_heading(area);
    let foot = Rect {
        y: body.bottom().saturating_sub(FOOT_ROWS),
        height: FOOT_ROWS.min(body.height),
        ..body
    };
    draw_foot(buffer, foot, live, (span, palette));
    let body = Rect {
        height: body.height.saturating_sub(FOOT_ROWS),
        ..body
    };
    let vectors = live.vectors();
    if vectors.largest() == 0 {
        let tone = palette.ink(Tone::Unsure);
        put(buffer, body, (0, 1), "no colour to draw", tone);
        return;
    }
    let beside = bars.filter(|_| body.width >= TABLE + LEAST_MAP);
    let map = map_in(Rect {
        width: body.width - beside.map_or(0, |_| TABLE),
        ..body
    });
    draw_axes(buffer, map, palette);
    draw_counts(dots, map, vectors);
    dots.show(buffer, map, |layer| {
        palette.ink(if layer == COMMON {
            Tone::Strong
        } else {
            Tone::Plain
        })
    });
    draw_letters(buffer, map, palette);
    if let Some(bars) = &beside {
        let table = Rect {
            x: body.right() - TABLE + 1,
            width: TABLE - 1,
            ..body
        };
        draw_bars(buffer, table, bars, palette);
    }
}

/// The largest square in the middle of an area; a cell is twice as high as wide.
fn map_in(body: Rect) -> Rect {
    let width = body.width.min(2 * body.height);
    let height = width / 2;
    Rect {
        x: body.x + (body.width - width) / 2,
        y: body.y + (body.height - height) / 2,
        width,
        height,
    }
}

/// The cell of a place on the composite axes.
fn cell_of(map: Rect, (u, v): (f64, f64)) -> (u16, u16) {
    let at = |share: f64, size: u16| {
        let place = f64::midpoint(share / VECTOR_REACH, 1.0) * f64::from(size);
        (place as u16).min(size.saturating_sub(1))
    };
    (at(u, map.width), at(-v, map.height))
}

fn draw_axes(buffer: &mut Buffer, map: Rect, palette: Palette) {
    let faint = palette.ink(Tone::Faint);
    let (column, row) = cell_of(map, (0.0, 0.0));
    for x in 0..map.width {
        put(buffer, map, (x, row), "┈", faint);
    }
    for y in 0..map.height {
        put(buffer, map, (column, y), "┊", faint);
    }
    put(buffer, map, (column, row), "┼", faint);
}

fn draw_letters(buffer: &mut Buffer, map: Rect, palette: Palette) {
    for (name, target) in COLOURS.iter().zip(TARGETS) {
        let letter = name[..1].to_uppercase();
        put(
            buffer,
            map,
            cell_of(map, target),
            &letter,
            palette.ink(Tone::Look),
        );
    }
}

const RARE: u8 = 1;
const COMMON: u8 = 2;

/// Share of the commonest dot from which a dot is common, and under which it is left out: a hundredth of a percent of a picture is
/// noise.
const COMMON_SHARE: f64 = 0.05;
const LEAST_COUNT: u32 = 3;

fn draw_counts(dots: &mut Dots, map: Rect, vectors: &Vectors) {
    dots.reset(map);
    let (across, down) = (
        usize::from(map.width) * DOTS_ACROSS,
        usize::from(map.height) * DOTS_DOWN,
    );
    let commonest = f64::from(vectors.largest());
    for y in 0..down {
        for x in 0..across {
            let count = count(vectors, (x, across), (y, down));
            if count >= LEAST_COUNT {
                let common = f64::from(count) >= COMMON_SHARE * commonest;
                dots.set(x, y, if common { COMMON } else { RARE });
            }
        }
    }
}

/// What lies under a dot.
fn count(vectors: &Vectors, (x, across): (usize, usize), (y, down): (usize, usize)) -> u32 {
    let part = |index: usize, of: usize| {
        let from = index * VECTOR_CELLS / of;
        from..((index + 1) * VECTOR_CELLS / of).max(from + 1)
    };
    let columns = part(x, across);
    part(y, down)
        .flat_map(|row| &vectors.row(row)[columns.clone()])
        .map(|&count| u32::from(count))
        .sum()
}

/// How far each bar is off: luma, saturation, hue.
fn draw_bars(buffer: &mut Buffer, area: Rect, bars: &Found, palette: Palette) {
    let faint = palette.ink(Tone::Faint);
    put(buffer, area, (0, 0), "off      IRE    sat   hue", faint);
    let luma = |name: &str, level: Estimate<crate::units::Ire>| {
        format!("{name:<7}{:>+5.1}", level.value.0)
    };
    let mut lines = vec![luma("white", bars.white)];
    lines.extend(COLOURS.iter().zip(&bars.bars).map(|(name, bar)| {
        format!(
            "{name:<7}{:>+5.1} {:>+5.1}% {:>+5.1}°",
            bar.luma.value.0, bar.saturation.value.0, bar.hue.value.0
        )
    }));
    lines.extend(bars.black.map(|black| luma("black", black)));
    for (row, line) in lines.iter().enumerate() {
        put(
            buffer,
            area,
            (0, row as u16 + 1),
            line,
            palette.ink(Tone::Plain),
        );
    }
}

/// Saturation and cast, and how the cast went.
fn draw_foot(buffer: &mut Buffer, area: Rect, live: &Live, (span, palette): (Seconds, Palette)) {
    let (grade, ways) = said(live);
    let symbol = grade.map_or(words::UNKNOWN, Grade::symbol);
    let tone = grade.map_or(Tone::Unsure, Grade::tone);
    put(buffer, area, (0, 0), symbol, palette.ink(tone));
    let sentence = fitting(&ways, area.width.saturating_sub(2));
    put(buffer, area, (2, 0), sentence, palette.ink(Tone::Plain));
    let word = "cast ";
    put(buffer, area, (0, 1), word, palette.ink(Tone::Faint));
    let chart = Rect {
        x: area.x + width_of(word).min(area.width),
        y: area.y + 1.min(area.height),
        width: area.width.saturating_sub(width_of(word)),
        height: area.height.saturating_sub(1),
    };
    draw_skyline(buffer, chart, live, (Shown::Cast, span), palette);
}

/// The grade of the cast, and what is said of colour in some lengths, longest first.
pub(super) fn said(live: &Live) -> (Option<Grade>, Vec<String>) {
    let chroma = live.latest().map(|readings| readings.chroma);
    let Some(saturation) = chroma.and_then(|chroma| chroma.saturation_rms) else {
        return (None, vec!["colour not measured".into()]);
    };
    match chroma.and_then(|chroma| chroma.presence) {
        Some(Presence::Lost) => return (Some(Grade::Bad), vec!["the colour is gone".into()]),
        Some(Presence::Mono) => return (Some(Grade::Marked), vec!["no colour so far".into()]),
        _ => {}
    }
    if let Some(bars) = live.latest().and_then(|readings| readings.bars.found) {
        return said_of_bars(&bars);
    }
    let saturation = words::tidy(saturation.value.0);
    let casts = chroma.and_then(|chroma| Some((chroma.mean_cb?, chroma.mean_cr?)));
    let Some((blue, red)) = casts else {
        return (
            None,
            vec![
                format!("saturation {saturation} %; no grey to tell a cast by"),
                format!("sat {saturation} %, no grey"),
            ],
        );
    };
    let size = blue.value.0.hypot(red.value.0);
    let scale = words::scale(Shown::Cast);
    let grade = scale.grade(size);
    let word = scale.word(grade);
    let signed = |cast: Estimate<Percent>| format!("{:+.1}", cast.value.0);
    let (blue, red) = (signed(blue), signed(red));
    let ways = vec![
        format!("saturation {saturation} %; cast blue {blue}, red {red} %: {word}"),
        format!("sat {saturation} %; blue {blue} red {red}: {word}"),
        format!("sat {saturation} %; blue {blue} red {red}"),
        format!("sat {saturation} %; {word}"),
    ];
    (Some(grade), ways)
}

/// Of colour bars the means say more than a cast.
fn said_of_bars(bars: &Found) -> (Option<Grade>, Vec<String>) {
    let (saturation, hue, luma) = (
        bars.saturation().value.0,
        bars.hue().value.0,
        bars.worst_luma().value.0,
    );
    let grade = BAR_STEPS.iter().filter(|(percent, degrees, ire)| {
        saturation.abs() >= *percent || hue.abs() >= *degrees || luma.abs() >= *ire
    });
    let grade = [Grade::Fine, Grade::Slight, Grade::Marked, Grade::Bad][grade.count()];
    let ways = vec![
        format!("bars off: saturation {saturation:+.1} %, hue {hue:+.1}°, luma {luma:+.1} IRE"),
        format!("bars sat {saturation:+.0}% hue {hue:+.1}° {luma:+.1} IRE"),
        format!("sat {saturation:+.0}% hue {hue:+.1}°"),
    ];
    (Some(grade), ways)
}

/// Errors of bars at which a grade begins: percent, degrees, IRE. About what is seen beside the right ones (common practice, no
/// source).
const BAR_STEPS: [(f64, f64, f64); 3] = [(5.0, 3.0, 2.0), (15.0, 8.0, 5.0), (30.0, 15.0, 10.0)];
