//! Noise by frequency, with where detail ends; below, how much noise there is, whether something reduces it, how much detail.
//!
//! The curve is the noise, from that of rounding at the bottom; the upright lines are where detail (broken) and noise (dotted) end. Where noise
//! reaches further than detail, the picture is soft and the chain is not.
//!
//! Does not know: how either is measured.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::measures::detail::television_lines;
use crate::measures::noise::{self, Bound, Spectrum};
use crate::measures::{Readings, detail};
use crate::record::{Live, live::Shown};
use crate::standard::Standard;
use crate::units::{Estimate, Hertz, Ratio, Seconds};

use super::dots::Dots;
use super::gauges::{against, draw_skyline, median};
use super::paint::{below_heading, fitting, heading, put, width_of};
use super::palette::{Palette, Tone};
use super::words::{self, Grade};

/// Rows below the chart: noise, detail, each with its skyline, and what is done to both.
const FOOT_ROWS: u16 = 5;

/// Range of the chart: up to half of 13.5 MHz, and 33 dB over the noise of rounding, as tape of 30 dB has it.
const MOST_MHZ: f64 = 6.75;
const MOST_DB: f64 = 33.0;

/// Density of the noise of rounding, in codes².
const ROUNDING: f64 = 1.0 / 12.0;

/// Ratios under which noise reduction is said to be at work: what chance and bias leave is within a tenth of 1.
const REDUCED_OVER_TIME: f64 = 0.85;
const REDUCED_WITHIN: f64 = 0.8;

/// Difference of the heads from which it is told, in dB.
const HEADS_APART: f64 = 1.0;

/// Draws the panel.
pub(super) fn draw(
    dots: &mut Dots,
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    (span, palette): (Seconds, Palette),
) {
    heading(
        buffer,
        area,
        palette,
        "noise and detail",
        "MHz to the right",
    );
    let body = below_heading(area);
    let foot = Rect {
        y: body.bottom().saturating_sub(FOOT_ROWS.min(body.height)),
        height: FOOT_ROWS.min(body.height),
        ..body
    };
    draw_foot(buffer, foot, live, (span, palette));
    let chart = Rect {
        height: body.height - foot.height,
        ..body
    };
    if let Some(readings) = live.latest() {
        draw_chart(dots, buffer, chart, readings, palette);
    }
}

fn draw_chart(
    dots: &mut Dots,
    buffer: &mut Buffer,
    area: Rect,
    readings: &Readings,
    palette: Palette,
) {
    let chart = Rect {
        height: area.height.saturating_sub(1),
        ..area
    };
    let Some(spectrum) = &readings.noise.spectrum else {
        put(
            buffer,
            area,
            (0, 0),
            "noise not measured",
            palette.ink(Tone::Unsure),
        );
        return;
    };
    draw_scale(buffer, area, palette);
    dots.reset(chart);
    draw_curve(dots, spectrum);
    dots.show(buffer, chart, |_| palette.ink(Tone::Strong));
    let ends = [
        (readings.noise.bandwidth, "┊", Tone::Faint),
        (readings.detail.bandwidth, "╎", Tone::Look),
    ];
    for (end, symbol, tone) in ends {
        let Some(end) = end else { continue };
        let column = (end.value.0 / MOST_MHZ * f64::from(chart.width)) as u16;
        for row in 0..chart.height {
            put(buffer, chart, (column, row), symbol, palette.ink(tone));
        }
    }
}

fn draw_scale(buffer: &mut Buffer, area: Rect, palette: Palette) {
    let row = area.height.saturating_sub(1);
    for mhz in 0..=6_u16 {
        let column = (f64::from(mhz) / MOST_MHZ * f64::from(area.width)) as u16;
        let ink = palette.ink(Tone::Faint);
        put(buffer, area, (column, row), &mhz.to_string(), ink);
    }
}

