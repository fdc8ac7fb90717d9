//! Slow flutter: how much the lines of the last seconds move at each frequency, as towers over a scale in hertz.
//!
//! Made when it is looked at, once a second of the pass: the spectrum takes longer than a picture of the screen may.
//!
//! Does not know: how the spectrum is made.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::measures::flutter::{FLUTTER_BANDS, Flutter, Spectrum};
use crate::measures::line_timing::Basis;
use crate::record::{Live, live::Shown};
use crate::units::{Hertz, Seconds};

use super::paint::{below_heading, fitting, heading, put};
use super::palette::{Palette, Tone};
use super::words;

/// The panel's name.
const NAME: &str = "flutter in Hz";

/// Time of the pass between two spectra.
const INTERVAL: Seconds = Seconds(1.0);

/// Columns of the amplitudes at the left.
const NUMBERS: u16 = 5;

/// Rows under the chart: frequencies, the strongest tones, and what turns with the drum.
const FOOT: u16 = 3;

/// Amplitudes, in samples, at the foot and at the head of the chart.
const LEAST: f64 = 0.01;
const MOST: f64 = 10.0;

/// Frequencies that are written under the chart.
const WRITTEN: [(f64, &str); 4] = [(1.0, "1"), (10.0, "10"), (100.0, "100"), (1000.0, "1k")];

/// Eighths of a cell, from the lowest.
const EIGHTHS: [&str; 9] = [" ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"];

/// The page, and the spectrum it shows.
#[derive(Debug, Default)]
pub(super) struct FlutterPage {
    /// Made when the page is first looked at: it takes megabytes.
    flutter: Option<Box<Flutter>>,
    made_at: Option<Seconds>,
    spectrum: Option<Spectrum>,
}

impl FlutterPage {
    /// Draws the panel.
    pub(super) fn draw(&mut self, buffer: &mut Buffer, area: Rect, live: &Live, palette: Palette) {
        self.refresh(live);
        let asides = self.spectrum.as_ref().map(|spectrum| {
            let span = spectrum.span.0;
            [format!("samples, last {span:.0} s"), format!("{span:.0} s")]
        });
        let room = area.width.saturating_sub(NAME.len() as u16 + 3);
        let aside = asides.as_ref().map_or("", |ways| fitting(ways, room));
        heading(buffer, area, palette, NAME, aside);
        let body = below_heading(area);
        let Some(spectrum) = &self.spectrum else {
            let ways = [
                "? half a second of timed fields is needed".to_owned(),
                "? no timing yet".to_owned(),
            ];
            let said = fitting(&ways, body.width);
            put(buffer, body, (0, 0), said, palette.ink(Tone::Unsure));
            return;
        };
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
        draw_amplitudes(buffer, body, chart.height, palette);
        draw_towers(buffer, chart, (spectrum, live), palette);
        draw_frequencies(buffer, (foot, chart), palette);
        draw_tones(buffer, foot, (spectrum, live), palette);
        draw_drum(buffer, foot, live, palette);
    }

    fn refresh(&mut self, live: &Live) {
        let Some(now) = live.place().map(|place| place.seconds) else {
            return;
        };
        let due = self
            .made_at
            .is_none_or(|made| now < made || now - made >= INTERVAL);
        if let (true, Some(standard)) = (due, live.head().standard) {
            let flutter = self.flutter.get_or_insert_default();
            self.spectrum = flutter.look(live.lines(), standard);
            self.made_at = Some(now);
        }
    }
}

/// Where an amplitude stands between the foot and the head of the chart, 0 to 1.
fn height(samples: f64) -> f64 {
    ((samples / LEAST).log10() / (MOST / LEAST).log10()).clamp(0.0, 1.0)
}

fn draw_amplitudes(buffer: &mut Buffer, body: Rect, rows: u16, palette: Palette) {
    for (samples, text) in [(10.0, "10"), (1.0, "1"), (0.1, "0.1"), (0.01, "0.01")] {
        let from_top = (1.0 - height(samples)) * f64::from(rows.saturating_sub(1));
        let at = (0, from_top.round() as u16);
        put(
            buffer,
            body,
            at,
            &format!("{text:>4}"),
            palette.ink(Tone::Faint),
        );
    }
}

/// The bands that a column shows.
fn bands_of(column: usize, columns: usize) -> std::ops::Range<usize> {
    let bound = |column: usize| column * FLUTTER_BANDS / columns.max(1);
    bound(column)..bound(column + 1).max(bound(column) + 1)
}

fn draw_towers(
    buffer: &mut Buffer,
    chart: Rect,
    (spectrum, live): (&Spectrum, &Live),
    palette: Palette,
) {
    let columns = usize::from(chart.width);
    for column in 0..columns {
        let largest = spectrum.amplitudes_ns[bands_of(column, columns)]
            .iter()
            .copied()
            .fold(0.0, f32::max);
        let samples = words::in_samples(f64::from(largest), live.sample_rate());
        let tone = words::scale(Shown::LineError).grade(samples).tone();
        let eighths = (height(samples) * 8.0 * f64::from(chart.height)).round() as usize;
        for row in 0..usize::from(chart.height) {
            let filled = eighths.saturating_sub(8 * row).min(8);
            let at = (column as u16, chart.height - 1 - row as u16);
            if filled > 0 {
                put(buffer, chart, at, EIGHTHS[filled], palette.ink(tone));
            }
        }
    }
}

