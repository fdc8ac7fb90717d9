//! Waves down the field over time: a column a moment, newest at the right; fine waves on top, long ones at the bottom.
//!
//! The denser a cell, the larger the wave; the legend below says how large. A wave that stands is a stripe from left to
//! right, one that drifts a slope.
//!
//! Does not know: how a spectrum is made, or how long it is kept.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::measures::line_timing::{Reading, WAVE_BANDS, WaveSpectrum};
use crate::record::{Live, live::Shown};
use crate::units::{Hertz, Lines, Seconds};

use super::paint::{below_heading, fitting, heading, put, put_all};
use super::palette::{Palette, Tone};
use super::words::{self, Grade};

/// Columns of the periods at the left.
const NUMBERS: u16 = 4;

/// Rows of the legend and the wave that stands out.
const FOOT: u16 = 2;

/// Columns that are drawn at most: beyond, a terminal has more than there are slots to fill them with.
const MOST_COLUMNS: usize = 160;

/// Amplitude in samples from which a cell is drawn at all: a tenth of a sample is hard to see in a picture.
const FAINTEST: f64 = 0.1;

/// What a cell of each grade is filled with.
const SHADES: [(Grade, &str); 4] = [
    (Grade::Fine, "░"),
    (Grade::Slight, "▒"),
    (Grade::Marked, "▓"),
    (Grade::Bad, "█"),
];

/// Draws the panel.
pub(super) fn draw(
    buffer: &mut Buffer,
    area: Rect,
    live: &Live,
    (span, name): (Seconds, &str),
    palette: Palette,
) {
    heading(buffer, area, palette, "waves in lines", name);
    let body = below_heading(area);
    let chart = Rect {
        x: body.x + NUMBERS.min(body.width),
        width: body.width.saturating_sub(NUMBERS),
        height: body.height.saturating_sub(FOOT),
        ..body
    };
    let foot = Rect {
        y: chart.bottom(),
        height: FOOT.min(body.height),
        ..body
    };
    draw_periods(buffer, body, chart.height, palette);
    draw_cells(buffer, chart, live, span, palette);
    draw_legend(buffer, foot, palette);
    draw_strongest(buffer, foot, live, palette);
}

/// The bands that a row of the chart shows: several where rows are few, one on several rows where they are many.
fn bands_of(row: u16, rows: u16) -> std::ops::Range<usize> {
    let from = usize::from(row) * WAVE_BANDS / usize::from(rows.max(1));
    let to = (usize::from(row) + 1) * WAVE_BANDS / usize::from(rows.max(1));
    from..to.max(from + 1)
}

fn draw_periods(buffer: &mut Buffer, body: Rect, rows: u16, palette: Palette) {
    for row in (0..rows).filter(|row| row % 2 == 0 || row + 1 == rows) {
        if row + 2 == rows {
            continue; // the last row has its own
        }
        let Lines(period) = WaveSpectrum::bound(bands_of(row, rows).start);
        let text = format!("{period:>3.0}");
        put(buffer, body, (0, row), &text, palette.ink(Tone::Faint));
    }
}

fn draw_cells(buffer: &mut Buffer, chart: Rect, live: &Live, span: Seconds, palette: Palette) {
    let chart = chart.intersection(buffer.area);
    let mut columns = [None; MOST_COLUMNS];
    let columns = &mut columns[..MOST_COLUMNS.min(chart.width.into())];
    live.waves().columns(span, columns);
    let elapsed = live.place().map_or(0.0, |place| place.seconds.0);
    // what lies before the pass is no gap in it
    let begun = (elapsed / span.0 * columns.len() as f64) as usize;
    let first = columns.len().saturating_sub(begun);
    for (x, column) in columns.iter().enumerate() {
        for row in 0..chart.height {
            let (symbol, tone) = match column {
                Some(spectrum) => shade(spectrum, bands_of(row, chart.height), live.sample_rate()),
                None if x >= first && row + 1 == chart.height => ("·", Tone::Faint),
                None => continue,
            };
            put(buffer, chart, (x as u16, row), symbol, palette.ink(tone));
        }
    }
}