fn draw_curve(dots: &mut Dots, spectrum: &Spectrum) {
    let (across, down) = (dots.across(), dots.down());
    let mut last = None;
    for x in 0..across {
        let mhz = (x as f64 + 0.5) / across as f64 * MOST_MHZ;
        let density = spectrum.at(Hertz(mhz * 1e6));
        if density <= 0.0 {
            continue;
        }
        let decibels = 10.0 * (density / ROUNDING).log10();
        let height = (decibels / MOST_DB).clamp(0.0, 1.0) * (down.saturating_sub(1)) as f64;
        let y = down.saturating_sub(1) - height as usize;
        // steep parts are drawn through
        let (from, to) = last.map_or((y, y), |last: usize| (last.min(y), last.max(y)));
        (from..=to).for_each(|y| dots.set(x, y, 1));
        last = Some(y);
    }
}

fn draw_foot(buffer: &mut Buffer, area: Rect, live: &Live, (span, palette): (Seconds, Palette)) {
    let said = [
        (Shown::Noise, said_of_noise(live), "noise "),
        (Shown::Detail, said_of_detail(live), "detail"),
    ];
    for (nth, (shown, (grade, ways), word)) in said.into_iter().enumerate() {
        let row = 2 * nth as u16;
        let symbol = grade.map_or(words::UNKNOWN, Grade::symbol);
        let tone = grade.map_or(Tone::Unsure, Grade::tone);
        put(buffer, area, (0, row), symbol, palette.ink(tone));
        let ways = against(live, shown).unwrap_or(ways);
        let sentence = fitting(&ways, area.width.saturating_sub(2));
        put(buffer, area, (2, row), sentence, palette.ink(Tone::Plain));
        put(buffer, area, (0, row + 1), word, palette.ink(Tone::Faint));
        let column = width_of(word) + 1;
        let chart = Rect {
            x: area.x + column.min(area.width),
            y: area.y + row + 1,
            width: area.width.saturating_sub(column),
            height: u16::from(row + 1 < area.height),
        };
        draw_skyline(buffer, chart, live, (shown, span), palette);
    }
    let ways = live.latest().map_or(Vec::new(), said_of_reduction);
    let sentence = fitting(&ways, area.width.saturating_sub(2));
    put(buffer, area, (2, 4), sentence, palette.ink(Tone::Plain));
}

fn graded(live: &Live, shown: Shown) -> Option<(Grade, &'static str)> {
    let scale = words::scale(shown);
    let grade = scale.grade(words::badness(shown, median(live, shown)?, None));
    Some((grade, scale.word(grade)))
}

/// The grade of the noise, and what is said of it in some lengths, longest first.
pub(super) fn said_of_noise(live: &Live) -> (Option<Grade>, Vec<String>) {
    let noise = live.latest().map(|readings| readings.noise);
    let Some((noise, luma)) = noise.and_then(|noise| Some((noise, noise.luma?))) else {
        return (None, vec!["noise not measured".into()]);
    };
    let bound = noise.luma_bound.said();
    let luma = luma.value.0;
    let weighted = noise
        .luma_weighted
        .map_or(String::new(), |db| format!(" ({:.0} weighted)", db.value.0));
    let colour = noise.chroma.map_or(String::new(), |db| {
        let bound = noise.chroma_bound.said();
        format!("; colour {bound}{:.0} dB", db.value.0)
    });
    let (grade, word) = graded(live, Shown::Noise).unzip();
    let word = word.map_or(String::new(), |word| format!(": {word}"));
    let ways = vec![
        format!("noise {bound}{luma:.1} dB{weighted}{colour}{word}"),
        format!("noise {bound}{luma:.1} dB{weighted}{word}"),
        format!("noise {bound}{luma:.0} dB{word}"),
        format!("{bound}{luma:.0} dB"),
    ];
    (grade, ways)
}