fn draw_frequencies(buffer: &mut Buffer, (foot, chart): (Rect, Rect), palette: Palette) {
    let Hertz(lowest) = Spectrum::bound(0);
    let Hertz(highest) = Spectrum::bound(FLUTTER_BANDS);
    for (hertz, text) in WRITTEN {
        let share = (hertz / lowest).ln() / (highest / lowest).ln();
        let column = NUMBERS + (share * f64::from(chart.width)) as u16;
        put(buffer, foot, (column, 0), text, palette.ink(Tone::Faint));
    }
}

fn draw_tones(
    buffer: &mut Buffer,
    foot: Rect,
    (spectrum, live): (&Spectrum, &Live),
    palette: Palette,
) {
    let rate = live.sample_rate();
    let tones: Vec<_> = spectrum.strongest.iter().flatten().collect();
    let Some(first) = tones.first() else {
        put(
            buffer,
            foot,
            (0, 1),
            "no tone stands out",
            palette.ink(Tone::Faint),
        );
        return;
    };
    let samples = words::in_samples(first.amplitude.0, rate);
    let grade = words::scale(Shown::LineError).grade(samples);
    let of = |tone: &crate::measures::flutter::Tone| {
        let size = words::timing(tone.amplitude.0, rate);
        format!("{} Hz {size}", words::tidy(tone.frequency.0))
    };
    let symbol = grade.symbol();
    // all that fit, the strongest first
    let ways: Vec<String> = (1..=tones.len())
        .rev()
        .map(|count| {
            let said: Vec<String> = tones[..count].iter().map(|tone| of(tone)).collect();
            format!("{symbol} {}", said.join(", "))
        })
        .chain([format!(
            "{symbol} {} Hz: {}",
            words::tidy(first.frequency.0),
            words::tidy(samples)
        )])
        .collect();
    let said = fitting(&ways, foot.width);
    put(buffer, foot, (0, 1), said, palette.ink(grade.tone()));
}

/// What turns with the drum, or why slow flutter is not to be seen.
fn draw_drum(buffer: &mut Buffer, foot: Rect, live: &Live, palette: Palette) {
    let Some(timing) = live.latest().map(|readings| &readings.line_timing) else {
        return;
    };
    let (ways, tone) = match (timing.basis, timing.drum_difference_rms) {
        (Basis::Content, _) => (
            vec![
                "? under 30 Hz hidden: a camera that pans looks the same".to_owned(),
                "? under 30 Hz hidden".to_owned(),
            ],
            Tone::Unsure,
        ),
        (_, None) => (vec!["? heads not compared yet".to_owned()], Tone::Unsure),
        (_, Some(difference)) => {
            let (value, rate) = (difference.value.0, live.sample_rate());
            let samples = words::in_samples(value, rate);
            let grade = words::scale(Shown::LineError).grade(samples);
            let symbol = grade.symbol();
            let sure = value > 2.0 * difference.sigma.0;
            let said = if sure { "" } else { "no more than " };
            let most = if sure {
                value
            } else {
                value + 2.0 * difference.sigma.0
            };
            (
                vec![
                    format!(
                        "{symbol} with the drum: heads differ by {said}{} rms",
                        words::timing(most, rate)
                    ),
                    format!("{symbol} drum: {said}{}", words::timing(most, rate)),
                    format!(
                        "{symbol} drum: {said}{}",
                        words::tidy(words::in_samples(most, rate))
                    ),
                    format!(
                        "{symbol} drum: {}",
                        words::tidy(words::in_samples(most, rate))
                    ),
                ],
                grade.tone(),
            )
        }
    };
    put(
        buffer,
        foot,
        (0, 2),
        fitting(&ways, foot.width),
        palette.ink(tone),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_column_has_a_band_and_every_band_a_column() {
        for columns in 1..200_usize {
            let mut seen = [false; FLUTTER_BANDS];
            for column in 0..columns {
                let bands = bands_of(column, columns);
                assert!(
                    !bands.is_empty() && bands.end <= FLUTTER_BANDS,
                    "{columns} {column}"
                );
                bands.for_each(|band| seen[band] = true);
            }
            assert_eq!(seen, [true; FLUTTER_BANDS], "{columns}");
        }
    }

    #[test]
    fn the_chart_reaches_from_a_hundredth_of_a_sample_to_ten() {
        assert_eq!([0.0, 0.01, 10.0, 99.0].map(height), [0.0, 0.0, 1.0, 1.0]);
        assert!((height(0.1) - 1.0 / 3.0).abs() < 1e-12);
    }
}
