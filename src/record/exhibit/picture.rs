//! A field as a small picture, and that as JPEG.
//!
//! Half the samples of a row and every row of the field: nearly square in both standards, and small. Levels go from
//! nominal black and peak to the ends of JPEG's scale (ITU-T T.871); what lies beyond is clipped.
//!
//! Does not know: events.

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};

use crate::fields::Field;
use crate::measures::chroma::excursion_codes;
use crate::units::CodeRange;

/// Rows wider than this are halved, over and over.
const WIDEST: usize = 400;

/// JPEG quality: noise of tape takes most of the bytes; at 70 a field of it takes about 20 KB, and blocks do not show yet.
const QUALITY: u8 = 70;

/// Luma and colour of a small picture, three bytes a sample.
#[derive(Debug, Default)]
pub(super) struct SmallPicture {
    samples: Vec<u8>,
    width: usize,
    rows: usize,
}

impl SmallPicture {
    /// Samples a row, and rows.
    pub(super) fn size(&self) -> (usize, usize) {
        (self.width, self.rows)
    }

    /// Shows a field.
    pub(super) fn take(&mut self, field: &Field) {
        let raster = field.raster;
        let step = step_of(raster.width);
        self.width = raster.width / step;
        self.rows = raster.rows;
        self.samples.clear();
        self.samples.resize(3 * self.width * self.rows, NEUTRAL);
        let luma = JpegScale::luma(raster.range);
        for row in 0..self.rows {
            let out = &mut self.samples[3 * self.width * row..3 * self.width * (row + 1)];
            let codes = field.luma.row(row).chunks_exact(step);
            for (sample, codes) in out.chunks_exact_mut(3).zip(codes) {
                sample[0] = luma.of(mean(codes));
            }
        }
        let chroma = JpegScale::chroma(raster.range);
        for (place, plane) in [(1, &field.cb), (2, &field.cr)] {
            if plane.width == 0 || plane.rows == 0 {
                continue; // neutral
            }
            for row in 0..self.rows {
                let codes = plane.row((row * plane.rows / self.rows).min(plane.rows - 1));
                let out = &mut self.samples[3 * self.width * row..3 * self.width * (row + 1)];
                for (at, sample) in out.chunks_exact_mut(3).enumerate() {
                    let code = codes[at * plane.width / self.width];
                    sample[place] = chroma.of(f64::from(code));
                }
            }
        }
    }

    /// Luma and both colour differences of one place.
    #[cfg(test)]
    pub(super) fn sample(&self, column: usize, row: usize) -> [u8; 3] {
        let at = 3 * (row * self.width + column);
        [self.samples[at], self.samples[at + 1], self.samples[at + 2]]
    }

    /// The picture as JPEG; `None` of nothing, and of sizes beyond JPEG's.
    pub(super) fn jpeg(&self) -> Option<Vec<u8>> {
        jpeg(&self.samples, self.size(), QUALITY)
    }
}

/// Luma and both colour differences of each sample, on JPEG's scale, as JPEG; `None` of nothing, and of sizes beyond JPEG's.
pub(crate) fn jpeg(samples: &[u8], (width, rows): (usize, usize), quality: u8) -> Option<Vec<u8>> {
    let width = u16::try_from(width).ok().filter(|&width| width > 0)?;
    let rows = u16::try_from(rows).ok().filter(|&rows| rows > 0)?;
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    let made = encoder.encode(samples, width, rows, ColorType::Ycbcr);
    made.ok().map(|()| bytes)
}

/// Colour difference of grey in JPEG.
const NEUTRAL: u8 = 128;

/// How many samples become one.
fn step_of(width: usize) -> usize {
    let mut step = 1;
    while width / step > WIDEST {
        step *= 2;
    }
    step
}

fn mean(codes: &[u8]) -> f64 {
    codes.iter().map(|&code| f64::from(code)).sum::<f64>() / codes.len() as f64
}

/// From codes to JPEG's scale.
#[derive(Clone, Copy, Debug)]
pub(crate) struct JpegScale {
    gain: f64,
    from: f64,
    to: f64,
}

impl JpegScale {
    pub(crate) fn luma(range: CodeRange) -> Self {
        let (black, peak) = range.black_and_peak();
        Self {
            gain: 255.0 / (peak.0 - black.0),
            from: black.0,
            to: 0.0,
        }
    }

    pub(crate) fn chroma(range: CodeRange) -> Self {
        Self {
            gain: 127.5 / excursion_codes(range),
            from: f64::from(NEUTRAL),
            to: f64::from(NEUTRAL),
        }
    }

    /// Neither rounded nor clipped.
    pub(crate) fn exact(self, code: f64) -> f64 {
        self.to + (code - self.from) * self.gain
    }

    fn of(self, code: f64) -> u8 {
        self.exact(code).round().clamp(0.0, 255.0) as u8
    }
}