/// The same of detail.
pub(super) fn said_of_detail(live: &Live) -> (Option<Grade>, Vec<String>) {
    let Some(readings) = live.latest() else {
        return (None, vec!["detail not measured".into()]);
    };
    let Some(end) = readings.detail.bandwidth else {
        return (None, vec!["detail: no sharp edges yet".into()]);
    };
    let bound = readings.detail.bandwidth_bound.said();
    let mhz = end.value.0;
    let lines = live.standard().map_or(String::new(), |standard: Standard| {
        format!(", {:.0} lines", television_lines(end.value, standard))
    });
    let (grade, word) = graded(live, Shown::Detail).unzip();
    let word = word.map_or(String::new(), |word| format!(": {word}"));
    let reach = further(&readings.detail, &readings.noise);
    let ways = vec![
        format!("detail to {bound}{mhz:.1} MHz{lines}{word}{reach}"),
        format!("detail to {bound}{mhz:.1} MHz{lines}{word}"),
        format!("to {bound}{mhz:.1} MHz{lines}{word}"),
        format!("to {bound}{mhz:.1} MHz{lines}"),
        format!("to {mhz:.1} MHz"),
    ];
    (grade, ways)
}

/// Where noise reaches clearly further than detail, the chain is not what ends it.
fn further(detail: &detail::Reading, noise: &noise::Reading) -> String {
    let (Some(end), Some(reach)) = (detail.bandwidth, noise.bandwidth) else {
        return String::new();
    };
    let apart = reach.value.0 - end.value.0;
    let clear = 2.0 * reach.sigma.0.hypot(end.sigma.0);
    if detail.bandwidth_bound == Bound::Measured && apart > clear.max(FURTHER_MHZ) {
        format!("; noise to {:.1} MHz: the picture is soft", reach.value.0)
    } else {
        String::new()
    }
}

/// Noise that reaches less than this further than detail says nothing, in MHz.
const FURTHER_MHZ: f64 = 0.4;

/// What is done to noise and edges.
fn said_of_reduction(readings: &Readings) -> Vec<String> {
    let (noise, detail) = (&readings.noise, &readings.detail);
    let clearly = |ratio: Option<Estimate<Ratio>>, under: f64| {
        ratio.filter(|ratio| ratio.value.0 + 2.0 * ratio.sigma.0 < under)
    };
    let mut said = Vec::new();
    if let Some(ratio) = clearly(noise.temporal, REDUCED_OVER_TIME) {
        said.push(format!("noise reduced over time to {:.2}", ratio.value.0));
    }
    if let Some(ratio) = clearly(noise.spatial, REDUCED_WITHIN) {
        said.push(format!("fine noise taken out ({:.2})", ratio.value.0));
    }
    if let Some(ratio) = clearly(noise.chroma_temporal, REDUCED_OVER_TIME) {
        said.push(format!("colour noise reduced to {:.2}", ratio.value.0));
    }
    if said.is_empty() && noise.temporal.is_some() {
        said.push("no noise reduction seen".into());
    }
    let parity = noise
        .parity
        .filter(|db| db.value.0.abs() > HEADS_APART.max(3.0 * db.sigma.0));
    if let Some(parity) = parity {
        said.push(format!("heads differ by {:+.1} dB", parity.value.0));
    }
    if let Some(ringing) = detail.ringing {
        said.push(format!("edges ring by {:.0} %", ringing.value.0));
    }
    // what does not fit is left out from the end
    (0..=said.len())
        .rev()
        .map(|count| said[..count].join("; "))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Megahertz;

    fn at(value: f64, sigma: f64) -> Estimate<Megahertz> {
        Estimate::new(Megahertz(value), Megahertz(sigma), 9)
    }

    #[test]
    fn a_soft_picture_is_told_from_a_soft_chain_by_how_far_noise_reaches() {
        let detail = detail::Reading {
            bandwidth: Some(at(1.6, 0.1)),
            ..detail::Reading::default()
        };
        let noise = |reach| noise::Reading {
            bandwidth: Some(at(reach, 0.1)),
            ..noise::Reading::default()
        };
        assert!(further(&detail, &noise(3.0)).contains("the picture is soft"));
        assert_eq!(further(&detail, &noise(1.8)), "");
        let open = detail::Reading {
            bandwidth_bound: Bound::AtLeast,
            ..detail
        };
        assert_eq!(further(&open, &noise(3.0)), "");
    }
}