fn shade(
    spectrum: &WaveSpectrum,
    bands: std::ops::Range<usize>,
    rate: Option<Hertz>,
) -> (&'static str, Tone) {
    let largest = bands
        .map(|band| spectrum.amplitude(band).0)
        .fold(0.0, f64::max);
    let samples = words::in_samples(largest, rate);
    let grade = words::scale(Shown::LineError).grade(samples);
    let (_, symbol) = SHADES[grade as usize];
    if samples < FAINTEST {
        (" ", Tone::Plain)
    } else {
        (symbol, grade.tone())
    }
}

fn draw_legend(buffer: &mut Buffer, foot: Rect, palette: Palette) {
    let steps = words::scale(Shown::LineError).steps;
    let mut column = 0;
    let from = [FAINTEST, steps[0], steps[1], steps[2]];
    for ((grade, symbol), from) in SHADES.into_iter().zip(from) {
        let said = format!("{from} ");
        let pieces = [
            (symbol, palette.ink(grade.tone())),
            (said.as_str(), palette.ink(Tone::Faint)),
        ];
        column = put_all(buffer, foot, (column, 0), &pieces);
    }
    let unit = ["samples from zero to peak", "samples", "smp"].map(str::to_owned);
    let room = foot.width.saturating_sub(column);
    put(
        buffer,
        foot,
        (column, 0),
        fitting(&unit, room),
        palette.ink(Tone::Faint),
    );
}

fn draw_strongest(buffer: &mut Buffer, foot: Rect, live: &Live, palette: Palette) {
    let rate = live.sample_rate();
    let Some(timing) = live.latest().map(|readings| &readings.line_timing) else {
        return;
    };
    let (ways, tone) = strongest(timing, rate);
    put(
        buffer,
        foot,
        (0, 1),
        fitting(&ways, foot.width),
        palette.ink(tone),
    );
}

/// The wave that stands out of the newest field, in words.
fn strongest(timing: &Reading, rate: Option<Hertz>) -> (Vec<String>, Tone) {
    let (Some(period), Some(amplitude)) = (timing.wave_period, timing.wave_amplitude) else {
        let none = if timing.wave_spectrum.is_some() {
            "no wave stands out"
        } else {
            "? no timing, no waves"
        };
        return (vec![none.to_owned()], Tone::Faint);
    };
    let samples = words::in_samples(amplitude.value.0, rate);
    let grade = words::scale(Shown::LineError).grade(samples);
    let (lines, symbol) = (words::tidy(period.value.0), grade.symbol());
    let size = words::timing(amplitude.value.0, rate);
    (
        vec![
            format!("{symbol} a wave of {lines} lines stands out: {size}"),
            format!("{symbol} {lines} lines: {size}"),
            format!("{symbol} {lines} lines: {}", words::tidy(samples)),
        ],
        grade.tone(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_band_has_a_row_and_every_row_a_band() {
        for rows in 1..60_u16 {
            let mut seen = [false; WAVE_BANDS];
            for row in 0..rows {
                let bands = bands_of(row, rows);
                assert!(!bands.is_empty() && bands.end <= WAVE_BANDS, "{rows} {row}");
                bands.for_each(|band| seen[band] = true);
            }
            assert_eq!(seen, [true; WAVE_BANDS], "{rows}");
        }
    }

    #[test]
    fn shades_follow_the_words_for_wobble() {
        let of = |samples: f32| {
            let spectrum = WaveSpectrum::new([samples * 2000.0 / 27.0; WAVE_BANDS]);
            shade(&spectrum, 0..1, Some(Hertz(13.5e6))).0
        };
        let shades = [0.05, 0.2, 0.5, 2.0, 5.0].map(of);
        assert_eq!(shades, [" ", "░", "▒", "▓", "█"]);
    }
}
